//! Recordings: opened by what they hold, not by their name; flat out, or at the pace of time.
//!
//! PCM in RIFF, RF64 and W64 is read by `riff`, Opus by `opus`, everything else by symphonia (`decode`).

use super::{Format, Polled, Source, decode, riff};
use crate::feed::{Arrival, Block};
use crate::units::SampleRate;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// How fast a recording is delivered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// As fast as it is taken.
    FlatOut,
    /// So many times real time (1.0: as it was recorded).
    Times(f64),
}

/// A recording that cannot be read. Each says what was found and what to do.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The file system says no.
    #[error("cannot be opened: {0}")]
    Open(#[source] std::io::Error),
    /// It has no bytes.
    #[error("is empty; give a recording")]
    Empty,
    /// It holds nothing that can be read as sound.
    #[error(
        "holds no sound that can be read ({found}); give WAV, FLAC, MP3, AAC/M4A, Ogg Vorbis, Opus, AIFF, ALAC, or MP4/MOV/MKV/WebM with such sound"
    )]
    Unknown {
        /// What was found.
        found: String,
    },
    /// Its header asks for what cannot be.
    #[error("{found}; {want}")]
    Header {
        /// What was found.
        found: String,
        /// What is allowed.
        want: &'static str,
    },
    /// It has fewer tracks.
    #[error("has {have} audio track{}; track {asked} was asked for", if *have == 1 { "" } else { "s" })]
    NoSuchTrack {
        /// Tracks that there are.
        have: usize,
        /// Track asked for, from 1.
        asked: usize,
    },
}

/// What one step of a decoder gives.
pub(super) enum Step {
    /// Interleaved samples were put into the buffer.
    Audio,
    /// The format is this from now on.
    Format(Format),
    /// The end, with what was not as it should be.
    End(Option<String>),
}

/// Something that decodes one recording piece by piece.
pub(super) trait Decode: Send {
    /// Fills `out` (cleared before) with the next piece.
    fn step(&mut self, out: &mut Vec<f32>) -> Step;
}

/// The rate, if the core measures at it.
pub(super) fn format(hz: u32, channels: usize) -> Result<Format, FileError> {
    if channels == 0 || channels > 64 {
        let found = format!("its header says {channels} channels");
        return Err(FileError::Header { found, want: "1 to 64 channels can be read" });
    }
    let rate = SampleRate::new(hz).map_err(|_| FileError::Header {
        found: format!("its sample rate is {hz} Hz"),
        want: "44100, 48000, 88200, 96000, 176400 and 192000 Hz can be measured: convert it first",
    })?;
    Ok(Format { rate, channels })
}

/// Opens a recording; `track` counts its audio tracks from 1.
///
/// # Errors
/// `FileError`.
pub fn open(path: &Path, track: usize, pace: Pace) -> Result<Box<dyn Source>, FileError> {
    let (decoder, first) = decoder(path, track)?;
    let clock = match pace {
        Pace::FlatOut => None,
        Pace::Times(speed) => Some(Clock { started: None, speed, delivered: 0 }),
    };
    Ok(Box::new(Recording {
        path: path.into(),
        decoder,
        format: first,
        announced: false,
        clock,
        buffer: Vec::new(),
        at: 0,
        complaint: None,
    }))
}

fn decoder(path: &Path, track: usize) -> Result<(Box<dyn Decode>, Format), FileError> {
    let length = std::fs::metadata(path).map_err(FileError::Open)?;
    if length.is_file() && length.len() == 0 {
        return Err(FileError::Empty);
    }
    match riff::open(path)? {
        Some(pcm) => Ok((Box::new(pcm.0), pcm.1)),
        None => decode::open(path, track),
    }
}

/// Frames of a recording by its header, if it says so.
pub fn frames(path: &Path) -> Option<u64> {
    match riff::open(path) {
        Ok(Some((pcm, _))) => pcm.frames(),
        Ok(None) => decode::frames(path),
        Err(_) => None,
    }
}

struct Clock {
    started: Option<Instant>,
    speed: f64,
    delivered: u64,
}

struct Recording {
    path: PathBuf,
    decoder: Box<dyn Decode>,
    format: Format,
    announced: bool,
    clock: Option<Clock>,
    buffer: Vec<f32>,
    /// Samples of the buffer that were delivered.
    at: usize,
    complaint: Option<String>,
}

/// Most frames delivered in one poll of a paced recording: 100 ms at 192 kHz.
const PACED_FRAMES: u64 = 19_200;

impl Source for Recording {
    fn poll(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled {
        if !self.announced {
            self.announced = true;
            return Polled::Format(self.format);
        }
        if self.at >= self.buffer.len() {
            self.buffer.clear();
            self.at = 0;
            match self.decoder.step(&mut self.buffer) {
                Step::Audio => {}
                Step::Format(format) => {
                    self.format = format;
                    return Polled::Format(format);
                }
                Step::End(complaint) => {
                    self.complaint = complaint;
                    return Polled::Ended;
                }
            }
        }
        let channels = self.format.channels;
        let left = ((self.buffer.len() - self.at) / channels) as u64;
        let frames = match &mut self.clock {
            None => left,
            Some(clock) => {
                let started = *clock.started.get_or_insert_with(Instant::now);
                let due = (started.elapsed().as_secs_f64() * clock.speed * f64::from(self.format.rate.hz())) as u64;
                let frames = due.saturating_sub(clock.delivered).min(PACED_FRAMES).min(left);
                clock.delivered += frames;
                frames
            }
        };
        if frames == 0 && left > 0 {
            return Polled::Nothing;
        }
        let end = self.at + frames as usize * channels;
        sink(Arrival::Block(Block { samples: &self.buffer[self.at..end] }));
        self.at = if frames == left { self.buffer.len() } else { end };
        Polled::Gave { frames }
    }

    fn describe(&self) -> String {
        let name =
            self.path.file_name().map_or_else(|| self.path.display().to_string(), |n| n.to_string_lossy().into());
        format!("file {name}, {} channels, {} Hz", self.format.channels, self.format.rate.hz())
    }

    fn fault(&self) -> Option<String> {
        self.complaint.clone()
    }

    fn paced(&self) -> bool {
        self.clock.is_some()
    }
}
