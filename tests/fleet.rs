//! Many venues: units of the service manager, metrics, rules, alerts from a fault to a hook, by the real programs.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::judge::ROSTER;
use mixwarden::ledger::runbook;
use mixwarden::show::METRICS;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use world::{Daemon, Hook, Tap, Watchtower, root, text, tool, wait};

#[path = "fleet/clients.rs"]
mod clients;
#[path = "fleet/world.rs"]
mod world;

/// The units as they are installed, with a program at the place that they name.
fn installed_units(directory: &Path) -> [PathBuf; 2] {
    let place = |from: &str, to: &str| {
        let text = std::fs::read_to_string(root().join("deploy/systemd").join(from)).unwrap();
        let to = directory.join(to);
        std::fs::create_dir_all(to.parent().unwrap()).unwrap();
        std::fs::write(&to, text.replace("/usr/bin/mixwarden", env!("CARGO_BIN_EXE_mixwarden"))).unwrap();
        to
    };
    [place("mixwarden.service", "system/mixwarden.service"), place("mixwarden-user.service", "user/mixwarden.service")]
}

#[test]
fn the_units_are_understood_and_fenced_off() {
    let directory = tempfile::tempdir().unwrap();
    let [system, user] = installed_units(directory.path());
    for (unit, flags) in [(&system, vec!["--man=no"]), (&user, vec!["--man=no", "--user"])] {
        let told = tool("systemd-analyze")
            .args(flags)
            .arg("verify")
            .arg(unit)
            .env("XDG_RUNTIME_DIR", directory.path())
            .output()
            .unwrap();
        let about_it: Vec<String> =
            text(&told).lines().filter(|l| l.contains("mixwarden")).map(str::to_string).collect();
        assert!(about_it.is_empty(), "{about_it:?}");
    }
    let told = tool("systemd-analyze")
        .args(["security", "--offline=true", "--threshold=20", "--no-pager"])
        .arg(&system)
        .output()
        .unwrap();
    assert!(told.status.success(), "exposure over 2.0:\n{}", text(&told));
    // The sound devices stay: without them the fence would be worthless.
    let unit = std::fs::read_to_string(&system).unwrap();
    assert!(unit.contains("\nDeviceAllow=char-alsa rw\n") && !unit.contains("\nPrivateDevices="), "{unit}");
}

/// A document that the program makes: equal to its file, or written there with BLESS=1.
fn same_as_file(path: &str, made: &str) {
    let file = root().join(path);
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&file, made).unwrap();
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    assert!(kept == made, "{path} is not what the program says: run the tests with BLESS=1");
}

#[test]
fn documents_are_what_the_program_says() {
    same_as_file("deploy/prometheus/METRICS.md", &mixwarden::show::metrics_table());
    same_as_file("deploy/prometheus/rules/conditions.yml", &mixwarden::show::condition_rules());
    same_as_file("deploy/prometheus/tests/conditions_test.yml", &mixwarden::show::condition_rule_tests());
    for (name, dashboard) in mixwarden::show::dashboards() {
        same_as_file(
            &format!("dashboards/{name}"),
            &format!("{}\n", serde_json::to_string_pretty(&dashboard).unwrap()),
        );
    }
    let openapi = serde_json::to_string_pretty(mixwarden::show::openapi()).unwrap();
    same_as_file("deploy/openapi.json", &format!("{openapi}\n"));
    same_as_file("deploy/runbooks/README.md", &runbook::index());
    let mut want = vec!["README.md".to_string(), "the-box.md".to_string()];
    for listing in ROSTER {
        let name = format!("{}.md", listing.name);
        same_as_file(&format!("deploy/runbooks/{name}"), &runbook::page(listing));
        want.push(name);
    }
    for entry in std::fs::read_dir(root().join("deploy/runbooks")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if !want.contains(&name) {
            if std::env::var_os("BLESS").is_some() {
                std::fs::remove_file(entry.path()).unwrap();
            } else {
                panic!("deploy/runbooks/{name} belongs to no condition: run the tests with BLESS=1");
            }
        }
    }
}

