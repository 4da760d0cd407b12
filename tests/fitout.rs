//! The line check on a tablet: step by step through the running daemon in a real browser, kept as the baseline, its
//! report printed on A4 and Letter, and the review with it.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod booth;

use booth::browser::Browser;
use booth::{Daemon, mixwarden, wait};
use serde_json::Value;
use std::path::Path;
use std::process::Command;

/// 20 s of talk-like noise, then the line-up tone with its left side interrupted, then a quiet line, at the pace of time.
fn line(path: &Path) {
    let part = |name: &str, args: &[&str]| {
        let file = path.with_file_name(name);
        let made =
            Command::new("sox").args(["-n", "-r", "48000", "-c", "2", "-b", "24"]).arg(&file).args(args).status();
        assert!(made.unwrap().success(), "{name}");
        file
    };
    let talk = part("talk.wav", &["synth", "20", "pinknoise", "tremolo", "3", "70", "gain", "-14"]);
    let quiet = part("quiet.wav", &["synth", "120", "whitenoise", "gain", "-72"]);
    let tones = path.with_file_name("tones");
    assert!(mixwarden().args(["linecheck", "--tones"]).arg(&tones).output().unwrap().status.success());
    let tone = tones.join("line-up-1kHz-18dBFS.wav");
    assert!(Command::new("sox").args([&talk, &tone, &tone, &quiet]).arg(path).status().unwrap().success());
}

fn press(browser: &Browser, button: &str) {
    let script = format!(
        "const b = [...document.querySelectorAll('button')].find((b) => b.textContent === {button:?} && b.checkVisibility()); if (b) b.click(); return !!b"
    );
    browser.until(button, &script);
}

/// The text of a step's item.
fn step(browser: &Browser, n: usize) -> String {
    browser.find(&format!(".steps > li:nth-child({n})")).text()
}

/// Waits until a step is the one to be done now.
fn until_step(browser: &Browser, n: usize) {
    let now = format!(
        "const s = document.querySelector('.steps > li:nth-child({n})'); return !!s && s.classList.contains('now')"
    );
    browser.until("the next step", &now);
}

