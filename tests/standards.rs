//! What the standards' own tables demand of a meter, on the meter that runs live.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use mixwarden::feed::{Block, Cutter, FeedPatch, Role};
use mixwarden::measure::interpolator::Interpolator;
use mixwarden::measure::reference::{Quantity, cases};
use mixwarden::measure::selfcheck::{self, Row, case_rows};
use mixwarden::measure::simd::{Isa, Kernel, Simd};
use mixwarden::measure::true_peak::TruePeak;
use mixwarden::measure::{Meter, Reading};
use mixwarden::units::{RATES_HZ, SampleRate, db_of_amplitude};
use std::f64::consts::TAU;

#[test]
fn every_signal_of_the_tables_reads_as_printed() {
    let rows: Vec<Row> = cases().iter().flat_map(case_rows).collect();
    let missed: Vec<&Row> = rows.iter().filter(|r| !r.pass()).collect();
    assert!(missed.is_empty(), "{missed:#?}");
    // Tech 3341: 1-6 and 9-23 with 20 files each for 10 and 13; Tech 3342: 1-4; BS.2217: 12 tones, 12 channel
    // checks, 2 gates; cases 1 and 2 have three figures each.
    assert_eq!(rows.len(), (6 + 2 * 20 + 13) + 4 + 26 + 4, "a case fell out of the list");
}

#[test]
fn true_peak_cases_leave_half_of_the_tolerance() {
    let rows = cases()
        .iter()
        .filter(|c| c.expectations[0].quantity == Quantity::TruePeak)
        .flat_map(case_rows)
        .collect::<Vec<_>>();
    assert_eq!(rows.len(), 9);
    for row in rows {
        let off = row.read.expect("a tone has a peak") - row.expected.expect("and the table a figure");
        println!("{}: {off:+.3} dB", row.signal);
        assert!((-0.2..=0.1).contains(&off), "{}: {off:+.3} dB of +0.2/-0.4", row.signal);
    }
}

#[test]
fn the_second_meter_agrees() {
    let mut rows = Vec::new();
    selfcheck::run(&mut |row| rows.push(row));
    let by_others: Vec<_> =
        rows.iter().filter(|r| !r.source.starts_with("EBU Tech 3341") && r.signal.contains("programme")).collect();
    assert_eq!(by_others.len(), 5);
    for row in by_others {
        println!("{}: expected {:?} read {:?}", row.quantity, row.expected, row.read);
        assert!(row.pass(), "{row:?}");
    }
}

fn tone(rate: u32, hz: f64, dbfs: f64, seconds: u32, gains: &[f64]) -> Vec<f32> {
    let amplitude = 10f64.powf(dbfs / 20.0);
    (0..rate * seconds)
        .flat_map(|n| {
            let x = amplitude * (TAU * hz * f64::from(n) / f64::from(rate)).sin();
            gains.iter().map(move |g| (g * x) as f32).collect::<Vec<_>>()
        })
        .collect()
}

fn last(rate: u32, channels: usize, samples: &[f32]) -> Reading {
    let rate = SampleRate::new(rate).expect("a rate of the list");
    selfcheck::measure(rate, channels, samples).pop().expect("some ticks")
}

/// Tech 3341 2.9: 1 kHz, -18 dBFS, both channels in phase, reads -18.0 LUFS; at every rate.
#[test]
fn calibration_holds_at_every_rate() {
    for rate in RATES_HZ {
        let reading = last(rate, 2, &tone(rate, 1_000.0, -18.0, 10, &[1.0, 1.0]));
        let lufs = reading.integrated_lufs.expect("a tone is loud enough");
        assert!((lufs + 18.0).abs() < 0.03, "{rate} Hz: {lufs}");
        let low = last(rate, 2, &tone(rate, 50.0, -18.0, 10, &[1.0, 1.0])).integrated_lufs.expect("loud enough");
        // K gain -3.93 dB; the derivation for other rates loses up to 0.04 dB of the printed filter's gain.
        assert!((low + 18.0 + 0.691 + 3.93).abs() < 0.05, "50 Hz at {rate} Hz: {low}");
    }
}

#[test]
fn sides_polarity_and_mono_read_as_the_sum_of_powers_says() {
    let read = |gains: &[f64]| {
        last(48_000, gains.len(), &tone(48_000, 1_000.0, -18.0, 5, gains)).integrated_lufs.expect("loud enough")
    };
    assert!((read(&[1.0, 0.0]) + 21.0).abs() < 0.02);
    assert!((read(&[1.0, -1.0]) - read(&[1.0, 1.0])).abs() < 1e-9, "loudness is blind to polarity");
    assert!((read(&[1.0]) - read(&[1.0, 1.0])).abs() < 1e-9, "mono is dual mono");
    // BS.1770-5, Annex 1: 997 Hz at 0 dBFS in one of L, C or R reads -3.01.
    for place in 0..3 {
        let mut gains = [0.0; 6];
        gains[place] = 1.0;
        let lufs = last(48_000, 6, &tone(48_000, 997.0, 0.0, 5, &gains)).integrated_lufs.expect("loud enough");
        assert!((lufs + 3.01).abs() < 0.005, "{lufs}");
    }
}

