//! Every case of a session through the comparison.

use crate::cases::{Line, Session, Way, go, line, mix, moved, session as make};
use crate::desk::{Stereo, clock};
use crate::sources::{Dice, RATE};
use mixwarden::likeness::{Comparer, Kin};
use mixwarden::units::SampleRate;

/// One case's outcome.
pub struct Outcome {
    pub row: &'static str,
    pub name: String,
    pub want: Kin,
    /// From when on the wanted verdict could be told, seconds.
    pub from: f64,
    /// Seconds behind that within which it counts.
    pub within: f64,
    /// Every verdict that was announced: when, and what.
    pub told: Vec<(f64, Kin)>,
    /// Error of delay, ms, clock, ppm, and level, dB, where they are known.
    pub errors: Option<[f64; 3]>,
}

pub struct Played {
    pub result: Outcome,
    pub features: Vec<String>,
}

struct Case {
    row: &'static str,
    want: Kin,
    from: f64,
    within: f64,
    stream: Stereo,
    line: Line,
    /// Rate of the house's device, Hz, and whether it is mono.
    house_hz: u32,
    house_mono: bool,
}

fn interleave(x: &Stereo, hop: usize, frames: usize, mono: bool, out: &mut Vec<f32>) {
    out.clear();
    for i in hop * frames..(hop + 1) * frames {
        if mono {
            out.push(x.0[0][i]);
        } else {
            out.extend([x.0[0][i], x.0[1][i]]);
        }
    }
}

fn play(case: &Case, house: &Stereo, name: String) -> Played {
    let (rate, house_rate) = (SampleRate::HZ_48000, SampleRate::new(case.house_hz).expect("a rate of the list"));
    let mut comparer = Comparer::new((rate, 2), (house_rate, if case.house_mono { 1 } else { 2 }));
    let (mut s, mut h) = (Vec::new(), Vec::new());
    let (mut told, mut features, mut looked_at) = (Vec::new(), Vec::new(), 0.0);
    let hops = (case.stream.len() / rate.hop_frames()).min(house.len() / house_rate.hop_frames());
    for hop in 0..hops {
        interleave(&case.stream, hop, rate.hop_frames(), false, &mut s);
        interleave(house, hop, house_rate.hop_frames(), case.house_mono, &mut h);
        if comparer.hop(Some(&s), Some(&h)) {
            let (t, l) = ((hop + 1) as f64 / 100.0, comparer.likeness());
            looked_at = t;
            if told.last().map_or(Kin::Unsure, |t: &(f64, Kin)| t.1) != l.kin {
                told.push((t, l.kin));
            }
            if let Some(b) = &comparer.balance {
                features.push(format!(
                    "id={} group={} t={t:.0} V={:.3} st={:.3} lo={:.3} last={:.3} sm={:.3} co={:.3} X={:.2} slope={:.3} jit={:.3} blk={:.3} rest={:.3} wob={:.4} s={:.1} talk={:.1} mus={:.1} ts={:.3} steps={:?} kin={} det={}",
                    name.replace(' ', "_"), case.row.replace(' ', "_"), b.moves_db, b.moves_beside_step_db,
                    b.local_moves_db, b.lasting_moves_db, b.stranger_moves_db, b.copy_moves_db, b.unexplained_db, b.slope_db, b.jitter_db,
                    b.block_moves_db, b.block_rest_db, b.wobble_db, b.seconds, comparer.heard.talk_seconds,
                    comparer.heard.music_seconds, b.talk_step_db, b.steps, l.kin.name(),
                    l.newest.detail.name()
                ));
            }
        }
    }
    let l = comparer.likeness();
    let errors = match (l.delay_ms, l.clock_ppm, l.level_db) {
        (Some(delay), Some(ppm), Some(level)) if case.row == "copy, plain" => {
            // A clock that runs fast comes closer with time.
            let late = case.line.delay_s * (1.0 + case.line.ppm * 1e-6);
            let right_ms = 1000.0 * (late - looked_at * case.line.ppm * 1e-6);
            Some([delay - right_ms, ppm + case.line.ppm, level - case.line.gain_db])
        }
        _ => None,
    };
    let result = Outcome { row: case.row, name, want: case.want, from: case.from, within: case.within, told, errors };
    Played { result, features }
}

