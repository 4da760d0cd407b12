//! From what was typed to measured files: directories, feeds, and one file through the chain, flat out.

use super::MeasureArgs;
use super::house::House;
use super::own_mix::OwnMix;
use super::report::{Failure, FeedReport, Report, Tick};
use crate::chain::{Chain, LaneSpec, Outcome};
use crate::feed::{Arrival, FeedPatch, Mark, Role};
use crate::judge::{AlertChange, ServiceSettings};
use crate::settings::Settings;
use crate::source::{Format, Polled, Source, file, pcm};
use crate::units::db_of_amplitude;
use indicatif::ProgressBar;
use std::path::{Path, PathBuf};

/// Channels of a feed as typed.
#[derive(Debug, Clone)]
pub struct FeedArg {
    name: String,
    channels: Vec<u16>,
}

impl FeedArg {
    /// Reads `NAME=1,2`.
    ///
    /// # Errors
    /// What it should look like.
    pub fn parse(text: &str) -> Result<Self, String> {
        let want = || format!("\"{text}\" was found; give NAME=CHANNELS, channels from 1 to 64, such as stream=1,2");
        let (name, list) = text.split_once('=').ok_or_else(want)?;
        let channels: Option<Vec<u16>> =
            list.split(',').map(|c| c.trim().parse().ok().filter(|c| (1..=64).contains(c))).collect();
        match channels {
            Some(channels) if !name.is_empty() && (1..=2).contains(&channels.len()) => {
                Ok(Self { name: name.into(), channels })
            }
            _ => Err(want()),
        }
    }

    /// The patch for the core.
    pub fn patch(&self) -> FeedPatch {
        FeedPatch::named(&self.name, &self.channels)
    }
}

/// Endings of files that a directory is searched for.
const ENDINGS: &[&str] = &[
    "wav", "wave", "w64", "rf64", "flac", "mp3", "m4a", "mp4", "m4v", "mov", "mkv", "webm", "mka", "aac", "ogg", "oga",
    "opus", "aif", "aiff", "caf",
];

/// Files that were meant: directories give their audio and video files, in order of name.
pub fn expand(given: &[PathBuf]) -> (Vec<PathBuf>, Vec<Failure>) {
    let (mut files, mut failures) = (Vec::new(), Vec::new());
    for path in given {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        match std::fs::read_dir(path) {
            Ok(entries) => {
                let mut found: Vec<PathBuf> = entries.flatten().map(|e| e.path()).filter(|p| is_recording(p)).collect();
                if found.is_empty() {
                    let error = "has no audio or video file that can be read; name a file".to_string();
                    failures.push(Failure { path: path.clone(), error });
                }
                found.sort();
                files.extend(found);
            }
            Err(e) => {
                failures.push(Failure { path: path.clone(), error: format!("the directory cannot be read: {e}") })
            }
        }
    }
    (files, failures)
}

fn is_recording(path: &Path) -> bool {
    let ending = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase());
    path.is_file() && ending.is_some_and(|e| ENDINGS.contains(&e.as_str()))
}

/// What a file's feeds are when none were named: the whole of a mono, stereo, 5.0 or 5.1 file, else channels 1-2.
fn patches(args: &MeasureArgs, format: Format) -> Vec<FeedPatch> {
    if !args.feeds.is_empty() {
        return args.feeds.iter().map(FeedArg::patch).collect();
    }
    let all: Vec<u16> = (0..format.channels as u16).collect();
    // BS.1770-5, Annex 1: L R C 1.0, Ls Rs 1.41, LFE left out; order L R C (LFE) Ls Rs.
    let weights: &[f64] = match format.channels {
        5 => &[1.0, 1.0, 1.0, 1.41, 1.41],
        6 => &[1.0, 1.0, 1.0, 0.0, 1.41, 1.41],
        1 => return vec![FeedPatch::new("stream", Role::Stream, &[0])],
        _ => return vec![FeedPatch::new("stream", Role::Stream, &[0, 1])],
    };
    vec![FeedPatch { name: "stream".into(), role: Role::Stream, channels: all, weights: weights.to_vec() }]
}

