//! Compressed recordings and the sound of video files, through symphonia; Opus in any of its containers through
//! ropus (symphonia has no Opus decoder).

use super::Format;
use super::file::{Decode, FileError, Step, format};
use std::path::Path;
use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::well_known::CODEC_ID_OPUS;
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatReader, Track};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::packet::Packet;

/// Opens the `track`-th audio track (from 1).
pub(super) fn open(path: &Path, track: usize) -> Result<(Box<dyn Decode>, Format), FileError> {
    let reader = probe(path)?;
    let tracks: Vec<&Track> = audio(&*reader).collect();
    let Some(chosen) = tracks.get(track.wrapping_sub(1)).copied() else {
        return Err(match tracks.len() {
            0 => FileError::Unknown { found: "it has no audio track".into() },
            have => FileError::NoSuchTrack { have, asked: track },
        });
    };
    let Some(CodecParameters::Audio(params)) = &chosen.codec_params else {
        return Err(FileError::Unknown { found: "its audio track has no known coding".into() });
    };
    let (id, skip) = (chosen.id, u64::from(chosen.delay.unwrap_or(0)));
    let voice = Voice::new(params)?;
    // Encoders' lead-in is cut by symphonia for its own decoders; Opus packets come to us uncut.
    let skip = if matches!(voice, Voice::Opus { .. }) { skip } else { 0 };
    let params = params.clone();
    let mut decoder = Packets { reader, id, params, voice, format: None, pending: Vec::new(), broken: 0, skip };
    let mut first = Vec::new();
    match decoder.step(&mut first) {
        Step::Format(format) => Ok((Box::new(decoder), format)),
        Step::End(_) => decoder.refusal(),
        Step::Audio => Err(FileError::Unknown { found: "its sound begins without a format".into() }),
    }
}

/// Frames by the header.
pub(super) fn frames(path: &Path) -> Option<u64> {
    let reader = probe(path).ok()?;
    audio(&*reader).next()?.num_frames
}

fn probe(path: &Path) -> Result<Box<dyn FormatReader>, FileError> {
    let file = std::fs::File::open(path).map_err(FileError::Open)?;
    let stream = MediaSourceStream::new(Box::new(file), Default::default());
    let mut hint = Hint::new();
    if let Some(ending) = path.extension().and_then(|e| e.to_str()) {
        hint.with_extension(ending);
    }
    symphonia::default::get_probe().probe(&hint, stream, Default::default(), Default::default()).map_err(|e| match e {
        Error::Unsupported(_) => FileError::Unknown { found: "it begins like no kind of recording".into() },
        e => FileError::Unknown { found: plain(&e) },
    })
}

fn audio(reader: &dyn FormatReader) -> impl Iterator<Item = &Track> {
    reader.tracks().iter().filter(|t| matches!(t.codec_params, Some(CodecParameters::Audio(_))))
}

fn plain(error: &Error) -> String {
    match error {
        Error::Unsupported(what) => format!("not supported: {what}"),
        Error::DecodeError(what) => format!("broken: {what}"),
        Error::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => "it ends too early".into(),
        other => other.to_string(),
    }
}

/// What decodes the packets.
enum Voice {
    Symphonia(Box<dyn AudioDecoder>),
    Opus { decoder: Box<ropus::Decoder>, channels: usize, buffer: Vec<f32> },
}

impl Voice {
    fn new(params: &AudioCodecParameters) -> Result<Self, FileError> {
        if params.codec == CODEC_ID_OPUS {
            let channels = params.channels.as_ref().map_or(2, |c| c.count()).clamp(1, 2);
            let kind = if channels == 1 { ropus::Channels::Mono } else { ropus::Channels::Stereo };
            let decoder =
                ropus::Decoder::new(48_000, kind).map_err(|e| FileError::Unknown { found: format!("Opus: {e}") })?;
            // 120 ms is the longest Opus packet (RFC 6716, 2.1.4).
            return Ok(Self::Opus { decoder: Box::new(decoder), channels, buffer: vec![0.0; 5_760 * channels] });
        }
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(params, &AudioDecoderOptions::default())
            .map_err(|e| FileError::Unknown { found: plain(&e) })?;
        Ok(Self::Symphonia(decoder))
    }

