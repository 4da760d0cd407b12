//! Line checks beside the log: the newest as the venue's baseline, each under its time.

use serde_json::Value;
use std::fs::{DirBuilder, File};
use std::io::Write as _;
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::Path;

/// Name of the newest one.
const BASELINE: &str = "linecheck.json";

/// Keeps a line check of the local time `at` in the state directory.
///
/// # Errors
/// One sentence that names the file.
pub fn keep_linecheck(state: &Path, kept: &Value, at: &str) -> Result<(), String> {
    let made = DirBuilder::new().recursive(true).mode(0o700).create(state);
    made.map_err(|e| format!("{}: cannot be made: {e}", state.display()))?;
    let stamp: String = at.chars().take(16).map(|c| if c == ':' { '-' } else { c }).collect();
    for name in [format!("linecheck-{stamp}.json"), BASELINE.to_string()] {
        let (file, part) = (state.join(&name), state.join(format!("{name}.{}.part", std::process::id())));
        // Whole or not at all: `ready` reads it at any time, and another line check may end at the same moment.
        let written = File::options().create(true).truncate(true).write(true).mode(0o600).open(&part);
        let written = written.and_then(|mut f| f.write_all(format!("{kept}\n").as_bytes()));
        let written = written.and_then(|()| std::fs::rename(&part, &file));
        written.map_err(|e| format!("{}: cannot be written: {e}", file.display()))?;
    }
    Ok(())
}

/// The newest line check, if there is one that can be read.
pub fn kept_linecheck(state: &Path) -> Option<Value> {
    serde_json::from_str(&std::fs::read_to_string(state.join(BASELINE)).ok()?).ok()
}
