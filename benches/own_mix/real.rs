//! Real recordings mixed twice by known gains: how far the levels that are reported lie from what was put in.
//!
//! `cargo bench --bench own_mix -- real`. The pieces come from Debian packages, decoded by ffmpeg where they lie and
//! not kept: prompts from asterisk-core-sounds-{en,es,fr,it,ru}-g722 (CC-BY-SA-3.0), music from singularity-music
//! (CC-BY-SA), fillets-ng-data (GPL-2) and asterisk-moh-opsound-g722 (CC-BY-SA).

use crate::desk::Stereo;
use crate::sources::Dice;
use mixwarden::likeness::{Comparer, GROUP_HZ, GROUPS, Kin, Likeness};
use mixwarden::units::SampleRate;
use realfft::RealFftPlanner;
use std::path::{Path, PathBuf};
use std::process::Command;

const SECONDS: usize = 200;
const HZ: usize = 48_000;
/// Passages of talk and of music, seconds.
const TURN: usize = 28;

/// A file's sound, mono, 48 kHz; empty when it cannot be read.
fn decoded(path: &Path) -> Vec<f32> {
    let raw = path.extension().is_some_and(|e| e == "g722");
    let format: &[&str] = if raw { &["-f", "g722"] } else { &[] };
    let out = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error"])
        .args(format)
        .arg("-i")
        .arg(path)
        .args(["-ac", "1", "-ar", "48000", "-f", "f32le", "-"])
        .output();
    let bytes = out.map(|o| o.stdout).unwrap_or_default();
    bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
}

/// The largest files of a folder, by name among those.
fn largest(folder: &str, kind: &str, count: usize) -> Vec<PathBuf> {
    let mut all: Vec<(u64, PathBuf)> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .filter(|e| e.path().extension().is_some_and(|x| x == kind))
        .filter_map(|e| Some((e.metadata().ok()?.len(), e.path())))
        .collect();
    all.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut all: Vec<PathBuf> = all.into_iter().take(count).map(|x| x.1).collect();
    all.sort();
    all
}

/// As many seconds as are wanted of these files one after the other, again and again, at -22 dBFS.
fn sound(files: &[PathBuf]) -> Vec<f32> {
    let mut all = Vec::new();
    for file in files {
        all.extend(decoded(file));
        all.extend(std::iter::repeat_n(0.0, HZ / 3));
        if all.len() >= SECONDS * HZ {
            break;
        }
    }
    if all.len() < 20 * HZ {
        return Vec::new();
    }
    let mut all: Vec<f32> = all.iter().copied().cycle().take(SECONDS * HZ).collect();
    let rms = (all.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / all.len() as f64).sqrt();
    let gain = (10f64.powf(-22.0 / 20.0) / rms.max(1e-9)) as f32;
    all.iter_mut().for_each(|x| *x *= gain);
    all
}

fn mix(talk: &[f32], music: &[f32], gains_db: [f64; 2]) -> Stereo {
    let [t, m] = gains_db.map(|db| 10f64.powf(db / 20.0));
    let mut out = Stereo::silent(talk.len());
    out.add(talk, t, 0.0);
    out.add(music, m, -0.2);
    out
}

fn compared(stream: &Stereo, house: &Stereo) -> Likeness {
    let rate = SampleRate::HZ_48000;
    let mut comparer = Comparer::new((rate, 2), (rate, 2));
    for hop in 0..stream.len() / 480 {
        let of = |x: &Stereo| (hop * 480..(hop + 1) * 480).flat_map(|i| [x.0[0][i], x.0[1][i]]).collect::<Vec<_>>();
        comparer.hop(Some(&of(stream)), Some(&of(house)));
    }
    comparer.likeness().clone()
}

/// Power by group of bands.
fn powers(x: &[f32]) -> [f64; GROUPS] {
    const N: usize = 4_096;
    let forward = RealFftPlanner::<f32>::new().plan_fft_forward(N);
    let (mut time, mut bins) = (forward.make_input_vec(), forward.make_output_vec());
    let mut out = [0.0; GROUPS];
    for part in x.chunks_exact(N) {
        time.copy_from_slice(part);
        forward.process(&mut time, &mut bins).expect("lengths are the plan's");
        for (k, bin) in bins.iter().enumerate() {
            let hz = (k * HZ / N) as f64;
            if let Some(g) = GROUP_HZ.iter().rposition(|low| hz >= *low).filter(|_| hz < 7_200.0) {
                out[g] += f64::from(bin.norm_sqr());
            }
        }
    }
    out
}

