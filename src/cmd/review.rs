//! `mixwarden review`: what is kept of the services, and the review of one.

use crate::judge::Severity;
use crate::keep::{Reader, back_up};
use crate::ledger::notice::LocalTime;
use crate::ledger::review::{alerts_csv, rows_csv};
use crate::ledger::trend::{self, TrendPoint};
use crate::ledger::{Review, ServiceLine, Shelf as _, Which};
use crate::run::{day_begin, local_clock};
use crate::show::review::{length, review as html};
use crate::words::{feed_name, level};
use anyhow::Context as _;
use clap::{Args, ValueEnum};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// List the services that are kept, or review one.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden review\n  mixwarden review last\n  \
    mixwarden review 12 --html sunday.html\n  mixwarden review 12 --csv levels > sunday.csv\n  \
    mixwarden review 12 --note \"the new desk\"\n  mixwarden review --since 2026-11-01 --json\n  mixwarden review --trend\n  \
    mixwarden review --export reviews/\n  mixwarden review --backup log-copy.sqlite\n\n\
    The log may be read while mixwarden watch writes it.\n\
    Exit status: 0 done, 1 there is no such service, 2 the log cannot be read.")]
pub struct ReviewArgs {
    /// Number of the service, or "last"; none: the list.
    service: Option<String>,
    /// Only services that began on this day or later.
    #[arg(long, value_name = "YYYY-MM-DD")]
    since: Option<String>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    /// Print CSV (RFC 4180): levels, one line a second, or warnings, one line each.
    #[arg(long, value_name = "WHAT", conflicts_with = "json", requires = "service")]
    csv: Option<Csv>,
    /// Write the review as one HTML page that stands alone.
    #[arg(long, value_name = "FILE", requires = "service")]
    html: Option<PathBuf>,
    /// Note what the service was, or, with --alert, what that alert turned out to be.
    #[arg(long, value_name = "TEXT", requires = "service")]
    note: Option<String>,
    /// The alert that the note is for, as the JSON names it.
    #[arg(long, value_name = "RUN:ALERT", requires = "note", value_parser = alert)]
    alert: Option<(i64, u64)>,
    /// The last ten services beside each other, and what has crept in.
    #[arg(long, conflicts_with = "service")]
    trend: bool,
    /// Write every service's review, levels and warnings to a directory.
    #[arg(long, value_name = "DIR", conflicts_with = "service")]
    export: Option<PathBuf>,
    /// Copy the whole log to a file, while it may be written to.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["service", "export"])]
    backup: Option<PathBuf>,
    /// Directory of the log.
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
    /// Settings with the venue's name and time zone.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Csv {
    Levels,
    Warnings,
}

fn alert(text: &str) -> Result<(i64, u64), String> {
    let parts = text.split_once(':').and_then(|(run, number)| Some((run.parse().ok()?, number.parse().ok()?)));
    parts.ok_or_else(|| "give the run and the alert's number, such as 3:17".into())
}

/// More services than anybody keeps.
const ALL: usize = 100_000;

