//! Tells made-up alerts, step by step, as they are typed: for trying notices by hand, and for the tests.
//!
//! `teller SETTINGS STATE_DIRECTORY`, then lines on standard input: `raised N`, `acknowledged N`, `cleared N` for
//! alert number N, and `counts` (answers when all typed before is in the store: one JSON line).
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::chain::{Chain, Outcome};
use mixwarden::feed::{FeedPatch, Role};
use mixwarden::judge::{Alert, AlertChange, Clearing, Evidence, ROSTER, Severity};
use mixwarden::keep::SqliteOutbox;
use mixwarden::ledger::Board;
use mixwarden::settings;
use mixwarden::tell::Teller;
use mixwarden::units::{SampleRate, StreamTime};
use std::io::BufRead as _;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

fn alert(number: u64) -> Alert {
    // Conditions in turn, so that retained states differ.
    let listing = &ROSTER[number as usize % ROSTER.len()];
    let at = StreamTime::from_seconds(number as f64);
    Alert {
        id: number,
        feed: 0,
        condition: listing.name,
        evidence: Evidence::new(listing.words[0], Severity::Warning, 1.0, 2.0),
        began: at,
        raised: at,
        acknowledged: Some(at),
        comes_and_goes: false,
        cleared: Some((at, Clearing::Gone)),
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [settings_file, state] = arguments.as_slice() else { return Err("give SETTINGS STATE_DIRECTORY".into()) };
    let settings = settings::parse(&std::fs::read_to_string(settings_file)?)
        .map_err(|p| p.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))?;
    let lane = mixwarden::chain::LaneSpec {
        rate: SampleRate::HZ_48000,
        channels: 2,
        feeds: vec![FeedPatch::new("stream", Role::Stream, &[0, 1])],
    };
    let chain = Chain::new(settings.chain.clone(), vec![lane])?;
    let board = Board::new(&settings.venue, settings.chain.target.clone(), &chain);
    let now_ms = || SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_millis() as i64);
    let store = SqliteOutbox::new(&Path::new(state).join("notices.sqlite"));
    let clock = Arc::new(|ms: i64| format!("{} s since 1970", ms / 1000));
    let mut teller = Teller::start(&settings.tell, &settings.venue, Box::new(store), clock, now_ms(), false)?;
    let first: u64 = teller.counts().iter().map(|(_, c)| c.waiting).sum();
    let mut typed = 0;
    for line in std::io::stdin().lock().lines() {
        let line = line?;
        let (what, number) = line.split_once(' ').unwrap_or((&line, "0"));
        let change = match what {
            "raised" => AlertChange::Raised,
            "acknowledged" => AlertChange::Acknowledged,
            "cleared" => AlertChange::Cleared,
            _ => {
                let channels = teller.counts().len() as u64;
                let end = Instant::now() + Duration::from_secs(60);
                let seen = |t: &Teller| t.counts().iter().map(|(_, c)| c.told + c.lost + c.waiting).sum::<u64>();
                while seen(&teller) < first + typed * channels && Instant::now() < end {
                    std::thread::sleep(Duration::from_millis(5));
                }
                let counts: serde_json::Map<_, _> = teller
                    .counts()
                    .into_iter()
                    .map(|(n, c)| (n.into(), serde_json::json!({"told": c.told, "lost": c.lost, "waiting": c.waiting, "failed_tries": c.failed_tries})))
                    .collect();
                println!("{}", serde_json::json!({"counts": counts, "fault": teller.fault()}));
                continue;
            }
        };
        typed += 1;
        let outcome = Outcome::Alert { change, alert: Box::new(alert(number.parse()?)) };
        teller.take(&outcome, &board, now_ms());
    }
    teller.close();
    Ok(())
}
