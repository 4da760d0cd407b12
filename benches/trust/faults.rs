//! The faults that are put into services, what names them, and the time in which they must be told.

use super::rng::Rng;
use super::service::{Gates, HZ, Sort};

/// One way to go wrong.
pub struct Fault {
    pub name: &'static str,
    /// Conditions that name it, with a house feed too.
    pub named: &'static [&'static str],
    /// Seconds in which it must be told; with a house feed.
    pub within: (f64, f64),
    /// Hard faults must be found 97 times in 100, softer ones 90.
    pub hard: bool,
    pub how: How,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum How {
    Gone,
    Zeros,
    Muted,
    Level(f64),
    Clip,
    Upstream { over_db: f64, high_pass_hz: f64 },
    Dead,
    Gaps,
    NoisyGaps,
    Repeats,
    Impulses,
    Slips,
    Turned,
    Tilted,
    Tone,
    Hum { hz: f64, harmonics: usize },
    PinkNoise,
    Howl { db_a_second: f64 },
}

const fn fault(name: &'static str, named: &'static [&'static str], within: (f64, f64), hard: bool, how: How) -> Fault {
    Fault { name, named, within, hard, how }
}

const SILENCE: &[&str] = &["digital_silence", "silent_while_house_plays"];
const MUTED: &[&str] = &["bus_muted", "silent_while_house_plays"];

pub static FAULTS: &[Fault] = &[
    fault("no data", &["no_data"], (3.0, 3.0), true, How::Gone),
    fault("digital silence", SILENCE, (3.0, 4.5), true, How::Zeros),
    fault("muted bus (line noise)", MUTED, (15.0, 4.5), true, How::Muted),
    fault("mix 16 dB under the target", &["far_too_quiet", "too_quiet"], (70.0, 70.0), true, How::Level(-16.0)),
    fault("mix 10 dB under the target", &["too_quiet", "far_too_quiet"], (90.0, 90.0), false, How::Level(-10.0)),
    fault("clipping (12 dB into the converter)", &["clipping"], (15.0, 15.0), true, How::Clip),
    fault(
        "preamp 6 dB over, then 20 Hz high-pass",
        &["clipping_upstream"],
        (60.0, 60.0),
        false,
        How::Upstream { over_db: 6.0, high_pass_hz: 20.0 },
    ),
    fault(
        "preamp 10 dB over, then 80 Hz high-pass",
        &["clipping_upstream"],
        (60.0, 60.0),
        false,
        How::Upstream { over_db: 10.0, high_pass_hz: 80.0 },
    ),
    fault("one side gone", &["channel_dead"], (10.0, 10.0), true, How::Dead),
    fault("gaps (zeros, 1 to 200 ms)", &["gaps"], (30.0, 30.0), true, How::Gaps),
    fault("gaps (noise, 5 to 40 ms)", &["gaps"], (30.0, 30.0), true, How::NoisyGaps),
    fault("repeated buffers", &["repeats"], (30.0, 30.0), true, How::Repeats),
    fault("clicks (impulses)", &["clicks"], (60.0, 60.0), false, How::Impulses),
    fault("clicks (slips of a clock)", &["clicks", "gaps"], (60.0, 60.0), false, How::Slips),
    fault("polarity of one side", &["polarity", "mono_loss"], (20.0, 20.0), true, How::Turned),
    fault("one side 10 dB lower", &["imbalance"], (60.0, 60.0), false, How::Tilted),
    fault("line-up tone", &["tone_left_on"], (12.0, 12.0), true, How::Tone),
    fault("hum, 50 Hz with harmonics", &["hum"], (110.0, 110.0), false, How::Hum { hz: 50.0, harmonics: 10 }),
    fault("hum, 60 Hz with harmonics", &["hum"], (110.0, 110.0), false, How::Hum { hz: 60.0, harmonics: 10 }),
    fault("steady noise", &["steady_noise"], (30.0, 30.0), false, How::PinkNoise),
    fault("howl, 20 dB a second", &["howl"], (7.0, 7.0), true, How::Howl { db_a_second: 20.0 }),
];

impl Fault {
    /// Seconds allowed on this sort of service; `None`: not counted there (a pause and a fault are the same signal).
    pub fn limit(&self, sort: &Sort) -> Option<f64> {
        if sort.house {
            return Some(self.within.1);
        }
        match (self.how, sort.gates) {
            (How::Muted, Gates::ToLine | Gates::ToZero) | (How::Zeros, Gates::ToZero) => None,
            _ => Some(self.within.0),
        }
    }

    /// The fault in the stream from frame `from` to `to`.
    pub fn put(&self, stream: &mut Vec<[f32; 2]>, from: usize, to: usize, rng: &mut Rng) {
        let to = to.min(stream.len());
        let part = &mut stream[from..to];
        let gain = |db: f64| 10f64.powf(db / 20.0) as f32;
        let seconds = |i: usize| i as f64 / HZ as f64;
        let mut noise = rng.clone();
        let sine = |hz: f64, i: usize| (std::f64::consts::TAU * hz * seconds(i)).sin() as f32;
        match self.how {
            How::Gone => {}
            How::Zeros => part.fill([0.0; 2]),
            How::Muted => part.iter_mut().for_each(|f| *f = [0, 1].map(|_| 4.35e-5 * noise.white())),
            How::Level(db) => {
                let to_target = TARGET_LUFS - integrated_lufs(part).unwrap_or(TARGET_LUFS);
                part.iter_mut().for_each(|f| *f = f.map(|x| gain(to_target + db) * x));
            }
            How::Clip => part.iter_mut().for_each(|f| *f = f.map(|x| (gain(12.0) * x).clamp(-1.0, 1.0))),
            How::Upstream { over_db, high_pass_hz } => upstream(part, over_db, high_pass_hz),
            How::Dead => part.iter_mut().for_each(|f| f[1] = 1e-5 * noise.white()),
            How::Gaps | How::NoisyGaps => {
                let zeros = self.how == How::Gaps;
                let lengths: &[f64] = if zeros { &[0.001, 0.005, 0.05, 0.2] } else { &[0.005, 0.01, 0.02, 0.04] };
                let length = *rng.pick(lengths);
                let mut t = 0.5;
                while t < seconds(part.len()) - 1.0 {
                    let at = loud(part, t);
                    for f in &mut part[at..at + (length * HZ as f64) as usize] {
                        *f = if zeros { [0.0; 2] } else { [0, 1].map(|_| 1e-4 * noise.white()) };
                    }
                    t += rng.between(2.0, 6.0);
                }
            }
            How::Repeats => {
                let frames = *rng.pick(&[64usize, 128, 256, 512, 1_024]);
                let mut t = 0.5;
                while t < seconds(part.len()) - 1.0 {
                    let at = loud(part, t).max(frames);
                    part.copy_within(at - frames..at, at);
                    t += rng.between(3.0, 8.0);
                }
            }
            How::Impulses => {
                let mut t = 0.5;
                while t < seconds(part.len()) - 1.0 {
                    let at = (t * HZ as f64) as usize;
                    let height = rng.between(0.15, 0.5) as f32;
                    part[at] = part[at].map(|x| x + height);
                    part[at + 1] = part[at + 1].map(|x| x - 0.4 * height);
                    t += rng.between(2.0, 8.0);
                }
            }
            How::Slips => {
                let frames = *rng.pick(&[16usize, 32, 64, 128]);
                let mut t = 0.5;
                while t < seconds(to - from) - 1.0 {
                    let at = from + loud(&stream[from..to], t);
                    stream.drain(at..at + frames);
                    stream.extend(std::iter::repeat_n([0.0; 2], frames));
                    t += rng.between(1.5, 4.0);
                }
            }
            How::Turned => part.iter_mut().for_each(|f| f[1] = -f[1]),
            How::Tilted => part.iter_mut().for_each(|f| f[1] *= gain(-10.0)),
            How::Tone => part.iter_mut().enumerate().for_each(|(i, f)| *f = [0.125 * sine(1_000.0, i); 2]),
            How::Hum { hz, harmonics } => {
                for (i, f) in part.iter_mut().enumerate() {
                    let hum: f32 = (1..=harmonics).map(|k| sine(hz * k as f64, i) / k as f32).sum();
                    *f = f.map(|x| x + gain(-49.0) * hum);
                }
            }
            How::PinkNoise => {
                let mut rows = [[0.0f32; 2]; 6];
                for f in part {
                    for (k, row) in rows.iter_mut().enumerate() {
                        let share = 0.5f32.powi(2 * (6 - k as i32) - 4).min(1.0);
                        row.iter_mut().for_each(|x| *x += share * (noise.white() - *x));
                    }
                    for c in 0..2 {
                        f[c] = 0.08 * rows.iter().map(|r| r[c]).sum::<f32>();
                    }
                }
            }
            How::Howl { db_a_second } => {
                let hz = rng.between(300.0, 3_500.0);
                for (i, f) in part.iter_mut().enumerate() {
                    let level = gain((-60.0 + db_a_second * seconds(i)).min(-6.0));
                    *f = f.map(|x| (x + level * sine(hz, i)).clamp(-0.98, 0.98));
                }
            }
        }
    }
}

/// The default target of the settings.
const TARGET_LUFS: f64 = -18.0;

/// By the `ebur128` crate; `None` where there is nothing above its gate.
fn integrated_lufs(part: &[[f32; 2]]) -> Option<f64> {
    let mut meter = ebur128::EbuR128::new(2, HZ as u32, ebur128::Mode::I).ok()?;
    meter.add_frames_f32(part.as_flattened()).ok()?;
    meter.loudness_global().ok().filter(|l| l.is_finite())
}

/// The loudest 10 ms in the half second after `t`, frames.
fn loud(part: &[[f32; 2]], t: f64) -> usize {
    let begin = (t * HZ as f64) as usize;
    let power = |i: usize| part[begin + i * 480..begin + (i + 1) * 480].iter().map(|f| f[0] * f[0]).sum::<f32>();
    let best = (0..48).max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap_or(0);
    begin + best * 480 + 200
}

/// Cut off `over_db` under the loud peaks, then the desk's high-pass (second order), a slow limiter, level.
fn upstream(part: &mut [[f32; 2]], over_db: f64, high_pass_hz: f64) {
    let mut peaks: Vec<f32> =
        part.chunks(4_800).map(|c| c.iter().flatten().fold(0.0f32, |t, x| t.max(x.abs()))).collect();
    peaks.sort_by(f32::total_cmp);
    let peak = peaks[peaks.len() * 9 / 10];
    let top = peak * 10f64.powf(-over_db / 20.0) as f32;
    let k = (-std::f64::consts::TAU * high_pass_hz / HZ as f64).exp() as f32;
    let mut stages = [[[0.0f32; 2]; 2]; 2];
    let mut gain = 1.0f32;
    for f in part {
        for c in 0..2 {
            let mut x = f[c].clamp(-top, top);
            for stage in &mut stages {
                let y = k * (stage[c][1] + x - stage[c][0]);
                stage[c] = [x, y];
                x = y;
            }
            f[c] = x * 1.6;
        }
        // 30 ms down, half a second up.
        let over = f[0].abs().max(f[1].abs()) * gain / (0.8 * peak);
        gain = if over > 1.0 { gain * 0.9993 } else { (gain * 1.00004).min(1.0) };
        *f = f.map(|x| gain * x);
    }
}
