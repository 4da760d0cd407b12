//! Faults that come together or again, at other rates, and all at once.

use super::broken::{cut_off, holes, impulses, repeated};
use super::stage::*;
use super::{band, quiet, talk};
use mixwarden::source::rehearsal::script::Act;

/// What is told of a fault at each of the three rates, 100 ms apart at most.
#[track_caller]
fn alike(base: &Audio, fault: impl Fn(Audio) -> Audio, condition: &str) {
    let told: Vec<Vec<(&str, f64)>> = [48_000, 44_100, 96_000]
        .iter()
        .map(|hz| {
            let audio = fault(base.at_rate(*hz));
            Listening::to(&audio).hear().shown().iter().map(|t| (t.condition, t.raised)).collect()
        })
        .collect();
    assert!(told[0].iter().any(|t| t.0 == condition), "{condition}: {told:?}");
    for other in &told[1..] {
        let same = other.len() == told[0].len()
            && other.iter().zip(&told[0]).all(|(a, b)| a.0 == b.0 && (a.1 - b.1).abs() < 0.101);
        assert!(same, "{condition}: {told:?}");
    }
}

#[test]
fn the_same_at_other_sample_rates() {
    let base = acts(&[(Act::Talk, 60.0)], 48_000, 5).stream();
    alike(&base, |a| a.change(20.0, 26.0, |_, _| [0.0; 2]), "digital_silence");
    alike(&base, |a| a.change(20.0, 40.0, |_, [l, _]| [l, 0.0]), "channel_dead");
    alike(&base, |a| a.change(20.0, 40.0, |_, [l, r]| [l, -r]), "polarity");
    alike(&base, |a| a.change(10.0, 59.0, |_, [l, r]| [l, 0.3 * r]), "imbalance");
    alike(&base, |a| a.change(20.0, 30.0, |_, x| x.map(|s| (4.0 * s).clamp(-1.0, 1.0))), "clipping");
    alike(&base, |a| holes(a, 10.0, 40.0, 4.0, 0.005, None), "gaps");
    alike(&base, |a| holes(a, 10.0, 40.0, 4.0, 0.02, Some(-80.0)), "gaps");
    alike(
        &base,
        |a| {
            let frames = a.hz as usize / 150;
            repeated(a, 10.0, 40.0, 4.0, frames)
        },
        "repeats",
    );
    alike(&base, |a| a.change(20.0, 40.0, |t, _| [0.12 * sine(1_000.0, t); 2]), "tone_left_on");
    alike(
        &base,
        |a| cut_off(a.change(0.0, 60.0, |_, x| x.map(|s| 0.6 * s)), 5.0, 60.0, 10.0, 20.0),
        "clipping_upstream",
    );
}

#[test]
fn one_cause_is_told_once() {
    let service = acts(&[(Act::Talk, 60.0), (Act::Hymn, 60.0), (Act::Talk, 40.0)], 48_000, 8);
    let with = |f: &mut dyn FnMut(f64, [f64; 2]) -> [f64; 2], from: f64, to: f64| {
        let heard = Listening::to(&Audio::clone(&service).change(from, to, f)).hear();
        let told: Vec<&str> = heard.shown().iter().map(|t| t.condition).collect();
        (told, heard.most_at_once)
    };
    // Each of these makes several conditions hold at once.
    let mut noise = Noise(3);
    assert_eq!(with(&mut |_, _| [0.0; 2], 70.0, 110.0), (vec!["silent_while_house_plays"], 1));
    assert_eq!(with(&mut |_, _| [3e-5 * noise.next(); 2], 70.0, 110.0), (vec!["silent_while_house_plays"], 1));
    assert_eq!(with(&mut |_, [l, _]| [l, 0.0], 20.0, 110.0), (vec!["channel_dead"], 1));
    assert_eq!(with(&mut |_, [l, r]| [l, -r], 20.0, 110.0), (vec!["polarity"], 1));
    assert_eq!(with(&mut |_, x| x.map(|s| (8.0 * s).clamp(-1.0, 1.0)), 20.0, 110.0), (vec!["clipping"], 1));
    assert_eq!(with(&mut |t, _| [0.12 * sine(1_000.0, t); 2], 20.0, 110.0), (vec!["tone_left_on"], 1));
    // The tone comes in bursts, as the identification of stereo lines does; holes are part of it.
    let bursts = &mut |t: f64, _| if t % 3.0 < 0.25 { [0.0; 2] } else { [0.12 * sine(1_000.0, t); 2] };
    let (told, most) = with(bursts, 20.0, 110.0);
    assert!(told.iter().all(|c| *c == "tone_left_on") && most <= 1, "{told:?}");
    let heard = Listening::to(&holes(talk(60.0, 2), 10.0, 50.0, 2.0, 0.01, None)).hear();
    assert_eq!(heard.shown().iter().map(|t| t.condition).collect::<Vec<_>>(), ["gaps"]);
    let heard = Listening::to(&repeated(band(60.0, 2), 10.0, 50.0, 2.0, 512)).hear();
    assert_eq!(heard.shown().iter().map(|t| t.condition).collect::<Vec<_>>(), ["repeats"]);
}

