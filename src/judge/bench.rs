//! The conditions at work on one feed: dwell, one cause one warning, acknowledging, shelving.
//!
//! One cause, one warning, live: a condition that shares a cause with a worse one is held back while the worse
//! one holds or may still come, and is replaced when it does (the roster's `hides`).

use super::alert::{Alert, AlertChange, AlertLife, Clearing};
use super::dwell::{Dwell, Timing};
use super::retelling::{FLAP_CLEAR_SECONDS, Retelling};
use super::roster::{JudgeSettings, Post};
use super::{Evidence, Scene, Severity, Verdict};
use crate::feed::{AlertRef, Role};
use crate::units::{StreamTime, TICKS_A_SECOND};

/// A worse cause that has not been seen for so many ticks (1 s) holds nothing back.
const COMING_TICKS: u32 = TICKS_A_SECOND as u32;

struct Seat {
    post: Post,
    parents: Vec<usize>,
    dwell: Dwell,
    began: StreamTime,
    evidence: Option<Evidence>,
    /// The newest look that could tell found it.
    holds: bool,
    /// Looks since then that could not tell.
    unsure_ticks: u32,
    alert: Option<Alert>,
    retelling: Retelling,
    shelved_until: Option<StreamTime>,
}

/// All conditions of one feed.
pub struct Bench {
    feed: usize,
    role: Role,
    seats: Vec<Seat>,
}

impl Bench {
    /// The roster at work on feed number `feed`.
    pub fn new(feed: usize, role: Role, settings: &JudgeSettings) -> Self {
        Self::of(feed, role, settings.posts())
    }

    /// These conditions, in the roster's order, at work on feed number `feed`.
    pub fn of(feed: usize, role: Role, posts: Vec<Post>) -> Self {
        let parents: Vec<Vec<usize>> = posts
            .iter()
            .map(|child| {
                let hides_child = |p: &Post| p.listing.hides.contains(&child.listing.name);
                posts.iter().enumerate().filter(|(_, p)| hides_child(p)).map(|(i, _)| i).collect()
            })
            .collect();
        let seats = posts
            .into_iter()
            .zip(parents)
            .map(|(post, parents)| Seat {
                post,
                parents,
                dwell: Dwell::default(),
                began: StreamTime::default(),
                evidence: None,
                holds: false,
                unsure_ticks: 0,
                alert: None,
                retelling: Retelling::default(),
                shelved_until: None,
            })
            .collect();
        Self { feed, role, seats }
    }

    /// Other settings from now on: alerts that stand stay, with their timers, where the condition is still on.
    /// Pushes what ended by being switched off.
    pub fn set(&mut self, settings: &JudgeSettings, now: StreamTime, out: &mut Vec<(AlertChange, Alert)>) {
        let mut fresh = Self::new(self.feed, self.role, settings);
        for mut old in self.seats.drain(..) {
            match fresh.seats.iter_mut().find(|s| s.post.listing.name == old.post.listing.name) {
                Some(seat) => {
                    (seat.dwell, seat.began, seat.evidence) = (old.dwell, old.began, old.evidence);
                    (seat.alert, seat.retelling, seat.shelved_until) =
                        (old.alert.take(), old.retelling, old.shelved_until);
                }
                None => old.clear(now, Clearing::SwitchedOff, out),
            }
        }
        self.seats = fresh.seats;
    }

    /// One tick: every condition looks; pushes what changed. `next_id` numbers new alerts.
    pub fn tick(&mut self, scene: &Scene<'_>, next_id: &mut u64, out: &mut Vec<(AlertChange, Alert)>) {
        let now = scene.feed.at;
        for seat in &mut self.seats {
            seat.look(scene, now, self.role);
        }
        for i in 0..self.seats.len() {
            let parents = &self.seats[i].parents;
            let told = parents.iter().find(|p| self.seats[**p].hides()).copied();
            // Of two that hide each other, whichever is told first; only the later in the roster waits for the other.
            let waits_for = |p: usize| p < i || !self.seats[p].parents.contains(&i);
            let coming = parents.iter().any(|p| waits_for(*p) && self.seats[*p].holds_or_comes());
            let by = told.map(|p| self.seats[p].post.listing.name);
            let seat = &mut self.seats[i];
            match by {
                Some(parent) => {
                    seat.clear(now, Clearing::Replaced(parent), out);
                    // Its own time begins anew when the worse cause is over.
                    seat.dwell.reset();
                    seat.post.watch.forget();
                }
                None if seat.dwell.on() => {
                    // What was held back until it ended is not told any more.
                    if seat.alert.is_some() || (!coming && seat.holds) {
                        seat.tell(self.feed, now, next_id, out);
                    }
                }
                None => seat.clear(now, Clearing::Gone, out),
            }
        }
    }

    /// Acknowledges; gives whether an alert was meant that stands and was not yet acknowledged.
    pub fn acknowledge(&mut self, which: AlertRef, now: StreamTime, out: &mut Vec<(AlertChange, Alert)>) -> bool {
        let mut any = false;
        for alert in self.seats.iter_mut().filter_map(|s| s.alert.as_mut()) {
            if names(which, alert.id) && alert.acknowledged.is_none() {
                alert.acknowledged = Some(now);
                out.push((AlertChange::Acknowledged, alert.clone()));
                any = true;
            }
        }
        any
    }

