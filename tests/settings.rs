//! Settings as a person would write them: the file of defaults, five mistakes at once, set times.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::settings::{
    self, Settings,
    timetable::{Slot, Timetable},
};
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
