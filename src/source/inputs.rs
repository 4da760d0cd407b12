//! The inputs that this computer has, and how a settings file names them: `pulse:NAME`, `alsa:PCM`, `default`.

use super::live::Live;
use super::{device, pulse};

/// One input.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// Its id for the settings.
    pub id: String,
    /// Its name for people.
    pub description: String,
    /// Channels.
    pub channels: usize,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// It is what `default` means now.
    pub default: bool,
    /// It carries what the computer itself plays (a monitor), not what comes in.
    pub plays_back: bool,
}

/// All inputs, the sound server's first; and what went wrong while looking.
pub fn list() -> (Vec<Input>, Vec<String>) {
    let (mut inputs, mut problems) = (Vec::new(), Vec::new());
    match pulse::list() {
        Ok(listed) => inputs.extend(listed.into_iter().map(|l| Input {
            id: format!("pulse:{}", l.name),
            description: l.description,
            channels: l.channels,
            rate_hz: l.rate_hz,
            default: l.default,
            plays_back: l.monitor,
        })),
        Err(e) => problems.push(e),
    }
    let served = !inputs.is_empty();
    match device::list() {
        Ok(listed) => inputs.extend(listed.into_iter().map(|l| Input {
            default: !served && l.id == "default",
            id: format!("alsa:{}", l.id),
            description: l.description,
            channels: l.channels,
            rate_hz: l.rate_hz,
            plays_back: false,
        })),
        Err(e) => problems.push(e),
    }
    (inputs, problems)
}

/// Opens an input by its id.
///
/// # Errors
/// One sentence when the id has no known form; a device that is not there now is waited for.
pub fn open(id: &str) -> Result<Live, String> {
    match id.split_once(':') {
        Some(("pulse", name)) if !name.is_empty() => Ok(Live::new(pulse::Pulse::new(Some(name))?)),
        Some(("alsa", name)) if !name.is_empty() => Ok(Live::new(device::Alsa { pcm: Some(name.into()) })),
        None if id == "default" => Ok(if pulse::list().is_ok() {
            Live::new(pulse::Pulse::new(None)?)
        } else {
            Live::new(device::Alsa { pcm: None })
        }),
        _ => Err(format!(
            "input {id} has no known form; give pulse:NAME, alsa:NAME or default (mixwarden inputs lists them)"
        )),
    }
}
