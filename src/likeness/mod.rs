//! Two feeds: is the stream a mix of its own, or the room's mix over again? Delay, polarity, level, and how far the
//! balance between bands moves.
//!
//! The delay is found by the phases of the cross spectrum and followed (`acquire`, `track`), the balance is compared
//! in cells of 0.34 s by 21 bands (`balance`), and what is compared is told apart by kind (`material`), because a
//! single source makes every mix look like a copy. Never wrong is worth more than certain: the answer is often
//! "cannot tell", with what is missing. Own algorithm. Memory is constant; the same hops give the same bits.

mod acquire;
mod balance;
mod cell;
mod comparer;
mod material;
pub mod offset;
mod past;
mod side;
mod spectra;
mod statistics;
mod thin;
mod track;
mod verdict;

pub use balance::Balance;
pub use comparer::Comparer;
pub use spectra::{BANDS, middle_hz};
pub use verdict::{Detail, Heard, HouseFeed, Kin, Missing, Opinion};

/// Looks kept for the picture: ten minutes.
pub const HISTORY: usize = 60;
/// Groups of bands that people are told of: low notes, the body of voices, their clearness, bright sounds.
pub const GROUPS: usize = 4;
/// Lower edges of the groups, Hz; the last ends at 7.2 kHz.
pub const GROUP_HZ: [f64; GROUPS] = [105.0, 300.0, 1_000.0, 3_000.0];

/// How the sides of the house lie in the stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sides {
    /// Left is left.
    Straight,
    /// Left is right.
    Swapped,
    /// Both sides carry the sum.
    Summed,
    /// Otherwise.
    Mixed,
}

impl Sides {
    /// Name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Swapped => "swapped",
            Self::Summed => "summed",
            Self::Mixed => "mixed",
        }
    }
}

/// One group of bands.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Group {
    /// Gain from the house to the stream over what all bands have, dB; `None` while the group was not heard.
    pub over_db: Option<f64>,
    /// How much that moves, dB.
    pub moves_db: f64,
}

/// All that there is to say of two feeds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Likeness {
    /// The verdict that stands.
    pub kin: Kin,
    /// What stands behind it.
    pub detail: Detail,
    /// What is missing for a certain one, and how many seconds of it.
    pub missing: Option<(Missing, f64)>,
    /// What the newest look says by itself (a verdict stands until there is evidence against it).
    pub newest: Opinion,
    /// When the verdict began to stand, seconds of compared time; `None` before the first.
    pub since_seconds: Option<f64>,
    /// Compared time at this look, seconds.
    pub at_seconds: f64,
    /// Stream behind house, ms.
    pub delay_ms: Option<f64>,
    /// How much faster the stream's clock runs, parts in a million.
    pub clock_ppm: Option<f64>,
    /// The stream is turned over against the house.
    pub inverted: Option<bool>,
    /// How the sides lie.
    pub sides: Option<Sides>,
    /// Stream over house, dB (the median over the bands).
    pub level_db: Option<f64>,
    /// Talk and music apart: stream over house, dB.
    pub talk_db: Option<f64>,
    /// The same of held sound, dB.
    pub music_db: Option<f64>,
    /// By group of bands.
    pub groups: [Group; GROUPS],
    /// Groups in the last 10 s against `level_db`, dB.
    pub lately_db: [Option<f64>; GROUPS],
    /// How much the balance between bands moves, dB.
    pub moves_db: Option<f64>,
    /// What the stream has that the house has not, dB re the stream.
    pub added_db: Option<f64>,
    /// Sound compared, seconds.
    pub evidence_seconds: f64,
    /// Talk in it, seconds.
    pub talk_seconds: f64,
    /// Held sound in it, seconds.
    pub music_seconds: f64,
}

impl Likeness {
    /// Before the first look.
    pub fn early() -> Self {
        Self { missing: Some((Missing::Time, verdict::ENOUGH_SECONDS)), ..Self::default() }
    }
}
