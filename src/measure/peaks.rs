//! The purest peaks of a power spectrum: lines that stand alone, as a howl, a whistle or a test tone does.

use super::spectrum::db;

/// Purest peaks that are told.
pub const PEAKS: usize = 4;
/// Peaks are looked for between these, Hz.
const PEAK_HZ: (f64, f64) = (60.0, 16_000.0);

/// What is around a peak lies between so many and eight bins away on both sides, these bins in all.
const FAR: usize = 4;
const AROUND: f32 = 10.0;
/// A peak that stands alone is over the mean of these by this factor.
const OVER: f32 = 16.0;

/// A spectral peak that stands alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency, Hz.
    pub hz: f32,
    /// Level, dBFS (a full-scale sine in every channel reads 0).
    pub level_dbfs: f32,
    /// Over the mean of its neighbourhood, dB (per bin).
    pub over_neighbours_db: f32,
    /// Over the stronger of its second and third harmonic, dB.
    pub over_harmonics_db: f32,
}

impl Peak {
    /// No peak.
    pub const NONE: Self =
        Self { hz: 0.0, level_dbfs: f32::NEG_INFINITY, over_neighbours_db: 0.0, over_harmonics_db: 0.0 };
}

/// The peaks of `p`, whose bins are `bin_hz` wide, that stand alone; the strongest of all even if it has harmonics.
pub(super) fn purest(p: &[f32], bin_hz: f64) -> [Peak; PEAKS] {
    let mut found = [Peak::NONE; PEAKS];
    let (from, to) = ((PEAK_HZ.0 / bin_hz) as usize, (PEAK_HZ.1 / bin_hz) as usize);
    let top = largest(&p[from..to]);
    // 45 dB under the strongest a peak is of no interest.
    let least = (top * 3e-5).max(1e-12);
    for start in (from..to).step_by(8) {
        let mut summits = summits(&p[start - FAR..start + 8 + FAR], least, top);
        while summits != 0 {
            let i = start + summits.trailing_zeros() as usize;
            summits &= summits - 1;
            if i >= to {
                break; // the last eight may reach over the end
            }
            let Some(peak) = peak(p, i, p[i] >= top, bin_hz) else { continue };
            if let Some(place) = found.iter().position(|f| peak.level_dbfs > f.level_dbfs) {
                found[place..].rotate_right(1);
                found[place] = peak;
            }
        }
    }
    found
}

/// Of the eight bins in the middle of `p`, those that are at least `least`, no smaller than their neighbours, and not
/// too low beside the two bins that are `FAR` away (or the strongest, `top`), as bits. Without a branch a bin, so that
/// the compiler compares them side by side.
fn summits(p: &[f32], least: f32, top: f32) -> u32 {
    let Some(p) = p.first_chunk::<{ 8 + 2 * FAR }>() else { return 0 };
    let mut bits = 0;
    for k in FAR..FAR + 8 {
        let summit = (p[k] >= least) & (p[k] > p[k - 1]) & (p[k] >= p[k + 1]);
        let alone = p[k] >= OVER / AROUND * (p[k - FAR] + p[k + FAR]);
        bits |= u32::from(summit & (alone | (p[k] >= top))) << (k - FAR);
    }
    bits
}

/// The peak at bin `i`, if it stands alone or is the `strongest`.
fn peak(p: &[f32], i: usize, strongest: bool, bin_hz: f64) -> Option<Peak> {
    let around = p[i.saturating_sub(8)..=i - FAR].iter().chain(&p[i + FAR..=i + 8]).sum::<f32>() / AROUND;
    if !strongest && p[i] < OVER * around {
        return None;
    }
    let lobe: f32 = p[i - 2..=i + 2].iter().sum();
    let three = |j: usize| p[j - 1] + p[j] + p[j + 1];
    let harmonic = |k: usize| {
        let at = i * k;
        if at + 4 >= p.len() { 0.0 } else { (at - k..=at + k).map(three).fold(0.0, f32::max) }
    };
    let over_harmonics_db = db(lobe / harmonic(2).max(harmonic(3)).max(1e-14));
    if !strongest && over_harmonics_db < 15.0 {
        return None;
    }
    let (a, b, c) = (p[i - 1].max(1e-20).ln(), p[i].ln(), p[i + 1].max(1e-20).ln());
    let bend = a - 2.0 * b + c;
    let shift = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Some(Peak {
        hz: ((i as f32 + shift) as f64 * bin_hz) as f32,
        level_dbfs: db(lobe),
        over_neighbours_db: db(p[i] / around.max(1e-14)),
        over_harmonics_db,
    })
}

fn largest(bins: &[f32]) -> f32 {
    let (eights, rest) = bins.as_chunks::<8>();
    let mut lanes = [0.0f32; 8];
    eights.iter().for_each(|eight| lanes.iter_mut().zip(eight).for_each(|(l, p)| *l = if *p > *l { *p } else { *l }));
    lanes.iter().chain(rest).fold(0.0, |t, p| t.max(*p))
}
