//! The log under what happens to booth computers: killed at any moment, started twice, a disk that fills up. SQLite's
//! own `sqlite3` looks at the file.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod booth;

use booth::{Daemon, mixwarden, signal, sqlite, wait};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};

fn review(state: &Path, args: &[&str]) -> Value {
    let out = mixwarden().arg("review").args(args).args(["--json", "--state"]).arg(state).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// Talk-like bursts: half a second of a swelling tone, a third of a second of a softer one.
fn speech_file(path: &Path, seconds: u32) {
    let sox = Command::new("sox")
        .args(["-n", "-r", "48000", "-c", "2", "-b", "16"])
        .arg(path)
        .args(["synth", &seconds.to_string(), "pinknoise", "tremolo", "3", "70", "gain", "-14"])
        .status()
        .unwrap();
    assert!(sox.success());
}

#[test]
fn killed_fifty_times_the_service_is_one_and_lacks_only_the_open_second() {
    const KILLS: usize = 50;
    let dir = tempfile::tempdir().unwrap();
    let audio = dir.path().join("talk.wav");
    speech_file(&audio, 60);
    let input = format!("file:{}", audio.display());
    let mut state = tempfile::tempdir().unwrap();
    let (mut lost, mut random) = (Vec::new(), 0x2545_f491u32);
    for kill in 0..KILLS {
        let before = if kill == 0 { "0".into() } else { sqlite(state.path(), "SELECT coalesce(max(id), 0) FROM run") };
        let mut daemon = Daemon::start_in(mixwarden().args(["watch", "--input", &input]), state);
        // The first lasts until a service has begun (20 s of sound); the others are killed at random moments.
        random ^= random << 13;
        random ^= random >> 17;
        random ^= random << 5;
        let least = if kill == 0 { 22.0 } else { 0.2 + 1.8 * f64::from(random) / f64::from(u32::MAX) };
        let seen = wait("some seconds of audio", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s >= least));
        signal(daemon.id(), "KILL");
        state = daemon.leave_state();
        drop(daemon);
        let kept = format!("SELECT coalesce(max(second), 0) FROM row WHERE run > {before}");
        let kept: f64 = sqlite(state.path(), &kept).parse().unwrap();
        // The open second, and half of one for its commit.
        assert!(kept >= seen - 1.5, "kill {kill}: {seen} s were seen, {kept} s are kept");
        lost.push(seen - kept);
        assert_eq!(sqlite(state.path(), "PRAGMA integrity_check"), "ok");
    }
    let (sum, worst) = lost.iter().fold((0.0, 0.0f64), |(s, w), l| (s + l.max(0.0), w.max(*l)));
    eprintln!("{KILLS} kills: {:.2} s lost on average, {worst:.2} s at most", sum / KILLS as f64);
    assert!(sum / KILLS as f64 <= 1.0);
    // The next start joins them all.
    let joined = sqlite(state.path(), "SELECT count(DISTINCT run) FROM row").parse::<u64>().unwrap();
    let mut daemon = Daemon::start_in(mixwarden().args(["watch", "--input", &input]), state);
    wait("the service going on", || daemon.now()["service"]["on"].as_bool().filter(|on| *on));
    wait("a second of it", || (review(daemon.state.path(), &["last"])["restarts"].as_u64()? >= joined).then_some(()));
    let all = review(daemon.state.path(), &["last"]);
    assert_eq!(all["going_on"], true);
    assert_eq!(all["service"], 1, "one service, not {}", all["service"]);
    let integrated = all["feeds"][0]["integrated_lufs"].as_f64().unwrap();
    let measured = mixwarden().args(["measure", "--json"]).arg(&audio).output().unwrap();
    let measured: Value = serde_json::from_slice(&measured.stdout).unwrap();
    let whole = measured["files"][0]["integrated_lufs"].as_f64().unwrap();
    // Other parts of the same steady noise, so nearly the same loudness.
    assert!((integrated - whole).abs() < 1.0, "{integrated} in the review, {whole} by measure");
    assert!(daemon.stop("TERM").success());
}

