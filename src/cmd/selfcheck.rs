//! `mixwarden selfcheck`: the standards' own signals through the meter, on this machine.

use crate::measure::selfcheck::{NOT_COVERED, Row, run};
use serde_json::json;
use std::io::Write;
use std::process::ExitCode;

/// Runs the check and writes a table (or one JSON object) to `out`; exit status 1 when a figure is missed.
///
/// # Errors
/// When `out` can't be written.
pub fn selfcheck(json: bool, out: &mut impl Write) -> std::io::Result<ExitCode> {
    let mut rows = Vec::new();
    run(&mut |row| rows.push(row));
    let missed = rows.iter().filter(|r| !r.pass()).count();
    if json {
        let all: Vec<_> = rows.iter().map(as_json).collect();
        let whole = json!({ "pass": missed == 0, "rows": all, "missed": missed, "not_covered": NOT_COVERED });
        writeln!(out, "{whole}")?;
    } else {
        table(&rows, missed, out)?;
    }
    Ok(if missed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn as_json(row: &Row) -> serde_json::Value {
    // JSON has no infinities: a reading of "nothing there at all" is null, like no reading.
    json!({
        "signal": row.signal, "quantity": row.quantity, "unit": row.unit,
        "expected": row.expected.filter(|x| x.is_finite()), "below": row.below, "above": row.above,
        "read": row.read.filter(|x| x.is_finite()), "pass": row.pass(), "source": row.source,
    })
}

fn table(rows: &[Row], missed: usize, out: &mut impl Write) -> std::io::Result<()> {
    let mut source = "";
    for row in rows {
        if row.source != source {
            source = row.source;
            writeln!(out, "\n{source}")?;
            writeln!(
                out,
                "{:<30} {:<23} {:>9} {:>13} {:>9} unit  result",
                "signal", "figure", "expected", "tolerance", "read"
            )?;
        }
        let number = |x: Option<f64>| x.map_or("none".into(), |x| format!("{x:.3}"));
        writeln!(
            out,
            "{:<30} {:<23} {:>9} {:>13} {:>9} {:<5} {}",
            row.signal,
            row.quantity,
            number(row.expected),
            format!("+{} / -{}", row.above, row.below),
            number(row.read),
            row.unit,
            if row.pass() { "pass" } else { "MISSED" }
        )?;
    }
    writeln!(out, "\nNot covered:")?;
    for line in NOT_COVERED {
        writeln!(out, "  {line}")?;
    }
    match missed {
        0 => writeln!(out, "\nAll {} figures are within their tolerance.", rows.len()),
        n => writeln!(
            out,
            "\n{n} of {} figures missed. Do not trust this meter's numbers on this machine; keep this output for whoever looks into it.",
            rows.len()
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(read: f64) -> Row {
        Row {
            signal: "a tone".into(),
            quantity: "integrated",
            unit: "LUFS",
            expected: Some(-23.0),
            below: 0.1,
            above: 0.1,
            read: Some(read),
            source: "a document, its clause",
        }
    }

    #[test]
    fn a_miss_is_said_beside_its_figure_and_at_the_end() {
        let rows = [row(-23.05), row(-22.85)];
        let mut out = Vec::new();
        table(&rows, 1, &mut out).expect("memory takes it");
        let text = String::from_utf8(out).expect("text");
        assert_eq!(text.lines().filter(|l| l.ends_with("pass")).count(), 1, "{text}");
        assert_eq!(text.lines().filter(|l| l.ends_with("MISSED")).count(), 1, "{text}");
        assert!(text.contains("1 of 2 figures missed"), "{text}");
        assert!(text.contains("cases 7 and 8"), "{text}");
    }
}
