//! A file of any bytes is read or refused with a sentence: never a panic, never without end.
#![no_main]

use libfuzzer_sys::fuzz_target;
use mixwarden_fuzz::source::file::{self, Pace};
use mixwarden_fuzz::source::{Polled, Source};
use std::io::Write as _;

/// Frames that are read at most: an honest header may tell of hours.
const MOST_FRAMES: u64 = 1 << 20;

fuzz_target!(|data: &[u8]| {
    let path = std::env::temp_dir().join(format!("mixwarden-fuzz-{}", std::process::id()));
    let mut file = std::fs::File::create(&path).expect("the temporary directory can be written");
    file.write_all(data).expect("the temporary directory has room");
    let _ = file::frames(&path);
    match file::open(&path, 1, Pace::FlatOut) {
        Ok(mut source) => read(&mut *source),
        Err(e) => assert!(!e.to_string().is_empty()),
    }
});

fn read(source: &mut dyn Source) {
    let (mut frames, mut formats) = (0, 0);
    while frames < MOST_FRAMES && formats < 100 {
        match source.poll(&mut |_| {}) {
            Polled::Gave { frames: n } => frames += n,
            Polled::Format(_) => formats += 1,
            Polled::Ended | Polled::Failed(_) => break,
            Polled::Nothing => panic!("a recording always has something or is over"),
        }
    }
    let _ = (source.describe(), source.fault());
}
