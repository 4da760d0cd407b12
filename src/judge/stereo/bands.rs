//! How the sides relate band by band: what a turned side is told by in wide sound.

use crate::measure::spectrum::{BANDS, Spectrum};

/// Of each band its power, and what of it the sides have in common.
pub(super) type Bands = [[f32; 2]; BANDS];

/// Bands so far under the strongest say nothing (power).
pub(super) const LEAST_POWER: f32 = 1e-3;
/// Bands that must say something.
pub(super) const FEWEST_BANDS: usize = 8;
/// Likeness of two sets of bands under which one is the other turned over.
pub(super) const MIRRORED: f32 = -0.8;

/// The bands of a tick.
pub(super) fn bands(of: &Spectrum) -> Bands {
    std::array::from_fn(|b| {
        let power = of.band_power(b);
        [power, power * of.alike[b]]
    })
}

/// How alike the relations of the sides are by band: 1 the same, -1 all turned over.
pub(super) fn likeness(a: &Bands, b: &Bands, heard: &[usize]) -> f32 {
    let alike = |bands: &Bands, band: usize| bands[band][1] / bands[band][0].max(1e-20);
    let product = |a: &Bands, b: &Bands| heard.iter().map(|band| alike(a, *band) * alike(b, *band)).sum::<f32>();
    product(a, b) / (product(a, a) * product(b, b)).sqrt().max(1e-6)
}
