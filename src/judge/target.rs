//! Loudness targets, by profile, each with its source.

/// A target that a site can pick by name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Profile {
    /// Name in the settings.
    pub name: &'static str,
    /// Target loudness, LUFS.
    pub target_lufs: f64,
    /// Largest true peak, dBTP.
    pub true_peak_dbtp: f64,
    /// Distance from the target that a delivery may have, LU.
    pub tolerance_lu: f64,
    /// Where the figures come from.
    pub source: &'static str,
}

/// The profiles.
pub const PROFILES: &[Profile] = &[
    Profile {
        name: "speech_stream",
        target_lufs: -18.0,
        true_peak_dbtp: -1.0,
        tolerance_lu: 1.0,
        source: "AES TD1008 (2021): assorted content with speech, -18 LUFS, +1 LU, -1 dBTP",
    },
    Profile {
        name: "music_stream",
        target_lufs: -16.0,
        true_peak_dbtp: -1.0,
        tolerance_lu: 1.0,
        source: "AES TD1008 (2021): music, -16 LUFS, -1 dBTP; tolerance common practice",
    },
    Profile {
        name: "broadcast_ebu",
        target_lufs: -23.0,
        true_peak_dbtp: -1.0,
        tolerance_lu: 1.0,
        source: "EBU R 128 v5.0 (2023): -23 LUFS, +-1 LU live, -1 dBTP",
    },
    Profile {
        name: "broadcast_atsc",
        target_lufs: -24.0,
        true_peak_dbtp: -2.0,
        tolerance_lu: 2.0,
        source: "ATSC A/85: -24 LKFS, +-2 dB, -2 dBTP",
    },
];

/// The target in force.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Profile that it came from.
    pub profile: String,
    /// Target loudness, LUFS (-40 to -5).
    pub lufs: f64,
    /// Largest true peak, dBTP (-10 to 0).
    pub true_peak_dbtp: f64,
}

impl Default for Target {
    fn default() -> Self {
        Self::from(&PROFILES[0])
    }
}

impl From<&Profile> for Target {
    fn from(p: &Profile) -> Self {
        Self { profile: p.name.into(), lufs: p.target_lufs, true_peak_dbtp: p.true_peak_dbtp }
    }
}
