//! The rehearsal: a made-up service through the whole program, for whoever has no sound hardware at hand, and for
//! tests. Made in code from a seed, in 10 ms steps: stream on channels 1-2, house on channels 3-4.

mod instruments;
mod noise;
pub mod script;
mod voice;

use super::file::Pace;
use super::{Format, Polled, Source};
use crate::feed::{Arrival, Block};
use crate::units::SampleRate;
use instruments::{Applause, Band, Organ, Room};
use noise::Noise;
use script::{Act, FaultKind, Script};
use std::time::{Duration, Instant};
use voice::{Manner, Voice};

/// Channels: stream left and right, house left and right.
pub const CHANNELS: usize = 4;
/// Levels of the sources in the two mixes: amplitude on stream and house. Own mixes of one event: the room's system
/// needs less of the drums and more of the talker than the stream does.
const TALK: (f64, f64) = (1.0, 0.62);
const SONG: (f64, f64) = (0.32, 0.4);
const ORGAN: (f64, f64) = (0.42, 0.22);
const BAND: (f64, f64) = (0.26, 0.34);
const HANDS: (f64, f64) = (0.45, 0.1);
const ROOM: (f64, f64) = (0.003, 0.0016);
/// Peaks are held under this by the mixes' limiters (-2 dBFS).
const CEILING: f64 = 0.794;
/// One act fades into the next over this, seconds.
const FADE_SECONDS: f64 = 0.4;

/// A made-up service.
pub struct Rehearsal {
    script: Script,
    rate: SampleRate,
    hop: u64,
    talkers: [Voice; 2],
    singers: [Voice; 3],
    organ: Organ,
    band: Band,
    hands: Applause,
    room: [Room; 2],
    line: Noise,
    tone: f64,
    level: f64,
    limiters: [Limiter; 2],
    samples: Vec<f32>,
    announced: bool,
    speed: Option<f64>,
    started: Option<Instant>,
    skew: Option<u64>,
    /// Hops that are run through at once, before the pace begins.
    past: u64,
}

impl Rehearsal {
    /// The service of `script` at `rate`, the same for the same `seed`.
    pub fn new(script: Script, rate: SampleRate, seed: u64, pace: Pace) -> Self {
        let hz = f64::from(rate.hz());
        let voice = |manner, n| Voice::new(manner, seed * 100 + n, hz);
        Self {
            script,
            rate,
            hop: 0,
            talkers: [voice(Manner::Talk, 1), voice(Manner::Talk, 2)],
            singers: [voice(Manner::Sing, 3), voice(Manner::Sing, 4), voice(Manner::Sing, 5)],
            organ: Organ::new(seed * 100 + 6, hz),
            band: Band::new(seed * 100 + 7, hz),
            hands: Applause::new(seed * 100 + 8, hz),
            room: [Room::new(seed * 100 + 9, hz), Room::new(seed * 100 + 10, hz)],
            line: Noise::new(seed * 100 + 11),
            tone: 0.0,
            level: 1.0,
            limiters: [Limiter::new(rate.hop_frames()), Limiter::new(rate.hop_frames())],
            samples: Vec::new(),
            announced: false,
            speed: match pace {
                Pace::FlatOut => None,
                Pace::Times(n) => Some(n),
            },
            started: None,
            skew: None,
            past: 0,
        }
    }

    /// Runs through what is before `seconds` at once; the pace begins there.
    #[must_use]
    pub fn starting_at(mut self, seconds: f64) -> Self {
        self.past = (seconds * 100.0) as u64;
        self
    }