#[test]
fn what_comes_and_goes_does_not_flap() {
    // A loose plug: the right side goes for 6 s in every 20 s, for four minutes.
    let loose = talk(300.0, 6).change(20.0, 260.0, |t, [l, r]| if t % 20.0 < 7.0 { [l, 0.0] } else { [l, r] });
    let heard = Listening::to(&loose).hear();
    let of = heard.of("channel_dead");
    assert!(of.len() <= 3, "{of:?}");
    assert!(of.last().is_some_and(|t| t.comes_and_goes), "{of:?}");
    let others: Vec<_> = heard.shown().into_iter().filter(|t| t.condition != "channel_dead").collect();
    assert!(others.is_empty(), "{others:?}");
}

#[test]
fn an_advice_that_was_told_a_moment_ago_waits() {
    // Clicks for half a minute, again for a moment, then for good.
    let times = [(10.0, 40.0), (200.0, 221.0), (300.0, 420.0)];
    let clicking = times.into_iter().fold(talk(420.0, 6), |audio, (from, to)| impulses(audio, from, to, 4.0, 0.3));
    let heard = Listening::to(&clicking).hear();
    let told: Vec<f64> = heard.of("clicks").iter().map(|t| t.raised).collect();
    assert!(matches!(told[..], [first, back] if first < 36.0 && (375.0..385.0).contains(&back)), "{told:?}");
    assert_eq!(heard.shown().len(), 2, "{:?}", heard.shown());
}

#[test]
fn a_burst_of_faults_shows_two_at_most() {
    use mixwarden::chain::{Chain, ChainSettings, LaneSpec};
    use mixwarden::feed::{Arrival, Block, FeedPatch, Role};
    use mixwarden::judge::{Severity, Target};
    use mixwarden::ledger::{board::Board, sentence::sentence};
    let rate = mixwarden::units::SampleRate::HZ_48000;
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1])];
    let mut chain = Chain::new(ChainSettings::default(), vec![LaneSpec { rate, channels: 2, feeds }]).unwrap();
    // Cut off at the converter, one side turned over and lower, holes and clicks on top.
    let worse = talk(60.0, 9).change(10.0, 60.0, |_, [l, r]| [(6.0 * l).clamp(-1.0, 1.0), (-5.0 * r).clamp(-1.0, 1.0)]);
    let worse = impulses(holes(worse, 12.0, 58.0, 2.0, 0.02, None), 12.0, 58.0, 1.7, 0.6);
    let mut board = Board::new("Larkfield Chapel", Target::default(), &chain);
    let mut standing = Vec::new();
    for block in worse.samples.chunks(9_600) {
        let mut out = Vec::new();
        chain.step(0, Arrival::Block(Block { samples: block }), &mut out);
        out.iter().for_each(|o| board.apply(o));
        standing.push(board.standing.len());
        let said = sentence(&board);
        assert!(said.alerts.len() <= 2);
        assert!(said.alerts.is_sorted_by(|a, b| a.evidence.severity >= b.evidence.severity));
        let warned = board.standing.iter().any(|a| a.evidence.severity == Severity::Warning);
        assert!(!warned || said.alerts[0].evidence.severity == Severity::Warning);
    }
    assert!(standing.iter().any(|n| *n > 2), "more than two stand: {standing:?}");
}

