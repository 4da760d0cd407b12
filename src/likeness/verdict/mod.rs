//! From figures to a verdict, and how long a verdict lives.
//!
//! Own mix may be said at once: a copy cannot make the balance move. A copy only when two kinds of sound that cannot
//! be one source came through with one and the same transfer. All else is "cannot tell", with what is missing.

mod evidence;
mod limit;
mod look;
mod standing;

pub use look::{ENOUGH_SECONDS, look};
pub use standing::Standing;

/// What the house feed is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum HouseFeed {
    /// A line from the desk: both sides, or one that may be half of the mix.
    #[default]
    Line,
    /// A line from the desk: one channel with the whole of the mix.
    WholeMono,
    /// A microphone in the room: only "unrelated" can be told.
    RoomMicrophone,
}

/// The verdict in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Kin {
    /// The stream is a mix of its own.
    Own,
    /// The stream is the house mix, perhaps at another level, equalised or compressed, or with something added.
    Copy,
    /// The two share no sound.
    Unrelated,
    /// Cannot tell (yet).
    #[default]
    Unsure,
}

impl Kin {
    /// All, in the order of the state gauge.
    pub const ALL: [Self; 4] = [Self::Unsure, Self::Own, Self::Copy, Self::Unrelated];

    /// Name in JSON and metrics.
    pub fn name(self) -> &'static str {
        match self {
            Self::Own => "own",
            Self::Copy => "copy",
            Self::Unrelated => "unrelated",
            Self::Unsure => "unsure",
        }
    }
}

/// What stands behind a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Detail {
    /// Own: the balance between bands moves.
    BalanceMoves,
    /// Own: some passages are louder or softer than in the house, and steady within.
    LevelSteps,
    /// Copy: nothing but level, delay, sides.
    Plain,
    /// Copy: an equaliser or a compressor is in between.
    Processed,
    /// Copy: something is added (room microphones, noise, a codec).
    Added,
    /// Unrelated: both play, nothing is shared.
    NothingShared,
    /// Unsure: not enough has been heard.
    #[default]
    Early,
    /// Unsure: the stream is silent while the house plays.
    StreamSilent,
    /// Unsure: the house is silent while the stream plays.
    HouseSilent,
    /// Unsure: one of the feeds does not come.
    FeedMissing,
    /// Unsure: no difference so far, and all of it might be one source.
    OneSource,
    /// Unsure: more movement than a copy has, less than proves a mix of its own.
    InBetween,
    /// Unsure: the two differ, and the house's one channel may be one side of what the stream is the sum of.
    OneSide,
    /// Unsure: the house feed is a room microphone; the two hear the same event.
    RoomMicrophone,
}

impl Detail {
    /// Name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::BalanceMoves => "balance_moves",
            Self::LevelSteps => "level_steps",
            Self::Plain => "plain",
            Self::Processed => "processed",
            Self::Added => "something_added",
            Self::NothingShared => "nothing_shared",
            Self::Early => "early",
            Self::StreamSilent => "stream_silent",
            Self::HouseSilent => "house_silent",
            Self::FeedMissing => "feed_missing",
            Self::OneSource => "one_source_so_far",
            Self::InBetween => "in_between",
            Self::OneSide => "one_side",
            Self::RoomMicrophone => "room_microphone",
        }
    }
}

/// What a verdict waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Missing {
    /// Sound on the stream.
    StreamSound,
    /// Sound in the house.
    HouseSound,
    /// Sound that both have.
    SharedSound,
    /// More time with sound.
    Time,
    /// Talk beside the music.
    Talk,
    /// Music beside the talk.
    Music,
    /// Both talk and music.
    TalkAndMusic,
    /// Sound in which several sources play by turns.
    VariedSound,
    /// Both sides of the house's mix.
    BothSides,
    /// A house feed from the desk rather than from a microphone.
    DeskFeed,
}

impl Missing {
    /// Name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::StreamSound => "stream_sound",
            Self::HouseSound => "house_sound",
            Self::SharedSound => "shared_sound",
            Self::Time => "time",
            Self::Talk => "talk",
            Self::Music => "music",
            Self::TalkAndMusic => "talk_and_music",
            Self::VariedSound => "varied_sound",
            Self::BothSides => "both_sides",
            Self::DeskFeed => "desk_feed",
        }
    }
}

/// What one look at the figures gives.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Opinion {
    /// The verdict.
    pub kin: Kin,
    /// What stands behind it.
    pub detail: Detail,
    /// What is missing, and how many seconds of it; `None` with a certain verdict.
    pub missing: Option<(Missing, f64)>,
    /// Blocks (of 1.02 s) over which all looks must agree before a certain verdict is announced.
    pub agreeing_blocks: u64,
}

impl Opinion {
    fn certain(kin: Kin, detail: Detail, agreeing_blocks: u64) -> Self {
        Self { kin, detail, missing: None, agreeing_blocks }
    }

    fn unsure(detail: Detail, missing: Missing, seconds: f64) -> Self {
        Self { kin: Kin::Unsure, detail, missing: Some((missing, seconds.max(0.0))), agreeing_blocks: 0 }
    }
}

/// What the looks see besides the balance, over the span.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Heard {
    /// Both feeds came and had sound, seconds.
    pub both_seconds: f64,
    /// Of the last half minute in which both had sound: share of the blocks that shared it.
    pub shared: f64,
    /// Of the same: share of the blocks whose sound would have been found, had it been shared.
    pub telling: f64,
    /// Length of that last half minute so far, seconds.
    pub recent_seconds: f64,
    /// The stream had sound, seconds of the last half minute.
    pub stream_seconds: f64,
    /// The house had sound, seconds of the last half minute.
    pub house_seconds: f64,
    /// All of the last half minute came.
    pub came: bool,
    /// Usable talk, seconds.
    pub talk_seconds: f64,
    /// Usable held sound, seconds.
    pub music_seconds: f64,
}
