//! Invented services as multitracks, two mixes of each, and what became of them on the way.

use crate::desk::{Comp, Stereo, clock, codec, multiband, reverb};
use crate::sources::{Biquad, Dice, RATE, Speak, chordal, crowd, drums, sing, talk};

pub struct Track {
    pub name: &'static str,
    pub sound: Vec<f32>,
    pub pan: f64,
    /// Share of it that goes to the reverb.
    pub wet: f64,
}

/// One service's sources.
pub struct Session {
    pub kind: &'static str,
    pub tracks: Vec<Track>,
    /// From when on 25 s of talk and 25 s of music have sounded; `None` when that never happens.
    pub varied_from: Option<f64>,
    /// When the first song begins, seconds; 0 without one.
    pub song_from: f64,
}

fn keep(x: &mut [f32], spans: &[(f64, f64)]) {
    let mut gate = vec![0.0f32; x.len()];
    for (a, b) in spans {
        let (a, b) = ((a * RATE) as usize, ((b * RATE) as usize).min(x.len()));
        for (k, g) in gate[a.min(b)..b].iter_mut().enumerate() {
            let edge = (k as f32).min((b - a - k) as f32) / 2_400.0;
            *g = edge.clamp(0.0, 1.0);
        }
    }
    x.iter_mut().zip(&gate).for_each(|(x, g)| *x *= g);
}

