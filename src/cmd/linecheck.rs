//! `mixwarden linecheck`: proves the line on fit-out day, step by step, and prints a report to hand over.

mod ear;
mod tones;

use crate::ledger::linecheck::{Answer, EARTH_CAUTION, Heard, Line, STEPS, Step};
use crate::show::fitout;
use anyhow::Context as _;
use clap::Args;
use ear::Ear;
use std::io::{BufRead as _, IsTerminal as _};
use std::path::PathBuf;
use std::process::ExitCode;

/// Prove the line on fit-out day: levels, sides, polarity, noise, clock, and the warning itself.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden linecheck --settings larkfield.toml --report linecheck.html\n  \
    mixwarden linecheck --steps tone,quiet --no-wait\n  mixwarden linecheck --tones tones/\n\n\
    It asks before each step and never plays a sound: tones are files that the desk or a player plays.\n\
    Stop the daemon first where the device serves one program at a time.\n\
    Exit status: 0 nothing failed, 1 a step failed, 2 it could not be done.")]
pub struct LinecheckArgs {
    /// Settings file with the feeds.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Input of all feeds, in place of the settings'.
    #[arg(long, value_name = "INPUT")]
    input: Option<String>,
    /// The steps, in order: of input, tone, quiet, clock, own-mix, warning.
    #[arg(long, value_name = "STEPS", value_delimiter = ',', value_parser = step, default_value = "input,tone,quiet,clock,own-mix,warning")]
    steps: Vec<Step>,
    /// Alignment level: -18 dBFS (EBU R 68) or -20 dBFS (SMPTE RP 155).
    #[arg(long, value_name = "DBFS", allow_hyphen_values = true, default_value = "-18", value_parser = ["-18", "-20"])]
    alignment: String,
    /// Longest time that a step listens, seconds (5 to 600).
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u32).range(5..=600))]
    seconds: u32,
    /// Do not wait for Enter before each step.
    #[arg(long)]
    no_wait: bool,
    /// Write the report as one HTML page, A4 or Letter.
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Print the findings as JSON.
    #[arg(long)]
    json: bool,
    /// Write the tone files (48 kHz WAV) to a directory, and do nothing else.
    #[arg(long, value_name = "DIR")]
    tones: Option<PathBuf>,
    /// Directory of the log, where the findings are kept as the venue's baseline.
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
}

fn step(name: &str) -> Result<Step, String> {
    Step::named(name).ok_or_else(|| format!("give steps of: {}", STEPS.map(Step::name).join(", ")))
}

/// Runs the command.
///
/// # Errors
/// Bad settings; a device that cannot be had; a file that cannot be written.
pub fn run(args: &LinecheckArgs) -> anyhow::Result<ExitCode> {
    if let Some(directory) = &args.tones {
        return tones::write(directory);
    }
    let (_, mut settings) = super::load_settings(args.settings.as_deref(), true)?;
    if let Some(input) = &args.input {
        settings.feeds.iter_mut().for_each(|f| f.device.clone_from(input));
    }
    let mut ear = Ear::open(&settings)?;
    let mut line = Line {
        sources: ear.feeds(),
        stream: ear.stream,
        has_house: ear.has_house(),
        alignment_dbfs: args.alignment.parse().context("--alignment")?,
        wish: settings.chain.own_mix.wish,
    };
    let ask = !args.no_wait && std::io::stdin().is_terminal();
    let mut findings = Vec::new();
    let mut floor_lufs = None;
    for step in &args.steps {
        eprintln!("{}", step.asks());
        if ask {
            eprintln!("Press Enter when that is so.");
            std::io::stdin().lock().read_line(&mut String::new())?;
        }
        let seconds = step.seconds(args.seconds);
        let heard = if step.moot(&line) { Heard::default() } else { ear.listen(seconds, |h| step.enough(h, &line))? };
        if *step == Step::Quiet {
            floor_lufs = heard.floor_lufs(line.stream);
        }
        line.sources = ear.feeds();
        let found = step.findings(&heard, &line);
        for f in &found {
            if !args.json {
                println!("{:22} {:12} {}", f.step, f.answer.word(), f.found);
                if !f.remedy.is_empty() {
                    println!("{:36}{}", "", f.remedy);
                }
            }
        }
        findings.extend(found);
    }
    if !args.json && findings.iter().any(|f| f.step.contains("noise") && f.answer == Answer::Fail) {
        println!("{EARTH_CAUTION}");
    }
    let zone = settings.timetable.zone.clone();
    let at = crate::run::local_clock(zone)(crate::run::now_ms());
    let kept = fitout::json(&settings.venue, &at, &ear.describe(), floor_lufs, &findings);
    if args.json {
        println!("{kept}");
    }
    if let Some(file) = &args.report {
        let page = fitout::report(&settings.venue, &at, &ear.describe(), &findings);
        std::fs::write(file, page).with_context(|| format!("{}: cannot be written", file.display()))?;
    }
    let state = super::watch::state_directory(args.state.as_deref())?;
    crate::keep::keep_linecheck(&state, &kept, &at).map_err(anyhow::Error::msg)?;
    let failed = findings.iter().any(|f| f.answer == Answer::Fail);
    Ok(if failed { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}