struct Found {
    what: String,
    put_in: f64,
    told: Option<f64>,
}

/// Talk and music by turns, then talk over music; every level that one source makes.
fn pair(talk: &[f32], music: &[f32], dice: &mut Dice, kins: &mut Vec<Kin>) -> Vec<Found> {
    let turn = |i: usize| (i / (TURN * HZ)).is_multiple_of(2);
    let gated = |x: &[f32], on: bool| -> Vec<f32> {
        x.iter().enumerate().map(|(i, v)| if turn(i) == on { *v } else { 0.0 }).collect()
    };
    let (t, m) = (gated(talk, true), gated(music, false));
    let gains = [dice.between(3.0, 6.0), dice.between(-6.0, -1.0)];
    let l = compared(&mix(&t, &m, gains), &mix(&t, &m, [0.0; 2]));
    kins.push(l.kin);
    let mut found = vec![
        Found { what: "talk by turns".into(), put_in: gains[0], told: l.talk_db },
        Found { what: "music by turns".into(), put_in: gains[1], told: l.music_db },
    ];
    // The music is laid under the talk, so that each has bands of its own.
    let gains = [dice.between(-5.0, -3.0), dice.between(2.0, 4.0)];
    let l = compared(&mix(talk, music, gains), &mix(talk, music, [0.0; 2]));
    kins.push(l.kin);
    let (pt, pm) = (powers(talk), powers(music));
    for g in 0..GROUPS {
        let over = 10.0 * (pt[g] / pm[g].max(1e-12)).log10();
        if over.abs() >= 10.0 {
            let told = l.groups[g].over_db.zip(l.level_db).map(|(over, level)| over + level);
            let (name, put_in) = if over > 0.0 { ("talk", gains[0]) } else { ("music", gains[1]) };
            found.push(Found { what: format!("{name} together, from {} Hz", GROUP_HZ[g]), put_in, told });
        }
    }
    found
}

/// Plays all pairs and prints how near the levels are.
pub fn print() {
    let voices = "/usr/share/asterisk/sounds";
    let mut talkers: Vec<(String, Vec<f32>)> = Vec::new();
    let mut folders: Vec<_> = std::fs::read_dir(voices).into_iter().flatten().flatten().map(|e| e.path()).collect();
    folders.sort();
    for folder in folders.iter().filter(|f| f.is_dir()) {
        let x = sound(&largest(&folder.to_string_lossy(), "g722", 60));
        if !x.is_empty() {
            talkers.push((folder.file_name().unwrap_or_default().to_string_lossy().into_owned(), x));
        }
    }
    let mut music: Vec<PathBuf> = largest("/usr/share/games/singularity/music", "ogg", 6);
    music.extend(largest("/usr/share/games/fillets-ng/music", "ogg", 6));
    music.extend(largest("/usr/share/asterisk/moh", "g722", 4));
    if talkers.is_empty() || music.is_empty() {
        println!("no recordings: install the packages that this file names");
        return;
    }
    let (mut dice, mut errors, mut quiet, mut kins) = (Dice::new(5), Vec::new(), 0, Vec::new());
    for (i, file) in music.iter().enumerate() {
        let (name, talk) = &talkers[i % talkers.len()];
        let piece = sound(std::slice::from_ref(file));
        if piece.is_empty() {
            continue;
        }
        for f in pair(talk, &piece, &mut dice, &mut kins) {
            let title = file.file_stem().unwrap_or_default().to_string_lossy();
            let told = f.told.map_or("-".into(), |t| format!("{t:+.2}"));
            println!("{name:<24} {title:<28.28} {:<32} put in {:+.2} dB, told {told}", f.what, f.put_in);
            match f.told {
                Some(told) => errors.push((told - f.put_in).abs()),
                None => quiet += 1,
            }
        }
    }
    errors.sort_by(f64::total_cmp);
    let within = errors.iter().filter(|e| **e <= 1.0).count();
    let count = |kin: Kin| kins.iter().filter(|k| **k == kin).count();
    println!(
        "{within} of {} levels within 1 dB, median {:.2} dB, largest {:.2} dB; {quiet} not told; {} mixes: {} own, {} copy, {} unrelated, {} cannot tell",
        errors.len(),
        errors[errors.len() / 2],
        errors[errors.len() - 1],
        kins.len(),
        count(Kin::Own),
        count(Kin::Copy),
        count(Kin::Unrelated),
        count(Kin::Unsure)
    );
}
