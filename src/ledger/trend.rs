//! The services of the last weeks beside each other: what has crept in.

use super::notice::LocalTime;
use serde_json::{Value, json};

/// One service, for the trend.
#[derive(Debug, Clone, PartialEq)]
pub struct TrendPoint {
    /// Number of the service.
    pub service: i64,
    /// When it began, ms since 1970.
    pub began_ms: i64,
    /// Integrated loudness of the stream, LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness range of the stream, LU.
    pub range_lu: Option<f64>,
    /// Loudest moment of the stream's quietest second, LUFS: its noise floor, as far as the log knows.
    pub quietest_lufs: Option<f64>,
    /// Warnings.
    pub warnings: u64,
    /// Mean time from a warning to the button, seconds; `None` when nobody pressed it.
    pub seconds_to_acknowledge: Option<f64>,
}

/// Services on either side of a comparison.
const SIDE: usize = 3;
/// A noise floor that rose by this is told, dB (as the condition `noise_floor`).
const FLOOR_DB: f64 = 6.0;
/// A level that drifted by this is told, LU (own choice: three times what is just noticed).
const LEVEL_LU: f64 = 3.0;

fn mean(points: &[TrendPoint], get: impl Fn(&TrendPoint) -> Option<f64>) -> Option<f64> {
    let all: Vec<f64> = points.iter().filter_map(get).filter(|x| x.is_finite()).collect();
    (all.len() == points.len()).then(|| all.iter().sum::<f64>() / all.len() as f64)
}

/// What has drifted over `points` (oldest first), whole sentences; nothing when there are too few or all is steady.
pub fn drifts(points: &[TrendPoint]) -> Vec<String> {
    if points.len() < 2 * SIDE {
        return Vec::new();
    }
    let (first, last) = (&points[..SIDE], &points[points.len() - SIDE..]);
    let change = |get: fn(&TrendPoint) -> Option<f64>| Some(mean(last, get)? - mean(first, get)?);
    let over = format!("over {} services", points.len());
    let mut said = Vec::new();
    if let Some(d) = change(|p| p.quietest_lufs).filter(|d| *d >= FLOOR_DB) {
        said.push(format!(
            "The noise in the quietest moments rose by {d:.0} dB {over}: a cable or a preamp may be failing."
        ));
    }
    if let Some(d) = change(|p| p.integrated_lufs).filter(|d| d.abs() >= LEVEL_LU) {
        let way = if d > 0.0 { "louder" } else { "quieter" };
        said.push(format!("The stream became {:.0} LU {way} {over}: somebody moves its master.", d.abs()));
    }
    if let Some(d) = change(|p| Some(p.warnings as f64)).filter(|d| *d >= 2.0) {
        said.push(format!("There are {d:.0} more warnings a service than {} services ago.", points.len()));
    }
    said
}

/// The trend as JSON, version 1.
pub fn json(points: &[TrendPoint], local: LocalTime<'_>) -> Value {
    let finite = |x: Option<f64>| x.filter(|x| x.is_finite());
    json!({
        "version": 1,
        "drifts": drifts(points),
        "services": points.iter().map(|p| json!({
            "service": p.service, "began": local(p.began_ms), "integrated_lufs": finite(p.integrated_lufs),
            "loudness_range_lu": finite(p.range_lu), "quietest_lufs": finite(p.quietest_lufs), "warnings": p.warnings,
            "seconds_to_acknowledge": p.seconds_to_acknowledge,
        })).collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_floor_that_creeps_up_is_said_and_a_steady_one_is_not() {
        let point = |i: i64, floor: f64| TrendPoint {
            service: i,
            began_ms: i * 604_800_000,
            integrated_lufs: Some(-18.2),
            range_lu: Some(9.0),
            quietest_lufs: Some(floor),
            warnings: 1,
            seconds_to_acknowledge: None,
        };
        let creeping: Vec<TrendPoint> = (0..8).map(|i| point(i, -72.0 + 1.5 * i as f64)).collect();
        let said = drifts(&creeping);
        assert_eq!(
            said,
            ["The noise in the quietest moments rose by 8 dB over 8 services: a cable or a preamp may be failing."]
        );
        let steady: Vec<TrendPoint> = (0..8).map(|i| point(i, -72.0 + (i % 3) as f64)).collect();
        assert!(drifts(&steady).is_empty());
        assert!(drifts(&creeping[..5]).is_empty(), "five services are too few");
    }
}
