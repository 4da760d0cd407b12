//! What the conditions cost on top of the meter: CPU seconds per hour of 48 kHz stereo, in one run.

use super::pool::Half;
use super::service::{self, SORTS};
use mixwarden::chain::{Chain, ChainSettings, LaneSpec, Outcome};
use mixwarden::feed::{Arrival, Block, Cutter, FeedPatch, Role};
use mixwarden::measure::{Meter, Texture};
use mixwarden::units::SampleRate;
use std::hint::black_box;

const SECONDS: f64 = 120.0;
const ROUNDS: usize = 5;

/// CPU seconds of this thread.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux with schedstat");
    text.split(' ').next().and_then(|n| n.parse::<f64>().ok()).expect("nanoseconds come first") / 1e9
}

fn timed(samples: &[f32], mut block: impl FnMut(&[f32])) -> f64 {
    let before = cpu_seconds();
    samples.chunks(960).for_each(&mut block);
    (cpu_seconds() - before) * 3_600.0 / SECONDS
}

pub fn print() {
    // No clips: rooms, coughs, applause; and a made-up band under them.
    let hall = service::make(&SORTS[2], Half::Tuned, 3, SECONDS, &[]);
    let mut samples: Vec<f32> = hall.stream.as_flattened().to_vec();
    for (i, x) in samples.iter_mut().enumerate() {
        let t = (i / 2) as f64 / 48_000.0;
        let beat = (-((t * 2.0).fract()) * 6.0).exp();
        let tone = |hz: f64| (std::f64::consts::TAU * hz * t).sin();
        *x += (0.2 * beat * (tone(110.0) + 0.6 * tone(277.0) + 0.4 * tone(1_318.0 + (i % 2) as f64))) as f32;
    }
    let rate = SampleRate::HZ_48000;
    let patch = FeedPatch::new("stream", Role::Stream, &[0, 1]);
    let cutter = || Cutter::new(rate, 2, std::slice::from_ref(&patch)).expect("two channels");
    let mut figures = [const { Vec::new() }; 3];
    for _ in 0..ROUNDS {
        let (mut cut, mut meter) = (cutter(), Meter::new(rate, &patch));
        figures[0].push(timed(&samples, |b| {
            cut.block(Block { samples: b }, &mut |_, hop| {
                black_box(meter.hop(&hop));
            });
        }));
        let (mut cut, mut texture, mut hops) = (cutter(), Texture::new(rate, 2), 0u32);
        figures[1].push(timed(&samples, |b| {
            cut.block(Block { samples: b }, &mut |_, hop| {
                texture.hop(&hop);
                hops += 1;
                if hops % 10 == 0 {
                    black_box(texture.close());
                }
            });
        }));
        let lane = LaneSpec { rate, channels: 2, feeds: vec![patch.clone()] };
        let mut chain = Chain::new(ChainSettings::default(), vec![lane]).expect("two channels");
        let mut out: Vec<Outcome> = Vec::new();
        figures[2].push(timed(&samples, |b| {
            chain.step(0, Arrival::Block(Block { samples: b }), &mut out);
            out.clear();
        }));
    }
    let [meter, texture, chain] = figures.map(|mut f| {
        f.sort_by(f64::total_cmp);
        f[f.len() / 2]
    });
    let row = |name: &str, x: f64| {
        println!("{name:<48} {x:>7.2} CPU s/h  {:>6.4} % of a core  {:>5.2} x the meter", x / 36.0, x / meter)
    };
    row("cutter and meter", meter);
    row("cutter and fine structure", texture);
    row("whole chain (meter, all features, conditions)", chain);
    row("conditions and their features on top of the meter", chain - meter);
}
