//! `mixwarden linecheck`: proves the line on fit-out day, step by step, and prints a report to hand over.

mod ear;
mod tones;

use crate::judge::{AlertChange, OwnMixWish, Severity};
use crate::ledger::linecheck::{Answer, EARTH_CAUTION, Finding, clock, floor, tone};
use crate::ledger::own_mix::{headline, missing};
use crate::likeness::Kin;
use crate::show::fitout;
use anyhow::Context as _;
use clap::{Args, ValueEnum};
use ear::{Ear, Heard};
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
    /// The steps, in order.
    #[arg(long, value_name = "STEPS", value_delimiter = ',', default_value = "input,tone,quiet,clock,own-mix,warning")]
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

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Step {
    /// The device is there, and which of its channels have sound.
    Input,
    /// A line-up tone: level, left and right, polarity.
    Tone,
    /// Nothing is sent: noise, hum, offset.
    Quiet,
    /// The device's clock, and gaps.
    Clock,
    /// Talk and music: the stream is a mix of its own, or a copy of the room's.
    OwnMix,
    /// The warning itself: the bus is muted, and that is told.
    Warning,
}

impl Step {
    /// What the person at the desk does for it.
    fn asks(self) -> &'static str {
        match self {
            Self::Input => "Switch the desk on, and let some sound through the stream mix.",
            Self::Tone => "Send the line-up tone (1 kHz, left side interrupted) to the stream mix.",
            Self::Quiet => "Stop all sound: faders of the stream mix as in a service, nobody speaks.",
            Self::Clock => "Leave all as it is, for a minute.",
            Self::OwnMix => {
                "Play talk and music in turns, as in a service, with the stream mix and the room's mix as they will be."
            }
            Self::Warning => {
                "Play talk or music through the stream mix; after ten seconds, mute the stream mix on the desk."
            }
        }
    }
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
    let alignment_dbfs: f64 = args.alignment.parse().context("--alignment")?;
    let ask = !args.no_wait && std::io::stdin().is_terminal();
    let mut findings = Vec::new();
    let mut floor_lufs = None;
    for step in &args.steps {
        eprintln!("{}", step.asks());
        if ask {
            eprintln!("Press Enter when that is so.");
            std::io::stdin().lock().read_line(&mut String::new())?;
        }
        let found = match step {
            Step::Input => input(&mut ear)?,
            Step::Tone => {
                let heard = ear.listen(f64::from(args.seconds.min(14)))?;
                tone(&heard.readings[ear.stream], alignment_dbfs)
            }
            Step::Quiet => quiet(&mut ear, args.seconds, &mut floor_lufs)?,
            Step::Clock => {
                let heard = ear.listen(f64::from(args.seconds))?;
                clock(heard.frames, heard.rate_hz, heard.seconds, heard.lost_frames)
            }
            Step::OwnMix => own_mix(&mut ear, args.seconds, settings.chain.own_mix.wish)?,
            Step::Warning => warning(&mut ear, args.seconds)?,
        };
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
    keep(args, &kept, &at)?;
    let failed = findings.iter().any(|f| f.answer == Answer::Fail);
    Ok(if failed { ExitCode::FAILURE } else { ExitCode::SUCCESS })
}

/// The findings stay beside the log: the newest as the baseline, each under its time.
fn keep(args: &LinecheckArgs, kept: &serde_json::Value, at: &str) -> anyhow::Result<()> {
    let state = super::watch::state_directory(args.state.as_deref())?;
    std::fs::create_dir_all(&state).with_context(|| format!("{}: cannot be made", state.display()))?;
    let stamp: String = at.chars().take(16).map(|c| if c == ':' { '-' } else { c }).collect();
    for name in ["linecheck.json".to_string(), format!("linecheck-{stamp}.json")] {
        let file = state.join(name);
        std::fs::write(&file, format!("{kept}\n")).with_context(|| format!("{}: cannot be written", file.display()))?;
    }
    Ok(())
}

