//! The offset between two recordings of the same event that did not begin together, by how loudness comes and goes.
//!
//! Coarse by design (10 ms): it brings two recordings close enough for the search by phases.

use crate::units::HOPS_A_SECOND;

/// Farthest offset that is tried, seconds, either way.
pub const FARTHEST_SECONDS: f64 = 60.0;
/// Hops that overlap at least, to say anything: 10 s.
const LEAST_HOPS: usize = 10 * HOPS_A_SECOND as usize;
/// Correlation from which an offset counts.
const ENOUGH: f64 = 0.3;

/// How loudness moves: level of each hop in dB, less its surroundings of a second.
fn movement(powers: &[f32]) -> Vec<f32> {
    let levels: Vec<f32> = powers.iter().map(|p| 10.0 * p.max(1e-7).log10()).collect();
    let half = HOPS_A_SECOND as usize / 2;
    let mut sums = vec![0.0f64];
    for level in &levels {
        sums.push(sums[sums.len() - 1] + f64::from(*level));
    }
    (0..levels.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(levels.len()));
            levels[i] - ((sums[to] - sums[from]) / (to - from) as f64) as f32
        })
        .collect()
}

/// Seconds that the house began after the stream, from the mean square of each 10 ms of both; `None` when no offset
/// up to a minute either way stands out.
pub fn find(stream: &[f32], house: &[f32]) -> Option<f64> {
    let (s, h) = (movement(stream), movement(house));
    let farthest = (FARTHEST_SECONDS * HOPS_A_SECOND as f64) as i64;
    let mut best = (0, 0.0f64);
    for lag in -farthest..=farthest {
        // House hop i lies at stream hop i + lag.
        let (from, to) = (lag.max(0) as usize, (h.len() as i64 + lag).clamp(0, s.len() as i64) as usize);
        if to < from + LEAST_HOPS {
            continue;
        }
        let (a, b) = (&s[from..to], &h[(from as i64 - lag) as usize..(to as i64 - lag) as usize]);
        let product = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f32>();
        let size = (f64::from(product(a, a)) * f64::from(product(b, b))).sqrt();
        let r = if size > 1e-6 { f64::from(product(a, b)) / size } else { 0.0 };
        if r > best.1 {
            best = (lag, r);
        }
    }
    (best.1 >= ENOUGH).then(|| best.0 as f64 / HOPS_A_SECOND as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Loudness that comes and goes like phrases (xorshift steps).
    fn powers(hops: usize) -> Vec<f32> {
        let (mut x, mut level) = (7u32, 0.1f32);
        (0..hops)
            .map(|i| {
                if i % 13 == 0 {
                    x ^= x << 13;
                    x ^= x >> 17;
                    x ^= x << 5;
                    level = (x as f32 / u32::MAX as f32).powi(3);
                }
                level
            })
            .collect()
    }

    #[test]
    fn finds_an_offset_either_way_and_none_in_strange_sound() {
        let all = powers(9_000);
        assert_eq!(find(&all[..6_000], &all[2_345..8_000]), Some(23.45));
        assert_eq!(find(&all[1_234..7_000], &all[..6_000]), Some(-12.34));
        let other: Vec<f32> = powers(9_000).into_iter().rev().collect();
        assert_eq!(find(&all[..6_000], &other[..6_000]), None);
    }
}