/// A service of `seconds` from a seed. `kind`: 0 talk and songs by turns, 1 talk then a song, 2 a song then talk,
/// 3 a band with few words, 4 a panel, 5 choir and organ with readings, 6 one talker, 7 an organ.
pub fn session(seed: u64, kind: usize, seconds: f64) -> Session {
    let mut dice = Dice::new(seed);
    let n = (seconds * RATE) as usize;
    let (root, beat, tune) = (dice.between(130.0, 230.0), dice.between(0.4, 0.75), dice.next());
    let mut at = 0.0;
    let mut talks: Vec<(f64, f64)> = Vec::new();
    let mut songs: Vec<(f64, f64)> = Vec::new();
    let mut talking = kind != 2 && kind != 3 && (kind != 0 || dice.chance(0.5)) && (kind != 5 || dice.chance(0.5));
    while at < seconds {
        let len = match (kind, talking) {
            (0, _) => dice.between(22.0, 50.0),
            (1 | 2, _) => dice.between(45.0, 75.0),
            (3, true) => dice.between(12.0, 24.0),
            (3, false) => dice.between(40.0, 70.0),
            (5, true) => dice.between(25.0, 45.0),
            (5, false) => dice.between(30.0, 55.0),
            _ => seconds,
        };
        let end = (at + len).min(seconds);
        if kind == 7 || (!talking && kind != 4 && kind != 6) {
            songs.push((at, end - 0.8));
        } else {
            talks.push((at, end - 0.8));
        }
        at = end;
        talking = !talking;
    }
    let mut tracks = Vec::new();
    let mut add = |name, mut sound: Vec<f32>, spans: &[(f64, f64)], pan: f64, wet: f64, gain: f64| {
        keep(&mut sound, spans);
        sound.iter_mut().for_each(|x| *x *= gain as f32);
        tracks.push(Track { name, sound, pan, wet });
    };
    let s = |dice: &mut Dice| dice.next() >> 8;
    match kind {
        4 => {
            let heads = 3 + (dice.unit() * 2.0) as usize;
            let mut turns = vec![Vec::new(); heads];
            let mut t = 0.0;
            while t < seconds {
                let len = dice.between(4.0, 16.0);
                turns[(dice.next() % heads as u64) as usize].push((t, t + len));
                t += len;
            }
            for turns in &turns {
                add("talker", talk(n, s(&mut dice)), turns, 0.0, 0.02, dice.between(0.7, 1.3));
            }
        }
        6 => add("talker", talk(n, s(&mut dice)), &talks, 0.0, 0.0, 1.0),
        7 => add("organ", chordal(n, s(&mut dice), root, beat * 1.6, tune, Speak::Organ), &songs, 0.0, 0.0, 1.0),
        _ => {
            let (odd, even): (Vec<_>, Vec<_>) = talks.iter().enumerate().partition(|(i, _)| i % 2 == 1);
            let span = |v: Vec<(usize, &(f64, f64))>| v.into_iter().map(|x| *x.1).collect::<Vec<_>>();
            add("talker", talk(n, s(&mut dice)), &span(even), 0.0, 0.02, dice.between(0.8, 1.4));
            if !odd.is_empty() {
                add("second talker", talk(n, s(&mut dice)), &span(odd), 0.0, 0.02, dice.between(0.8, 1.4));
            }
            if kind == 5 {
                add(
                    "organ",
                    chordal(n, s(&mut dice), root, beat * 1.5, tune, Speak::Organ),
                    &songs,
                    dice.between(-0.6, 0.6),
                    0.2,
                    dice.between(0.5, 1.2),
                );
                add(
                    "choir",
                    crowd(n, s(&mut dice), root, beat, 5),
                    &songs,
                    dice.between(-0.5, 0.5),
                    0.4,
                    dice.between(0.6, 1.3),
                );
                if dice.chance(0.5) {
                    add("soloist", sing(n, s(&mut dice), root * 1.5, beat), &songs, 0.0, 0.2, dice.between(0.4, 1.0));
                }
            } else {
                add("singer", sing(n, s(&mut dice), root, beat), &songs, 0.0, 0.15, dice.between(0.7, 1.4));
                add(
                    "bass",
                    chordal(n, s(&mut dice), root, beat, tune, Speak::Bass),
                    &songs,
                    0.0,
                    0.0,
                    dice.between(0.5, 1.2),
                );
                if dice.chance(0.75) {
                    add(
                        "drums",
                        drums(n, s(&mut dice), beat),
                        &songs,
                        dice.between(-0.2, 0.2),
                        0.03,
                        dice.between(0.4, 1.2),
                    );
                }
                let keys = dice.pick(&[Speak::Piano, Speak::Pad, Speak::Organ]);
                add(
                    "keys",
                    chordal(n, s(&mut dice), root, beat, tune, keys),
                    &songs,
                    dice.between(-0.8, 0.1),
                    0.1,
                    dice.between(0.5, 1.1),
                );
                if dice.chance(0.6) {
                    add(
                        "guitar",
                        chordal(n, s(&mut dice), root * 1.0, beat, tune, Speak::Guitar),
                        &songs,
                        dice.between(0.0, 0.8),
                        0.08,
                        dice.between(0.4, 1.0),
                    );
                }
                if dice.chance(0.4) {
                    add(
                        "second singer",
                        sing(n, s(&mut dice), root * 1.25, beat),
                        &songs,
                        dice.between(-0.4, 0.4),
                        0.15,
                        dice.between(0.4, 1.0),
                    );
                }
            }
        }
    }
    // Open microphones: the talker's hears the music, and the room hums along.
    if tracks.len() > 2 && dice.chance(0.5) {
        let late = (dice.between(0.004, 0.02) * RATE) as usize;
        let mut bleed = vec![0.0f32; n];
        for track in &tracks[1..] {
            bleed.iter_mut().skip(late).zip(&track.sound).for_each(|(b, x)| *b += x);
        }
        let gain = 10f64.powf(dice.between(-34.0, -24.0) / 20.0) as f32;
        let mut dull = Biquad::low_pass(4_000.0);
        tracks[0].sound.iter_mut().zip(&bleed).for_each(|(t, b)| *t += gain * dull.step(f64::from(*b)) as f32);
    }
    let sounded = |spans: &[(f64, f64)], by: f64| spans.iter().map(|(a, b)| (b.min(by) - a).max(0.0)).sum::<f64>();
    let varied_from =
        (0..seconds as usize).map(|t| t as f64).find(|t| sounded(&talks, *t) >= 25.0 && sounded(&songs, *t) >= 25.0);
    let song_from = songs.first().map_or(0.0, |s| s.0);
    Session { kind: KINDS[kind], tracks, varied_from, song_from }
}

