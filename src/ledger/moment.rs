//! Kept moments: the sound around a warning. The contract between the measuring, which cuts them, `keep`, which
//! writes them, and the page, which plays them.

use super::shelf::{KeptAlert, ShelfError};

/// The sound around one warning, as it was cut.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    /// What it is kept as.
    pub kept: KeptMoment,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Channels, 1 to 6.
    pub channels: usize,
    /// Interleaved samples, full scale = 1.
    pub samples: Vec<f32>,
}

/// What a kept moment belongs to; all of it is in its name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct KeptMoment {
    /// Wall time of the warning, ms since 1970.
    pub unix_ms: i64,
    /// Number of the alert.
    pub alert: u64,
    /// Its condition.
    pub condition: String,
}

impl KeptMoment {
    /// Its name: number, time and condition of the warning.
    pub fn name(&self) -> String {
        format!("{}-{}-{}", self.alert, self.unix_ms, self.condition)
    }

    /// The moment of a name; nothing when it is none (so that no name leads to another file).
    pub fn named(name: &str) -> Option<Self> {
        let mut parts = name.splitn(3, '-');
        let (alert, unix_ms) = (parts.next()?.parse().ok()?, parts.next()?.parse().ok()?);
        let condition =
            parts.next().filter(|c| !c.is_empty() && c.bytes().all(|b| b.is_ascii_lowercase() || b == b'_'))?;
        Some(Self { unix_ms, alert, condition: condition.into() })
    }

    /// It was kept for this alert (numbers begin anew with a new log, so the time must fit too).
    pub fn belongs_to(&self, alert: &KeptAlert) -> bool {
        let end = alert.cleared_ms.unwrap_or(i64::MAX - 1_000);
        let fits = (alert.raised_ms - 1_000..=end + 1_000).contains(&self.unix_ms);
        self.alert == alert.number && self.condition == alert.condition && fits
    }
}

/// The moments that are kept, for whoever may hear and delete them.
pub trait Moments: Send + Sync {
    /// All of them, the oldest first.
    ///
    /// # Errors
    /// When they cannot be looked at.
    fn list(&self) -> Result<Vec<KeptMoment>, ShelfError>;

    /// One as a FLAC file; nothing when it is gone.
    ///
    /// # Errors
    /// When it cannot be read.
    fn flac(&self, moment: &KeptMoment) -> Result<Option<Vec<u8>>, ShelfError>;

    /// Deletes one; gives whether it was there.
    ///
    /// # Errors
    /// When it cannot be deleted.
    fn delete(&self, moment: &KeptMoment) -> Result<bool, ShelfError>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_comes_back_and_no_name_leads_elsewhere() {
        let moment = KeptMoment { unix_ms: 1_800_000_000_123, alert: 7, condition: "far_too_quiet".into() };
        assert_eq!(KeptMoment::named(&moment.name()), Some(moment));
        for bad in ["", "7-1", "7-1-", "7-1-../log", "7-1-a/b", "x-1-clipping", "7--clipping", "7-1-clipping.flac"] {
            assert_eq!(KeptMoment::named(bad), None, "{bad:?}");
        }
    }
}
