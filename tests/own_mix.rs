//! Own mix or copy: two dozen scenes made by plain formulas with the verdict that is right for each, the bench in
//! short, devices with clocks of their own, and feeds at fault.
#![allow(clippy::unwrap_used)]

#[path = "own_mix/brief.rs"]
mod brief;
#[path = "../benches/own_mix/cases.rs"]
mod cases;
#[path = "../benches/own_mix/desk.rs"]
mod desk;
#[path = "own_mix/devices.rs"]
mod devices;
#[path = "own_mix/faults.rs"]
mod faults;
#[path = "own_mix/offline.rs"]
mod offline;
#[path = "../benches/own_mix/play.rs"]
#[allow(dead_code)] // figures are printed by the bench
mod play;
#[path = "own_mix/recipes.rs"]
mod recipes;
#[path = "../benches/own_mix/sources.rs"]
mod sources;
#[path = "../benches/own_mix/table.rs"]
#[allow(dead_code)] // the table is the bench's
mod table;
#[path = "own_mix/turns.rs"]
mod turns;

use mixwarden::likeness::{Comparer, Detail, Kin, Likeness};
use mixwarden::units::SampleRate;
use recipes::{Mix, Scenes};

/// Plays both, hop by hop; gives every verdict that stood on the way, and the last likeness.
fn compare(stream: &Mix, house: &Mix) -> (Vec<Kin>, Likeness, String) {
    let rate = SampleRate::HZ_48000;
    let mut comparer = Comparer::new((rate, 2), (rate, 2));
    let (mut s, mut h) = (vec![0.0f32; 960], vec![0.0f32; 960]);
    let mut stood = vec![Kin::Unsure];
    for hop in 0..stream.left.len() / 480 {
        for i in 0..480 {
            let at = hop * 480 + i;
            (s[2 * i], s[2 * i + 1]) = (stream.left[at], stream.right[at]);
            (h[2 * i], h[2 * i + 1]) = (house.left[at], house.right[at]);
        }
        if comparer.hop(Some(&s), Some(&h)) && stood.last() != Some(&comparer.likeness().kin) {
            stood.push(comparer.likeness().kin);
        }
    }
    let figures = format!("{:?} {:?}", comparer.balance, comparer.heard);
    (stood, comparer.likeness().clone(), figures)
}

#[test]
fn every_recipe_gets_a_right_verdict_and_never_a_wrong_one_on_the_way() {
    let scenes = Scenes::new(128);
    let mut wrong = Vec::new();
    let only = std::env::var("OWN_MIX_ONLY").unwrap_or_default();
    for name in recipes::NAMES.into_iter().filter(|n| n.contains(&only)) {
        let (stream, house, right) = scenes.recipe(name);
        let (stood, last, figures) = compare(&stream, &house);
        let as_said = match (last.kin, last.detail) {
            (Kin::Unsure, Detail::StreamSilent | Detail::HouseSilent) => "silent",
            (Kin::Unsure, _) => "wait",
            (kin, _) => kin.name(),
        };
        let allowed: Vec<&str> = right.split('|').collect();
        let on_the_way = stood.iter().all(|k| *k == Kin::Unsure || allowed.contains(&k.name()));
        println!(
            "{name}: {as_said} {:?} {:?} delay {:?} ms level {:?} dB",
            last.detail, last.missing, last.delay_ms, last.level_db
        );
        if !allowed.contains(&as_said) || !on_the_way {
            wrong.push(format!("{name}: {as_said}, right is {right}; on the way {stood:?}; {figures}"));
        }
        if as_said == "wait" || as_said == "silent" {
            assert!(last.missing.is_some(), "{name}: does not say what is missing");
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
