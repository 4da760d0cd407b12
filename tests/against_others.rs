//! This meter beside three by other hands: libebur128 (C), ffmpeg's `ebur128` filter and pyloudnorm, and beside a
//! true peak found by FFT at 32 points a sample; on recordings from Debian packages and on random programmes.
//!
//! The whole table is printed (`--nocapture`). A tool that is missing is said, and skipped; with `CI` set it is a
//! failure, for there the set-up installs all.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::measure::reference::RATE_HZ;
use mixwarden::measure::selfcheck::{measure, range_directly};
use mixwarden::units::{SampleRate, db_of_amplitude};
use realfft::RealFftPlanner;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Seconds of a recording that are compared.
const RECORDING_SECONDS: usize = 20;
const RANDOM_PROGRAMMES: u64 = 200;

struct Programme {
    name: String,
    rate: SampleRate,
    channels: usize,
    samples: Vec<f32>,
}

/// Figures of one programme; NaN where a tool gives none.
#[derive(Debug, Clone)]
struct Figures {
    integrated: f64,
    range: f64,
    momentary: f64,
    short_term: f64,
    dbtp: f64,
}

struct Compared {
    name: String,
    ours: Figures,
    range_directly: f64,
    dbtp_by_fft: f64,
    libebur128: Option<Figures>,
    ffmpeg: Option<Figures>,
    pyloudnorm: Option<f64>,
}

