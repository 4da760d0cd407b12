//! Before a service: will the stream be there? One list, each line with what was found and what to do.

use super::board::Board;
use super::linecheck::{Answer, Finding};
use super::shelf::ServiceLine;
use crate::feed::Role;

/// What the outside says, beside the board and the log.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Outside {
    /// Room on the log's disk, bytes.
    pub free_bytes: Option<u64>,
    /// Wall time of the log's newest row, ms since 1970.
    pub newest_row_ms: Option<i64>,
    /// Wall time now, ms since 1970.
    pub now_ms: i64,
    /// Noise floor of the line check on fit-out day, LUFS.
    pub baseline_floor_lufs: Option<f64>,
}

/// Room that a service needs, with plenty to spare (own choice: a two-hour service takes about 5 MB).
const ROOM_BYTES: u64 = 200_000_000;
/// A clock before this is wrong: 2026-01-01, ms since 1970.
const EARLIEST_MS: i64 = 1_767_225_600_000;
/// Loudness further than this from the usual is worth a look, LU (own choice).
const USUAL_WITHIN_LU: f64 = 6.0;
/// A noise floor this far over the baseline is worth a look, dB (as the condition `noise_floor`).
const FLOOR_WITHIN_DB: f64 = 6.0;

/// Looks at everything; `before` are the last services, newest first.
pub fn ready(board: &Board, before: &[ServiceLine], outside: &Outside) -> Vec<Finding> {
    let mut list = Vec::new();
    for feed in &board.feeds {
        let (answer, found) = match &feed.reading {
            None => (Answer::Fail, "nothing comes in".to_string()),
            Some(r) if r.absent() => (Answer::Fail, "nothing comes in".to_string()),
            Some(_) => (Answer::Pass, feed.source.clone()),
        };
        let step = if feed.role == Role::House { "input of the room's mix" } else { "input of the stream mix" };
        list.push(Finding::new(
            step,
            answer,
            found,
            "Is the desk on, and its cable in this computer? `mixwarden inputs` lists what is there.",
        ));
    }
    if let Some(stream) = board.feeds.iter().find(|f| f.role != Role::House) {
        list.push(sound(stream));
        list.push(level(stream.recent_lufs.filter(|_| stream.plays), before));
        list.push(floor(stream.floor_lufs, outside.baseline_floor_lufs));
    }
    // A rehearsal at speed has a time of its own.
    if !board.rehearsal {
        list.push(clock(outside));
    }
    let (answer, found) = match outside.free_bytes {
        Some(free) if free >= ROOM_BYTES => (Answer::Pass, format!("{:.1} GB free", free as f64 / 1e9)),
        Some(free) => (Answer::Fail, format!("only {:.0} MB free", free as f64 / 1e6)),
        None => (Answer::CannotTell, "the disk does not say".into()),
    };
    list.push(Finding::new("room on the disk", answer, found, "Make room: delete old recordings on this computer."));
    let (answer, found) = match board.faults.first() {
        None => (Answer::Pass, "nothing is wrong".to_string()),
        Some(fault) => (Answer::Fail, fault.sentence.clone()),
    };
    list.push(Finding::new(
        "this computer",
        answer,
        found,
        "Do what the sentence says, or call the person who looks after it.",
    ));
    list
}

/// What to do where nothing can be heard.
const PLAY: &str = "Have somebody talk into a microphone and play some music; then look again.";

fn sound(stream: &super::FeedBoard) -> Finding {
    let sides = stream.ribbon.iter().fold([f32::NEG_INFINITY; 2], |t, s| {
        [t[0].max(s.sides_lufs[0].unwrap_or(f32::NEG_INFINITY)), t[1].max(s.sides_lufs[1].unwrap_or(f32::NEG_INFINITY))]
    });
    let heard = |side: f32| f64::from(side) > crate::judge::SOUND_LUFS;
    let (answer, found) = match sides.map(heard) {
        [true, true] => (Answer::Pass, "heard on both sides in the last ten minutes".to_string()),
        [true, false] => (Answer::Fail, "heard on the left only".into()),
        [false, true] => (Answer::Fail, "heard on the right only".into()),
        [false, false] => (Answer::CannotTell, "nothing heard in the last ten minutes".into()),
    };
    Finding::new("sound on the stream mix", answer, found, PLAY)
}

