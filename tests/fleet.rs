//! Many venues: units of the service manager, metrics, rules, alerts from a fault to a hook, by the real programs.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::judge::ROSTER;
use mixwarden::ledger::runbook;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A program of the system; the tests need it.
fn tool(name: &str) -> Command {
    let found = ["/usr/bin", "/usr/sbin", "/bin", "/sbin"].iter().map(|d| Path::new(d).join(name)).find(|p| p.exists());
    Command::new(found.unwrap_or_else(|| panic!("{name} is missing: deploy/setup tests")))
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

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