#[test]
fn figures_agree_with_other_meters() {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let c_meter = build_c_meter(dir.path());
    let ffmpeg = Command::new("ffmpeg").arg("-version").output().is_ok();
    let python = python_with_pyloudnorm();
    let recordings = recordings();
    for (there, what) in [
        (c_meter.is_some(), "libebur128 (libebur128-dev and a C compiler)"),
        (ffmpeg, "ffmpeg"),
        (python.is_some(), "pyloudnorm (the set-up makes a virtual environment for it)"),
        (recordings.len() >= 20, "recordings (frozen-bubble-data, asterisk-core-sounds-en-g722, alsa-utils)"),
    ] {
        assert!(there || std::env::var_os("CI").is_none(), "missing: {what}; deploy/setup tests installs it");
        if !there {
            println!("left out, missing: {what}");
        }
    }
    let jobs: Vec<Box<dyn Fn() -> Programme + Send + Sync>> = recordings
        .into_iter()
        .map(|(path, seconds)| Box::new(move || recording(&path, seconds)) as _)
        .chain((0..RANDOM_PROGRAMMES).map(|seed| Box::new(move || random_programme(seed)) as _))
        .collect();
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from).min(4) {
            scope.spawn(|| {
                let mut planner = RealFftPlanner::new();
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(job) = jobs.get(index) else { break };
                    let programme = job();
                    let file = dir.path().join(format!("{index}.wav"));
                    write_wav(&file, &programme);
                    let compared = compare(&programme, &file, c_meter.as_deref(), ffmpeg, &mut planner);
                    let line = format!("{} {} {}", file.display(), programme.rate.hz(), programme.channels);
                    done.lock().expect("no test thread panicked").push((index, line, compared));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no test thread panicked");
    done.sort_by_key(|(index, _, _)| *index);
    if let Some(python) = python {
        let lines: Vec<&str> = done.iter().map(|(_, line, _)| line.as_str()).collect();
        for (i, lufs) in pyloudnorm(&python, &lines).into_iter().enumerate() {
            done[i].2.pyloudnorm = Some(lufs);
        }
    }
    let compared: Vec<Compared> = done.into_iter().map(|(_, _, c)| c).collect();
    table(&compared);
    judge(&compared);
}

/// How far the true peak is from the truth on tones of every frequency to 20 kHz, whose amplitude is known, and on
/// noise, against 32 points a sample by FFT.
#[test]
fn true_peak_errors_are_as_stated() {
    let mut planner = RealFftPlanner::new();
    for hz in [44_100u32, 48_000, 96_000, 192_000] {
        let rate = SampleRate::new(hz).expect("listed");
        let mut worst = (f64::INFINITY, f64::NEG_INFINITY, 0.0, 0.0);
        // Free tones, and tones locked to the rate, whose samples fall on the same few phases for ever.
        let free = (1..=200).map(|i| (100.0 * f64::from(i) - 0.37, 0.0));
        let parts = (3..=20u32).flat_map(|b| (1..=b / 2).map(move |a| f64::from(a) / f64::from(b)));
        let locked = parts.flat_map(|part| (0..6).map(move |phase| (f64::from(hz) * part, f64::from(phase) * 0.131)));
        for (tone, phase) in free.chain(locked).filter(|(tone, _)| *tone <= 20_000.0) {
            let step = std::f64::consts::TAU * tone / f64::from(hz);
            // Half a second, raised from and lowered to silence in 50 ms: a hard edge has a peak of its own.
            let frames = hz as usize / 2;
            let edge = frames / 10;
            let gain = |n: usize| {
                let at = n.min(frames - 1 - n).min(edge) as f64 / edge as f64;
                0.5 - 0.5 * (std::f64::consts::PI * at).cos()
            };
            let mut samples: Vec<f32> =
                (0..frames).map(|n| (gain(n) * (step * n as f64 + phase).sin()) as f32).collect();
            samples.extend(vec![0.0; rate.hop_frames() * 10]);
            let read = measure(rate, 1, &samples).last().expect("six ticks").max_true_peak[0];
            let off = db_of_amplitude(read);
            if off < worst.0 {
                (worst.0, worst.2) = (off, tone);
            }
            if off > worst.1 {
                (worst.1, worst.3) = (off, tone);
            }
            assert!((-0.02..=0.05).contains(&off), "{tone} Hz at {hz} Hz: {off:+.4} dB");
        }
        println!(
            "tones to 20 kHz at {hz} Hz: {:+.3} dB (at {:.0} Hz) to {:+.3} dB (at {:.0} Hz)",
            worst.0, worst.2, worst.1, worst.3
        );
    }
    for hz in [44_100u32, 48_000, 96_000] {
        for band_limited in [true, false] {
            let mut converter = Converter::new(f64::from(hz));
            let mut seed = 11u32;
            let samples = (0..hz as usize * 4)
                .map(|_| {
                    seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let x = f64::from(seed >> 8) / f64::from(1u32 << 23) - 1.0;
                    (if band_limited { converter.step(x) } else { x }) as f32
                })
                .collect();
            let rate = SampleRate::new(hz).expect("listed");
            let p = Programme { name: "noise".into(), rate, channels: 1, samples };
            let read = db_of_amplitude(measure(rate, 1, &p.samples).last().expect("ticks").max_true_peak[0]);
            let off = read - peak_by_fft(&p, usize::MAX, &mut planner);
            let what = if band_limited { "noise to 19 kHz" } else { "white noise to half the rate" };
            println!("{what} at {hz} Hz: {off:+.3} dB");
            // Above 20 kHz the filter falls: what only half the rate itself carries is not promised.
            assert!(off.abs() <= if band_limited { 0.05 } else { 1.5 }, "{what} at {hz} Hz: {off:+.3} dB");
        }
    }
}

/// Bounds hold for every programme. Minus infinity and "none" are one reading: nothing above the gate.
fn judge(compared: &[Compared]) {
    let worst = |what: &str, bound: f64, of: &dyn Fn(&Compared) -> Option<(f64, f64)>| {
        let each = compared.iter().filter_map(|c| Some((difference(of(c)?), &c.name)));
        let Some((worst, name)) = each.max_by(|a, b| a.0.total_cmp(&b.0)) else {
            println!("{what}: not compared");
            return;
        };
        println!(
            "worst {what}: {worst:.6} ({name}), {}",
            if bound.is_finite() { format!("allowed {bound}") } else { "shown".into() }
        );
        assert!(worst <= bound, "{what}: {worst} in {name}, allowed {bound}");
    };
    let c = |get: fn(&Figures) -> f64| move |c: &Compared| Some((get(&c.ours), get(c.libebur128.as_ref()?)));
    worst("integrated against libebur128, LU", 0.01, &c(|f| f.integrated));
    worst("max momentary against libebur128, LU", 0.01, &c(|f| f.momentary));
    worst("max short-term against libebur128, LU", 0.01, &c(|f| f.short_term));
    worst("range against Tech 3342 computed directly, LU", 0.01, &|c| Some((c.ours.range, c.range_directly)));
    worst("true peak against 32 points a sample by FFT, dB", 0.1, &|c| Some((c.ours.dbtp, c.dbtp_by_fft)));
    // Shown rather than promised: one short-term value a second, and a 4-point interpolator.
    worst("range against libebur128, LU (one value a second there)", f64::INFINITY, &c(|f| f.range));
    worst("true peak against libebur128, dB", f64::INFINITY, &c(|f| f.dbtp));
    // ffmpeg sorts blocks into a histogram, which moves those near the relative gate to its other side.
    let f = |get: fn(&Figures) -> f64| move |c: &Compared| Some((get(&c.ours), get(c.ffmpeg.as_ref()?)));
    worst("integrated against ffmpeg, LU", 0.5, &f(|f| f.integrated));
    // Its gate keeps blocks that BS.1770's leaves out at the very threshold, and its filters are designed anew.
    worst("integrated against pyloudnorm, LU", 0.3, &|c| Some((c.ours.integrated, c.pyloudnorm?)));
}

/// |a - b|; no difference where neither has a reading.
fn difference((a, b): (f64, f64)) -> f64 {
    // Silence reads none here, minus infinity there, and -70 in ffmpeg.
    let none = |x: f64| x.is_nan() || x <= -70.0;
    match (none(a), none(b)) {
        (true, true) => 0.0,
        (false, false) => (a - b).abs(),
        _ => f64::INFINITY,
    }
}

fn table(compared: &[Compared]) {
    println!(
        "{:<46} {:>8} {:>7} {:>8} {:>8} {:>7}   differences: I M S LRA TP of libebur128; LRA direct, TP by FFT; I of ffmpeg, pyloudnorm",
        "programme", "I", "LRA", "max M", "max S", "dBTP"
    );
    for c in compared {
        let o = &c.ours;
        print!(
            "{:<46} {:>8.2} {:>7.2} {:>8.2} {:>8.2} {:>7.2}  ",
            c.name, o.integrated, o.range, o.momentary, o.short_term, o.dbtp
        );
        let l = c.libebur128.as_ref();
        let of = |get: fn(&Figures) -> f64, other: Option<&Figures>| other.map(|f| (get(o), get(f)));
        let pairs = [
            of(|f| f.integrated, l),
            of(|f| f.momentary, l),
            of(|f| f.short_term, l),
            of(|f| f.range, l),
            of(|f| f.dbtp, l),
            Some((o.range, c.range_directly)),
            Some((o.dbtp, c.dbtp_by_fft)),
            of(|f| f.integrated, c.ffmpeg.as_ref()),
            c.pyloudnorm.map(|p| (o.integrated, p)),
        ];
        for pair in pairs {
            match pair {
                Some(pair) => print!(" {:>8.5}", difference(pair)),
                None => print!(" {:>8}", "-"),
            }
        }
        println!();
    }
}

fn compare(
    p: &Programme,
    file: &Path,
    c_meter: Option<&Path>,
    with_ffmpeg: bool,
    planner: &mut RealFftPlanner<f64>,
) -> Compared {
    let readings = measure(p.rate, p.channels, &p.samples);
    let last = readings.last().expect("programmes last longer than a tick");
    let peak = last.max_true_peak.iter().copied().fold(0.0, f64::max);
    let number = |x: Option<f64>| x.unwrap_or(f64::NAN);
    let short_term: Vec<f64> = readings.iter().filter_map(|r| r.short_term_lufs).collect();
    Compared {
        name: format!("{}, {} Hz, {}", p.name, p.rate.hz(), p.channels),
        ours: Figures {
            integrated: number(last.integrated_lufs),
            range: number(last.range_lu),
            momentary: number(last.max_momentary_lufs),
            short_term: number(last.max_short_term_lufs),
            dbtp: db_of_amplitude(peak),
        },
        range_directly: number(range_directly(&short_term)),
        dbtp_by_fft: peak_by_fft(p, 24, planner),
        libebur128: c_meter.map(|program| libebur128(program, p, file)),
        ffmpeg: with_ffmpeg.then(|| ffmpeg(file)),
        pyloudnorm: None,
    }
}

/// Largest |value| at 32 points a sample: blocks of 4,096 samples with tapered ends, made 32 times as long in the
/// frequency domain; the middle half of each is used. Of each channel `most_blocks`, those with the
/// largest samples.
fn peak_by_fft(p: &Programme, most_blocks: usize, planner: &mut RealFftPlanner<f64>) -> f64 {
    const BLOCK: usize = 4_096;
    const POINTS: usize = 32;
    let forward = planner.plan_fft_forward(BLOCK);
    let inverse = planner.plan_fft_inverse(BLOCK * POINTS);
    let mut wide = inverse.make_input_vec();
    let mut dense = inverse.make_output_vec();
    let mut largest = 0.0f64;
    for c in 0..p.channels {
        let mut line = vec![0.0; BLOCK];
        line.extend(p.samples.iter().skip(c).step_by(p.channels).map(|x| f64::from(*x)));
        line.extend([0.0; 2 * BLOCK]);
        let mut blocks: Vec<(f64, usize)> = (0..line.len() - BLOCK)
            .step_by(BLOCK / 2)
            .map(|at| (line[at + BLOCK / 4..at + 3 * BLOCK / 4].iter().fold(0.0f64, |m, x| m.max(x.abs())), at))
            .collect();
        blocks.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (sample_peak, at) in blocks.into_iter().take(most_blocks) {
            if sample_peak == 0.0 {
                break;
            }
            let mut block = line[at..at + BLOCK].to_vec();
            for i in 0..256 {
                let gain = 0.5 - 0.5 * (std::f64::consts::PI * i as f64 / 256.0).cos();
                block[i] *= gain;
                block[BLOCK - 1 - i] *= gain;
            }
            let mut spectrum = forward.make_output_vec();
            forward.process(&mut block, &mut spectrum).expect("lengths from the plan");
            wide.fill(Default::default());
            wide[..=BLOCK / 2].copy_from_slice(&spectrum);
            wide[BLOCK / 2] *= 0.5;
            inverse.process(&mut wide, &mut dense).expect("lengths from the plan");
            let middle = &dense[BLOCK * POINTS / 4..3 * BLOCK * POINTS / 4];
            largest = middle.iter().fold(largest, |m, x| m.max(x.abs() / BLOCK as f64));
        }
    }
    db_of_amplitude(largest)
}

fn build_c_meter(dir: &Path) -> Option<PathBuf> {
    let program = dir.join("meter");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/others/meter.c");
    let built =
        Command::new("cc").args(["-O2", "-o"]).arg(&program).arg(source).args(["-lebur128", "-lm"]).output().ok()?;
    built.status.success().then_some(program)
}

fn libebur128(program: &Path, p: &Programme, file: &Path) -> Figures {
    let out = Command::new(program).arg(file).args([p.rate.hz().to_string(), p.channels.to_string()]).output();
    let out = out.expect("it was just built");
    assert!(out.status.success(), "libebur128 on {}", p.name);
    let numbers: Vec<f64> =
        String::from_utf8_lossy(&out.stdout).split_whitespace().map(|n| n.parse().expect("a number")).collect();
    let [integrated, range, momentary, short_term, peak] = numbers[..] else { panic!("five numbers: {numbers:?}") };
    Figures { integrated, range, momentary, short_term, dbtp: db_of_amplitude(peak) }
}

/// The filter's figures at its last frame; its momentary and short-term loudness have no maxima there.
fn ffmpeg(file: &Path) -> Figures {
    let filter = "ebur128=peak=true:metadata=1:dualmono=true,ametadata=mode=print:file=-";
    let out = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-i"])
        .arg(file)
        .args(["-af", filter, "-f", "null", "-"])
        .output();
    let out = out.expect("it is installed");
    let text = String::from_utf8_lossy(&out.stdout);
    let last = |key: &str| {
        let lines = text.lines().rev();
        lines.filter_map(|l| l.strip_prefix(key)?.strip_prefix('=')?.parse().ok()).next().unwrap_or(f64::NAN)
    };
    Figures {
        integrated: last("lavfi.r128.I"),
        range: last("lavfi.r128.LRA"),
        momentary: f64::NAN,
        short_term: f64::NAN,
        dbtp: db_of_amplitude(last("lavfi.r128.true_peak")), // a plain amplitude there
    }
}

fn python_with_pyloudnorm() -> Option<PathBuf> {
    let cache = std::env::var_os("XDG_CACHE_HOME").map(PathBuf::from);
    let cache = cache.or_else(|| Some(PathBuf::from(std::env::var_os("HOME")?).join(".cache")))?;
    let python = cache.join("mixwarden-tests/pyloudnorm/bin/python");
    let works = Command::new(&python).args(["-c", "import pyloudnorm"]).output().ok()?.status.success();
    works.then_some(python)
}

fn pyloudnorm(python: &Path, lines: &[&str]) -> Vec<f64> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/others/meter.py");
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("it ran a moment ago");
    let mut stdin = child.stdin.take().expect("piped");
    let text = lines.join("\n");
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let out = child.wait_with_output().expect("its output");
    writer.join().expect("no panic").expect("it reads all lines");
    let numbers: Vec<f64> =
        String::from_utf8_lossy(&out.stdout).lines().map(|l| l.trim().parse().expect("a number")).collect();
    assert_eq!(numbers.len(), lines.len(), "pyloudnorm stopped early");
    numbers
}

/// Recordings that Debian packages bring, and how many seconds of each are taken.
fn recordings() -> Vec<(PathBuf, usize)> {
    let files = |dir: &str, extension: &str| -> Vec<PathBuf> {
        let entries = std::fs::read_dir(dir).into_iter().flatten().flatten().map(|e| e.path());
        let mut files: Vec<PathBuf> = entries.filter(|p| p.extension().is_some_and(|e| e == extension)).collect();
        files.sort();
        files
    };
    let mut all = files("/usr/share/games/frozen-bubble/snd", "ogg");
    all.extend(files("/usr/share/sounds/alsa", "wav"));
    let mut speech = files("/usr/share/asterisk/sounds/en_US_f_Allison", "g722");
    speech.sort_by_key(|p| std::cmp::Reverse(std::fs::metadata(p).map_or(0, |m| m.len())));
    all.extend(speech.into_iter().take(12));
    all.into_iter().map(|p| (p, RECORDING_SECONDS)).collect()
}

/// A recording at a rate that is measured at, 3 s of silence around it, in whole ticks.
fn recording(path: &Path, seconds: usize) -> Programme {
    let probe = Command::new("ffprobe")
        .args(["-v", "error", "-show_entries", "stream=sample_rate,channels", "-of", "csv=p=0"])
        .arg(path)
        .output()
        .expect("ffprobe comes with ffmpeg");
    let text = String::from_utf8_lossy(&probe.stdout);
    let numbers: Vec<usize> = text.trim().split(',').filter_map(|n| n.parse().ok()).collect();
    let channels = *numbers.get(1).unwrap_or(&1);
    // Telephone speech at 16 kHz is taken to 48 kHz; the rest stays as it is.
    let rate = SampleRate::new(numbers[0] as u32).unwrap_or(SampleRate::HZ_48000);
    let out = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-t", &seconds.to_string(), "-i"])
        .arg(path)
        .args(["-ar", &rate.hz().to_string(), "-f", "f32le", "-"])
        .output()
        .expect("it is installed");
    let pause = vec![0.0; 3 * rate.hz() as usize * channels];
    let mut samples = pause.clone();
    samples.extend(out.stdout.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])));
    samples.extend(pause);
    let tick = rate.hop_frames() * 10 * channels;
    samples.truncate(samples.len() / tick * tick);
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    Programme { name, rate, channels, samples }
}