fn level(recent_lufs: Option<f64>, before: &[ServiceLine]) -> Finding {
    let usual: Vec<f64> = before.iter().filter_map(|l| l.integrated_lufs).filter(|l| l.is_finite()).take(4).collect();
    let (answer, found, remedy) = match (recent_lufs.filter(|l| l.is_finite()), usual.as_slice()) {
        (None, _) => (Answer::CannotTell, "nothing plays now".to_string(), PLAY),
        (Some(now), []) => {
            let found = format!("{now:.1} LUFS now; there is no service before to compare with");
            (Answer::CannotTell, found, "Nothing to do: after the first service there is something to compare with.")
        }
        (Some(now), usual) => {
            let mean = usual.iter().sum::<f64>() / usual.len() as f64;
            let answer = if (now - mean).abs() <= USUAL_WITHIN_LU { Answer::Pass } else { Answer::Fail };
            let remedy = "Look at the stream mix's master on the desk: was another scene recalled?";
            (answer, format!("{now:.1} LUFS now, {mean:.1} LUFS in the last services"), remedy)
        }
    };
    Finding::new("level of the stream mix", answer, found, remedy)
}

fn floor(now_lufs: Option<f64>, baseline_lufs: Option<f64>) -> Finding {
    let (answer, found) = match (now_lufs, baseline_lufs) {
        (Some(now), Some(then)) if now - then > FLOOR_WITHIN_DB => {
            (Answer::Fail, format!("{now:.0} LUFS in pauses, {then:.0} LUFS on fit-out day"))
        }
        (Some(now), Some(then)) => (Answer::Pass, format!("{now:.0} LUFS in pauses, {then:.0} LUFS on fit-out day")),
        (Some(now), None) => (Answer::Skipped, format!("{now:.0} LUFS in pauses; no line check to compare with")),
        (None, _) => (Answer::Skipped, "not learned yet".into()),
    };
    Finding::new(
        "noise in pauses",
        answer,
        found,
        "A cable or a preamp may be failing: find the channel that brings it, after the service.",
    )
}

fn clock(outside: &Outside) -> Finding {
    let remedy = "Set this computer's clock (it should get its time from the network).";
    let behind = outside.newest_row_ms.is_some_and(|newest| newest > outside.now_ms + 60_000);
    let (answer, found) = match () {
        () if outside.now_ms < EARLIEST_MS => (Answer::Fail, "it is years behind"),
        () if behind => (Answer::Fail, "it is behind the log's own last entry"),
        () => (Answer::Pass, "plausible"),
    };
    Finding::new("this computer's clock", answer, found.into(), remedy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain::{Chain, ChainSettings, LaneSpec};
    use crate::feed::FeedPatch;
    use crate::units::SampleRate;

    #[test]
    fn a_desk_that_is_off_a_full_disk_and_a_lost_clock_are_all_in_the_list() {
        let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1])];
        let lane = LaneSpec { rate: SampleRate::HZ_48000, channels: 2, feeds };
        let settings = ChainSettings::default();
        let chain = Chain::new(settings.clone(), vec![lane]).unwrap();
        let board = Board::new("Larkfield Chapel", settings.target, &chain);
        let outside = Outside { free_bytes: Some(5_000_000), now_ms: 3_600_000, ..Outside::default() };
        let list = ready(&board, &[], &outside);
        let failed: Vec<&str> = list.iter().filter(|f| f.answer == Answer::Fail).map(|f| f.step).collect();
        assert_eq!(failed, ["input of the stream mix", "this computer's clock", "room on the disk"]);
        assert!(list.iter().all(|f| (f.answer == Answer::Fail) <= !f.remedy.is_empty()));
    }
}
