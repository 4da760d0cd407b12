//! Dashboards for Grafana, made in code: one list of all venues (who needs help first), one venue, the weeks. A state has
//! a word beside its colour. The data source and the venue are variables; nothing depends on one installation.

use super::panel::{dashboard, mapping, now, over_time, series, states, table};
use serde_json::{Value, json};

/// Neither red nor yellow alone carries a meaning: each stands beside a word. There is no green: calm is grey.
const CALM: &str = "#8a8f98";
const ADVICE: &str = "#d8a11c";
const WARNING: &str = "#c8433a";
const SEEN: &str = "#8f6bb3";
const SOUND: &str = "#5b8db8";

/// File names and dashboards, JSON.
pub fn dashboards() -> Vec<(&'static str, Value)> {
    vec![("venues.json", venues()), ("venue.json", venue()), ("weeks.json", weeks())]
}

const NEED: &[(&str, &str)] =
    &[("calm", CALM), ("advice", ADVICE), ("warning, seen", SEEN), ("warning, unseen", WARNING)];
const LIFE: &[(&str, &str)] =
    &[("watching", CALM), ("pending", CALM), ("raised", WARNING), ("seen", SEEN), ("put aside", SEEN)];
const SIGNAL: &[(&str, &str)] = &[("no data", WARNING), ("exact zeros", WARNING), ("quiet", CALM), ("sound", SOUND)];
const SERVICE: &[(&str, &str)] = &[("no service", CALM), ("service", SOUND)];
const MIX: &[(&str, &str)] =
    &[("cannot tell", CALM), ("own mix", SOUND), ("copy of the room's", ADVICE), ("unrelated", ADVICE)];
const FAULT: &[(&str, &str)] = &[("none", CALM), ("fault", ADVICE)];

fn venues() -> Value {
    let words =
        |w: &[(&str, &str)]| json!({ "mappings": [mapping(w)], "custom.cellOptions": { "type": "color-text" } });
    let ago = || json!({ "unit": "dateTimeFromNow" });
    let by_venue = |expr: &str| now(&format!("max by (venue) ({expr})"));
    dashboard(
        "mixwarden-venues",
        "Venues: who needs help first",
        "now-6h",
        false,
        vec![
            table(
                "Venues",
                "The worst first. Since when: the oldest warning that stands.",
                &[
                    ("Need", words(NEED)),
                    ("Since", ago()),
                    ("Service", words(SERVICE)),
                    ("Mix", words(MIX)),
                    ("From target", json!({ "unit": "suffix: LU", "decimals": 1 })),
                    ("Last sound", ago()),
                    ("Last seen", ago()),
                ],
                vec![
                    by_venue("mixwarden:venue:need"),
                    now("1000 * min by (venue) (mixwarden:venue:warning_since_timestamp_seconds)"),
                    by_venue("mixwarden:service:now"),
                    by_venue("mixwarden_own_mix_state"),
                    by_venue("mixwarden:feed:from_target_lu{feed=\"stream\"}"),
                    by_venue("1000 * mixwarden_last_sound_timestamp_seconds{feed=\"stream\"}"),
                    by_venue("1000 * timestamp(last_over_time(mixwarden_service_on[1d]))"),
                ],
            )
            .sized(24, 12),
            states("Need over time", "One row a venue; grey is calm.", NEED, vec![over_time("max by (venue) (mixwarden:venue:need)", "{{venue}}")])
                .sized(24, 10),
            table(
                "Alerts that stand",
                "One row an alert; its runbook has the checks to read to the booth.",
                &[("Raised", ago())],
                vec![now("1000 * max by (venue, feed, condition, severity) (mixwarden_alert_raised_timestamp_seconds{severity!=\"note\"})")],
            )
            .sized(14, 8),
            states("Faults of the boxes", "The kind and its sentence are on the venue's page.", FAULT, vec![over_time("max by (venue) (mixwarden_box_fault)", "{{venue}}")])
                .sized(10, 8),
        ],
    )
}

