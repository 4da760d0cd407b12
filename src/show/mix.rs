//! The stream beside the room on the page: one sentence, what is missing, and a small chart of the balance by band.

use super::page::escape;
use crate::ledger::own_mix::{GROUP_NAMES, headline, missing, particulars};
use crate::ledger::{Board, PairBoard};
use crate::likeness::{GROUPS, HISTORY, Kin};
use std::fmt::Write as _;

/// Distance from the middle of a row that is drawn at most, dB.
const ROW_DB: f64 = 9.0;

/// The part; empty without two feeds.
pub(super) fn mix(board: &Board) -> String {
    let Some(pair) = &board.pair else { return String::new() };
    let l = &pair.likeness;
    let mut html = format!("<p class=\"kin\">{}</p>", escape(&headline(l)));
    let lacks = missing(l);
    if !lacks.is_empty() {
        let _ = write!(html, "<p>{}</p>", escape(&lacks));
    }
    html.push_str("<details><summary>The stream beside the room</summary>");
    if pair.lately.iter().flatten().any(Option::is_some) && l.kin != Kin::Unrelated {
        chart(&mut html, pair);
    }
    html.push_str("<ul>");
    for sentence in particulars(l) {
        let _ = write!(html, "<li>{}</li>", escape(&sentence));
    }
    html.push_str("</ul></details>");
    html
}

/// One row a group of bands, the high ones on top; ten minutes from left to right.
fn chart(html: &mut String, pair: &PairBoard) {
    html.push_str("<figure class=\"balance\"><figcaption>Over its line: louder on the stream than in the room. Under it: softer. The last ten minutes.</figcaption>");
    for group in (0..GROUPS).rev() {
        let _ = write!(
            html,
            "<div><b>{}</b><svg viewBox=\"0 0 {HISTORY} 20\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"{}\"><path class=\"mark\" d=\"M0 10H{HISTORY}\"/><path class=\"sound\" d=\"",
            GROUP_NAMES[group],
            latest(pair, group)
        );
        let first = HISTORY - pair.lately.len();
        for (x, look) in pair.lately.iter().enumerate() {
            if let Some(db) = look[group] {
                let y = 10.0 - db.clamp(-ROW_DB, ROW_DB);
                let _ = write!(html, "M{} 10V{y:.1}h1V10z", first + x);
            }
        }
        html.push_str("\"/></svg></div>");
    }
    html.push_str("</figure>");
}

fn latest(pair: &PairBoard, group: usize) -> String {
    match pair.lately.iter().rev().find_map(|l| l[group]) {
        Some(db) if db.abs() < 0.5 => "as in the room".into(),
        Some(db) => format!("{:.0} dB {}", db.abs(), if db > 0.0 { "louder" } else { "softer" }),
        None => "not heard".into(),
    }
}
