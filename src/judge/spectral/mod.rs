//! Faults that are told by their spectrum: test tones, feedback, steady noise.

pub mod howl;
pub mod steady_noise;
pub mod tone_left_on;
