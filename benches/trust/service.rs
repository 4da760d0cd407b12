//! Services of many kinds from seeds: who speaks and plays when, in which room, through which desk.

use super::pool::{Clip, Half, Kind};
use super::rng::Rng;

pub const HZ: usize = 48_000;

/// What the desk does in pauses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gates {
    Open,
    /// Shut to the line's own noise.
    ToLine,
    /// Shut to exact zero.
    ToZero,
}

/// A kind of service: shares of its time by what sounds.
pub struct Sort {
    pub name: &'static str,
    talk: f64,
    music: f64,
    applause: f64,
    /// Pieces of music that are played, by parts of their names; empty: any.
    pieces: &'static [&'static str],
    real: bool,
    pub gates: Gates,
    pub house: bool,
    /// Talkers stand apart.
    wide: bool,
    two_languages: bool,
}

const PLAIN: Sort = Sort {
    name: "",
    talk: 0.5,
    music: 0.35,
    applause: 0.0,
    pieces: &[],
    real: false,
    gates: Gates::Open,
    house: false,
    wide: false,
    two_languages: false,
};

pub static SORTS: &[Sort] = &[
    Sort { name: "chapel", pieces: &["organ", "choir", "piano"], house: true, ..PLAIN },
    Sort { name: "council", talk: 0.85, music: 0.0, wide: true, ..PLAIN },
    Sort { name: "hall", applause: 0.05, ..PLAIN },
    Sort { name: "band", talk: 0.15, music: 0.75, applause: 0.05, pieces: &["band"], house: true, ..PLAIN },
    Sort { name: "gated desk", gates: Gates::ToLine, ..PLAIN },
    Sort { name: "desk gated to zero", gates: Gates::ToZero, house: true, ..PLAIN },
    Sort { name: "lecture", talk: 0.9, music: 0.0, applause: 0.03, real: true, ..PLAIN },
    Sort {
        name: "wedding",
        talk: 0.35,
        music: 0.45,
        applause: 0.1,
        pieces: &["organ", "bells", "strings", "flute"],
        ..PLAIN
    },
    Sort {
        name: "children's play",
        talk: 0.5,
        music: 0.3,
        applause: 0.1,
        wide: true,
        pieces: &["piano", "guitar", "synth", "flute"],
        ..PLAIN
    },
    Sort { name: "bilingual talk", talk: 0.8, music: 0.1, two_languages: true, ..PLAIN },
    Sort { name: "recordings", talk: 0.5, music: 0.42, real: true, ..PLAIN },
];

