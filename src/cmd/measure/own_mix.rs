//! The stream beside the house in a recording: the verdict that stands at the end, and how it came about.

use crate::ledger::own_mix::{headline, missing, particulars};
use crate::likeness::{GROUP_HZ, GROUPS, Likeness, Sides};
use serde::Serialize;
use std::fmt::Write as _;

/// The comparison over a whole recording.
#[derive(Debug, Default)]
pub struct OwnMix {
    last: Likeness,
    changes: Vec<Change>,
    offset_seconds: Option<f64>,
}

/// From when on a verdict with its detail stood.
#[derive(Debug, Clone, Copy, Serialize)]
struct Change {
    at_s: f64,
    verdict: &'static str,
    detail: &'static str,
}

impl OwnMix {
    /// Nothing was compared yet.
    pub fn early() -> Self {
        Self { last: Likeness::early(), ..Self::default() }
    }

    /// Takes a look.
    pub fn take(&mut self, likeness: &Likeness) {
        let now = Change { at_s: likeness.at_seconds, verdict: likeness.kin.name(), detail: likeness.detail.name() };
        if self.changes.last().is_none_or(|c| (c.verdict, c.detail) != (now.verdict, now.detail)) {
            self.changes.push(now);
        }
        self.last = likeness.clone();
    }

    /// The house was a file of its own that begins this much after the stream's, seconds.
    pub fn begins_after(self, seconds: Option<f64>) -> Self {
        Self { offset_seconds: seconds, ..self }
    }

    /// The lines for people.
    pub fn table(&self, text: &mut String) {
        let _ = writeln!(text, "  stream beside the room's mix: {}", headline(&self.last));
        let lacks = missing(&self.last);
        if !lacks.is_empty() {
            let _ = writeln!(text, "    {lacks}");
        }
        for sentence in particulars(&self.last) {
            let _ = writeln!(text, "    {sentence}");
        }
    }
}

/// The comparison as JSON.
#[derive(Debug, Serialize)]
pub struct OwnMixJson {
    verdict: &'static str,
    detail: &'static str,
    missing: Option<&'static str>,
    missing_s: Option<f64>,
    sentence: String,
    level_db: Option<f64>,
    delay_ms: Option<f64>,
    clock_ppm: Option<f64>,
    polarity: Option<&'static str>,
    sides: Option<&'static str>,
    talk_db: Option<f64>,
    music_db: Option<f64>,
    balance: Vec<BandJson>,
    balance_moves_db: Option<f64>,
    added_db: Option<f64>,
    evidence_s: f64,
    talk_s: f64,
    music_s: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    house_offset_s: Option<f64>,
    timeline: Vec<Change>,
}

#[derive(Debug, Serialize)]
struct BandJson {
    from_hz: f64,
    over_db: Option<f64>,
    moves_db: f64,
}

impl OwnMixJson {
    /// Of a comparison.
    pub fn of(own_mix: &OwnMix) -> Self {
        let l = &own_mix.last;
        let band =
            |g: usize| BandJson { from_hz: GROUP_HZ[g], over_db: l.groups[g].over_db, moves_db: l.groups[g].moves_db };
        Self {
            verdict: l.kin.name(),
            detail: l.detail.name(),
            missing: l.missing.map(|m| m.0.name()),
            missing_s: l.missing.map(|m| m.1),
            sentence: headline(l),
            level_db: l.level_db,
            delay_ms: l.delay_ms,
            clock_ppm: l.clock_ppm,
            polarity: l.inverted.map(|i| if i { "inverted" } else { "straight" }),
            sides: l.sides.map(Sides::name),
            talk_db: l.talk_db,
            music_db: l.music_db,
            balance: (0..GROUPS).map(band).collect(),
            balance_moves_db: l.moves_db,
            added_db: l.added_db,
            evidence_s: l.evidence_seconds,
            talk_s: l.talk_seconds,
            music_s: l.music_seconds,
            house_offset_s: own_mix.offset_seconds,
            timeline: own_mix.changes.clone(),
        }
    }
}
