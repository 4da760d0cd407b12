//! From figures to a verdict, and how long a verdict lives.
//!
//! Own mix may be said at once: a copy cannot make the balance move. A copy only when two kinds of sound that cannot
//! be one source came through with one and the same transfer. All else is "cannot tell", with what is missing.

use super::balance::Balance;

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
}

impl Opinion {
    fn unsure(detail: Detail, missing: Missing, seconds: f64) -> Self {
        Self { kin: Kin::Unsure, detail, missing: Some((missing, seconds.max(0.0))) }
    }
}

/// What the looks see besides the balance, over the span.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Heard {
    /// Both feeds came and had sound, seconds.
    pub both_seconds: f64,
    /// Of the last half minute in which both had sound: share of the blocks that shared it.
    pub shared: f64,
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

/// Both-active time without shared sound that makes two feeds unrelated, seconds.
const UNRELATED_SECONDS: f64 = 30.0;
/// The same when the house is a room microphone, seconds.
const UNRELATED_ROOM_SECONDS: f64 = 60.0;
/// Sound before anything is said of the balance, seconds.
const ENOUGH_SECONDS: f64 = 40.0;
/// Talk and held sound that a copy's certificate needs, each, seconds.
pub const CERTIFICATE_SECONDS: f64 = 20.0;

/// One look.
pub fn look(heard: &Heard, balance: Option<&Balance>, room_microphone: bool) -> Opinion {
    if !heard.came {
        return Opinion::unsure(Detail::FeedMissing, Missing::SharedSound, ENOUGH_SECONDS);
    }
    if heard.stream_seconds < 1.5 && heard.house_seconds >= 8.0 {
        return Opinion::unsure(Detail::StreamSilent, Missing::StreamSound, ENOUGH_SECONDS);
    }
    if heard.house_seconds < 1.5 && heard.stream_seconds >= 8.0 {
        return Opinion::unsure(Detail::HouseSilent, Missing::HouseSound, ENOUGH_SECONDS);
    }
    let wait = if room_microphone { UNRELATED_ROOM_SECONDS } else { UNRELATED_SECONDS };
    if heard.recent_seconds >= wait && heard.shared < 0.1 {
        return Opinion { kin: Kin::Unrelated, detail: Detail::NothingShared, missing: None };
    }
    if room_microphone {
        return Opinion::unsure(Detail::RoomMicrophone, Missing::DeskFeed, 0.0);
    }
    let early = |seconds: f64| {
        let what = if heard.both_seconds < 5.0 { Missing::SharedSound } else { Missing::Time };
        Opinion::unsure(Detail::Early, what, ENOUGH_SECONDS - seconds)
    };
    let Some(b) = balance else { return early(0.0) };
    if b.seconds < ENOUGH_SECONDS {
        return early(b.seconds);
    }
    of_balance(heard, b)
}

fn of_balance(heard: &Heard, b: &Balance) -> Opinion {
    let own = |detail| Opinion { kin: Kin::Own, detail, missing: None };
    if b.moves_beside_step_db >= 0.5 && b.moves_beside_step_db >= 1.9 * b.copy_moves_db {
        return own(Detail::BalanceMoves);
    }
    if b.moves_db > 1.2 * b.copy_moves_db {
        return Opinion::unsure(Detail::InBetween, Missing::VariedSound, CERTIFICATE_SECONDS);
    }
    let (talk, music) = (CERTIFICATE_SECONDS - heard.talk_seconds, CERTIFICATE_SECONDS - heard.music_seconds);
    match (talk > 0.0, music > 0.0) {
        (false, false) => {
            let detail = if b.unexplained_db > -26.0 {
                Detail::Added
            } else if b.slope_db > 0.3 || b.jitter_db > 0.1 {
                Detail::Processed
            } else {
                Detail::Plain
            };
            Opinion { kin: Kin::Copy, detail, missing: None }
        }
        (true, false) => Opinion::unsure(Detail::OneSource, Missing::Talk, talk),
        (false, true) => Opinion::unsure(Detail::OneSource, Missing::Music, music),
        (true, true) => Opinion::unsure(Detail::OneSource, Missing::TalkAndMusic, talk.max(music)),
    }
}

/// Looks in a row that must agree before a certain verdict is announced (20 s after the first).
const AGREEING_LOOKS: u32 = 3;

/// The verdict that stands, and what speaks against it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Standing {
    /// What is announced; its kin changes only after looks that agree.
    pub announced: Opinion,
    /// What the newest look says by itself.
    pub newest: Opinion,
    candidate: Kin,
    agreeing: u32,
}

impl Standing {
    /// Takes a look; gives whether the announced kin changed.
    pub fn take(&mut self, look: Opinion, shares_sound: bool) -> bool {
        let before = self.announced.kin;
        self.newest = look;
        self.agreeing = if look.kin == self.candidate { self.agreeing + 1 } else { 1 };
        self.candidate = look.kin;
        let certain = look.kin != Kin::Unsure;
        if before == Kin::Unrelated && shares_sound {
            // Sound in common is evidence enough against "unrelated".
            self.announced = look;
            if certain && look.kin != before {
                self.announced = Opinion::default();
            }
        } else if look.kin == before || certain && self.agreeing >= AGREEING_LOOKS {
            self.announced = look;
        }
        self.announced.kin != before
    }
}
