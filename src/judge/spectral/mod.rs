//! Faults that are told by their spectrum: test tones, feedback, steady noise, hum, a noise floor that rose.

pub mod howl;
pub mod hum;
pub mod noise_floor;
pub mod steady_noise;
pub mod tone_left_on;
