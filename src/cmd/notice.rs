//! `notice`: tries a way of telling, so that it is known to work before it is needed.

use crate::run::local_clock;
use crate::tell::{self, CHANNELS};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

/// Send a test notice.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  mixwarden notice --test mail\n\nThe way need not be switched on yet; its other settings must be there.\nExit status: 1 when the notice was not taken, 2 for mistakes in the settings."
)]
pub struct NoticeArgs {
    /// Way to try.
    #[arg(long, value_name = "NAME", value_parser = CHANNELS)]
    test: String,
    /// Settings file.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// Sends it; says whether it was taken.
///
/// # Errors
/// When the settings cannot be read.
pub fn run(args: &NoticeArgs) -> anyhow::Result<ExitCode> {
    let (_, settings) = super::load_settings(args.settings.as_deref(), true)?;
    let clock = local_clock(settings.timetable.zone.clone());
    let now_unix_ms = jiff::Timestamp::now().as_millisecond();
    match tell::test(&settings.tell, &settings.venue, &args.test, &clock, now_unix_ms) {
        Ok(()) => {
            println!("{}: the test notice was taken; see whether it arrives", args.test);
            Ok(ExitCode::SUCCESS)
        }
        Err(why) => {
            println!("{}: not told: {why}", args.test);
            Ok(ExitCode::FAILURE)
        }
    }
}
