//! The one change of level that brings a programme to its target, as far as the true-peak limit allows.
//!
//! A change of x dB moves integrated loudness by x LU (BS.1770-5 is linear above its gate) and the true peak by x dB.

use crate::judge::Target;

/// Changes smaller than this are not worth a hand on the fader, dB (common practice: about 1 LU is just noticeable).
const WORTH_DB: f64 = 1.0;

/// What to change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// Distance to the target, dB; what would be right if peaks were no matter.
    pub wanted_db: f64,
    /// The change advised, dB (whole decibels; 0: leave it).
    pub change_db: f64,
    /// Room left between the true peak and its limit after the change, dB; `None` when the peak is not known.
    pub room_db: Option<f64>,
}

/// Advice for a programme of `integrated_lufs` whose true peak is `true_peak_dbtp`.
pub fn gain(integrated_lufs: f64, true_peak_dbtp: Option<f64>, target: &Target) -> Gain {
    let wanted_db = target.lufs - integrated_lufs;
    let room_before = true_peak_dbtp.map(|p| target.true_peak_dbtp - p);
    let whole = if wanted_db.abs() < WORTH_DB { 0.0 } else { wanted_db.round() };
    let change_db = match room_before {
        Some(room) if whole > 0.0 => whole.min(room.floor().max(0.0)),
        _ => whole,
    };
    Gain { wanted_db, change_db, room_db: room_before.map(|r| r - change_db) }
}

impl Gain {
    /// The peak limit forbids a part of the change (or all of it), dB; 0 when it does not.
    pub fn forbidden_db(&self) -> f64 {
        if self.wanted_db.abs() < WORTH_DB { 0.0 } else { (self.wanted_db.round() - self.change_db).max(0.0) }
    }

    /// One sentence for people.
    pub fn sentence(&self) -> String {
        let room = |d: f64| match self.room_db {
            Some(room) if room >= 0.0 => {
                format!(" {room:.1} dB of room {} left below the peak limit.", if d == 0.0 { "is" } else { "will be" })
            }
            Some(room) => format!(
                " The loudest peaks still are {:.1} dB over their limit: use a limiter on the stream mix.",
                -room
            ),
            None => String::new(),
        };
        let forbidden = self.forbidden_db();
        if forbidden > 0.0 && self.change_db > 0.0 {
            return format!(
                "Raise the stream mix by {:.0} dB; the peak limit forbids the other {forbidden:.0} dB: a compressor or limiter on the stream mix makes room.",
                self.change_db
            );
        }
        if forbidden > 0.0 {
            return format!(
                "The stream mix is {:.0} dB too quiet, but its loudest peaks leave no room: put a compressor or limiter on it, then raise it.",
                forbidden
            );
        }
        match self.change_db {
            c if c > 0.0 => format!("Raise the stream mix by {c:.0} dB.{}", room(c)),
            c if c < 0.0 => format!("Lower the stream mix by {:.0} dB.{}", -c, room(c)),
            _ => format!("Leave the level as it is.{}", room(0.0)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_change_is_whole_and_never_lifts_a_peak_over_its_limit() {
        let target = Target::default();
        for i in -40..0 {
            for p in -30..3 {
                let (i, p) = (f64::from(i) + 0.3, f64::from(p) + 0.2);
                let g = gain(i, Some(p), &target);
                assert!(g.change_db <= 0.0 || p + g.change_db <= target.true_peak_dbtp + 1e-9, "{i} {p} {g:?}");
                assert_eq!(g.change_db, g.change_db.round());
                assert!((i + g.change_db + g.forbidden_db() - target.lufs).abs() <= 1.0, "{i} {p} {g:?}");
            }
        }
    }
}
