//! The layer rule, as a test: data flows one way, and the core knows no clock, I/O, log or thread.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use std::fs;
use std::path::{Path, PathBuf};

/// Each room with the rooms that it may import, besides itself.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("words", &[]),
    ("feed", &["units"]),
    ("measure", &["units", "feed"]),
    ("likeness", &["units", "feed", "measure"]),
    ("judge", &["units", "words", "feed", "measure", "likeness"]),
    ("chain", &["units", "words", "feed", "measure", "likeness", "judge"]),
    ("ledger", &["units", "words", "feed", "measure", "likeness", "judge", "chain"]),
    ("source", &["units", "words", "feed", "measure", "likeness", "judge", "chain", "ledger"]),
    ("keep", &["units", "words", "feed", "measure", "likeness", "judge", "chain", "ledger"]),
    ("show", &["units", "words", "feed", "measure", "likeness", "judge", "chain", "ledger"]),
    ("tell", &["units", "words", "feed", "measure", "likeness", "judge", "chain", "ledger"]),
    (
        "settings",
        &[
            "units", "words", "feed", "measure", "likeness", "judge", "chain", "ledger", "source", "keep", "show",
            "tell",
        ],
    ),
];
const CORE: &[&str] = &["units", "words", "feed", "measure", "likeness", "judge", "chain", "ledger"];
const NOT_IN_CORE: &[&str] = &[
    "std::fs",
    "std::net",
    "std::thread",
    "std::env",
    "std::io",
    "std::process",
    "std::sync::Mutex",
    "Instant",
    "SystemTime",
    "tokio",
    "axum",
    "cpal",
    "pulseaudio",
    "rusqlite",
    "tracing",
    "jiff",
    "prometheus",
    "println!",
    "eprintln!",
];
/// Crates that only one room may use.
const ONLY_IN: &[(&str, &[&str])] = &[
    ("cpal", &["source"]),
    ("pulseaudio", &["source"]),
    ("symphonia", &["source"]),
    ("axum", &["show"]),
    ("rusqlite", &["keep"]),
    ("lettre", &["tell"]),
    ("rumqttc", &["tell"]),
    ("jiff", &["settings", "run", "cmd"]),
];

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap().map(Result::unwrap) {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The lines of a file that are code in use: comments and the trailing unit tests are left out.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let end = text.find("#[cfg(test)]\nmod tests").unwrap_or(text.len());
    text[..end].lines().enumerate().map(|(n, l)| (n + 1, l)).filter(|(_, l)| !l.trim_start().starts_with("//"))
}

#[test]
fn data_flows_one_way() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    let mut broken = Vec::new();
    for file in files {
        let inside = file.strip_prefix(&root).unwrap();
        let room =
            inside.components().next().unwrap().as_os_str().to_string_lossy().trim_end_matches(".rs").to_string();
        let text = fs::read_to_string(&file).unwrap();
        let allowed = MAY_IMPORT.iter().find(|(r, _)| *r == room).map(|(_, a)| *a);
        for (n, line) in code(&text) {
            let place = format!("{}:{n}", inside.display());
            if let Some(allowed) = allowed {
                for used in line.split("crate::").skip(1) {
                    let used: String = used.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                    if used != room && MAY_IMPORT.iter().any(|(r, _)| *r == used) && !allowed.contains(&used.as_str())
                        || ["run", "cmd"].contains(&used.as_str())
                    {
                        broken.push(format!("{place}: {room} may not import {used}"));
                    }
                }
            }
            if CORE.contains(&room.as_str()) {
                let found = NOT_IN_CORE.iter().filter(|w| line.contains(**w));
                broken.extend(found.map(|w| format!("{place}: the core may not use {w}")));
            }
            for (krate, rooms) in ONLY_IN {
                if line.contains(&format!("{krate}::")) && !rooms.contains(&room.as_str()) {
                    broken.push(format!("{place}: {krate} is used outside {}", rooms.join(", ")));
                }
            }
        }
    }
    assert!(broken.is_empty(), "\n{}", broken.join("\n"));
}

#[test]
fn every_file_says_what_it_is_for_and_none_has_an_empty_name() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        assert!(text.starts_with("//!"), "{}: begins without a word on what it is for", file.display());
        let stem = file.file_stem().unwrap().to_string_lossy().to_string();
        assert!(
            !["utils", "util", "common", "helpers", "helper", "manager", "handler", "misc", "types"]
                .contains(&stem.as_str()),
            "{}: a name that says nothing of its content",
            file.display()
        );
    }
}