/// Runs the command.
///
/// # Errors
/// When the log cannot be read or a file cannot be written.
pub fn run(args: &ReviewArgs) -> anyhow::Result<ExitCode> {
    let (_, settings) = super::load_settings(args.settings.as_deref(), true)?;
    let state = super::watch::state_directory(args.state.as_deref())?;
    let zone = settings.timetable.zone.clone();
    let clock = local_clock(zone.clone());
    let local: LocalTime<'_> = &*clock;
    if let Some(to) = &args.backup {
        back_up(&state, to)?;
        return Ok(ExitCode::SUCCESS);
    }
    let shelf = Reader::new(&state);
    if let Some(directory) = &args.export {
        return export(&shelf, directory, &settings.venue, local);
    }
    if args.trend {
        return trend(&shelf.trend(10)?, args.json, local);
    }
    let Some(service) = &args.service else {
        let since = args.since.as_deref().map(|day| day_begin(day, &zone).map_err(anyhow::Error::msg));
        let lines = shelf.services(since.transpose()?.unwrap_or(i64::MIN), ALL)?;
        return list(&lines, args.json, local);
    };
    let which = which(service)?;
    let Some((kept, before)) = crate::show::find(&shelf, which)? else {
        eprintln!("mixwarden: there is no service {service} in {}; `mixwarden review` lists them", state.display());
        return Ok(ExitCode::FAILURE);
    };
    if let Some(text) = &args.note {
        if !shelf.note(kept.line.id, args.alert, text)? {
            eprintln!(
                "mixwarden: service {} has no such alert; `mixwarden review {0} --json` lists them",
                kept.line.id
            );
            return Ok(ExitCode::FAILURE);
        }
        return Ok(ExitCode::SUCCESS);
    }
    let mut out = std::io::stdout().lock();
    match args.csv {
        Some(Csv::Levels) => return print(&mut out, &rows_csv(&kept, local)),
        Some(Csv::Warnings) => return print(&mut out, &alerts_csv(&kept.alerts, local)),
        None => {}
    }
    let review = Review::of(&settings.venue, kept, before);
    if let Some(file) = &args.html {
        write(file, &html(&review, local, None))?;
    } else if args.json {
        print(&mut out, &format!("{}\n", review.json(local)))?;
    } else {
        print(&mut out, &text(&review, local))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// The service that was typed: its number, or "last".
///
/// # Errors
/// When it is neither.
pub(super) fn which(service: &str) -> anyhow::Result<Which> {
    if service == "last" {
        return Ok(Which::Last);
    }
    let number = service.parse().ok().map(Which::Number);
    number.with_context(|| format!("service {service:?} was found; give its number from the list, or \"last\""))
}

fn print(out: &mut impl std::io::Write, text: &str) -> anyhow::Result<ExitCode> {
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(e.into()),
        _ => Ok(ExitCode::SUCCESS),
    }
}

fn write(file: &Path, text: &str) -> anyhow::Result<()> {
    std::fs::write(file, text).with_context(|| format!("{}: cannot be written", file.display()))
}

fn list(lines: &[ServiceLine], json: bool, local: LocalTime<'_>) -> anyhow::Result<ExitCode> {
    let mut out = std::io::stdout().lock();
    if json {
        let services: Vec<_> = lines.iter().map(|l| l.json(local)).collect();
        let all = serde_json::json!({ "version": 1, "services": services });
        return print(&mut out, &format!("{all}\n"));
    }
    if lines.is_empty() {
        return print(
            &mut out,
            "No service is kept yet. One begins by itself when there is sound after a long quiet.\n",
        );
    }
    let mut text = format!(
        "{:>5}  {:16}  {:>10}  {:>12}  {:>8}  {:>6}  note\n",
        "no.", "began", "length", "stream", "warnings", "advice"
    );
    for l in lines {
        let long = l.ended_ms.map_or_else(|| "on now".into(), |e| length((e - l.began_ms) as f64 / 1000.0));
        let began = local(l.began_ms).get(..16).unwrap_or("").replace('T', " ");
        let _ = writeln!(
            text,
            "{:>5}  {began:16}  {long:>10}  {:>12}  {:>8}  {:>6}  {}",
            l.id,
            level(l.integrated_lufs, "LUFS"),
            l.warnings,
            l.advices,
            l.note
        );
    }
    print(&mut out, &text)
}

fn trend(points: &[TrendPoint], json: bool, local: LocalTime<'_>) -> anyhow::Result<ExitCode> {
    let mut out = std::io::stdout().lock();
    if json {
        return print(&mut out, &format!("{}\n", trend::json(points, local)));
    }
    let mut text = format!(
        "{:>5}  {:10}  {:>12}  {:>8}  {:>14}  {:>8}  {:>12}\n",
        "no.", "began", "stream", "range", "quietest", "warnings", "seen after"
    );
    for p in points {
        let _ = writeln!(
            text,
            "{:>5}  {:10}  {:>12}  {:>8}  {:>14}  {:>8}  {:>12}",
            p.service,
            local(p.began_ms).get(..10).unwrap_or(""),
            level(p.integrated_lufs, "LUFS"),
            level(p.range_lu, "LU"),
            level(p.quietest_lufs, "LUFS"),
            p.warnings,
            p.seconds_to_acknowledge.map_or_else(|| "-".into(), length)
        );
    }
    for drift in trend::drifts(points) {
        let _ = writeln!(text, "{drift}");
    }
    if points.is_empty() {
        text = "No service has ended yet.\n".into();
    }
    print(&mut out, &text)
}

fn text(r: &Review, local: LocalTime<'_>) -> String {
    let mut out = String::new();
    let minute = |ms: i64| local(ms).get(..16).unwrap_or("").replace('T', " ");
    let time = |ms: i64| local(ms).get(11..19).unwrap_or("").to_string();
    let state = match (r.going_on, r.ended_by.as_str()) {
        (true, _) => "still on".into(),
        (_, "cut off") => "cut off: the program or the computer stopped".into(),
        _ => length((r.to_ms - r.line.began_ms) as f64 / 1000.0),
    };
    let _ =
        writeln!(out, "{} service {}, {} to {} ({state})", r.venue, r.line.id, minute(r.line.began_ms), time(r.to_ms));
    for f in &r.feeds {
        let p = &f.programme;
        let _ = writeln!(out, "  {}{}", feed_name(&f.name), if f.from_ticks { " (figures from the log)" } else { "" });
        let _ = writeln!(out, "    integrated loudness    {}", level(p.integrated_lufs, "LUFS"));
        if let Some(gain) = &f.gain {
            let _ = writeln!(
                out,
                "    from the target        {:+.1} LU ({}, {:.1} LUFS)",
                -gain.wanted_db, r.target.profile, r.target.lufs
            );
        }
        let _ = writeln!(out, "    loudness range         {}", level(p.range_lu, "LU"));
        let _ = writeln!(out, "    largest momentary      {}", level(p.max_momentary_lufs, "LUFS"));
        let _ = writeln!(out, "    largest short-term     {}", level(p.max_short_term_lufs, "LUFS"));
        let _ = writeln!(out, "    true peak              {}", level(p.true_peak_dbtp, "dBTP"));
        let s = &f.spent;
        let _ = writeln!(
            out,
            "    near the target {}, under {}, over {}, no sound {}, unknown {}",
            length(s.in_band),
            length(s.under),
            length(s.over),
            length(s.quiet),
            length(s.missing)
        );
    }
    for change in &r.own_mix {
        let _ = writeln!(out, "  {} own mix: {}", time(change.unix_ms), change.detail);
    }
    for a in &r.alerts {
        let lasted = a
            .cleared_ms
            .map_or_else(|| "to the end".into(), |c| format!("for {}", length((c - a.began_ms) as f64 / 1000.0)));
        let seen = a
            .acknowledged_ms
            .map_or_else(String::new, |at| format!(", seen after {}", length((at - a.raised_ms) as f64 / 1000.0)));
        let note = if a.note.is_empty() { String::new() } else { format!(" It was: {}", a.note) };
        let kind = if a.severity == Severity::Note { "noted" } else { a.severity.name() };
        let _ = writeln!(out, "  {} {kind:8} {}, {lasted}{seen}. {}{note}", time(a.raised_ms), a.headline, a.evidence);
    }
    for (from, to) in &r.gaps {
        let _ = writeln!(out, "  {} nothing is known of {}", time(*from), length((to - from) as f64 / 1000.0));
    }
    for (_, sentence, from, _) in &r.faults {
        let _ = writeln!(out, "  {} this computer: {sentence}", time(*from));
    }
    let _ = writeln!(out, "  advice: {}", r.advice());
    if !r.compared().is_empty() {
        let _ = writeln!(out, "  {}", r.compared());
    }
    if !r.line.note.is_empty() {
        let _ = writeln!(out, "  note: {}", r.line.note);
    }
    out
}

fn export(shelf: &Reader, directory: &Path, venue: &str, local: LocalTime<'_>) -> anyhow::Result<ExitCode> {
    std::fs::create_dir_all(directory).with_context(|| format!("{}: cannot be made", directory.display()))?;
    let lines = shelf.services(i64::MIN, ALL)?;
    for line in &lines {
        let Some((kept, before)) = crate::show::find(shelf, Which::Number(line.id))? else { continue };
        let name = |what: &str| directory.join(format!("service-{:04}{what}", line.id));
        write(&name("-levels.csv"), &rows_csv(&kept, local))?;
        write(&name("-warnings.csv"), &alerts_csv(&kept.alerts, local))?;
        let review = Review::of(venue, kept, before);
        write(&name(".html"), &html(&review, local, None))?;
        write(&name(".json"), &format!("{}\n", review.json(local)))?;
    }
    println!("{} service{} written to {}", lines.len(), if lines.len() == 1 { "" } else { "s" }, directory.display());
    Ok(ExitCode::SUCCESS)
}
