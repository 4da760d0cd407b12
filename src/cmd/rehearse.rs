//! `mixwarden rehearse`: a made-up service with made-up faults through the whole program.

use crate::feed::{FeedPatch, Role};
use crate::run::{self, LanePlan, Plan};
use crate::source::file::Pace;
use crate::source::rehearsal::{Rehearsal, script::Script};
use crate::units::SampleRate;
use clap::Args;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

/// Run a made-up service with made-up faults through the whole program.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  mixwarden rehearse\n  mixwarden rehearse --from 125\n  mixwarden rehearse --speed 20 --listen 127.0.0.1:0\n\n\
    The sound is made in code: Larkfield Chapel and its Sunday gathering are invented.\n\
    The first line on standard output is the page's address."
)]
pub struct RehearseArgs {
    /// Times real time (0.1 to 1000).
    #[arg(long, value_name = "TIMES", default_value_t = 1.0, value_parser = speed)]
    speed: f64,
    /// Begin at this second of the service; what is before it is run through at once.
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, value_parser = from)]
    from: f64,
    /// Address of the page.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:8391")]
    listen: SocketAddr,
    /// Directory of the log (default: one that is removed at the end).
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
    /// Settings whose limits hold.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Another seed gives other voices and noises.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Leave the faults out.
    #[arg(long)]
    clean: bool,
}

fn speed(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|s| (0.1..=1000.0).contains(s)).ok_or_else(|| "give a number from 0.1 to 1000".into())
}

fn from(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|s| (0.0..=36_000.0).contains(s)).ok_or_else(|| "give seconds from 0 to 36000".into())
}

/// Runs the rehearsal.
///
/// # Errors
/// Bad settings, no directory for the log.
pub fn run(args: &RehearseArgs) -> anyhow::Result<ExitCode> {
    let (settings_file, mut settings) = super::load_settings(args.settings.as_deref(), false)?;
    if settings.venue.is_empty() {
        settings.venue = "Larkfield Chapel".into();
    }
    let script = if args.clean { Script::clean(Script::gathering().seconds) } else { Script::gathering() };
    let rate = SampleRate::HZ_48000;
    let source = Box::new(Rehearsal::new(script, rate, args.seed, Pace::Times(args.speed)).starting_at(args.from));
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
    let passing = std::env::temp_dir().join(format!("mixwarden-rehearsal-{}", std::process::id()));
    let state = args.state.clone().unwrap_or_else(|| passing.clone());
    let done = run::run(Plan {
        settings,
        settings_text: settings_file.as_deref().and_then(|f| std::fs::read_to_string(f).ok()).unwrap_or_default(),
        settings_file,
        state,
        listen: args.listen,
        lanes: vec![LanePlan { source, feeds, rate }],
        rehearsal: true,
    });
    if args.state.is_none() {
        let _ = std::fs::remove_dir_all(passing);
    }
    done
}
