//! Settings as a person would write them: the file of defaults, five mistakes at once, set times.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::settings::{
    self, Settings,
    timetable::{Slot, Timetable},
};
use proptest::prelude::*;
use std::path::Path;

#[test]
fn the_file_of_defaults_is_what_the_program_prints_and_means_what_it_does() {
    let text = settings::commented_defaults();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/mixwarden.toml");
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&path, &text).unwrap();
    }
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text, "run the tests with BLESS=1 to renew config/");
    assert_eq!(settings::parse(&text).unwrap(), Settings::default());
}

#[test]
fn five_mistakes_are_told_at_once_each_with_its_place() {
    let text = "[judge.clipping]\nrunz = 3\nruns = 0\n[target]\nprofile = \"loud\"\n[feed.stream]\nchannels = [1, 99]\n[pages]\nx = 1\n";
    let told: Vec<String> = settings::parse(text).unwrap_err().iter().map(ToString::to_string).collect();
    let want = [
        "line 2: judge.clipping.runz: is not known; did you mean runs?",
        "line 3: judge.clipping.runs: 0 was found; give a number from 1 to 100",
        "line 5: target.profile: \"loud\" was found; give one of speech_stream, music_stream, broadcast_ebu, broadcast_atsc",
        "line 7: feed.stream.channels: an array was found; give 1 to 2 whole numbers from 1 to 64, such as [1, 2]",
        "line 8: pages: is not known; did you mean page?",
    ];
    assert_eq!(told, want);
}

#[test]
fn one_channel_that_is_the_whole_mix_is_one_channel_of_a_mix() {
    let told =
        |feed: &str| settings::parse(&format!("[feed.stream]\n[feed.house]\n{feed}")).map_err(|p| p[0].to_string());
    assert!(told("channels = [3]\nwhole_mix = true").is_ok());
    let two = told("channels = [3, 4]\nwhole_mix = true").unwrap_err();
    assert!(two.starts_with("line 4: feed.house.whole_mix: true was found beside two channels"), "{two}");
    let microphone = told("channels = [3]\nroom_microphone = true\nwhole_mix = true").unwrap_err();
    assert!(
        microphone.starts_with("line 5: feed.house.whole_mix: true was found beside room_microphone"),
        "{microphone}"
    );
}

#[test]
fn a_key_of_the_version_before_is_read_with_a_hint_to_its_new_name() {
    let of = |feed: &str| settings::parse(&format!("[feed.stream]\n[feed.house]\nchannels = [3]\n{feed}"));
    let (old, new) = (of("whole = true").unwrap(), of("whole_mix = true").unwrap());
    assert_eq!(Settings { hints: Vec::new(), ..old.clone() }, new);
    assert_eq!(old.hints[0].to_string(), "line 4: feed.house.whole: is called whole_mix now; it is read all the same");
    let microphone = of("room_microphone = true\nwhole = true").unwrap_err();
    assert!(microphone[0].to_string().starts_with("line 5: feed.house.whole: true was found"), "{}", microphone[0]);
    let both = of("whole = true\nwhole_mix = true").unwrap_err();
    assert!(both[0].to_string().contains("keep that one"), "{}", both[0]);
}

#[test]
fn text_that_is_no_toml_says_where() {
    let told = settings::parse("[target\nlufs = -18").unwrap_err();
    assert_eq!(told.len(), 1);
    assert!(told[0].to_string().starts_with("line 1: is not TOML"), "{}", told[0]);
}

#[test]
fn set_times_follow_daylight_saving() {
    let zone = jiff::tz::TimeZone::get("Europe/London").unwrap();
    let table = Timetable { slots: vec![Slot::parse("sunday 10:00-11:30").unwrap()], zone };
    // 2026-03-29 is the Sunday on which British clocks go forward: 10:00 is 09:00 UTC.
    let begin: jiff::Timestamp = "2026-03-29T09:00:00Z".parse().unwrap();
    assert_eq!(table.window_at(begin).unwrap().from, begin);
    assert!(table.window_at("2026-03-29T08:59:59Z".parse().unwrap()).is_none());
    assert_eq!(table.next_after("2026-03-23T00:00:00Z".parse().unwrap()).unwrap().from, begin);
    for bad in ["sunday", "sunday 10-11", "someday 10:00-11:00", "2026-13-01 10:00-11:00", "sunday 10:00-10:00"] {
        assert!(Slot::parse(bad).is_err(), "{bad}");
    }
}

/// A source of numbers that is the same in every run (Knuth's multiplier).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n
    }
}

