//! The sections of the file, key by key: the one place that names each key, its default, its range and its words.

use super::reader::{self, Report, Section};
use super::timetable::{Slot, Timetable};
use super::{FeedSettings, KeepSettings, MomentSettings, Problem, Settings, tell};
use crate::chain::ChainSettings;
use crate::judge::roster::ROSTER;
use crate::judge::{JudgeSettings, OwnMixSettings, OwnMixWish, PROFILES, ServiceSettings, Target};
use crate::likeness::HouseFeed;
use jiff::tz::TimeZone;
use toml::de::DeTable;

const SECTIONS: [&str; 10] =
    ["venue", "target", "feed", "service", "own_mix", "judge", "keep", "moments", "page", "tell"];

/// Reads all sections; what is not given is as by default. Problems and the commented defaults go to `report`.
pub(super) fn read<'t>(report: &mut Report, text: &'t str, root: &'t DeTable<'t>) -> Settings {
    for (key, _) in root.iter().filter(|(k, _)| !SECTIONS.contains(&k.get_ref().as_ref())) {
        reader::unknown(report, text, "", key, &SECTIONS);
    }
    let mut s = Section::new(report, text, root, "venue", "The venue.");
    let venue = s.text("name", "", "name for people, on the page and in reviews", |_| Ok(()));
    let zone_name = s.text("time_zone", "", "time zone, such as \"Europe/London\"; empty: this computer's", |z| {
        if z.is_empty() {
            Ok(())
        } else {
            TimeZone::get(z)
                .map(drop)
                .map_err(|_| "a name of the IANA time zone list, such as \"Europe/London\"".into())
        }
    });
    s.finish(&[]);
    let target = read_target(report, text, root);
    let feeds = read_feeds(report, text, root);
    let defaults = ServiceSettings::default();
    let mut s = Section::new(
        report,
        text,
        root,
        "service",
        "When a service begins and ends: by button, by set times, by sound.",
    );
    let slots =
        s.texts("times", "set times, such as [\"sunday 10:00-11:30\", \"2026-12-24 17:00-18:00\"]", Slot::parse);
    let grace_minutes =
        s.number("grace_minutes", 5.0, 0.0, 120.0, "minutes after a set start before silence is a fault");
    let service = ServiceSettings {
        begin_sound_seconds: s.number(
            "begin_sound_seconds",
            defaults.begin_sound_seconds,
            1.0,
            60.0,
            "seconds of sound within a minute that begin a service",
        ),
        quiet_before_minutes: s.number(
            "quiet_before_minutes",
            defaults.quiet_before_minutes,
            0.0,
            240.0,
            "minutes of quiet that must come before",
        ),
        quiet_after_minutes: s.number(
            "quiet_after_minutes",
            defaults.quiet_after_minutes,
            1.0,
            240.0,
            "minutes of quiet that end a service",
        ),
        longest_hours: s.number(
            "longest_hours",
            defaults.longest_hours,
            1.0,
            24.0,
            "hours after which a service ends in any case",
        ),
    };
    s.finish(&[]);
    let mut s = Section::new(
        report,
        text,
        root,
        "own_mix",
        "Is the stream a mix of its own, or a copy of the room's mix? Needs a house feed.",
    );
    let wish = s.text(
        "wish",
        OwnMixWish::Expected.name(),
        "\"expected\": a copy is told; \"not expected\": nothing is told; \"copy expected\": a mix of its own is told",
        |w| OwnMixWish::of(w).map(drop).ok_or_else(|| "\"expected\", \"not expected\" or \"copy expected\"".into()),
    );
    let own_mix = OwnMixSettings {
        wish: OwnMixWish::of(&wish).unwrap_or_default(),
        house: feeds.iter().find(|f| f.name == "house").map(|f| f.house).unwrap_or_default(),
    };
    s.finish(&[]);
    let judge = read_judge(report, text, root);
    let mut s = Section::new(report, text, root, "keep", "The log.");
    let keep = KeepSettings {
        fine_days: s.number("fine_days", 90.0, 1.0, 3650.0, "days that ten values a second are kept") as u32,
        days: s.number("days", 400.0, 1.0, 3650.0, "days that one row a second is kept") as u32,
        megabytes: s.number(
            "megabytes",
            1000.0,
            50.0,
            1_000_000.0,
            "size of the log, MB; the oldest fine values go first",
        ) as u32,
    };
    s.finish(&[]);
    let moments = read_moments(report, text, root);
    let mut s = Section::new(report, text, root, "page", "The booth page.");
    let listen = s.text("listen", "127.0.0.1:8391", "address and port; any but this computer's own needs keys", |a| {
        a.parse::<std::net::SocketAddr>()
            .map(drop)
            .map_err(|_| "an address and port, such as \"127.0.0.1:8391\"".into())
    });
    let keys = s.text(
        "keys_file",
        "",
        "file with one \"role key\" a line (roles: look, acknowledge, manage) for other machines",
        |_| Ok(()),
    );
    s.finish(&[]);
    let tell = tell::read_tell(report, text, root);
    let zone =
        if zone_name.is_empty() { TimeZone::system() } else { TimeZone::get(&zone_name).unwrap_or(TimeZone::UTC) };
    Settings {
        venue,
        chain: ChainSettings { target, judge, service, own_mix },
        feeds,
        timetable: Timetable { slots, zone },
        grace_minutes,
        keep,
        moments,
        tell,
        listen: listen.parse().unwrap_or_else(|_| ([127, 0, 0, 1], 8391).into()),
        keys_file: (!keys.is_empty()).then(|| keys.into()),
        hints: Vec::new(),
    }
}