#[test]
fn a_second_daemon_on_the_same_log_says_so_and_stops() {
    let mut first = Daemon::start(mixwarden().args(["rehearse", "--clean"]));
    let second =
        mixwarden().args(["rehearse", "--listen", "127.0.0.1:0", "--state"]).arg(first.state.path()).output().unwrap();
    assert_eq!(second.status.code(), Some(2));
    let said = String::from_utf8_lossy(&second.stderr);
    assert!(said.contains("another mixwarden writes to this log"), "{said}");
    assert!(first.stop("TERM").success());
}

/// A disk of 1.2 MB in memory; nothing where this machine lets nobody mount one.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    fn mount(dir: &Path) -> Option<Self> {
        let disk = dir.join("disk");
        std::fs::create_dir(&disk).unwrap();
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "size=1200k", "tmpfs"]).arg(&disk).status();
        if !mounted.is_ok_and(|s| s.success()) {
            println!("NOT RUN: this machine lets nobody mount a small disk");
            return None;
        }
        Some(Self(disk))
    }

    /// Somebody else fills it to the last block.
    fn fill(&self) -> std::path::PathBuf {
        let filler = self.0.join("filler");
        let cat = format!("cat /dev/zero > {}", filler.display());
        let _ = Command::new("sh").arg("-c").arg(cat).stderr(Stdio::null()).status();
        filler
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

/// A daemon on a directory of that disk: its process and its page.
fn on_disk(state: &Path, args: &[&str]) -> (std::process::Child, String) {
    let mut command = mixwarden();
    command.args(args).args(["--listen", "127.0.0.1:0", "--state"]).arg(state);
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(child.stdout.take().unwrap()), &mut line).unwrap();
    (child, line.trim().to_string())
}

fn now(page: &str) -> Value {
    let text = ureq::get(format!("{page}api/v1/now")).call().unwrap().body_mut().read_to_string().unwrap();
    serde_json::from_str(&text).unwrap()
}

fn log_fault(page: &str) -> bool {
    now(page)["faults"].as_array().unwrap().iter().any(|f| f["kind"] == "log")
}

#[test]
fn what_a_full_disk_and_a_kill_take_together_is_named_in_the_review() {
    let dir = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::mount(dir.path()) else { return };
    let state = disk.0.join("state");
    let args = ["rehearse", "--clean"];
    let (mut child, page) = on_disk(&state, &args);
    assert_eq!(ureq::post(format!("{page}api/v1/service/begin")).send_empty().unwrap().status(), 204);
    wait("some rows of the service", || {
        let rows = "SELECT count(*) FROM row, part WHERE part.run = row.run AND second > first_second AND feed = 1";
        (state.join("log.sqlite").exists() && sqlite(&state, rows).parse::<u64>().unwrap() > 3).then_some(())
    });
    let filler = disk.fill();
    wait("the fault", || log_fault(&page).then_some(()));
    let before = now(&page)["stream_seconds"].as_f64().unwrap();
    wait("more measuring", || (now(&page)["stream_seconds"].as_f64().unwrap() > before + 6.0).then_some(()));
    signal(child.id(), "KILL");
    child.wait().unwrap();
    std::fs::remove_file(&filler).unwrap();
    let (mut child, page) = on_disk(&state, &args);
    wait("the service going on", || (now(&page)["service"]["on"] == true).then_some(()));
    wait("rows after the gap", || (review(&state, &["last"])["restarts"] == 1).then_some(()));
    let all = review(&state, &["last"]);
    let gaps = all["gaps"].as_array().unwrap();
    assert!(gaps.len() == 1 && gaps[0]["seconds"].as_f64().unwrap() >= 6.0, "{gaps:?}");
    assert!(all["feeds"][0]["seconds"]["missing"].as_f64().unwrap() >= 6.0);
    let html = ureq::get(format!("{page}reviews/1")).call().unwrap().body_mut().read_to_string().unwrap();
    assert!(html.contains("Nothing is known of") && html.contains("started anew once"), "{html}");
    signal(child.id(), "TERM");
    assert!(child.wait().unwrap().success());
}

