//! Own mix or copy, on synthesised services that nothing was tuned on.
mod cases;
mod desk;
mod sources;

use cases::{Way, go, line, mix, moved, session};
use desk::Stereo;
use mixwarden::likeness::Comparer;
use mixwarden::units::SampleRate;
use sources::Dice;

struct Case {
    group: &'static str,
    kind: &'static str,
    stream: Stereo,
    house: Stereo,
}

fn features(id: u64, case: &Case) {
    let rate = SampleRate::HZ_48000;
    let mut comparer = Comparer::new((rate, 2), (rate, 2));
    let n = case.stream.len().min(case.house.len());
    let (mut s, mut h) = (vec![0.0f32; 960], vec![0.0f32; 960]);
    for hop in 0..n / 480 {
        for i in 0..480 {
            for c in 0..2 {
                s[2 * i + c] = case.stream.0[c][hop * 480 + i];
                h[2 * i + c] = case.house.0[c][hop * 480 + i];
            }
        }
        if comparer.hop(Some(&s), Some(&h)) {
            let t = (hop + 1) / 100;
            let h = comparer.heard;
            if let Some(b) = &comparer.balance {
                println!(
                    "id={id} group={} kind={} t={t} V={:.3} be={:.3} st={:.3} lo={:.3} co={:.3} sl={:.3} X={:.2} Xb={:.2} slope={:.3} jit={:.3} r2={:.3} blk={:.3} rest={:.3} wob={:.4} n={} g={:.3} s={:.1} talk={:.1} mus={:.1} d={:.4} ppm={:.2} sh={:.2} rec={:.0} ts={:.3} ks={:.3} pa={} kin={} det={}",
                    case.group.replace(' ', "_"), case.kind.replace([' ', ','], "_"), b.moves_db, b.moves_beside_level_db,
                    b.moves_beside_step_db, b.local_moves_db, b.stranger_moves_db, b.slow_moves_db,
                    b.unexplained_db, b.unexplained_band_db, b.slope_db, b.jitter_db, b.level_explains, b.block_moves_db,
                    b.block_rest_db, b.wobble_db, b.blocks, b.gain_db, b.seconds, h.talk_seconds, h.music_seconds,
                    comparer.delay_ms().unwrap_or(f64::NAN), comparer.clock_ppm().unwrap_or(f64::NAN), h.shared, h.recent_seconds, b.talk_step_db, b.kind_spread_db, b.passages,
                    comparer.likeness().kin.name(), comparer.likeness().newest.detail.name()
                );
            } else {
                println!("id={id} group={} kind={} t={t} sh={:.2} rec={:.0}", case.group.replace(' ', "_"), case.kind.replace([' ', ','], "_"), h.shared, h.recent_seconds);
            }
        }
    }
}

fn cases(seed: u64, kind: usize, seconds: f64, each: &mut dyn FnMut(Case)) {
    let song = session(seed, kind, seconds);
    let mut dice = Dice::new(seed ^ 0xabcdef);
    let base: Vec<f64> = song.tracks.iter().map(|_| dice.between(-4.0, 4.0)).collect();
    let reverb_db = dice.pick(&[-100.0, -6.0, 0.0]);
    let mut house = mix(&song, &base, reverb_db, seed);
    let norm = -22.0 - house.rms_db();
    house.scale(10f64.powf(norm / 20.0));
    house.hiss(-80.0, seed);
    let k = song.kind;
    for (group, way) in [
        ("copy plain", Way::Plain), ("copy eq", Way::Equaliser), ("copy comp", Way::Compressor), ("copy both", Way::Both),
        ("copy multi", Way::Multiband), ("copy level", Way::Leveller), ("copy codec", Way::Codec), ("copy amb", Way::Ambience),
        ("copy eqmoved", Way::EqualiserMoved), ("copy ridden", Way::FaderRidden),
    ] {
        let mut x = house.clone();
        go(&mut x, way, &mut dice);
        let (stream, _) = line(x, &mut dice);
        each(Case { group, kind: k, stream, house: house.clone() });
    }
    if song.tracks.len() > 1 {
        for (group, least, most, way) in [
            ("own 3-10", 3.0, 10.0, Way::Plain), ("own 3-10", 3.0, 10.0, Way::Equaliser), ("own 3-10 dyn", 3.0, 10.0, Way::Both),
            ("own 3-10 mb", 3.0, 10.0, Way::Multiband),
            ("own 2", 1.9, 2.1, Way::Plain), ("own 2 comp", 1.9, 2.1, Way::Compressor),
        ] {
            let gains = moved(&song, &base, least, most, &mut dice);
            let mut x = mix(&song, &gains, reverb_db, seed);
            x.scale(10f64.powf(norm / 20.0));
            go(&mut x, way, &mut dice);
            let (stream, _) = line(x, &mut dice);
            each(Case { group, kind: k, stream, house: house.clone() });
        }
    }
}

fn main() {
    let args: Vec<u64> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let (first, count) = (args.first().copied().unwrap_or(1), args.get(1).copied().unwrap_or(2));
    for seed in first..first + count {
        let mut id = 0;
        cases(seed, (seed % 8) as usize, 190.0, &mut |case| {
            id += 1;
            features(seed * 100 + id, &case);
        });
    }
}
