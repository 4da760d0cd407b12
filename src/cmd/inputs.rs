//! `mixwarden inputs`: devices, channels, a live level of each, and the lines to paste in the settings.

use crate::feed::Arrival;
use crate::source::inputs::{self, Input};
use crate::source::{Format, Polled, Source};
use crate::units::{db_of_amplitude, db_of_power};
use clap::Args;
use std::io::{IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// List the inputs of this computer, and show the level of each channel.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  mixwarden inputs\n  mixwarden inputs --listen pulse:alsa_input.desk --seconds 10\n\n\
    Exit status: 0 there is an input, 1 there is none, 2 the input cannot be listened to."
)]
pub struct InputsArgs {
    /// Show the level of every channel of this input for a while.
    #[arg(long, value_name = "INPUT")]
    listen: Option<String>,
    /// For how long, seconds.
    #[arg(long, value_name = "SECONDS", default_value_t = 5.0)]
    seconds: f64,
    /// Print nothing; the exit status tells.
    #[arg(long)]
    quiet: bool,
    /// Print the list as JSON.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// When the input to listen to has no known form, or does not deliver.
pub fn run(args: &InputsArgs) -> anyhow::Result<ExitCode> {
    if let Some(id) = &args.listen {
        return listen(id, args.seconds);
    }
    let (list, problems) = inputs::list();
    let code = if list.iter().any(|i| !i.plays_back) { ExitCode::SUCCESS } else { ExitCode::FAILURE };
    if args.quiet {
        return Ok(code);
    }
    if args.json {
        let rows: Vec<_> = list
            .iter()
            .map(|i| serde_json::json!({ "id": i.id, "description": i.description, "channels": i.channels, "sample_rate": i.rate_hz, "default": i.default, "monitor": i.plays_back }))
            .collect();
        println!("{}", serde_json::json!({ "inputs": rows, "problems": problems }));
        return Ok(code);
    }
    for i in &list {
        print_input(i);
    }
    for p in &problems {
        println!("note: {p}");
    }
    if let Some(best) = list.iter().find(|i| i.default).or(list.first()) {
        println!("\nTo see which channels play: mixwarden inputs --listen {}", best.id);
        println!(
            "Lines for the settings file:\n\n[feed.stream]\ndevice = \"{}\"\nchannels = [1, {}]",
            best.id,
            best.channels.min(2)
        );
        if best.channels >= 4 {
            println!("\n[feed.house]\ndevice = \"{}\"\nchannels = [3, 4]", best.id);
        }
    } else {
        println!("There is no input. Plug in the sound interface, or try the program with: mixwarden rehearse");
    }
    Ok(code)
}

fn print_input(i: &Input) {
    let mut marks = Vec::new();
    if i.default {
        marks.push("the default");
    }
    if i.plays_back {
        marks.push("what this computer plays itself");
    }
    if i.channels > 8 && i.id.starts_with("pulse:") {
        marks.push("many channels: prove them with a tone");
    }
    let marks = if marks.is_empty() { String::new() } else { format!(" ({})", marks.join("; ")) };
    println!("{}\n    {}, {} channels, {} Hz{marks}", i.id, i.description, i.channels, i.rate_hz);
}

/// Levels of one channel.
#[derive(Clone, Copy, Default)]
struct Level {
    peak: f32,
    square: f64,
    frames: u64,
    top: f32,
}

fn listen(id: &str, seconds: f64) -> anyhow::Result<ExitCode> {
    let mut source = inputs::open(id).map_err(anyhow::Error::msg)?;
    let mut format: Option<Format> = None;
    let mut levels: Vec<Level> = Vec::new();
    let began = Instant::now();
    let mut next = Instant::now() + Duration::from_millis(250);
    let live = std::io::stdout().is_terminal();
    while began.elapsed().as_secs_f64() < seconds.clamp(0.5, 3600.0) {
        let polled = source.poll(&mut |arrival| {
            let (Arrival::Block(block), Some(f)) = (arrival, format) else { return };
            for frame in block.samples.chunks_exact(f.channels) {
                for (level, x) in levels.iter_mut().zip(frame) {
                    level.peak = level.peak.max(x.abs());
                    level.top = level.top.max(x.abs());
                    level.square += f64::from(*x) * f64::from(*x);
                    level.frames += 1;
                }
            }
        });
        match polled {
            Polled::Format(f) => {
                format = Some(f);
                levels = vec![Level::default(); f.channels];
            }
            Polled::Failed(why) => anyhow::bail!("{why}"),
            _ => std::thread::sleep(Duration::from_millis(20)),
        }
        if live && Instant::now() >= next && format.is_some() {
            next += Duration::from_millis(250);
            show(&levels, true)?;
            for level in &mut levels {
                *level = Level { top: level.top, ..Level::default() };
            }
        }
    }
    if format.is_none() {
        anyhow::bail!("{}", source.fault().unwrap_or_else(|| format!("{id} did not answer within {seconds} s")));
    }
    println!("{}", source.describe());
    show(&levels, false)?;
    Ok(ExitCode::SUCCESS)
}

fn show(levels: &[Level], again: bool) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    for (i, level) in levels.iter().enumerate() {
        let peak = db_of_amplitude(f64::from(level.peak));
        let line = ((peak + 60.0).clamp(0.0, 60.0) / 2.0) as usize;
        let rms = db_of_power(level.square / level.frames.max(1) as f64);
        let number = |d: f64| if d.is_finite() { format!("{d:6.1} dBFS") } else { "no sound   ".into() };
        writeln!(out, "channel {:2}  peak {}  RMS {}  {:<30}", i + 1, number(peak), number(rms), "-".repeat(line))?;
    }
    if again {
        write!(out, "\x1b[{}A", levels.len())?;
    }
    out.flush()
}
