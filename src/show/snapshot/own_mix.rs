//! The stream beside the house, in the JSON of the present moment.

use crate::ledger::PairBoard;
use crate::ledger::own_mix::{GROUP_NAMES, headline};
use crate::likeness::{GROUPS, Sides};
use crate::show::shape::wire;

wire! {

/// The stream beside the house.
pub struct OwnMixNow {
    /// `own`, `copy`, `unrelated` or `unsure`.
    pub verdict: &'static str,
    /// What stands behind it.
    pub detail: &'static str,
    /// What is missing for a certain answer.
    pub missing: Option<&'static str>,
    /// How many seconds of it.
    pub missing_seconds: Option<f64>,
    /// The verdict in a sentence.
    pub sentence: String,
    /// When it began to stand, seconds of compared time.
    pub since_seconds: Option<f64>,
    /// Stream behind house, ms.
    pub delay_ms: Option<f64>,
    /// How much faster the stream's clock runs, parts in a million.
    pub clock_ppm: Option<f64>,
    /// Turned over.
    pub inverted: Option<bool>,
    /// `straight`, `swapped`, `summed` or `mixed`.
    pub sides: Option<&'static str>,
    /// Stream over house, dB.
    pub level_db: Option<f64>,
    /// The same while somebody talks, dB.
    pub talk_db: Option<f64>,
    /// The same while sound is held, dB.
    pub music_db: Option<f64>,
    /// By group of bands, low to high.
    pub bands: Vec<GroupNow>,
    /// What the house does not explain, dB re the stream.
    pub added_db: Option<f64>,
    /// Sound compared, seconds.
    pub evidence_seconds: f64,
    /// Talk in it, seconds.
    pub talk_seconds: f64,
    /// Held sound in it, seconds.
    pub music_seconds: f64,
    /// Changes of the verdict, the newest last.
    pub changes: Vec<ChangeNow>,
}

/// A group of bands.
pub struct GroupNow {
    /// Plain name.
    pub name: &'static str,
    /// Gain over the median of all bands, dB.
    pub over_db: Option<f64>,
    /// How much it moves, dB.
    pub moves_db: f64,
}

/// A change of the verdict.
pub struct ChangeNow {
    /// Stream time, seconds.
    pub seconds: f64,
    /// To what.
    pub verdict: &'static str,
}

}

impl OwnMixNow {
    pub(super) fn of(pair: &PairBoard) -> Self {
        let l = &pair.likeness;
        let moves =
            |g: usize| GroupNow { name: GROUP_NAMES[g], over_db: l.groups[g].over_db, moves_db: l.groups[g].moves_db };
        Self {
            verdict: l.kin.name(),
            detail: l.detail.name(),
            missing: l.missing.map(|m| m.0.name()),
            missing_seconds: l.missing.map(|m| m.1),
            sentence: headline(l),
            since_seconds: l.since_seconds,
            delay_ms: l.delay_ms,
            clock_ppm: l.clock_ppm,
            inverted: l.inverted,
            sides: l.sides.map(Sides::name),
            level_db: l.level_db,
            talk_db: l.talk_db,
            music_db: l.music_db,
            bands: (0..GROUPS).map(moves).collect(),
            added_db: l.added_db,
            evidence_seconds: l.evidence_seconds,
            talk_seconds: l.talk_seconds,
            music_seconds: l.music_seconds,
            changes: pair
                .changes
                .iter()
                .map(|(at, kin)| ChangeNow { seconds: at.seconds(), verdict: kin.name() })
                .collect(),
        }
    }
}
