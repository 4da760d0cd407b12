//! `mixwarden rejudge`: the same recording, or the same kept service, under other limits, side by side.

use super::measure::FeedArg;
use crate::chain::{Chain, LaneSpec, Outcome};
use crate::feed::{Arrival, FeedPatch, Mark, Role};
use crate::judge::{Alert, AlertChange, ServiceSettings};
use crate::keep::Reader;
use crate::ledger::rejudge::{FROM_ROWS, needs_recording, rejudge};
use crate::ledger::{KeptService, Shelf as _};
use crate::settings::Settings;
use crate::source::{Format, Polled, file};
use anyhow::Context as _;
use clap::Args;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Judge recordings or kept services anew under other limits: what would have been told, side by side.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden rejudge sunday.flac --with stricter.toml\n  \
    mixwarden rejudge sunday.flac --with now.toml --with stricter.toml --feed stream=1,2 --feed house=3,4\n  \
    mixwarden rejudge --service last --with stricter.toml\n\n\
    The limits in force (the settings file in its usual place, else the defaults) are the first column.\n\
    A kept service is judged from the log's ten values a second: levels and silences. What needs the recording is\n\
    named, and stands as it was told.\n\
    Exit status: 0 done, 1 there is no such service, 2 a file or the log could not be read.")]
pub struct RejudgeArgs {
    /// Recordings.
    #[arg(required_unless_present = "service")]
    files: Vec<PathBuf>,
    /// A kept service in place of recordings: its number, or "last".
    #[arg(long, value_name = "SERVICE", conflicts_with_all = ["files", "feeds"])]
    service: Option<String>,
    /// Directory of the log.
    #[arg(long, value_name = "DIR", requires = "service")]
    state: Option<PathBuf>,
    /// Settings with other limits; may be given several times.
    #[arg(long = "with", value_name = "FILE", required = true)]
    with: Vec<PathBuf>,
    /// Settings of the first column, in place of those in force.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Channels of a feed, counted from 1: stream=1,2 or house=3,4.
    #[arg(long = "feed", value_name = "NAME=CHANNELS", value_parser = FeedArg::parse)]
    feeds: Vec<FeedArg>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// Alerts raised within this time of each other are the same one under other limits, seconds.
const SAME_SECONDS: f64 = 60.0;

/// One thing that was told under at least one of the settings: when, by column.
struct Row {
    feed: String,
    condition: String,
    raised: Vec<Option<f64>>,
}

/// What was told under one of the settings: feed, condition, when.
type Told = (String, String, f64);

/// Runs the command.
///
/// # Errors
/// Bad settings.
pub fn run(args: &RejudgeArgs) -> anyhow::Result<ExitCode> {
    let (found, first) = super::load_settings(args.settings.as_deref(), true)?;
    let mut names = vec![found.map_or_else(|| "the defaults".into(), |f| f.display().to_string())];
    let mut all = vec![first];
    for file in &args.with {
        all.push(super::load_settings(Some(file), false)?.1);
        names.push(file.display().to_string());
    }
    if let Some(service) = &args.service {
        return kept(args, service, names, &all);
    }
    let mut failed = false;
    let mut files = Vec::new();
    for path in &args.files {
        match judge(path, &args.feeds, &all) {
            Ok(rows) if args.json => files.push(json!({
                "path": path, "alerts": rows.iter().map(|r| json!({
                    "feed": r.feed, "condition": r.condition, "raised_s": r.raised })).collect::<Vec<_>>(),
            })),
            Ok(rows) => print(path, &names, &rows, false),
            Err(e) => {
                failed = true;
                eprintln!("mixwarden: {}: {e:#}", path.display());
            }
        }
    }
    if args.json {
        println!("{}", json!({ "version": 1, "settings": names, "files": files }));
    }
    Ok(ExitCode::from(if failed { 2 } else { 0 }))
}

fn judge(path: &Path, feeds: &[FeedArg], all: &[Settings]) -> anyhow::Result<Vec<Row>> {
    let mut source = file::open(path, 1, file::Pace::FlatOut)?;
    let mut chains: Vec<Chain> = Vec::new();
    let mut told: Vec<Vec<Alert>> = vec![Vec::new(); all.len()];
    let mut out = Vec::new();
    loop {
        // One decoding serves all: each arrival goes through every chain.
        let polled = source.poll(&mut |arrival| {
            for (chain, told) in chains.iter_mut().zip(&mut told) {
                chain.step(0, arrival, &mut out);
                take(told, &mut out);
            }
        });
        match polled {
            Polled::Format(format) if chains.is_empty() => {
                for settings in all {
                    chains.push(chain(settings, feeds, format, &mut out)?);
                }
                out.clear();
            }
            Polled::Format(format) => {
                for chain in &mut chains {
                    chain.refit(0, format.rate, format.channels)?;
                }
            }
            Polled::Failed(why) => anyhow::bail!(why),
            Polled::Ended => break,
            Polled::Gave { .. } | Polled::Nothing => {}
        }
    }
    anyhow::ensure!(!chains.is_empty(), "holds no audio; give a file with sound in it");
    for (chain, told) in chains.iter_mut().zip(&mut told) {
        chain.finish(&mut out);
        take(told, &mut out);
    }
    let name = |alert: &Alert| chains[0].feed(alert.feed).map_or_else(String::new, |f| f.name.to_string());
    let of = |a: &Alert| (name(a), a.condition.to_string(), a.raised.seconds());
    Ok(side_by_side(told.iter().map(|alerts| alerts.iter().map(of).collect()).collect()))
}

/// What belongs together in one row, by time; one column each of `all`.
fn side_by_side(all: Vec<Vec<Told>>) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for (column, told) in all.iter().enumerate() {
        for (feed, condition, at) in told {
            let near = |r: &&mut Row| {
                r.feed == *feed
                    && r.condition == *condition
                    && r.raised[column].is_none()
                    && r.raised.iter().flatten().any(|t| (t - at).abs() <= SAME_SECONDS)
            };
            match rows.iter_mut().find(near) {
                Some(row) => row.raised[column] = Some(*at),
                None => {
                    let mut raised = vec![None; all.len()];
                    raised[column] = Some(*at);
                    rows.push(Row { feed: feed.clone(), condition: condition.clone(), raised });
                }
            }
        }
    }
    let begin = |r: &Row| r.raised.iter().flatten().copied().fold(f64::INFINITY, f64::min);
    rows.sort_by(|a, b| begin(a).total_cmp(&begin(b)));
    rows
}

