//! A kept service as CSV (RFC 4180: commas, CRLF, quotes where a value needs them).

use crate::ledger::notice::LocalTime;
use crate::ledger::shelf::{KeptAlert, KeptService};

/// A value, quoted when it holds a comma, a quote or a line end; a leading sign that a spreadsheet would take for a
/// formula is kept apart by a quote mark.
fn cell(text: &str) -> String {
    let formula = text.starts_with(['=', '@', '+']) || (text.starts_with('-') && text.parse::<f64>().is_err());
    let text = if formula { format!("'{text}") } else { text.to_string() };
    if text.contains([',', '"', '\r', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

fn line(out: &mut String, cells: &[String]) {
    let cells: Vec<String> = cells.iter().map(|c| cell(c)).collect();
    out.push_str(&cells.join(","));
    out.push_str("\r\n");
}

/// A level; empty: no data; `-inf`: nothing there at all.
fn number(x: Option<f64>) -> String {
    match x {
        Some(x) if x.is_finite() => format!("{x:.2}"),
        Some(_) => "-inf".into(),
        None => String::new(),
    }
}

/// One line a feed and second (or minute, where it has grown old).
pub fn rows_csv(kept: &KeptService, local: LocalTime<'_>) -> String {
    let mut out = String::from(
        "time,feed,span_seconds,measured_seconds,momentary_top_lufs,short_term_lufs,integrated_lufs,range_lu,\
         rms_left_dbfs,rms_right_dbfs,true_peak_left_dbtp,true_peak_right_dbtp,worst\r\n",
    );
    for feed in &kept.feeds {
        for row in &feed.rows {
            let mut cells = vec![
                local(row.unix_ms),
                feed.name.clone(),
                row.span_seconds.to_string(),
                format!("{:.2}", f64::from(row.measured_hops) / 100.0),
            ];
            let levels = [row.momentary_top_lufs, row.short_term_lufs, row.integrated_lufs, row.range_lu];
            let sides = [row.rms_dbfs, row.true_peak_dbtp].concat();
            cells.extend(levels.into_iter().chain(sides).map(number));
            cells.push(row.worst.map_or_else(String::new, |w| w.name().into()));
            line(&mut out, &cells);
        }
    }
    out
}

/// One line an alert.
pub fn alerts_csv(alerts: &[KeptAlert], local: LocalTime<'_>) -> String {
    let mut out = String::from(
        "raised,feed,condition,severity,headline,evidence,began,acknowledged,cleared,clearing,comes_and_goes,note\r\n",
    );
    let when = |ms: Option<i64>| ms.map_or_else(String::new, local);
    for a in alerts {
        let cells = [
            local(a.raised_ms),
            a.feed.clone(),
            a.condition.clone(),
            a.severity.name().into(),
            a.headline.clone(),
            a.evidence.clone(),
            local(a.began_ms),
            when(a.acknowledged_ms),
            when(a.cleared_ms),
            a.clearing.clone().unwrap_or_default(),
            a.comes_and_goes.to_string(),
            a.note.clone(),
        ];
        line(&mut out, &cells);
    }
    out
}