/// Levels, gaps, rates and channels by chance; the same for a seed everywhere.
fn random_programme(seed: u64) -> Programme {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    for _ in 0..20 {
        random();
    }
    let rates = [RATE_HZ, 44_100, RATE_HZ, 44_100, 88_200, 96_000, RATE_HZ, 44_100, 176_400, 192_000];
    let hz = rates[seed as usize % rates.len()];
    let channels = [2, 1, 2, 5, 2, 6, 2][seed as usize % 7];
    let rate = SampleRate::new(hz).expect("a rate of the list");
    let hop = rate.hop_frames();
    let mut samples = Vec::new();
    let ticks = 35 + (random() * 40.0) as usize;
    let mut low = vec![0.0; channels];
    let mut converters = vec![Converter::new(f64::from(hz)); channels];
    while samples.len() < ticks * 10 * hop * channels {
        let frames = ((0.05 + 1.5 * random() * random()) * f64::from(hz)) as usize;
        let amplitude = 10f64.powf((-50.0 + 50.0 * random().sqrt()) / 20.0);
        let kind = (random() * 6.0) as u32;
        let tone = 40.0 * 400f64.powf(random());
        let gains: Vec<f64> = (0..channels).map(|_| if random() < 0.15 { 0.0 } else { random() }).collect();
        for n in 0..frames {
            let sine = (std::f64::consts::TAU * tone * n as f64 / f64::from(hz)).sin();
            for c in 0..channels {
                let noise = 2.0 * random() - 1.0;
                low[c] += 0.05 * (noise - low[c]);
                let x = match kind {
                    0 => 0.0,
                    1 => sine,
                    2 => noise,
                    3 => (4.0 * sine).clamp(-1.0, 1.0),
                    4 => 3.0 * low[c],
                    _ => 0.5 * sine + low[c] + 0.1 * noise,
                };
                samples.push(converters[c].step(amplitude * gains[c] * x) as f32);
            }
        }
    }
    // Whole ticks, and a tenth of a second of silence behind.
    samples.truncate(ticks * 10 * hop * channels);
    samples.extend(vec![0.0; 10 * hop * channels]);
    Programme { name: format!("random {seed}"), rate, channels, samples }
}

