//! A kept service under other limits, from the log alone: its ten values a second go through the very conditions that
//! judged it live. What the log does not hold (waves, spectra) is not judged anew, and that is said.

use super::row::{FineTick, Row, TICKS};
use super::shelf::{KeptFeed, KeptService};
use crate::chain::ChainSettings;
use crate::feed::Role;
use crate::judge::roster::{Post, ROSTER};
use crate::judge::{Alert, AlertChange, Bench, Cause, Habits, Hearing, Scene, ServiceState, listing};
use crate::measure::{ChannelLevel, Flaws, Reading};
use crate::units::{HOPS_A_TICK, MAX_CHANNELS, StreamTime, amplitude_of_db, lufs_of_power, power_of_lufs};

/// Conditions that the log's rows suffice for. Levels are known to 0.01 dB; of true peaks only the largest of each
/// second is, so `true_peak_over` counts seconds in place of tenths.
pub const FROM_ROWS: &[&str] = &[
    "no_data",
    "silent_while_house_plays",
    "digital_silence",
    "bus_muted",
    "far_too_loud",
    "far_too_quiet",
    "too_loud",
    "too_quiet",
    "long_quiet",
    "true_peak_over",
];

/// Conditions that need the recording.
pub fn needs_recording() -> impl Iterator<Item = &'static str> {
    ROSTER.iter().map(|l| l.name).filter(|n| !FROM_ROWS.contains(n))
}

/// One thing that would have been told.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Name of the feed.
    pub feed: String,
    /// Condition.
    pub condition: &'static str,
    /// When, seconds since the service began.
    pub raised_s: f64,
}

/// What these settings would have told of the service, by time. The venue's habits are learned anew from the service
/// itself, as on a new site.
///
/// # Errors
/// One sentence, when the ten values a second are no longer kept.
pub fn rejudge(kept: &KeptService, settings: &ChainSettings) -> Result<Vec<Told>, String> {
    let began_ms = kept.line.began_ms;
    let mut house: Vec<(i64, Row)> = Vec::new();
    let mut told = Vec::new();
    // The room's mix first: the stream is looked at beside it.
    let mut feeds: Vec<&KeptFeed> = kept.feeds.iter().collect();
    feeds.sort_by_key(|f| f.role != Role::House);
    for feed in feeds {
        if feed.rows.iter().any(|r| r.fine.is_none()) {
            return Err(format!(
                "service {}: its ten values a second are no longer kept (keep.fine_days); rejudge its recording",
                kept.line.id
            ));
        }
        told.extend(one(feed, began_ms, &house, settings));
        if feed.role == Role::House {
            house = feed.rows.iter().map(|r| (second(r, began_ms), r.clone())).collect();
        }
    }
    told.retain(|t: &Told| !hidden(t, kept));
    told.sort_by(|a: &Told, b| a.raised_s.total_cmp(&b.raised_s));
    Ok(told)
}

/// A worse cause on the same feed stood then and needs the recording: it stands as it was told, and hides what it hides.
fn hidden(told: &Told, kept: &KeptService) -> bool {
    let at_ms = kept.line.began_ms + (told.raised_s * 1_000.0) as i64;
    kept.alerts.iter().any(|a| {
        let stood = a.began_ms <= at_ms && a.cleared_ms.is_none_or(|c| at_ms <= c);
        let judged = FROM_ROWS.contains(&a.condition.as_str());
        let hides = listing(&a.condition).is_some_and(|l| l.hides.contains(&told.condition));
        stood && a.feed == told.feed && !judged && hides
    })
}

/// The second of the service that a row ends in.
fn second(row: &Row, began_ms: i64) -> i64 {
    (row.unix_ms - began_ms + 500).div_euclid(1_000)
}

