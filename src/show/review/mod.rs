//! A review as one page of HTML that stands alone: on the screen, in print, without colour; and the list of services.

mod picture;

use super::page::escape;
use crate::feed::Role;
use crate::judge::Severity;
use crate::ledger::notice::LocalTime;
use crate::ledger::review::{Review, ReviewFeed};
use crate::ledger::{KeptAlert, KeptMoment, ServiceLine};
use crate::words::{feed_name, level};
use picture::picture;
use std::fmt::Write as _;

const STYLE: &str = include_str!("../assets/review.css");
/// "1 h 12 min", "4 min", "18 s".
pub fn length(seconds: f64) -> String {
    match seconds.round() as u64 {
        s @ 0..120 => format!("{s} s"),
        s @ 120..3600 => format!("{} min", (s + 30) / 60),
        s => format!("{} h {:02} min", s / 3600, s / 60 % 60),
    }
}

/// `2026-11-22T10:02:11+00:00` as `22.11.2026 10:02` would not be read the same everywhere: date, then time.
fn clock(local: &str) -> (&str, &str) {
    (local.get(..10).unwrap_or(local), local.get(11..16).unwrap_or(""))
}

pub(super) fn head(title: &str) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>{}</title><style>{STYLE}</style></head><body>",
        escape(title)
    )
}

/// The list of services, newest first; `drifts` is what has crept in over the weeks.
pub fn list(venue: &str, lines: &[ServiceLine], drifts: &[String], local: LocalTime<'_>) -> String {
    let mut html = head(&format!("Services of {venue}"));
    let _ = write!(
        html,
        "<header><a href=\"/\">Now</a></header><h1>{}</h1>",
        escape(if venue.is_empty() { "Services" } else { venue })
    );
    for drift in drifts {
        let _ = write!(html, "<p class=\"advice\">{}</p>", escape(drift));
    }
    if lines.is_empty() {
        html.push_str(
            "<p>No service has been kept yet. One begins by itself when there is sound after a long quiet.</p>",
        );
    } else {
        html.push_str("<table class=\"list\"><tr><th>Service</th><th>Length</th><th>Loudness of the stream</th><th>To act on</th><th>Note</th></tr>");
        for l in lines {
            let began = local(l.began_ms);
            let (date, time) = clock(&began);
            let long = l.ended_ms.map_or_else(|| "on now".into(), |e| length((e - l.began_ms) as f64 / 1000.0));
            let told = match (l.warnings, l.advices) {
                (0, 0) => "nothing".into(),
                (w, a) => [(w, "warning"), (a, "advice")]
                    .iter()
                    .filter(|(n, _)| *n > 0)
                    .map(|(n, what)| format!("{n} {what}{}", if *n > 1 && *what == "warning" { "s" } else { "" }))
                    .collect::<Vec<_>>()
                    .join(", "),
            };
            let _ = write!(
                html,
                "<tr><td><a href=\"/reviews/{}\">{date} {time}</a></td><td>{long}</td><td>{}</td><td>{told}</td><td>{}</td></tr>",
                l.id,
                level(l.integrated_lufs, "LUFS"),
                escape(&l.note)
            );
        }
        html.push_str("</table>");
    }
    html.push_str("</body></html>\n");
    html
}

