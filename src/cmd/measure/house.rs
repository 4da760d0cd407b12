//! The room's mix from a file of its own, fed beside the stream as a second lane, at its own rate.

use crate::chain::{Chain, Outcome};
use crate::feed::{Arrival, Block};
use crate::likeness::offset;
use crate::source::{Format, Polled, Source, file};
use crate::units::HOPS_A_SECOND;
use std::path::Path;

/// How much of both files the offset is looked for in, seconds.
const LOOK_SECONDS: usize = 240;

/// A file that is open, its format known.
pub struct House {
    source: Box<dyn Source>,
    /// Its format.
    pub format: Format,
    waiting: Vec<f32>,
    ended: bool,
    /// Frames that pass before its beginning.
    lead: usize,
    /// Time of it that is due, frames; the fraction is carried on.
    due: f64,
    /// How much later than the stream's it begins, seconds; `None` when no offset stood out.
    pub offset_seconds: Option<f64>,
}

/// Opens a file and waits for its format.
///
/// # Errors
/// One sentence.
fn open(path: &Path, track: usize) -> Result<(Box<dyn Source>, Format), String> {
    let mut source = file::open(path, track, file::Pace::FlatOut).map_err(|e| e.to_string())?;
    loop {
        match source.poll(&mut |_| {}) {
            Polled::Format(format) => return Ok((source, format)),
            Polled::Nothing => std::thread::sleep(std::time::Duration::from_millis(5)),
            Polled::Failed(sentence) => return Err(sentence),
            Polled::Ended | Polled::Gave { .. } => return Err("holds no audio; give a file with sound in it".into()),
        }
    }
}

/// Mean square of each 10 ms of these channels, from the file's beginning.
fn powers(path: &Path, track: usize, channels: &[u16]) -> Result<Vec<f32>, String> {
    let (mut source, format) = open(path, track)?;
    let hop = format.rate.hop_frames();
    let (mut powers, mut sum, mut frames) = (Vec::new(), 0.0f32, 0);
    while powers.len() < LOOK_SECONDS * HOPS_A_SECOND as usize {
        let polled = source.poll(&mut |arrival| {
            let Arrival::Block(block) = arrival else { return };
            for frame in block.samples.chunks_exact(format.channels) {
                let power = channels.iter().filter_map(|c| frame.get(usize::from(*c))).map(|x| x * x).sum::<f32>();
                sum += if power.is_finite() { power } else { 0.0 };
                frames += 1;
                if frames == hop {
                    powers.push(sum / hop as f32);
                    (sum, frames) = (0.0, 0);
                }
            }
        });
        match polled {
            Polled::Ended => break,
            Polled::Failed(sentence) => return Err(sentence),
            Polled::Nothing => std::thread::sleep(std::time::Duration::from_millis(2)),
            Polled::Format(_) | Polled::Gave { .. } => {}
        }
    }
    Ok(powers)
}

impl House {
    /// Opens the house's file and finds its offset from the stream's.
    ///
    /// # Errors
    /// One sentence, with the file's name.
    pub fn open(path: &Path, track: usize, house: &[u16], stream: (&Path, &[u16])) -> Result<Self, String> {
        let named = |e: String| format!("{}: {e}", path.display());
        let (source, format) = open(path, track).map_err(named)?;
        let all: Vec<u16> = (0..format.channels.min(2) as u16).collect();
        let channels = if house.is_empty() { &all[..] } else { house };
        let offset_seconds =
            offset::find(&powers(stream.0, track, stream.1)?, &powers(path, track, channels).map_err(named)?);
        let mut this = Self { source, format, waiting: Vec::new(), ended: false, lead: 0, due: 0.0, offset_seconds };
        let frames = |seconds: f64| (seconds.max(0.0) * f64::from(format.rate.hz())).round() as usize;
        let late = offset_seconds.unwrap_or_default();
        this.lead = frames(late);
        this.take(frames(-late));
        Ok(this)
    }

    /// Up to `frames` frames, interleaved; fewer at the end.
    fn take(&mut self, frames: usize) -> Vec<f32> {
        let wanted = frames * self.format.channels;
        while self.waiting.len() < wanted && !self.ended {
            let waiting = &mut self.waiting;
            let polled = self.source.poll(&mut |arrival| {
                if let Arrival::Block(block) = arrival {
                    waiting.extend_from_slice(block.samples);
                }
            });
            match polled {
                Polled::Ended | Polled::Failed(_) => self.ended = true,
                Polled::Nothing => std::thread::sleep(std::time::Duration::from_millis(2)),
                Polled::Format(_) | Polled::Gave { .. } => {}
            }
        }
        self.waiting.drain(..wanted.min(self.waiting.len())).collect()
    }

    /// An arrival of the stream (lane 0, at `hz`), and as much time of the house (lane 1), by turns of 100 ms.
    pub fn step(&mut self, chain: &mut Chain, stream: Format, arrival: Arrival<'_>, out: &mut Vec<Outcome>) {
        let hz = f64::from(stream.rate.hz());
        match arrival {
            Arrival::Block(block) => {
                let turn = stream.rate.hop_frames() * 10 * stream.channels;
                for part in block.samples.chunks(turn) {
                    chain.step(0, Arrival::Block(Block { samples: part }), out);
                    self.follow(chain, (part.len() / stream.channels) as f64 / hz, out);
                }
            }
            Arrival::Lost { frames } => {
                chain.step(0, arrival, out);
                self.follow(chain, frames as f64 / hz, out);
            }
            Arrival::Idle { .. } | Arrival::Mark(_) => chain.step(0, arrival, out),
        }
    }

    fn follow(&mut self, chain: &mut Chain, seconds: f64, out: &mut Vec<Outcome>) {
        self.due += seconds * f64::from(self.format.rate.hz());
        let frames = self.due as usize;
        self.due -= frames as f64;
        let before = frames.min(self.lead);
        self.lead -= before;
        if before > 0 {
            chain.step(1, Arrival::Lost { frames: before as u64 }, out);
        }
        let frames = frames - before;
        let samples = self.take(frames);
        let came = samples.len() / self.format.channels;
        chain.step(1, Arrival::Block(Block { samples: &samples }), out);
        if came < frames {
            chain.step(1, Arrival::Lost { frames: (frames - came) as u64 }, out);
        }
    }
}
