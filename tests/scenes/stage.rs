//! What the scenes are made of and how they are heard: the rehearsal's acts, faults put into them, the chain.

use mixwarden::chain::{Chain, ChainSettings, LaneSpec, Outcome};
use mixwarden::feed::{Arrival, Block, FeedPatch, Mark, Role};
use mixwarden::judge::{AlertChange, Clearing, Habits, Severity};
use mixwarden::source::file::Pace;
use mixwarden::source::rehearsal::{
    Rehearsal,
    script::{Act, Script},
};
use mixwarden::source::{Polled, Source};
use mixwarden::units::SampleRate;
use std::collections::HashMap;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex, OnceLock};

/// Noise from a seed, -1 to 1.
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Interleaved audio.
#[derive(Clone)]
pub struct Audio {
    pub hz: u32,
    pub channels: usize,
    pub samples: Vec<f32>,
}

type Kept = Mutex<HashMap<(Vec<(u8, u64)>, u32, u64), Arc<Audio>>>;

/// The rehearsal's acts on four channels (stream, house), the same for the same seed; made once a run.
pub fn acts(acts: &[(Act, f64)], hz: u32, seed: u64) -> Arc<Audio> {
    static KEPT: OnceLock<Kept> = OnceLock::new();
    let key = (acts.iter().map(|(a, s)| (*a as u8, (s * 100.0) as u64)).collect(), hz, seed);
    let kept = KEPT.get_or_init(Mutex::default);
    if let Some(audio) = kept.lock().unwrap().get(&key) {
        return Arc::clone(audio);
    }
    let seconds = acts.iter().map(|a| a.1).sum();
    let script = Script { name: "a scene", acts: acts.to_vec(), seconds, faults: Vec::new() };
    let mut rehearsal = Rehearsal::new(script, SampleRate::new(hz).unwrap(), seed, Pace::FlatOut);
    let mut samples = Vec::with_capacity((seconds * f64::from(hz)) as usize * 4);
    loop {
        let polled = rehearsal.poll(&mut |arrival| {
            if let Arrival::Block(b) = arrival {
                samples.extend_from_slice(b.samples);
            }
        });
        if matches!(polled, Polled::Ended) {
            break;
        }
    }
    let audio = Arc::new(Audio { hz, channels: 4, samples });
    kept.lock().unwrap().insert(key, Arc::clone(&audio));
    audio
}

impl Audio {
    /// Silence (exact zeros).
    pub fn zeros(seconds: f64, hz: u32) -> Self {
        Self { hz, channels: 2, samples: vec![0.0; (seconds * f64::from(hz)) as usize * 2] }
    }

    /// Stereo from a function of time.
    pub fn made(seconds: f64, hz: u32, mut at: impl FnMut(f64) -> [f64; 2]) -> Self {
        let frames = (seconds * f64::from(hz)) as usize;
        let samples = (0..frames).flat_map(|n| at(n as f64 / f64::from(hz)).map(|x| x as f32)).collect();
        Self { hz, channels: 2, samples }
    }

    /// The stream alone.
    pub fn stream(&self) -> Self {
        let samples = self.samples.chunks_exact(self.channels).flat_map(|f| [f[0], f[1]]).collect();
        Self { hz: self.hz, channels: 2, samples }
    }

    pub fn frame(&self, seconds: f64) -> usize {
        (seconds * f64::from(self.hz)).round() as usize
    }

    /// The loudest moment within half a second after `seconds`, by 10 ms.
    pub fn loud_near(&self, seconds: f64) -> f64 {
        let power = |i: usize| {
            let (a, b) = (self.frame(seconds + i as f64 / 100.0), self.frame(seconds + (i + 1) as f64 / 100.0));
            self.samples[a * self.channels..b * self.channels].iter().map(|x| x * x).sum::<f32>()
        };
        let best = (0..50).max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap_or(0);
        seconds + best as f64 / 100.0 + 0.0037
    }

    /// Changes the stream's two sides from `from` to `to` seconds, frame by frame; time counts from `from`.
    pub fn change(mut self, from: f64, to: f64, mut f: impl FnMut(f64, [f64; 2]) -> [f64; 2]) -> Self {
        let (a, b) = (self.frame(from), self.frame(to).min(self.samples.len() / self.channels));
        let (n, hz) = (self.channels, f64::from(self.hz));
        for (i, frame) in self.samples[a * n..b * n].chunks_exact_mut(n).enumerate() {
            let new = f(i as f64 / hz, [f64::from(frame[0]), f64::from(frame[1])]);
            (frame[0], frame[1]) = (new[0] as f32, new[1] as f32);
        }
        self
    }

    /// The same sound at another rate (windowed sinc, 48 taps).
    pub fn at_rate(&self, hz: u32) -> Self {
        if hz == self.hz {
            return self.clone();
        }
        let (n, width) = (self.channels, 24i64);
        let gcd = |mut a: u32, mut b: u32| {
            while b > 0 {
                (a, b) = (b, a % b);
            }
            a
        };
        let step = gcd(self.hz, hz);
        let (up, down) = (i64::from(hz / step), i64::from(self.hz / step));
        let cut = f64::from(hz.min(self.hz)) / f64::from(self.hz) * 0.97;
        let taps: Vec<Vec<f32>> = (0..up)
            .map(|phase| {
                let at = phase as f64 / up as f64;
                let tap = |k: i64| {
                    let x = k as f64 - at;
                    let sinc = if x == 0.0 { cut } else { (TAU / 2.0 * cut * x).sin() / (TAU / 2.0 * x) };
                    let window = (TAU / 4.0 * (x / (width + 1) as f64)).cos().powi(2);
                    (sinc * window) as f32
                };
                (1 - width..=width).map(tap).collect()
            })
            .collect();
        let frames = (self.samples.len() / n) as i64;
        let mut samples = Vec::new();
        for m in 0..frames * up / down {
            let (at, phase) = (m * down / up, (m * down % up) as usize);
            for c in 0..n {
                let sum: f32 = (1 - width..=width)
                    .zip(&taps[phase])
                    .map(|(k, tap)| {
                        let i = (at + k).clamp(0, frames - 1) as usize;
                        tap * self.samples[i * n + c]
                    })
                    .sum();
                samples.push(sum);
            }
        }
        Self { hz, channels: n, samples }
    }