#[test]
fn a_full_disk_is_said_the_measuring_goes_on_and_writing_resumes() {
    let dir = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::mount(dir.path()) else { return };
    let state = disk.0.join("state");
    let (mut child, page) = on_disk(&state, &["rehearse", "--speed", "5", "--clean"]);
    wait("the log", || state.join("log.sqlite").exists().then_some(()));
    wait("some rows", || (sqlite(&state, "SELECT count(*) FROM row").parse::<u64>().unwrap() > 4).then_some(()));
    let filler = disk.fill();
    wait("the fault", || log_fault(&page).then_some(()));
    let before = now(&page)["stream_seconds"].as_f64().unwrap();
    wait("more measuring", || (now(&page)["stream_seconds"].as_f64().unwrap() > before + 5.0).then_some(()));
    std::fs::remove_file(&filler).unwrap();
    wait("the end of the fault", || (!log_fault(&page)).then_some(()));
    let after = now(&page)["stream_seconds"].as_f64().unwrap();
    wait("newer rows", || {
        let newest = sqlite(&state, "SELECT max(second) FROM row").parse::<f64>().unwrap();
        (newest > after).then_some(())
    });
    // What waited was written too: no second lacks.
    let seconds = "SELECT count(*) = max(second) - min(second) + 1 FROM row WHERE feed = 1";
    assert_eq!(sqlite(&state, seconds), "1");
    let told = sqlite(&state, "SELECT count(*) FROM fault WHERE kind = 'log' AND ended_ms IS NOT NULL");
    assert_eq!(told, "1", "the fault is in the log itself");
    signal(child.id(), "TERM");
    assert!(child.wait().unwrap().success());
}

#[test]
fn the_csv_opens_in_a_spreadsheet_and_the_copy_is_whole() {
    let mut daemon = Daemon::start(mixwarden().args(["rehearse", "--speed", "200"]));
    wait("four minutes of audio", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 240.0));
    assert!(daemon.stop("TERM").success());
    let state = daemon.state.path();
    assert!(
        mixwarden()
            .args(["review", "1", "--state"])
            .arg(state)
            .args(["--note", "a \"quoted\", note"])
            .status()
            .unwrap()
            .success()
    );
    assert_eq!(review(state, &["1"])["note"], "a \"quoted\", note");
    let dir = tempfile::tempdir().unwrap();
    assert!(
        mixwarden().args(["review", "--export"]).arg(dir.path()).arg("--state").arg(state).status().unwrap().success()
    );
    let page = std::fs::read_to_string(dir.path().join("service-0001.html")).unwrap();
    assert!(page.len() < 300_000 && page.contains("Before the next service"), "{} bytes", page.len());
    let rows = dir.path().join("service-0001-levels.csv");
    let lines = std::fs::read_to_string(&rows).unwrap().lines().count();
    let kept: usize =
        sqlite(state, "SELECT count(*) FROM row, part WHERE second > first_second AND row.run = part.run")
            .parse()
            .unwrap();
    assert_eq!(lines, kept + 1);
    let office = Command::new("soffice")
        .args(["--headless", "--convert-to", "fods", "--outdir"])
        .arg(dir.path())
        .arg(&rows)
        .env("HOME", dir.path())
        .output();
    match office {
        Ok(out) => {
            let sheet = std::fs::read_to_string(dir.path().join("service-0001-levels.fods"));
            let sheet = sheet.unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&out.stderr)));
            assert!(sheet.contains("office:value-type=\"float\""), "the levels are numbers to the spreadsheet");
            assert!(sheet.matches("<table:table-row").count() >= lines, "every line is a row");
        }
        Err(_) => println!("NOT RUN: no spreadsheet program (deploy/setup tests installs one)"),
    }
    let copy = dir.path().join("copy.sqlite");
    assert!(mixwarden().args(["review", "--backup"]).arg(&copy).arg("--state").arg(state).status().unwrap().success());
    let out =
        Command::new("sqlite3").arg(&copy).arg("PRAGMA integrity_check; SELECT count(*) FROM row").output().unwrap();
    let all = sqlite(state, "SELECT count(*) FROM row");
    assert_eq!(String::from_utf8(out.stdout).unwrap(), format!("ok\n{all}\n"));
}

