//! A service of talk and songs by turns, its room mix, and mixes of its own beside it (the bench's invented sound).

use crate::cases::{Session, mix, moved, session};
use crate::desk::Stereo;
use crate::sources::Dice;

/// The tracks and the gains of the room's mix.
pub struct Service {
    session: Session,
    base: Vec<f64>,
    norm: f64,
    seed: u64,
}

impl Service {
    /// From a seed.
    pub fn new(seed: u64, seconds: f64) -> Self {
        let session = session(seed, 0, seconds);
        let mut dice = Dice::new(seed);
        let base: Vec<f64> = session.tracks.iter().map(|_| dice.between(-4.0, 4.0)).collect();
        let norm = 10f64.powf((-22.0 - mix(&session, &base, -6.0, seed).rms_db()) / 20.0);
        Self { session, base, norm, seed }
    }

    fn at(&self, gains: &[f64]) -> Stereo {
        let mut x = mix(&self.session, gains, -6.0, self.seed);
        x.scale(self.norm);
        x
    }

    /// The room's mix, at -22 dBFS.
    pub fn house(&self) -> Stereo {
        self.at(&self.base)
    }

    /// A mix of its own: sources moved by 4 to 9 dB.
    pub fn own(&self) -> Stereo {
        let mut dice = Dice::new(self.seed ^ 0x0f0f);
        self.at(&moved(&self.session, &self.base, 4.0, 9.0, &mut dice))
    }
}
