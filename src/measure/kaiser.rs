//! The Kaiser window (Kaiser 1974; from memory).

/// Value at `x` (middle 0, ends -1 and 1, 0 beyond) for this shape; 1 in the middle.
pub fn kaiser(x: f64, beta: f64) -> f64 {
    if x.abs() >= 1.0 { 0.0 } else { bessel_i0(beta * (1.0 - x * x).sqrt()) / bessel_i0(beta) }
}

/// Modified Bessel function of the first kind, order 0 (series; enough terms for arguments under 12).
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / (2.0 * k as f64)).powi(2);
        sum += term;
    }
    sum
}
