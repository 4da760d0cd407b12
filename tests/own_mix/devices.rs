//! Stream and house on two devices, each with its own clock, rate and dropouts, through the chain's lanes.

use crate::desk::{Stereo, clock};
use crate::turns::Service;
use mixwarden::chain::{Chain, ChainSettings, LaneSpec, Outcome};
use mixwarden::feed::{Arrival, Block, FeedPatch, Role};
use mixwarden::likeness::{Kin, Likeness};
use mixwarden::units::SampleRate;
use std::time::Duration;

/// A device: its samples in its own time, and when it delivers nothing (seconds).
struct Device {
    hz: u32,
    samples: Vec<f32>,
    channels: usize,
    silent: std::ops::Range<f64>,
    /// What is not delivered is counted as lost, or nobody knows of it.
    counts_losses: bool,
}

impl Device {
    /// `x` as a device of `hz` hears it whose clock runs `ppm` fast.
    fn new(x: &Stereo, hz: u32, ppm: f64, channels: usize) -> Self {
        let y = clock(x, 0.0, -ppm, f64::from(hz));
        let samples = (0..y.len()).flat_map(|i| y.0[..channels].iter().map(move |c| c[i])).collect();
        Self { hz, samples, channels, silent: 0.0..0.0, counts_losses: false }
    }

    /// What is told to the chain of the time from `from` to `to` seconds (of the hall's clock, `ppm` of its own).
    fn deliver(&self, lane: usize, from: f64, to: f64, ppm: f64, chain: &mut Chain, out: &mut Vec<Outcome>) {
        let frame = |t: f64| (t * f64::from(self.hz) * (1.0 + ppm * 1e-6)) as usize;
        let (a, b) = (frame(from) * self.channels, (frame(to) * self.channels).min(self.samples.len()));
        let arrival = match (self.silent.contains(&from), self.counts_losses) {
            (false, _) => Arrival::Block(Block { samples: &self.samples[a..b] }),
            (true, true) => Arrival::Lost { frames: ((b - a) / self.channels) as u64 },
            (true, false) => Arrival::Idle { waited: Duration::from_secs_f64(to - from) },
        };
        chain.step(lane, arrival, out);
    }
}

/// Runs both for `seconds`; gives every look.
fn run(stream: &Device, house: &Device, ppm: [f64; 2], seconds: f64) -> Vec<(f64, Likeness)> {
    let spec = |device: &Device, name, role| LaneSpec {
        rate: SampleRate::new(device.hz).unwrap(),
        channels: device.channels,
        feeds: vec![FeedPatch::new(name, role, &(0..device.channels as u16).collect::<Vec<_>>())],
    };
    let lanes = vec![spec(stream, "stream", Role::Stream), spec(house, "house", Role::House)];
    let mut chain = Chain::new(ChainSettings::default(), lanes).unwrap();
    let (mut out, mut looks) = (Vec::new(), Vec::new());
    for step in 0..(seconds * 20.0) as usize {
        let (from, to) = (step as f64 / 20.0, (step + 1) as f64 / 20.0);
        stream.deliver(0, from, to, ppm[0], &mut chain, &mut out);
        house.deliver(1, from, to, ppm[1], &mut chain, &mut out);
        for outcome in out.drain(..) {
            if let Outcome::Likeness(l) = outcome {
                looks.push((to, *l));
            }
        }
    }
    looks
}

#[test]
fn two_devices_with_clocks_and_rates_of_their_own_one_mono_through_dropouts_of_either() {
    const SECONDS: f64 = 230.0;
    let service = Service::new(51, SECONDS + 5.0);
    let (house, own) = (service.house(), service.own());
    for (name, sound, right) in [("copy", &house, Kin::Copy), ("own", &own, Kin::Own)] {
        for counts_losses in [true, false] {
            let mut stream = Device::new(sound, 48_000, 100.0, 2);
            let mut room = Device::new(&house, 44_100, -100.0, 1);
            (stream.silent, room.silent) = (130.0..133.0, 170.0..172.5);
            (stream.counts_losses, room.counts_losses) = (counts_losses, counts_losses);
            let looks = run(&stream, &room, [100.0, -100.0], SECONDS);
            let told: Vec<(f64, Kin)> = looks.iter().map(|(t, l)| (*t, l.kin)).collect();
            let wrong = told.iter().find(|t| t.1 != Kin::Unsure && t.1 != right);
            assert_eq!(wrong, None, "{name}, losses counted {counts_losses}: {told:?}");
            let first = told.iter().find(|t| t.1 == right).map_or(f64::INFINITY, |t| t.0);
            println!("{name}, losses counted {counts_losses}: told after {first} s");
            assert!(first < 130.0, "{name}: {told:?}");
            let (_, last) = looks.last().unwrap();
            assert_eq!(last.kin, right, "{name}: kept through the dropouts: {told:?}");
            let ppm = last.clock_ppm.unwrap();
            assert!((ppm.abs() - 200.0).abs() < 1.0, "{name}: clocks are 200 ppm apart, found {ppm}");
            // Each dropout is followed: within 15 s of its end the delay is known again.
            for end in [133.0, 172.5] {
                let known = looks.iter().find(|(t, l)| *t > end && l.delay_ms.is_some()).map(|(t, _)| *t);
                assert!(known.is_some_and(|t| t < end + 25.0), "{name}: after {end} s the delay is known at {known:?}");
            }
        }
    }
}
