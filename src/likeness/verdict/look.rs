//! One look: from the figures of a span to an opinion.

use super::evidence::{balance_moves, comes_back, like_a_copy};
use super::{Detail, Heard, HouseFeed, Kin, Missing, Opinion};
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

/// Blocks (of 1.02 s) over which all looks must agree before a verdict is announced,
const AGREEING: u64 = 20;
/// an own mix (of eighteen thousand looks at copies one said so, none twice in a row),
const AGREEING_OWN: u64 = 10;
/// and level steps, which were seen there and back when they are seen at all.
const AGREEING_STEPS: u64 = 0;

/// One look.
pub fn look(heard: &Heard, balance: Option<&Balance>, house: HouseFeed) -> Opinion {
    if !heard.came {
        return Opinion::unsure(Detail::FeedMissing, Missing::SharedSound, ENOUGH_SECONDS);
    }
    if heard.stream_seconds < 1.5 && heard.house_seconds >= 8.0 {
        return Opinion::unsure(Detail::StreamSilent, Missing::StreamSound, ENOUGH_SECONDS);
    }
    if heard.house_seconds < 1.5 && heard.stream_seconds >= 8.0 {
        return Opinion::unsure(Detail::HouseSilent, Missing::HouseSound, ENOUGH_SECONDS);
    }
    let room_microphone = house == HouseFeed::RoomMicrophone;
    let wait = if room_microphone { UNRELATED_ROOM_SECONDS } else { UNRELATED_SECONDS };
    if heard.recent_seconds >= wait && heard.shared < 0.1 && heard.telling >= TELLING_SHARE {
        return Opinion::certain(Kin::Unrelated, Detail::NothingShared, AGREEING);
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
    of_balance(heard, b, house)
}

fn of_balance(heard: &Heard, b: &Balance, house: HouseFeed) -> Opinion {
    // Half of the room's mix against a sum: sources at the sides make a copy's balance move.
    let half = b.one_side && house == HouseFeed::Line;
    let own = |detail, blocks| match half {
        true => Opinion::unsure(Detail::OneSide, Missing::BothSides, 0.0),
        false => Opinion::certain(Kin::Own, detail, blocks),
    };
    if balance_moves(heard, b) {
        return own(Detail::BalanceMoves, AGREEING_OWN);
    }
    if b.steps.is_some_and(|s| comes_back(&s, b.wobble_db)) {
        return own(Detail::LevelSteps, AGREEING_STEPS);
    }
    if !like_a_copy(b) {
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
            Opinion::certain(Kin::Copy, detail, AGREEING)
        }
        (true, false) => Opinion::unsure(Detail::OneSource, Missing::Talk, talk),
        (false, true) => Opinion::unsure(Detail::OneSource, Missing::Music, music),
        (true, true) => Opinion::unsure(Detail::OneSource, Missing::TalkAndMusic, talk.max(music)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::likeness::balance::{Compressor, Steps};

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
        let opinion = look(heard, Some(balance), HouseFeed::Line);
        assert_eq!(opinion.missing.is_none(), opinion.kin != Kin::Unsure, "says what is missing when unsure");
        (opinion.kin, opinion.detail)
    }

    #[test]
    fn a_copy_needs_talk_and_music() {
        assert_eq!(kin(&heard(), &still()), (Kin::Copy, Detail::Plain));
        let talk_only = Heard { music_seconds: 4.0, ..heard() };
        let opinion = look(&talk_only, Some(&still()), HouseFeed::Line);
        assert_eq!((opinion.kin, opinion.missing), (Kin::Unsure, Some((Missing::Music, 16.0))));
        assert_eq!(look(&heard(), Some(&still()), HouseFeed::RoomMicrophone).missing, Some((Missing::DeskFeed, 0.0)));
    }

    #[test]
    fn moving_bands_are_an_own_mix_unless_the_whole_stands_still_or_one_change_explains_them() {
        let own = Balance {
            moves_db: 1.2,
            moves_beside_step_db: 1.0,
            local_moves_db: 0.9,
            lasting_moves_db: 0.6,
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
            lasting_moves_db: 0.4,
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
        // A compressor moves the bands, and the next moment otherwise; a steep equaliser moves them as the tune goes.
        assert_eq!(kin(&heard(), &Balance { lasting_moves_db: 0.18, ..own.clone() }).0, Kin::Unsure);
        assert_eq!(kin(&heard(), &Balance { lasting_moves_db: 0.25, slope_db: 2.5, ..own }).0, Kin::Unsure);
    }

    #[test]
    fn groups_of_bands_behind_compressors_of_their_own_are_no_own_mix() {
        let grouped = Balance {
            moves_db: 1.0,
            moves_beside_step_db: 0.92,
            local_moves_db: 0.5,
            lasting_moves_db: 0.3,
            jitter_db: 0.36,
            block_moves_db: 1.0,
            copy_moves_db: 0.3,
            ..still()
        };
        assert_eq!(kin(&heard(), &grouped).0, Kin::Unsure);
        assert_eq!(kin(&heard(), &Balance { lasting_moves_db: 0.4, ..grouped.clone() }).0, Kin::Own, "it lasts");
        assert_eq!(kin(&heard(), &Balance { local_moves_db: 0.7, ..grouped.clone() }).0, Kin::Own, "single bands move");
        let wide = Balance { moves_db: 2.4, moves_beside_step_db: 2.0, lasting_moves_db: 0.62, ..grouped };
        assert_eq!(kin(&heard(), &Balance { local_moves_db: 0.9, ..wide.clone() }).0, Kin::Own, "much of it lasts");
        assert_eq!(kin(&heard(), &wide).0, Kin::Unsure, "hardly any of it is local");
    }

    #[test]
    fn rooms_make_a_copy_with_something_added_and_not_behind_a_steep_equaliser() {
        let room = Balance {
            moves_db: 0.37,
            local_moves_db: 0.34,
            lasting_moves_db: 0.2,
            stranger_moves_db: 1.3,
            copy_moves_db: 0.38,
            unexplained_db: -23.0,
            block_moves_db: 0.03,
            ..still()
        };
        assert_eq!(kin(&heard(), &Balance { slope_db: 0.2, ..room.clone() }), (Kin::Copy, Detail::Added));
        assert_eq!(kin(&heard(), &Balance { slope_db: 1.1, ..room }).0, Kin::Unsure);
    }

    #[test]
    fn a_compressor_may_hide_talk_that_was_moved_but_not_that_groups_of_bands_move() {
        let copy = Balance {
            moves_db: 0.3,
            local_moves_db: 0.22,
            lasting_moves_db: 0.07,
            copy_moves_db: 0.46,
            jitter_db: 0.9,
            block_moves_db: 2.0,
            ..still()
        };
        assert_eq!(kin(&heard(), &copy), (Kin::Copy, Detail::Processed));
        assert_eq!(kin(&heard(), &Balance { local_moves_db: 0.16, ..copy.clone() }).0, Kin::Unsure);
        assert_eq!(kin(&heard(), &Balance { moves_db: 0.36, local_moves_db: 0.3, ..copy }).0, Kin::Unsure);
    }

    #[test]
    fn a_compressor_that_was_found_tells_how_loud_talk_is_beside_it() {
        let fitted = |step_db, rest_db| Balance {
            moves_db: 0.36,
            local_moves_db: 0.2,
            lasting_moves_db: 0.08,
            copy_moves_db: 0.46,
            jitter_db: 0.9,
            block_moves_db: 2.0,
            talk_step_db: 1.2,
            compressor: Some(Compressor { step_db, rest_db, taken: 0.6 }),
            ..still()
        };
        assert_eq!(kin(&heard(), &fitted(0.2, 0.3)), (Kin::Copy, Detail::Processed));
        assert_eq!(kin(&heard(), &fitted(-0.9, 0.3)).0, Kin::Unsure, "the talk may be softer on the stream");
        assert_eq!(kin(&heard(), &fitted(0.2, 0.7)).0, Kin::Unsure, "something else moves the gain");
        let moved = Balance { lasting_moves_db: 0.16, ..fitted(0.2, 0.3) };
        assert_eq!(kin(&heard(), &moved).0, Kin::Unsure, "other sources may have moved");
        let far_off = Balance { talk_step_db: 0.2, ..fitted(1.4, 0.3) };
        assert_eq!(kin(&heard(), &far_off).0, Kin::Unsure, "a compressor hid it");
        // Behind a strong equaliser the bands of such a copy move a little more than processing explains.
        let strong = Balance {
            moves_db: 0.46,
            moves_beside_step_db: 0.42,
            local_moves_db: 0.4,
            lasting_moves_db: 0.3,
            stranger_moves_db: 0.4,
            copy_moves_db: 0.4,
            jitter_db: 0.25,
            block_moves_db: 0.8,
            ..fitted(0.1, 0.15)
        };
        assert_eq!(kin(&heard(), &strong).0, Kin::Unsure);
        assert_eq!(
            kin(&heard(), &Balance { moves_beside_step_db: 0.53, moves_db: 0.55, ..strong.clone() }).0,
            Kin::Own
        );
        assert_eq!(kin(&heard(), &Balance { compressor: None, ..strong }).0, Kin::Own);
    }

    #[test]
    fn against_one_side_of_the_house_a_sum_is_never_an_own_mix() {
        let own = Balance {
            moves_db: 1.2,
            moves_beside_step_db: 1.0,
            local_moves_db: 0.9,
            lasting_moves_db: 0.6,
            block_moves_db: 0.8,
            ..still()
        };
        assert_eq!(kin(&heard(), &own).0, Kin::Own);
        let opinion = look(&heard(), Some(&Balance { one_side: true, ..own.clone() }), HouseFeed::Line);
        assert_eq!((opinion.detail, opinion.missing), (Detail::OneSide, Some((Missing::BothSides, 0.0))));
        let told = look(&heard(), Some(&Balance { one_side: true, ..own }), HouseFeed::WholeMono);
        assert_eq!(told.kin, Kin::Own, "the site says that it is all of the mix");
        assert_eq!(kin(&heard(), &Balance { one_side: true, ..still() }).0, Kin::Copy);
    }

    #[test]
    fn level_steps_are_an_own_mix_only_when_they_come_back_to_the_same() {
        let came_back = Steps { step_db: 1.5, back_db: 0.04, within_db: 0.1 };
        let steps =
            Balance { talk_step_db: 5.0, steps: Some(came_back), block_moves_db: 2.4, block_rest_db: 2.0, ..still() };
        assert_eq!(kin(&heard(), &steps), (Kin::Own, Detail::LevelSteps));
        assert_eq!(kin(&heard(), &Balance { steps: None, ..steps.clone() }).0, Kin::Unsure);
        let near = Some(Steps { back_db: 0.09, ..came_back });
        assert_eq!(kin(&heard(), &Balance { steps: near, ..steps.clone() }).0, Kin::Unsure);
        // Somebody rides the fader.
        let ridden = Some(Steps { within_db: 0.5, ..came_back });
        assert_eq!(kin(&heard(), &Balance { steps: ridden, ..steps }).0, Kin::Unsure);
    }

    #[test]
    fn no_shared_sound_is_unrelated_only_if_it_would_have_been_found() {
        let strangers = Heard { shared: 0.0, ..heard() };
        let opinion = look(&strangers, None, HouseFeed::Line);
        assert_eq!((opinion.kin, opinion.detail), (Kin::Unrelated, Detail::NothingShared));
        assert_eq!(look(&Heard { telling: 0.3, ..strangers }, None, HouseFeed::Line).kin, Kin::Unsure);
        assert_eq!(look(&Heard { recent_seconds: 29.0, ..strangers }, None, HouseFeed::Line).kin, Kin::Unsure);
        assert_eq!(
            look(&strangers, None, HouseFeed::RoomMicrophone).kin,
            Kin::Unsure,
            "a room microphone needs a minute"
        );
    }
}
