//! When to try again. Pure: chance is handed in.

use std::time::Duration;

/// Wait after the first failure, seconds (own choice).
const FIRST_SECONDS: f64 = 1.0;
/// Longest wait, seconds: a peer that comes back is served within five minutes (own choice).
const MOST_SECONDS: f64 = 300.0;
/// A peer that asks for more patience gets up to this, seconds.
const MOST_ASKED_SECONDS: u64 = 3600;

/// Exponential back-off with jitter, for one peer.
#[derive(Debug, Default)]
pub(super) struct Retry {
    failures: u32,
}

impl Retry {
    /// It worked.
    pub(super) fn reset(&mut self) {
        self.failures = 0;
    }

    /// It failed (again): how long to wait. Each wait is twice the last, of which `chance` (0 to 1) shares out the
    /// upper half, so that many venues do not return to a peer in one moment. `asked_seconds`: what the peer said.
    pub(super) fn wait(&mut self, chance: f64, asked_seconds: Option<u64>) -> Duration {
        let whole = (FIRST_SECONDS * 2f64.powi(self.failures.min(16) as i32)).min(MOST_SECONDS);
        self.failures += 1;
        let own = Duration::from_secs_f64(whole * (0.5 + 0.5 * chance.clamp(0.0, 1.0)));
        own.max(Duration::from_secs(asked_seconds.unwrap_or(0).min(MOST_ASKED_SECONDS)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_five_minutes_and_start_anew() {
        let mut retry = Retry::default();
        let waits: Vec<f64> = (0..10).map(|_| retry.wait(1.0, None).as_secs_f64()).collect();
        assert_eq!(waits, [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 300.0]);
        assert_eq!(retry.wait(0.0, None).as_secs_f64(), 150.0);
        assert_eq!(retry.wait(0.0, Some(900)).as_secs(), 900);
        assert_eq!(retry.wait(0.0, Some(1_000_000)).as_secs(), 3600, "a peer cannot silence us for days");
        retry.reset();
        assert_eq!(retry.wait(0.5, None).as_secs_f64(), 0.75);
    }
}