    /// The same with another behind it.
    pub fn then(mut self, other: &Self) -> Self {
        assert_eq!((self.hz, self.channels), (other.hz, other.channels));
        self.samples.extend_from_slice(&other.samples);
        self
    }
}

/// An alert from its raising to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    pub feed: usize,
    pub condition: &'static str,
    pub severity: Severity,
    pub raised: f64,
    pub cleared: Option<f64>,
    pub replaced: bool,
    pub comes_and_goes: bool,
}

/// Something to listen to, with what the timetable and the people do.
pub struct Listening<'a> {
    pub settings: ChainSettings,
    pub marks: Vec<(f64, Mark)>,
    /// Spans in which nothing comes from the device (the audio of that time is dropped).
    pub gone: Option<(f64, f64)>,
    /// What the venue taught before.
    pub habits: Habits,
    pub audio: &'a Audio,
}

/// What the chain told, and the most warnings and advices that stood at once on the stream.
pub struct Heard {
    pub habits: Habits,
    pub told: Vec<Told>,
    pub most_at_once: usize,
}

impl<'a> Listening<'a> {
    pub fn to(audio: &'a Audio) -> Self {
        Self { settings: ChainSettings::default(), marks: Vec::new(), gone: None, habits: Habits::default(), audio }
    }

    pub fn hear(self) -> Heard {
        let Audio { hz, channels, ref samples } = *self.audio;
        let mut feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1])];
        if channels == 4 {
            feeds.push(FeedPatch::new("house", Role::House, &[2, 3]));
        }
        let rate = SampleRate::new(hz).unwrap();
        let mut chain = Chain::new(self.settings, vec![LaneSpec { rate, channels, feeds }]).unwrap();
        chain.teach(0, self.habits);
        let mut told: Vec<(u64, Told)> = Vec::new();
        let mut standing: Vec<u64> = Vec::new();
        let mut most_at_once = 0;
        let mut marks = self.marks.into_iter().peekable();
        let hop = rate.hop_frames() * channels;
        for (i, block) in samples.chunks(hop * 10).enumerate() {
            let now = i as f64 / 10.0;
            let mut out = Vec::new();
            while let Some((_, mark)) = marks.next_if(|m| m.0 <= now) {
                chain.step(0, Arrival::Mark(mark), &mut out);
            }
            if self.gone.is_some_and(|(a, b)| now >= a && now < b) {
                let waited = std::time::Duration::from_millis(100);
                chain.step(0, Arrival::Idle { waited }, &mut out);
            } else {
                chain.step(0, Arrival::Block(Block { samples: block }), &mut out);
            }
            for outcome in out {
                let Outcome::Alert { change, alert } = outcome else { continue };
                let shown = alert.feed == 0 && alert.evidence.severity > Severity::Note;
                match change {
                    AlertChange::Raised => {
                        if shown {
                            standing.push(alert.id);
                        }
                        told.push((
                            alert.id,
                            Told {
                                feed: alert.feed,
                                condition: alert.condition,
                                severity: alert.evidence.severity,
                                raised: alert.raised.seconds(),
                                cleared: None,
                                replaced: false,
                                comes_and_goes: alert.comes_and_goes,
                            },
                        ));
                    }
                    AlertChange::Changed => {
                        if let Some((_, t)) = told.iter_mut().find(|(id, _)| *id == alert.id) {
                            t.severity = t.severity.max(alert.evidence.severity);
                        }
                        if shown && !standing.contains(&alert.id) {
                            standing.push(alert.id);
                        }
                    }
                    AlertChange::Cleared => {
                        standing.retain(|id| *id != alert.id);
                        if let Some((_, t)) = told.iter_mut().find(|(id, _)| *id == alert.id) {
                            t.cleared = alert.cleared.map(|c| c.0.seconds());
                            t.replaced = matches!(alert.cleared, Some((_, Clearing::Replaced(_))));
                        }
                    }
                    AlertChange::Acknowledged => {}
                }
            }
            most_at_once = most_at_once.max(standing.len());
        }
        let habits = chain.feed(0).unwrap().habits.clone();
        Heard { habits, told: told.into_iter().map(|(_, t)| t).collect(), most_at_once }
    }
}

impl Heard {
    /// Warnings and advices of the stream, in order.
    pub fn shown(&self) -> Vec<&Told> {
        self.told.iter().filter(|t| t.feed == 0 && t.severity > Severity::Note).collect()
    }

    /// All that was told of `condition` on the stream.
    pub fn of(&self, condition: &str) -> Vec<&Told> {
        self.told.iter().filter(|t| t.feed == 0 && t.condition == condition).collect()
    }
}

/// A sine.
pub fn sine(hz: f64, t: f64) -> f64 {
    (TAU * hz * t).sin()
}
