//! The program as a person types it: bad input gets one clear sentence and the documented exit status, good input
//! gets figures.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

fn mixwarden(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_mixwarden")).args(args).stdin(Stdio::null()).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// A 16-bit WAV header that claims what it is told to, before `data`.
fn wav(channels: u16, hz: u32, claimed: u32, data: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    out.extend(b"RIFF");
    out.extend((36 + data.len() as u32).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(16u32.to_le_bytes());
    out.extend(1u16.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(hz.to_le_bytes());
    out.extend((hz * u32::from(channels) * 2).to_le_bytes());
    out.extend((channels * 2).to_le_bytes());
    out.extend(16u16.to_le_bytes());
    out.extend(b"data");
    out.extend(claimed.to_le_bytes());
    out.extend(data);
    out
}

/// Stereo 16-bit sine of 1 kHz at `db` dBFS.
fn tone(seconds: f64, db: f64) -> Vec<u8> {
    let amplitude = 32_768.0 * 10f64.powf(db / 20.0);
    (0..(seconds * 48_000.0) as usize)
        .flat_map(|i| {
            let x = (amplitude * (std::f64::consts::TAU * 1_000.0 * i as f64 / 48_000.0).sin()).round() as i16;
            [x.to_le_bytes(), x.to_le_bytes()].concat()
        })
        .collect()
}

fn put(dir: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn the_calibration_tone_reads_minus_18_lufs_and_the_json_keeps_its_contract() {
    // Tech 3341 2.9: 1 kHz, stereo in phase, -18 dBFS peak reads -18.0 LUFS.
    let dir = tempfile::tempdir().unwrap();
    let data = tone(20.0, -18.0);
    let path = put(dir.path(), "tone.wav", &wav(2, 48_000, data.len() as u32, &data));
    let out = mixwarden(&["measure", "--json", path.to_str().unwrap()]);
    assert_eq!(out.status.code(), Some(0));
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let file = &json["files"][0];
    assert!((file["integrated_lufs"].as_f64().unwrap() + 18.0).abs() < 0.1, "{file}");
    assert!((file["true_peak_dbtp"][0].as_f64().unwrap() + 18.0).abs() < 0.1, "{file}");
    assert_eq!((file["sample_rate"].as_u64(), file["channels"].as_u64()), (Some(48_000), Some(2)));
    assert!((file["duration_s"].as_f64().unwrap() - 20.0).abs() < 1e-9);
    for key in
        ["loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs", "sample_peak_dbfs", "alerts", "own_mix"]
    {
        assert!(file.get(key).is_some(), "{key} is missing");
    }
    let table = text(&mixwarden(&["measure", path.to_str().unwrap()]).stdout);
    assert!(table.contains("integrated loudness    -18.0 LUFS"), "{table}");
}

#[test]
fn silence_has_nulls_and_no_made_up_numbers() {
    let dir = tempfile::tempdir().unwrap();
    let path = put(dir.path(), "zero.wav", &wav(2, 48_000, 192_000 * 5, &vec![0; 192_000 * 5]));
    let out = mixwarden(&["measure", "--json", path.to_str().unwrap()]);
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let file = &json["files"][0];
    for key in ["integrated_lufs", "loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs"] {
        assert!(file[key].is_null(), "{key}: {}", file[key]);
    }
    assert!(file["true_peak_dbtp"][0].is_null());
}

#[test]
fn each_bad_file_gets_its_sentence_while_the_good_one_is_measured() {
    let dir = tempfile::tempdir().unwrap();
    let d = dir.path();
    let data = tone(2.0, -20.0);
    let good = put(d, "good.wav", &wav(2, 48_000, data.len() as u32, &data));
    let bad = [
        (put(d, "empty.wav", b""), "is empty"),
        (put(d, "text.wav", b"these are words, not sound, and no header"), "holds no sound"),
        (put(d, "cut.wav", &wav(2, 48_000, 0, &[])[..30]), "ends within its header"),
        (put(d, "none.wav", &wav(0, 48_000, 4, &[0; 4])), "0 channels"),
        (put(d, "many.wav", &wav(200, 48_000, 400, &[0; 400])), "200 channels"),
        (put(d, "rate.wav", &wav(2, 1, 400, &[0; 400])), "1 Hz"),
        (put(d, "nothing.wav", &wav(2, 48_000, 0, &[])), "holds no audio"),
        (d.join("absent.wav"), "cannot be opened"),
    ];
    let mut args = vec!["measure".to_string(), "--json".into(), good.display().to_string()];
    args.extend(bad.iter().map(|(p, _)| p.display().to_string()));
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let out = mixwarden(&args);
    assert_eq!(out.status.code(), Some(2));
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(json["files"].as_array().unwrap().len(), 1);
    assert_eq!(json["errors"].as_array().unwrap().len(), bad.len());
    let told = text(&out.stderr);
    assert!(!told.contains("panicked"), "{told}");
    for (path, sentence) in &bad {
        let line = told.lines().find(|l| l.contains(&path.display().to_string())).unwrap_or_default();
        assert!(line.contains(sentence), "{}: {line}", path.display());
    }
}

#[test]
fn a_header_that_lies_about_its_length_is_read_to_the_end_of_the_file() {
    let dir = tempfile::tempdir().unwrap();
    let data = tone(3.0, -20.0);
    for (name, claimed) in [("zero.wav", 0), ("ones.wav", u32::MAX), ("more.wav", data.len() as u32 + 1_000_000)] {
        let path = put(dir.path(), name, &wav(2, 48_000, claimed, &data));
        let out = mixwarden(&["measure", "--json", path.to_str().unwrap()]);
        let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(json["files"][0]["duration_s"].as_f64(), Some(3.0), "{name}");
    }
}

#[test]
fn what_was_odd_about_a_recording_is_said_under_its_figures() {
    let dir = tempfile::tempdir().unwrap();
    let notes = |bytes: &[u8]| -> String {
        let path = put(dir.path(), "odd.wav", bytes);
        let out = mixwarden(&["measure", "--json", path.to_str().unwrap()]);
        assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
        let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        json["files"][0]["notes"].to_string()
    };
    let data = tone(2.0, -18.0);
    let said = notes(&wav(2, 48_000, data.len() as u32, &data));
    assert_eq!(said, "null", "nothing is odd about this one");
    let said = notes(&wav(2, 48_000, data.len() as u32 + 4_000, &data));
    assert!(said.contains("1000 frames more than the file holds"), "{said}");
    let said = notes(&wav(2, 48_000, data.len() as u32, &data[..data.len() - 1]));
    assert!(said.contains("3 bytes at the end are less than a frame"), "{said}");
    // The same header for 32-bit floats: format 3, 8 bytes a frame.
    let float = |x: fn(usize) -> f32| {
        let data: Vec<u8> = (0..96_000).flat_map(|i| x(i).to_le_bytes()).collect();
        let mut file = wav(2, 48_000, data.len() as u32, &data);
        (file[20], file[32], file[34]) = (3, 8, 32);
        file
    };
    let said = notes(&float(|i| if i % 1_000 == 7 { f32::NAN } else { (i as f32 * 0.1).sin() * 0.1 }));
    assert!(said.contains("96 samples were no numbers"), "{said}");
    let said = notes(&float(|i| (i as f32 * 0.1).sin() * 1e30));
    assert!(said.contains("600 dB over full scale"), "{said}");
}

#[test]
fn fail_on_and_target_give_status_1() {
    let dir = tempfile::tempdir().unwrap();
    let mut data = tone(20.0, -18.0);
    let path = put(dir.path(), "tone.wav", &wav(2, 48_000, data.len() as u32, &data));
    let p = path.to_str().unwrap();
    assert_eq!(mixwarden(&["measure", "--target", "speech_stream", p]).status.code(), Some(0));
    assert_eq!(mixwarden(&["measure", "--target", "broadcast_ebu", p]).status.code(), Some(1));
    assert_eq!(mixwarden(&["measure", "--target", "loud", p]).status.code(), Some(2));
    data.extend(vec![0; 192_000 * 10]);
    let path = put(dir.path(), "stops.wav", &wav(2, 48_000, data.len() as u32, &data));
    let p = path.to_str().unwrap();
    assert_eq!(mixwarden(&["measure", "--fail-on", "warning", p]).status.code(), Some(1));
    // Levels alone: the same figures, without what was wrong, and it says so.
    let (all, levels) =
        (text(&mixwarden(&["measure", p]).stdout), text(&mixwarden(&["measure", "--levels", p]).stdout));
    assert!(all.contains("digital_silence") && !levels.contains("digital_silence"), "{all}{levels}");
    let figures = |table: &str| -> Vec<String> {
        table.lines().filter(|l| !l.contains("  warning  ") && !l.contains("note:")).map(String::from).collect()
    };
    assert_eq!(figures(&all), figures(&levels));
    assert!(levels.contains("no faults were looked for"), "{levels}");
    assert_eq!(mixwarden(&["measure", "--levels", "--fail-on", "warning", p]).status.code(), Some(2));
}

#[test]
fn usage_and_settings_mistakes_are_told_and_give_status_2_or_1() {
    assert_eq!(mixwarden(&["measure"]).status.code(), Some(2));
    assert_eq!(mixwarden(&["listen"]).status.code(), Some(2));
    assert_eq!(mixwarden(&["--help"]).status.code(), Some(0));
    let dir = tempfile::tempdir().unwrap();
    let good = put(dir.path(), "good.toml", b"[target]\nlufs = -20\n");
    let bad = put(dir.path(), "bad.toml", b"[target]\nlufs = 3\nloud = 1\n[judge.hum]\n[nothing]\n");
    assert_eq!(mixwarden(&["check", good.to_str().unwrap()]).status.code(), Some(0));
    let out = mixwarden(&["check", bad.to_str().unwrap()]);
    assert_eq!(out.status.code(), Some(1));
    assert!(text(&out.stdout).lines().count() >= 3, "{}", text(&out.stdout));
    let watch = mixwarden(&["watch", "--settings", bad.to_str().unwrap()]);
    assert_eq!(watch.status.code(), Some(2));
    assert!(text(&watch.stderr).contains("line 2"), "{}", text(&watch.stderr));
    assert_eq!(mixwarden(&["check", "/nowhere/at/all.toml"]).status.code(), Some(2));
}

#[test]
fn every_command_has_an_example_in_its_help() {
    let help = text(&mixwarden(&["--help"]).stdout);
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|l| !l.starts_with("Commands:"))
        .skip(1)
        .take_while(|l| l.starts_with("  "))
        // A line that begins further in goes on with the command above.
        .filter_map(|l| l.strip_prefix("  ").filter(|l| !l.starts_with(' '))?.split_whitespace().next())
        .filter(|c| *c != "help" && c.chars().all(|x| x.is_ascii_lowercase()))
        .collect();
    assert!(commands.len() >= 6, "{commands:?}");
    for command in commands {
        let help = text(&mixwarden(&[command, "--help"]).stdout);
        assert!(help.contains(&format!("mixwarden {command}")) && help.contains("Example"), "{command}: {help}");
    }
}

#[test]
fn the_line_check_passes_its_own_tone_and_finds_swapped_sides_and_a_turned_side() {
    let dir = tempfile::tempdir().unwrap();
    let tones = mixwarden(&["linecheck", "--tones", dir.path().to_str().unwrap()]);
    assert!(tones.status.success(), "{}", text(&tones.stderr));
    let tone = dir.path().join("line-up-1kHz-18dBFS.wav");
    let check = |file: &std::path::Path| {
        let input = format!("file:{}", file.display());
        let state = dir.path().join("state");
        let args = ["linecheck", "--input", &input, "--steps", "tone", "--no-wait", "--json", "--state"];
        let out = mixwarden(&[&args[..], &[state.to_str().unwrap()]].concat());
        let all: serde_json::Value = serde_json::from_str(&text(&out.stdout)).unwrap();
        let answers: Vec<(String, String)> = all["findings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|f| (f["step"].as_str().unwrap().into(), f["answer"].as_str().unwrap().into()))
            .collect();
        (out.status.code(), answers)
    };
    let is = |answers: &[(String, String)], step: &str, answer: &str| {
        assert!(answers.iter().any(|(s, a)| s == step && a == answer), "{step} should be {answer}: {answers:?}");
    };
    let changed = |name: &str, effect: &[&str]| {
        let file = dir.path().join(name);
        let done = std::process::Command::new("sox").arg(&tone).arg(&file).args(effect).status().unwrap();
        assert!(done.success());
        file
    };
    // The three run side by side: each listens for 14 s of real time.
    let (swapped, turned) =
        (changed("swapped.wav", &["remix", "2", "1"]), changed("turned.wav", &["remix", "1", "2v-1"]));
    let (good, swapped, turned) = std::thread::scope(|s| {
        let all = [&tone, &swapped, &turned].map(|f| s.spawn(|| check(f)));
        let mut all = all.into_iter().map(|t| t.join().unwrap());
        (all.next().unwrap(), all.next().unwrap(), all.next().unwrap())
    });
    assert_eq!(good.0, Some(0), "{good:?}");
    for step in ["level, left", "level, right", "left and right", "polarity"] {
        is(&good.1, step, "pass");
    }
    assert_eq!(swapped.0, Some(1));
    is(&swapped.1, "left and right", "fail");
    assert_eq!(turned.0, Some(1));
    is(&turned.1, "polarity", "fail");
}

#[test]
fn rejudging_says_what_other_limits_would_have_told() {
    let dir = tempfile::tempdir().unwrap();
    let (file, strict) = (dir.path().join("quiet.wav"), dir.path().join("strict.toml"));
    // Breathing noise that lies about 5 LU under the target: within the default limit, over a stricter one.
    let sox = std::process::Command::new("sox")
        .args(["-R", "-n", "-r", "48000", "-c", "2", "-b", "16"])
        .arg(&file)
        .args(["synth", "190", "pinknoise", "tremolo", "4", "60", "norm", "-10"])
        .status();
    assert!(sox.unwrap().success());
    let measured = mixwarden(&["measure", "--json", file.to_str().unwrap()]);
    let measured: serde_json::Value = serde_json::from_str(&text(&measured.stdout)).unwrap();
    let under = -18.0 - measured["files"][0]["integrated_lufs"].as_f64().unwrap();
    assert!((3.0..6.0).contains(&under), "the scene lies {under} LU under the target");
    std::fs::write(&strict, "[judge.too_quiet]\nbelow_target_lu = 2.5\nclear_below_target_lu = 2\n").unwrap();
    let none = dir.path().join("none.toml");
    std::fs::write(&none, "").unwrap();
    let args = ["rejudge", file.to_str().unwrap(), "--json", "--settings", none.to_str().unwrap(), "--with"];
    let out = mixwarden(&[&args[..], &[strict.to_str().unwrap()]].concat());
    assert!(out.status.success(), "{}", text(&out.stderr));
    let all: serde_json::Value = serde_json::from_str(&text(&out.stdout)).unwrap();
    let alerts = all["files"][0]["alerts"].as_array().unwrap();
    let row = alerts.iter().find(|a| a["condition"] == "too_quiet").unwrap_or_else(|| panic!("{all}"));
    assert!(row["raised_s"][0].is_null() && row["raised_s"][1].is_number(), "{all}");
}