/// One file through the chain, as fast as it goes.
///
/// # Errors
/// One sentence: what was found, what is needed.
pub fn measure(args: &MeasureArgs, settings: &Settings, path: &Path, bar: &ProgressBar) -> Result<Report, String> {
    let mut source: Box<dyn Source> = if path.as_os_str() == "-" {
        Box::new(pcm::stdin(&args.pcm_format, args.pcm_rate, args.pcm_channels)?)
    } else {
        file::open(path, args.audio_track, file::Pace::FlatOut).map_err(|e| e.to_string())?
    };
    let format = loop {
        match source.poll(&mut |_| {}) {
            Polled::Format(format) => break format,
            Polled::Nothing => std::thread::sleep(std::time::Duration::from_millis(5)),
            Polled::Failed(sentence) => return Err(sentence),
            Polled::Ended | Polled::Gave { .. } => return Err("holds no audio; give a file with sound in it".into()),
        }
    };
    let mut feeds = patches(args, format);
    let mut lanes = Vec::new();
    let mut house = None;
    if let Some(house_path) = &args.house {
        let typed = args.feeds.iter().find(|f| f.name == "house").map(FeedArg::patch);
        feeds.retain(|f| f.role != Role::House);
        let stream = feeds.first().map_or(&[][..], |f| &f.channels);
        let channels = typed.as_ref().map_or(&[][..], |f| &f.channels);
        let opened = House::open(house_path, args.audio_track, channels, (path, stream))?;
        let all: Vec<u16> = (0..opened.format.channels.min(2) as u16).collect();
        let patch = typed.unwrap_or_else(|| FeedPatch::new("house", Role::House, &all));
        lanes.push(LaneSpec { rate: opened.format.rate, channels: opened.format.channels, feeds: vec![patch] });
        house = Some(opened);
    }
    let every: Vec<FeedPatch> = feeds.iter().chain(lanes.iter().flat_map(|l| &l.feeds)).cloned().collect();
    let mut report = Report::new(path, format, &every);
    if let (Some(own_mix), Some(house)) = (&mut report.own_mix, &house) {
        *own_mix = std::mem::take(own_mix).begins_after(house.offset_seconds);
        if house.offset_seconds.is_none() {
            report.notes.push(
                "no offset up to 60 s was found between stream and house; both are taken from their beginnings".into(),
            );
        }
    }
    lanes.insert(0, LaneSpec { rate: format.rate, channels: format.channels, feeds });
    let mut core = settings.chain.clone();
    core.service = ServiceSettings::one_programme();
    let mut chain = Chain::new(core, lanes).map_err(|e| e.to_string())?;
    chain.count_lanes_together();
    if args.levels {
        chain.levels_only();
        report.notes.push("levels alone (--levels): no faults were looked for".into());
    }
    let mut out = Vec::new();
    chain.step(0, Arrival::Mark(Mark::ServiceBegin), &mut out);
    let (mut now, mut frames, mut before, mut seconds) = (format, 0u64, 0.0, 0.0);
    bar.set_length(file::frames(path).unwrap_or(0) / u64::from(format.rate.hz()));
    loop {
        let polled = source.poll(&mut |arrival| match &mut house {
            Some(house) => house.step(&mut chain, format, arrival, &mut out),
            None => chain.step(0, arrival, &mut out),
        });
        collect(&mut report, &mut out, args.timeline.is_some());
        match polled {
            Polled::Gave { frames: n } => {
                frames += n;
                seconds = before + frames as f64 / f64::from(now.rate.hz());
                bar.set_position(seconds as u64);
            }
            Polled::Format(changed) if changed == now => {}
            Polled::Format(changed) => {
                report.notes.push(format!(
                    "the format changes to {} Hz, {} channels after {seconds:.1} s; loudness windows began anew there",
                    changed.rate.hz(),
                    changed.channels,
                ));
                (now, frames, before) = (changed, 0, seconds);
                chain.refit(0, changed.rate, changed.channels).map_err(|e| e.to_string())?;
            }
            Polled::Nothing => std::thread::sleep(std::time::Duration::from_millis(2)),
            Polled::Failed(sentence) => return Err(sentence),
            Polled::Ended => break,
        }
    }
    if seconds == 0.0 {
        return Err("holds no audio; give a file with sound in it".into());
    }
    chain.finish(&mut out);
    collect(&mut report, &mut out, args.timeline.is_some());
    report.notes.extend(source.fault());
    report.note_odd_samples();
    report.duration_seconds = seconds;
    Ok(report)
}

fn collect(report: &mut Report, out: &mut Vec<Outcome>, timeline: bool) {
    for outcome in out.drain(..) {
        match outcome {
            Outcome::Reading { feed, reading } => {
                if timeline && feed == 0 {
                    report.ticks.push(Tick::of(&reading));
                }
                report.feeds[feed].last = Some(*reading);
            }
            Outcome::Alert { change, alert } => {
                let alerts = &mut report.feeds[alert.feed].alerts;
                match alerts.iter_mut().find(|a| a.id == alert.id) {
                    Some(known) if change == AlertChange::Cleared => known.cleared = alert.cleared,
                    Some(known) => *known = *alert,
                    None => alerts.push(*alert),
                }
            }
            Outcome::Likeness(likeness) => report.own_mix.get_or_insert_default().take(&likeness),
            Outcome::Began { .. } | Outcome::Ended { .. } => {}
        }
    }
}

/// Samples over full scale from which the coding is doubted, dB.
const DOUBTFUL_DB: f64 = 60.0;

impl Report {
    /// Says what no sound card delivers: samples that are no numbers, or far over full scale.
    fn note_odd_samples(&mut self) {
        for feed in &self.feeds {
            let Some(last) = &feed.last else { continue };
            if last.cleaned_total > 0 {
                self.notes.push(format!(
                    "{}: {} samples were no numbers (NaN or infinite) and were taken as 0",
                    feed.name, last.cleaned_total
                ));
            }
            let peak = db_of_amplitude(last.max_sample_peak[..last.channels].iter().fold(0.0, |t, p| p.max(t)));
            if peak > DOUBTFUL_DB {
                self.notes.push(format!(
                    "{}: samples reach {peak:.0} dB over full scale, which is 1.0 in floating point: look at how the \
                     file was written; loudness over +380 LUFS is not told apart",
                    feed.name
                ));
            }
        }
    }

    fn new(path: &Path, format: Format, feeds: &[FeedPatch]) -> Self {
        let feed = |p: &FeedPatch| FeedReport {
            name: p.name.clone(),
            channels: p.channels.clone(),
            last: None,
            alerts: Vec::new(),
        };
        Self {
            path: path.into(),
            format,
            duration_seconds: 0.0,
            feeds: feeds.iter().map(feed).collect(),
            ticks: Vec::new(),
            own_mix: [Role::Stream, Role::House].iter().all(|r| feeds.iter().any(|f| f.role == *r)).then(OwnMix::early),
            notes: Vec::new(),
        }
    }
}