/// Pages and text of a PDF, and the smallest white rim at its left and right, parts of the width.
fn look(pdf: &[u8], dir: &Path, name: &str) -> (usize, String, f64) {
    let file = dir.join(format!("{name}.pdf"));
    std::fs::write(&file, pdf).unwrap();
    let run = |program: &str, args: &[&str]| {
        let out = Command::new(program).args(args).output().unwrap();
        assert!(out.status.success(), "{program}: {}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8_lossy(&out.stdout).into_owned()
    };
    let path = file.to_str().unwrap();
    let pages = run("pdfinfo", &[path]).lines().find_map(|l| l.strip_prefix("Pages:")?.trim().parse().ok()).unwrap();
    let text = run("pdftotext", &["-layout", path, "-"]);
    run("pdftoppm", &["-r", "50", "-gray", path, dir.join(name).to_str().unwrap()]);
    let mut rim: f64 = 1.0;
    for image in std::fs::read_dir(dir).unwrap().flatten().map(|e| e.path()) {
        let of_this = image.file_name().unwrap().to_str().unwrap().starts_with(&format!("{name}-"));
        if of_this && image.extension().is_some_and(|e| e == "pgm") {
            let bytes = std::fs::read(&image).unwrap();
            let mut head = bytes.splitn(4, |b| b.is_ascii_whitespace());
            let mut number = || String::from_utf8_lossy(head.next().unwrap()).parse::<usize>().ok();
            let (_, width, height) = (number(), number().unwrap(), number().unwrap());
            let pixels = &bytes[bytes.len() - width * height..];
            let dark = |x: usize| (0..height).any(|y| pixels[y * width + x] < 128);
            let (first, last) = ((0..width).find(|x| dark(*x)), (0..width).rfind(|x| dark(*x)));
            let (first, last) = (first.unwrap_or(width / 2), last.unwrap_or(width / 2));
            rim = rim.min(first as f64 / width as f64).min((width - 1 - last) as f64 / width as f64);
        }
    }
    if let Some(keep) = std::env::var_os("PICTURES") {
        std::fs::copy(&file, Path::new(&keep).join(format!("{name}.pdf"))).unwrap();
    }
    (pages, text, rim)
}

/// A4 and Letter, cm.
const PAPERS: [(&str, f64, f64); 2] = [("a4", 21.0, 29.7), ("letter", 21.59, 27.94)];

#[test]
fn a_line_is_checked_on_a_tablet_kept_and_its_report_printed() {
    let dir = tempfile::tempdir().unwrap();
    let audio = dir.path().join("line.wav");
    line(&audio);
    let daemon = Daemon::start(mixwarden().args(["watch", "--input", &format!("file:{}", audio.display())]));
    let browser = Browser::open(true);
    browser.resize(820, 1180);
    browser.go(&format!("{}linecheck", daemon.address));
    // The bars live by the event stream.
    browser.until("bars", "return document.querySelectorAll('#bars svg').length === 2");
    browser.run("window.first = document.getElementById('bars').innerHTML; return 0");
    browser.until("moving bars", "return document.getElementById('bars').innerHTML !== window.first");
    assert!(browser.run("return document.documentElement.scrollWidth").as_u64().unwrap() <= 820);
    assert!(step(&browser, 1).contains("Switch the desk on"));
    press(&browser, "Listen now");
    browser.until("listening", "return document.querySelector('#steps').textContent.includes('Listening:')");
    until_step(&browser, 2);
    assert!(step(&browser, 1).contains("pass") && step(&browser, 1).contains("dBFS"), "{}", step(&browser, 1));
    // The tone is on from 20 s to 80 s.
    wait("the tone", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 21.0));
    browser.until(
        "alignment",
        "const s = document.querySelector('select[name=alignment]'); if (s) s.value = '-18'; return !!s",
    );
    press(&browser, "Listen now");
    until_step(&browser, 3);
    let tone = step(&browser, 2);
    for wanted in ["-18.0 dBFS", "as EBU R 49 asks", "both sides in step", "pass"] {
        assert!(tone.contains(wanted), "{wanted}: {tone}");
    }
    wait("the quiet line", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 81.0));
    press(&browser, "Listen now");
    until_step(&browser, 4);
    assert!(step(&browser, 3).contains("dBFS RMS") && step(&browser, 3).contains("pass"), "{}", step(&browser, 3));
    press(&browser, "Leave this step out");
    until_step(&browser, 5);
    press(&browser, "Listen now");
    until_step(&browser, 6);
    assert!(step(&browser, 5).contains("no house feed is set up"));
    press(&browser, "Leave this step out");
    press(&browser, "Keep as this venue's baseline");
    browser.until(
        "the word that it is kept",
        "return document.querySelector('#steps').textContent.includes('Kept as this venue')",
    );
    let kept: Value = serde_json::from_str(&booth::read_all(&daemon.state.path().join("linecheck.json"))).unwrap();
    let answers: Vec<&str> = kept["findings"].as_array().unwrap().iter().filter_map(|f| f["answer"].as_str()).collect();
    assert_eq!(
        answers,
        ["pass", "pass", "pass", "pass", "pass", "pass", "pass", "skipped", "skipped", "skipped"],
        "{kept}"
    );
    assert!((kept["noise_floor_lufs"].as_f64().unwrap() + 74.0).abs() < 6.0, "{kept}");
    for (paper, width, height) in PAPERS {
        browser.go(&format!("{}linecheck/report", daemon.address));
        let (pages, text, rim) = look(&browser.print(width, height), dir.path(), &format!("linecheck-{paper}"));
        assert_eq!(pages, 1, "{paper}: one page to hand over");
        assert!(text.contains("7 passed, 0 failed") && text.contains("Handed over to"), "{text}");
        assert!(rim > 0.02, "{paper}: the print comes within {rim:.3} of the edge");
    }
}

/// The last three steps need a room's mix and a fault: the rehearsal has both, at ten times the pace,
/// at which a minute of sound is too short to know a clock by.
#[test]
fn clock_own_mix_and_the_warning_itself_are_checked_on_the_page() {
    let daemon = Daemon::start(mixwarden().args(["rehearse", "--speed", "10"]));
    let browser = Browser::open(true);
    browser.go(&format!("{}linecheck", daemon.address));
    let stream = |from: f64| wait("the moment", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > from));
    for n in 2..=4 {
        press(&browser, "Leave this step out");
        until_step(&browser, n);
    }
    press(&browser, "Listen now");
    until_step(&browser, 5);
    let clock = step(&browser, 4);
    assert!(clock.contains("0 frames lost") && clock.contains("cannot tell") && clock.contains("ppm"), "{clock}");
    // Talk, hymn, reading and band were heard by now, and both mixes with them.
    stream(450.0);
    press(&browser, "Listen now");
    until_step(&browser, 6);
    let own = step(&browser, 5);
    assert!(own.contains("pass") && own.contains("own mix"), "{own}");
    // The device stops at 570 s.
    stream(548.0);
    press(&browser, "Listen now");
    browser.until("the report", "return document.querySelector('#steps').textContent.includes('Keep as this venue')");
    let warning = step(&browser, 6);
    assert!(
        warning.contains("pass") && warning.contains("told 1.") && warning.contains("after the sound"),
        "{warning}"
    );
}