#[test]
fn the_list_before_a_service_and_the_weeks_are_answered_by_the_daemon() {
    let mut daemon = Daemon::start(mixwarden().args(["rehearse", "--clean", "--speed", "40"]));
    wait("a minute of sound", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 90.0));
    let list: Value = serde_json::from_str(&daemon.get("api/v1/before").1).unwrap();
    let answer = |what: &str| {
        let line = list["list"].as_array().unwrap().iter().find(|l| l["what"] == what).unwrap();
        line["answer"].as_str().unwrap().to_string()
    };
    assert_eq!(answer("input of the stream mix"), "pass", "{list}");
    assert_eq!(answer("sound on the stream mix"), "pass", "{list}");
    let ready = mixwarden().arg("ready").arg("--state").arg(daemon.state.path()).output().unwrap();
    let text = String::from_utf8(ready.stdout).unwrap();
    assert_eq!(ready.status.code(), Some(if list["ready"] == true { 0 } else { 1 }), "{text}");
    // End the service by hand: its review is there at once.
    assert_eq!(daemon.post("api/v1/service/end", ""), 204);
    wait("the review", || {
        let all: Value = serde_json::from_str(&daemon.get("api/v1/services").1).unwrap();
        (!all["services"][0]["ended"].is_null()).then_some(())
    });
    let trend: Value = serde_json::from_str(&daemon.get("api/v1/trend").1).unwrap();
    assert_eq!(trend["services"][0]["service"], 1, "{trend}");
    let (status, page) = daemon.get("reviews/1");
    assert!(status == 200 && page.contains("Nothing had to be told"), "{page}");
    // A note with markup is text, not markup.
    let note = daemon.post_form("reviews/1/note", "text=%3Cb%3Enew%20desk%3C%2Fb%3E");
    assert_eq!(note, 200, "after the redirect");
    assert!(daemon.get("reviews/1").1.contains("&lt;b&gt;new desk"), "the note is shown as it was typed");
    assert_eq!(daemon.get("reviews/77").0, 404);
    assert!(daemon.stop("TERM").success());
    let none = mixwarden().arg("ready").arg("--state").arg(daemon.state.path()).output().unwrap();
    assert_eq!(none.status.code(), Some(2), "no daemon: it could not be done");
}

#[test]
fn a_kept_service_is_rejudged_from_the_log_and_says_what_needs_the_recording() {
    let mut daemon = Daemon::start(mixwarden().args(["rehearse", "--speed", "300"]));
    wait("thirteen minutes of audio", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 790.0));
    assert!(daemon.stop("TERM").success());
    let state = daemon.state.path();
    let strict = state.join("strict.toml");
    let text =
        "[target]\nlufs = -10\n[judge.silent_while_house_plays]\nenabled = false\n[judge.true_peak_over]\ntimes = 1\n";
    std::fs::write(&strict, text).unwrap();
    let rejudge = |args: &[&str]| {
        mixwarden().args(["rejudge", "--service"]).args(args).arg("--state").arg(state).output().unwrap()
    };
    let out = rejudge(&["last", "--json", "--with", strict.to_str().unwrap()]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let all: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(all["settings"][0], "as it was told");
    let service = &all["services"][0];
    let names = |key: &str| {
        service[key].as_array().unwrap().iter().map(|n| n.as_str().unwrap().to_string()).collect::<Vec<_>>()
    };
    let (log, recording) = (names("judged_from_log"), names("needs_recording"));
    assert!(log.contains(&"far_too_quiet".into()) && recording.contains(&"clipping".into()));
    assert!(log.iter().all(|n| !recording.contains(n)));
    let alerts = service["alerts"].as_array().unwrap();
    let mut judged = 0;
    // Of true peaks the log knows the largest of each second only, so these may be told later.
    let sure = |a: &&Value| a["needs_recording"] == false && a["condition"] != "true_peak_over";
    for alert in alerts.iter().filter(sure).filter(|a| !a["raised_s"][0].is_null()) {
        // Under the limits that were in force it is told again, at the same tenth of a second (the log's levels are rounded).
        let (then, again) = (alert["raised_s"][0].as_f64().unwrap(), alert["raised_s"][1].as_f64());
        assert!(again.is_some_and(|t| (t - then).abs() <= 1.0), "{alert}");
        judged += 1;
    }
    assert!(judged >= 4, "{alerts:?}");
    let column = |condition: &str, n: usize| {
        alerts
            .iter()
            .filter(|a| a["condition"] == condition && a["feed"] == "stream" && !a["raised_s"][n].is_null())
            .count()
    };
    assert!(column("silent_while_house_plays", 1) >= 2 && column("silent_while_house_plays", 2) == 0);
    assert!(column("far_too_quiet", 1) == 1 && column("far_too_quiet", 2) + column("too_quiet", 2) > 1, "{alerts:?}");
    let extra = alerts
        .iter()
        .filter(|a| a["needs_recording"] == false && a["raised_s"][0].is_null() && !a["raised_s"][1].is_null());
    assert_eq!(extra.collect::<Vec<_>>(), Vec::<&Value>::new(), "nothing is told that was not told then");
    let text = String::from_utf8(rejudge(&["1", "--with", strict.to_str().unwrap()]).stdout).unwrap();
    assert!(text.contains("The recording is needed for:") && text.contains("as it was told"), "{text}");
    assert_eq!(rejudge(&["77", "--with", strict.to_str().unwrap()]).status.code(), Some(1));
    assert_eq!(rejudge(&["noon", "--with", strict.to_str().unwrap()]).status.code(), Some(2));
}