pub const KINDS: [&str; 8] =
    ["by turns", "talk, song", "song, talk", "band", "panel", "choir", "one talker", "one organ"];

/// A mix: the tracks' sounds at these gains, with the desk's reverb.
pub fn mix(session: &Session, gains_db: &[f64], reverb_db: f64, seed: u64) -> Stereo {
    let n = session.tracks[0].sound.len();
    let mut out = Stereo::silent(n);
    let mut send = vec![0.0f32; n];
    for (track, db) in session.tracks.iter().zip(gains_db) {
        let gain = 10f64.powf(db / 20.0);
        out.add(&track.sound, gain, track.pan);
        if track.wet > 0.0 && reverb_db > -60.0 {
            let wet = (gain * track.wet) as f32;
            send.iter_mut().zip(&track.sound).for_each(|(s, x)| *s += wet * x);
        }
    }
    if reverb_db > -60.0 && session.tracks.iter().any(|t| t.wet > 0.0) {
        let seconds = Dice::new(seed).between(0.8, 2.4);
        out.plus(&reverb(&send, seconds, 0.4), 10f64.powf(reverb_db / 20.0));
    }
    out
}

fn comp(dice: &mut Dice, rms_db: f64) -> Comp {
    Comp {
        threshold_db: rms_db + dice.between(-6.0, 8.0),
        ratio: dice.pick(&[2.0, 3.0, 4.0, 8.0]),
        attack: dice.pick(&[0.001, 0.005, 0.01, 0.03]),
        release: dice.pick(&[0.05, 0.1, 0.2, 0.4]),
        knee: dice.pick(&[0.0, 6.0, 12.0]),
    }
}

fn equalise(x: &mut Stereo, dice: &mut Dice) {
    x.filter(Biquad::high_shelf(dice.between(2_500.0, 8_000.0), dice.between(-6.0, 6.0)));
    for _ in 0..2 {
        x.filter(Biquad::peak(dice.between(150.0, 5_000.0), dice.between(-8.0, 8.0), dice.between(0.5, 2.0)));
    }
    if dice.chance(0.4) {
        x.filter(Biquad::high_pass(dice.between(80.0, 140.0)));
    }
}

/// What becomes of a stream.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Way {
    Plain,
    Equaliser,
    Compressor,
    Both,
    Multiband,
    Leveller,
    Codec,
    Ambience,
    EqualiserMoved,
    FaderRidden,
}

pub fn go(x: &mut Stereo, way: Way, dice: &mut Dice) {
    let rms = x.rms_db();
    match way {
        Way::Plain => {}
        Way::Equaliser => equalise(x, dice),
        Way::Compressor => comp(dice, rms).run(x),
        Way::Both => {
            equalise(x, dice);
            comp(dice, rms).run(x);
        }
        Way::Multiband => {
            let comps = [rms - 4.0, rms - 8.0, rms - 14.0].map(|t| comp(dice, t));
            multiband(x, [dice.between(150.0, 300.0), dice.between(1_500.0, 4_000.0)], comps);
        }
        Way::Leveller => {
            let slow = Comp {
                threshold_db: rms - 4.0,
                ratio: 4.0,
                attack: dice.between(0.2, 1.0),
                release: dice.between(1.5, 6.0),
                knee: 6.0,
            };
            slow.run(x);
        }
        Way::Codec => codec(x, dice.between(14.0, 24.0), dice.pick(&[9_000.0, 12_000.0, 16_000.0])),
        Way::Ambience => {
            let mono: Vec<f32> = (0..x.len()).map(|i| (x.0[0][i] + x.0[1][i]) * 0.5).collect();
            let mut room = reverb(&mono, dice.between(0.6, 1.8), 0.3);
            room.late((dice.between(0.006, 0.03) * RATE) as usize);
            let mut noise = Stereo::silent(x.len());
            noise.hiss(rms + dice.between(-42.0, -28.0), dice.next());
            noise.filter(Biquad::low_pass(3_000.0));
            let level = 10f64.powf((rms - room.rms_db() + dice.between(-24.0, -12.0)) / 20.0);
            x.plus(&room, level);
            x.plus(&noise, 1.0);
        }
        Way::EqualiserMoved => {
            let at = (dice.between(0.3, 0.7) * x.len() as f64) as usize;
            let mut other = x.clone();
            equalise(&mut other, dice);
            for c in 0..2 {
                x.0[c][at..].copy_from_slice(&other.0[c][at..]);
            }
        }
        Way::FaderRidden => {
            let (mut gain, mut aim) = (0.0f64, 0.0);
            let mut next = 0;
            for i in 0..x.len() {
                if i == next {
                    aim = dice.between(-6.0, 4.0);
                    next += (dice.between(8.0, 40.0) * RATE) as usize;
                }
                gain += (aim - gain) / (0.8 * RATE);
                let g = 10f64.powf(gain / 20.0) as f32;
                x.0[0][i] *= g;
                x.0[1][i] *= g;
            }
        }
    }
}

