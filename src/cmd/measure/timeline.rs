//! The timeline: one CSV row per 100 ms (RFC 4180).

use super::report::Report;
use std::io::{BufWriter, Write as _};
use std::path::Path;

/// Writes the stream's ticks.
///
/// # Errors
/// Those of the file system.
pub fn write(path: &Path, report: &Report) -> std::io::Result<()> {
    let mut file = BufWriter::new(std::fs::File::create(path)?);
    write!(file, "seconds,momentary_lufs,short_term_lufs,integrated_lufs,true_peak_dbtp\r\n")?;
    let cell = |x: Option<f64>| x.filter(|x| x.is_finite()).map_or_else(String::new, |x| format!("{x:.3}"));
    for t in &report.ticks {
        write!(
            file,
            "{:.1},{},{},{},{}\r\n",
            t.seconds,
            cell(t.momentary_lufs),
            cell(t.short_term_lufs),
            cell(t.integrated_lufs),
            cell(Some(t.true_peak_dbtp))
        )?;
    }
    file.flush()
}
