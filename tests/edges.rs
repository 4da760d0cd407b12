//! The edges of the core and of the file readers under whatever comes: no panic, nothing without end, nothing
//! non-finite. Cases are made by proptest, a bounded number, each found case printed with its seed.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::chain::{Chain, ChainSettings, LaneSpec, Outcome};
use mixwarden::feed::{Arrival, Block, Cutter, FeedPatch, Role};
use mixwarden::measure::{Meter, Reading};
use mixwarden::source::Polled;
use mixwarden::source::file::{self, Pace};
use mixwarden::units::{RATES_HZ, SampleRate};
use proptest::prelude::*;
use std::io::Write;

/// Samples as hostile as bits can be: any pattern, or loud and quiet ones, or runs of one value.
fn samples(most: usize) -> impl Strategy<Value = Vec<f32>> {
    let one = prop_oneof![
        any::<u32>().prop_map(f32::from_bits),
        -1.0f32..1.0,
        Just(0.0),
        Just(f32::MAX),
        Just(1e-42),
        Just(-1.0),
    ];
    prop_oneof![prop::collection::vec(one.clone(), 1..most), (one, 1..most).prop_map(|(x, n)| vec![x; n]),]
}

fn sound(reading: &Reading) {
    // Minus infinity is a reading ("nothing there"); not-a-number and plus infinity never are.
    let level = |x: Option<f64>| assert!(x.is_none_or(|x| !x.is_nan() && x < f64::INFINITY), "{reading:?}");
    [
        reading.tick_lufs,
        reading.momentary_lufs,
        reading.short_term_lufs,
        reading.integrated_lufs,
        reading.range_lu,
        reading.max_momentary_lufs,
        reading.correlation(),
    ]
    .into_iter()
    .for_each(level);
    for c in &reading.channel[..reading.channels] {
        for x in [c.sample_peak, c.true_peak, c.mean_square, c.k_mean_square, c.dc] {
            assert!(x.is_finite(), "{c:?}");
        }
    }
    if let Some(s) = &reading.spectrum {
        let levels = s.bands_dbfs.iter().chain([&s.level_dbfs]).chain(s.peaks.iter().map(|p| &p.level_dbfs));
        assert!(levels.copied().all(|l| !l.is_nan() && l < f32::INFINITY) && s.noise_likeness.is_finite(), "{s:?}");
        assert!(s.left_share.iter().all(|p| (0.0..=1.0).contains(p)), "{s:?}");
    }
    if let Some(m) = &reading.mains {
        assert!(m.combs.iter().flat_map(|c| c.lines).all(|l| l.power.is_finite() && l.cover.is_finite()), "{m:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_meter_takes_any_samples_at_any_rate(
        rate in prop::sample::select(RATES_HZ.to_vec()),
        channels in 1u16..=6,
        pieces in prop::collection::vec((samples(4_000), 1usize..40, any::<bool>()), 1..6),
    ) {
        let rate = SampleRate::new(rate).unwrap();
        let patch = FeedPatch::new("stream", Role::Stream, &(0..channels).collect::<Vec<_>>());
        let mut cutter = Cutter::new(rate, usize::from(channels), std::slice::from_ref(&patch)).unwrap();
        let mut meter = Meter::new(rate, &patch);
        for (piece, times, lost) in pieces {
            for _ in 0..times {
                let mut each = |_: usize, hop: mixwarden::feed::Hop<'_>| {
                    if let Some(reading) = meter.hop(&hop) {
                        sound(&reading);
                    }
                };
                cutter.block(Block { samples: &piece }, &mut each);
                if lost {
                    cutter.lost(piece.len() as u64, &mut each);
                }
            }
        }
    }

    #[test]
    fn the_chain_takes_any_arrivals(pieces in prop::collection::vec((samples(20_000), 1usize..30, 0u64..90_000), 1..5)) {
        let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
        let lane = LaneSpec { rate: SampleRate::HZ_48000, channels: 4, feeds };
        let mut chain = Chain::new(ChainSettings::default(), vec![lane]).unwrap();
        let mut out = Vec::new();
        for (piece, times, lost) in pieces {
            for _ in 0..times {
                chain.step(0, Arrival::Block(Block { samples: &piece }), &mut out);
            }
            chain.step(0, Arrival::Lost { frames: lost }, &mut out);
            for o in out.drain(..) {
                match o {
                    Outcome::Reading { reading, .. } => sound(&reading),
                    Outcome::Alert { alert, .. } => assert!(!alert.evidence.value.is_nan(), "{alert:?}"),
                    _ => {}
                }
            }
        }
        chain.finish(&mut out);
    }
}

/// A small recording of `frames` frames of stereo in 16 bits.
fn wav(frames: u32) -> Vec<u8> {
    let bytes = frames * 4;
    let mut out = Vec::new();
    out.extend(b"RIFF");
    out.extend((36 + bytes).to_le_bytes());
    out.extend(b"WAVEfmt ");
    for (x, n) in [(16u32, 4), (1, 2), (2, 2), (48_000, 4), (192_000, 4), (4, 2), (16, 2)] {
        out.extend(&x.to_le_bytes()[..n]);
    }
    out.extend(b"data");
    out.extend(bytes.to_le_bytes());
    out.extend((0..bytes).map(|n| (n * 37 % 251) as u8));
    out
}

/// Reads a recording to its end; gives the frames that it held.
fn read(bytes: &[u8]) -> u64 {
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(bytes).unwrap();
    let Ok(mut source) = file::open(file.path(), 1, Pace::FlatOut) else { return 0 };
    let mut total = 0;
    // A recording of 2 000 frames ends after so many polls, whatever its header says; this bounds only hanging.
    for _ in 0..20_000 {
        let polled = source.poll(&mut |arrival| {
            if let Arrival::Block(Block { samples }) = arrival {
                assert!(samples.len() < 1 << 24, "{} samples at once", samples.len());
            }
        });
        match polled {
            Polled::Gave { frames } => total += frames,
            Polled::Ended | Polled::Failed(_) => return total,
            Polled::Nothing | Polled::Format(_) => {}
        }
    }
    panic!("the recording has no end");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_damaged_recording_is_read_or_refused(
        changes in prop::collection::vec((0usize..120, any::<u8>()), 0..8),
        cut in prop::option::of(0usize..8_044),
        kind in 0usize..4,
    ) {
        let mut bytes = wav(2_000);
        match kind {
            1 => bytes[..4].copy_from_slice(b"RF64"),
            2 => bytes[..4].copy_from_slice(b"FORM"),
            3 => bytes[..4].copy_from_slice(b"fLaC"),
            _ => {}
        }
        for (at, value) in changes {
            bytes[at] = value;
        }
        bytes.truncate(cut.unwrap_or(bytes.len()));
        // Nothing is made up: no more frames than there are bytes.
        prop_assert!(read(&bytes) <= bytes.len() as u64);
    }

    #[test]
    fn bytes_that_are_no_recording_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        read(&bytes);
    }
}

#[test]
fn the_undamaged_recording_is_read_whole() {
    assert_eq!(read(&wav(2_000)), 2_000);
}
