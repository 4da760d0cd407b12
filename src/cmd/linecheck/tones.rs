//! Tone files for the line check: 1 kHz at the alignment levels, the left side interrupted as EBU R 49 asks (250 ms
//! every 3 s), 30 s, 48 kHz, 24 bits. The program never plays them itself.

use anyhow::Context as _;
use std::f64::consts::PI;
use std::io::{BufWriter, Write as _};
use std::path::Path;
use std::process::ExitCode;

const RATE_HZ: u32 = 48_000;
const SECONDS: u32 = 30;
/// Fade at each edge of an interruption, frames (5 ms), so that it does not click.
const FADE: f64 = 240.0;

pub(super) fn write(directory: &Path) -> anyhow::Result<ExitCode> {
    std::fs::create_dir_all(directory).with_context(|| format!("{}: cannot be made", directory.display()))?;
    for dbfs in [-18, -20] {
        let file = directory.join(format!("line-up-1kHz{dbfs}dBFS.wav"));
        one(&file, f64::from(dbfs)).with_context(|| format!("{}: cannot be written", file.display()))?;
        println!("{}", file.display());
    }
    println!("Play them through the stream mix's own path, never at a level that hurts: turn the room down first.");
    Ok(ExitCode::SUCCESS)
}

fn one(path: &Path, dbfs: f64) -> std::io::Result<()> {
    let frames = RATE_HZ * SECONDS;
    let bytes = frames * 6;
    let mut file = BufWriter::new(std::fs::File::create(path)?);
    file.write_all(b"RIFF")?;
    file.write_all(&(36 + bytes).to_le_bytes())?;
    file.write_all(b"WAVEfmt \x10\0\0\0\x01\0\x02\0")?;
    file.write_all(&RATE_HZ.to_le_bytes())?;
    file.write_all(&(RATE_HZ * 6).to_le_bytes())?;
    file.write_all(b"\x06\0\x18\0data")?;
    file.write_all(&bytes.to_le_bytes())?;
    let amplitude = 10f64.powf(dbfs / 20.0);
    for n in 0..frames {
        let t = f64::from(n) / f64::from(RATE_HZ);
        let tone = amplitude * (2.0 * PI * 1_000.0 * t).sin();
        // Distance into and out of the 250 ms gap at the begin of each 3 s.
        let phase = f64::from(n % (3 * RATE_HZ));
        let gap = 0.25 * f64::from(RATE_HZ);
        let left = tone * ((phase - gap) / FADE).clamp(0.0, 1.0).max(1.0 - (phase / FADE).min(1.0));
        for x in [left, tone] {
            let bytes = ((x * 8_388_607.0).round() as i32).to_le_bytes();
            file.write_all(&bytes[..3])?;
        }
    }
    file.flush()
}
