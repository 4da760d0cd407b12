//! `mixwarden measure FILE...`: what a recording measures, and what the daemon would have said of it.

mod house;
mod input;
mod own_mix;
mod report;
mod timeline;

use crate::judge::{PROFILES, Severity, Target};
use crate::settings::Settings;
use anyhow::Context as _;
use clap::Args;
use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
pub use input::FeedArg;
use report::{Failure, Report};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Measure recordings: loudness, range, peaks, faults.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    mixwarden measure sunday.wav\n  \
    mixwarden measure --levels --target speech_stream season/\n  \
    mixwarden measure --json --feed stream=17,18 --feed house=1,2 desk-32ch.wav\n  \
    mixwarden measure --fail-on warning --target speech_stream recordings/\n\n\
    Exit status: 0 done, 1 --fail-on or --target was missed, 2 a file could not be read.")]
pub struct MeasureArgs {
    /// Files, directories (their audio and video files), or - for raw PCM on standard input.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Print one JSON object with all digits.
    #[arg(long)]
    json: bool,
    /// Channels of a feed, counted from 1: stream=1,2 or house=3,4 or stream=5.
    #[arg(long = "feed", value_name = "NAME=CHANNELS", value_parser = FeedArg::parse)]
    feeds: Vec<FeedArg>,
    /// The room's mix as a file of its own; it may begin up to a minute before or after (one input file only).
    #[arg(long, value_name = "FILE")]
    house: Option<PathBuf>,
    /// Settings whose limits hold.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Target profile: speech_stream, music_stream, broadcast_ebu or broadcast_atsc; a miss gives exit status 1.
    #[arg(long, value_name = "PROFILE")]
    target: Option<String>,
    /// Write one row per 100 ms of the stream to this CSV file (one input file only).
    #[arg(long, value_name = "FILE.csv")]
    timeline: Option<PathBuf>,
    /// Print the alerts of each file under its figures.
    #[arg(long)]
    alerts: bool,
    /// Loudness, range and peaks alone, in half of the time or less: no faults are looked for.
    #[arg(long, conflicts_with_all = ["alerts", "fail_on", "json"])]
    levels: bool,
    /// Exit with 1 when a file has an alert this severe: note, advice or warning.
    #[arg(long, value_name = "SEVERITY", value_parser = parse_severity)]
    fail_on: Option<Severity>,
    /// Audio track of files that have several, counted from 1.
    #[arg(long, value_name = "N", default_value_t = 1)]
    audio_track: usize,
    /// Format of raw PCM on standard input: s16le, s24le, s32le or f32le.
    #[arg(long, value_name = "FORMAT", default_value = "s16le")]
    pcm_format: String,
    /// Sample rate of raw PCM, Hz.
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    pcm_rate: u32,
    /// Channels of raw PCM.
    #[arg(long, value_name = "N", default_value_t = 2)]
    pcm_channels: usize,
    /// Files measured at the same time (default: one a core).
    #[arg(long, value_name = "N")]
    jobs: Option<usize>,
}

fn parse_severity(text: &str) -> Result<Severity, String> {
    [Severity::Note, Severity::Advice, Severity::Warning]
        .into_iter()
        .find(|s| s.name() == text)
        .ok_or_else(|| "give note, advice or warning".into())
}

/// Runs the command.
///
/// # Errors
/// When the settings or the timeline file cannot be used.
pub fn run(args: &MeasureArgs) -> anyhow::Result<ExitCode> {
    let mut settings = super::load_settings(args.settings.as_deref(), false)?.1;
    let wanted = args.target.as_deref().map(profile).transpose()?;
    if let Some(target) = &wanted {
        settings.chain.target = target.clone();
    }
    let (files, mut failures) = input::expand(&args.files);
    if args.timeline.is_some() && files.len() != 1 {
        anyhow::bail!("--timeline takes one input file, {} were given", files.len());
    }
    if args.house.is_some() && files.len() != 1 {
        anyhow::bail!("--house goes with one input file, {} were given", files.len());
    }
    let mut reports = measure_all(args, &settings, &files, &mut failures);
    reports.sort_by_key(|r| files.iter().position(|f| *f == r.path));
    if args.json {
        println!("{}", report::json(&reports, &failures, wanted.as_ref()));
    } else {
        print!("{}", report::table(&reports, &settings.chain.target, args.alerts));
    }
    for failure in &failures {
        eprintln!("mixwarden: {}: {}", failure.path.display(), failure.error);
    }
    if let (Some(path), Some(report)) = (&args.timeline, reports.first()) {
        timeline::write(path, report)
            .with_context(|| format!("{}: the timeline could not be written", path.display()))?;
    }
    let missed = wanted.is_some() && reports.iter().any(|r| !r.meets(&settings.chain.target))
        || args.fail_on.is_some_and(|least| reports.iter().any(|r| r.worst() >= Some(least)));
    Ok(ExitCode::from(if !failures.is_empty() { 2 } else { u8::from(missed) }))
}

fn profile(name: &str) -> anyhow::Result<Target> {
    let names: Vec<&str> = PROFILES.iter().map(|p| p.name).collect();
    let found = PROFILES.iter().find(|p| p.name == name);
    found.map(Target::from).with_context(|| format!("--target {name}: give one of {}", names.join(", ")))
}

fn measure_all(args: &MeasureArgs, settings: &Settings, files: &[PathBuf], failures: &mut Vec<Failure>) -> Vec<Report> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let jobs = args.jobs.unwrap_or(cores).clamp(1, files.len().max(1));
    let next = AtomicUsize::new(0);
    let results = Mutex::new((Vec::new(), Vec::new()));
    let bars = MultiProgress::with_draw_target(if args.json && !std::io::IsTerminal::is_terminal(&std::io::stderr()) {
        ProgressDrawTarget::hidden()
    } else {
        ProgressDrawTarget::stderr()
    });
    std::thread::scope(|scope| {
        for _ in 0..jobs {
            scope.spawn(|| {
                while let Some(path) = files.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let bar = bars.add(bar(path));
                    let result = input::measure(args, settings, path, &bar);
                    bar.finish_and_clear();
                    let Ok(mut results) = results.lock() else { return };
                    match result {
                        Ok(report) => results.0.push(report),
                        Err(error) => results.1.push(Failure { path: path.clone(), error }),
                    }
                }
            });
        }
    });
    let (reports, mut failed) = results.into_inner().unwrap_or_default();
    failed.sort_by(|a, b| a.path.cmp(&b.path));
    failures.extend(failed);
    reports
}

/// One file's progress, in seconds of audio; hidden where standard error is no terminal.
fn bar(path: &std::path::Path) -> ProgressBar {
    let bar = ProgressBar::new(0);
    if let Ok(style) = ProgressStyle::with_template("{msg:30!} {wide_bar} {percent:>3} %, {eta} left") {
        bar.set_style(style);
    }
    bar.set_message(path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().to_string()));
    bar
}
