//! The plainest faults: nothing, silence in its kinds, level, clipping, a missing side.

use super::stage::*;
use super::{band, one, quiet, talk};
use mixwarden::judge::{Habits, Severity};
use mixwarden::source::rehearsal::script::Act;

/// White noise of `db` dBFS (RMS) on both sides.
fn hiss(db: f64) -> impl FnMut(f64, [f64; 2]) -> [f64; 2] {
    let mut noise = Noise(99);
    let gain = 10f64.powf(db / 20.0) * 3f64.sqrt();
    move |_, _| [gain * noise.next(), gain * noise.next()]
}

fn gain(db: f64) -> impl FnMut(f64, [f64; 2]) -> [f64; 2] {
    let g = 10f64.powf(db / 20.0);
    move |_, x| x.map(|s| g * s)
}

/// A gate that shuts in 0.8 s and opens at once.
fn faded(audio: Audio, from: f64, to: f64) -> Audio {
    audio.change(from, to, |t, x| {
        let open = 10f64.powf(-t * 150.0 / 20.0);
        x.map(|s| if t < 0.8 { open * s } else { 0.0 })
    })
}

#[test]
fn no_data() {
    let gone = |seconds: f64| {
        let audio = talk(60.0, 1);
        Listening { gone: Some((20.0, 20.0 + seconds)), ..Listening::to(&audio) }.hear()
    };
    one(&gone(5.0), "no_data", (21.4, 21.6), 26.0);
    quiet(&gone(1.2));
}

#[test]
fn digital_silence() {
    let zeros = |seconds: f64| Listening::to(&talk(60.0, 1).change(20.0, 20.0 + seconds, |_, _| [0.0; 2])).hear();
    one(&zeros(6.0), "digital_silence", (22.0, 22.2), 29.0);
    one(
        &Listening::to(&talk(60.0, 1).change(20.0, 26.0, |_, _| [0.1; 2])).hear(),
        "digital_silence",
        (22.0, 22.2),
        29.0,
    );
    quiet(&zeros(1.7));
    // A site that has taught nothing and whose gates shut to zero: the sound fades first, and a pause is no fault.
    let gated = faded(faded(faded(band(180.0, 1), 30.0, 50.0), 70.0, 85.0), 120.0, 150.0);
    quiet(&Listening::to(&gated).hear());
    // It is asked of after a minute and a half.
    let long = Listening::to(&faded(band(150.0, 1), 30.0, 140.0)).hear();
    one(&long, "digital_silence", (120.0, 121.5), 145.0);
    assert_eq!(long.of("digital_silence")[0].severity, Severity::Advice);
    // Silence before the first sound.
    quiet(&Listening::to(&Audio::zeros(60.0, 48_000).then(&talk(20.0, 1))).hear());
}

#[test]
fn bus_muted() {
    let muted = talk(90.0, 1).change(60.0, 80.0, hiss(-92.0));
    one(&Listening::to(&muted).hear(), "bus_muted", (69.0, 75.0), 90.0);
    // A prayer in silence for three minutes, the microphones open.
    let prayer = acts(&[(Act::Talk, 60.0), (Act::Stillness, 180.0), (Act::Talk, 20.0)], 48_000, 4);
    let heard = Listening::to(&prayer.stream()).hear();
    quiet(&heard);
    assert!(!heard.habits.pause_floors_lufs.is_empty());
    quiet(&Listening::to(&prayer).hear());
    // The pauses of a mix that is too low lie lower, too: that is no muted bus.
    let service = acts(&[(Act::Talk, 120.0), (Act::Stillness, 30.0), (Act::Talk, 60.0)], 48_000, 4).stream();
    let habits = Habits::kept(vec![heard.habits.pause_floors_lufs[0]; 8], 0);
    let low = service.change(80.0, 210.0, gain(-12.0));
    assert!(Listening { habits, ..Listening::to(&low) }.hear().of("bus_muted").is_empty());
}

#[test]
fn silent_while_house_plays() {
    let service = acts(&[(Act::Talk, 60.0), (Act::Hymn, 40.0)], 48_000, 4);
    let muted = Audio::clone(&service).change(70.0, 85.0, hiss(-92.0));
    one(&Listening::to(&muted).hear(), "silent_while_house_plays", (72.0, 74.5), 90.0);
    let zeros = Audio::clone(&service).change(70.0, 85.0, |_, _| [0.0; 2]);
    one(&Listening::to(&zeros).hear(), "silent_while_house_plays", (72.0, 74.5), 90.0);
    quiet(&Listening::to(&service).hear());
}

#[test]
fn channel_dead() {
    let dead = |seconds: f64| Listening::to(&talk(60.0, 1).change(20.3, 20.3 + seconds, |_, [l, _]| [l, 0.0])).hear();
    one(&dead(15.0), "channel_dead", (23.0, 25.0), 48.0);
    quiet(&dead(1.5));
    // It dies in a long pause, to a line's own noise: said at the next sound, not before.
    let service = acts(&[(Act::Talk, 40.0), (Act::Stillness, 60.0), (Act::Talk, 30.0)], 48_000, 4).stream();
    let mut line = Noise(9);
    let in_pause = service.change(60.0, 120.0, |_, [l, _]| [l, 2e-5 * line.next()]);
    one(&Listening::to(&in_pause).hear(), "channel_dead", (102.0, 112.0), 130.0);
}

