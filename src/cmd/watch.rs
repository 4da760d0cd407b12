//! `mixwarden watch`: the daemon.

use crate::feed::FeedPatch;
use crate::run::{self, LanePlan, Plan};
use crate::settings::Settings;
use crate::source::{Source, file, inputs};
use crate::units::SampleRate;
use anyhow::Context as _;
use clap::Args;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Listen to the stream mix, warn, show, keep the log.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden watch\n  \
    mixwarden watch --settings mixwarden.toml --listen 127.0.0.1:0\n  \
    mixwarden watch --input file:sunday.wav\n\n\
    The first line on standard output is the page's address. SIGHUP reads the settings again.\n\
    Exit status: 0 stopped, 2 bad settings or a second daemon on the same log, 75 the sound system no longer answers.")]
pub struct WatchArgs {
    /// Settings file (default: /etc/mixwarden/mixwarden.toml, else the user's, else none).
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Directory of the log (default: $STATE_DIRECTORY, else $XDG_STATE_HOME/mixwarden, else ~/.local/state/mixwarden).
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
    /// Address of the page, in place of the settings'.
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<SocketAddr>,
    /// Input of all feeds, in place of the settings': an id of `mixwarden inputs`, file:PATH, or - for raw PCM
    /// (s16le, 48 kHz, stereo) on standard input.
    #[arg(long, value_name = "INPUT")]
    input: Option<String>,
}

/// Runs the daemon.
///
/// # Errors
/// Bad settings, a log that another daemon holds.
pub fn run(args: &WatchArgs) -> anyhow::Result<ExitCode> {
    let (settings_file, mut settings) = super::load_settings(args.settings.as_deref(), true)?;
    if let Some(input) = &args.input {
        settings.feeds.iter_mut().for_each(|f| f.device.clone_from(input));
    }
    let lanes = lanes(&settings)?;
    run::run(Plan {
        listen: args.listen.unwrap_or(settings.listen),
        state: state_directory(args.state.as_deref())?,
        settings,
        settings_text: settings_file.as_deref().and_then(|f| std::fs::read_to_string(f).ok()).unwrap_or_default(),
        settings_file,
        lanes,
        rehearsal: false,
    })
}

/// Feeds on one device are one lane.
pub(super) fn lanes(settings: &Settings) -> anyhow::Result<Vec<LanePlan>> {
    let mut devices: Vec<(String, Vec<FeedPatch>)> = Vec::new();
    for feed in &settings.feeds {
        match devices.iter_mut().find(|(device, _)| *device == feed.device) {
            Some((_, feeds)) => feeds.push(feed.patch()),
            None => devices.push((feed.device.clone(), vec![feed.patch()])),
        }
    }
    devices
        .into_iter()
        .map(|(device, feeds)| {
            let source = open(&device).with_context(|| format!("feed {}", feeds[0].name))?;
            Ok(LanePlan { source, feeds, rate: SampleRate::HZ_48000 })
        })
        .collect()
}

fn open(device: &str) -> anyhow::Result<Box<dyn Source>> {
    if device == "-" {
        return Ok(Box::new(crate::source::pcm::stdin("s16le", 48_000, 2).map_err(anyhow::Error::msg)?));
    }
    if let Some(path) = device.strip_prefix("file:") {
        return file::open(Path::new(path), 1, file::Pace::Times(1.0)).with_context(|| path.to_string());
    }
    Ok(Box::new(inputs::open(device).map_err(anyhow::Error::msg)?))
}

/// The directory of the log.
///
/// # Errors
/// When none was given and there is no home.
pub fn state_directory(given: Option<&Path>) -> anyhow::Result<PathBuf> {
    let from = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    given
        .map(PathBuf::from)
        .or_else(|| from("STATE_DIRECTORY"))
        .or_else(|| from("XDG_STATE_HOME").map(|d| d.join("mixwarden")))
        .or_else(|| from("HOME").map(|d| d.join(".local/state/mixwarden")))
        .context("no directory for the log: give --state DIR")
}
