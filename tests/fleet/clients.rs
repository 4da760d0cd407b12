//! The commands that speak to a running daemon: its standing, links for other machines, the archive for a helper.

use super::world::{Daemon, http, root, text, tool, wait};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn mixwarden(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_mixwarden")).args(arguments).output().unwrap()
}

#[test]
fn status_speaks_as_plugins_do() {
    let directory = tempfile::tempdir().unwrap();
    let (calm, ill) = (directory.path().join("calm"), directory.path().join("ill"));
    let clean = Daemon::start(&["rehearse", "--clean"], &calm, Stdio::null());
    let faulty = Daemon::start(&["rehearse", "--speed", "20"], &ill, Stdio::null());
    let exit = |o: &Output| o.status.code().unwrap();

    let by_socket = mixwarden(&["status", "--state", calm.to_str().unwrap()]);
    assert_eq!(exit(&by_socket), 0, "{}", text(&by_socket));
    let told = text(&by_socket);
    assert!(told.starts_with("MIXWARDEN OK - Larkfield Chapel: "), "{told}");
    assert!(told.contains("stream") && told.contains("house") && told.contains("rehearsal"), "{told}");
    let by_url = mixwarden(&["status", "--url", &clean.url, "--json"]);
    let json: Value = serde_json::from_slice(&by_url.stdout).unwrap();
    assert_eq!((exit(&by_url), &json["version"]), (0, &1.into()));

    let mut last = Vec::new();
    wait("a warning", || {
        last = mixwarden(&["status", "--url", &faulty.url]).stdout;
        String::from_utf8_lossy(&last).starts_with("MIXWARDEN CRITICAL - ")
    });
    let told = String::from_utf8_lossy(&last).to_string();
    let warning = told.lines().position(|l| l.starts_with("warning: ")).unwrap();
    assert!(told.lines().nth(warning + 1).unwrap().starts_with("  - "), "{told}");

    drop(clean);
    for gone in [
        mixwarden(&["status", "--state", calm.to_str().unwrap()]),
        mixwarden(&["status", "--url", "http://127.0.0.1:9/"]),
        mixwarden(&["status", "--url", "nonsense"]),
    ] {
        assert_eq!(exit(&gone), 3, "{}", text(&gone));
        assert!(text(&gone).starts_with("MIXWARDEN UNKNOWN - "), "{}", text(&gone));
    }
}

/// As another machine would ask: by a name that is not this computer's.
fn asked_from_afar(address: &str, path: &str, key: Option<&str>, body: Option<&str>) -> u16 {
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let url = format!("http://{address}{path}");
    let key = key.map(|k| format!("Bearer {k}")).unwrap_or_default();
    let answer = match body {
        None => agent.get(&url).header("host", "booth.example").header("authorization", key).call(),
        Some(body) => agent
            .post(&url)
            .header("host", "booth.example")
            .header("authorization", key)
            .content_type("application/json")
            .send(body),
    };
    answer.unwrap().status().as_u16()
}

#[test]
fn a_link_lets_in_for_what_its_role_says_and_no_further() {
    let directory = tempfile::tempdir().unwrap();
    let (settings, keys) = (directory.path().join("settings.toml"), directory.path().join("keys"));
    std::fs::write(&settings, format!("[page]\nkeys_file = {:?}\n", keys.to_str().unwrap())).unwrap();
    std::fs::write(&keys, "# made by hand\nmanage 0123456789abcdef-manage\n").unwrap();
    let settings = settings.to_str().unwrap();
    let daemon = Daemon::start(&["rehearse", "--settings", settings], &directory.path().join("state"), Stdio::null());
    let made =
        mixwarden(&["links", "--settings", settings, "--new", "look", "--address", "http://booth.example:8391/"]);
    let told = String::from_utf8_lossy(&made.stdout).to_string();
    assert!(made.status.success(), "{}", text(&made));
    let link = told.lines().next().unwrap().strip_prefix("look: http://booth.example:8391/?key=").unwrap();
    assert!(told.lines().count() > 15, "no picture:\n{told}");
    let picture = directory.path().join("look.svg");
    let drawn = mixwarden(&["links", "--settings", settings, "--role", "look", "--svg", picture.to_str().unwrap()]);
    assert!(drawn.status.success() && std::fs::read_to_string(&picture).unwrap().contains("<svg"), "{}", text(&drawn));

    let ask = |path: &str, key: Option<&str>, body: Option<&str>| asked_from_afar(daemon.address(), path, key, body);
    assert_eq!(ask("/api/v1/now", None, None), 401);
    assert_eq!(ask("/api/v1/now", Some(link), None), 401, "the daemon has not read the new key yet");
    let id = daemon.process.0.id().to_string();
    assert!(Command::new("kill").args(["-HUP", &id]).status().unwrap().success());
    wait("the new key", || ask("/api/v1/now", Some(link), None) == 200);
    assert_eq!(ask("/api/v1/acknowledge", Some(link), Some("{\"alert\":\"all\"}")), 403);
    assert_eq!(ask("/api/v1/acknowledge", Some("0123456789abcdef-manage"), Some("{\"alert\":\"all\"}")), 204);
    // Taken back: its line removed.
    std::fs::write(&keys, "manage 0123456789abcdef-manage\n").unwrap();
    assert!(Command::new("kill").args(["-HUP", &id]).status().unwrap().success());
    wait("the end of the link", || ask("/api/v1/now", Some(link), None) == 401);
    assert_eq!(http("GET", &format!("{}api/v1/now", daemon.url), "").unwrap().0, 200, "this computer itself");
}

