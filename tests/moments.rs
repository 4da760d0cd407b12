//! Kept moments: off, no sound ever touches the disk; on, the sound around a warning is there, private, in its place,
//! heard and deleted by those who may.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod booth;

use booth::browser::Browser;
use booth::{Daemon, mixwarden, signal, sqlite, wait};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

fn files(directory: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(directory).into_iter().flatten().flatten() {
        match entry.path() {
            path if path.is_dir() => found.extend(files(&path)),
            path => found.push(path),
        }
    }
    found
}

fn sounds(state: &Path) -> Vec<PathBuf> {
    let mut all = files(&state.join("moments"));
    all.retain(|f| f.extension().is_some_and(|e| e == "flac"));
    all.sort();
    all
}

fn figure(state: &Path, question: &str) -> f64 {
    sqlite(state, question).parse().unwrap()
}

/// A rehearsal at speed with these settings, from shortly before its first fault (exact zeros from 130 s to 142 s).
fn rehearsal(dir: &Path, settings: &str, speed: &str) -> Daemon {
    let file = dir.join("mixwarden.toml");
    std::fs::write(&file, settings).unwrap();
    Daemon::start(mixwarden().args(["rehearse", "--from", "90", "--speed", speed, "--settings"]).arg(&file))
}

const ON: &str = "[moments]\nenabled = true\n";

#[test]
fn off_no_sound_touches_the_disk() {
    let dir = tempfile::tempdir().unwrap();
    let mut daemon = rehearsal(dir.path(), "", "60");
    wait("two warnings and what is after them", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 260.0));
    assert_eq!(daemon.now()["moments_kept"], false);
    assert!(!daemon.get("").1.contains("Moments are kept"));
    assert!(daemon.get("moments").1.contains("Moments are not kept"));
    assert!(daemon.stop("TERM").success());
    let state = daemon.state.path();
    assert!(figure(state, "SELECT count(*) FROM alert WHERE severity = 'warning'") >= 2.0);
    for file in files(state) {
        let bytes = std::fs::read(&file).unwrap();
        let holds = |magic: &[u8]| bytes.windows(magic.len()).any(|w| w == magic);
        for magic in ["fLaC", "RIFF", "OggS", "ftyp", "FORM"] {
            assert!(!holds(magic.as_bytes()), "{} holds {magic}", file.display());
        }
        // Four minutes of one channel at 8 bits would be 11 MB.
        assert!(bytes.len() < 1_000_000, "{}: {} bytes", file.display(), bytes.len());
    }
    assert!(!state.join("moments").exists());
}

#[test]
fn on_each_warning_has_its_moment_around_its_second_for_the_owner_alone() {
    let dir = tempfile::tempdir().unwrap();
    let mut daemon = rehearsal(dir.path(), ON, "20");
    assert_eq!(daemon.now()["moments_kept"], true);
    assert!(daemon.get("").1.contains("Moments are kept"), "the page says so");
    wait("the first moment", || (!sounds(daemon.state.path()).is_empty()).then_some(()));
    assert!(daemon.stop("TERM").success());
    let state = daemon.state.path();
    let mode = |p: &Path| std::fs::metadata(p).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&state.join("moments")), mode(&sounds(state)[0])), (0o700, 0o600));
    let warnings = figure(state, "SELECT count(*) FROM alert WHERE severity = 'warning'");
    assert_eq!(sounds(state).len(), warnings as usize, "one a warning, none for advice and notes");
    let first = &sounds(state)[0];
    let probe =
        Command::new("ffmpeg").args(["-v", "error", "-i"]).arg(first).args(["-f", "f32le", "-"]).output().unwrap();
    assert!(probe.status.success() && probe.stderr.is_empty(), "{}", String::from_utf8_lossy(&probe.stderr));
    let samples: Vec<f32> = probe.stdout.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect();
    let seconds = samples.len() as f64 / 2.0 / 48_000.0;
    assert!((seconds - 15.0).abs() < 0.05, "{seconds} s");
    // Where in the stream the warning was told, by the log; the zeros began at its second 130.
    let number = first.file_name().unwrap().to_str().unwrap().split('-').next().unwrap().to_string();
    let told = figure(
        state,
        &format!("SELECT second + (raised_ms - row.unix_ms) / 1000.0 FROM row, alert WHERE number = {number} LIMIT 1"),
    );
    assert!((132.0..136.0).contains(&told), "told at {told} s");
    let zero = |n: &usize| samples[*n..n + 4_800].iter().all(|x| *x == 0.0);
    let begin = (0..samples.len() - 4_800).find(zero).unwrap() as f64 / 96_000.0;
    let wanted = 10.0 - (told - 130.0);
    assert!((begin - wanted).abs() < 0.05, "zeros at {begin:.3} s of the moment, {wanted:.3} s expected");
    assert!(samples[..48_000].iter().any(|x| x.abs() > 0.01), "sound before them");
}

