use mixwarden::{
    chain::*,
    feed::*,
    source::{
        file::Pace,
        rehearsal::{Rehearsal, script::Script},
        *,
    },
    units::SampleRate,
};
fn main() {
    let seed: u64 = std::env::args().nth(1).and_then(|s| s.parse().ok()).unwrap_or(1);
    let clean = std::env::args().nth(2).is_some();
    let script =
        if clean { Script::clean(std::env::args().nth(2).unwrap().parse().unwrap()) } else { Script::gathering() };
    let acts = script.acts.clone();
    let mut r = Rehearsal::new(script, SampleRate::HZ_48000, seed, Pace::FlatOut);
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
    let mut chain =
        Chain::new(ChainSettings::default(), vec![LaneSpec { rate: SampleRate::HZ_48000, channels: 4, feeds }])
            .unwrap();
    let mut out = Vec::new();
    let mut sums: Vec<[(f64, f64, f64); 2]> = vec![[(0.0, 0.0, 0.0); 2]; acts.len()];
    let total: f64 = acts.iter().map(|a| a.1).sum();
    loop {
        match r.poll(&mut |a| chain.step(0, a, &mut out)) {
            Polled::Ended => break,
            _ => {}
        }
        for o in out.drain(..) {
            match o {
                Outcome::Reading { feed, reading } => {
                    let mut t = (reading.at.seconds() - 0.05) % total;
                    let mut i = 0;
                    while t >= acts[i].1 {
                        t -= acts[i].1;
                        i += 1;
                    }
                    let s = &mut sums[i][feed];
                    if let Some(l) = reading.tick_lufs {
                        s.0 += 10f64.powf(l / 10.0);
                        s.1 += 1.0;
                    }
                    s.2 = s.2.max(reading.channel[0].true_peak);
                }
                Outcome::Alert { change, alert } => println!(
                    "{:8.1} feed {} {:?} {} {:?} {}",
                    if let Some(c) = alert.cleared { c.0.seconds() } else { alert.raised.seconds() },
                    alert.feed,
                    change,
                    alert.condition,
                    alert.evidence.severity,
                    alert.evidence.sentence()
                ),
                o => println!("{o:?}"),
            }
        }
    }
    for (a, s) in acts.iter().zip(&sums) {
        println!(
            "{:?} {:.0}s stream {:.1} LUFS tp {:.1} | house {:.1}",
            a.0,
            a.1,
            10.0 * (s[0].0 / s[0].1).log10(),
            20.0 * s[0].2.log10(),
            10.0 * (s[1].0 / s[1].1).log10()
        );
    }
}