    /// Puts an alert's condition aside for `seconds`.
    pub fn shelve(&mut self, which: AlertRef, seconds: u32, now: StreamTime, out: &mut Vec<(AlertChange, Alert)>) {
        for seat in &mut self.seats {
            if seat.alert.as_ref().is_some_and(|a| names(which, a.id)) {
                seat.shelved_until = Some(StreamTime(now.0 + u64::from(seconds) * crate::units::HOPS_A_SECOND));
                seat.clear(now, Clearing::Shelved, out);
            }
        }
    }

    /// Where each condition stands, in the roster's order.
    pub fn lives(&self) -> impl Iterator<Item = (&'static str, AlertLife)> + '_ {
        self.seats.iter().map(|s| (s.post.listing.name, s.life()))
    }

    /// The alerts that stand.
    pub fn standing(&self) -> impl Iterator<Item = &Alert> + '_ {
        self.seats.iter().filter_map(|s| s.alert.as_ref())
    }

    /// A warning or an advice stands: nothing is learned from what is heard now.
    pub fn advises(&self) -> bool {
        self.standing().any(|a| a.evidence.severity >= Severity::Advice)
    }

    /// A warning stands.
    pub fn warns(&self) -> bool {
        self.standing().any(|a| a.evidence.severity == Severity::Warning)
    }
}

fn names(which: AlertRef, id: u64) -> bool {
    match which {
        AlertRef::All => true,
        AlertRef::One(one) => one == id,
    }
}

impl Seat {
    fn look(&mut self, scene: &Scene<'_>, now: StreamTime, role: Role) {
        let was_on = self.dwell.on();
        let idle = !was_on && !self.dwell.rising();
        let mut timing = self.post.timing;
        if self.alert.as_ref().is_some_and(|a| a.comes_and_goes) {
            timing.clear_after_seconds = timing.clear_after_seconds.max(FLAP_CLEAR_SECONDS);
        }
        match self.post.watch.look(scene) {
            Verdict::Unsure => self.unsure_ticks = self.unsure_ticks.saturating_add(1),
            Verdict::Good => {
                (self.holds, self.unsure_ticks) = (false, 0);
                self.dwell.step(false, timing);
            }
            Verdict::Bad(evidence) => {
                (self.holds, self.unsure_ticks) = (true, 0);
                if idle {
                    self.began = now;
                }
                let raise_after_seconds = evidence.after_seconds.unwrap_or(timing.raise_after_seconds);
                self.dwell.step(true, Timing { raise_after_seconds, ..timing });
                // The room's mix is the comparison, not the job: what ails it is told softly.
                let cap = match role {
                    Role::House if evidence.severity == Severity::Warning => Severity::Advice,
                    Role::House => Severity::Note,
                    Role::Stream | Role::Other => evidence.severity,
                };
                self.evidence = Some(Evidence { severity: cap, ..evidence });
            }
        }
        if self.dwell.on() && !was_on {
            self.retelling.on(now);
        }
        if self.shelved_until.is_some_and(|t| now >= t) {
            self.shelved_until = None;
        }
    }

    /// It comes and goes, stands for that alone, and is gone at the moment: it explains nothing.
    fn lingers(&self) -> bool {
        !self.holds && self.alert.as_ref().is_some_and(|a| a.comes_and_goes)
    }

    /// It is told, and explains what it hides.
    fn hides(&self) -> bool {
        self.alert.is_some() && !self.lingers()
    }

    fn holds_or_comes(&self) -> bool {
        let comes = self.dwell.rising() && self.unsure_ticks < COMING_TICKS;
        self.shelved_until.is_none() && !self.lingers() && (self.dwell.on() || comes)
    }

    fn tell(&mut self, feed: usize, now: StreamTime, next_id: &mut u64, out: &mut Vec<(AlertChange, Alert)>) {
        let Some(evidence) = self.evidence else { return };
        let waits = self.alert.is_none() && self.retelling.waits(evidence.severity, now);
        if waits || self.shelved_until.is_some() {
            return;
        }
        match &mut self.alert {
            None => {
                let alert = Alert {
                    id: *next_id,
                    feed,
                    condition: self.post.listing.name,
                    evidence,
                    began: self.began,
                    raised: now,
                    acknowledged: None,
                    comes_and_goes: self.retelling.told(now),
                    cleared: None,
                };
                *next_id += 1;
                out.push((AlertChange::Raised, alert.clone()));
                self.alert = Some(alert);
            }
            Some(alert) => {
                let (old, new) = (alert.evidence, evidence);
                alert.evidence = new;
                if !std::ptr::eq(old.words, new.words) || old.severity != new.severity {
                    if new.severity > old.severity {
                        alert.acknowledged = None;
                    }
                    out.push((AlertChange::Changed, alert.clone()));
                }
            }
        }
    }

    fn clear(&mut self, now: StreamTime, how: Clearing, out: &mut Vec<(AlertChange, Alert)>) {
        if let Some(mut alert) = self.alert.take() {
            alert.cleared = Some((now, how));
            if how == Clearing::Gone {
                self.retelling.over(alert.evidence.severity, now);
            }
            out.push((AlertChange::Cleared, alert));
        }
    }

    fn life(&self) -> AlertLife {
        match &self.alert {
            _ if self.shelved_until.is_some() => AlertLife::Shelved,
            Some(a) if a.acknowledged.is_some() => AlertLife::Acknowledged,
            Some(_) => AlertLife::Raised,
            None if self.dwell.on() || self.dwell.rising() => AlertLife::Pending,
            None => AlertLife::Watching,
        }
    }
}