/// A phone's music on one channel of an open desk, and of one that gates to nothing, right after somebody spoke.
#[test]
fn phone_on_one_channel() {
    let phone = |open: f64| {
        let mut room = Noise(7);
        let music = band(60.0, 2).change(0.0, 60.0, |_, [l, _]| [l, 1e-3 * room.next()]);
        let mut floor = Noise(8);
        let pause = Audio::made(0.3, 48_000, |_| [0, 1].map(|_| open * floor.next()));
        talk(60.0, 1).then(&pause).then(&music).then(&talk(30.0, 3))
    };
    for open in [1e-3, 0.0] {
        let heard = Listening::to(&phone(open)).hear();
        assert!(heard.of("channel_dead").is_empty(), "{:?}", heard.told);
        quiet(&heard);
    }
}

#[test]
fn one_side_only() {
    // Never anything on the right: a note alone, once sound was on the left for long.
    let left = |from, to| talk(80.0, 1).change(from, to, |_, [l, _]| [l, 0.0]);
    let heard = Listening::to(&left(0.0, 60.0)).hear();
    quiet(&heard);
    assert_eq!(heard.of("one_side_only").len(), 1, "{:?}", heard.told);
    assert!(heard.of("one_side_only")[0].cleared.is_some());
    assert!(Listening::to(&left(0.0, 15.0)).hear().of("one_side_only").is_empty());
    // A phone's music on one channel, between two talks.
    let phone = talk(60.0, 1).then(&band(60.0, 2).change(0.0, 60.0, |_, [l, _]| [l, 0.0])).then(&talk(30.0, 3));
    let heard = Listening::to(&phone).hear();
    assert!(heard.shown().len() <= 1, "{:?}", heard.told);
}

#[test]
fn level() {
    let shifted = |db: f64| Listening::to(&talk(200.0, 1).change(60.0, 160.0, gain(db))).hear();
    one(&shifted(-10.0), "too_quiet", (100.0, 150.0), 200.0);
    one(&shifted(-16.0), "far_too_quiet", (80.0, 130.0), 200.0);
    quiet(&shifted(-4.0));
    // Driven into the limiter of the stream mix, so that it is loud and not cut off.
    let louder = |db: f64| {
        let g = 10f64.powf(db / 20.0);
        let base = talk(200.0, 1).change(0.0, 200.0, gain(-6.0));
        Listening::to(&base.change(60.0, 160.0, move |_, x| x.map(|s| 0.95 * (g * s / 0.95).tanh()))).hear()
    };
    one(&louder(10.0), "too_loud", (100.0, 150.0), 200.0);
    one(&louder(20.0), "far_too_loud", (66.0, 90.0), 200.0);
    quiet(&louder(3.0));
}

#[test]
fn long_quiet() {
    let still = |seconds| acts(&[(Act::Talk, 30.0), (Act::Stillness, seconds), (Act::Talk, 20.0)], 48_000, 7).stream();
    let heard = Listening::to(&still(120.0)).hear();
    quiet(&heard);
    one(&heard, "long_quiet", (119.0, 124.0), 156.0);
    assert!(Listening::to(&still(60.0)).hear().of("long_quiet").is_empty());
}

#[test]
fn clipping() {
    let driven = |db: f64| {
        let g = 10f64.powf(db / 20.0);
        Listening::to(&talk(60.0, 1).change(20.0, 30.0, move |_, x| x.map(|s| (g * s).clamp(-1.0, 1.0)))).hear()
    };
    one(&driven(12.0), "clipping", (20.0, 24.0), 45.0);
    quiet(&driven(1.0));
    let just_under = Audio::made(20.0, 48_000, |t| [0.12 * sine(0.3, t) * sine(101.0, t) + 0.3 * sine(310.0, t); 2]);
    assert!(Listening::to(&just_under).hear().of("clipping").is_empty());
}

#[test]
fn true_peak_over_and_dc_offset_are_notes() {
    let heard = Listening::to(&talk(90.0, 1).change(20.0, 50.0, |_, x| x.map(|s| s + 0.02))).hear();
    one(&heard, "dc_offset", (29.0, 40.0), 80.0);
    quiet(&heard);
    assert!(
        Listening::to(&talk(60.0, 1).change(20.0, 50.0, |_, x| x.map(|s| s + 0.002))).hear().of("dc_offset").is_empty()
    );
    let peaks =
        |top: f64| talk(120.0, 1).change(20.0, 60.0, move |t, x| if (t * 3.0).fract() < 1e-4 { [top; 2] } else { x });
    assert_eq!(Listening::to(&peaks(0.97)).hear().of("true_peak_over").len(), 1);
    assert!(Listening::to(&peaks(0.5)).hear().of("true_peak_over").is_empty());
}
