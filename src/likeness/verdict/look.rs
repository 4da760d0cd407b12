//! One look: from the figures of a span to an opinion.

use super::{Detail, Heard, Kin, Missing, Opinion};
use crate::likeness::balance::Balance;

/// Both-active time without shared sound that makes two feeds unrelated, seconds.
const UNRELATED_SECONDS: f64 = 30.0;
/// The same when the house is a room microphone, seconds.
const UNRELATED_ROOM_SECONDS: f64 = 60.0;
/// Share of that time whose sound would have been found, had it been shared.
const TELLING_SHARE: f64 = 0.7;
/// Sound before anything is said of the balance, seconds.
pub const ENOUGH_SECONDS: f64 = 40.0;
/// Talk and held sound that a copy's certificate needs, each, seconds.
const CERTIFICATE_SECONDS: f64 = 20.0;

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
    if heard.recent_seconds >= wait && heard.shared < 0.1 && heard.telling >= TELLING_SHARE {
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

/// Thresholds, tried on synthesised services (benches/own_mix): what separates without an error there, with a margin.
mod limit {
    /// Own: movement of the balance that outlasts one change of the static gains, dB.
    pub(super) const OWN_MOVES_DB: f64 = 0.35;
    /// Own: share of the movement that outlasts that change.
    pub(super) const OWN_LASTING_SHARE: f64 = 0.5;
    /// Own: movement between neighbouring bands, dB.
    pub(super) const OWN_LOCAL_DB: f64 = 0.3;
    /// Own: that over what sound that the house does not explain could do.
    pub(super) const OWN_OVER_STRANGER: f64 = 0.6;
    /// Own: movement over that of an equalised and compressed copy.
    pub(super) const OWN_OVER_COPY: f64 = 1.3;
    /// Own: local movement over all movement (a multiband compressor moves groups of bands).
    pub(super) const OWN_LOCAL_SHARE: f64 = 0.5;
    /// Own: sound that is not talk, seconds.
    pub(super) const BESIDE_TALK_SECONDS: f64 = 15.0;
    /// Own, where the broadband gain stands still: talk, seconds (an organ in a room is no mix of its own).
    pub(super) const BESIDE_MUSIC_SECONDS: f64 = 15.0;
    /// Own, with less talk than this, seconds:
    pub(super) const SOME_TALK_SECONDS: f64 = 5.0;
    /// jitter of the broadband gain over local movement.
    pub(super) const SEVERAL_JITTER: f64 = 0.1;
    /// Jitter of the broadband gain that only heavy compressors make, dB;
    pub(super) const HEAVY_JITTER_DB: f64 = 0.8;
    /// behind these, local movement over that of unexplained sound.
    pub(super) const HEAVY_OVER_STRANGER: f64 = 0.8;
    /// Movement that no reverb of the room on a copy makes, dB.
    pub(super) const BEYOND_ROOM_DB: f64 = 1.0;
    /// Unexplained part under which a room on a copy is too soft to matter, dB.
    pub(super) const NO_ROOM_DB: f64 = -26.0;
    /// Jitter of the broadband gain over local movement that a room on a copy does not reach.
    pub(super) const BEYOND_ROOM_JITTER: f64 = 0.2;
    /// Movement of the broadband gain over 4 s, over local movement, that it does not reach.
    pub(super) const BEYOND_ROOM_BLOCKS: f64 = 1.0;
    /// Own: the same; a room moves the bands of an organ, and leaves the whole as it was.
    pub(super) const OWN_BLOCKS: f64 = 0.22;
    /// Own without a look at what is unexplained: most of the stream is explained as well as this, dB,
    pub(super) const CLEAR_DB: f64 = -28.0;
    /// the movement reaches this, dB,
    pub(super) const CLEAR_MOVES_DB: f64 = 0.45;
    /// and this over that of an equalised and compressed copy.
    pub(super) const CLEAR_OVER_COPY: f64 = 2.2;
    /// Copy: movement of any copy without much processing, dB.
    pub(super) const COPY_MOVES_DB: f64 = 0.25;
    /// Copy: movement of a processed one, dB, if it is also small against what the processing explains.
    pub(super) const PROCESSED_MOVES_DB: f64 = 0.40;
    /// Copy with something added: movement, and local movement, over what the unexplained sound could do at most,
    pub(super) const ADDED_MOVES: f64 = 0.45;
    /// of which this local,
    pub(super) const ADDED_LOCAL: f64 = 0.35;
    /// and unexplained part: sound that lies over all, not a source that the house has not, dB.
    pub(super) const ADDED_DB: f64 = -27.0;
    /// Copy with something added, or through a steep equaliser: broadband gain over 4 s, dB.
    pub(super) const STILL_BLOCKS_DB: f64 = 0.1;
    /// Copy through a steep equaliser: movement over that of an equalised and compressed copy, the gain being still.
    pub(super) const STEEP_MOVES: f64 = 0.75;
    /// Copy: broadband gain that neither level nor kind of sound explains, over 4 s, dB.
    pub(super) const COPY_REST_DB: f64 = 0.6;
    /// Copy: talk over held sound that the level does not explain, dB. Talk that was moved by 3 dB and compressed
    /// with the rest has shown 1.1.
    pub(super) const COPY_TALK_STEP_DB: f64 = 0.6;
    /// Own by level steps: talk over held sound, dB.
    pub(super) const STEP_DB: f64 = 2.5;
    /// Own by level steps: how far blocks of one kind lie apart, and wobble, over the step. A fader that is ridden, or
    /// a slow leveller, comes back to within 0.05 of it by chance; a mix of its own to within 0.01.
    pub(super) const STEP_SPREAD: f64 = 0.02;
}

fn of_balance(heard: &Heard, b: &Balance) -> Opinion {
    let own = |detail| Opinion { kin: Kin::Own, detail, missing: None };
    let processed = 0.05 + 0.2 * b.jitter_db.min(1.0) + 0.2 * b.slope_db.min(3.0);
    let moves = b.moves_beside_step_db >= limit::OWN_MOVES_DB
        && b.moves_beside_step_db >= limit::OWN_OVER_COPY * b.copy_moves_db
        && b.local_moves_db >= limit::OWN_LOCAL_DB
        && b.local_moves_db >= limit::OWN_OVER_STRANGER * b.stranger_moves_db
        && b.local_moves_db >= limit::OWN_LOCAL_SHARE * b.moves_db;
    let no_room = b.moves_beside_step_db >= limit::BEYOND_ROOM_DB
        || b.unexplained_db <= limit::NO_ROOM_DB
        || b.jitter_db >= limit::BEYOND_ROOM_JITTER * b.local_moves_db
        || b.block_moves_db >= limit::BEYOND_ROOM_BLOCKS * b.local_moves_db;
    let clear = b.unexplained_db <= limit::CLEAR_DB
        && b.moves_beside_step_db >= limit::CLEAR_MOVES_DB
        && b.moves_beside_step_db >= limit::CLEAR_OVER_COPY * b.copy_moves_db;
    // One change of the equaliser, or of the patch, is no mix of its own: what it leaves is small beside it.
    // Talk alone may be one talker behind a heavy multiband compressor.
    let beside_talk = b.seconds - heard.talk_seconds >= limit::BESIDE_TALK_SECONDS;
    let stranger = if b.jitter_db > limit::HEAVY_JITTER_DB { limit::HEAVY_OVER_STRANGER } else { 0.0 };
    let moves = moves && beside_talk && b.local_moves_db >= stranger * b.stranger_moves_db;
    let lasting = b.moves_beside_step_db >= limit::OWN_LASTING_SHARE * b.moves_db;
    let whole = b.block_moves_db >= limit::OWN_BLOCKS * b.local_moves_db;
    let whole = whole || b.moves_beside_step_db >= limit::BEYOND_ROOM_DB;
    let clear = clear && (whole || heard.talk_seconds >= limit::BESIDE_MUSIC_SECONDS);
    // A lone organ in a room: its bands move, the gain of the whole does not from moment to moment.
    let several = heard.talk_seconds >= limit::SOME_TALK_SECONDS
        || b.jitter_db >= limit::SEVERAL_JITTER * b.local_moves_db
        || b.moves_beside_step_db >= limit::BEYOND_ROOM_DB;
    if several && lasting && (moves && no_room && whole || clear) {
        return own(Detail::BalanceMoves);
    }
    let step = b.talk_step_db.abs();
    if step >= limit::STEP_DB
        && b.passages >= 2
        && b.kind_spread_db <= limit::STEP_SPREAD * step
        && b.wobble_db <= limit::STEP_SPREAD * step
    {
        return own(Detail::LevelSteps);
    }
    // The gain of the whole stands still: what moves by band is what was added, or the edges of an equaliser.
    let quiet = b.block_moves_db <= limit::STILL_BLOCKS_DB && b.jitter_db <= limit::STILL_BLOCKS_DB;
    let added = quiet
        && b.moves_db <= limit::ADDED_MOVES * b.stranger_moves_db
        && b.local_moves_db <= limit::ADDED_LOCAL * b.stranger_moves_db
        && (b.moves_db <= limit::COPY_MOVES_DB
            || b.moves_db <= limit::PROCESSED_MOVES_DB && b.unexplained_db > limit::ADDED_DB);
    let steep = quiet
        && b.block_moves_db <= 0.5 * limit::STILL_BLOCKS_DB
        && b.moves_db <= limit::PROCESSED_MOVES_DB
        && b.moves_db <= limit::STEEP_MOVES * b.copy_moves_db;
    let still = (b.moves_db <= limit::COPY_MOVES_DB
        || b.moves_db <= limit::PROCESSED_MOVES_DB && b.local_moves_db <= 0.75 * processed)
        && b.moves_db <= 1.2 * b.copy_moves_db;
    let still = still || added || steep;
    let level = b.block_rest_db <= limit::COPY_REST_DB && step <= limit::COPY_TALK_STEP_DB;
    if !(still && level) {
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

#[cfg(test)]
mod tests {
    use super::*;

    fn heard() -> Heard {
        Heard {
            both_seconds: 120.0,
            shared: 1.0,
            telling: 1.0,
            recent_seconds: 30.0,
            stream_seconds: 30.0,
            house_seconds: 30.0,
            came: true,
            talk_seconds: 40.0,
            music_seconds: 40.0,
        }
    }

    /// A plain copy.
    fn still() -> Balance {
        Balance { seconds: 110.0, copy_moves_db: 0.12, unexplained_db: -50.0, ..Balance::default() }
    }

    fn kin(heard: &Heard, balance: &Balance) -> (Kin, Detail) {
        let opinion = look(heard, Some(balance), false);
        assert_eq!(opinion.missing.is_none(), opinion.kin != Kin::Unsure, "says what is missing when unsure");
        (opinion.kin, opinion.detail)
    }

    #[test]
    fn a_copy_needs_talk_and_music() {
        assert_eq!(kin(&heard(), &still()), (Kin::Copy, Detail::Plain));
        let talk_only = Heard { music_seconds: 4.0, ..heard() };
        let opinion = look(&talk_only, Some(&still()), false);
        assert_eq!((opinion.kin, opinion.missing), (Kin::Unsure, Some((Missing::Music, 16.0))));
        assert_eq!(look(&heard(), Some(&still()), true).missing, Some((Missing::DeskFeed, 0.0)));
    }

    #[test]
    fn moving_bands_are_an_own_mix_unless_the_whole_stands_still_or_one_change_explains_them() {
        let own = Balance {
            moves_db: 1.2,
            moves_beside_step_db: 1.0,
            local_moves_db: 0.9,
            stranger_moves_db: 0.8,
            block_moves_db: 0.8,
            ..still()
        };
        assert_eq!(kin(&heard(), &own), (Kin::Own, Detail::BalanceMoves));
        // A lone organ in a room moves its bands, and the whole stands still.
        let organ = Balance {
            moves_db: 0.6,
            moves_beside_step_db: 0.5,
            local_moves_db: 0.58,
            stranger_moves_db: 0.42,
            copy_moves_db: 0.34,
            unexplained_db: -32.0,
            block_moves_db: 0.005,
            ..still()
        };
        let alone = Heard { talk_seconds: 0.0, ..heard() };
        assert_eq!(kin(&alone, &organ).0, Kin::Unsure);
        assert_eq!(kin(&alone, &Balance { block_moves_db: 0.3, jitter_db: 0.1, ..organ }).0, Kin::Own);
        // The equaliser was changed once.
        assert_eq!(kin(&heard(), &Balance { moves_beside_step_db: 0.3, ..own.clone() }).0, Kin::Unsure);
        // A multiband compressor moves whole groups of bands.
        assert_eq!(kin(&heard(), &Balance { local_moves_db: 0.3, unexplained_db: -24.0, ..own }).0, Kin::Unsure);
    }

    #[test]
    fn level_steps_are_an_own_mix_only_when_they_come_back_to_the_same() {
        let steps = Balance {
            talk_step_db: 5.0,
            passages: 2,
            kind_spread_db: 0.05,
            block_moves_db: 2.4,
            block_rest_db: 2.0,
            ..still()
        };
        assert_eq!(kin(&heard(), &steps), (Kin::Own, Detail::LevelSteps));
        assert_eq!(kin(&heard(), &Balance { passages: 1, ..steps.clone() }).0, Kin::Unsure);
        // Somebody rides the fader.
        assert_eq!(kin(&heard(), &Balance { kind_spread_db: 2.0, ..steps }).0, Kin::Unsure);
    }

    #[test]
    fn no_shared_sound_is_unrelated_only_if_it_would_have_been_found() {
        let strangers = Heard { shared: 0.0, ..heard() };
        let opinion = look(&strangers, None, false);
        assert_eq!((opinion.kin, opinion.detail), (Kin::Unrelated, Detail::NothingShared));
        assert_eq!(look(&Heard { telling: 0.3, ..strangers }, None, false).kin, Kin::Unsure);
        assert_eq!(look(&Heard { recent_seconds: 29.0, ..strangers }, None, false).kin, Kin::Unsure);
        assert_eq!(look(&strangers, None, true).kin, Kin::Unsure, "a room microphone needs a minute");
    }
}
