//! The table: what was told in each row, how soon, and how often nothing could be told.

use crate::play::Outcome;
use mixwarden::likeness::Kin;
use std::collections::BTreeMap;

fn percentile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share).round() as usize]
}

/// A verdict that was told and was false at its time.
pub fn is_wrong(outcome: &Outcome, at: f64, kin: Kin) -> bool {
    if outcome.row == "re-patch own to copy" {
        // Before the change it is an own mix; after it only a verdict that is told anew counts.
        return kin == Kin::Unrelated
            || kin == Kin::Copy && at < outcome.from
            || kin == Kin::Own && at > outcome.from + 180.0;
    }
    kin != Kin::Unsure && kin != outcome.want
}

pub fn print(results: &[Outcome]) {
    let mut rows: BTreeMap<&str, Vec<&Outcome>> = BTreeMap::new();
    results.iter().for_each(|r| rows.entry(r.row).or_default().push(r));
    println!(
        "\n{:<24} {:>4} {:>9} {:>9} {:>11} {:>6} {:>14}",
        "row", "n", "right", "in time", "cannot tell", "wrong", "p50 / p90 s"
    );
    let mut wrong = Vec::new();
    let (mut copy_called_own, mut copies, mut own_called_copy, mut owns) = (0, 0, 0, 0);
    for (row, outcomes) in &rows {
        let n = outcomes.len();
        let last = |o: &Outcome| o.told.last().map_or(Kin::Unsure, |t| t.1);
        let right = outcomes.iter().filter(|o| last(o) == o.want).count();
        let unsure = outcomes.iter().filter(|o| last(o) == Kin::Unsure).count();
        let when = |o: &Outcome| o.told.iter().find(|t| t.1 == o.want && t.0 >= o.from).map(|t| t.0 - o.from.max(0.0));
        let mut times: Vec<f64> = outcomes.iter().filter_map(|o| when(o)).collect();
        let in_time = outcomes.iter().filter(|o| when(o).is_some_and(|t| t <= o.within)).count();
        let mut bad = 0;
        for o in outcomes {
            let false_ones: Vec<_> = o.told.iter().filter(|t| is_wrong(o, t.0, t.1)).collect();
            bad += usize::from(!false_ones.is_empty());
            if !false_ones.is_empty() {
                wrong.push(format!("{} [{}]: {:?}", o.name, o.row, o.told));
            }
            if row.starts_with("copy") || row.ends_with("copy") && !row.starts_with("re-patch") {
                copies += 1;
                copy_called_own += usize::from(o.told.iter().any(|t| t.1 == Kin::Own));
            } else if row.starts_with("own") || *row == "panel, own" {
                owns += 1;
                own_called_copy += usize::from(o.told.iter().any(|t| t.1 == Kin::Copy));
            }
        }
        let share = |k: usize| format!("{k} {:>3.0} %", 100.0 * k as f64 / n as f64);
        println!(
            "{row:<24} {n:>4} {:>9} {:>9} {:>11} {bad:>6} {:>6.0} / {:.0}",
            share(right),
            share(in_time),
            share(unsure),
            percentile(&mut times, 0.5),
            percentile(&mut times, 0.9)
        );
    }
    println!(
        "{} cases; copy called own: {copy_called_own} of {copies}; own called copy: {own_called_copy} of {owns}",
        results.len()
    );
    let mut errors: [Vec<f64>; 3] = Default::default();
    for e in results.iter().filter_map(|r| r.errors) {
        (0..3).for_each(|k| errors[k].push(e[k].abs()));
    }
    println!(
        "plain copies, {} of them: error p95 of delay {:.4} ms, clock {:.3} ppm, level {:.4} dB",
        errors[0].len(),
        percentile(&mut errors[0], 0.95),
        percentile(&mut errors[1], 0.95),
        percentile(&mut errors[2], 0.95)
    );
    wrong.iter().for_each(|w| println!("wrong: {w}"));
}