/// However the audio is cut on its way in, the same bits come out, at every rate and width.
#[test]
fn however_cut_the_same_bits() {
    let mut seed = 7u64;
    let mut random = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as u32
    };
    for rate in RATES_HZ {
        for channels in [1usize, 2, 3, 5, 6] {
            let samples: Vec<f32> = (0..rate as usize / 2 * channels * 9)
                .map(|_| (f64::from(random()) / f64::from(1u32 << 30) - 1.0) as f32)
                .collect();
            let rate = SampleRate::new(rate).expect("a rate of the list");
            let cut = |mut frames: Box<dyn FnMut() -> usize>| {
                let patch = FeedPatch::new("stream", Role::Stream, &(0..channels as u16).collect::<Vec<_>>());
                let mut meter = Meter::new(rate, &patch);
                let mut cutter = Cutter::new(rate, channels, &[patch]).expect("channels exist");
                let (mut rest, mut readings) = (&samples[..], Vec::new());
                while !rest.is_empty() {
                    let (now, later) = rest.split_at((frames() * channels).min(rest.len()));
                    cutter.block(Block { samples: now }, &mut |_, hop| readings.extend(meter.hop(&hop)));
                    rest = later;
                }
                readings
            };
            let whole = cut(Box::new(|| 1 << 30));
            assert_eq!(whole.len(), 45);
            let bits = |r: &[Reading]| format!("{r:?}");
            let expected = bits(&whole);
            assert_eq!(expected, bits(&cut(Box::new(|| 1))), "one frame at a time");
            assert_eq!(expected, bits(&cut(Box::new(|| 997))));
            let mut seed = 99u64;
            let ragged = move || {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (seed >> 52) as usize % 3_000 + 1
            };
            assert_eq!(expected, bits(&cut(Box::new(ragged))));
        }
    }
}

/// Whatever comes, every figure is a number, and clean audio after it reads right again.
#[test]
fn hostile_samples_never_reach_a_figure() {
    let wild = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, f32::MIN, 1e30, -1e30, 1e-40, -1e-45, 0.0, -0.0];
    let mut samples: Vec<f32> = (0..48_000 * 2).map(|i| wild[(i * i / 7 + i) % wild.len()]).collect();
    samples.extend(tone(48_000, 1_000.0, -18.0, 20, &[1.0, 1.0]));
    let readings = selfcheck::measure(SampleRate::HZ_48000, 2, &samples);
    for r in &readings {
        let lufs =
            [r.momentary_lufs, r.momentary_top_lufs, r.short_term_lufs, r.integrated_lufs, r.range_lu, r.tick_lufs];
        for value in lufs.into_iter().flatten() {
            assert!(!value.is_nan() && value != f64::INFINITY, "{r:?}");
        }
        for c in &r.channel[..2] {
            for value in [c.sample_peak, c.true_peak, c.mean_square, c.k_mean_square, c.dc, c.lowest, c.highest] {
                assert!(value.is_finite(), "{r:?}");
            }
            assert!(c.true_peak >= c.sample_peak);
        }
    }
    let after = &readings[150];
    assert!((after.short_term_lufs.expect("3 s have passed") + 18.0).abs() < 0.05, "{after:?}");
    assert!((db_of_amplitude(after.channel[0].true_peak) + 18.0).abs() < 0.05, "{after:?}");
    assert!(readings[0].cleaned_total > 0);
}

/// Denormal input and the filter's decay into silence end in plain zeros.
#[test]
fn silence_ends_in_zeros() {
    let mut samples = tone(48_000, 60.0, 0.0, 1, &[1.0, 1.0]);
    samples.extend(vec![0.0; 48_000 * 2 * 6]);
    samples.extend(vec![1e-40; 48_000 * 2 * 2]);
    let readings = selfcheck::measure(SampleRate::HZ_48000, 2, &samples);
    assert_eq!(readings[60].channel[0].k_mean_square, 0.0);
    assert_eq!(readings[60].short_term_lufs, Some(f64::NEG_INFINITY));
    assert_eq!(readings[60].momentary_lufs, Some(f64::NEG_INFINITY));
    assert_eq!(readings[85].short_term_lufs.map(|l| l < -700.0), Some(true));
}

