//! Scenes for the conditions that listen to the spectrum: test tones, feedback, steady noise, hum, a rising noise
//! floor. For each: a scene that raises it, near misses that stay quiet, and its clearing. All audio is made here and
//! by the rehearsal of Larkfield Chapel (invented); times are audio times.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::chain::{Chain, ChainSettings, LaneSpec, Outcome};
use mixwarden::feed::{Arrival, Block, FeedPatch, Mark, Role};
use mixwarden::judge::{AlertChange, Habits};
use mixwarden::source::file::Pace;
use mixwarden::source::rehearsal::Rehearsal;
use mixwarden::source::rehearsal::script::{Act, Script};
use mixwarden::source::{Polled, Source};
use mixwarden::units::SampleRate;
use std::f64::consts::TAU;

/// A stereo recording in the making.
struct Tape {
    hz: u32,
    frames: Vec<[f32; 2]>,
}

impl Tape {
    /// The stream mix of a rehearsed service of these acts.
    fn of(hz: u32, acts: &[(Act, f64)], seed: u64) -> Self {
        let seconds = acts.iter().map(|a| a.1).sum();
        let script = Script { name: "scene (invented)", acts: acts.to_vec(), seconds, faults: Vec::new() };
        let mut rehearsal = Rehearsal::new(script, SampleRate::new(hz).unwrap(), seed, Pace::FlatOut);
        let mut frames = Vec::new();
        loop {
            let polled = rehearsal.poll(&mut |arrival| {
                if let Arrival::Block(Block { samples }) = arrival {
                    frames.extend(samples.as_chunks::<4>().0.iter().map(|f| [f[0], f[1]]));
                }
            });
            if polled == Polled::Ended {
                return Self { hz, frames };
            }
        }
    }

    fn talk(seconds: f64) -> Self {
        Self::of(48_000, &[(Act::Talk, seconds)], 7)
    }

    /// Changes each frame from `from` seconds on; the function sees the time since then and the frame.
    fn map(mut self, from: f64, until: f64, mut change: impl FnMut(f64, [f64; 2]) -> [f64; 2]) -> Self {
        let hz = f64::from(self.hz);
        let (a, b) = ((from * hz) as usize, ((until * hz) as usize).min(self.frames.len()));
        for (n, frame) in self.frames[a..b].iter_mut().enumerate() {
            *frame = change(n as f64 / hz, frame.map(f64::from)).map(|x| x as f32);
        }
        self
    }

    /// Adds the same wave to both sides.
    fn add(self, from: f64, until: f64, mut wave: impl FnMut(f64) -> f64) -> Self {
        self.map(from, until, |t, f| {
            let x = wave(t);
            [f[0] + x, f[1] + x]
        })
    }

    fn play(&self) -> Vec<Outcome> {
        let feed = FeedPatch::new("stream", Role::Stream, &[0, 1]);
        let lane = LaneSpec { rate: SampleRate::new(self.hz).unwrap(), channels: 2, feeds: vec![feed] };
        let mut chain = Chain::new(ChainSettings::default(), vec![lane]).unwrap();
        let mut out = Vec::new();
        for block in self.frames.as_flattened().chunks(9_600) {
            chain.step(0, Arrival::Block(Block { samples: block }), &mut out);
            out.retain(|o| !matches!(o, Outcome::Reading { .. }));
        }
        out
    }

    /// What was told: condition, raised, cleared (seconds).
    fn told(&self) -> Vec<(&'static str, f64, Option<f64>)> {
        let mut told = Vec::new();
        for o in self.play() {
            match o {
                Outcome::Alert { change: AlertChange::Raised, alert } => {
                    told.push((alert.condition, alert.raised.seconds(), None));
                }
                Outcome::Alert { change: AlertChange::Cleared, alert } => {
                    let at = alert.cleared.map(|c| c.0.seconds());
                    told.iter_mut().rev().find(|t| t.0 == alert.condition).unwrap().2 = at;
                }
                _ => {}
            }
        }
        told
    }
}

/// Noise, -1 to 1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

fn sine(hz: f64, t: f64) -> f64 {
    (TAU * hz * t).sin()
}

