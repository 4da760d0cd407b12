//! The chain on short code-made audio: timings of the plainest faults, calm near misses, and any cut the same.

use super::*;
use crate::feed::Block;
use crate::judge::{AlertLife, Severity};
use std::time::Duration;

/// Deterministic noise, -1 to 1 (xorshift).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Speech-like programme: noise in 4 Hz syllables, two seconds of words, half a second of room at -70 dBFS.
fn programme(seconds: f64, db: f64, seed: u64) -> Vec<f32> {
    let mut noise = Noise(seed);
    let (mut low, mut room) = (0.0, 0.0);
    let gain = 10f64.powf(db / 20.0);
    (0..(seconds * 48_000.0) as usize)
        .flat_map(|i| {
            let t = i as f64 / 48_000.0;
            let x = noise.next();
            low += 0.3 * (x - low);
            room += 0.02 * (noise.next() - room);
            let syllable = (std::f64::consts::TAU * 2.0 * t).sin().abs();
            let word = if t % 2.5 < 2.0 { syllable * low } else { 0.0 };
            let wander = 1.0 + 0.6 * (t * 1.7).sin() * (t * 0.9).sin();
            let y = (gain * word + 0.004 * room * wander) as f32;
            [y, y]
        })
        .collect()
}

fn hiss(seconds: f64, db: f64) -> Vec<f32> {
    let mut noise = Noise(99);
    let gain = 10f64.powf(db / 20.0) * 3f64.sqrt();
    (0..(seconds * 96_000.0) as usize).map(|_| (gain * noise.next()) as f32).collect()
}

fn spec(feeds: Vec<FeedPatch>, channels: usize) -> LaneSpec {
    LaneSpec { rate: SampleRate::HZ_48000, channels, feeds }
}

fn stereo() -> Chain {
    let feed = FeedPatch::new("stream", Role::Stream, &[0, 1]);
    Chain::new(ChainSettings::default(), vec![spec(vec![feed], 2)]).expect("two channels are there")
}

/// `condition +raised -cleared` in order, seconds; notes are left out.
fn told(out: &[Outcome]) -> Vec<String> {
    out.iter()
        .filter_map(|o| match o {
            Outcome::Alert { change: AlertChange::Raised, alert } if alert.evidence.severity > Severity::Note => {
                Some(format!("{} +{:.1}", alert.condition, alert.raised.seconds()))
            }
            Outcome::Alert { change: AlertChange::Cleared, alert } if alert.evidence.severity > Severity::Note => {
                let at = alert.cleared.map_or(0.0, |c| c.0.seconds());
                Some(format!("{} -{at:.1}", alert.condition))
            }
            _ => None,
        })
        .collect()
}

fn play(parts: &[Vec<f32>], cut: usize) -> Vec<Outcome> {
    let mut chain = stereo();
    let mut out = Vec::new();
    for part in parts {
        for block in part.chunks(cut * 2) {
            chain.step(0, Arrival::Block(Block { samples: block }), &mut out);
        }
    }
    out
}

#[test]
fn exact_zeros_are_told_in_two_seconds_and_clear_when_sound_is_back() {
    let parts = [programme(60.0, -10.0, 1), vec![0.0; 5 * 96_000], programme(10.0, -10.0, 2)];
    assert_eq!(told(&play(&parts, 480)), ["digital_silence +62.0", "digital_silence -66.0"]);
}

#[test]
fn silence_before_the_first_sound_is_calm() {
    assert!(told(&play(&[vec![0.0; 60 * 96_000], hiss(60.0, -80.0)], 4_800)).is_empty());
}

#[test]
fn a_muted_bus_is_told_once_and_an_ordinary_pause_is_not() {
    let pause: Vec<f32> = programme(75.0, -200.0, 5);
    let calm = told(&play(&[programme(60.0, -10.0, 1), pause, programme(20.0, -10.0, 2)], 4_800));
    assert!(calm.is_empty(), "{calm:?}");
    let muted = told(&play(&[programme(60.0, -10.0, 1), hiss(30.0, -92.0), programme(20.0, -10.0, 2)], 4_800));
    assert_eq!(muted.len(), 2, "{muted:?}");
    assert!(muted[0].starts_with("bus_muted +7"), "{muted:?}");
}

