//! Raw PCM on standard input: a thread reads, a bounded queue holds, polling never blocks.

use super::file::format;
use super::riff::{convert_pcm, part_of_a_frame, sample_bytes};
use super::{Format, Polled, Source};
use crate::feed::{Arrival, Block};
use std::io::Read;
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};

/// Pieces that may wait: the writer waits when they are full, as pipes do.
const PIECES: usize = 16;
/// Bytes of a piece.
const PIECE: usize = 1 << 15;

/// Standard input as raw PCM.
///
/// # Errors
/// One sentence when the format, the rate or the channels are not among those allowed.
pub fn stdin(coding: &str, hz: u32, channels: usize) -> Result<Pipe, String> {
    let bytes = sample_bytes(coding)
        .ok_or_else(|| format!("raw PCM format {coding} is not one of s16le, s24le, s32le, f32le"))?;
    let format = format(hz, channels).map_err(|e| format!("raw PCM: {e}"))?;
    let (send, pieces) = sync_channel(PIECES);
    std::thread::Builder::new()
        .name("stdin".into())
        .spawn(move || {
            let mut input = std::io::stdin().lock();
            loop {
                let mut piece = vec![0; PIECE];
                match input.read(&mut piece) {
                    Ok(0) => return,
                    Ok(n) => piece.truncate(n),
                    Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
                    Err(_) => return,
                }
                if send.send(piece).is_err() {
                    return;
                }
            }
        })
        .map_err(|e| format!("no thread for standard input: {e}"))?;
    Ok(Pipe {
        coding: coding.into(),
        frame: bytes * channels,
        format,
        announced: false,
        pieces,
        rest: Vec::new(),
        samples: Vec::new(),
        ended: false,
    })
}

/// Raw PCM that comes through a pipe.
pub struct Pipe {
    coding: String,
    frame: usize,
    format: Format,
    announced: bool,
    pieces: Receiver<Vec<u8>>,
    /// Bytes of a frame that is not whole yet; at the end they are dropped and told.
    rest: Vec<u8>,
    samples: Vec<f32>,
    ended: bool,
}

impl Source for Pipe {
    fn poll(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled {
        if !self.announced {
            self.announced = true;
            return Polled::Format(self.format);
        }
        match self.pieces.try_recv() {
            Ok(piece) => self.rest.extend_from_slice(&piece),
            Err(TryRecvError::Empty) => return Polled::Nothing,
            Err(TryRecvError::Disconnected) => {
                self.ended = true;
                return Polled::Ended;
            }
        }
        let whole = self.rest.len() / self.frame * self.frame;
        self.samples.clear();
        convert_pcm(&self.coding, &self.rest[..whole], &mut self.samples);
        self.rest.drain(..whole);
        if !self.samples.is_empty() {
            sink(Arrival::Block(Block { samples: &self.samples }));
        }
        Polled::Gave { frames: (whole / self.frame) as u64 }
    }

    fn describe(&self) -> String {
        format!("standard input, {}, {} channels, {} Hz", self.coding, self.format.channels, self.format.rate.hz())
    }

    fn fault(&self) -> Option<String> {
        (self.ended && !self.rest.is_empty()).then(|| part_of_a_frame(self.rest.len()))
    }

    fn paced(&self) -> bool {
        true
    }
}
