//! The booth page, made on the server in parts: one sentence, what to check, one button; below it the thread of the
//! last minutes and the figures. The same parts go to the browser at first and over the event stream.

use crate::feed::Role;
use crate::judge::{Alert, Severity};
use crate::ledger::sentence::{Mood, sentence};
use crate::ledger::{Board, FeedBoard, Second};
use crate::words::{feed_name, level, said_of};
use std::fmt::Write as _;

const STYLE: &str = include_str!("assets/booth.css");
const SCRIPT: &str = include_str!("assets/booth.js");

/// A part of the page and its HTML.
pub type Part = (&'static str, String);

/// The parts that may change ten times a second; `stale` says that the measuring has stopped.
pub fn swift(board: &Board, stale: bool) -> Vec<Part> {
    if stale {
        let text = "<h1 class=\"said\">The listening has stopped.</h1><p class=\"more\">Restart the computer, or call the person who looks after it. \
             The stream itself may be fine.</p>";
        return vec![("mood", "lost".into()), ("state", text.into())];
    }
    let mood = match sentence(board).mood {
        Mood::Calm => "calm",
        Mood::Advice => "advice",
        Mood::Warning => "warning",
    };
    vec![("mood", mood.into()), ("state", state(board)), ("lately", lately(board))]
}

/// The parts that move once a second: they are long, and nobody sees more.
pub fn slow(board: &Board) -> Vec<Part> {
    let kept = if board.moments_kept { super::moments::KEPT } else { "" };
    vec![
        ("kept", kept.into()),
        ("thread", threads(board)),
        ("mix", super::mix::mix(board)),
        ("figures", figures(board)),
    ]
}

/// The whole page.
pub fn page(board: &Board, stale: bool) -> String {
    let mut parts = swift(board, stale);
    if !stale {
        parts.extend(slow(board));
    }
    let part = |name: &str| parts.iter().find(|p| p.0 == name).map_or("", |p| p.1.as_str());
    let venue = if board.venue.is_empty() { "The stream".to_string() } else { escape(&board.venue) };
    let rehearsal = if board.rehearsal { "<p class=\"madeup\">Rehearsal: this sound is made up</p>" } else { "" };
    format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><title>{venue}</title>\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><meta name=\"color-scheme\" content=\"dark\">\
         <noscript><meta http-equiv=\"refresh\" content=\"5\"></noscript><link rel=\"icon\" href=\"data:,\">\
         <link rel=\"stylesheet\" href=\"/booth.css\"><script src=\"/booth.js\" defer></script></head>\
         <body data-mood=\"{}\"><header><p>{venue}</p>{rehearsal}<p id=\"kept\">{}</p></header>\
         <main><section id=\"state\" aria-label=\"State of the stream\">{}</section>\
         <section id=\"thread\" aria-label=\"The last ten minutes\">{}</section>\
         <section id=\"mix\" aria-label=\"The stream beside the room\">{}</section>\
         <section id=\"lately\" aria-label=\"Lately\">{}</section>\
         <details><summary>Figures</summary><div id=\"figures\">{}</div></details></main>\
         <p id=\"polite\" class=\"unseen\" aria-live=\"polite\"></p><p id=\"assertive\" class=\"unseen\" aria-live=\"assertive\"></p>\
         <footer><a href=\"/before\">Before a service</a> <a href=\"/reviews\">Past services</a></footer></body></html>",
        part("mood"),
        part("kept"),
        part("state"),
        part("thread"),
        part("mix"),
        part("lately"),
        part("figures"),
    )
}

/// The style sheet.
pub fn style() -> &'static str {
    STYLE
}

/// The script.
pub fn script() -> &'static str {
    SCRIPT
}