/// Eighth-order Butterworth low-pass at 19 kHz: what comes out of any converter has little above 20 kHz, and the
/// tolerance of true peak is stated for that band (EBU R 128).
#[derive(Clone)]
struct Converter {
    sections: [[f64; 5]; 4],
    memory: [[f64; 2]; 4],
}

impl Converter {
    fn new(hz: f64) -> Self {
        let k = (std::f64::consts::PI * 19_000.0 / hz).tan();
        let section = |i: usize| {
            let q = 1.0 / (2.0 * (std::f64::consts::PI * (2 * i + 1) as f64 / 16.0).sin());
            let a0 = 1.0 + k / q + k * k;
            let b = k * k / a0;
            [b, 2.0 * b, b, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0]
        };
        Self { sections: std::array::from_fn(section), memory: [[0.0; 2]; 4] }
    }

    fn step(&mut self, x: f64) -> f64 {
        self.sections.iter().zip(&mut self.memory).fold(x, |x, ([b0, b1, b2, a1, a2], m)| {
            let y = b0 * x + m[0];
            *m = [b1 * x - a1 * y + m[1], b2 * x - a2 * y];
            y
        })
    }
}

/// 32-bit float WAV with a channel mask; the samples begin at byte 68.
fn write_wav(path: &Path, p: &Programme) {
    let (channels, hz) = (p.channels as u32, p.rate.hz());
    let mask: u32 = match p.channels {
        1 => 0x4,
        2 => 0x3,
        5 => 0x607,
        _ => 0x60f,
    };
    let data = p.samples.len() as u32 * 4;
    let mut out = Vec::with_capacity(68 + p.samples.len() * 4);
    out.extend(b"RIFF");
    out.extend((60 + data).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(40u32.to_le_bytes());
    out.extend(0xfffeu16.to_le_bytes());
    out.extend((channels as u16).to_le_bytes());
    out.extend(hz.to_le_bytes());
    out.extend((hz * channels * 4).to_le_bytes());
    out.extend((channels as u16 * 4).to_le_bytes());
    out.extend([32, 0, 22, 0, 32, 0]);
    out.extend(mask.to_le_bytes());
    out.extend([3, 0, 0, 0, 0, 0, 16, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    out.extend(b"data");
    out.extend(data.to_le_bytes());
    out.extend(p.samples.iter().flat_map(|x| x.to_le_bytes()));
    std::fs::write(path, out).expect("the temporary directory takes it");
}
