//! Hours of rehearsal through the chain and the board, flat out: every scripted fault at its second and no other
//! warning, memory flat.

use mixwarden::chain::{Chain, ChainSettings, LaneSpec, Outcome};
use mixwarden::feed::{FeedPatch, Role};
use mixwarden::judge::{Alert, AlertChange, ROSTER, Severity};
use mixwarden::ledger::Board;
use mixwarden::source::file::Pace;
use mixwarden::source::rehearsal::{Rehearsal, script::Script, script::ScriptedFault};
use mixwarden::source::{Polled, Source as _};
use mixwarden::units::SampleRate;

/// What the hours brought.
pub struct Soak {
    /// Faults as scripted, in order.
    pub faults: Vec<ScriptedFault>,
    /// Warnings on the stream and the house, in order of their raising; ended ones with their end.
    pub warnings: Vec<Alert>,
    /// What was told of the stream as a copy of the house mix: advice, once a service, a note when it comes again.
    pub copies: Vec<Alert>,
    /// Resident set after 10 minutes of audio and at the end, KiB.
    pub resident: (u64, u64),
}

/// Resident set of this process, KiB.
fn resident() -> u64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = text.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap();
    line.split_whitespace().next().unwrap().parse().unwrap()
}

/// The gathering again and again, each time with its faults, for so many hours.
fn script(hours: f64) -> Script {
    let once = Script::gathering();
    let mut script = Script::clean(hours * 3600.0);
    let turns = (script.seconds / once.seconds) as usize;
    for turn in 0..turns {
        let from = turn as f64 * once.seconds;
        let known = once.faults.iter().filter(|f| ROSTER.iter().any(|l| l.name == f.condition));
        script.faults.extend(known.map(|f| ScriptedFault { at_seconds: f.at_seconds + from, ..*f }));
    }
    script
}

/// Runs it.
pub fn run(hours: f64) -> Soak {
    let script = script(hours);
    let faults = script.faults.clone();
    let rate = SampleRate::HZ_48000;
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
    let settings = ChainSettings::default();
    let mut chain = Chain::new(settings.clone(), vec![LaneSpec { rate, channels: 4, feeds }]).unwrap();
    let mut board = Board::new("Larkfield Chapel", settings.target, &chain);
    let mut rehearsal = Rehearsal::new(script, rate, 1, Pace::FlatOut);
    let (mut out, mut warnings, mut copies): (Vec<Outcome>, Vec<Alert>, Vec<Alert>) = Default::default();
    let mut early = 0;
    loop {
        let polled = rehearsal.poll(&mut |arrival| chain.step(0, arrival, &mut out));
        for outcome in out.drain(..) {
            board.apply(&outcome);
            let Outcome::Alert { change, alert } = outcome else { continue };
            match warnings.iter_mut().chain(&mut copies).find(|w| w.id == alert.id) {
                Some(known) => *known = *alert,
                None if alert.condition == "house_copy" => copies.push(*alert),
                None if alert.evidence.severity == Severity::Warning && change != AlertChange::Cleared => {
                    warnings.push(*alert);
                }
                None => {}
            }
        }
        if early == 0 && chain.now().seconds() >= 600.0 {
            early = resident();
        }
        if polled == Polled::Ended {
            return Soak { faults, warnings, copies, resident: (early, resident()) };
        }
    }
}

impl Soak {
    /// Checks all, and prints one line a fault of the first round.
    pub fn check(&self) {
        let mut left: Vec<&Alert> = self.warnings.iter().collect();
        let mut firsts: Vec<(&str, f64, f64)> = Vec::new();
        for fault in self.faults.iter().filter(|f| f.condition != COPY) {
            let end = fault.at_seconds + fault.for_seconds;
            let told: Vec<&Alert> = left
                .iter()
                .filter(|w| w.raised.seconds() >= fault.at_seconds && w.raised.seconds() < end + 1.0)
                .copied()
                .collect();
            let names: Vec<_> = told.iter().map(|w| (w.condition, w.raised.seconds())).collect();
            assert_eq!(
                names.len(),
                1,
                "{} at {}: one cause, one warning: {names:?}",
                fault.condition,
                fault.at_seconds
            );
            let alert = told[0];
            assert_eq!((alert.condition, alert.feed), (fault.condition, 0), "at {}", fault.at_seconds);
            left.retain(|w| w.id != alert.id);
            let cleared = alert.cleared.map_or(f64::INFINITY, |c| c.0.seconds());
            let (raised, over) = (alert.raised.seconds() - fault.at_seconds, cleared - end);
            // The next time round it comes at the same second: the same sound, the same verdict. What the program
            // has learned of the site may shift it by a little.
            match firsts.iter().find(|f| f.0 == alert.condition && (f.1 - raised).abs() < 1.0) {
                Some(_) => {}
                None => {
                    eprintln!("{:26} told after {raised:5.1} s, over after {over:5.1} s", alert.condition);
                    firsts.push((alert.condition, raised, over));
                }
            }
            let (most, most_over) = within(alert.condition);
            assert!(raised <= most, "{} at {}: told after {raised} s", fault.condition, fault.at_seconds);
            assert!(
                (0.0..=most_over).contains(&over),
                "{} at {}: over after {over} s",
                fault.condition,
                fault.at_seconds
            );
        }
        self.check_copies();
        let false_ones: Vec<_> = left.iter().map(|w| (w.condition, w.feed, w.raised.to_string())).collect();
        assert!(false_ones.is_empty(), "warnings that no fault explains: {false_ones:?}");
        // The gate and the range keep the service's powers in bins: their stated growth is below 1 MiB a feed.
        let (early, late) = self.resident;
        eprintln!("resident after 10 minutes {early} KiB, at the end {late} KiB");
        assert!(late <= early + 3 * 1024, "memory grew from {early} to {late} KiB");
    }
}

/// The wrong scene is told from minutes of evidence, and as advice.
const COPY: &str = "house_copy";

impl Soak {
    /// Each time the wrong scene is recalled it is told while it stands, once, and over before the next time; as
    /// advice the first time in a service.
    fn check_copies(&self) {
        let scenes: Vec<&ScriptedFault> = self.faults.iter().filter(|f| f.condition == COPY).collect();
        let told: Vec<_> = self.copies.iter().map(|c| (c.raised.seconds(), c.cleared.map(|c| c.0.seconds()))).collect();
        eprintln!(
            "wrong scene recalled at {:?}, told and over at {told:?}",
            scenes.iter().map(|s| s.at_seconds).collect::<Vec<_>>()
        );
        assert_eq!(told.len(), scenes.len(), "told {told:?}");
        for (index, (scene, (raised, cleared))) in scenes.iter().zip(&told).enumerate() {
            let end = scene.at_seconds + scene.for_seconds;
            assert!((scene.at_seconds..end).contains(raised), "recalled at {}: told at {raised}", scene.at_seconds);
            if let Some(next) = scenes.get(index + 1) {
                assert!(cleared.is_some_and(|c| c < next.at_seconds), "over at {cleared:?}");
            }
        }
        assert_eq!(self.copies[0].evidence.severity, Severity::Advice);
    }
}

/// Seconds within which a fault of the script is told, and over after its end: the condition's own dwell times.
fn within(condition: &str) -> (f64, f64) {
    match condition {
        "no_data" => (2.0, 1.0),
        "silent_while_house_plays" => (5.0, 3.0),
        "channel_dead" => (6.0, 5.0),
        "clipping" => (3.0, 20.0),
        "far_too_quiet" => (70.0, 25.0),
        other => unreachable!("no bound for {other}"),
    }
}
