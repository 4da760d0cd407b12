//! Scenes made in code: each condition is told where it should be, stays quiet at its nearest neighbour, and clears.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

#[path = "scenes/broken.rs"]
mod broken;
#[path = "scenes/spine.rs"]
mod spine;
#[path = "scenes/stage.rs"]
mod stage;
#[path = "scenes/together.rs"]
mod together;
#[path = "scenes/trust.rs"]
mod trust;

use mixwarden::source::rehearsal::script::Act;
use stage::*;

fn talk(seconds: f64, seed: u64) -> Audio {
    acts(&[(Act::Talk, seconds)], 48_000, seed).stream()
}

fn band(seconds: f64, seed: u64) -> Audio {
    acts(&[(Act::Band, seconds)], 48_000, seed).stream()
}

/// One telling of `condition`, within `window` seconds, over by `cleared_by`, and nothing else shown.
#[track_caller]
fn one(heard: &Heard, condition: &str, window: (f64, f64), cleared_by: f64) {
    let of = heard.of(condition);
    assert_eq!(of.len(), 1, "{condition}: {:?}", heard.told);
    assert!(of[0].raised >= window.0 && of[0].raised <= window.1, "{condition}: {of:?}");
    assert!(of[0].cleared.is_some_and(|c| c <= cleared_by), "{condition}: {of:?}");
    let others: Vec<_> = heard.shown().into_iter().filter(|t| t.condition != condition).collect();
    assert!(others.is_empty(), "{condition} came with {others:?}");
    assert!(heard.most_at_once <= 1, "{condition}: {} at once", heard.most_at_once);
}

/// Nothing shown.
#[track_caller]
fn quiet(heard: &Heard) {
    assert!(heard.shown().is_empty(), "{:?}", heard.shown());
}

#[test]
fn imbalance() {
    let tilted = |db: f64| {
        let g = 10f64.powf(-db / 20.0);
        Listening::to(&talk(90.0, 1).change(10.0, 70.0, |_, [l, r]| [l, g * r])).hear()
    };
    one(&tilted(10.0), "imbalance", (22.0, 45.0), 90.0);
    quiet(&tilted(4.0));
    // A talker who stands 8 dB to the left, in a room that does not.
    let mut room = Noise(5);
    let panned = talk(90.0, 1).change(0.0, 90.0, |_, [l, r]| [l + 2e-3 * room.next(), 0.4 * r + 2e-3 * room.next()]);
    quiet(&Listening::to(&panned).hear());
    // A piano that stands on the left, beside a talker in the middle.
    let mut piano = band(60.0, 2);
    piano = piano.change(0.0, 60.0, |_, [l, _]| [l, 0.0]);
    let base = talk(60.0, 3);
    let mut i = 0;
    let both = base.change(0.0, 60.0, |_, [l, r]| {
        i += 2;
        [l + f64::from(piano.samples[i - 2]), r]
    });
    quiet(&Listening::to(&both).hear());
}

#[test]
fn imbalance_of_wide_sound() {
    // Two bands, one a side: nothing in common.
    let other = band(100.0, 5);
    let wide = |right: &mut dyn FnMut(f64, f64) -> f64| {
        let mut i = 0;
        band(100.0, 2).change(0.0, 100.0, |t, [l, _]| {
            i += 2;
            [l, right(t, f64::from(other.samples[i - 2]))]
        })
    };
    let down = wide(&mut |t, r| if (20.0..70.0).contains(&t) { 0.3 * r } else { r });
    one(&Listening::to(&down).hear(), "imbalance", (42.0, 60.0), 95.0);
    // As loud a left, but by its low notes alone: a keyboard as it is seen from the stool.
    let mut low = 0.0;
    let keyboard = wide(&mut |_, r| {
        low += 0.1 * (r - low);
        0.9 * (r - low)
    });
    quiet(&Listening::to(&keyboard).hear());
}