fn venue() -> Value {
    let of = "{venue=\"$venue\"}";
    let stream = "{venue=\"$venue\", feed=\"stream\"}";
    dashboard(
        "mixwarden-venue",
        "One venue",
        "now-3h",
        true,
        vec![
            series(
                "Loudness of the stream",
                "Short-term (3 s) and the last half minute, beside the target. A gap is silence, or no data: see the signal below.",
                "suffix: LUFS",
                vec![
                    over_time(&format!("mixwarden_short_term_lufs{stream} > -Inf"), "3 s"),
                    over_time(&format!("mixwarden_recent_lufs{stream} > -Inf"), "half a minute"),
                    over_time(&format!("mixwarden_integrated_lufs{stream} > -Inf"), "this service"),
                    over_time(&format!("mixwarden_target_lufs{of}"), "target"),
                ],
            )
            .sized(24, 10),
            states("Signal", "What each feed delivers.", SIGNAL, vec![over_time(&format!("mixwarden_feed_signal{of}"), "{{feed}}")]).sized(24, 5),
            states("Stream beside the room", "Own mix or a copy, where the room's mix is listened to.", MIX, vec![over_time(&format!("mixwarden_own_mix_state{of}"), "mix")]).sized(24, 3),
            states("Service", "", SERVICE, vec![over_time(&format!("mixwarden:service:now{of}"), "service")]).sized(24, 3),
            states(
                "Conditions",
                "Only conditions that were more than watched in this time.",
                LIFE,
                vec![over_time(
                    &format!("mixwarden_condition_state{of} and on (feed, condition) (max_over_time(mixwarden_condition_state{of}[$__range]) > 1)"),
                    "{{feed}}: {{condition}}",
                )],
            )
            .sized(24, 10),
            series("True peak", "Largest of the service so far, beside the limit.", "suffix: dBTP", vec![
                over_time(&format!("mixwarden_max_true_peak_dbtp{of} > -Inf"), "{{feed}}"),
                over_time(&format!("mixwarden_target_true_peak_dbtp{of}"), "limit"),
            ])
            .sized(12, 8),
            series("Room's mix and pauses", "Short-term loudness of all feeds, and the learned level of pauses.", "suffix: LUFS", vec![
                over_time(&format!("mixwarden_short_term_lufs{of} > -Inf"), "{{feed}}"),
                over_time(&format!("mixwarden_floor_lufs{of} > -Inf"), "{{feed}}, pauses"),
            ])
            .sized(12, 8),
            series("Audio that never came", "Seconds in each minute.", "s", vec![over_time(
                &format!("increase(mixwarden_lost_seconds_total{of}[1m])"),
                "{{feed}}",
            )])
            .sized(12, 7),
            states("Faults of the box", "", FAULT, vec![over_time(&format!("mixwarden_box_fault{of}"), "{{kind}}")]).sized(12, 7),
        ],
    )
}

fn weeks() -> Value {
    let share = |title, description, expr| {
        series(title, description, "percentunit", vec![over_time(expr, "{{venue}}")]).sized(12, 8)
    };
    dashboard(
        "mixwarden-weeks",
        "Weeks",
        "now-28d",
        false,
        vec![
            series(
                "Warnings a week",
                "Warnings raised in the seven days before, by venue: a venue that rises needs a visit.",
                "none",
                vec![over_time("sum by (venue) (mixwarden:feed:warnings_7d)", "{{venue}}")],
            )
            .sized(12, 8),
            share(
                "Sound within 4 LU of the target",
                "Share of the time with sound, over the day before.",
                "avg by (venue) (avg_over_time(mixwarden:feed:on_target{feed=\"stream\"}[1d]))",
            ),
            share(
                "Data came",
                "Share of the day before in which the stream's input delivered.",
                "min by (venue) (mixwarden:feed:up_ratio_1d{feed=\"stream\"})",
            ),
            series(
                "Distance from the target",
                "Median of the day before, sound only.",
                "suffix: LU",
                vec![over_time(
                    "avg by (venue) (quantile_over_time(0.5, mixwarden:feed:from_target_lu{feed=\"stream\"}[1d]))",
                    "{{venue}}",
                )],
            )
            .sized(12, 8),
            series(
                "Services a week",
                "Services that ended in the seven days before.",
                "none",
                vec![over_time("sum by (venue) (increase(mixwarden_services_ended_total[7d]))", "{{venue}}")],
            )
            .sized(12, 8),
            series(
                "Starts of the program a week",
                "More than a few: power, driver, or updates.",
                "none",
                vec![over_time("max by (venue) (changes(mixwarden_start_timestamp_seconds[7d]))", "{{venue}}")],
            )
            .sized(12, 8),
        ],
    )
}