/// The review. On the page (`moments` are those that this visitor may hear) notes can be written into it; in a file not.
pub fn review(r: &Review, local: LocalTime<'_>, moments: Option<&[KeptMoment]>) -> String {
    let forms = moments.is_some();
    let began = local(r.line.began_ms);
    let (date, from) = clock(&began);
    let ended = local(r.to_ms);
    let mut html = head(&format!("Service of {date}, {}", r.venue));
    if forms {
        let _ = write!(
            html,
            "<header><a href=\"/\">Now</a> <a href=\"/reviews\">All services</a> <a href=\"/reviews/{0}/rows.csv\">Levels (CSV)</a> <a href=\"/reviews/{0}/alerts.csv\">Warnings (CSV)</a></header>",
            r.line.id
        );
    }
    let state = match (r.going_on, r.ended_by.as_str()) {
        (true, _) => "It has not ended yet.".into(),
        (_, "cut off") => "It was cut off: the program or the computer stopped.".into(),
        _ => format!("It lasted {}.", length((r.to_ms - r.line.began_ms) as f64 / 1000.0)),
    };
    let _ = write!(
        html,
        "<h1>{}</h1><p class=\"when\">Service of {date}, {from} to {}. {state}</p>",
        escape(if r.venue.is_empty() { "Service" } else { &r.venue }),
        clock(&ended).1
    );
    let _ = write!(html, "<p class=\"advice\"><b>Before the next service:</b> {}</p>", escape(&r.advice()));
    for feed in &r.feeds {
        picture(&mut html, r, feed, local);
    }
    figures(&mut html, r);
    own_mix(&mut html, r, local);
    alerts(&mut html, r, local, moments);
    missing(&mut html, r, local);
    if forms {
        let _ = write!(
            html,
            "<form method=\"post\" action=\"/reviews/{}/note\"><label>Note on this service <input name=\"text\" maxlength=\"500\" value=\"{}\"></label> <button>Keep</button></form>",
            r.line.id,
            escape(&r.line.note)
        );
    } else if !r.line.note.is_empty() {
        let _ = write!(html, "<p>Note: {}</p>", escape(&r.line.note));
    }
    html.push_str("<footer><p>LUFS is the level of the stream, by ITU-R BS.1770-5 and EBU Tech 3341; it says nothing of how loud the room was.</p></footer></body></html>\n");
    html
}

fn told(r: &Review) -> impl Iterator<Item = (usize, &KeptAlert)> {
    r.alerts.iter().filter(|a| a.severity > Severity::Note).enumerate().map(|(i, a)| (i + 1, a))
}

fn figures(html: &mut String, r: &Review) {
    html.push_str("<h2>Figures</h2><table><tr><th></th>");
    for f in &r.feeds {
        let _ = write!(html, "<th>{}</th>", escape(feed_name(&f.name)));
    }
    html.push_str("</tr>");
    let mut row = |name: &str, get: &dyn Fn(&ReviewFeed) -> String| {
        let _ = write!(html, "<tr><th>{name}</th>");
        for f in &r.feeds {
            let _ = write!(html, "<td>{}</td>", get(f));
        }
        html.push_str("</tr>");
    };
    row("Loudness of the whole service", &|f| level(f.programme.integrated_lufs, "LUFS"));
    row("Distance from the target", &|f| match f.programme.integrated_lufs.filter(|i| i.is_finite()) {
        Some(i) if f.role != Role::House => format!("{:+.1} LU (target {:.1} LUFS)", i - r.target.lufs, r.target.lufs),
        _ => "–".into(),
    });
    row("Loudness range", &|f| level(f.programme.range_lu, "LU"));
    row("Loudest moment (0.4 s)", &|f| level(f.programme.max_momentary_lufs, "LUFS"));
    row("Loudest three seconds", &|f| level(f.programme.max_short_term_lufs, "LUFS"));
    row("Highest true peak", &|f| level(f.programme.true_peak_dbtp, "dBTP"));
    // The room's mix is as loud as the room is: no target is meant for it.
    let aimed = |f: &ReviewFeed, seconds: f64| if f.role == Role::House { "–".into() } else { length(seconds) };
    row("Time near the target (within 4 LU)", &|f| aimed(f, f.spent.in_band));
    row("Time under that, with sound", &|f| aimed(f, f.spent.under));
    row("Time over that", &|f| aimed(f, f.spent.over));
    row("Time without sound", &|f| length(f.spent.quiet));
    row("Time of which nothing is known", &|f| length(f.spent.missing));
    html.push_str("</table>");
    if !r.compared().is_empty() {
        let _ = write!(html, "<p>{}</p>", escape(&r.compared()));
    }
    if r.feeds.iter().any(|f| f.from_ticks) {
        html.push_str("<p class=\"small\">These figures were added up from the log, to 0.01 dB.</p>");
    }
}