const COPIES: [(&str, Way); 10] = [
    ("copy, plain", Way::Plain),
    ("copy, equaliser", Way::Equaliser),
    ("copy, compressor", Way::Compressor),
    ("copy, both", Way::Both),
    ("copy, multiband", Way::Multiband),
    ("copy, leveller", Way::Leveller),
    ("copy, codec", Way::Codec),
    ("copy + room", Way::Ambience),
    ("copy, EQ moved", Way::EqualiserMoved),
    ("copy, fader ridden", Way::FaderRidden),
];

const OWNS: [(&str, f64, f64, Way); 7] = [
    ("own, 3-10 dB", 3.0, 10.0, Way::Plain),
    ("own, 3-10 dB", 3.0, 10.0, Way::Equaliser),
    ("own, 3-10 dB, dynamics", 3.0, 10.0, Way::Both),
    ("own, 3-10 dB, dynamics", 3.0, 10.0, Way::Multiband),
    ("own, 2 dB", 1.9, 2.1, Way::Plain),
    ("own, 2 dB", 1.9, 2.1, Way::Equaliser),
    ("own, 2 dB, compressor", 1.9, 2.1, Way::Compressor),
];

/// More of them, from dice of their own.
const MORE_OWNS: [(&str, Way); 5] = [
    ("own, 3-10 dB", Way::Codec),
    ("own, 3-10 dB + room", Way::Ambience),
    ("own, 3-10 dB, dynamics", Way::Compressor),
    ("own, 3-10 dB, dynamics", Way::Leveller),
    ("own, 3-10 dB, ridden", Way::FaderRidden),
];

/// Two sides of the same talker or organ, one voice in all: nothing can be told.
fn single(session: &Session) -> bool {
    session.tracks.len() == 1
}

