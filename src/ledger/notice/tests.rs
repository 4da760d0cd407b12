//! Notices in words: titles, sentences, follow-ups.

use super::*;
use crate::chain::{Chain, ChainSettings, LaneSpec};
use crate::feed::{FeedPatch, Role};
use crate::judge::{Evidence, Target, listing};
use crate::units::{SampleRate, StreamTime};

pub(crate) fn board() -> Board {
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
    let lane = LaneSpec { rate: SampleRate::HZ_48000, channels: 4, feeds };
    let chain = Chain::new(ChainSettings::default(), vec![lane]).unwrap();
    Board::new("Larkfield Chapel", Target::default(), &chain)
}

pub(crate) fn alert(id: u64, condition: &'static str, severity: Severity) -> Alert {
    let words = listing(condition).unwrap().words[0];
    Alert {
        id,
        feed: 0,
        condition,
        evidence: Evidence::new(words, severity, 4.0, 2.0),
        began: StreamTime::from_seconds(100.0),
        raised: StreamTime::from_seconds(104.0),
        acknowledged: None,
        comes_and_goes: false,
        cleared: None,
    }
}

/// Not a time zone, only a stamp that can be told in a test.
pub(crate) fn stamp(ms: i64) -> String {
    format!("T{:.1}", ms as f64 / 1000.0)
}

#[test]
fn one_conversation_an_alert_and_sentences_complete() {
    let board = board();
    let mut a = alert(7, "digital_silence", Severity::Warning);
    let raised = Notice::of_alert(AlertChange::Raised, &a, &board, 1_000_000, &stamp);
    a.acknowledged = Some(StreamTime::from_seconds(110.0));
    let seen = Notice::of_alert(AlertChange::Acknowledged, &a, &board, 1_006_000, &stamp);
    a.cleared = Some((StreamTime::from_seconds(225.0), Clearing::Gone));
    let over = Notice::of_alert(AlertChange::Cleared, &a, &board, 1_121_000, &stamp);
    assert_eq!((&raised.thread, &seen.thread), (&seen.thread, &over.thread));
    let mut ids = vec![&raised.id, &seen.id, &over.id];
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), 3);
    assert_eq!((raised.since.as_str(), raised.lasted_seconds), ("T996.0", 4.0));
    assert_eq!(raised.subject(), "Larkfield Chapel: The stream is completely silent");
    assert_eq!(over.subject(), "Larkfield Chapel: Over: The stream is completely silent");
    let text = over.text("http://127.0.0.1:8391/");
    assert!(text.contains("It lasted 2 min 05 s and ended at T1121.0.\nIt is over."), "{text}");
    assert!(text.ends_with("The page: http://127.0.0.1:8391/"), "{text}");
    let text = raised.text("");
    assert!(text.contains("\n1. On the desk") && text.contains("hear nothing at all"), "{text}");
}

#[test]
fn every_condition_makes_whole_sentences() {
    let board = board();
    for listing in crate::judge::ROSTER {
        for words in listing.words {
            let a = Alert {
                evidence: Evidence::new(words, Severity::Advice, 1.0, 2.0),
                ..alert(1, listing.name, Severity::Advice)
            };
            let n = Notice::of_alert(AlertChange::Raised, &a, &board, 0, &stamp);
            let text = n.text("");
            assert!(!text.contains('{') && !text.contains('}'), "{}: {text}", listing.name);
            assert!(!n.headline.ends_with('.') && !n.headline.is_empty(), "{}: {}", listing.name, n.headline);
            let json = serde_json::to_string(&n).unwrap();
            assert_eq!(serde_json::from_str::<Notice>(&json).unwrap(), n);
        }
    }
}

#[test]
fn a_review_has_figures_and_advice() {
    let board = board();
    let p = Programme {
        feed: 0,
        integrated_lufs: Some(-24.2),
        range_lu: None,
        max_momentary_lufs: None,
        max_short_term_lufs: None,
        true_peak_dbtp: Some(-9.3),
    };
    let n = Notice::of_review(&[p], 2, &board, 5_000, &stamp);
    assert_eq!(n.headline, "The service is over; there were 2 warnings");
    assert!(
        n.evidence.contains("-24.2 LUFS (target -18)") && n.evidence.contains("Raise the stream mix by 6 dB"),
        "{}",
        n.evidence
    );
    assert!(!n.opens());
}

#[test]
fn lengths_read_well() {
    assert_eq!(clock_of("2026-11-29T10:12:07+00:00"), "10:12");
    for (s, want) in
        [(0.2, "0 seconds"), (1.0, "1 second"), (59.4, "59 seconds"), (125.0, "2 min 05 s"), (4320.0, "1 h 12 min")]
    {
        assert_eq!(lasting(s), want);
    }
}
