//! Loudness over a service as a picture (SVG).

use super::{clock, told};
use crate::feed::Role;
use crate::judge::Severity;
use crate::ledger::notice::LocalTime;
use crate::ledger::review::{BAND_LU, COLUMNS, Review, ReviewFeed};
use crate::show::page::escape;
use crate::words::feed_name;
use std::fmt::Write as _;

/// Picture units a LU, and its reach above and below the target, LU.
const UNITS_A_LU: f64 = 7.0;
const ABOVE_LU: f64 = 12.0;
const BELOW_LU: f64 = 26.0;
/// Height of the strip with the alerts' numbers, picture units.
const STRIP: f64 = 34.0;

/// Loudness over the whole service: a band from the lowest to the highest short-term loudness, fine marks for the
/// loudest moments, the target as a line, the alerts as numbers in a strip below.
pub(super) fn picture(html: &mut String, r: &Review, feed: &ReviewFeed, local: LocalTime<'_>) {
    let height = (ABOVE_LU + BELOW_LU) * UNITS_A_LU;
    let y = |lufs: f64| ((ABOVE_LU - (lufs - r.target.lufs)) * UNITS_A_LU).clamp(0.0, height);
    let name = feed_name(&feed.name);
    let target = if feed.role == Role::House { "" } else { ", with the target" };
    let _ = write!(
        html,
        "<figure><figcaption>How loud the {} was{target}</figcaption><input type=\"checkbox\" id=\"large-{2}\"><label for=\"large-{2}\">Larger</label><div class=\"scroll\">\
         <svg viewBox=\"-44 -4 {1} {3:.0}\" role=\"img\" aria-label=\"Loudness over time; the figures are in the table below\">",
        escape(name),
        COLUMNS + 50,
        escape(&feed.name),
        height + STRIP + 24.0
    );
    for lu in [-20.0, -10.0, 0.0, 10.0] {
        let at = y(r.target.lufs + lu);
        let class = if lu == 0.0 && feed.role != Role::House { "target" } else { "grid" };
        let _ = write!(
            html,
            "<path class=\"{class}\" d=\"M0 {at:.1}H{COLUMNS}\"/><text x=\"-4\" y=\"{:.1}\" class=\"scale\">{:.0}</text>",
            at + 4.0,
            r.target.lufs + lu
        );
    }
    if feed.role != Role::House {
        for lu in [-BAND_LU, BAND_LU] {
            let _ = write!(html, "<path class=\"edge\" d=\"M0 {:.1}H{COLUMNS}\"/>", y(r.target.lufs + lu));
        }
    }
    let mut band = String::new();
    let mut tops = String::new();
    let mut none = String::new();
    for (x, column) in feed.picture.iter().enumerate() {
        if let Some((low, high)) = column.short_term_lufs.filter(|s| s.1.is_finite()) {
            let _ = write!(band, "M{x}.5 {:.1}V{:.1}", y(high), y(low) + 0.6);
        }
        if let Some(m) = column.momentary_lufs.filter(|m| m.is_finite()) {
            let _ = write!(tops, "M{x} {:.1}h1", y(m));
        }
        if !column.kept {
            let _ = write!(none, "M{x}.5 0V{height:.0}");
        }
    }
    let _ = write!(
        html,
        "<path class=\"none\" d=\"{none}\"/><path class=\"band\" d=\"{band}\"/><path class=\"tops\" d=\"{tops}\"/>"
    );
    let span = (r.to_ms - r.line.began_ms).max(1) as f64;
    let x = |ms: i64| ((ms - r.line.began_ms) as f64 / span * COLUMNS as f64).clamp(0.0, COLUMNS as f64);
    for (n, a) in told(r).filter(|(_, a)| a.feed == feed.name) {
        let (from, to) = (x(a.raised_ms), x(a.cleared_ms.unwrap_or(r.to_ms)));
        let class = if a.severity == Severity::Warning { "warning" } else { "hint" };
        let _ = write!(
            html,
            "<path class=\"{class}\" d=\"M{from:.1} {0:.0}H{1:.1}\"/><path class=\"flag\" d=\"M{from:.1} {0:.0}l-4 9h8z\"/><text x=\"{from:.1}\" y=\"{2:.0}\" class=\"number\">{n}</text>",
            height + 5.0,
            to.max(from + 2.0),
            height + 25.0
        );
    }
    for part in 0..=4 {
        let at = r.line.began_ms + (span * f64::from(part) / 4.0) as i64;
        let anchor = ["start", "middle", "middle", "middle", "end"][part as usize];
        let _ = write!(
            html,
            "<text x=\"{}\" y=\"{:.0}\" text-anchor=\"{anchor}\" class=\"time\">{}</text>",
            COLUMNS as i32 * part / 4,
            height + STRIP + 10.0,
            clock(&local(at)).1
        );
    }
    html.push_str("</svg></div></figure>");
}