/// Plays all cases of a seed; `each` takes them as they are done.
pub fn session(seed: u64, seconds: f64, each: &mut dyn FnMut(Played)) {
    let kind = (seed % 8) as usize;
    let song = make(seed, kind, seconds);
    let mut dice = Dice::new(seed ^ 0x00ab_cdef);
    let base: Vec<f64> = song.tracks.iter().map(|_| dice.between(-4.0, 4.0)).collect();
    let reverb_db = dice.pick(&[-100.0, -6.0, 0.0]);
    let mut house = mix(&song, &base, reverb_db, seed);
    let norm = 10f64.powf((-22.0 - house.rms_db()) / 20.0);
    house.scale(norm);
    house.hiss(-80.0, seed);
    let panel = kind == 4;
    let alone = single(&song);
    let only = std::env::var("OWN_MIX_ONLY").unwrap_or_default();
    let mut number = 0;
    let mut play_one = |mut case: Case, house: &Stereo, dice: &mut Dice| {
        number += 1;
        if alone {
            (case.row, case.want) = ("single source", Kin::Unsure);
        } else if panel {
            case.row = if case.want == Kin::Own { "panel, own" } else { "panel, copy" };
        }
        let name = format!("{seed}.{number} {}{}", song.kind, if case.house_hz == 48_000 { "" } else { ", 44.1 kHz" });
        // The dice are thrown for what is left out too: a case is the same alone.
        let ppm = if case.house_hz == 48_000 { 0.0 } else { dice.between(-100.0, 100.0) };
        if !name.contains(&only) {
            return;
        }
        if case.house_hz == 48_000 {
            each(play(&case, house, name));
        } else {
            each(play(&case, &clock(house, 0.0, ppm, f64::from(case.house_hz)), name));
        }
    };
    let plain = |row, want, from, within, (stream, line): (Stereo, Line)| Case {
        row,
        want,
        from,
        within,
        stream,
        line,
        house_hz: 48_000,
        house_mono: false,
    };
    let varied = song.varied_from.unwrap_or(0.0);
    for (row, way) in COPIES {
        let mut x = house.clone();
        go(&mut x, way, &mut dice);
        let limit = if way == Way::Plain { 180.0 } else { 300.0 };
        let case = plain(row, Kin::Copy, varied - 50.0, limit, line(x, &mut dice));
        play_one(case, &house, &mut dice);
    }
    let mut case = plain("copy, two clocks", Kin::Copy, varied - 50.0, 180.0, line(house.clone(), &mut dice));
    (case.house_hz, case.house_mono) = (44_100, dice.chance(0.5));
    play_one(case, &house, &mut dice);
    if !alone {
        let own = |row: &'static str, least, most, way, dice: &mut Dice| {
            let mut x = mix(&song, &moved(&song, &base, least, most, dice), reverb_db, seed);
            x.scale(norm);
            go(&mut x, way, dice);
            let limit = if row.starts_with("own, 2") { 180.0 } else { 90.0 };
            plain(row, Kin::Own, song.song_from, limit, line(x, dice))
        };
        for (row, least, most, way) in OWNS {
            play_one(own(row, least, most, way, &mut dice), &house, &mut dice);
        }
        // Only the talker is louder or softer: level steps, nothing else.
        let step = dice.between(3.0, 8.0) * if dice.chance(0.5) { 1.0 } else { -1.0 };
        let talk_moved: Vec<f64> =
            base.iter().zip(&song.tracks).map(|(b, t)| if t.name.contains("talker") { b + step } else { *b }).collect();
        let mut x = mix(&song, &talk_moved, reverb_db, seed);
        x.scale(norm);
        if dice.chance(0.5) {
            go(&mut x, Way::Compressor, &mut dice);
        }
        if !panel {
            play_one(plain("own, only talk moved", Kin::Own, 0.0, 300.0, line(x, &mut dice)), &house, &mut dice);
        }
        if kind < 2 {
            repatched(seed, kind, &mut play_one);
        }
        let mut dice = Dice::new(seed ^ 0x0012_3456);
        for (row, way) in MORE_OWNS {
            play_one(own(row, 3.0, 10.0, way, &mut dice), &house, &mut dice);
        }
    }
    let other = make(seed ^ 0x5555_0000, (kind + 3) % 6, seconds);
    let mut x = mix(&other, &vec![0.0; other.tracks.len()], reverb_db, seed + 1);
    x.scale(10f64.powf((-22.0 - x.rms_db()) / 20.0));
    if !alone {
        play_one(plain("unrelated", Kin::Unrelated, 0.0, 75.0, line(x, &mut dice)), &house, &mut dice);
    }
}

/// Own mix for 110 s, then the patch is changed and the stream is the house mix.
fn repatched(seed: u64, kind: usize, play_one: &mut dyn FnMut(Case, &Stereo, &mut Dice)) {
    const LONG: f64 = 300.0;
    const CHANGE: f64 = 110.0;
    let song = make(seed ^ 0x7777, kind, LONG);
    let mut dice = Dice::new(seed ^ 0x00fe_dcba);
    let base: Vec<f64> = song.tracks.iter().map(|_| dice.between(-4.0, 4.0)).collect();
    let mut house = mix(&song, &base, -6.0, seed);
    let norm = 10f64.powf((-22.0 - house.rms_db()) / 20.0);
    house.scale(norm);
    let mut x = mix(&song, &moved(&song, &base, 3.0, 10.0, &mut dice), -6.0, seed);
    x.scale(norm);
    let at = (CHANGE * RATE) as usize;
    for c in 0..2 {
        x.0[c][at..].copy_from_slice(&house.0[c][at..]);
    }
    let (stream, line) = line(x, &mut dice);
    let case = Case {
        row: "re-patch own to copy",
        want: Kin::Copy,
        from: CHANGE,
        within: 180.0,
        stream,
        line,
        house_hz: 48_000,
        house_mono: false,
    };
    play_one(case, &house, &mut dice);
}