/// A kept service: what was told then is the first column.
fn kept(args: &RejudgeArgs, service: &str, names: Vec<String>, all: &[Settings]) -> anyhow::Result<ExitCode> {
    let state = super::watch::state_directory(args.state.as_deref())?;
    let which = super::review::which(service)?;
    let Some(kept) = Reader::new(&state).service(which)? else {
        eprintln!("mixwarden: there is no service {service} in {}; `mixwarden review` lists them", state.display());
        return Ok(ExitCode::FAILURE);
    };
    let mut columns = vec![as_told(&kept)];
    for settings in all {
        let told = rejudge(&kept, &settings.chain).map_err(anyhow::Error::msg)?;
        columns.push(told.into_iter().map(|t| (t.feed, t.condition.to_string(), t.raised_s)).collect());
    }
    let rows = side_by_side(columns);
    let names: Vec<String> = std::iter::once("as it was told".to_string()).chain(names).collect();
    if args.json {
        let alerts = rows.iter().map(|r| {
            json!({ "feed": r.feed, "condition": r.condition, "needs_recording": !judged(r), "raised_s": r.raised })
        });
        let service = json!({
            "service": kept.line.id, "alerts": alerts.collect::<Vec<_>>(),
            "judged_from_log": FROM_ROWS, "needs_recording": needs_recording().collect::<Vec<_>>(),
        });
        println!("{}", json!({ "version": 1, "settings": names, "services": [service] }));
    } else {
        print(Path::new(&format!("service {}", kept.line.id)), &names, &rows, true);
        println!("  The log suffices for: {}.", FROM_ROWS.join(", "));
        println!("  The recording is needed for: {}.", needs_recording().collect::<Vec<_>>().join(", "));
    }
    Ok(ExitCode::SUCCESS)
}

/// It was judged anew; else it stands as it was told.
fn judged(row: &Row) -> bool {
    FROM_ROWS.contains(&row.condition.as_str())
}

fn as_told(kept: &KeptService) -> Vec<Told> {
    let since = |ms: i64| (ms - kept.line.began_ms) as f64 / 1000.0;
    kept.alerts.iter().map(|a| (a.feed.clone(), a.condition.clone(), since(a.raised_ms))).collect()
}

fn chain(settings: &Settings, feeds: &[FeedArg], format: Format, out: &mut Vec<Outcome>) -> anyhow::Result<Chain> {
    let patches = match feeds {
        [] if format.channels == 1 => vec![FeedPatch::new("stream", Role::Stream, &[0])],
        [] => vec![FeedPatch::new("stream", Role::Stream, &[0, 1])],
        some => some.iter().map(FeedArg::patch).collect(),
    };
    let mut core = settings.chain.clone();
    core.service = ServiceSettings::one_programme();
    let lane = LaneSpec { rate: format.rate, channels: format.channels, feeds: patches };
    let mut chain = Chain::new(core, vec![lane]).context("--feed")?;
    chain.step(0, Arrival::Mark(Mark::ServiceBegin), out);
    Ok(chain)
}

fn take(told: &mut Vec<Alert>, out: &mut Vec<Outcome>) {
    for outcome in out.drain(..) {
        if let Outcome::Alert { change: AlertChange::Raised, alert } = outcome {
            told.push(*alert);
        }
    }
}

/// `from_log`: what needs the recording stands as it was told, in the first column.
fn print(path: &Path, names: &[String], rows: &[Row], from_log: bool) {
    println!("{}", path.display());
    for (n, name) in names.iter().enumerate() {
        println!("  {}: {name}", n + 1);
    }
    let columns = (1..=names.len()).map(|n| format!("{n:>10}")).collect::<String>();
    println!("  {:10} {:26}{columns}", "feed", "told, at");
    for row in rows {
        let times = row.raised.iter().map(|t| match t {
            Some(t) => {
                format!("{:>10}", format!("{}:{:02}:{:02}", *t as u64 / 3600, *t as u64 / 60 % 60, *t as u64 % 60))
            }
            None if from_log && !judged(row) => format!("{:>10}", "recording"),
            None => format!("{:>10}", "-"),
        });
        println!("  {:10} {:26}{}", row.feed, row.condition, times.collect::<String>());
    }
    if rows.is_empty() {
        println!("  nothing is told under any of them");
    }
}