/// Text made safe for HTML.
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn state(board: &Board) -> String {
    let said = sentence(board);
    let mut html = String::new();
    let call = match said.mood {
        Mood::Warning => ("M24 3 46 44H2Z M24 17v13 M24 35v4", "Act now"),
        Mood::Advice => ("M4 4H44V44H4Z M24 13v15 M24 33v4", "At the next pause"),
        Mood::Calm => ("", ""),
    };
    if !call.1.is_empty() {
        // Never by colour alone: a shape and a word say it too.
        let _ = write!(
            html,
            "<p class=\"call\"><svg viewBox=\"0 0 48 48\" aria-hidden=\"true\"><path d=\"{}\"/></svg>{}</p>",
            call.0, call.1
        );
    }
    let _ = write!(html, "<h1 class=\"said\">{}</h1>", escape(&said.text));
    if !said.more.is_empty() {
        let _ = write!(html, "<p class=\"more\">{}</p>", escape(said.more));
    }
    for (n, alert) in said.alerts.iter().enumerate() {
        let feed = board.feeds.get(alert.feed).map_or("stream", |f| f.name.as_str());
        if n > 0 {
            let _ =
                write!(html, "<p class=\"also\">Also: {}.</p>", escape(&said_of(feed, alert.evidence.words.headline)));
            continue;
        }
        alert_parts(&mut html, alert, feed, board);
    }
    if let Some(fault) = board.faults.first() {
        let _ = write!(html, "<p class=\"box\"><b>This computer:</b> {}</p>", escape(&fault.sentence));
    }
    html
}

fn alert_parts(html: &mut String, alert: &Alert, feed: &str, board: &Board) {
    let words = alert.evidence.words;
    let _ = write!(
        html,
        "<div class=\"act\"><div><p class=\"since\">For {}. {}</p><ol class=\"checks\">",
        length(board.now.since(alert.began)),
        escape(words.viewers)
    );
    for check in words.checks {
        let _ = write!(html, "<li>{}</li>", escape(&said_of(feed, check)));
    }
    html.push_str("</ol>");
    if !words.caution.is_empty() {
        let _ = write!(html, "<p class=\"caution\">{}</p>", escape(words.caution));
    }
    if alert.comes_and_goes {
        html.push_str("<p class=\"also\">It comes and goes.</p>");
    }
    html.push_str("</div>");
    match alert.acknowledged {
        None => html.push_str("<form method=\"post\" action=\"/acknowledge\"><button id=\"seen\">Seen, we&#39;re checking</button></form>"),
        Some(at) => {
            let _ = write!(html, "<p class=\"seen\">Seen {} ago. It stays here until it is over.</p>", length(board.now.since(at)));
        }
    }
    html.push_str("</div>");
}

/// "8 seconds", "2 minutes".
fn length(seconds: f64) -> String {
    let count = |n: u64, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
    match seconds as u64 {
        s @ 0..60 => count(s, "second"),
        s @ 60..3600 => count(s / 60, "minute"),
        s => format!("{} {}", count(s / 3600, "hour"), count(s / 60 % 60, "minute")),
    }
}

/// Half a thread's thickness at the target, picture units.
const TARGET_HALF: f64 = 22.0;
/// Loudness under the target at which the thread has no thickness left, LU.
const THIN_LU: f64 = 33.0;

/// The thread: as thick as the sound is loud, the left side above its middle, the right side below. Two fine lines
/// mark how thick it is at the target. Where nothing came it is broken; where something was wrong, a notch is under it.
fn threads(board: &Board) -> String {
    let mut html = String::new();
    for feed in board.feeds.iter().filter(|f| f.role != Role::House) {
        let _ = write!(
            html,
            "<figure><figcaption>The last ten minutes{}</figcaption>",
            if feed.name == "stream" { String::new() } else { format!(", {}", escape(&feed.name)) }
        );
        thread(&mut html, feed, board.target.lufs);
        html.push_str("</figure>");
    }
    html
}