    /// Makes the next 10 ms into `samples`; gives the fault that holds in it.
    fn make(&mut self) -> Option<FaultKind> {
        let hz = f64::from(self.rate.hz());
        let seconds = self.hop as f64 / 100.0;
        let (act, before, at) = self.script.act_at(seconds);
        let (come, go) = ((at / FADE_SECONDS).min(1.0), (1.0 - at / FADE_SECONDS).max(0.0));
        let share = |wanted: &[Act]| {
            let of = |a: Act| if wanted.contains(&a) { 1.0 } else { 0.0 };
            if act == before { of(act) } else { of(act) * come + of(before) * go }
        };
        let shares = [
            share(&[Act::Talk]),
            share(&[Act::Reading]),
            share(&[Act::Band, Act::Hymn]),
            share(&[Act::Organ, Act::Hymn]),
            share(&[Act::Band]),
            share(&[Act::Applause]),
            share(&[Act::Hymn]),
        ];
        let frames = self.rate.hop_frames();
        let mut mixes = [vec![[0.0; 2]; frames], vec![[0.0; 2]; frames]];
        for frame in 0..frames {
            let mut stream = [0.0; 2];
            let mut house = [0.0; 2];
            let mut add = |x: f64, pan: f64, level: (f64, f64), share: f64| {
                let (l, r) = ((1.0 - pan) * x * share, (1.0 + pan) * x * share);
                stream = [stream[0] + l * level.0, stream[1] + r * level.0];
                house = [house[0] + l * level.1, house[1] + r * level.1];
            };
            for (i, pan) in [(0, 0.0), (1, 0.05)] {
                if shares[i] > 0.0 {
                    add(self.talkers[i].step(), pan, TALK, shares[i]);
                }
            }
            if shares[2] > 0.0 {
                add(self.singers[0].step(), -0.05, SONG, shares[2]);
            }
            if shares[6] > 0.0 {
                add(self.singers[1].step(), 0.4, SONG, 0.6 * shares[6]);
                add(self.singers[2].step(), -0.4, SONG, 0.6 * shares[6]);
            }
            if shares[3] > 0.0 {
                add(self.organ.step(), 0.1, ORGAN, shares[3]);
            }
            if shares[4] > 0.0 {
                let (low, bright) = self.band.step();
                add(low, 0.0, BAND, shares[4]);
                add(bright, 0.35, BAND, shares[4]);
            }
            if shares[5] > 0.0 {
                add(self.hands.step(), 0.0, HANDS, shares[5]);
            }
            for (side, x) in self.room[0].step().into_iter().enumerate() {
                stream[side] += x * ROOM.0;
            }
            for (side, x) in self.room[1].step().into_iter().enumerate() {
                house[side] += x * ROOM.1;
            }
            (mixes[0][frame], mixes[1][frame]) = (stream, house);
        }
        for (mix, limiter) in mixes.iter_mut().zip(&mut self.limiters) {
            limiter.hop(mix);
        }
        let fault = self.script.fault_at(seconds);
        self.samples.clear();
        for (stream, house) in mixes[0].iter().zip(&mixes[1]) {
            let mut s = *stream;
            let want = if let Some(FaultKind::Level(db)) = fault { 10f64.powf(db / 20.0) } else { 1.0 };
            // A fader takes about 50 ms.
            self.level += (want - self.level) / (0.05 * hz);
            s = s.map(|x| x * self.level);
            match fault {
                Some(FaultKind::Zeros) => s = [0.0; 2],
                // White noise of -92 dBFS RMS.
                Some(FaultKind::Muted) => s = [0, 1].map(|_| 4.35e-5 * self.line.white()),
                Some(FaultKind::Clipped) => s = s.map(|x| (x * 4.0).clamp(-1.0, 1.0)),
                Some(FaultKind::RightDead) => s[1] = 0.0,
                Some(FaultKind::Offset) => s = s.map(|x| x + 0.02),
                Some(FaultKind::WrongScene) => s = house.map(|x| 1.2 * x),
                Some(FaultKind::Polarity) => s[1] = -s[1],
                Some(FaultKind::Tone) => {
                    self.tone = (self.tone + 1_000.0 / hz) % 1.0;
                    s = [0.125 * (std::f64::consts::TAU * self.tone).sin(); 2];
                }
                Some(FaultKind::Gone | FaultKind::Level(_)) | None => {}
            }
            self.samples.extend([s[0], s[1], house[0], house[1]].map(|x| x as f32));
        }
        self.hop += 1;
        fault
    }

    /// The next 10 ms may be delivered.
    fn due(&mut self) -> bool {
        let Some(speed) = self.speed else { return true };
        if self.hop < self.past {
            return true;
        }
        let started = *self.started.get_or_insert_with(Instant::now);
        let skew = *self.skew.get_or_insert(self.hop);
        started.elapsed().as_secs_f64() * speed * 100.0 > (self.hop - skew) as f64
    }
}

/// Holds peaks under the ceiling: gain ramps from hop to hop, looking one hop ahead.
struct Limiter {
    held: Vec<[f64; 2]>,
    gain: f64,
}

impl Limiter {
    fn new(frames: usize) -> Self {
        Self { held: vec![[0.0; 2]; frames], gain: 1.0 }
    }

    /// Swaps `hop` for the one before, limited.
    fn hop(&mut self, hop: &mut Vec<[f64; 2]>) {
        let peak = |h: &[[f64; 2]]| h.iter().flatten().fold(0.0f64, |t, x| t.max(x.abs()));
        std::mem::swap(&mut self.held, hop);
        let needed = CEILING / peak(hop).max(peak(&self.held)).max(CEILING);
        let from = self.gain;
        // Down at once (the ramp ends before the peak comes), up slowly.
        self.gain = if needed < from { needed } else { (from * 1.02).min(needed) };
        let frames = hop.len() as f64;
        for (i, frame) in hop.iter_mut().enumerate() {
            let gain = from + (self.gain - from) * (i as f64 + 1.0) / frames;
            *frame = frame.map(|x| (x * gain).clamp(-CEILING, CEILING));
        }
    }
}

/// Most hops in one poll.
const HOPS_A_POLL: usize = 100;

impl Source for Rehearsal {
    fn poll(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled {
        if !self.announced {
            self.announced = true;
            return Polled::Format(Format { rate: self.rate, channels: CHANNELS });
        }
        let mut frames = 0;
        for _ in 0..HOPS_A_POLL {
            if self.hop as f64 / 100.0 >= self.script.seconds {
                return if frames > 0 { Polled::Gave { frames } } else { Polled::Ended };
            }
            if !self.due() {
                break;
            }
            match self.make() {
                Some(FaultKind::Gone) => sink(Arrival::Idle { waited: Duration::from_millis(10) }),
                _ => sink(Arrival::Block(Block { samples: &self.samples })),
            }
            frames += self.rate.hop_frames() as u64;
        }
        if frames > 0 { Polled::Gave { frames } } else { Polled::Nothing }
    }

    fn describe(&self) -> String {
        format!("rehearsal: {}", self.script.name)
    }

    fn paced(&self) -> bool {
        self.speed.is_some() && self.hop >= self.past
    }
}
