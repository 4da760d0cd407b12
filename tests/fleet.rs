//! Many venues: units of the service manager, metrics, rules, alerts from a fault to a hook, by the real programs.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

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
