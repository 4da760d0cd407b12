//! PCM in RIFF/WAVE, RF64 and W64: any number of channels to 64, 8 to 32-bit integers, 32 and 64-bit floats, files of
//! any length in constant memory. Chunk layouts: RIFF/WAVE (Microsoft, 1991, and WAVEFORMATEXTENSIBLE), RF64 (EBU
//! Tech 3306), W64 (64-bit chunk GUIDs), from memory.

use super::Format;
use super::file::{Decode, FileError, Step, format};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// How a sample is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Coding {
    U8,
    I16,
    I24,
    I32,
    F32,
    F64,
}

impl Coding {
    fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::I16 => 2,
            Self::I24 => 3,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

/// An open PCM file.
pub(super) struct Pcm {
    file: File,
    coding: Coding,
    channels: usize,
    /// Bytes of sound left; `None`: to the end of the file.
    left: Option<u64>,
    total: Option<u64>,
    /// Bytes that the header tells of and the file does not have.
    lacking: u64,
    bytes: Vec<u8>,
    kept: usize,
}

/// Bytes read at once.
const READ: usize = 1 << 16;
/// Longest walk over chunks before the sound, chunks.
const CHUNKS: usize = 10_000;

/// The four kinds of outer header.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Riff,
    Rf64,
    W64,
}

/// GUIDs of W64 chunks end alike, after the four letters.
const W64_TAIL: [u8; 12] = [0xf3, 0xac, 0xd3, 0x11, 0x8c, 0xd1, 0x00, 0xc0, 0x4f, 0x8e, 0xdb, 0x8a];

/// Opens `path` when it is PCM in one of these containers; `None` when it is something else (also compressed WAV).
pub(super) fn open(path: &Path) -> Result<Option<(Pcm, Format)>, FileError> {
    let mut file = File::open(path).map_err(FileError::Open)?;
    let mut head = [0u8; 12];
    if file.read_exact(&mut head).is_err() {
        return Ok(None);
    }
    let kind = match (&head[..4], &head[8..12]) {
        (b"RIFF", b"WAVE") => Kind::Riff,
        (b"RF64" | b"BW64", b"WAVE") => Kind::Rf64,
        (b"riff", _) => Kind::W64,
        _ => return Ok(None),
    };
    if kind == Kind::W64 && file.seek(SeekFrom::Start(40)).is_err() {
        return Ok(None);
    }
    walk(file, kind)
}

fn walk(mut file: File, kind: Kind) -> Result<Option<(Pcm, Format)>, FileError> {
    let cut = || FileError::Header { found: "it ends within its header".into(), want: "give the whole file" };
    let (mut fmt, mut long_data) = (None, None);
    for _ in 0..CHUNKS {
        let Some((name, size)) = chunk(&mut file, kind) else { return Err(cut()) };
        match &name {
            b"ds64" => {
                let mut body = vec![0; size.min(28) as usize];
                file.read_exact(&mut body).map_err(|_| cut())?;
                long_data = body.get(8..16).and_then(|b| b.try_into().ok()).map(u64::from_le_bytes);
                skip(&mut file, size.saturating_sub(28), size, kind).ok_or_else(cut)?;
            }
            b"fmt " => {
                let mut body = vec![0; size.min(40) as usize];
                file.read_exact(&mut body).map_err(|_| cut())?;
                let Some(read) = read_fmt(&body)? else { return Ok(None) };
                fmt = Some(read);
                skip(&mut file, size.saturating_sub(40), size, kind).ok_or_else(cut)?;
            }
            b"data" => {
                let Some((coding, channels, hz)) = fmt else {
                    let found = "its sound comes before its format".to_string();
                    return Err(FileError::Header { found, want: "give a WAV with its fmt chunk first" });
                };
                let format = format(hz, channels)?;
                // 0 and all ones are what a recorder leaves behind that was cut off: the sound goes on to the end.
                let told = match size {
                    0 | 0xffff_ffff => long_data.filter(|l| *l > 0 && kind == Kind::Rf64),
                    size => Some(size),
                };
                let here = file.stream_position().map_err(FileError::Open)?;
                let there = file.metadata().map_err(FileError::Open)?.len().saturating_sub(here);
                let left = Some(told.map_or(there, |t| t.min(there)));
                let lacking = told.map_or(0, |t| t.saturating_sub(there));
                let pcm = Pcm { file, coding, channels, left, total: left, lacking, bytes: vec![0; READ], kept: 0 };
                return Ok(Some((pcm, format)));
            }
            _ => skip(&mut file, size, size, kind).ok_or_else(cut)?,
        }
    }
    Err(FileError::Header {
        found: format!("it has {CHUNKS} chunks and none is sound"),
        want: "give a WAV with a data chunk",
    })
}

/// Name and size of the next chunk's body.
fn chunk(file: &mut File, kind: Kind) -> Option<([u8; 4], u64)> {
    let mut name = [0u8; 4];
    file.read_exact(&mut name).ok()?;
    if kind == Kind::W64 {
        let mut rest = [0u8; 20];
        file.read_exact(&mut rest).ok()?;
        if rest[..12] != W64_TAIL {
            return Some(([0; 4], 0));
        }
        let size = u64::from_le_bytes(rest[12..].try_into().ok()?);
        return Some((name, size.saturating_sub(24)));
    }
    let mut size = [0u8; 4];
    file.read_exact(&mut size).ok()?;
    Some((name, u64::from(u32::from_le_bytes(size))))
}

