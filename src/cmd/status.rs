//! `mixwarden status`: what the running daemon says, for people, for scripts and for monitoring systems that run plugins
//! (one line first, performance data behind a bar, exit status 0 good, 1 warning, 2 critical, 3 unknown).

use crate::run::control::Daemon;
use clap::Args;
use serde_json::Value;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Say how it stands: the running daemon's words and numbers.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden status\n  mixwarden status --url http://booth.local:8391/\n  \
    mixwarden status --url http://booth.local:8391/ --key-file look.key --json\n\n\
    Exit status, as monitoring plugins have it: 0 all is well, 1 advice or a fault of the box, 2 a warning stands or the\n\
    measuring has stopped, 3 there is no answer.")]
pub struct StatusArgs {
    /// Print the whole answer as JSON (version 1, see openapi.json).
    #[arg(long)]
    json: bool,
    /// Address of the page, in place of the daemon on this computer; a link with its key is taken as it is.
    #[arg(long, value_name = "URL")]
    url: Option<String>,
    /// File with the key for that address (role look is enough).
    #[arg(long, value_name = "FILE", requires = "url")]
    key_file: Option<PathBuf>,
    /// Directory of the log of the daemon on this computer.
    #[arg(long, value_name = "DIR", conflicts_with = "url")]
    state: Option<PathBuf>,
}

/// How it stands, in the order of the exit statuses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    Ok,
    Warning,
    Critical,
    Unknown,
}

impl Standing {
    fn name(self) -> &'static str {
        match self {
            Self::Ok => "OK",
            Self::Warning => "WARNING",
            Self::Critical => "CRITICAL",
            Self::Unknown => "UNKNOWN",
        }
    }

    fn exit(self) -> ExitCode {
        ExitCode::from(self as u8)
    }
}

/// Prints it. Whatever goes wrong is said on standard output, as plugins do; the exit status tells.
pub fn run(args: &StatusArgs) -> ExitCode {
    let asked = daemon(args).and_then(|daemon| {
        let now = daemon.get("/api/v1/now")?;
        if now.status != 200 {
            return Err(format!("{} answers: {}", daemon.place(), now.body.trim()));
        }
        let ready = daemon.get("/ready")?;
        let value = serde_json::from_str::<Value>(&now.body)
            .map_err(|_| format!("{} is no mixwarden: its answer is no JSON", daemon.place()))?;
        Ok((value, now.body, ready.body))
    });
    let (value, json, ready) = match asked {
        Ok(answer) => answer,
        Err(why) => {
            if args.json {
                println!("{}", serde_json::json!({ "error": why }));
            } else {
                println!("MIXWARDEN UNKNOWN - {why}");
            }
            return Standing::Unknown.exit();
        }
    };
    let stopped = ready.starts_with("the measuring has stopped");
    let standing = standing(&value, stopped);
    if args.json {
        println!("{json}");
    } else {
        print!("{}", told(&value, standing, stopped));
    }
    standing.exit()
}

fn daemon(args: &StatusArgs) -> Result<Daemon, String> {
    let Some(url) = &args.url else {
        return super::daemon_here(args.state.as_deref())
            .ok_or_else(|| "no daemon is running on this computer (mixwarden watch), or it is another user's".into());
    };
    let mut daemon = Daemon::at(url)?;
    if let (Some(file), Daemon::Url { key, .. }) = (&args.key_file, &mut daemon) {
        let text = std::fs::read_to_string(file).map_err(|e| format!("{}: {e}", file.display()))?;
        // A line of the keys file is taken as well as the bare key.
        *key = text.split_whitespace().last().map(str::to_string);
    }
    Ok(daemon)
}

fn list<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().map_or(&[], Vec::as_slice)
}

fn word<'a>(value: &'a Value, key: &str) -> &'a str {
    value[key].as_str().unwrap_or("")
}

fn standing(now: &Value, stopped: bool) -> Standing {
    let stands = |severity: &str| list(now, "alerts").iter().any(|a| a["severity"] == severity);
    if !now["feeds"].is_array() {
        Standing::Unknown
    } else if stopped || stands("warning") {
        Standing::Critical
    } else if stands("advice") || !list(now, "faults").is_empty() {
        Standing::Warning
    } else {
        Standing::Ok
    }
}

