//! Recordings after the event: one file of four channels, or two files that did not begin together, at two rates.

use crate::desk::{Stereo, clock};
use crate::turns::Service;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Writes 16-bit WAV of these channels.
fn wav(path: &Path, hz: u32, channels: &[&[f32]]) -> PathBuf {
    let (n, width) = (channels[0].len(), channels.len() as u32);
    let size = n as u32 * width * 2;
    let mut out = Vec::with_capacity(44 + size as usize);
    out.extend(b"RIFF");
    out.extend((36 + size).to_le_bytes());
    out.extend(b"WAVEfmt ");
    for word in [16, 1 | (width << 16), hz, hz * width * 2, (width * 2) | (16 << 16)] {
        out.extend(word.to_le_bytes());
    }
    out.extend(b"data");
    out.extend(size.to_le_bytes());
    for i in 0..n {
        channels.iter().for_each(|c| out.extend(((c[i] * 32_767.0).round() as i16).to_le_bytes()));
    }
    std::fs::write(path, out).unwrap();
    path.to_path_buf()
}

fn both(x: &Stereo) -> [&[f32]; 2] {
    [&x.0[0], &x.0[1]]
}

fn cut(x: &Stereo, seconds: f64, hz: f64) -> Stereo {
    let from = (seconds * hz).round() as usize;
    Stereo([x.0[0][from..].to_vec(), x.0[1][from..].to_vec()])
}

fn measured(args: &[&str]) -> serde_json::Value {
    let out = Command::new(env!("CARGO_BIN_EXE_mixwarden")).args(["measure", "--json"]).args(args).output().unwrap();
    let text = String::from_utf8_lossy(&out.stdout);
    let all: serde_json::Value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text} {out:?}"));
    let own_mix = all["files"][0]["own_mix"].clone();
    println!("{args:?}: {own_mix}");
    own_mix
}

#[test]
fn one_file_with_both_feeds_tells_own_and_copy() {
    let dir = tempfile::tempdir().unwrap();
    let service = Service::new(61, 170.0);
    let (house, own) = (service.house(), service.own());
    let mut copy = house.clone();
    copy.scale(0.5);
    copy.late(960);
    let file = |name: &str, stream: &Stereo| {
        let channels = [both(stream), both(&house)].concat();
        wav(&dir.path().join(name), 48_000, &channels).to_str().unwrap().to_owned()
    };
    let feeds = ["--feed", "stream=1,2", "--feed", "house=3,4"];
    let told = measured(&[&feeds[..], &[&file("own.wav", &own)]].concat());
    assert_eq!(told["verdict"], "own", "{told}");
    let told = measured(&[&feeds[..], &[&file("copy.wav", &copy)]].concat());
    assert_eq!(told["verdict"], "copy", "{told}");
    let near = |what: &str, right: f64, by: f64| (told[what].as_f64().unwrap() - right).abs() < by;
    assert!(near("delay_ms", 20.0, 0.02) && near("level_db", -6.02, 0.05), "{told}");
    assert!(told["timeline"].as_array().is_some_and(|t| t.len() >= 2), "{told}");
}

#[test]
fn two_files_that_began_at_different_times_at_two_rates_are_found_either_way() {
    let dir = tempfile::tempdir().unwrap();
    let service = Service::new(62, 200.0);
    let (house, own) = (service.house(), service.own());
    let other = clock(&house, 0.0, 30.0, 44_100.0);
    // The house's recorder was started later than the stream's, or before it.
    for (name, stream, verdict, offset) in
        [("copy", &house, "copy", 23.4), ("copy", &house, "copy", -31.7), ("own", &own, "own", -8.3)]
    {
        let (s, h) = if offset > 0.0 {
            (stream.clone(), cut(&other, offset, 44_100.0))
        } else {
            (cut(stream, -offset, 48_000.0), other.clone())
        };
        let stream_file = wav(&dir.path().join(format!("{name}{offset}.wav")), 48_000, &both(&s));
        let house_file = wav(&dir.path().join(format!("house{offset}.wav")), 44_100, &both(&h));
        let told = measured(&[stream_file.to_str().unwrap(), "--house", house_file.to_str().unwrap()]);
        assert_eq!(told["verdict"], verdict, "{name} {offset}: {told}");
        let found = told["house_offset_s"].as_f64().unwrap_or(f64::NAN);
        assert!((found - offset).abs() < 0.1, "{name}: offset {offset}, found {found}");
    }
}
