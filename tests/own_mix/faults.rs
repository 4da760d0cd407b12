//! Feeds that are missing, stop and come back, are clipped, far apart, of another event: never a wrong verdict, and
//! what is missing is said.

use crate::desk::Stereo;
use crate::turns::Service;
use mixwarden::ledger::own_mix::{headline, missing};
use mixwarden::likeness::{Comparer, Detail, Kin, Likeness, Missing};
use mixwarden::units::SampleRate;

/// Plays both at 48 kHz; `stops` tells for stream and house whether the hop at a second never comes. Gives every
/// verdict that was announced and when, and the last likeness.
fn play(stream: &Stereo, house: &Stereo, stops: impl Fn(f64) -> [bool; 2]) -> (Vec<(f64, Kin)>, Likeness) {
    let rate = SampleRate::HZ_48000;
    let mut comparer = Comparer::new((rate, 2), (rate, 2));
    let hop_of = |x: &Stereo, hop: usize| -> Vec<f32> {
        (hop * 480..(hop + 1) * 480).flat_map(|i| [x.0[0][i], x.0[1][i]]).collect()
    };
    let mut told = vec![(0.0, Kin::Unsure)];
    for hop in 0..stream.len().min(house.len()) / 480 {
        let at = hop as f64 / 100.0;
        let [no_stream, no_house] = stops(at);
        let (s, h) = (hop_of(stream, hop), hop_of(house, hop));
        if comparer.hop((!no_stream).then_some(&s), (!no_house).then_some(&h)) {
            let kin = comparer.likeness().kin;
            if told.last().is_some_and(|t| t.1 != kin) {
                told.push((at, kin));
            }
        }
    }
    (told, comparer.likeness().clone())
}

fn kinds(told: &[(f64, Kin)]) -> Vec<Kin> {
    told.iter().map(|t| t.1).collect()
}

#[test]
fn a_feed_that_never_comes_or_is_60_db_down_leaves_it_open_and_the_words_say_which() {
    let service = Service::new(41, 60.0);
    let house = service.house();
    let never = |stream: bool| move |_| [stream, !stream];
    let mut soft = house.clone();
    soft.scale(1e-3);
    let cases = [
        {
            let (told, last) = play(&house, &house, never(true));
            ("no stream", told, last, Detail::FeedMissing, Missing::SharedSound)
        },
        {
            let (told, last) = play(&house, &house, never(false));
            ("no house", told, last, Detail::FeedMissing, Missing::SharedSound)
        },
        {
            let (told, last) = play(&soft, &house, |_| [false; 2]);
            ("60 dB apart", told, last, Detail::StreamSilent, Missing::StreamSound)
        },
    ];
    for (name, told, last, detail, lacks) in cases {
        assert_eq!(kinds(&told), [Kin::Unsure], "{name}: {told:?}");
        assert_eq!((last.detail, last.missing.map(|m| m.0)), (detail, Some(lacks)), "{name}");
        println!("{name}: {} {}", headline(&last), missing(&last));
        assert!(!missing(&last).is_empty(), "{name}: says what is missing");
    }
}

#[test]
fn a_feed_that_stops_and_comes_back_keeps_its_verdict() {
    let service = Service::new(42, 200.0);
    let (house, own) = (service.house(), service.own());
    // 12 s of the stream, later 12 s of the house.
    let stops = |at: f64| [(120.0..132.0).contains(&at), (150.0..162.0).contains(&at)];
    for (name, stream, right) in [("copy", &house, Kin::Copy), ("own", &own, Kin::Own)] {
        let (told, last) = play(stream, &house, stops);
        println!("{name}: {told:?}");
        assert_eq!(kinds(&told), [Kin::Unsure, right], "{name}: {told:?}");
        assert!(told[1].0 < 120.0, "{name}: told after {} s", told[1].0);
        assert!(last.delay_ms.is_some_and(|d| d.abs() < 0.02), "{name}: the delay is known again: {:?}", last.delay_ms);
    }
}

#[test]
fn a_clipped_copy_and_one_40_db_down_are_never_an_own_mix() {
    let service = Service::new(43, 180.0);
    let house = service.house();
    let mut clipped = house.clone();
    clipped.scale(10f64.powf(22.0 / 20.0));
    clipped.0.iter_mut().flatten().for_each(|x| *x = x.clamp(-1.0, 1.0));
    let mut soft = house.clone();
    soft.scale(0.01 * 10f64.powf(10.0 / 20.0));
    let (told, last) = play(&clipped, &house, |_| [false; 2]);
    println!("clipped: {told:?} {:?}", last.detail);
    assert!(told.iter().all(|t| matches!(t.1, Kin::Unsure | Kin::Copy)), "{told:?}");
    let (told, last) = play(&soft, &house, |_| [false; 2]);
    println!("30 dB down: {told:?} {:?} {:?}", last.level_db, last.detail);
    assert_eq!(kinds(&told), [Kin::Unsure, Kin::Copy], "{told:?}");
    assert!(last.level_db.is_some_and(|l| (l + 30.0).abs() < 0.05), "{:?}", last.level_db);
}

#[test]
fn the_wrong_device_is_unrelated_until_the_right_one_is_there() {
    let (service, other) = (Service::new(44, 200.0), Service::new(45, 200.0));
    let house = service.house();
    // For 90 s the house's device is that of another hall.
    let mut wrong = other.house();
    let at = 90 * 48_000;
    for (w, h) in wrong.0.iter_mut().zip(&house.0) {
        w[at..].copy_from_slice(&h[at..]);
    }
    let (told, _) = play(&house, &wrong, |_| [false; 2]);
    println!("{told:?}");
    assert_eq!(told[1].1, Kin::Unrelated, "{told:?}");
    assert!(told[1].0 < 75.0, "{told:?}");
    assert_eq!(told[2].1, Kin::Unsure, "shared sound ends it: {told:?}");
    // The search needs a second look to agree, and the verdict goes after 4 s of shared sound.
    assert!((90.0..101.0).contains(&told[2].0), "{told:?}");
    assert!(told[3..].iter().all(|t| t.1 == Kin::Copy), "{told:?}");
}

#[test]
fn a_change_of_patch_is_told_and_stays_told_though_talk_and_songs_come_in_long_turns() {
    let service = Service::new(56, 300.0);
    let (house, mut stream) = (service.house(), service.own());
    for (to, from) in stream.0.iter_mut().zip(&house.0) {
        to[120 * 48_000..].copy_from_slice(&from[120 * 48_000..]);
    }
    let (told, _) = play(&stream, &house, |_| [false; 2]);
    println!("{told:?}");
    assert_eq!(kinds(&told), [Kin::Unsure, Kin::Own, Kin::Copy], "{told:?}");
    // A look that finds one source in the newest minute comes between those that find a copy.
    assert!(told[2].0 < 220.0, "told at {} s", told[2].0);
}