fn input(ear: &mut Ear) -> anyhow::Result<Vec<Finding>> {
    let heard = ear.listen(5.0)?;
    let mut findings = Vec::new();
    for (index, feed) in ear.feeds().into_iter().enumerate() {
        let readings: Vec<_> = heard.readings[index].iter().filter(|r| !r.absent()).collect();
        let peaks = (0..readings.first().map_or(0, |r| r.channels))
            .map(|c| readings.iter().map(|r| r.channel[c].sample_peak).fold(0.0, f64::max));
        let sound = crate::units::power_of_lufs(crate::judge::SOUND_LUFS).sqrt();
        let peaks: Vec<f64> = peaks.collect();
        let answer = match peaks.as_slice() {
            [] => Answer::Fail,
            some if some.iter().all(|p| *p > sound) => Answer::Pass,
            _ => Answer::CannotTell,
        };
        let levels: Vec<String> = peaks
            .iter()
            .map(|p| if *p > 0.0 { format!("{:.1} dBFS", crate::units::db_of_amplitude(*p)) } else { "silence".into() })
            .collect();
        let found =
            if levels.is_empty() { "nothing came in".into() } else { format!("{feed}: peaks {}", levels.join(", ")) };
        findings.push(Finding::new(if index == ear.stream { "stream input" } else { "house input" }, answer, found,
            "Is the desk on, the cable in, the right channel pair named? `mixwarden inputs --listen` shows every channel."));
    }
    Ok(findings)
}

fn quiet(ear: &mut Ear, seconds: u32, floor_lufs: &mut Option<f64>) -> anyhow::Result<Vec<Finding>> {
    let heard = ear.listen(f64::from(seconds.min(30)))?;
    let mut levels: Vec<f64> = heard.readings[ear.stream].iter().filter_map(|r| r.tick_lufs).collect();
    levels.sort_by(f64::total_cmp);
    *floor_lufs = levels.get(levels.len() / 2).copied();
    let mut findings = floor(&heard.readings[ear.stream]);
    for a in
        heard.alerts.iter().filter(|(change, a)| *change == AlertChange::Raised && a.feed == ear.stream).map(|a| &a.1)
    {
        if ["hum", "steady_noise", "howl", "tone_left_on"].contains(&a.condition) {
            let found = crate::words::said_of("stream", &a.evidence.sentence());
            findings.push(Finding::new(a.condition, Answer::Fail, found, a.evidence.words.checks[0]));
        }
    }
    Ok(findings)
}

fn warning(ear: &mut Ear, seconds: u32) -> anyhow::Result<Vec<Finding>> {
    let stream = ear.stream;
    let heard: Heard = ear.listen_until(f64::from(seconds.max(30)), |change, alert| {
        change == AlertChange::Raised && alert.feed == stream && alert.evidence.severity == Severity::Warning
    })?;
    let remedy = "Play sound for ten seconds first, then mute the stream mix; where its console closes gates to zero, a house feed makes this quick.";
    let told = heard
        .alerts
        .iter()
        .rev()
        .find(|(c, a)| *c == AlertChange::Raised && a.evidence.severity == Severity::Warning && a.feed == stream);
    let finding = match told {
        Some((_, alert)) => {
            let after = alert.raised.since(alert.began);
            let headline = crate::words::said_of("stream", alert.evidence.words.headline);
            Finding::new(
                "the warning itself",
                Answer::Pass,
                format!("told {after:.1} s after the sound ended: {headline:?}"),
                "",
            )
        }
        None => Finding::new("the warning itself", Answer::Fail, format!("no warning within {seconds} s"), remedy),
    };
    Ok(vec![finding])
}

fn own_mix(ear: &mut Ear, seconds: u32, wish: OwnMixWish) -> anyhow::Result<Vec<Finding>> {
    const STEP: &str = "own mix";
    if !ear.has_house() {
        return Ok(vec![Finding::new(STEP, Answer::Skipped, "no house feed is set up".into(), "")]);
    }
    ear.listen(f64::from(seconds.max(60)))?;
    let Some(likeness) = ear.likeness() else {
        return Ok(vec![Finding::new(
            STEP,
            Answer::CannotTell,
            "nothing was compared".into(),
            "Play sound on both mixes.",
        )]);
    };
    let answer = match (likeness.kin, wish) {
        (Kin::Own, OwnMixWish::Expected) | (Kin::Copy, OwnMixWish::CopyExpected) => Answer::Pass,
        (Kin::Own | Kin::Copy, OwnMixWish::NotExpected) => Answer::Pass,
        (Kin::Unsure, _) => Answer::CannotTell,
        (Kin::Own | Kin::Copy | Kin::Unrelated, _) => Answer::Fail,
    };
    let found = format!("{} {}", headline(likeness), missing(likeness));
    let remedy = "Which bus feeds the stream's output? Which scene is loaded? Then listen again for longer, with talk and music in turns.";
    Ok(vec![Finding::new(STEP, answer, found.trim().into(), remedy)])
}
