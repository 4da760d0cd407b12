//! The line check's report: one page to hand over, A4 or Letter, with what was and was not checked.

use super::page::escape;
use super::review::head;
use crate::ledger::linecheck::{Answer, EARTH_CAUTION, Finding};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// What a line check never looks at.
const NOT_CHECKED: &str = "Not checked by this program: the encoder and the stream behind this computer, the cables' mechanical state, \
     mains safety, the microphones, and how loud the room is.";

/// The findings as JSON, version 1; `at` is local time; `floor_lufs` is the stream's loudness with nothing sent.
pub fn json(venue: &str, at: &str, devices: &str, floor_lufs: Option<f64>, findings: &[Finding]) -> Value {
    json!({
        "version": 1, "venue": venue, "at": at, "devices": devices, "noise_floor_lufs": floor_lufs.filter(|f| f.is_finite()),
        "findings": findings.iter().map(|f| json!({
            "step": f.step, "answer": f.answer.word().to_lowercase(), "found": f.found, "do": f.remedy })).collect::<Vec<_>>(),
    })
}

/// An answer as a shape beside its word: readable without colour.
pub(super) fn shape(answer: Answer) -> String {
    let path = match answer {
        Answer::Pass => "<path d=\"M2 9l4 4 8-10\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2.4\"/>",
        Answer::Fail => "<path d=\"M2 2l12 12M14 2L2 14\" stroke=\"currentColor\" stroke-width=\"3\"/>",
        Answer::CannotTell => "<path d=\"M3 8h10\" stroke=\"currentColor\" stroke-width=\"2.4\"/>",
        Answer::Skipped => "<circle cx=\"8\" cy=\"8\" r=\"2\"/>",
    };
    format!("<svg class=\"shape\" viewBox=\"0 0 16 16\" aria-hidden=\"true\">{path}</svg>")
}

/// The report.
pub fn report(venue: &str, at: &str, devices: &str, findings: &[Finding]) -> String {
    let mut html = head(&format!("Line check of {venue}"));
    let count = |answer: Answer| findings.iter().filter(|f| f.answer == answer).count();
    let _ = write!(
        html,
        "<h1>Line check{}</h1><p class=\"when\">{} at {}. {}</p><p class=\"advice\">{} passed, {} failed, {} could not be told, {} skipped.</p><table class=\"list\">",
        if venue.is_empty() { String::new() } else { format!(" of {}", escape(venue)) },
        escape(at.get(..10).unwrap_or(at)),
        escape(at.get(11..16).unwrap_or("")),
        escape(devices),
        count(Answer::Pass),
        count(Answer::Fail),
        count(Answer::CannotTell),
        count(Answer::Skipped)
    );
    for f in findings {
        let _ = write!(
            html,
            "<tr><td>{} {}</td><td>{}</td><td>{}",
            shape(f.answer),
            escape(f.step),
            f.answer.word(),
            escape(&f.found)
        );
        if !f.remedy.is_empty() {
            let _ = write!(html, "<br><span class=\"small\">{}</span>", escape(f.remedy));
        }
        html.push_str("</td></tr>");
    }
    let _ = writeln!(
        html,
        "</table><p class=\"small\">{NOT_CHECKED}</p><p class=\"small\">{EARTH_CAUTION}</p><p>Checked by: ______________________ &nbsp; Handed over to: ______________________</p></body></html>"
    );
    html
}