fn own_mix(html: &mut String, r: &Review, local: LocalTime<'_>) {
    if r.own_mix.is_empty() {
        return;
    }
    html.push_str("<h2>Is the stream a mix of its own?</h2><ul>");
    for change in &r.own_mix {
        let _ = write!(html, "<li>{} {}</li>", clock(&local(change.unix_ms)).1, escape(&change.detail));
    }
    html.push_str("</ul>");
}

fn alerts(html: &mut String, r: &Review, local: LocalTime<'_>, moments: Option<&[KeptMoment]>) {
    html.push_str("<h2>What was told</h2>");
    if told(r).next().is_none() {
        html.push_str("<p>Nothing had to be told.</p>");
    } else {
        html.push_str("<ol class=\"told\">");
    }
    for (_, a) in told(r) {
        let lasted = a
            .cleared_ms
            .map_or_else(|| "until the end".into(), |c| format!("for {}", length((c - a.began_ms) as f64 / 1000.0)));
        let seen = match a.acknowledged_ms {
            Some(at) => format!("Seen after {}.", length((at - a.raised_ms) as f64 / 1000.0)),
            None => "Nobody pressed the button.".into(),
        };
        let kind = if a.severity == Severity::Warning { "Warning" } else { "Advice" };
        let _ = write!(
            html,
            "<li><b>{}.</b> {kind}, {} {lasted}. {}{} <span class=\"small\">{}</span>",
            escape(&a.headline),
            clock(&local(a.raised_ms)).1,
            seen,
            if a.comes_and_goes { " It came and went." } else { "" },
            escape(&a.evidence)
        );
        for moment in moments.unwrap_or_default().iter().filter(|m| m.belongs_to(a)) {
            super::moments::player(html, moment, &format!("/reviews/{}", r.line.id));
        }
        if moments.is_some() {
            let _ = write!(
                html,
                "<form method=\"post\" action=\"/reviews/{}/note\"><input type=\"hidden\" name=\"run\" value=\"{}\"><input type=\"hidden\" name=\"alert\" value=\"{}\"><label>What it was <input name=\"text\" maxlength=\"500\" value=\"{}\"></label> <button>Keep</button></form>",
                r.line.id,
                a.run,
                a.number,
                escape(&a.note)
            );
        } else if !a.note.is_empty() {
            let _ = write!(html, "<br>It was: {}", escape(&a.note));
        }
        html.push_str("</li>");
    }
    if told(r).next().is_some() {
        html.push_str("</ol>");
    }
    let notes = r.alerts.iter().filter(|a| a.severity == Severity::Note);
    let mut listed = String::new();
    for a in notes {
        let _ = write!(
            listed,
            "<li>{} {}. <span class=\"small\">{}</span></li>",
            clock(&local(a.raised_ms)).1,
            escape(&a.headline),
            escape(&a.evidence)
        );
    }
    if !listed.is_empty() {
        let _ = write!(html, "<h2>Noted, not told</h2><ul>{listed}</ul>");
    }
}

fn missing(html: &mut String, r: &Review, local: LocalTime<'_>) {
    if r.gaps.is_empty() && r.faults.is_empty() && r.restarts == 0 {
        return;
    }
    html.push_str("<h2>The computer</h2><ul>");
    if r.restarts > 0 {
        let times = if r.restarts == 1 { "once".into() } else { format!("{} times", r.restarts) };
        let _ = write!(html, "<li>The program was started anew {times} in this service.</li>");
    }
    for (from, to) in &r.gaps {
        let _ = write!(
            html,
            "<li>Nothing is known of {} from {}.</li>",
            length((to - from) as f64 / 1000.0),
            local(*from).get(11..19).unwrap_or("")
        );
    }
    for (_, sentence, from, to) in &r.faults {
        let lasted = to.map_or_else(|| "to the end".into(), |t| format!("for {}", length((t - from) as f64 / 1000.0)));
        let _ = write!(html, "<li>{} {lasted}: {}</li>", clock(&local(*from)).1, escape(sentence));
    }
    html.push_str("</ul>");
}