/// What a line does: level, delay, polarity, sides, hiss, clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct Line {
    pub gain_db: f64,
    pub delay_s: f64,
    pub ppm: f64,
    pub inverted: bool,
    pub swapped: bool,
    pub mono: bool,
}

pub fn line(x: Stereo, dice: &mut Dice) -> (Stereo, Line) {
    let mut l = Line {
        gain_db: dice.between(-16.0, 3.0),
        delay_s: dice.pick(&[0.0, 0.0031, 0.02, 0.085, 0.31]),
        ..Line::default()
    };
    if dice.chance(0.3) {
        l.ppm = dice.between(-100.0, 100.0);
        l.delay_s += 0.03;
    }
    l.inverted = dice.chance(0.1);
    l.swapped = dice.chance(0.1);
    l.mono = dice.chance(0.1);
    let mut y = if l.ppm != 0.0 {
        clock(&x, l.delay_s, l.ppm, RATE)
    } else {
        let mut y = x;
        let frames = (l.delay_s * RATE).round() as usize;
        l.delay_s = frames as f64 / RATE;
        if frames > 0 {
            y.late(frames);
        }
        y
    };
    if l.mono {
        y.mono();
    }
    if l.swapped {
        y.0.swap(0, 1);
    }
    y.scale(10f64.powf(l.gain_db / 20.0) * if l.inverted { -1.0 } else { 1.0 });
    y.hiss(y.rms_db() + dice.between(-65.0, -48.0), dice.next());
    (y, l)
}

/// Gains of an own mix: moves of `least..most` dB on about half of the tracks, so that sources that sound together
/// move against each other by `least` or more.
pub fn moved(session: &Session, base: &[f64], least: f64, most: f64, dice: &mut Dice) -> Vec<f64> {
    let musical: Vec<usize> = (0..base.len())
        .filter(|i| !session.tracks[*i].name.contains("second talker") && session.tracks[*i].name != "talker")
        .collect();
    let group = if musical.len() >= 2 { musical } else { (0..base.len()).collect() };
    loop {
        let moves: Vec<f64> = base
            .iter()
            .map(|_| {
                if dice.chance(0.35) {
                    0.0
                } else {
                    dice.between(least, most) * if dice.chance(0.5) { 1.0 } else { -1.0 }
                }
            })
            .collect();
        let spread = |f: fn(f64, f64) -> f64, start: f64| group.iter().map(|i| moves[*i]).fold(start, f);
        if spread(f64::max, f64::NEG_INFINITY) - spread(f64::min, f64::INFINITY) >= least {
            return base.iter().zip(&moves).map(|(b, m)| b + m).collect();
        }
    }
}
