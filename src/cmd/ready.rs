//! `mixwarden ready`: will the stream be there? Asks the running daemon; exit status for scripts.

use crate::run::control::Daemon;
use anyhow::Context as _;
use clap::Args;
use serde_json::Value;
use std::path::PathBuf;
use std::process::ExitCode;

/// Before a service: say whether the stream will be there, and what to do if not.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden ready\n  mixwarden ready --json\n\n\
    Asks the running daemon; the page shows the same list at /before.\n\
    Exit status: 0 ready, 1 something is not right, 2 no daemon answers.")]
pub struct ReadyArgs {
    /// Print the list as JSON.
    #[arg(long)]
    json: bool,
    /// Address of the page, in place of the daemon on this computer.
    #[arg(long, value_name = "URL")]
    url: Option<String>,
    /// Directory of the log of the daemon on this computer.
    #[arg(long, value_name = "DIR", conflicts_with = "url")]
    state: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// When no daemon answers.
pub fn run(args: &ReadyArgs) -> anyhow::Result<ExitCode> {
    let daemon = match &args.url {
        Some(url) => Daemon::at(url).map_err(anyhow::Error::msg)?,
        None => super::daemon_here(args.state.as_deref()).context(
            "no mixwarden runs here: start it (systemctl start mixwarden, or mixwarden watch), or give --url",
        )?,
    };
    let answer = daemon.get("/api/v1/before").map_err(anyhow::Error::msg)?;
    let list: Value = serde_json::from_str(&answer.body)
        .with_context(|| format!("{} answered {}: {}", daemon.place(), answer.status, answer.body.trim()))?;
    if args.json {
        println!("{list}");
    } else {
        for line in list["list"].as_array().into_iter().flatten() {
            let text = |key: &str| line[key].as_str().unwrap_or_default().to_string();
            println!("{:26} {:12} {}", text("what"), text("answer"), text("found"));
            if !text("do").is_empty() {
                println!("{:40}{}", "", text("do"));
            }
        }
    }
    let ready = list["ready"] == true;
    if !args.json {
        println!("{}", if ready { "Ready, as far as can be seen." } else { "Not ready yet." });
    }
    Ok(if ready { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