/// Ears and conditions of one feed, over all of its rows.
fn one(feed: &KeptFeed, began_ms: i64, house: &[(i64, Row)], settings: &ChainSettings) -> Vec<Told> {
    let posts = settings.judge.posts().into_iter().filter(|p: &Post| FROM_ROWS.contains(&p.listing.name));
    let mut bench = Bench::of(0, feed.role, posts.collect());
    let (mut hearing, mut house_hearing) = (Hearing::default(), Hearing::default());
    let (mut habits, mut next_id, mut changes) = (Habits::default(), 1, Vec::new());
    let service = ServiceState { began: Some(StreamTime(0)), by: Some(Cause::Button), overdue: false };
    let mut last = 0;
    for row in &feed.rows {
        // The end of its last tick, in ticks since the service began; a clock that was set back does not turn time round.
        let end = ((row.unix_ms - began_ms + 50).div_euclid(100)).max(last + TICKS as i64);
        last = end;
        let beside = house.binary_search_by_key(&second(row, began_ms), |h| h.0).ok().map(|i| &house[i].1);
        for tick in 0..TICKS {
            let at = StreamTime((end - (TICKS - 1 - tick) as i64).max(0) as u64 * HOPS_A_TICK);
            let reading = reading(row, tick, at);
            hearing.step(&reading);
            let house_reading = beside.map(|b| self::reading(b, tick, at));
            if let Some(house) = &house_reading {
                house_hearing.step(house);
            }
            let scene = Scene {
                feed: &reading,
                role: feed.role,
                hearing: &hearing,
                house: house_reading.as_ref().map(|r| (r, &house_hearing)).filter(|_| feed.role == Role::Stream),
                service: &service,
                habits: &habits,
                target: &settings.target,
                likeness: None,
                own_mix: settings.own_mix.wish,
            };
            bench.tick(&scene, &mut next_id, &mut changes);
            let fault = bench.advises();
            habits.step(&reading, &hearing, fault);
        }
    }
    let raised = |(change, alert): &(AlertChange, Alert)| {
        let raised_s = alert.raised.seconds();
        (*change == AlertChange::Raised).then(|| Told { feed: feed.name.clone(), condition: alert.condition, raised_s })
    };
    changes.iter().filter_map(raised).collect()
}

/// What a tick of a row still says: levels, never waves or spectra.
fn reading(row: &Row, tick: usize, at: StreamTime) -> Reading {
    let fine = row.fine.as_ref().map_or(FineTick::default(), |f| f[tick]);
    let there = fine.sides_lufs[0].is_some();
    let mut channel = [ChannelLevel::default(); MAX_CHANNELS];
    for (side, c) in channel.iter_mut().take(2).enumerate() {
        let power = fine.sides_lufs[side].map_or(0.0, |l| power_of_lufs(l) / 2.0);
        (c.k_mean_square, c.mean_square) = (power, power);
        // All that is asked of them is whether the side stands still.
        (c.lowest, c.highest) = if power > 0.0 { (-1.0, 1.0) } else { (0.0, 0.0) };
        if tick == TICKS - 1 {
            c.true_peak = row.true_peak_dbtp[side].map_or(0.0, amplitude_of_db);
        }
    }
    let tick_lufs = there.then(|| lufs_of_power(channel[0].k_mean_square + channel[1].k_mean_square));
    Reading {
        at,
        measured_hops: if there { HOPS_A_TICK as u8 } else { 0 },
        channels: 2,
        channel,
        k_cross: 0.0,
        tick_lufs,
        momentary_lufs: fine.momentary_lufs,
        momentary_top_lufs: fine.momentary_lufs,
        short_term_lufs: fine.short_term_lufs,
        integrated_lufs: row.integrated_lufs,
        range_lu: row.range_lu,
        range_stable: false,
        max_momentary_lufs: None,
        max_short_term_lufs: None,
        max_true_peak: [0.0; MAX_CHANNELS],
        max_sample_peak: [0.0; MAX_CHANNELS],
        spectrum: None,
        mains: None,
        cleaned_total: 0,
        missing_frames_total: 0,
        flaws: Flaws::default(),
    }
}
