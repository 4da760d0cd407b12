//! What one channel tells: the quiet list, the rate limit, and whole conversations.
//!
//! A conversation that was opened on a channel is always finished there; one that was kept quiet stays quiet to
//! its end, unless it grows into something that the list lets through. Pure: time is handed in.

use crate::ledger::{Notice, NoticeStep};
use std::collections::BTreeSet;

/// Conversations that may be open at a time on one channel; beyond it the oldest name goes (own choice, 1 000 alerts).
const MOST_OPEN: usize = 1_000;

/// How a channel behaves, as set by the site.
#[derive(Debug, Clone, PartialEq)]
pub struct Manners {
    /// Tell at all.
    pub enabled: bool,
    /// Names of conditions, severities (`note`, `advice`, `warning`) or steps (`acknowledged`, `review`) not told.
    pub quiet: Vec<String>,
    /// Tell only what happens in a service.
    pub only_in_services: bool,
    /// New conversations in an hour at most, 1 to 600.
    pub most_an_hour: u32,
}

impl Manners {
    pub(super) fn quiet_on(quiet: &[&str]) -> Self {
        let quiet = quiet.iter().map(ToString::to_string).collect();
        Self { enabled: false, quiet, only_in_services: false, most_an_hour: 20 }
    }
}

/// One channel's gate.
#[derive(Debug)]
pub(super) struct Gate {
    manners: Manners,
    open: BTreeSet<String>,
    /// Conversations that may be opened now; refilled evenly.
    allowance: f64,
    refilled_seconds: f64,
    held_back: u32,
}

impl Gate {
    /// A gate that goes on with the conversations `open`; `now_seconds` is any clock that only goes forward.
    pub(super) fn new(manners: Manners, open: impl Iterator<Item = String>, now_seconds: f64) -> Self {
        let allowance = f64::from(manners.most_an_hour);
        Self { manners, open: open.collect(), allowance, refilled_seconds: now_seconds, held_back: 0 }
    }

    /// The notice as this channel tells it, or nothing.
    pub(super) fn pass(&mut self, notice: &Notice, now_seconds: f64) -> Option<Notice> {
        let open = self.open.contains(&notice.thread);
        match notice.step {
            NoticeStep::Test => {}
            NoticeStep::Review if self.quiet("review") => return None,
            NoticeStep::Review => self.spend(now_seconds)?,
            NoticeStep::Acknowledged if !open || self.quiet("acknowledged") => return None,
            NoticeStep::Acknowledged => {}
            NoticeStep::Cleared => {
                if !self.open.remove(&notice.thread) {
                    return None;
                }
            }
            NoticeStep::Raised | NoticeStep::Changed => {
                let quiet = self.quiet(&notice.condition) || self.quiet(&notice.severity);
                if !open && (quiet || self.manners.only_in_services && !notice.in_service) {
                    return None;
                }
                self.spend(now_seconds)?;
                if self.open.len() == MOST_OPEN {
                    self.open.pop_first();
                }
                self.open.insert(notice.thread.clone());
            }
        }
        Some(Notice { held_back: std::mem::take(&mut self.held_back), ..notice.clone() })
    }

    fn quiet(&self, name: &str) -> bool {
        self.manners.quiet.iter().any(|q| q == name)
    }

    fn spend(&mut self, now_seconds: f64) -> Option<()> {
        let most = f64::from(self.manners.most_an_hour);
        let gained = (now_seconds - self.refilled_seconds).max(0.0) / 3600.0 * most;
        (self.allowance, self.refilled_seconds) = ((self.allowance + gained).min(most), now_seconds);
        if self.allowance < 1.0 {
            self.held_back += 1;
            return None;
        }
        self.allowance -= 1.0;
        Some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gate(quiet: &[&str], most_an_hour: u32) -> Gate {
        Gate::new(Manners { enabled: true, most_an_hour, ..Manners::quiet_on(quiet) }, std::iter::empty(), 0.0)
    }

    fn notice(step: NoticeStep, thread: &str, condition: &str, severity: &str) -> Notice {
        Notice {
            step,
            thread: thread.into(),
            condition: condition.into(),
            severity: severity.into(),
            ..Notice::default()
        }
    }

    /// Which steps of a conversation come through.
    fn told(gate: &mut Gate, thread: &str, steps: &[(NoticeStep, &str)]) -> Vec<bool> {
        steps.iter().map(|(s, severity)| gate.pass(&notice(*s, thread, "hum", severity), 0.0).is_some()).collect()
    }

    #[test]
    fn a_conversation_is_told_whole_or_not_at_all() {
        use NoticeStep::*;
        let all = |severity| [(Raised, severity), (Acknowledged, severity), (Cleared, severity)];
        for (quiet, severity, want) in [
            (&["note"][..], "advice", [true, true, true]),
            (&["note"], "note", [false, false, false]),
            (&["hum"], "warning", [false, false, false]),
            (&["acknowledged"], "warning", [true, false, true]),
        ] {
            assert_eq!(told(&mut gate(quiet, 20), "a1", &all(severity)), want, "{quiet:?} {severity}");
        }
        let growing = [(Raised, "note"), (Changed, "warning"), (Changed, "note"), (Cleared, "note"), (Cleared, "note")];
        assert_eq!(told(&mut gate(&["note"], 20), "a1", &growing), [false, true, true, true, false]);
    }

    #[test]
    fn outside_services_only_open_conversations_go_on() {
        let mut g = gate(&[], 20);
        g.manners.only_in_services = true;
        let mut raised = notice(NoticeStep::Raised, "a1", "hum", "warning");
        assert!(g.pass(&raised, 0.0).is_none());
        raised.in_service = true;
        assert!(g.pass(&raised, 0.0).is_some());
        assert!(g.pass(&notice(NoticeStep::Cleared, "a1", "hum", "warning"), 0.0).is_some());
    }

    #[test]
    fn too_many_are_held_back_and_counted() {
        let mut g = gate(&[], 2);
        let mut raise = |n: u32, at| {
            g.pass(&notice(NoticeStep::Raised, &format!("a{n}"), "hum", "warning"), at).map(|n| n.held_back)
        };
        assert_eq!([raise(1, 0.0), raise(2, 0.0), raise(3, 0.0), raise(4, 1.0)], [Some(0), Some(0), None, None]);
        assert_eq!(raise(5, 1_800.0), Some(2), "one more may be told after half an hour");
        assert_eq!(
            g.pass(&notice(NoticeStep::Cleared, "a1", "hum", "warning"), 1_801.0).map(|n| n.held_back),
            Some(0),
            "an ending is never held back"
        );
        assert!(g.pass(&notice(NoticeStep::Cleared, "a3", "hum", "warning"), 1_801.0).is_none());
    }
}