#[test]
fn rules_and_routes_are_understood_and_do_what_they_say() {
    let prometheus = root().join("deploy/prometheus");
    let passes = |command: &mut Command| {
        let told = command.output().unwrap();
        assert!(told.status.success(), "{command:?}\n{}", text(&told));
        text(&told)
    };
    for rules in ["recording", "box", "conditions"] {
        let told = passes(
            tool("promtool")
                .args(["check", "rules", "--lint=all", "--lint-fatal"])
                .arg(prometheus.join(format!("rules/{rules}.yml"))),
        );
        assert!(told.contains("SUCCESS"), "{told}");
    }
    for tests in ["rules", "conditions", "day"] {
        passes(tool("promtool").args(["test", "rules"]).arg(prometheus.join(format!("tests/{tests}_test.yml"))));
    }
    passes(tool("promtool").args(["check", "config", "--syntax-only"]).arg(prometheus.join("prometheus.yml")));
    passes(tool("promtool").args(["check", "config", "--agent", "--syntax-only"]).arg(prometheus.join("agent.yml")));
    let routes = root().join("deploy/alertmanager/alertmanager.yml");
    passes(tool("amtool").arg("check-config").arg(&routes));
    for (labels, receivers) in [
        (&["severity=warning", "venue=larkfield"][..], "larkfield_page,fleet_page"),
        (&["severity=warning", "venue=harbour-street"], "harbour_page,fleet_page"),
        (&["severity=warning", "venue=elsewhere"], "fleet_page"),
        (&["severity=advice", "venue=larkfield"], "fleet_quiet"),
        (&["severity=seen", "venue=larkfield"], "nobody"),
    ] {
        let told = passes(
            tool("amtool")
                .args(["config", "routes", "test"])
                .arg(format!("--config.file={}", routes.display()))
                .arg(format!("--verify.receivers={receivers}"))
                .args(labels),
        );
        assert!(told.contains(receivers), "{told}");
    }
}

/// Series of the daemon, without the words about them.
fn series(metrics: &str) -> Vec<&str> {
    metrics.lines().filter(|l| !l.starts_with('#')).collect()
}

#[test]
fn metrics_are_those_of_the_table_few_and_well_formed() {
    let directory = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&["rehearse", "--speed", "20"], directory.path(), Stdio::null());
    // A fault stands, so that the series that come and go are there too.
    wait("an alert", || daemon.metrics().contains("mixwarden_alert_raised_timestamp_seconds{"));
    let metrics = daemon.metrics();
    // Channels of notices have series where they are on.
    let notices = of_a_channel_whose_peer_is_gone(directory.path());
    let mut named = std::collections::BTreeSet::new();
    let those = |text, part| series(text).into_iter().filter(move |l| l.contains(part)).map(move |l| (text, l));
    for (text, line) in those(&metrics, "").chain(those(&notices, "channel=")) {
        let name = line.split(['{', ' ']).next().unwrap();
        let row = METRICS.iter().find(|m| m.name == name).unwrap_or_else(|| panic!("{name} is not in the table"));
        named.insert(name);
        assert!(text.contains(&format!("# TYPE {name} {}\n", row.kind)), "{name} is no {}", row.kind);
        let mut labels: Vec<&str> =
            line.split_once('{').map_or(vec![], |(_, l)| l.split("\",").filter_map(|l| l.split('=').next()).collect());
        labels.sort_unstable();
        let mut want = row.labels.to_vec();
        want.sort_unstable();
        assert_eq!(labels, want, "{line}");
    }
    let missing: Vec<&str> = METRICS.iter().map(|m| m.name).filter(|n| !named.contains(n)).collect();
    assert!(missing.is_empty(), "in the table, never exported: {missing:?}");
    let count = series(&metrics).len();
    println!("{count} series, {} bytes for two feeds", metrics.len());
    assert!(count <= 120, "{count} series");
    assert!(metrics.len() <= 25_000, "{} bytes", metrics.len());
    let mut lint = tool("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::io::Write::write_all(&mut lint.stdin.take().unwrap(), metrics.as_bytes()).unwrap();
    let told = lint.wait_with_output().unwrap();
    assert!(told.status.success(), "{}", text(&told));
}

