//! Whether the warnings can be trusted: false warnings on clean services of many kinds, and faults found in time,
//! from one run of one binary with the settings' defaults. Seeds and sounds are split: `tuned` (thresholds may be
//! tried on it) and `unseen`. Everything is made once and kept in a cache outside the repository.
//!
//! Voices: `espeak-ng`, `flite`; instruments: `fluidsynth`, `fluid-soundfont-gm`; recordings: `singularity-music`,
//! `fillets-ng-data`, `fillets-ng-data-cs`, `fillets-ng-data-nl`, `wesnoth-1.16-music`, `frozen-bubble-data`,
//! `asterisk-moh-opsound-g722`, `asterisk-core-sounds-{en,es,fr,it,ru}-g722`: what is not installed is left out.
//!
//! `cargo bench --bench trust -- [tuned|unseen] [clean hours] [insertions a fault] [part of a fault's name]`; default:
//! tuned 2 20, all faults.
//! `... -- clips [tuned|unseen]`: each clip alone. `... -- cost`: what the conditions cost beside the meter.
//! `... -- case [tuned|unseen] FAULT INSERTION`: all that one insertion tells; its audio goes to the cache.
//! `... -- service [tuned|unseen] NUMBER`: the same for a clean service.
#![allow(clippy::unwrap_used)] // a bench may fall where it stands

mod cost;
mod faults;
mod midi;
mod pool;
mod rng;
mod service;
#[allow(dead_code)]
#[path = "../../tests/scenes/stage.rs"]
mod stage;

use faults::{FAULTS, How};
use mixwarden::judge::{Habits, Severity};
use pool::{Clip, Half, Kind};
use rng::Rng;
use service::{HZ, SORTS, Service};
use sha2::{Digest, Sha256};
use stage::{Audio, Heard, Listening, Told};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Minutes of a clean service.
const SERVICE_SECONDS: f64 = 1_200.0;
/// Sound before a fault, seconds.
const BEFORE_SECONDS: f64 = 75.0;
/// Talk behind a preamp's fault, at least, seconds.
const TALK_SECONDS: f64 = 20.0;
/// Jobs at a time.
const WORKERS: usize = 2;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    let word = |i: usize| args.get(i).map(String::as_str);
    if word(0) == Some("cost") {
        return cost::print();
    }
    let cache = cache();
    let clips = pool::fill(&cache);
    let clips_mode = word(0) == Some("clips");
    let one = matches!(word(0), Some("case" | "service"));
    let half = if word(usize::from(clips_mode || one)) == Some("unseen") { Half::Unseen } else { Half::Tuned };
    let number = |i| word(i).and_then(|w| w.parse().ok()).unwrap_or(0);
    match word(0) {
        Some("case") => return one_case(&clips, half, number(2), number(3), &cache),
        Some("service") => return one_service(&clips, half, number(2), &cache),
        _ => sources(&clips, half),
    }
    if clips_mode {
        return each_clip(&clips, half);
    }
    let hours: f64 = word(1).and_then(|w| w.parse().ok()).unwrap_or(2.0);
    let insertions: usize = word(2).and_then(|w| w.parse().ok()).unwrap_or(20);
    let program = std::env::current_exe().and_then(std::fs::read).unwrap();
    let hash: String = Sha256::digest(&program).iter().take(8).map(|b| format!("{b:02x}")).collect();
    println!("{half:?} half; this binary: sha256 {hash}...; settings: the defaults\n");
    let learned = clean(&clips, half, hours, &cache);
    println!();
    insert(&clips, half, insertions, word(3).unwrap_or(""), &learned);
}

fn cache() -> PathBuf {
    let base = std::env::var_os("XDG_CACHE_HOME").map(PathBuf::from);
    let base = base.or_else(|| std::env::var_os("HOME").map(|h| PathBuf::from(h).join(".cache")));
    base.unwrap_or_else(std::env::temp_dir).join("mixwarden-trust")
}

fn sources(clips: &[Clip], half: Half) {
    let mut minutes: BTreeMap<&str, (usize, f64)> = BTreeMap::new();
    for c in clips.iter().filter(|c| c.half == half) {
        let m = minutes.entry(c.from).or_default();
        *m = (m.0 + 1, m.1 + c.seconds() / 60.0);
    }
    println!("sounds of this half:");
    for (from, (n, m)) in minutes {
        println!("  {from:<50} {n:>4} clips {m:>7.1} min");
    }
    let real = clips.iter().filter(|c| c.half == half && matches!(c.kind, Kind::RealSpeech | Kind::RealMusic));
    println!("  distinct real recordings: {:.2} h", real.map(Clip::seconds).sum::<f64>() / 3_600.0);
}