/// Skips what is left of a chunk of `size` bytes, and its padding.
fn skip(file: &mut File, left: u64, size: u64, kind: Kind) -> Option<()> {
    let align = if kind == Kind::W64 { 8 } else { 2 };
    let padded = left.checked_add((align - size % align) % align)?;
    file.seek(SeekFrom::Current(i64::try_from(padded).ok()?)).ok().map(drop)
}

/// Coding, channels, rate; `None` for codings that are not PCM.
fn read_fmt(body: &[u8]) -> Result<Option<(Coding, usize, u32)>, FileError> {
    let u16_at = |i: usize| body.get(i..i + 2).map(|b| u16::from_le_bytes([b[0], b[1]]));
    let u32_at = |i: usize| body.get(i..i + 4).map(|b| u32::from_le_bytes([b[0], b[1], b[2], b[3]]));
    let (Some(tag), Some(channels), Some(hz), Some(bits)) = (u16_at(0), u16_at(2), u32_at(4), u16_at(14)) else {
        let found = format!("its fmt chunk has {} bytes", body.len());
        return Err(FileError::Header { found, want: "16 bytes are the least" });
    };
    // WAVEFORMATEXTENSIBLE: the real tag is the beginning of the sub-format.
    let tag = if tag == 0xfffe { u16_at(24).unwrap_or(tag) } else { tag };
    let coding = match (tag, bits) {
        (1, 8) => Coding::U8,
        (1, 16) => Coding::I16,
        (1, 24) => Coding::I24,
        (1, 32) => Coding::I32,
        (3, 32) => Coding::F32,
        (3, 64) => Coding::F64,
        (1 | 3, bits) => {
            let found = format!("its samples have {bits} bits");
            return Err(FileError::Header {
                found,
                want: "8, 16, 24, 32 (integer) and 32, 64 (float) bits can be read",
            });
        }
        _ => return Ok(None),
    };
    Ok(Some((coding, usize::from(channels), hz)))
}

impl Pcm {
    /// Frames by the header and the file's length.
    pub(super) fn frames(&self) -> Option<u64> {
        self.total.map(|t| t / (self.coding.bytes() * self.channels) as u64)
    }

    /// What was amiss, at the end.
    fn complaint(&self) -> Option<String> {
        let frame = (self.coding.bytes() * self.channels) as u64;
        let lacking = (self.lacking >= frame).then(|| {
            let frames = self.lacking / frame;
            format!("the header tells of {frames} frames more than the file holds: what is there was measured")
        });
        let cut = (self.kept > 0).then(|| part_of_a_frame(self.kept));
        [lacking, cut].into_iter().flatten().reduce(|a, b| format!("{a}; {b}"))
    }
}

impl Decode for Pcm {
    fn step(&mut self, out: &mut Vec<f32>) -> Step {
        let want = self.left.map_or(READ - self.kept, |l| l.min((READ - self.kept) as u64) as usize);
        let got = match self.file.read(&mut self.bytes[self.kept..self.kept + want]) {
            Ok(got) => got,
            Err(e) => return Step::End(Some(format!("reading stopped: {e}; what came before was measured"))),
        };
        if got == 0 {
            return Step::End(self.complaint());
        }
        self.left = self.left.map(|l| l - got as u64);
        let frame = self.coding.bytes() * self.channels;
        let have = self.kept + got;
        let whole = have / frame * frame;
        convert(self.coding, &self.bytes[..whole], out);
        self.bytes.copy_within(whole..have, 0);
        self.kept = have - whole;
        Step::Audio
    }
}

/// Bytes at the end that are no whole frame.
pub(super) fn part_of_a_frame(bytes: usize) -> String {
    match bytes {
        1 => "1 byte at the end is less than a frame and was left out".into(),
        n => format!("{n} bytes at the end are less than a frame and were left out"),
    }
}

/// Little-endian samples to full scale = 1.
pub(super) fn convert_pcm(name: &str, bytes: &[u8], out: &mut Vec<f32>) {
    if let Some(coding) = coding_named(name) {
        convert(coding, bytes, out);
    }
}

/// Bytes of a sample of raw PCM by the name of its coding.
pub(super) fn sample_bytes(name: &str) -> Option<usize> {
    coding_named(name).map(Coding::bytes)
}

fn coding_named(name: &str) -> Option<Coding> {
    Some(match name {
        "s16le" => Coding::I16,
        "s24le" => Coding::I24,
        "s32le" => Coding::I32,
        "f32le" => Coding::F32,
        _ => return None,
    })
}

fn convert(coding: Coding, bytes: &[u8], out: &mut Vec<f32>) {
    match coding {
        Coding::U8 => out.extend(bytes.iter().map(|b| (f32::from(*b) - 128.0) / 128.0)),
        Coding::I16 => {
            out.extend(bytes.chunks_exact(2).map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0))
        }
        Coding::I24 => {
            out.extend(
                bytes.chunks_exact(3).map(|b| i32::from_le_bytes([0, b[0], b[1], b[2]]) as f32 / 2_147_483_648.0),
            );
        }
        Coding::I32 => {
            out.extend(
                bytes.chunks_exact(4).map(|b| i32::from_le_bytes([b[0], b[1], b[2], b[3]]) as f32 / 2_147_483_648.0),
            );
        }
        Coding::F32 => out.extend(bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))),
        Coding::F64 => {
            let wide = |b: &[u8]| f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]);
            out.extend(bytes.chunks_exact(8).map(|b| wide(b) as f32));
        }
    }
}