/// The metrics of a daemon with a warning to tell, and nobody at the other end.
fn of_a_channel_whose_peer_is_gone(directory: &Path) -> String {
    std::fs::write(directory.join("url"), format!("http://127.0.0.1:{}/", world::free_port())).unwrap();
    let settings = directory.join("webhook.toml");
    let text = format!("[tell.webhook]\nenabled = true\nurl_from = \"file:{}/url\"\n", directory.display());
    std::fs::write(&settings, text).unwrap();
    let arguments = ["watch", "--input", "-", "--settings", settings.to_str().unwrap()];
    let mut daemon = Daemon::start(&arguments, &directory.join("alone"), Stdio::piped());
    let tap = Tap::open(daemon.process.0.stdin.take().unwrap());
    wait("sound", || daemon.metrics().contains("mixwarden_feed_signal{feed=\"stream\"} 3"));
    assert!(daemon.metrics().contains("mixwarden_notices_waiting{channel=\"webhook\"} 0"));
    wait("half a minute's loudness", || !daemon.metrics().contains("mixwarden_recent_lufs{feed=\"stream\"} NaN"));
    tap.sound(false);
    let fails = |metrics: &str| {
        let failures =
            metrics.lines().find_map(|l| l.strip_prefix("mixwarden_notice_failures_total{channel=\"webhook\"} "));
        failures.is_some_and(|n| n != "0") && metrics.contains("mixwarden_notices_waiting{channel=\"webhook\"} 1")
    };
    wait("a notice that waits", || fails(&daemon.metrics()));
    daemon.metrics()
}

#[test]
fn a_fault_in_the_booth_reaches_the_person_on_call_and_is_taken_back() {
    let directory = tempfile::tempdir().unwrap();
    let hook = Hook::open();
    let mut daemon = Daemon::start(&["watch", "--input", "-"], &directory.path().join("larkfield"), Stdio::piped());
    let tap = Tap::open(daemon.process.0.stdin.take().unwrap());
    let began = world::http("POST", &format!("{}api/v1/service/begin", daemon.url), "").unwrap();
    assert_eq!(began.0, 204, "{}", began.1);
    // Three more venues rehearse meanwhile, many times as fast, for the dashboards.
    let rehearsing = ["harbour-street", "harbour-hall", "pier-chapel"].map(|venue| {
        let arguments = ["rehearse", "--speed", "14", "--seed", &venue.len().to_string()];
        (venue, Daemon::start(&arguments, &directory.path().join(venue), Stdio::null()))
    });
    let mut jobs = vec![("larkfield", daemon.address(), 5)];
    jobs.extend(rehearsing.iter().map(|(venue, daemon)| (*venue, daemon.address(), 1)));
    let tower = Watchtower::start(directory.path(), &jobs, &hook);
    let value =
        |query: &str| tower.query(query, None).ok().and_then(|r| r.first()?["value"][1].as_str().map(str::to_string));
    wait("sound at Prometheus", || value("mixwarden_recent_lufs{venue=\"larkfield\"} > -Inf").is_some());
    assert_eq!(value("mixwarden:venue:need{venue=\"larkfield\"}").as_deref(), Some("0"));

    tap.sound(false);
    let name = "MixwardenDigitalSilence";
    let told = wait("the page", || !hook.told("/larkfield", name, "firing").is_empty());
    println!("from the fault to the person on call: {:.1} s at a 5 s scrape", told.as_secs_f64());
    let page = hook.told("/larkfield", name, "firing").remove(0);
    assert_eq!((&page["labels"]["venue"], &page["labels"]["severity"]), (&"larkfield".into(), &"warning".into()));
    assert!(page["annotations"]["runbook_url"].as_str().unwrap().ends_with("/digital_silence.md"), "{page}");
    assert_eq!(value("mixwarden_momentary_lufs{venue=\"larkfield\"} < -60").as_deref(), Some("-Inf"));

    // The booth says that it is on it: the alert stands, and Alertmanager tells nobody again.
    let seen = world::http("POST", &format!("{}api/v1/acknowledge", daemon.url), "{\"alert\":\"all\"}").unwrap();
    assert_eq!(seen.0, 204, "{}", seen.1);
    wait("the quiet after it is seen", || tower.suppressed(name));
    wait("the need that is seen", || value("mixwarden:venue:need{venue=\"larkfield\"}").as_deref() == Some("2"));

    tap.sound(true);
    let over = wait("the all-clear", || !hook.told("/larkfield", name, "resolved").is_empty());
    println!("from the sound's return to the all-clear: {:.1} s", over.as_secs_f64());
    // The goal is 30 s on a quiet machine; this one may be busy with other tests.
    assert!(told.as_secs_f64() <= 60.0, "{told:?}");

    // Recorded twice a minute: the last to come.
    wait("the slow recordings", || value("mixwarden:feed:warnings_7d").is_some());
    every_panel_shows_something(&tower);
}