fn db(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Only `condition` was told, once, between these times, and it cleared by `clear`.
fn only(tape: &Tape, condition: &str, raised: std::ops::RangeInclusive<f64>, clear: f64) {
    let told = tape.told();
    let ok = told.len() == 1
        && told[0].0 == condition
        && raised.contains(&told[0].1)
        && told[0].2.is_some_and(|c| c <= clear);
    assert!(ok, "{condition} wanted in {raised:?}, cleared by {clear}: {told:?}");
}

fn quiet(name: &str, tape: &Tape) {
    let told = tape.told();
    assert!(told.is_empty(), "{name}: {told:?}");
}

/// Told or not, none of these conditions.
fn never(name: &str, tape: &Tape, conditions: &[&str]) {
    let told = tape.told();
    assert!(!told.iter().any(|t| conditions.contains(&t.0)), "{name}: {told:?}");
}

const SPECTRAL: [&str; 5] = ["tone_left_on", "howl", "steady_noise", "hum", "noise_floor"];

#[test]
fn line_up_and_identification_tones_are_told_as_tones_and_as_nothing_else() {
    let tone = |left: fn(f64) -> bool, right: fn(f64) -> bool| {
        move |t: f64, _: [f64; 2]| {
            let x = db(-18.0) * sine(1_000.0, t);
            [if left(t) { x } else { 0.0 }, if right(t) { x } else { 0.0 }]
        }
    };
    // EBU R 49: left off for 0.25 s every 3 s. GLITS: left off once, right twice, 0.25 s each, every 4 s.
    let r49: fn(f64) -> bool = |t| t % 3.0 >= 0.25;
    let glits_left: fn(f64) -> bool = |t| t % 4.0 >= 0.25;
    let glits_right: fn(f64) -> bool = |t| !(0.5..0.75).contains(&(t % 4.0)) && !(1.0..1.25).contains(&(t % 4.0));
    let on: fn(f64) -> bool = |_| true;
    for (left, right) in [(on, on), (r49, on), (glits_left, glits_right)] {
        only(&Tape::talk(50.0).map(20.0, 42.0, tone(left, right)), "tone_left_on", 24.0..=32.0, 47.0);
    }
    let beeps = Tape::talk(50.0).map(20.0, 42.0, |t, _| [if t % 1.0 < 0.6 { 0.1 * sine(440.0, t) } else { 0.0 }; 2]);
    only(&beeps, "tone_left_on", 24.0..=32.0, 47.0);
}

#[test]
fn long_notes_are_no_tones_and_no_howls() {
    let base = || Tape::of(48_000, &[(Act::Talk, 8.0), (Act::Stillness, 30.0), (Act::Talk, 4.0)], 3);
    // A square lead, one note held; a bell; a singer's long note; a stopped flute of the organ, and its swell.
    let square = |t: f64| if sine(220.0, t) > 0.0 { 0.1 } else { -0.1 };
    let bell = |t: f64| {
        let partials = [(0.5, 1.0), (1.0, 0.8), (1.19, 0.6), (1.5, 0.4), (2.0, 0.5), (2.74, 0.2)];
        0.1 * partials.iter().map(|(k, a)| a * sine(523.0 * k, t) * (-t % 9.0 * 0.3 * k).exp()).sum::<f64>()
    };
    let singer = |t: f64| {
        let phase = TAU * 440.0 * t + 440.0 * 0.012 / 5.6 * (TAU * 5.6 * t).sin();
        let swell = db(-40.0 + 26.0 * (t / 2.5).min(1.0));
        swell * (phase.sin() + 0.3 * (2.0 * phase).sin() + 0.2 * (3.0 * phase).sin() + 0.05 * (4.0 * phase).sin())
    };
    let flute = |t: f64| 0.05 * (t / 0.12).min(1.0) * (sine(523.2, t) + 0.06 * sine(3.0 * 523.2, t));
    let swelled = |t: f64| {
        let box_open = db(-24.0 + 24.0 * (t / 3.0).min(1.0));
        let chord: f64 = [261.6, 329.6, 392.0].iter().map(|f| sine(*f, t) + 0.1 * sine(3.0 * f, t)).sum();
        0.06 * box_open * chord
    };
    let waves: [(&str, &dyn Fn(f64) -> f64); 5] =
        [("square", &square), ("bell", &bell), ("singer", &singer), ("flute", &flute), ("swell", &swelled)];
    for (name, wave) in waves {
        never(name, &base().add(12.0, 20.0, wave), &SPECTRAL);
    }
}

#[test]
fn a_howl_that_grows_from_nothing_is_told_while_somebody_talks() {
    // It grows by so many dB a second until something gives, holds, and is turned down.
    for (hz, rate_hz, growth) in [(48_000, 820.0, 20.0), (44_100, 2_950.0, 50.0), (96_000, 410.0, 8.0)] {
        let level = move |t: f64| (-75.0 + growth * t).min(-12.0);
        let full = 63.0 / growth;
        let until = 20.0 + full + 3.0;
        let tape = Tape::of(hz, &[(Act::Talk, until + 8.0)], 5).add(20.0, until, |t| db(level(t)) * sine(rate_hz, t));
        // Told at the latest when it has reached its full strength, before the listeners have left.
        only(&tape, "howl", 20.0 + 25.0 / growth..=20.0 + full + 0.6, until + 4.0);
    }
    // When it has grown to its end it stands like a test tone, and is a howl still.
    let stands = |t: f64| db((-75.0 + 20.0 * t).min(-12.0)) * sine(820.0, t);
    let acts = [(Act::Talk, 20.0), (Act::Stillness, 25.0), (Act::Talk, 5.0)];
    only(&Tape::of(48_000, &acts, 5).add(20.0, 42.0, stands), "howl", 21.2..=24.0, 46.0);
}

#[test]
fn loud_noise_that_stands_is_told_and_applause_is_not() {
    let mut noise = Noise(5);
    let mut pink = [0.0; 3];
    let mut hiss = move || {
        let w = noise.next();
        pink[0] = 0.997_65 * pink[0] + w * 0.099_046;
        pink[1] = 0.963 * pink[1] + w * 0.296_516_4;
        pink[2] = 0.57 * pink[2] + w * 1.052_691_3;
        0.05 * (pink[0] + pink[1] + pink[2] + w * 0.184_8)
    };
    let tape = Tape::talk(60.0).map(20.0, 50.0, move |_, _| [hiss(), hiss()]);
    only(&tape, "steady_noise", 38.0..=44.0, 55.0);
    let service = [(Act::Talk, 15.0), (Act::Applause, 40.0), (Act::Talk, 5.0)];
    quiet("applause", &Tape::of(48_000, &service, 11));
}

/// Hum: multiples of a mains frequency that wanders by 0.05 Hz, `level` dBFS together.
fn hum(hz: f64, strengths: &'static [f64], level: f64) -> impl FnMut(f64) -> f64 {
    let gain = db(level) / strengths.iter().map(|s| s * s).sum::<f64>().sqrt();
    let (mut turns, mut last) = (0.0, 0.0);
    move |t| {
        turns += (hz + 0.05 * sine(0.011, t)) * (t - last);
        last = t;
        let wave = |(k, s): (usize, &f64)| s * (TAU * (k + 1) as f64 * turns + k as f64).sin();
        gain * strengths.iter().enumerate().map(wave).sum::<f64>()
    }
}

/// A ground loop; a rectifier's buzz; a transformer.
const LOOP: [f64; 8] = [1.0, 0.4, 0.5, 0.2, 0.3, 0.1, 0.2, 0.1];
const BUZZ: [f64; 12] = [0.05, 1.0, 0.05, 0.7, 0.0, 0.6, 0.0, 0.5, 0.0, 0.4, 0.0, 0.4];
const TRANSFORMER: [f64; 3] = [1.0, 0.3, 0.4];

#[test]
fn hum_is_told_under_talk_and_music_without_a_pause() {
    let cases: [(Act, u32, f64, &[f64], f64); 4] = [
        (Act::Talk, 48_000, 50.0, &LOOP, -52.0),
        (Act::Talk, 44_100, 50.0, &BUZZ, -50.0),
        (Act::Hymn, 48_000, 60.0, &TRANSFORMER, -52.0),
        (Act::Band, 48_000, 60.0, &BUZZ, -46.0),
    ];
    for (act, hz, mains, strengths, level) in cases {
        let tape = Tape::of(hz, &[(act, 115.0)], 2).add(20.0, 85.0, hum(mains, strengths, level));
        let told = tape.told();
        let of: Vec<_> = told.iter().filter(|t| t.0 == "hum").collect();
        let found = of.len() == 1 && (25.0..=80.0).contains(&of[0].1) && of[0].2.is_some_and(|c| c <= 112.0);
        assert!(found, "{act:?} {mains} Hz {level} dBFS: {told:?}");
    }
}

#[test]
fn notes_beside_the_mains_and_old_recordings_are_no_hum() {
    let pipe = |hz: f64, t: f64| {
        0.05 * (sine(hz, t) + 0.5 * sine(2.0 * hz, t) + 0.25 * sine(3.0 * hz, t) + 0.12 * sine(4.0 * hz, t))
    };
    // Pedal notes held under a hymn: G and B at A = 440, and a G that is at 50 Hz (an organ at A = 449).
    for hz in [49.0, 61.735, 50.0] {
        let tape = Tape::of(48_000, &[(Act::Talk, 10.0), (Act::Hymn, 90.0), (Act::Talk, 20.0)], 4);
        never("pedal", &tape.add(12.0, 98.0, |t| pipe(hz, t) * (t / 0.1).min(1.0)), &SPECTRAL);
    }
    // A bass guitar on E, A, D and G, and a hissy old recording with a rumble, played in.
    let bass = |t: f64| {
        let note = [41.2, 55.0, 73.42, 49.0][(t / 1.0) as usize % 4];
        0.3 * (-3.0 * (t % 1.0)).exp() * (sine(note, t) + 0.6 * sine(2.0 * note, t) + 0.3 * sine(3.0 * note, t))
    };
    never("bass", &Tape::of(48_000, &[(Act::Band, 80.0)], 4).add(2.0, 78.0, bass), &SPECTRAL);
    let mut noise = Noise(9);
    let old = Tape::of(48_000, &[(Act::Talk, 20.0), (Act::Organ, 60.0), (Act::Talk, 20.0)], 4).map(
        22.0,
        78.0,
        |t, [l, r]| {
            let x = 0.5 * (l + r) + 0.006 * noise.next() + 0.002 * sine(33.3, t) * (1.0 + 0.5 * sine(0.55, t));
            [x, x]
        },
    );
    never("old recording", &old, &SPECTRAL);
}

/// Ten services of the same talk, a week apart, with `fault` of that week in it; the venue's habits go on from week to
/// week as the log keeps them. Gives the weeks in which `condition` was told, and the habits at the end.
fn ten_weeks(condition: &str, fault: impl Fn(i32, f64) -> f64) -> (Vec<i32>, Habits) {
    let talk = Tape::talk(85.0);
    let mut settings = ChainSettings::default();
    settings.judge.noise_floor.raise_after_seconds = 10.0;
    let mut kept = serde_json::to_string(&Habits::default()).unwrap();
    let mut told = Vec::new();
    for week in 0..10 {
        let feed = FeedPatch::new("stream", Role::Stream, &[0, 1]);
        let lane = LaneSpec { rate: SampleRate::HZ_48000, channels: 2, feeds: vec![feed] };
        let mut chain = Chain::new(settings.clone(), vec![lane]).unwrap();
        chain.teach(0, serde_json::from_str(&kept).unwrap());
        let mut out = Vec::new();
        chain.step(0, Arrival::Mark(Mark::ServiceBegin), &mut out);
        let service = Tape { hz: talk.hz, frames: talk.frames.clone() }.add(0.0, 85.0, |t| fault(week, t));
        for block in service.frames.as_flattened().chunks(9_600) {
            chain.step(0, Arrival::Block(Block { samples: block }), &mut out);
            out.retain(|o| !matches!(o, Outcome::Reading { .. }));
        }
        chain.step(0, Arrival::Mark(Mark::ServiceEnd), &mut out);
        let raised = |o: &Outcome| matches!(o, Outcome::Alert { change: AlertChange::Raised, alert } if alert.condition == condition);
        if out.iter().any(raised) {
            told.push(week);
        }
        kept = serde_json::to_string(chain.feed(0).unwrap().habits).unwrap();
        if week == 9 {
            let last = chain.feed(0).unwrap().habits.clone();
            chain.step(0, Arrival::Mark(Mark::ForgetHabits), &mut out);
            assert_eq!(chain.feed(0).unwrap().habits, &Habits::default());
            return (told, last);
        }
    }
    unreachable!("the tenth week returns")
}

#[test]
fn what_grows_worse_from_week_to_week_is_told_and_never_becomes_the_venue_s_habit() {
    // From far under the room's tone to 47 dBFS, 3 dB a week.
    let level = |week: i32| -77.0 + 3.0 * f64::from(week);
    let (weeks, _) =
        ten_weeks("hum", |week, t| db(level(week)) * (sine(50.0, t) + 0.5 * sine(100.0, t) + 0.5 * sine(150.0, t)));
    assert!(weeks.first().is_some_and(|w| (3..=7).contains(w)) && weeks.last() == Some(&9), "hum told in {weeks:?}");

    let noise = std::cell::RefCell::new(Noise(3));
    let (weeks, habits) = ten_weeks("noise_floor", |week, _| db(level(week) + 3.0) * noise.borrow_mut().next());
    let floors: Vec<_> = habits.services.iter().map(|s| s.floor_lufs).collect();
    assert!(weeks.first().is_some_and(|w| (3..=8).contains(w)) && weeks.last() == Some(&9), "{weeks:?} {floors:?}");
    let (first, baseline) = (habits.services[0].floor_lufs.unwrap(), habits.baseline_floor_lufs.unwrap());
    assert!(baseline < first + 3.0, "the baseline {baseline} LUFS crept up from {first} LUFS: {floors:?}");
    assert!(habits.services.iter().all(|s| s.usual_lufs.is_some()));
}

#[test]
fn a_site_that_taught_nothing_yet_and_a_usual_floor_stay_quiet() {
    let (weeks, _) = ten_weeks("noise_floor", |_, _| 0.0);
    assert!(weeks.is_empty(), "{weeks:?}");
}
