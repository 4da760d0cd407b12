//! What was told before: a condition that comes and goes, and an advice that was told a moment ago.

use super::Severity;
use crate::units::StreamTime;

/// Raises within this time that make a condition one that comes and goes, seconds.
const FLAP_SECONDS: f64 = 600.0;
/// The third raise within that time stands until the condition was gone for this long, seconds.
pub const FLAP_CLEAR_SECONDS: f64 = 120.0;
/// An advice that is over and comes back within this time waits until it has held for `RETURN_HOLDS_SECONDS`, seconds:
/// it was told a moment ago, and it asks for nothing before the next pause.
const RETURN_SECONDS: f64 = 600.0;
/// How long it must hold then, seconds.
const RETURN_HOLDS_SECONDS: f64 = 60.0;

/// When one condition was told and over.
#[derive(Debug, Clone, Copy, Default)]
pub struct Retelling {
    last_raises: [Option<StreamTime>; 2],
    advice_over: Option<StreamTime>,
    on_since: StreamTime,
}

impl Retelling {
    /// The dwell time was up.
    pub fn on(&mut self, now: StreamTime) {
        self.on_since = now;
    }

    /// It is told now; gives whether it comes and goes.
    pub fn told(&mut self, now: StreamTime) -> bool {
        let recent = |t: &Option<StreamTime>| t.is_some_and(|t| now.since(t) < FLAP_SECONDS);
        let comes_and_goes = self.last_raises.iter().all(recent);
        self.last_raises = [self.last_raises[1], Some(now)];
        comes_and_goes
    }

    /// What was told is gone.
    pub fn over(&mut self, severity: Severity, now: StreamTime) {
        if severity == Severity::Advice {
            self.advice_over = Some(now);
        }
    }

    /// An advice of it was over a short while ago, and it does not yet hold for long: it is not to be told again.
    pub fn waits(&self, severity: Severity, now: StreamTime) -> bool {
        let over = self.advice_over.is_some_and(|t| now.since(t) < RETURN_SECONDS);
        over && severity == Severity::Advice && now.since(self.on_since) < RETURN_HOLDS_SECONDS
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> StreamTime {
        StreamTime(seconds * crate::units::HOPS_A_SECOND)
    }

    #[test]
    fn the_third_raise_in_ten_minutes_comes_and_goes() {
        let mut of = Retelling::default();
        assert!(!of.told(at(0)) && !of.told(at(300)) && of.told(at(590)));
        assert!(!of.told(at(1_000)), "the first of the last two is 700 s old");
    }

    #[test]
    fn an_advice_that_returns_waits_a_minute_and_a_warning_does_not() {
        let mut of = Retelling::default();
        of.on(at(10));
        assert!(!of.waits(Severity::Advice, at(10)));
        of.over(Severity::Advice, at(50));
        of.on(at(200));
        assert!(of.waits(Severity::Advice, at(259)) && !of.waits(Severity::Advice, at(260)));
        assert!(!of.waits(Severity::Warning, at(210)));
        of.on(at(650));
        assert!(!of.waits(Severity::Advice, at(650)), "ten minutes are over");
    }
}