    /// Decodes into `out`; gives rate and channels. `None`: this packet is broken.
    fn decode(&mut self, packet: &Packet, out: &mut Vec<f32>) -> Option<(u32, usize)> {
        match self {
            Self::Symphonia(decoder) => {
                let audio = decoder.decode(packet).ok()?;
                audio.copy_to_vec_interleaved(out);
                Some((audio.spec().rate(), audio.spec().channels().count()))
            }
            Self::Opus { decoder, channels, buffer } => {
                let frames = decoder.decode_float(&packet.data, buffer, ropus::DecodeMode::Normal).ok()?;
                out.extend_from_slice(&buffer[..frames * *channels]);
                Some((48_000, *channels))
            }
        }
    }
}

struct Packets {
    reader: Box<dyn FormatReader>,
    id: u32,
    params: AudioCodecParameters,
    voice: Voice,
    format: Option<(u32, usize)>,
    /// Audio that came with a change of format, held until the change was told.
    pending: Vec<f32>,
    broken: u64,
    /// Frames of an encoder's lead-in that are still to be dropped.
    skip: u64,
}

impl Packets {
    /// Goes on with the first audio track of what follows.
    fn next_recording(&mut self) -> bool {
        let next = audio(&*self.reader).next().and_then(|t| match &t.codec_params {
            Some(CodecParameters::Audio(params)) => Some((t.id, params.clone())),
            _ => None,
        });
        let Some((id, params)) = next else { return false };
        let Ok(voice) = Voice::new(&params) else { return false };
        (self.id, self.voice, self.params) = (id, voice, params);
        true
    }

    /// Decodes a packet; one that the decoder refuses gets a fresh decoder, for the format may have changed.
    fn decode(&mut self, packet: &Packet, out: &mut Vec<f32>) -> Option<(u32, usize)> {
        self.voice.decode(packet, out).or_else(|| {
            out.clear();
            self.voice = Voice::new(&self.params).ok()?;
            self.voice.decode(packet, out)
        })
    }

    /// Why nothing came.
    fn refusal(&self) -> Result<(Box<dyn Decode>, Format), FileError> {
        match self.format {
            Some((hz, channels)) => format(hz, channels).and(Err(FileError::Unknown { found: "no sound".into() })),
            None => Err(FileError::Unknown { found: "it holds no sound".into() }),
        }
    }

    fn complaint(&self, cut: bool) -> Option<String> {
        let broken = match self.broken {
            0 => None,
            1 => Some("1 broken piece of sound was left out".to_string()),
            n => Some(format!("{n} broken pieces of sound were left out")),
        };
        let cut = cut.then(|| "the file ends too early: what is there was measured".to_string());
        match (broken, cut) {
            (Some(a), Some(b)) => Some(format!("{a}; {b}")),
            (a, b) => a.or(b),
        }
    }
}

impl Decode for Packets {
    fn step(&mut self, out: &mut Vec<f32>) -> Step {
        if !self.pending.is_empty() {
            std::mem::swap(out, &mut self.pending);
            return Step::Audio;
        }
        loop {
            let packet = match self.reader.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => return Step::End(self.complaint(false)),
                // A recording behind the recording (Ogg streams may be chained): its format may be another.
                Err(Error::ResetRequired) if self.next_recording() => continue,
                Err(_) => return Step::End(self.complaint(true)),
            };
            if packet.track_id != self.id {
                continue;
            }
            let Some((hz, channels)) = self.decode(&packet, out) else {
                self.broken += 1;
                out.clear();
                continue;
            };
            let drop = self.skip.min((out.len() / channels.max(1)) as u64);
            self.skip -= drop;
            out.drain(..drop as usize * channels);
            if out.is_empty() {
                continue;
            }
            if self.format != Some((hz, channels)) {
                self.format = Some((hz, channels));
                return match format(hz, channels) {
                    Ok(format) => {
                        std::mem::swap(out, &mut self.pending);
                        Step::Format(format)
                    }
                    Err(e) => Step::End(Some(e.to_string())),
                };
            }
            return Step::Audio;
        }
    }
}