/// Runs jobs 0..n on the workers; results in order.
fn jobs<T: Send>(n: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..WORKERS {
            scope.spawn(|| {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    if i >= n {
                        break;
                    }
                    let result = work(i);
                    done.lock().unwrap().push((i, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|d| d.0);
    done.into_iter().map(|d| d.1).collect()
}

fn audio(stream: &[[f32; 2]], house: Option<&[[f32; 2]]>) -> Audio {
    match house {
        Some(h) => Audio {
            hz: HZ as u32,
            channels: 4,
            samples: stream.iter().zip(h).flat_map(|(s, h)| [s[0], s[1], h[0], h[1]]).collect(),
        },
        None => Audio { hz: HZ as u32, channels: 2, samples: stream.as_flattened().to_vec() },
    }
}

fn each_clip(clips: &[Clip], half: Half) {
    let mine: Vec<&Clip> = clips.iter().filter(|c| c.half == half).collect();
    let heard = jobs(mine.len(), |i| Listening::to(&audio(&mine[i].read(), None)).hear());
    for (clip, heard) in mine.iter().zip(heard) {
        for t in heard.shown() {
            let end = t.cleared.map_or("end".into(), |c| format!("{c:.1}"));
            println!("{}: {} {} {:.1} to {end}", clip.name, t.condition, t.severity.name(), t.raised);
        }
    }
}

/// 95 % interval of a Poisson mean after `n` events (exact; by bisection).
fn poisson(n: usize) -> (f64, f64) {
    let below = |mean: f64, n: usize| {
        let (mut term, mut sum) = ((-mean).exp(), 0.0);
        for k in 0..=n {
            sum += term;
            term *= mean / (k + 1) as f64;
        }
        sum
    };
    let solve = |target: f64, n: usize| {
        let (mut low, mut high) = (0.0, 10.0 * n as f64 + 20.0);
        for _ in 0..100 {
            let mid = 0.5 * (low + high);
            if below(mid, n) > target { low = mid } else { high = mid }
        }
        low
    };
    let low = if n == 0 { 0.0 } else { solve(0.975, n - 1) };
    (low, solve(0.025, n))
}

/// A service's number, what was told, seconds of real recordings in it, its acts.
type Listened = (usize, Heard, f64, Vec<(f64, String)>);
/// What a venue of each sort has taught.
type Learned = Vec<Habits>;

fn clean(clips: &[Clip], half: Half, hours: f64, cache: &Path) -> Learned {
    let n = (hours * 3_600.0 / SERVICE_SECONDS).ceil() as usize;
    let worst = cache.join("worst");
    std::fs::create_dir_all(&worst).unwrap();
    let results: Vec<Listened> = jobs(n, |i| {
        let Service { sort, stream, house, acts, real_seconds } = clean_service(clips, half, i);
        let heard = Listening::to(&audio(&stream, house.as_deref())).hear();
        for t in heard.shown().iter().filter(|t| t.severity == Severity::Warning) {
            keep(
                &worst.join(format!("{half:?}-{}-{i}-{}-{:.0}.wav", sort.name, t.condition, t.raised)),
                &stream,
                t.raised,
            );
        }
        (i, heard, real_seconds, acts)
    });
    println!(
        "clean services, {:.1} h of {} min each: told for nothing",
        n as f64 * SERVICE_SECONDS / 3_600.0,
        SERVICE_SECONDS / 60.0
    );
    println!(
        "{:<22} {:>6} {:>9} {:>8} {:>6}  per 20 h of warnings (95 %)",
        "kind", "hours", "warnings", "advice", "notes"
    );
    let mut total = (0.0, 0, 0, 0, 0.0);
    let mut by_condition: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    let mut details = Vec::new();
    let mut longest = (0, 0);
    for sort in SORTS {
        let mine: Vec<_> = results.iter().filter(|r| std::ptr::eq(&SORTS[r.0 % SORTS.len()], sort)).collect();
        let count = |s: Severity| {
            mine.iter().map(|r| r.1.told.iter().filter(|t| t.feed == 0 && t.severity == s).count()).sum::<usize>()
        };
        let (w, a, notes) = (count(Severity::Warning), count(Severity::Advice), count(Severity::Note));
        let hours = mine.len() as f64 * SERVICE_SECONDS / 3_600.0;
        let (low, high) = poisson(w);
        println!(
            "{:<22} {hours:>6.1} {w:>9} {a:>8} {notes:>6}  {:.1} ({:.1} to {:.1})",
            sort.name,
            20.0 * w as f64 / hours,
            20.0 * low / hours,
            20.0 * high / hours
        );
        let real: f64 = mine.iter().map(|r| r.2).sum();
        total = (total.0 + hours, total.1 + w, total.2 + a, total.3 + notes, total.4 + real / 3_600.0);
        for r in &mine {
            longest = longest.max((r.1.shown().len(), r.0));
            for t in r.1.told.iter().filter(|t| t.feed == 0) {
                *by_condition.entry((t.severity.name(), t.condition)).or_default() += 1;
            }
            for t in r.1.shown() {
                let act = r.3.iter().rev().find(|a| a.0 <= t.raised).map_or("", |a| a.1.as_str());
                details.push(format!(
                    "  {} {}: {} {} at {:.1} s, in {act}",
                    sort.name,
                    r.0,
                    t.severity.name(),
                    t.condition,
                    t.raised
                ));
            }
        }
    }
    let (hours, w, a, notes, real) = total;
    let (low, high) = poisson(w);
    println!(
        "{:<22} {hours:>6.1} {w:>9} {a:>8} {notes:>6}  {:.2} ({:.2} to {:.2}); advice per 2 h: {:.2}",
        "all",
        20.0 * w as f64 / hours,
        20.0 * low / hours,
        20.0 * high / hours,
        2.0 * a as f64 / hours
    );
    println!("of it real recordings (with repeats between services): {real:.1} h");
    println!(
        "alarm load (warnings and advice): {:.2} an hour, most in one service {} (ISA-18.2, from memory: about 6 an hour acceptable, 12 manageable)",
        (w + a) as f64 / hours,
        longest.0
    );
    for ((severity, condition), n) in &by_condition {
        println!("  {severity:<8} {condition:<26} {n}");
    }
    details.iter().take(80).for_each(|d| println!("{d}"));
    let mut learned: Learned = vec![Habits::default(); SORTS.len()];
    for (i, heard, ..) in results {
        learned[i % SORTS.len()] = heard.habits;
    }
    learned
}

fn clean_service(clips: &[Clip], half: Half, i: usize) -> Service {
    service::make(&SORTS[i % SORTS.len()], half, 10_000 + i as u64, SERVICE_SECONDS, clips)
}

fn one_service(clips: &[Clip], half: Half, i: usize, cache: &Path) {
    let service = clean_service(clips, half, i);
    service.acts.iter().for_each(|a| println!("  {:7.1} {}", a.0, a.1));
    let audio = audio(&service.stream, service.house.as_deref());
    for t in Listening::to(&audio).hear().told {
        println!("  {:7.1} {} {} (feed {})", t.raised, t.severity.name(), t.condition, t.feed);
    }
    let path = cache.join(format!("service-{i}.wav"));
    write(&path, &service.stream);
    println!("{}", path.display());
}

/// 20 s around a false warning, 16-bit WAV.
fn keep(path: &Path, stream: &[[f32; 2]], at: f64) {
    let from = (((at - 15.0).max(0.0)) * HZ as f64) as usize;
    let to = (((at + 5.0) * HZ as f64) as usize).min(stream.len());
    write(path, &stream[from..to]);
}

/// 16-bit WAV.
fn write(path: &Path, stream: &[[f32; 2]]) {
    let data: Vec<u8> = stream.as_flattened().iter().flat_map(|x| ((x * 32_767.0) as i16).to_le_bytes()).collect();
    let mut wav = b"RIFF".to_vec();
    wav.extend((36 + data.len() as u32).to_le_bytes());
    wav.extend(b"WAVEfmt \x10\0\0\0\x01\0\x02\0");
    wav.extend((HZ as u32).to_le_bytes());
    wav.extend((4 * HZ as u32).to_le_bytes());
    wav.extend(b"\x04\0\x10\0data");
    wav.extend((data.len() as u32).to_le_bytes());
    wav.extend(data);
    let _ = std::fs::write(path, wav);
}

/// A fault put in: whether it counts, when it was told, whether the first thing told named it, how many warnings and
/// advices were told, and how many of them were warnings.
struct Put {
    fault: usize,
    number: usize,
    counts: bool,
    limit: f64,
    delay: Option<f64>,
    first: Option<&'static str>,
    told: usize,
    warnings: usize,
    sort: &'static str,
}

fn one_case(clips: &[Clip], half: Half, fault: usize, i: usize, cache: &Path) {
    let fault = fault.min(FAULTS.len() - 1);
    let whole = insertion(clips, half, i);
    whole.acts.iter().for_each(|a| println!("  {:7.1} {}", a.0, a.1));
    let set = set_in(&whole, fault, i);
    println!("{} from {:.2} s in {}", FAULTS[fault].name, set.begin, whole.sort.name);
    for t in &heard(&set, &Habits::default()).told {
        println!("  {:7.1} {} {} (feed {})", t.raised, t.severity.name(), t.condition, t.feed);
    }
    let path = cache.join(format!("case-{fault}-{i}.wav"));
    write(&path, &set.stream);
    println!("{}", path.display());
}

fn insertion(clips: &[Clip], half: Half, i: usize) -> Service {
    let sort = &SORTS[i % SORTS.len()];
    let longest = FAULTS.iter().filter_map(|f| f.limit(sort)).fold(0.0, f64::max);
    service::make(sort, half, 50_000 + i as u64, BEFORE_SECONDS + longest + 80.0, clips)
}

/// Only faults whose name has `part` in it.
fn insert(clips: &[Clip], half: Half, insertions: usize, part: &str, learned: &[Habits]) {
    let faults: Vec<usize> = (0..FAULTS.len()).filter(|f| FAULTS[*f].name.contains(part)).collect();
    let results: Vec<Vec<Put>> = jobs(insertions, |i| {
        let (whole, habits) = (insertion(clips, half, i), &learned[i % SORTS.len()]);
        let alone =
            Set { stream: whole.stream.clone(), house: whole.house.as_deref(), gone: None, begin: 0.0, counts: false };
        let anyway: Vec<&str> = heard(&alone, habits).shown().iter().map(|t| t.condition).collect();
        faults.iter().map(|f| one(&whole, *f, i, habits, &anyway)).collect()
    });
    let all: Vec<&Put> = results.iter().flatten().collect();
    println!("faults put in, {insertions} of each over all kinds of service: told in time");
    println!(
        "{:<40} {:>5} {:>9} {:>7} {:>7} {:>7} {:>7} {:>6} {:>8}",
        "fault", "in", "found", "%", "p50 s", "p95 s", "named", "told", "warnings"
    );
    for (f, fault) in FAULTS.iter().enumerate() {
        let mine: Vec<_> = all.iter().filter(|p| p.fault == f && p.counts).collect();
        if mine.is_empty() {
            continue;
        }
        let found = mine.iter().filter(|p| p.delay.is_some_and(|d| d <= p.limit)).count();
        let mut delays: Vec<f64> = mine.iter().filter_map(|p| p.delay).collect();
        delays.sort_by(f64::total_cmp);
        let at = |q: f64| {
            delays
                .get(((delays.len() as f64 * q) as usize).min(delays.len().saturating_sub(1)))
                .copied()
                .unwrap_or(f64::NAN)
        };
        let firsts: Vec<&str> = mine.iter().filter_map(|p| p.first).collect();
        let named = firsts.iter().filter(|c| fault.named.contains(c)).count();
        let told: usize = mine.iter().map(|p| p.told).sum();
        let warnings: usize = mine.iter().map(|p| p.warnings).sum();
        let with_any = mine.iter().filter(|p| p.told > 0).count();
        let percent = 100.0 * found as f64 / mine.len() as f64;
        let bar = if fault.hard { 97.0 } else { 90.0 };
        println!(
            "{:<40} {:>5} {found:>9} {percent:>6.1}{} {:>7.1} {:>7.1} {:>6.0}% {:>6.2} {:>8.2}",
            fault.name,
            mine.len(),
            if percent >= bar { ' ' } else { '<' },
            at(0.5),
            at(0.95),
            100.0 * named as f64 / firsts.len().max(1) as f64,
            told as f64 / with_any.max(1) as f64,
            warnings as f64 / with_any.max(1) as f64
        );
        let missed: Vec<String> = mine
            .iter()
            .filter(|p| p.delay.is_none_or(|d| d > p.limit))
            .map(|p| format!("{} {} ({})", p.sort, p.number, p.first.unwrap_or("nothing")))
            .collect();
        if !missed.is_empty() {
            println!("    missed: {}", missed.join(", "));
        }
        let others: Vec<String> = mine
            .iter()
            .filter_map(|p| {
                p.first.filter(|c| !fault.named.contains(c)).map(|c| format!("{c} ({} {})", p.sort, p.number))
            })
            .collect();
        if !others.is_empty() {
            println!("    told first: {}", others.join(", "));
        }
    }
}

/// A service with a fault in it.
struct Set<'a> {
    stream: Vec<[f32; 2]>,
    house: Option<&'a [[f32; 2]]>,
    gone: Option<(f64, f64)>,
    begin: f64,
    /// Whether it can be judged: long enough after it, and with what it needs.
    counts: bool,
}

fn set_in(whole: &Service, f: usize, i: usize) -> Set<'_> {
    let fault = &FAULTS[f];
    let limit = fault.limit(whole.sort);
    let mut rng = Rng::new(70_000 + (i * FAULTS.len() + f) as u64);
    let needed = limit.unwrap_or(10.0) + 8.0;
    // A fault that needs sound to be heard begins where there is some, and it goes on.
    let second = |at: usize| &whole.stream[at..at + HZ];
    let above =
        |at: usize, power: f32| second(at).iter().map(|f| f[0] * f[0] + f[1] * f[1]).sum::<f32>() > power * HZ as f32;
    let goes_on = |from: usize| {
        let seconds = (needed - 8.0) as usize;
        let heard = (0..seconds).filter(|s| above(from + s * HZ, 2e-4)).count();
        above(from, 0.001) && above(from + HZ, 0.001) && 2 * heard >= seconds
    };
    let mut from = (BEFORE_SECONDS * HZ as f64) as usize;
    let last = whole.stream.len() - (needed * HZ as f64) as usize;
    while from < last && !goes_on(from) {
        from += HZ / 2;
    }
    let heard = goes_on(from);
    // A preamp belongs to a microphone: somebody talks.
    let preamp = matches!(fault.how, How::Upstream { .. });
    if preamp
        && let Some(talk) =
            whole.acts.iter().find(|a| a.0 > 20.0 && a.0 < BEFORE_SECONDS + 8.0 && a.1.starts_with("talk"))
    {
        from = (talk.0 * HZ as f64) as usize;
    }
    let begin = from as f64 / HZ as f64;
    let frames = (from + (needed * HZ as f64) as usize).min(whole.stream.len());
    let mut stream = whole.stream[..frames].to_vec();
    // A turn that costs one loudspeaker less than a decibel, in wide sound, does no harm.
    let judged = &stream[from..frames.min(from + (limit.unwrap_or(10.0) * HZ as f64) as usize)];
    let alike = fault.how != How::Turned || turn_costs_db(judged) >= 1.0;
    // A fault at a talk's first frame begins a part of a frame before it.
    let act = whole.acts.iter().rposition(|a| a.0 <= begin + 0.01).unwrap_or(0);
    let ends = whole.acts.get(act + 1).map_or(f64::INFINITY, |a| a.0);
    let talks = whole.acts[act].1.starts_with("talk") && ends > begin + TALK_SECONDS;
    fault.put(&mut stream, from, frames, &mut rng);
    let house = whole.house.as_deref().map(|h| &h[..frames]);
    let gone = (fault.how == How::Gone).then_some((begin, begin + needed));
    let counts = limit.is_some() && heard && alike && (talks || !preamp);
    Set { stream, house, gone, begin, counts }
}

/// What a turned side takes from the sum of both, dB.
fn turn_costs_db(part: &[[f32; 2]]) -> f64 {
    let power = |sign: f32| part.iter().map(|f| f64::from(f[0] + sign * f[1]).powi(2)).sum::<f64>();
    10.0 * ((power(1.0) + 1e-9) / (power(-1.0) + 1e-9)).log10()
}

fn heard(set: &Set<'_>, habits: &Habits) -> Heard {
    let audio = audio(&set.stream, set.house);
    Listening { gone: set.gone, habits: habits.clone(), ..Listening::to(&audio) }.hear()
}

/// `anyway`: conditions that the service tells without the fault, too; they are not put to its account.
fn one(whole: &Service, f: usize, i: usize, habits: &Habits, anyway: &[&str]) -> Put {
    let fault = &FAULTS[f];
    let set = set_in(whole, f, i);
    let heard = heard(&set, habits);
    let counts =
        |t: &&Told| t.raised >= set.begin && (fault.named.contains(&t.condition) || !anyway.contains(&t.condition));
    let after: Vec<&Told> = heard.shown().into_iter().filter(counts).collect();
    let delay = after.iter().find(|t| fault.named.contains(&t.condition)).map(|t| t.raised - set.begin);
    Put {
        fault: f,
        number: i,
        counts: set.counts,
        limit: fault.limit(whole.sort).unwrap_or(0.0),
        delay,
        first: after.first().map(|t| t.condition),
        told: after.len(),
        warnings: after.iter().filter(|t| t.severity == Severity::Warning).count(),
        sort: whole.sort.name,
    }
}
