//! Figures of one feed over a service, out of its kept rows.

use crate::chain::Programme;
use crate::feed::Role;
use crate::judge::Severity;
use crate::ledger::shelf::KeptFeed;
use crate::ledger::{Row, advice};
use crate::measure::gate::Gate;
use crate::measure::range::Range;
use crate::units::power_of_lufs;

/// Half of the band around the target in which a second counts as right, LU (own choice: shades the picture only).
pub const BAND_LU: f64 = 4.0;
/// Largest momentary loudness of a second below which it counts as quiet, LUFS (as the judge's "sound").
const QUIET_LUFS: f64 = crate::judge::SOUND_LUFS;
/// Columns of the picture.
pub const COLUMNS: usize = 720;

/// Where a service's seconds went, seconds.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Spent {
    /// Short-term loudness within the band.
    pub in_band: f64,
    /// Under it, with sound.
    pub under: f64,
    /// Over it.
    pub over: f64,
    /// No sound.
    pub quiet: f64,
    /// Nothing came, or nothing was kept.
    pub missing: f64,
}

/// One column of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Column {
    /// Largest momentary loudness, LUFS.
    pub momentary_lufs: Option<f64>,
    /// Lowest and highest short-term loudness, LUFS.
    pub short_term_lufs: Option<(f64, f64)>,
    /// The worst that stood.
    pub worst: Option<Severity>,
    /// Something was kept of it.
    pub kept: bool,
}

/// One feed of a review.
#[derive(Debug, Clone, PartialEq)]
pub struct ReviewFeed {
    /// Name.
    pub name: String,
    /// Role.
    pub role: Role,
    /// Loudness and peaks of the service.
    pub programme: Programme,
    /// The figures come from the kept ticks (to 0.01 dB), for the program was started anew or has not ended yet.
    pub from_ticks: bool,
    /// Where the time went.
    pub spent: Spent,
    /// The picture, from the service's begin to its end.
    pub picture: Vec<Column>,
    /// The one change of level.
    pub gain: Option<advice::Gain>,
}

/// Figures out of rows: gated as BS.1770-5 Annex 1 says, from the momentary blocks at each tick; range by Tech 3342.
/// `None` when the ticks are no longer kept.
pub fn from_ticks(rows: &[Row], feed: usize) -> Option<Programme> {
    let (mut gate, mut range) = (Gate::new(), Range::new());
    let mut max_short_term: Option<f64> = None;
    for row in rows {
        for tick in row.fine.as_ref()? {
            if let Some(m) = tick.momentary_lufs {
                gate.add(power_of_lufs(m));
            }
            if let Some(s) = tick.short_term_lufs {
                range.add(power_of_lufs(s));
                max_short_term = Some(max_short_term.map_or(s, |t| t.max(s)));
            }
        }
    }
    let top = |get: &dyn Fn(&Row) -> Option<f64>| rows.iter().filter_map(get).reduce(f64::max);
    Some(Programme {
        feed,
        integrated_lufs: gate.integrated_lufs(),
        range_lu: range.lu(),
        max_momentary_lufs: top(&|r| r.momentary_top_lufs),
        max_short_term_lufs: max_short_term,
        true_peak_dbtp: top(&|r| r.true_peak_dbtp.into_iter().flatten().reduce(f64::max)),
    })
}

/// The last figures that rows without ticks still say.
fn from_rows(rows: &[Row], feed: usize) -> Programme {
    let top = |get: &dyn Fn(&Row) -> Option<f64>| rows.iter().filter_map(get).reduce(f64::max);
    let last = |get: &dyn Fn(&Row) -> Option<f64>| rows.iter().rev().find_map(get);
    Programme {
        feed,
        integrated_lufs: last(&|r| r.integrated_lufs),
        range_lu: last(&|r| r.range_lu),
        max_momentary_lufs: top(&|r| r.momentary_top_lufs),
        max_short_term_lufs: top(&|r| r.short_term_lufs),
        true_peak_dbtp: top(&|r| r.true_peak_dbtp.into_iter().flatten().reduce(f64::max)),
    }
}

impl ReviewFeed {
    /// The review of `feed`, number `index`, from `from_ms` to `to_ms`; `whole`: it ran in one piece to its end.
    pub fn of(feed: &KeptFeed, index: usize, whole: bool, (from_ms, to_ms): (i64, i64), target_lufs: f64) -> Self {
        let meter = feed.programme.clone().filter(|_| whole);
        let from_ticks = meter.is_none();
        let programme =
            meter.or_else(|| self::from_ticks(&feed.rows, index)).unwrap_or_else(|| from_rows(&feed.rows, index));
        let mut spent = Spent::default();
        let mut picture = vec![Column::default(); COLUMNS];
        let span = (to_ms - from_ms).max(1) as f64;
        for row in &feed.rows {
            let seconds = f64::from(row.span_seconds);
            *spent.of(row, target_lufs) += seconds;
            let place =
                |ms: f64| ((ms - from_ms as f64) / span * COLUMNS as f64).clamp(0.0, COLUMNS as f64 - 1.0) as usize;
            let end = row.unix_ms as f64 - 1.0;
            for column in &mut picture[place(end - seconds * 1000.0 + 1.0)..=place(end)] {
                column.take(row);
            }
        }
        let kept = spent.in_band + spent.under + spent.over + spent.quiet + spent.missing;
        spent.missing += (span / 1000.0 - kept).max(0.0);
        Self { name: feed.name.clone(), role: feed.role, programme, from_ticks, spent, picture, gain: None }
    }
}

impl Spent {
    fn of(&mut self, row: &Row, target_lufs: f64) -> &mut f64 {
        let distance = row.short_term_lufs.map(|s| s - target_lufs);
        match distance {
            _ if row.absent() => &mut self.missing,
            _ if row.momentary_top_lufs.is_none_or(|m| m < QUIET_LUFS) => &mut self.quiet,
            Some(d) if d > BAND_LU => &mut self.over,
            Some(d) if d < -BAND_LU => &mut self.under,
            _ => &mut self.in_band,
        }
    }
}

impl Column {
    fn take(&mut self, row: &Row) {
        self.kept |= !row.absent();
        self.worst = self.worst.max(row.worst);
        if let Some(m) = row.momentary_top_lufs {
            self.momentary_lufs = Some(self.momentary_lufs.map_or(m, |t| t.max(m)));
        }
        if let Some(s) = row.short_term_lufs {
            let (low, high) = self.short_term_lufs.unwrap_or((s, s));
            self.short_term_lufs = Some((low.min(s), high.max(s)));
        }
    }
}
