//! The meter and the fine structure take any samples, rate, channels and gaps: never a panic, never a figure that is
//! not finite (but minus infinity, which says "nothing there").
#![no_main]

use libfuzzer_sys::fuzz_target;
use mixwarden_fuzz::feed::{Block, Cutter, FeedPatch, Hop, Role};
use mixwarden_fuzz::measure::{Meter, Reading, Texture};
use mixwarden_fuzz::units::{MAX_CHANNELS, RATES_HZ, SampleRate};

fuzz_target!(|data: &[u8]| {
    let [rate, channels, repeat, rest @ ..] = data else { return };
    let rate = SampleRate::new(RATES_HZ[usize::from(*rate) % RATES_HZ.len()]).expect("a rate of the list");
    let channels = usize::from(*channels) % MAX_CHANNELS + 1;
    let patch = FeedPatch::new("stream", Role::Stream, &(0..channels as u16).collect::<Vec<_>>());
    let mut cutter = Cutter::new(rate, channels, std::slice::from_ref(&patch)).expect("its own channels");
    let (mut meter, mut texture) = (Meter::new(rate, &patch), Texture::new(rate, channels));
    let mut each = |_: usize, hop: Hop<'_>| {
        texture.hop(&hop);
        if let Some(reading) = meter.hop(&hop) {
            check(&reading);
            assert!(texture.close().longest_hole_ms.is_finite());
        }
    };
    // Four bytes a sample, as they are: NaN, infinities, denormals and all. A short input is played several times, so
    // that ticks and windows fill.
    let samples: Vec<f32> = rest.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
    for round in 0..usize::from(*repeat) % 64 + 1 {
        for block in samples.chunks(997 * channels) {
            cutter.block(Block { samples: block }, &mut each);
        }
        if round % 7 == 6 {
            cutter.lost(u64::from(*repeat), &mut each);
        }
    }
});

fn check(r: &Reading) {
    for c in &r.channel[..r.channels] {
        let figures = [c.sample_peak, c.true_peak, c.mean_square, c.k_mean_square, c.dc, c.lowest, c.highest];
        assert!(figures.iter().all(|x| x.is_finite()), "{c:?}");
        assert!(c.true_peak >= c.sample_peak, "{c:?}");
    }
    let figures = [
        r.tick_lufs,
        r.momentary_lufs,
        r.short_term_lufs,
        r.integrated_lufs,
        r.range_lu,
        r.max_momentary_lufs,
        r.max_short_term_lufs,
    ];
    assert!(figures.iter().flatten().all(|x| x.is_finite() || *x == f64::NEG_INFINITY), "{r:?}");
    assert!(r.max_true_peak.iter().chain(&r.max_sample_peak).all(|x| x.is_finite()), "{r:?}");
    assert!(r.k_cross.is_finite(), "{r:?}");
    if let Some(s) = &r.spectrum {
        let sound = |x: f32| x.is_finite() || x == f32::NEG_INFINITY;
        assert!(sound(s.level_dbfs) && s.noise_likeness.is_finite(), "{s:?}");
        assert!(s.bands_dbfs.iter().all(|b| sound(*b)), "{s:?}");
        assert!(s.peaks.iter().all(|p| sound(p.level_dbfs) && p.hz.is_finite()), "{s:?}");
    }
    if let Some(m) = &r.mains {
        assert!(m.combs.iter().flat_map(|c| &c.lines).all(|l| l.power.is_finite() && l.cover.is_finite()), "{m:?}");
    }
}