/// Signals on which arithmetic paths could part: noise, +-1, steady tones, bursts, silence, extremes.
fn hard_signals(rate: u32, channels: usize) -> Vec<(&'static str, Vec<f32>)> {
    let frames = rate as usize * 2;
    let mut seed = 12_345u32;
    let mut random = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 8) as f32 / (1u32 << 23) as f32 - 1.0
    };
    let mut fill =
        |f: &mut dyn FnMut(usize, f32) -> f32| (0..frames * channels).map(|i| f(i / channels, random())).collect();
    let sine = move |n: usize, part: f64, phase: f64| (TAU * n as f64 * part + phase).sin() as f32;
    let mut low = 0.0;
    vec![
        ("white noise", fill(&mut |_, r| r)),
        ("noise of +-1", fill(&mut |_, r| r.signum())),
        ("a quarter of the rate", fill(&mut |n, _| sine(n, 0.25, std::f64::consts::FRAC_PI_4))),
        ("a quarter of the rate, near", fill(&mut |n, _| sine(n, 0.2501, 0.1))),
        ("a sixth of the rate", fill(&mut |n, _| 0.5 * sine(n, 1.0 / 6.0, 1.047))),
        ("997 Hz", fill(&mut |n, _| sine(n, 997.0 / f64::from(rate), 0.0))),
        (
            "low noise with clicks",
            fill(&mut |n, r| {
                low += 0.01 * (r - low);
                if n % 7_001 == 3 { r } else { low }
            }),
        ),
        ("bursts and silence", fill(&mut |n, r| if n / 3_000 % 3 == 0 { r * 0.3 } else { 0.0 })),
        ("clipped", fill(&mut |n, _| (1.5 * sine(n, 0.003, 0.0)).clamp(-1.0, 1.0))),
        ("a constant with dust", fill(&mut |_, r| 0.25 + r * 1e-7)),
        ("very large", fill(&mut |_, r| r * f32::MAX)),
        ("very small", fill(&mut |_, r| r * 1e-39)),
    ]
}

fn hops(rate: u32, channels: usize, samples: &[f32], mut each: impl FnMut(&mixwarden::feed::Hop<'_>)) {
    let rate = SampleRate::new(rate).expect("a rate of the list");
    let patch = FeedPatch::new("stream", Role::Stream, &(0..channels as u16).collect::<Vec<_>>());
    let mut cutter = Cutter::new(rate, channels, &[patch]).expect("channels exist");
    cutter.block(Block { samples }, &mut |_, hop| each(&hop));
}

/// AVX2, SSE2 and plain arrays: the same bits.
#[test]
fn every_instruction_set_gives_the_same_bits() {
    for rate in RATES_HZ {
        for channels in [1, 2, 6] {
            for (name, samples) in hard_signals(rate, channels) {
                let patch = FeedPatch::new("stream", Role::Stream, &(0..channels as u16).collect::<Vec<_>>());
                let mut meters: Vec<Meter> = Isa::all()
                    .into_iter()
                    .map(|isa| Meter::on(isa, SampleRate::new(rate).expect("listed"), &patch))
                    .collect();
                hops(rate, channels, &samples, |hop| {
                    let mut readings = meters.iter_mut().map(|m| format!("{:?}", m.hop(hop)));
                    let first = readings.next().expect("at least the plain one");
                    assert!(readings.all(|r| r == first), "{name}, {rate} Hz, {channels} channels: {first}");
                });
            }
        }
    }
}

/// What the true peak skips could not have been the largest: every tick's figure is that of all points computed.
#[test]
fn skipping_changes_no_bit() {
    struct Take<'a>(&'a mut TruePeak, &'a Interpolator, f32);
    impl Kernel for Take<'_> {
        type Output = ();
        #[inline(always)]
        fn run<S: Simd>(self) {
            self.0.take::<S>(self.1, self.2);
        }
    }
    struct Close<'a>(&'a mut TruePeak, &'a Interpolator, f32);
    impl Kernel for Close<'_> {
        type Output = f32;
        #[inline(always)]
        fn run<S: Simd>(self) -> f32 {
            self.0.close::<S>(self.1, self.2)
        }
    }
    let interpolator = Interpolator::new();
    let (mut ticks, mut between) = (0, 0);
    for rate in [44_100, 48_000, 96_000] {
        for (name, samples) in hard_signals(rate, 1) {
            for isa in Isa::all() {
                let mut peak = TruePeak::new(rate as usize / 100);
                let (mut hops_taken, mut sample_peak) = (0, 0.0f32);
                hops(rate, 1, &samples, |hop| {
                    peak.next_hop().copy_from_slice(hop.samples);
                    let of_hop = hop.samples.iter().fold(0.0f32, |p, x| p.max(x.abs()));
                    isa.run(Take(&mut peak, &interpolator, of_hop));
                    sample_peak = sample_peak.max(of_hop);
                    hops_taken += 1;
                    // Ticks of ten hops, and shorter ones as when some never came.
                    if hops_taken % 27 == 7 || hops_taken % 10 == 0 {
                        for top in [0.0, sample_peak] {
                            let skipped = isa.run(Close(&mut peak.clone(), &interpolator, top));
                            let all = peak.clone().close_with_every_point(&interpolator, top);
                            let at = format!("{name} at {rate} Hz on {}, hop {hops_taken}", isa.name());
                            assert_eq!(skipped.to_bits(), all.to_bits(), "{at}: {skipped}, {all}");
                            between += usize::from(top > 0.0 && all > top);
                        }
                        isa.run(Close(&mut peak, &interpolator, 0.0));
                        sample_peak = 0.0;
                        ticks += 1;
                    }
                });
            }
        }
    }
    assert!(between > ticks / 4, "the signals must have peaks between their samples: {between} of {ticks}");
}