fn unpack(archive: &Path, directory: &Path) {
    let told = tool("tar").arg("-xf").arg(archive).arg("-C").arg(directory).output().unwrap();
    assert!(told.status.success(), "{}", text(&told));
}

#[test]
fn the_archive_for_a_helper_has_all_but_what_is_private() {
    let directory = tempfile::tempdir().unwrap();
    let settings = directory.path().join("settings.toml");
    let secret = "hunter2-hunter2-hunter2";
    std::fs::write(directory.path().join("keys"), format!("look {secret}\n")).unwrap();
    let written = format!(
        "# {secret}\n[venue]\nname = \"Harbour Street council chamber\"\n[page]\nkeys_file = {:?}\n[tell.mail]\nenabled = false\nto = [\"anna@harbour.example\"]\n",
        directory.path().join("keys").to_str().unwrap()
    );
    std::fs::write(&settings, written).unwrap();
    let settings = settings.to_str().unwrap();
    let state = directory.path().join("state");
    let _daemon = Daemon::start(&["rehearse", "--settings", settings], &state, Stdio::null());
    let archive = directory.path().join("booth.tar");
    let arguments =
        ["support", "--settings", settings, "--state", state.to_str().unwrap(), "--out", archive.to_str().unwrap()];
    let told = mixwarden(&arguments);
    assert!(told.status.success(), "{}", text(&told));
    assert_eq!(mixwarden(&arguments).status.code(), Some(2), "a file that is there is not written over");
    unpack(&archive, directory.path());
    let files = directory.path().join("mixwarden-support");
    let mut all = String::new();
    for name in [
        "README.txt",
        "version.txt",
        "system.txt",
        "settings.txt",
        "inputs.txt",
        "selfcheck.txt",
        "log.txt",
        "state.txt",
        "now.json",
        "metrics.txt",
    ] {
        let text = std::fs::read_to_string(files.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(!text.trim().is_empty(), "{name} is empty");
        all += &text;
    }
    assert!(!all.contains(secret) && !all.contains("anna"), "{all}");
    assert!(all.contains("Harbour Street council chamber") && all.contains("mixwarden_feed_up"), "{all}");
    assert_eq!(std::fs::read_dir(&files).unwrap().count(), 11, "text files only");
}

#[test]
fn the_containers_script_brings_a_stream_to_the_daemon_and_ends_with_it() {
    let directory = tempfile::tempdir().unwrap();
    let wav = directory.path().join("stream.wav");
    let tone = tool("ffmpeg")
        .args(["-loglevel", "error", "-f", "lavfi", "-i", "sine=frequency=440:sample_rate=44100:duration=100"])
        .arg(&wav)
        .output()
        .unwrap();
    assert!(tone.status.success(), "{}", text(&tone));
    let mut command = Command::new(root().join("deploy/container/listen-to.sh"));
    command.arg(&wav).args(["--listen", "127.0.0.1:0", "--state"]).arg(directory.path().join("state"));
    command.env("PATH", path_with_the_program());
    let mut script = Daemon::of(command.env("MIXWARDEN_LOG", "error").stdin(Stdio::null()));
    wait("sound", || {
        let metrics = script.metrics();
        let level = metrics.lines().find_map(|l| l.strip_prefix("mixwarden_short_term_lufs{feed=\"stream\"} "));
        level.and_then(|l| l.parse::<f64>().ok()).is_some_and(|l| (-40.0..-10.0).contains(&l))
    });
    let id = script.process.0.id().to_string();
    assert!(Command::new("kill").arg(&id).status().unwrap().success());
    script.process.0.wait().unwrap();
    wait("the end of the daemon", || super::world::get(&format!("{}healthy", script.url)).is_none());
}

#[test]
fn the_containers_script_ends_where_nothing_answers_so_that_it_is_tried_again() {
    let directory = tempfile::tempdir().unwrap();
    let mut command = Command::new("timeout");
    command.arg("30").arg(root().join("deploy/container/listen-to.sh")).arg(directory.path().join("none.wav"));
    command.args(["--listen", "127.0.0.1:0", "--state"]).arg(directory.path().join("state"));
    let ended = command.env("PATH", path_with_the_program()).stdin(Stdio::null()).output().unwrap();
    assert_eq!(ended.status.code(), Some(75), "{}", text(&ended));
}

fn path_with_the_program() -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_mixwarden")).parent().unwrap();
    format!("{}:{}", program.display(), std::env::var("PATH").unwrap())
}
