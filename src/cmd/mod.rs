//! The commands: each file runs one and returns its exit status.

pub mod inputs;
pub mod linecheck;
pub mod links;
pub mod measure;
pub mod notice;
pub mod ready;
pub mod rehearse;
pub mod rejudge;
pub mod review;
pub mod selfcheck;
pub mod status;
pub mod support;
pub mod watch;

use crate::run::control::Daemon;
use crate::settings::{self, Settings};
use anyhow::Context as _;
use clap::{CommandFactory as _, Parser, Subcommand};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// The ear on a venue's stream mix.
#[derive(Debug, Parser)]
#[command(
    name = "mixwarden",
    version,
    about,
    after_help = "Exit status: 0 done, 1 a check that was asked for failed, 2 it could not be done (input, settings, usage)."
)]
pub struct Cli {
    /// How the program's own log is written to standard error.
    #[arg(long, global = true, value_name = "FORM", value_parser = ["human", "json"], default_value = "human")]
    log: String,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Watch(watch::WatchArgs),
    Inputs(inputs::InputsArgs),
    Rehearse(rehearse::RehearseArgs),
    Measure(measure::MeasureArgs),
    Review(review::ReviewArgs),
    Ready(ready::ReadyArgs),
    Rejudge(rejudge::RejudgeArgs),
    Linecheck(linecheck::LinecheckArgs),
    Notice(notice::NoticeArgs),
    Status(status::StatusArgs),
    Links(links::LinksArgs),
    Support(support::SupportArgs),
    /// Put the standards' own signals through the meter, on this machine.
    #[command(after_help = "Example:\n  mixwarden selfcheck --json\n\nExit status: 1 when a figure is missed.")]
    Selfcheck {
        /// Print one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Read a settings file and tell all that is wrong in it.
    #[command(
        after_help = "Example:\n  mixwarden check /etc/mixwarden/mixwarden.toml\n\nExit status: 1 when something is wrong, 2 when the file cannot be read."
    )]
    Check {
        /// The file.
        file: PathBuf,
    },
    /// Print the settings with their defaults and meanings.
    #[command(after_help = "Example:\n  mixwarden defaults > mixwarden.toml")]
    Defaults,
    /// Write the man page and the shell completions to a directory.
    #[command(hide = true)]
    Docs {
        /// The directory; it must exist.
        directory: PathBuf,
    },
}

/// Reads the command line, runs the command.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            let _ = e.print();
            return ExitCode::from(if e.use_stderr() { 2 } else { 0 });
        }
    };
    start_log(&cli.log);
    match run(&cli.command) {
        Ok(code) => code,
        Err(e) => {
            eprintln!("mixwarden: {e:#}");
            ExitCode::from(2)
        }
    }
}

fn run(command: &Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Watch(args) => watch::run(args),
        Command::Rehearse(args) => rehearse::run(args),
        Command::Inputs(args) => inputs::run(args),
        Command::Measure(args) => measure::run(args),
        Command::Review(args) => review::run(args),
        Command::Ready(args) => ready::run(args),
        Command::Rejudge(args) => rejudge::run(args),
        Command::Linecheck(args) => linecheck::run(args),
        Command::Notice(args) => notice::run(args),
        Command::Status(args) => Ok(status::run(args)),
        Command::Links(args) => links::run(args),
        Command::Support(args) => support::run(args),
        Command::Selfcheck { json } => Ok(selfcheck::selfcheck(*json, &mut std::io::stdout().lock())?),
        Command::Check { file } => check(file),
        Command::Defaults => {
            std::io::stdout().write_all(settings::commented_defaults().as_bytes())?;
            Ok(ExitCode::SUCCESS)
        }
        Command::Docs { directory } => docs(directory),
    }
}

fn check(file: &Path) -> anyhow::Result<ExitCode> {
    let text = std::fs::read_to_string(file).with_context(|| format!("{}: cannot be read", file.display()))?;
    match settings::parse(&text) {
        Ok(settings) => {
            for hint in settings.hints {
                println!("{}: {hint}", file.display());
            }
            println!("{}: good", file.display());
            Ok(ExitCode::SUCCESS)
        }
        Err(problems) => {
            for p in problems {
                println!("{}: {p}", file.display());
            }
            Ok(ExitCode::FAILURE)
        }
    }
}

/// The settings in force and the file they came from; `search` looks in the usual places when none is given.
///
/// # Errors
/// When the file cannot be read or has problems: all of them.
pub fn load_settings(given: Option<&Path>, search: bool) -> anyhow::Result<(Option<PathBuf>, Settings)> {
    let path = if given.is_some() || search { settings::find(given) } else { None };
    let Some(path) = path else { return Ok((None, Settings::default())) };
    let text = std::fs::read_to_string(&path).with_context(|| format!("{}: cannot be read", path.display()))?;
    match settings::parse(&text) {
        Ok(settings) => {
            for hint in &settings.hints {
                eprintln!("mixwarden: {}: {hint}", path.display());
            }
            Ok((Some(path), settings))
        }
        Err(problems) => {
            let lines: Vec<String> = problems.iter().map(|p| format!("  {p}")).collect();
            anyhow::bail!(
                "{}: the settings have {} problem{}:\n{}",
                path.display(),
                lines.len(),
                if lines.len() == 1 { "" } else { "s" },
                lines.join("\n")
            )
        }
    }
}

/// The daemon that runs on this machine: of the directory that was given, of this user, of the system.
pub fn daemon_here(given: Option<&Path>) -> Option<Daemon> {
    let own = watch::state_directory(given).ok();
    let system = given.is_none().then(|| PathBuf::from("/var/lib/mixwarden"));
    Daemon::here(&own.into_iter().chain(system).collect::<Vec<_>>())
}

fn docs(directory: &Path) -> anyhow::Result<ExitCode> {
    let mut command = Cli::command();
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    std::fs::write(directory.join("mixwarden.1"), page)?;
    for sub in command.clone().get_subcommands().filter(|c| !c.is_hide_set()) {
        let mut page = Vec::new();
        let name = format!("mixwarden-{}", sub.get_name());
        clap_mangen::Man::new(sub.clone()).title(&name).render(&mut page)?;
        std::fs::write(directory.join(format!("{name}.1")), page)?;
    }
    for shell in [clap_complete::Shell::Bash, clap_complete::Shell::Zsh, clap_complete::Shell::Fish] {
        clap_complete::generate_to(shell, &mut command, "mixwarden", directory)?;
    }
    Ok(ExitCode::SUCCESS)
}

fn start_log(form: &str) {
    use tracing_subscriber::EnvFilter;
    // The decoders log at error level what is an ordinary bad file; the user gets one sentence instead.
    let filter = EnvFilter::try_from_env("MIXWARDEN_LOG")
        .unwrap_or_else(|_| EnvFilter::new("info,pulseaudio=off,symphonia=off,zbus=off,rumqttc=off"));
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    if form == "json" {
        log.json().init();
    } else {
        let colour = std::io::IsTerminal::is_terminal(&std::io::stderr()) && std::env::var_os("NO_COLOR").is_none();
        log.with_target(false).with_ansi(colour).init();
    }
}