fn thread(html: &mut String, feed: &FeedBoard, target: f64) {
    let half = |lufs: Option<f32>| {
        let lu = f64::from(lufs.unwrap_or(f32::NEG_INFINITY)) - target;
        (TARGET_HALF * (1.0 + lu / THIN_LU)).clamp(0.0, 34.0)
    };
    let first = 600 - feed.ribbon.len();
    html.push_str("<svg viewBox=\"0 0 600 84\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"Left side above, right side below; the lines mark the target\">");
    let _ = write!(html, "<path class=\"mark\" d=\"M0 {0}H600M0 {1}H600\"/>", 36.0 - TARGET_HALF, 36.0 + TARGET_HALF);
    let seconds: Vec<(usize, Second)> = feed.ribbon.iter().enumerate().map(|(i, s)| (first + i, *s)).collect();
    for run in seconds.split(|(_, s)| s.momentary_lufs.is_none()).filter(|r| !r.is_empty()) {
        let mut path = String::new();
        for (x, s) in run {
            let _ = write!(
                path,
                "{}{x} {:.1}",
                if path.is_empty() { 'M' } else { 'L' },
                36.0 - half(s.sides_lufs[0]).max(0.4)
            );
        }
        for (x, s) in run.iter().rev() {
            let _ = write!(path, "L{x} {:.1}", 36.0 + half(s.sides_lufs[1]).max(0.4));
        }
        let _ = write!(html, "<path class=\"sound\" d=\"{path}Z\"/>");
    }
    for (class, severity) in [("notch", Severity::Warning), ("tick", Severity::Advice)] {
        let mut path = String::new();
        for (x, _) in seconds.iter().filter(|(_, s)| s.worst == Some(severity)) {
            let _ = write!(path, "M{x} 76v8");
        }
        if !path.is_empty() {
            let _ = write!(html, "<path class=\"{class}\" d=\"{path}\"/>");
        }
    }
    html.push_str("</svg>");
}

fn lately(board: &Board) -> String {
    let told: Vec<&Alert> = board.past.iter().rev().filter(|a| a.evidence.severity > Severity::Note).take(3).collect();
    if told.is_empty() {
        return String::new();
    }
    let mut html = String::from("<h2>Lately</h2><ul>");
    for a in told {
        let feed = board.feeds.get(a.feed).map_or("stream", |f| f.name.as_str());
        let (end, _) = a.cleared.unwrap_or((board.now, crate::judge::Clearing::Gone));
        let _ = write!(
            html,
            "<li>{} <span>{} ago, for {}</span></li>",
            escape(&said_of(feed, a.evidence.words.headline)),
            length(board.now.since(end)),
            length(end.since(a.began))
        );
    }
    html.push_str("</ul>");
    html
}

fn figures(board: &Board) -> String {
    let mut html = String::from("<table><tr><th></th>");
    for feed in &board.feeds {
        let _ = write!(html, "<th>{}</th>", escape(feed_name(&feed.name)));
    }
    html.push_str("</tr>");
    let mut row = |name: &str, get: &dyn Fn(&FeedBoard) -> String| {
        let _ = write!(html, "<tr><th>{name}</th>");
        for feed in &board.feeds {
            let _ = write!(html, "<td>{}</td>", escape(&get(feed)));
        }
        html.push_str("</tr>");
    };
    let reading = |f: &FeedBoard, get: fn(&crate::measure::Reading) -> Option<f64>| f.reading.as_ref().and_then(get);
    row("Loudness now (3 s)", &|f| level(reading(f, |r| r.short_term_lufs), "LUFS"));
    row("Loudness of this service", &|f| level(reading(f, |r| r.integrated_lufs), "LUFS"));
    row("Target", &|f| if f.role == Role::House { "–".into() } else { format!("{:.1} LUFS", board.target.lufs) });
    row("Loudness range", &|f| {
        let r = level(reading(f, |r| r.range_lu), "LU");
        if f.reading.as_ref().is_some_and(|r| r.range_lu.is_some() && !r.range_stable) {
            format!("{r} (not yet stable)")
        } else {
            r
        }
    });
    row("Highest true peak", &|f| level(f.max_true_peak_dbtp(), "dBTP"));
    row("Left over right", &|f| level(f.reading.as_ref().and_then(|r| r.balance_db()), "dB"));
    row("Level of pauses here", &|f| level(f.floor_lufs, "LUFS"));
    row("Input", &|f| f.source.clone());
    html.push_str("</table>");
    for fault in board.faults.iter().skip(1) {
        let _ = write!(html, "<p class=\"box\"><b>This computer:</b> {}</p>", escape(&fault.sentence));
    }
    html
}
