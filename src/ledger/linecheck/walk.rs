//! A line check in the making: which step listens, what was found so far. Fed with the outcomes of the daemon that
//! runs, so that the page on a tablet needs no device of its own.

use super::step::{Heard, Line, STEPS, Step};
use super::{Answer, Finding};
use crate::chain::Outcome;
use crate::judge::{Alert, AlertChange};
use crate::units::TICKS_A_SECOND;

/// The step that listens.
#[derive(Debug, Clone, PartialEq)]
struct Listening {
    step: Step,
    heard: Heard,
    seconds: f64,
    /// The steady clock at the first tick of the stream, seconds.
    first: Option<f64>,
    /// Missing frames of the stream before the step.
    missing: Option<u64>,
}

/// A line check from its first step to its report.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Walk {
    listening: Option<Listening>,
    line: Option<Line>,
    done: Vec<(Step, Vec<Finding>)>,
    /// Loudness of the stream with nothing sent, LUFS.
    pub floor_lufs: Option<f64>,
    /// It was kept as the venue's baseline at this local time.
    pub kept_at: Option<String>,
}

/// How far a step has come.
#[derive(Debug, Clone, PartialEq)]
pub enum Stage<'a> {
    /// Not begun.
    Waiting,
    /// It listens: seconds so far, seconds in all.
    Listening(f64, f64),
    /// It is over.
    Done(&'a [Finding]),
}

impl Walk {
    /// Listens for a step, for at most `longest` seconds where the step allows; what was found in it before is
    /// forgotten. `standing` are the alerts that stand already.
    pub fn begin(&mut self, step: Step, longest: u32, line: Line, standing: &[Alert]) {
        self.done.retain(|(s, _)| *s != step);
        self.kept_at = None;
        if step.moot(&line) {
            self.done.push((step, step.findings(&Heard::default(), &line)));
            return;
        }
        let mut heard = Heard { readings: vec![Vec::new(); line.sources.len()], ..Heard::default() };
        if step == Step::Quiet {
            heard.alerts = standing.iter().map(|a| (AlertChange::Changed, a.clone())).collect();
        }
        self.listening = Some(Listening { step, heard, seconds: step.seconds(longest), first: None, missing: None });
        self.line = Some(line);
    }

    /// Leaves a step out.
    pub fn skip(&mut self, step: Step) {
        if self.listening.as_ref().is_some_and(|l| l.step == step) {
            self.listening = None;
        }
        self.done.retain(|(s, _)| *s != step);
        self.kept_at = None;
        self.done.push((step, vec![Finding::new(step.skipped(), Answer::Skipped, "left out by hand".into(), "")]));
    }

    /// Takes an outcome of the daemon; `steady_seconds` is the steady clock, `rate_hz` the rate of the stream's device.
    pub fn take(&mut self, outcome: &Outcome, steady_seconds: f64, rate_hz: u32) {
        let (Some(l), Some(line)) = (&mut self.listening, &self.line) else { return };
        l.heard.take(outcome);
        if let Outcome::Reading { feed, reading } = outcome
            && *feed == line.stream
        {
            l.heard.rate_hz = rate_hz;
            let missing = *l.missing.get_or_insert(reading.missing_frames_total);
            l.heard.lost_frames = reading.missing_frames_total.saturating_sub(missing);
            match l.first {
                None => l.first = Some(steady_seconds),
                Some(first) => {
                    l.heard.frames += u64::from(reading.measured_hops) * u64::from(rate_hz) / 100;
                    l.heard.seconds = steady_seconds - first;
                }
            }
        }
        let ticks = l.heard.readings.get(line.stream).map_or(0, Vec::len);
        if ticks as f64 >= l.seconds * TICKS_A_SECOND as f64 || l.step.enough(&l.heard, line) {
            if l.step == Step::Quiet {
                self.floor_lufs = l.heard.floor_lufs(line.stream);
            }
            let found = (l.step, l.step.findings(&l.heard, line));
            self.done.push(found);
            self.listening = None;
        }
    }

    /// How far a step has come.
    pub fn stage(&self, step: Step) -> Stage<'_> {
        if let (Some(l), Some(line)) = (self.listening.as_ref().filter(|l| l.step == step), &self.line) {
            let ticks = l.heard.readings.get(line.stream).map_or(0, Vec::len);
            return Stage::Listening(ticks as f64 / TICKS_A_SECOND as f64, l.seconds);
        }
        self.done.iter().find(|(s, _)| *s == step).map_or(Stage::Waiting, |(_, found)| Stage::Done(found))
    }

    /// The step that is to be done now: the one that listens, else the first that was not done.
    pub fn current(&self) -> Option<Step> {
        let listening = self.listening.as_ref().map(|l| l.step);
        listening.or_else(|| STEPS.into_iter().find(|s| self.stage(*s) == Stage::Waiting))
    }

    /// What was found so far, in the order of the steps.
    pub fn findings(&self) -> Vec<Finding> {
        let of = |step: Step| self.done.iter().filter(move |(s, _)| *s == step).flat_map(|(_, f)| f.iter().cloned());
        STEPS.into_iter().flat_map(of).collect()
    }
}

/// The worst of some answers: what failed, then what could not be told, then what was not tried.
pub fn worst(findings: &[Finding]) -> Answer {
    let order = [Answer::Fail, Answer::CannotTell, Answer::Skipped];
    order.into_iter().find(|a| findings.iter().any(|f| f.answer == *a)).unwrap_or(Answer::Pass)
}
