//! Faults that are told by their spectrum: test tones, feedback, steady noise, hum.

pub mod howl;
pub mod hum;
pub mod steady_noise;
pub mod tone_left_on;
