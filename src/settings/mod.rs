//! One TOML file, every key optional. Unknown keys are refused with the nearest known name; all problems are
//! told at once; nothing is half-applied.

mod problem;
mod reader;
mod renamed;
mod sections;
mod tell;
pub mod timetable;

pub use problem::Problem;

use crate::chain::ChainSettings;
use crate::feed::FeedPatch;
use crate::likeness::HouseFeed;
use crate::tell::TellSettings;
use reader::Report;
use std::path::{Path, PathBuf};
use timetable::Timetable;
use toml::de::DeTable;

/// One feed as the site wires it.
#[derive(Debug, Clone, PartialEq)]
pub struct FeedSettings {
    /// Name: `stream`, `house`, or another.
    pub name: String,
    /// Device id, `default`, or the device of another feed.
    pub device: String,
    /// One-based channels, one or two.
    pub channels: Vec<u16>,
    /// What the feed is, where it is the house.
    pub house: HouseFeed,
}

impl FeedSettings {
    /// The patch for the core.
    pub fn patch(&self) -> FeedPatch {
        FeedPatch::named(&self.name, &self.channels)
    }
}

/// How long the log keeps what.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeepSettings {
    /// Ten values a second, days.
    pub fine_days: u32,
    /// One row a second, days.
    pub days: u32,
    /// Size of the whole log, MB.
    pub megabytes: u32,
}

/// The sound around warnings, kept for a while or never.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MomentSettings {
    /// Kept at all.
    pub enabled: bool,
    /// Before the warning, seconds.
    pub before_seconds: f64,
    /// After it, seconds.
    pub after_seconds: f64,
    /// Deleted after so many days.
    pub days: u32,
    /// Size of all of them, MB.
    pub megabytes: u32,
}

/// Everything that a site may set.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Name of the venue, for people.
    pub venue: String,
    /// Settings of the core.
    pub chain: ChainSettings,
    /// The feeds.
    pub feeds: Vec<FeedSettings>,
    /// Set times.
    pub timetable: Timetable,
    /// Minutes after a set start before silence is a fault.
    pub grace_minutes: f64,
    /// The log.
    pub keep: KeepSettings,
    /// Kept moments.
    pub moments: MomentSettings,
    /// Notices.
    pub tell: TellSettings,
    /// Address of the page.
    pub listen: std::net::SocketAddr,
    /// File with one `role key` a line for links from other machines; none: loopback only.
    pub keys_file: Option<PathBuf>,
    /// What the file calls by an earlier name.
    pub hints: Vec<Problem>,
}

/// Text to settings.
///
/// # Errors
/// All problems of the text.
pub fn parse(text: &str) -> Result<Settings, Vec<Problem>> {
    let root = match DeTable::parse(text) {
        Ok(root) => root,
        Err(e) => {
            let line = e.span().map_or(0, |s| reader::line_at(text, s.start));
            let sentence = format!("is not TOML: {}", e.message().replace('\n', ", "));
            return Err(vec![Problem { line, key: String::new(), sentence }]);
        }
    };
    let mut report = Report::default();
    let settings = sections::read(&mut report, text, root.get_ref());
    report.problems.sort_by_key(|p| p.line);
    if report.problems.is_empty() { Ok(Settings { hints: report.hints, ..settings }) } else { Err(report.problems) }
}

/// The commented file of all defaults; it parses to `Settings::default()`.
pub fn commented_defaults() -> String {
    let empty = DeTable::new();
    let mut report = Report::default();
    sections::read(&mut report, "", &empty);
    let head = "# Settings of mixwarden. Every key is optional; these are the defaults.\n\
                # A change takes effect on SIGHUP (systemctl reload mixwarden); a mistake leaves the old settings in force.\n\n";
    format!("{head}{}\n", report.defaults.trim_end())
}

impl Default for Settings {
    fn default() -> Self {
        let mut report = Report::default();
        sections::read(&mut report, "", &DeTable::new())
    }
}

/// Where the settings are looked for: `given`, else the system's file, else the user's.
pub fn find(given: Option<&Path>) -> Option<PathBuf> {
    if let Some(path) = given {
        return Some(path.into());
    }
    let user = std::env::var_os("XDG_CONFIG_HOME")
        .map(PathBuf::from)
        .or_else(|| std::env::var_os("HOME").map(|h| PathBuf::from(h).join(".config")));
    let candidates = [Some(PathBuf::from("/etc")), user];
    candidates.into_iter().flatten().map(|d| d.join("mixwarden/mixwarden.toml")).find(|p| p.is_file())
}