fn told(now: &Value, standing: Standing, stopped: bool) -> String {
    let venue = if word(now, "venue").is_empty() { "this venue" } else { word(now, "venue") };
    let sentence = if stopped { "The measuring has stopped." } else { word(now, "sentence") };
    let mut text = format!("MIXWARDEN {} - {venue}: {sentence}{}\n", standing.name(), performance(now));
    let service = &now["service"];
    let _ = match (service["on"].as_bool(), service["seconds"].as_f64()) {
        (Some(true), Some(s)) => writeln!(text, "A service is on, for {} minutes.", (s / 60.0) as u64),
        _ if service["overdue"] == true => writeln!(text, "A set start has passed in silence."),
        _ => writeln!(text, "No service is on."),
    };
    if now["rehearsal"] == true {
        text.push_str("This is a rehearsal: the sound is made up.\n");
    }
    for feed in list(now, "feeds") {
        let level = |key: &str| feed[key].as_f64().map_or("-".into(), |x| format!("{x:.1}"));
        let _ = writeln!(
            text,
            "{:<8} {:<16} now {:>6} LUFS, this service {:>6} LUFS, target {:.1} LUFS ({})",
            word(feed, "name"),
            word(feed, "signal").replace('_', " "),
            level("short_term_lufs"),
            level("integrated_lufs"),
            now["target"]["lufs"].as_f64().unwrap_or(f64::NAN),
            word(feed, "source")
        );
    }
    for alert in list(now, "alerts") {
        let seen = if alert["acknowledged_seconds"].is_null() { "" } else { " (seen by the booth)" };
        let _ = writeln!(text, "{}: {}{seen}", word(alert, "severity"), word(alert, "headline"));
        for check in list(alert, "checks").iter().filter_map(Value::as_str) {
            let _ = writeln!(text, "  - {check}");
        }
    }
    for fault in list(now, "faults") {
        let _ = writeln!(text, "this computer: {}", word(fault, "sentence"));
    }
    text
}

/// Performance data: levels that are numbers, with the true-peak limit; the convention has no unit for loudness.
fn performance(now: &Value) -> String {
    let mut text = String::new();
    for feed in list(now, "feeds") {
        for (key, limit) in [
            ("short_term_lufs", None),
            ("integrated_lufs", None),
            ("max_true_peak_dbtp", now["target"]["true_peak_dbtp"].as_f64()),
        ] {
            let Some(x) = feed[key].as_f64() else { continue };
            let bar = if text.is_empty() { " |" } else { "" };
            let limit = limit.map_or(String::new(), |l| format!(";{l:.1}"));
            let _ = write!(text, "{bar} {}_{key}={x:.1}{limit}", word(feed, "name"));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn now(alerts: Value, faults: Value) -> Value {
        json!({
            "venue": "Larkfield Chapel", "sentence": "Sound is good.", "service": { "on": true, "seconds": 130.0 },
            "target": { "lufs": -18.0, "true_peak_dbtp": -1.0 }, "alerts": alerts, "faults": faults,
            "feeds": [{ "name": "stream", "signal": "sound", "short_term_lufs": -18.24, "max_true_peak_dbtp": -3.0, "source": "desk" }],
        })
    }

    #[test]
    fn each_standing_has_its_exit_status_and_the_first_line_is_a_plugins() {
        let alert = |severity: &str| json!([{ "severity": severity, "headline": "It hums", "checks": ["Unplug it."] }]);
        for (now, stopped, want) in [
            (now(json!([]), json!([])), false, Standing::Ok),
            (now(alert("note"), json!([])), false, Standing::Ok),
            (now(alert("advice"), json!([])), false, Standing::Warning),
            (now(json!([]), json!([{ "kind": "log", "sentence": "Full." }])), false, Standing::Warning),
            (now(alert("warning"), json!([])), false, Standing::Critical),
            (now(json!([]), json!([])), true, Standing::Critical),
            (json!({ "other": "program" }), false, Standing::Unknown),
        ] {
            assert_eq!(standing(&now, stopped), want, "{now}");
        }
        let text = told(&now(alert("warning"), json!([])), Standing::Critical, false);
        assert_eq!(
            text.lines().next().unwrap(),
            "MIXWARDEN CRITICAL - Larkfield Chapel: Sound is good. | stream_short_term_lufs=-18.2 stream_max_true_peak_dbtp=-3.0;-1.0"
        );
        assert!(text.contains("for 2 minutes") && text.contains("  - Unplug it."), "{text}");
    }
}