/// Every query of every dashboard on the series that came together here.
fn every_panel_shows_something(tower: &Watchtower) {
    let mut asked = 0;
    for (name, dashboard) in mixwarden::show::dashboards() {
        for panel in dashboard["panels"].as_array().unwrap() {
            for target in panel["targets"].as_array().unwrap() {
                let query = target["expr"].as_str().unwrap();
                let query = query.replace("$venue", "harbour-street").replace("$__range", "10m");
                // A table shows the moment of an alert only while it stands: over the whole time there was one.
                let found = tower.query(&query, Some(90)).unwrap_or_else(|e| panic!("{name}: {query}: {e}"));
                let number = |v: &serde_json::Value| v[1].as_str().is_some_and(|v| v != "NaN");
                let shows = found.iter().any(|s| s["values"].as_array().is_some_and(|v| v.iter().any(number)));
                assert!(shows, "{name}, panel {}: {query} shows nothing", panel["title"]);
                asked += 1;
            }
        }
    }
    println!("{asked} queries of the dashboards show something (they were run, not rendered)");
}

#[test]
fn dashboards_have_the_published_shape() {
    let home = world::cache().join("grafana-schema");
    if !home.join("node_modules/@grafana/schema").is_dir() {
        println!("NOT RUN: @grafana/schema is not in {} (deploy/setup tests installs it where npm is)", home.display());
        return;
    }
    let files = ["venues", "venue", "weeks"].map(|n| root().join(format!("dashboards/{n}.json")));
    let told =
        Command::new("node").arg(root().join("tests/others/dashboards.mjs")).arg(&home).args(files).output().unwrap();
    println!("{}", text(&told));
    assert!(told.status.success(), "{}", text(&told));
}

/// A tool of the tests' own Python, or a word that there is none.
fn python_tool(name: &str) -> Option<Command> {
    let path = world::cache().join("http/bin").join(name);
    if !path.exists() {
        println!("NOT RUN: {} is missing (deploy/setup tests installs it)", path.display());
        return None;
    }
    Some(Command::new(path))
}

#[test]
fn the_interface_is_as_documented_and_no_request_breaks_it() {
    let directory = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&["rehearse", "--clean"], directory.path(), Stdio::null());
    let served = world::get(&format!("{}api/v1/openapi.json", daemon.url)).unwrap();
    let file = directory.path().join("openapi.json");
    std::fs::write(&file, &served).unwrap();
    if let Some(mut validator) = python_tool("openapi-spec-validator") {
        let told = validator.args(["--schema", "3.1"]).arg(&file).output().unwrap();
        assert!(told.status.success(), "{}", text(&told));
    }
    let Some(mut fuzzer) = python_tool("schemathesis") else { return };
    wait("the first look", || world::http("GET", &format!("{}ready", daemon.url), "").is_some_and(|a| a.0 == 200));
    let checks = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,negative_data_rejection";
    let told = fuzzer
        .args([
            "run",
            "--url",
            daemon.url.trim_end_matches('/'),
            "--checks",
            checks,
            "--max-examples",
            "60",
            "--seed",
            "8",
        ])
        .args(["--phases", "examples,coverage,fuzzing", "--no-color"])
        .arg(&file)
        .current_dir(directory.path())
        .output()
        .unwrap();
    assert!(told.status.success(), "{}", text(&told));
    println!(
        "{}",
        text(&told).lines().rev().take(25).collect::<Vec<_>>().into_iter().rev().collect::<Vec<_>>().join("\n")
    );
    assert!(daemon.metrics().contains("mixwarden_feed_up{feed=\"stream\"} 1"), "it still measures");
}