#[test]
fn it_is_heard_and_deleted_in_the_review_by_those_who_manage_and_plays_only_when_pressed() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("keys"), "look looking-key-0001\nmanage managing-key-0003\n").unwrap();
    let keys = format!("[page]\nkeys_file = \"{}\"\n", dir.path().join("keys").display());
    let daemon = rehearsal(dir.path(), &(keys + ON), "10");
    let state = daemon.state.path().to_path_buf();
    wait("the first moment", || (!sounds(&state).is_empty()).then_some(()));
    let name = sounds(&state)[0].file_stem().unwrap().to_str().unwrap().to_string();
    let asked = |path: &str, key: &str| {
        let agent = ureq::Agent::config_builder().http_status_as_error(false).build().new_agent();
        let request = agent.get(format!("{}{path}", daemon.address)).header("Host", "booth.example");
        let mut answer = request.header("Authorization", format!("Bearer {key}")).call().unwrap();
        (answer.status().as_u16(), answer.body_mut().read_to_vec().unwrap())
    };
    let sound = format!("moments/{name}");
    assert_eq!(asked(&sound, "looking-key-0001").0, 403);
    assert_eq!(asked("moments", "looking-key-0001").0, 403);
    let review = String::from_utf8(asked("reviews/1", "looking-key-0001").1).unwrap();
    assert!(!review.contains("<audio"), "who may only look is not offered it");
    let (status, bytes) = asked(&sound, "managing-key-0003");
    assert_eq!((status, bytes), (200, std::fs::read(&sounds(&state)[0]).unwrap()));
    assert_eq!(daemon.get("moments/..%2Flog.sqlite").0, 404);
    assert_eq!(daemon.get("moments/1-1-clipping").0, 404);

    let browser = Browser::open(true);
    browser.go(&format!("{}reviews/1", daemon.address));
    browser.until("the player", "return !!document.querySelector('audio')");
    assert_eq!(
        browser.run("const a = document.querySelector('audio'); return a.paused && !a.autoplay && a.controls"),
        true
    );
    let before = browser.requests();
    assert!(!before.iter().any(|u| u.contains("/moments/")), "nothing is fetched before somebody presses: {before:?}");
    browser.find("h1").click();
    browser.run(&format!("window.a = document.querySelector('audio[src=\"/{sound}\"]'); window.a.play(); return 0"));
    browser.until("the sound", "return window.a.currentTime > 0.5 && Math.abs(window.a.duration - 15) < 0.1");
    browser.find(&format!("form:has(input[value='{name}']) button")).click();
    wait("the deletion", || (!state.join(format!("moments/{name}.flac")).exists()).then_some(()));
    browser.until("the review again", "return location.pathname === '/reviews/1'");
    assert_eq!(daemon.get(&sound).0, 404);
}

#[test]
fn old_moments_go_when_the_daemon_starts_and_reloading_turns_it_on_and_off() {
    let dir = tempfile::tempdir().unwrap();
    let state = tempfile::tempdir().unwrap();
    std::fs::create_dir(state.path().join("moments")).unwrap();
    let old = state.path().join("moments/1-1000000000000-clipping.flac");
    std::fs::write(&old, b"old").unwrap();
    let file = dir.path().join("mixwarden.toml");
    std::fs::write(&file, "").unwrap();
    let daemon =
        Daemon::start_in(mixwarden().args(["rehearse", "--clean", "--from", "60", "--settings"]).arg(&file), state);
    wait("the old one's end", || (!old.exists()).then_some(()));
    for on in [true, false] {
        std::fs::write(&file, format!("[moments]\nenabled = {on}\n")).unwrap();
        signal(daemon.id(), "HUP");
        wait("the new settings", || (daemon.now()["moments_kept"] == on).then_some(()));
        wait("the page's word", || (daemon.get("").1.contains("Moments are kept") == on).then_some(()));
    }
}