#[test]
fn five_hundred_timetables_agree_with_pythons_zoneinfo() {
    use mixwarden::settings::timetable::{Slot, Timetable};
    use std::io::Write as _;
    // Zones whose nights differ: both hemispheres, half an hour's shift, none, at midnight, in the middle of a day's turn.
    const ZONES: [&str; 10] = [
        "Europe/London",
        "America/New_York",
        "Australia/Lord_Howe",
        "Asia/Tokyo",
        "America/Santiago",
        "Asia/Beirut",
        "Africa/Cairo",
        "Pacific/Auckland",
        "America/St_Johns",
        "Asia/Kathmandu",
    ];
    const DAYS: [&str; 7] = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    // Nights on which clocks are changed somewhere, seconds since 1970: the weekends of March, April, October, November.
    let nights: Vec<i64> = (0..8)
        .flat_map(|y| [86, 93, 100, 114, 275, 298, 305, 309].map(|day| 1_704_067_200 + (y * 365 + day) * 86_400))
        .collect();
    let mut dice = Dice(20_261_125);
    let (mut cases, mut ours) = (String::new(), Vec::new());
    for _ in 0..500 {
        let zone = ZONES[dice.below(10) as usize];
        let night = nights[dice.below(nights.len() as u64) as usize];
        let now = night + dice.below(6 * 86_400) as i64 - 3 * 86_400;
        let slots: Vec<String> = (0..=dice.below(3))
            .map(|_| {
                let day = match dice.below(4) {
                    0 => {
                        let date = jiff::Timestamp::from_second(night + dice.below(5 * 86_400) as i64).unwrap();
                        date.to_string()[..10].to_string()
                    }
                    _ => DAYS[dice.below(7) as usize].to_string(),
                };
                // Half of them in the hours of the change.
                let begin = if dice.below(2) == 0 { dice.below(4 * 60) } else { dice.below(24 * 60) };
                let end = (begin + 1 + dice.below(300)) % (24 * 60);
                format!("{day} {:02}:{:02}-{:02}:{:02}", begin / 60, begin % 60, end / 60, end % 60)
            })
            .collect();
        cases += &format!("{}\n", serde_json::json!({ "zone": zone, "slots": slots, "now": now }));
        let table = Timetable {
            slots: slots.iter().map(|s| Slot::parse(s).unwrap()).collect(),
            zone: jiff::tz::TimeZone::get(zone).unwrap(),
        };
        let at = jiff::Timestamp::from_second(now).unwrap();
        let begin = |w: Option<mixwarden::settings::timetable::Window>| w.map(|w| w.from.as_second());
        ours.push(serde_json::json!({ "next": begin(table.next_after(at)), "inside": begin(table.window_at(at)) }));
    }
    let script = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/others/timetable.py");
    let mut python = std::process::Command::new("python3")
        .arg(script)
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = python.stdin.take().unwrap();
    let typed = cases.clone();
    let writer = std::thread::spawn(move || input.write_all(typed.as_bytes()).unwrap());
    let out = python.wait_with_output().unwrap();
    writer.join().unwrap();
    let theirs = String::from_utf8(out.stdout).unwrap();
    let theirs: Vec<serde_json::Value> = theirs.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(theirs.len(), 500);
    let inside = theirs.iter().filter(|t| !t["inside"].is_null()).count();
    assert!(inside >= 10, "only {inside} of the moments lie in a set time: the cases are too easy");
    for ((ours, theirs), case) in ours.iter().zip(&theirs).zip(cases.lines()) {
        assert_eq!(ours, theirs, "{case}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..ProptestConfig::default() })]

    /// The defaults with some lines changed, doubled, left out or cut: settings or problems, never a panic.
    #[test]
    fn damaged_settings_are_taken_or_refused_with_sentences(
        changes in prop::collection::vec((any::<prop::sample::Index>(), 0usize..12, any::<u8>()), 1..6),
    ) {
        const VALUES: [&str; 9] =
            ["-9223372036854775808", "9223372036854775807", "0", "nan", "-inf", "1e308", "[]", "{}", "\"\\u0000\""];
        let mut lines: Vec<String> = settings::commented_defaults().lines().map(str::to_string).collect();
        for (at, change, value) in changes {
            let (at, value) = (at.index(lines.len()), usize::from(value));
            match (change, lines[at].split_once(" = ")) {
                (0..=8, Some((key, _))) => lines[at] = format!("{} = {}", key.trim_start_matches('#'), VALUES[change]),
                (9, _) => drop(lines.remove(at)),
                (10, _) => lines.push(lines[at].clone()),
                _ => lines[at] = lines[at].chars().take(value % 40).collect(),
            }
        }
        if let Err(problems) = settings::parse(&lines.join("\n")) {
            prop_assert!(!problems.is_empty());
            for problem in problems {
                prop_assert!(problem.sentence.len() > 10, "{problem}");
            }
        }
    }
}