#[test]
fn far_too_quiet_is_told_within_70_s_of_the_first_sound() {
    let told = told(&play(&[programme(100.0, -30.0, 1)], 4_800));
    let at: f64 = told[0].trim_start_matches("far_too_quiet +").parse().expect("far_too_quiet first");
    assert!(told.len() == 1 && at <= 70.0, "{told:?}");
}

#[test]
fn clipping_and_a_dead_side_are_told() {
    let clipped: Vec<f32> = programme(10.0, 12.0, 3).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
    let told_clipped = told(&play(&[programme(60.0, -10.0, 1), clipped], 4_800));
    assert!(told_clipped[0].starts_with("clipping +60."), "{told_clipped:?}");
    let mut dead = programme(20.0, -10.0, 4);
    dead.chunks_exact_mut(2).for_each(|f| f[1] = 0.0);
    let told_dead = told(&play(&[programme(60.0, -10.0, 1), dead], 4_800));
    assert!(told_dead.len() == 1 && told_dead[0].starts_with("channel_dead +63"), "{told_dead:?}");
}

#[test]
fn a_starved_lane_says_no_data_and_forgives() {
    let mut chain = stereo();
    let mut out = Vec::new();
    let first = programme(20.0, -10.0, 1);
    chain.step(0, Arrival::Block(Block { samples: &first }), &mut out);
    for _ in 0..30 {
        chain.step(0, Arrival::Idle { waited: Duration::from_millis(100) }, &mut out);
    }
    chain.step(0, Arrival::Block(Block { samples: &first }), &mut out);
    assert_eq!(told(&out), ["no_data +21.5", "no_data -23.5"]);
}

#[test]
fn a_stream_muted_from_the_beginning_is_told_when_the_room_sings() {
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
    let mut chain = Chain::new(ChainSettings::default(), vec![spec(feeds, 4)]).expect("four channels are there");
    let mut out = Vec::new();
    let (room, line) = (programme(40.0, -10.0, 1), hiss(40.0, -66.0));
    let both: Vec<f32> =
        line.chunks_exact(2).zip(room.chunks_exact(2)).flat_map(|(s, h)| [s[0], s[1], h[0], h[1]]).collect();
    chain.step(0, Arrival::Block(Block { samples: &both }), &mut out);
    let told = told(&out);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("silent_while_house_plays +"), "{told:?}");
}

#[test]
fn any_cut_gives_the_same_outcomes() {
    let parts = [programme(8.0, -10.0, 1), vec![0.0; 4 * 96_000], programme(2.0, 3.0, 2)];
    let whole = play(&parts, 1_000_000);
    for cut in [1, 64, 441, 4_800] {
        assert!(play(&parts, cut) == whole, "cut into {cut} frames");
    }
}

#[test]
fn a_person_acknowledges_and_shelves() {
    let mut chain = stereo();
    let mut out = Vec::new();
    for part in [programme(20.0, -10.0, 1), vec![0.0; 5 * 96_000]] {
        chain.step(0, Arrival::Block(Block { samples: &part }), &mut out);
    }
    chain.step(0, Arrival::Mark(Mark::Acknowledge(crate::feed::AlertRef::All)), &mut out);
    let view = chain.feed(0).expect("one feed");
    assert!(view.lives.contains(&("digital_silence", AlertLife::Acknowledged)));
    chain.step(0, Arrival::Mark(Mark::Shelve { alert: crate::feed::AlertRef::All, seconds: 600 }), &mut out);
    chain.step(0, Arrival::Block(Block { samples: &vec![0.0; 60 * 96_000] }), &mut out);
    let view = chain.feed(0).expect("one feed");
    assert!(view.lives.contains(&("digital_silence", AlertLife::Shelved)) && view.standing.is_empty());
}
