//! Alert rules for Prometheus, one a condition, with the program's own words. The daemon has judged and waited already;
//! the rules only say whom its alerts concern: nobody outside services, and nobody twice.

use crate::judge::{Listing, ROSTER};
use std::fmt::Write as _;

/// Where the runbooks are; whoever hosts them elsewhere replaces it.
const RUNBOOKS: &str = "https://mixwarden.example.invalid/runbooks";

/// The rule file, YAML.
pub fn condition_rules() -> String {
    let mut text = String::from(
        "# Made from the program's own words: `BLESS=1 cargo test --release --test fleet` renews it.\n\
         # One alert a condition; label `severity` (advice, warning) comes from the venue; notes are not told.\n\
         # `for` is short because the venue's own waiting times (runbooks, \"When it is told\") have passed already.\n\
         groups:\n  - name: mixwarden_conditions\n    rules:\n",
    );
    for listing in ROSTER {
        rule(&mut text, listing);
    }
    text
}

fn rule(text: &mut String, listing: &Listing) {
    let feed = |sentence: &str| quoted(&sentence.replace("{feed}", "{{ $labels.feed }}"));
    let Some(words) = listing.words.first() else { return };
    let _ = write!(
        text,
        "      - alert: {}\n        expr: |-\n          \
         mixwarden_alert_raised_timestamp_seconds{{condition=\"{}\", severity!=\"note\"}}\n            \
         and on (venue, instance) (mixwarden_service_on == 1 or mixwarden_service_overdue == 1)\n        \
         for: 5s\n        annotations:\n          summary: {}\n          viewers: {}\n          since: {}\n          \
         check: {}\n          runbook_url: {RUNBOOKS}/{}.md\n",
        alert_name(listing.name),
        listing.name,
        feed(words.headline),
        feed(words.viewers),
        quoted("{{ $value | humanizeTimestamp }}"),
        feed(&words.checks.join(" ")),
        listing.name
    );
}

/// promtool's unit tests of these rules, YAML: each condition is told in a service and when a set start has passed in
/// silence, with its words; outside services it is not.
pub fn condition_rule_tests() -> String {
    let mut text = String::from(
        "# Made from the program's own words: `BLESS=1 cargo test --release --test fleet` renews it.\n\
         rule_files: [../rules/conditions.yml]\nevaluation_interval: 5s\ntests:\n",
    );
    for listing in ROSTER {
        let Some(words) = listing.words.first() else { continue };
        let said = |sentence: &str| quoted(&sentence.replace("{feed}", "stream"));
        let _ = write!(text, "  # {}\n  - interval: 5s\n    input_series:\n", listing.name);
        for (venue, on, overdue) in [("on", 1, 0), ("overdue", 0, 1), ("off", 0, 0)] {
            let _ = write!(
                text,
                "      - series: mixwarden_alert_raised_timestamp_seconds{{venue=\"{venue}\", instance=\"i\", feed=\"stream\", condition=\"{}\", severity=\"warning\"}}\n        values: 10x20\n      \
                 - series: mixwarden_service_on{{venue=\"{venue}\", instance=\"i\"}}\n        values: {on}x20\n      \
                 - series: mixwarden_service_overdue{{venue=\"{venue}\", instance=\"i\"}}\n        values: {overdue}x20\n",
                listing.name
            );
        }
        let _ = write!(
            text,
            "    alert_rule_test:\n      - alertname: {}\n        eval_time: 20s\n        exp_alerts:\n",
            alert_name(listing.name)
        );
        for venue in ["on", "overdue"] {
            let _ = write!(
                text,
                "          - exp_labels: {{ venue: \"{venue}\", instance: i, feed: stream, condition: {}, severity: warning }}\n            \
                 exp_annotations:\n              summary: {}\n              viewers: {}\n              \
                 since: \"1970-01-01 00:00:10 +0000 UTC\"\n              check: {}\n              runbook_url: {RUNBOOKS}/{}.md\n",
                listing.name,
                said(words.headline),
                said(words.viewers),
                said(&words.checks.join(" ")),
                listing.name
            );
        }
    }
    text
}

/// `far_too_loud` to `MixwardenFarTooLoud`.
fn alert_name(condition: &str) -> String {
    let capital = |word: &str| word[..1].to_uppercase() + &word[1..];
    format!("Mixwarden{}", condition.split('_').filter(|w| !w.is_empty()).map(capital).collect::<String>())
}

/// A JSON string is a YAML string.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}