#[test]
fn a_review_prints_on_both_papers_with_all_that_was_told() {
    let dir = tempfile::tempdir().unwrap();
    let mut daemon = Daemon::start(mixwarden().args(["rehearse", "--speed", "400"]));
    wait("some warnings", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 900.0));
    assert_eq!(daemon.post("api/v1/service/end", ""), 204);
    wait("the review", || {
        let all: Value = serde_json::from_str(&daemon.get("api/v1/services").1).unwrap();
        (!all["services"][0]["ended"].is_null()).then_some(())
    });
    let review: Value = serde_json::from_str(&daemon.get("api/v1/services/1").1).unwrap();
    let browser = Browser::open(true);
    browser.go(&format!("{}reviews/1", daemon.address));
    for (paper, width, height) in PAPERS {
        let (pages, text, rim) = look(&browser.print(width, height), dir.path(), &format!("review-{paper}"));
        assert!(pages <= 3, "{paper}: {pages} pages");
        assert!(rim > 0.02, "{paper}: the print comes within {rim:.3} of the edge");
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for alert in review["alerts"].as_array().unwrap().iter().filter(|a| a["severity"] != "note") {
            assert!(flat.contains(alert["headline"].as_str().unwrap()), "{paper}: {alert}");
        }
        assert!(flat.contains("Before the next service"));
        assert!(
            !flat.contains("Keep") && !flat.contains("Levels (CSV)"),
            "{paper}: forms and links are for the screen"
        );
    }
    assert!(daemon.stop("TERM").success());
}

#[test]
fn who_may_not_manage_is_refused_and_bad_forms_get_their_sentence() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("keys"), "look looking-key-0001\nacknowledge pressing-key-0002\n").unwrap();
    let settings = dir.path().join("s.toml");
    std::fs::write(&settings, format!("[page]\nkeys_file = \"{}\"\n", dir.path().join("keys").display())).unwrap();
    let daemon = Daemon::start(mixwarden().args(["rehearse", "--from", "60", "--settings"]).arg(&settings));
    let agent = ureq::Agent::config_builder().http_status_as_error(false).build().new_agent();
    for path in ["linecheck", "linecheck/report", "events?page=linecheck"] {
        let asked = agent.get(format!("{}{path}", daemon.address)).header("Host", "booth.example");
        let answer = asked.header("Authorization", "Bearer pressing-key-0002").call().unwrap();
        assert_eq!(answer.status().as_u16(), 403, "{path}");
    }
    for path in ["linecheck/begin", "linecheck/skip", "linecheck/keep", "linecheck/anew", "before/forget"] {
        let asked = agent.post(format!("{}{path}", daemon.address)).header("Host", "booth.example");
        let asked = asked.header("Authorization", "Bearer pressing-key-0002");
        let answer = asked.header("Content-Type", "application/x-www-form-urlencoded").send("step=tone").unwrap();
        assert_eq!(answer.status().as_u16(), 403, "{path}");
    }
    assert_eq!(daemon.get("linecheck/report").0, 404, "nothing is checked yet");
    for bad in ["step=dance", "step=tone&alignment=-12", "step=clock&seconds=1", "step=tone&more=1", "alignment=-18"] {
        assert_eq!(daemon.post_form("linecheck/begin", bad), 422, "{bad}");
    }
    // What the venue has taught stands beside the button that forgets it.
    let before = daemon.get("before").1;
    assert!(before.contains("Usual loudness when it plays") && before.contains("Forget this"), "{before}");
    assert_eq!(daemon.post_form("before/forget", ""), 200, "after the redirect");
    let mut marks = Command::new("sqlite3");
    marks.arg(daemon.state.path().join("log.sqlite")).arg("SELECT count(*) FROM mark WHERE what = 'forget habits'");
    wait("its mark in the log", || (marks.output().unwrap().stdout == b"1\n").then_some(()));
}