#[test]
fn polarity() {
    let turned = Listening::to(&talk(60.0, 1).change(20.0, 40.0, |_, [l, r]| [l, -r])).hear();
    one(&turned, "polarity", (24.0, 32.0), 60.0);
    let in_music = Listening::to(&band(60.0, 1).change(20.0, 40.0, |_, [l, r]| [l, -r])).hear();
    one(&in_music, "polarity", (24.0, 40.0), 60.0);
    // Wide held sound: each rank of an organ reaches the sides in another way, and they are unlike as a whole.
    let organ_of = |louder: &dyn Fn(u32) -> f64| {
        Audio::made(60.0, 48_000, |t| {
            let chord = (t / 2.4) as u32;
            let speaks = ((t % 2.4).min(2.4 - t % 2.4) / 0.05).min(1.0);
            let rank = |k: u32| {
                let hz = 110.0 * 1.29f64.powi(k as i32) * [1.0, 1.06, 0.94, 1.12][(chord % 4) as usize];
                // From the same to nearly turned over: a correlation of 0.2 in all.
                let apart = 0.45 * f64::from((k * 7 + chord) % 16) / 16.0;
                [sine(hz, t), sine(hz, t + apart / hz)].map(|x| 0.04 * louder(k) * speaks * x)
            };
            (0..16).map(rank).fold([0.0; 2], |sum, [l, r]| [sum[0] + l, sum[1] + r])
        })
    };
    let organ = || organ_of(&|_| 1.0);
    let turned = Listening::to(&organ().change(20.0, 40.0, |_, [l, r]| [l, -r])).hear();
    one(&turned, "polarity", (24.0, 30.0), 60.0);
    quiet(&Listening::to(&organ()).hear());
    quiet(&Listening::to(&band(60.0, 2)).hear());
    // The same organ in a mix of its own, turned over in a pause: the room's mix, which pauses too, tells it.
    let mut noise = Noise(5);
    let mut hush = |_: f64, _: [f64; 2]| [1e-4 * noise.next(), 1e-4 * noise.next()];
    let stream = organ_of(&|k| if k % 3 == 0 { 1.4 } else { 0.9 }).change(18.0, 24.0, &mut hush);
    let house = organ().change(18.0, 24.0, &mut hush);
    let beside = |stream: &Audio| {
        let frames = stream.samples.as_chunks::<2>().0.iter().zip(house.samples.as_chunks::<2>().0);
        let samples = frames.flat_map(|(s, h)| [s[0], s[1], h[0], h[1]]).collect();
        Listening::to(&Audio { channels: 4, samples, ..*stream }).hear()
    };
    quiet(&beside(&stream));
    let turned = stream.change(21.0, 40.0, |_, [l, r]| [l, -r]);
    one(&beside(&turned), "polarity", (30.0, 36.0), 60.0);
    // A wide band, its bass in the middle, turned over in a pause: nobody saw it, but the bass cancels.
    let mut high = [0.0; 2];
    let other = band(60.0, 5);
    let mut i = 0;
    let with_bass = band(60.0, 2).change(0.0, 60.0, |t, [l, _]| {
        i += 2;
        let wide = [l, f64::from(other.samples[i - 2])];
        (0..2).for_each(|c| high[c] += 0.05 * (wide[c] - high[c]));
        let bass = 0.02 * (1.0 + sine(0.7, t)) * sine(110.0, t);
        [wide[0] - high[0] + bass, wide[1] - high[1] + bass]
    });
    let mut pause = |audio: Audio, middle: f64| {
        audio.change(middle - 3.0, middle + 3.0, |t, x| {
            let loud = (((t - middle).abs() - 2.5) / 0.5).clamp(0.0, 1.0);
            x.map(|x| loud * x + 1e-4 * noise.next())
        })
    };
    let with_bass = pause(with_bass, 21.0);
    let with_bass = pause(with_bass, 47.0);
    quiet(&Listening::to(&with_bass).hear());
    one(&Listening::to(&with_bass.change(21.0, 47.0, |_, [l, r]| [l, -r])).hear(), "polarity", (32.0, 44.0), 60.0);
}

#[test]
fn mono_loss() {
    // A widened keyboard: its sides oppose each other, but not fully.
    let wide = |seconds| {
        Audio::made(seconds, 48_000, |t| {
            let swell = 0.15 * (1.0 + 0.5 * sine(0.9, t));
            let (against, common) = (sine(220.0, t) + sine(331.0, t), 0.42 * (sine(262.0, t) + sine(415.0, t)));
            [swell * (common + against), swell * (common - against)]
        })
    };
    // One piece is noted for the review, and no more.
    let piece = Listening::to(&talk(20.0, 1).then(&wide(100.0)).then(&talk(20.0, 2))).hear();
    quiet(&piece);
    one(&piece, "mono_loss", (64.0, 70.0), 140.0);
    // What never ends is advice.
    let whole = Listening::to(&talk(20.0, 1).then(&wide(330.0)).then(&talk(20.0, 2))).hear();
    one(&whole, "mono_loss", (64.0, 70.0), 370.0);
    assert_eq!(whole.shown().len(), 1, "{:?}", whole.told);
    quiet(&Listening::to(&talk(20.0, 1).then(&band(30.0, 3))).hear());
}

#[test]
fn dual_mono() {
    let same = |x: Audio, from, to| x.change(from, to, |_, [l, _]| [l, l]);
    let heard = Listening::to(&same(band(100.0, 1), 10.0, 85.0)).hear();
    one(&heard, "dual_mono", (70.0, 82.0), 100.0);
    assert!(Listening::to(&same(band(60.0, 1), 10.0, 50.0)).hear().of("dual_mono").is_empty());
}