pub struct Service {
    pub sort: &'static Sort,
    pub stream: Vec<[f32; 2]>,
    pub house: Option<Vec<[f32; 2]>>,
    /// What sounded when: begin in seconds and name.
    pub acts: Vec<(f64, String)>,
    /// Distinct seconds of real recordings in it.
    pub real_seconds: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Act {
    Talk,
    Music,
    Applause,
    Still,
}

/// One service of `seconds`.
pub fn make(sort: &'static Sort, half: Half, seed: u64, seconds: f64, clips: &[Clip]) -> Service {
    let mut rng = Rng::new(seed * 2 + u64::from(half == Half::Unseen));
    let frames = (seconds * HZ as f64) as usize;
    let mut dry = vec![[0.0f32; 2]; frames];
    let mut send = vec![0.0f32; frames];
    let mut house = sort.house.then(|| vec![[0.0f32; 2]; frames]);
    let mut acts = Vec::new();
    let mut real_seconds = 0.0;
    let wet = rng.between(0.02, 0.2) as f32;
    let ours =
        |kinds: &[Kind]| -> Vec<&Clip> { clips.iter().filter(|c| c.half == half && kinds.contains(&c.kind)).collect() };
    let voices = ours(if sort.real { &[Kind::RealSpeech] } else { &[Kind::Speech] });
    let mut pieces = ours(if sort.real { &[Kind::RealMusic] } else { &[Kind::Music] });
    if !sort.pieces.is_empty() && !sort.real {
        pieces.retain(|c| sort.pieces.iter().any(|p| c.name.contains(p)));
    }
    let talkers: Vec<(&Clip, f64, f64)> = (0..4)
        .filter(|_| !voices.is_empty())
        .map(|_| {
            let pan = if sort.wide { rng.between(-0.45, 0.45) } else { rng.between(-0.08, 0.08) };
            (*rng.pick(&voices), pan, rng.between(-1.5, 3.0))
        })
        .collect();
    let mut at = 0.0;
    let mut last = Act::Still;
    while at < seconds {
        let dice = rng.unit();
        let mut act = if dice < sort.talk {
            Act::Talk
        } else if dice < sort.talk + sort.music {
            Act::Music
        } else if dice < sort.talk + sort.music + sort.applause {
            Act::Applause
        } else {
            Act::Still
        };
        if at == 0.0 || (act == Act::Still && last == Act::Still) {
            act = if sort.talk >= sort.music { Act::Talk } else { Act::Music };
        }
        let length = match act {
            Act::Talk => rng.between(25.0, 110.0),
            Act::Music => rng.between(40.0, 95.0),
            Act::Applause => rng.between(5.0, 14.0),
            Act::Still => rng.between(5.0, 60.0),
        };
        let from = (at * HZ as f64) as usize;
        let most = ((length * HZ as f64) as usize).min(frames - from);
        let name = match act {
            Act::Talk if !talkers.is_empty() => {
                let n = rng.below(talkers.len());
                let pair = if sort.two_languages { vec![n, (n + 1) % talkers.len()] } else { vec![n] };
                let mut offset = 0;
                for part in 0..if sort.two_languages { 6 } else { 1 } {
                    let (clip, pan, db) = talkers[pair[part % pair.len()]];
                    let most = if sort.two_languages { (12 * HZ).min(most - offset) } else { most };
                    let voice = part_of(clip, most, &mut rng);
                    real_seconds += if sort.real { voice.len() as f64 / HZ as f64 } else { 0.0 };
                    let gain = 10f32.powf(((db + rng.between(-1.0, 1.0)) / 20.0) as f32);
                    lay(&mut dry, &mut send, house.as_deref_mut(), from + offset, &voice, gain, pan as f32, wet, 0.6);
                    offset += voice.len();
                    if offset >= most * 6 {
                        break;
                    }
                }
                format!("talk: {}", talkers[n].0.name)
            }
            Act::Music if !pieces.is_empty() => {
                let clip = *rng.pick(&pieces);
                let mut piece = part_of(clip, most, &mut rng);
                real_seconds += if sort.real { piece.len() as f64 / HZ as f64 } else { 0.0 };
                let mut name = format!("music: {}", clip.name);
                if rng.unit() < 0.08 {
                    // An old recording played in: hiss, no treble.
                    let mut low = [0.0f32; 2];
                    for f in &mut piece {
                        for c in 0..2 {
                            low[c] += 0.35 * (f[c] - low[c]);
                            f[c] = low[c] + 0.012 * rng.white();
                        }
                    }
                    name += " (old and hissy)";
                } else if rng.unit() < 0.05 {
                    piece.iter_mut().for_each(|f| f[1] = 0.0);
                    name += " (a phone, on one channel)";
                }
                let gain = 10f32.powf((rng.between(-1.0, 2.5) / 20.0) as f32);
                lay(&mut dry, &mut send, house.as_deref_mut(), from, &piece, gain, 0.0, 0.5 * wet, 1.1);
                name
            }
            Act::Applause => {
                let hands = applause(most, &mut rng);
                lay(&mut dry, &mut send, house.as_deref_mut(), from, &hands, 0.5, 0.0, wet, 0.2);
                "applause".into()
            }
            _ => "stillness".into(),
        };
        acts.push((at, name));
        at += most as f64 / HZ as f64 + rng.between(0.3, 4.0);
        last = act;
    }
    reverb(&send, &mut dry, seed);
    noises(&mut dry, &mut rng);
    room_and_gates(&mut dry, sort.gates, &mut rng);
    limit(&mut dry);
    if let Some(house) = &mut house {
        room_and_gates(house, Gates::Open, &mut rng);
        limit(house);
    }
    Service { sort, stream: dry, house, acts, real_seconds }
}

/// A part of a clip from anywhere, faded at both ends.
fn part_of(clip: &Clip, most: usize, rng: &mut Rng) -> Vec<[f32; 2]> {
    let mut all = clip.read();
    let from = if all.len() > most { rng.below(all.len() - most) } else { 0 };
    all.drain(..from);
    all.truncate(most);
    if clip.kind == Kind::Speech {
        // A synthesised voice stops at once as no mouth does; the first reflections of a room are what a microphone adds.
        for i in (1_100..all.len()).rev() {
            let late = |k: usize| all[i - k][0];
            let x = all[i][0] + 0.25 * late(240) + 0.2 * late(530) + 0.16 * late(820) + 0.13 * late(1_100);
            all[i] = [x; 2];
        }
    }
    let (n, fade) = (all.len(), 4_800);
    for i in 0..fade.min(n) {
        let g = i as f32 / fade as f32;
        all[i] = all[i].map(|x| g * x);
        all[n - 1 - i] = all[n - 1 - i].map(|x| g * x);
    }
    all
}

#[allow(clippy::too_many_arguments)] // one line of a mixing desk
fn lay(
    dry: &mut [[f32; 2]],
    send: &mut [f32],
    house: Option<&mut [[f32; 2]]>,
    from: usize,
    sound: &[[f32; 2]],
    gain: f32,
    pan: f32,
    wet: f32,
    to_house: f32,
) {
    let (l, r) = (gain * (1.0 - pan), gain * (1.0 + pan));
    let end = dry.len();
    for (i, f) in sound.iter().enumerate().take_while(|(i, _)| from + i < end) {
        dry[from + i][0] += l * f[0];
        dry[from + i][1] += r * f[1];
        send[from + i] += wet * gain * (f[0] + f[1]);
    }
    if let Some(house) = house {
        for (i, f) in sound.iter().enumerate().take_while(|(i, _)| from + i < end) {
            house[from + i][0] += to_house * l * f[0];
            house[from + i][1] += to_house * r * f[1];
        }
    }
}

/// Many hands: each clap a burst of noise with its own colour and decay.
fn applause(frames: usize, rng: &mut Rng) -> Vec<[f32; 2]> {
    let mut out = vec![[0.0f32; 2]; frames];
    let hands = 10 + rng.below(40);
    for _ in 0..hands {
        let (every, pan, loud) =
            (rng.between(0.18, 0.35), rng.between(-0.8, 0.8) as f32, rng.between(0.05, 0.4) as f32);
        let colour = rng.between(0.15, 0.6) as f32;
        let mut t = rng.between(0.0, 1.0);
        while t < frames as f64 / HZ as f64 {
            let at = (t * HZ as f64) as usize;
            let decay = rng.between(0.003, 0.012) * HZ as f64;
            let mut low = 0.0f32;
            for i in 0..(6.0 * decay) as usize {
                if at + i >= frames {
                    break;
                }
                low += colour * (rng.white() - low);
                let x = loud * low * (-(i as f64) / decay).exp() as f32 * (i as f32 / 24.0).min(1.0);
                out[at + i][0] += x * (1.0 - pan);
                out[at + i][1] += x * (1.0 + pan);
            }
            t += every * rng.between(0.85, 1.15);
        }
    }
    out
}

/// A small room: four combs and two all-passes a side.
fn reverb(send: &[f32], out: &mut [[f32; 2]], seed: u64) {
    let base = [1_687usize, 1_601, 2_053, 2_251];
    for side in 0..2 {
        let shift = 23 * side + (seed % 97) as usize;
        let mut combs: Vec<(Vec<f32>, usize, f32)> = base.iter().map(|n| (vec![0.0; n + shift], 0, 0.0)).collect();
        let mut pass: Vec<(Vec<f32>, usize)> = [556usize, 225].iter().map(|n| (vec![0.0; n + shift], 0)).collect();
        for (x, y) in send.iter().zip(out.iter_mut()) {
            let mut sum = 0.0;
            for (line, at, low) in &mut combs {
                let old = line[*at];
                *low += 0.6 * (old - *low);
                line[*at] = x + 0.78 * *low;
                *at = if *at + 1 == line.len() { 0 } else { *at + 1 };
                sum += old;
            }
            for (line, at) in &mut pass {
                let old = line[*at];
                let new = sum + 0.5 * old;
                line[*at] = new;
                *at = if *at + 1 == line.len() { 0 } else { *at + 1 };
                sum = old - 0.5 * new;
            }
            y[side] += 0.25 * sum;
        }
    }
}

/// Coughs, chairs and doors, now and then.
fn noises(mix: &mut [[f32; 2]], rng: &mut Rng) {
    let mut t = rng.between(5.0, 60.0);
    while t < mix.len() as f64 / HZ as f64 - 1.0 {
        let at = (t * HZ as f64) as usize;
        let (decay, colour, loud) =
            (rng.between(0.03, 0.15), rng.between(0.02, 0.3) as f32, rng.between(0.03, 0.25) as f32);
        let (mut low, pan) = (0.0f32, rng.between(-0.3, 0.3) as f32);
        for i in 0..HZ / 2 {
            low += colour * (rng.white() - low);
            let rise = (i as f32 / 96.0).min(1.0);
            let x = loud * rise * low * (-(i as f64) / (decay * HZ as f64)).exp() as f32;
            mix[at + i][0] += x * (1.0 - pan);
            mix[at + i][1] += x * (1.0 + pan);
        }
        t += rng.between(10.0, 120.0);
    }
}

/// Open microphones hear the room; gates shut in pauses.
fn room_and_gates(mix: &mut [[f32; 2]], gates: Gates, rng: &mut Rng) {
    let level = 10f32.powf((rng.between(-66.0, -54.0) / 20.0) as f32) * 6.0;
    let (mut common, mut sides) = ([0.0f32; 2], [0.0f32; 2]);
    let (mut drift, mut want, mut left) = (1.0f32, 1.0f32, 0usize);
    let (mut envelope, mut gate, mut hold) = (0.0f32, 0.0f32, 0usize);
    for f in mix.iter_mut() {
        if left == 0 {
            want = 10f32.powf((rng.between(-4.0, 4.0) / 20.0) as f32);
            left = rng.below(30_000) + 4_000;
        }
        left -= 1;
        drift += 0.0005 * (want - drift);
        common[0] += 0.045 * (rng.white() - common[0]);
        common[1] += 0.28 * (common[0] - common[1]);
        let loudest = f[0].abs().max(f[1].abs());
        envelope = if loudest > envelope { loudest } else { envelope * 0.9995 };
        for (s, x) in sides.iter_mut().zip(f.iter_mut()) {
            *s += 0.045 * (rng.white() - *s);
            *x += level * drift * (common[1] + 0.4 * *s);
        }
        if gates != Gates::Open {
            hold = if envelope > 0.006 { HZ / 4 } else { hold.saturating_sub(1) };
            // Opens in a millisecond, shuts in a quarter of a second.
            gate = if hold > 0 { gate + 0.02 * (1.0 - gate) } else { gate * 0.9997 };
            if gate < 1e-4 {
                gate = 0.0;
            }
            for x in f.iter_mut() {
                *x *= gate;
                if gates == Gates::ToLine {
                    *x += 4.5e-5 * rng.white();
                }
            }
        }
    }
}

/// Holds peaks under -1.5 dBFS, looking one block of 5 ms ahead.
fn limit(mix: &mut [[f32; 2]]) {
    const CEILING: f32 = 0.84;
    const BLOCK: usize = 240;
    let peaks: Vec<f32> = mix.chunks(BLOCK).map(|c| c.iter().flatten().fold(0.0f32, |t, x| t.max(x.abs()))).collect();
    let mut gain = 1.0f32;
    for (i, block) in mix.chunks_mut(BLOCK).enumerate() {
        let peak = peaks[i].max(peaks.get(i + 1).copied().unwrap_or(0.0));
        let need = CEILING / peak.max(CEILING);
        let from = gain;
        gain = if need < from { need } else { (from * 1.01).min(need) };
        let n = block.len() as f32;
        for (k, f) in block.iter_mut().enumerate() {
            let g = from + (gain - from) * (k as f32 + 1.0) / n;
            *f = f.map(|x| (g * x).clamp(-CEILING, CEILING));
        }
    }
}