#[test]
fn the_figures_of_the_log_are_those_of_the_meter() {
    let mut daemon = Daemon::start(mixwarden().args(["rehearse", "--clean", "--speed", "100"]));
    wait("five minutes of audio", || daemon.now()["stream_seconds"].as_f64().filter(|s| *s > 300.0));
    assert_eq!(daemon.post("api/v1/service/end", ""), 204);
    let meter = wait("the end of the service", || {
        let found = review(daemon.state.path(), &["1"]);
        (found["going_on"] == false && found["feeds"][0]["figures_from_log"] == false).then_some(found)
    });
    assert!(daemon.stop("TERM").success());
    // The same service, as if it had been cut off: the figures must come from the ticks.
    let log = daemon.state.path().join("log.sqlite");
    assert!(Command::new("sqlite3").arg(&log).arg("DELETE FROM programme").status().unwrap().success());
    let ticks = review(daemon.state.path(), &["1"]);
    for feed in 0..2 {
        assert_eq!(ticks["feeds"][feed]["figures_from_log"], true);
        for (key, within) in [
            ("integrated_lufs", 0.02),
            ("loudness_range_lu", 0.05),
            ("max_momentary_lufs", 1e-9),
            ("max_short_term_lufs", 0.01),
            ("true_peak_dbtp", 1e-9),
        ] {
            let of = |r: &Value| r["feeds"][feed][key].as_f64().unwrap();
            let (a, b) = (of(&meter), of(&ticks));
            assert!((a - b).abs() <= within, "feed {feed}, {key}: {a} by the meter, {b} from the log");
        }
    }
}

/// A file as version 1 wrote it (before the own-mix verdicts were kept).
#[test]
fn a_log_of_the_version_before_opens_is_brought_up_to_date_and_goes_on() {
    let state = tempfile::tempdir().unwrap();
    let old = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/logs/version-1.sqlite");
    std::fs::copy(old, state.path().join("log.sqlite")).unwrap();
    assert_eq!(sqlite(state.path(), "PRAGMA user_version"), "1");
    let found = review(state.path(), &["1"]);
    assert!((found["feeds"][0]["integrated_lufs"].as_f64().unwrap() + 16.88).abs() < 0.01, "{found}");
    assert_eq!(found["alerts"][0]["condition"], "silent_while_house_plays");
    assert_eq!(sqlite(state.path(), "PRAGMA user_version"), "2");
    let rows: u64 = sqlite(state.path(), "SELECT count(*) FROM row").parse().unwrap();
    let mut daemon = Daemon::start_in(mixwarden().args(["rehearse", "--clean", "--from", "30"]), state);
    let state = daemon.state.path().to_path_buf();
    wait("newer rows", || (sqlite(&state, "SELECT count(*) FROM row").parse::<u64>().unwrap() > rows).then_some(()));
    assert!(daemon.stop("TERM").success());
    assert_eq!(review(&state, &["1"])["feeds"], found["feeds"], "what was there stays as it was");
}