fn read_moments<'t>(report: &mut Report, text: &'t str, root: &'t DeTable<'t>) -> MomentSettings {
    let about = "Moments: the sound around each warning, kept so that a person can hear afterwards what it was.\n\
                 Off: no sound is ever written to the disk. Ask the people who are heard before it is turned on.";
    let mut s = Section::new(report, text, root, "moments", about);
    let moments = MomentSettings {
        enabled: s.switch("enabled", false, "keep them; the page says so as long as this is on"),
        before_seconds: s.number("before_seconds", 10.0, 1.0, 10.0, "seconds before the warning"),
        after_seconds: s.number("after_seconds", 5.0, 0.0, 5.0, "seconds after it"),
        days: s.number("days", 14.0, 1.0, 365.0, "days after which a moment is deleted") as u32,
        megabytes: s.number("megabytes", 200.0, 5.0, 100_000.0, "size of all moments, MB; the oldest go first") as u32,
    };
    s.finish(&[]);
    moments
}

fn read_target<'t>(report: &mut Report, text: &'t str, root: &'t DeTable<'t>) -> Target {
    let names: Vec<&str> = PROFILES.iter().map(|p| p.name).collect();
    let doc = format!("one of {}", names.join(", "));
    let mut s = Section::new(report, text, root, "target", "Loudness that the stream should have.");
    let profile =
        s.text("profile", PROFILES[0].name, &doc, |p| if names.contains(&p) { Ok(()) } else { Err(doc.clone()) });
    let profile = PROFILES.iter().find(|p| p.name == profile).unwrap_or(&PROFILES[0]);
    let lufs = s.maybe_number("lufs", "the profile's", -40.0, -5.0, "loudness, LUFS");
    let peak = s.maybe_number("true_peak_dbtp", "the profile's", -10.0, 0.0, "largest true peak, dBTP");
    s.finish(&[]);
    let mut target = Target::from(profile);
    target.lufs = lufs.unwrap_or(target.lufs);
    target.true_peak_dbtp = peak.unwrap_or(target.true_peak_dbtp);
    target
}

fn read_feeds<'t>(report: &mut Report, text: &'t str, root: &'t DeTable<'t>) -> Vec<FeedSettings> {
    let given = match root.get("feed").map(|v| v.get_ref().as_table()) {
        Some(Some(table)) => table.iter().map(|(k, _)| k.get_ref().to_string()).collect(),
        _ => Vec::new(),
    };
    let names = if given.is_empty() { vec!["stream".to_string()] } else { given };
    let about = "The feeds: [feed.stream] is the mix that the viewers hear; [feed.house] (if you can) the room's mix;\n\
                 [feed.NAME] any other line. `mixwarden inputs` prints devices and lines to paste.";
    let mut feeds = Vec::new();
    for name in names {
        if !name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_') || name.len() > 24 {
            let sentence = "a feed's name has 1 to 24 small letters, digits and _".to_string();
            report.problems.push(Problem { line: 0, key: format!("feed.{name}"), sentence });
            continue;
        }
        let mut s =
            Section::new(report, text, root, &format!("feed.{name}"), if name == "stream" { about } else { "" });
        let device = s.text(
            "device",
            "default",
            "device id as `mixwarden inputs` prints it; \"default\": the computer's default input",
            |d| {
                if d.is_empty() { Err("a device id, or \"default\"".into()) } else { Ok(()) }
            },
        );
        let channels = s.whole_numbers(
            "channels",
            &[1, 2],
            (1, 64),
            (1, 2),
            "channels of the device, 1 to 64: left and right, or one for mono",
        );
        let room_microphone =
            s.switch("room_microphone", false, "this feed is a microphone in the room, not a line from the desk");
        let whole = s.switch("whole_mix", false, "this one channel carries the whole mix, not one side of it");
        if whole && channels.len() != 1 {
            s.clash(
                "whole_mix",
                "true was found beside two channels; it is for a feed of one: give false, or one channel",
            );
        } else if whole && room_microphone {
            s.clash("whole_mix", "true was found beside room_microphone = true; a microphone hears the room, not the mix: keep one of the two");
        }
        s.finish(&[]);
        let house = match (room_microphone, whole) {
            (true, _) => HouseFeed::RoomMicrophone,
            (false, true) => HouseFeed::WholeMono,
            (false, false) => HouseFeed::Line,
        };
        feeds.push(FeedSettings { name, device, channels, house });
    }
    feeds.sort_by_key(|f| (f.name != "stream", f.name != "house", f.name.clone()));
    feeds
}

fn read_judge<'t>(report: &mut Report, text: &'t str, root: &'t DeTable<'t>) -> JudgeSettings {
    let names: Vec<&str> = ROSTER.iter().map(|l| l.name).collect();
    let mut table = toml::Table::new();
    if let Some(given) = root.get("judge").and_then(|v| v.get_ref().as_table()) {
        for (key, _) in given.iter().filter(|(k, _)| !names.contains(&k.get_ref().as_ref())) {
            reader::unknown(report, text, "judge", key, &names);
        }
    }
    for listing in ROSTER {
        let mut s = Section::new(report, text, root, &format!("judge.{}", listing.name), listing.about);
        let mut section = toml::Table::new();
        section.insert("enabled".into(), s.switch("enabled", true, "watch for it").into());
        for knob in listing.knobs {
            section.insert(knob.key.into(), s.number(knob.key, knob.default, knob.least, knob.most, knob.doc).into());
        }
        s.finish(&[]);
        table.insert(listing.name.into(), section.into());
    }
    toml::Value::Table(table).try_into().unwrap_or_default()
}