/// Sounds that are as they should be, however odd: nothing is shown.
#[test]
fn odd_but_right() {
    let say = |name: &str, audio: Audio| {
        let heard = Listening::to(&audio).hear();
        let shown = heard.shown();
        assert!(shown.is_empty(), "{name}: {shown:?}");
    };
    let between = |middle: Audio| talk(20.0, 1).then(&middle).then(&talk(10.0, 2));
    // A bell: partials that do not fit each other, struck every 3 s.
    say(
        "bell",
        between(Audio::made(40.0, 48_000, |t| {
            let at = t % 3.0;
            let strike = (at / 0.002).min(1.0);
            let partials =
                [(1.0, 1.0, 4.0), (2.0, 0.6, 2.0), (2.4, 0.5, 1.5), (3.0, 0.4, 1.0), (4.2, 0.3, 0.6), (5.4, 0.2, 0.4)];
            let x: f64 = partials.iter().map(|(k, a, d)| a * (-at / d).exp() * sine(k * 262.0, at)).sum();
            [0.15 * strike * x, 0.13 * strike * x]
        })),
    );
    // Organ pedals beside the frequencies of the mains.
    for hz in [49.0, 61.74] {
        say(
            "pedal",
            between(Audio::made(40.0, 48_000, move |t| {
                let swell = (1.0 + 0.02 * sine(0.31, t)) * (t / 0.1).min(1.0) * ((40.0 - t) / 0.1).min(1.0);
                let x: f64 = (1..=5).map(|k| sine(hz * f64::from(k), t) / f64::from(k * k)).sum();
                [0.2 * swell * x, 0.2 * swell * x]
            })),
        );
    }
    // An old recording: hiss under everything, no treble, one channel on both sides.
    let mut noise = Noise(21);
    let mut low = 0.0;
    say(
        "old recording",
        talk(20.0, 1)
            .then(&band(60.0, 4).change(0.0, 60.0, move |_, [l, r]| {
                low += 0.3 * (0.5 * (l + r) - low);
                [low + 0.006 * noise.next(); 2]
            }))
            .then(&talk(10.0, 2)),
    );
    // A chorus effect: each side a little late against the other, slowly changing.
    say(
        "chorus",
        between(Audio::made(40.0, 48_000, |t| {
            let note = |t: f64| -> f64 { (1..=8).map(|k| sine(220.0 * f64::from(k), t) / f64::from(k)).sum() };
            let late = 0.004 + 0.002 * sine(0.6, t);
            let beat = 0.6 + 0.4 * sine(2.0, t).abs();
            [0.1 * beat * (note(t) + note(t - late)), 0.1 * beat * (note(t) - 0.6 * note(t - late))]
        })),
    );
    // A square lead that plays a tune.
    say(
        "square lead",
        between(Audio::made(40.0, 48_000, |t| {
            let hz = [220.0, 247.0, 262.0, 294.0, 330.0, 294.0][(t / 0.4) as usize % 6];
            let at = t % 0.4;
            let loud = 0.12 * (at / 0.005).min(1.0) * ((0.4 - at) / 0.02).min(1.0);
            [loud * sine(hz, t).signum(), 0.8 * loud * sine(hz, t).signum()]
        })),
    );
}

#[test]
fn hands_clap() {
    quiet(
        &Listening::to(&acts(&[(Act::Band, 20.0), (Act::Applause, 30.0), (Act::Talk, 20.0)], 48_000, 3).stream())
            .hear(),
    );
}
