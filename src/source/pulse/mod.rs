//! PulseAudio (and PipeWire through its Pulse server), by the server's own protocol: the source's own channel map,
//! no remapping, no mixing, and the server is forbidden to move the recording to another source.

mod connection;

use super::Format;
use super::live::{Around, Host, Opened, Stream, ring};
use crate::units::SampleRate;
use connection::Connection;
use pulseaudio::protocol::stream::{BufferAttr, StreamFlags};
use pulseaudio::protocol::{
    ChannelVolume, Command, CreateRecordStreamReply, GetSourceInfo, RecordStreamParams, SampleFormat, SampleSpec,
    ServerInfo, SourceInfo, SourceInfoList,
};
use std::ffi::CString;
use std::sync::OnceLock;

/// Fragments of this length: the delay of the page, and the wake-ups of the server.
const FRAGMENT_MS: u32 = 40;

/// A source of a Pulse server: by name, or the server's default.
pub(super) struct Pulse {
    /// Its name; empty until the default was opened once. From then on it is that one: when the desk goes, the
    /// server makes another input its default, and that one must never be taken for the stream.
    source: OnceLock<CString>,
}

impl Pulse {
    /// The source of this name; `None`: the one that is the default when it is first opened.
    pub(super) fn new(name: Option<&str>) -> Result<Self, String> {
        let source = OnceLock::new();
        if let Some(name) = name {
            let name = CString::new(name).map_err(|_| "its name has a zero byte".to_string())?;
            let _ = source.set(name);
        }
        Ok(Self { source })
    }
}

/// An input of the server, for lists.
pub(super) struct Listed {
    pub(super) name: String,
    pub(super) description: String,
    pub(super) channels: usize,
    pub(super) rate_hz: u32,
    pub(super) monitor: bool,
    pub(super) default: bool,
}

/// The server's sources.
///
/// # Errors
/// When no server runs or it does not answer.
pub(super) fn list() -> Result<Vec<Listed>, String> {
    let mut server = Connection::open()?;
    let default = server.ask::<ServerInfo>(&Command::GetServerInfo)?.default_source_name;
    let sources: SourceInfoList = server.ask(&Command::GetSourceInfoList)?;
    let text = |c: &CString| c.to_string_lossy().into_owned();
    Ok(sources
        .iter()
        .map(|s| Listed {
            name: text(&s.name),
            description: s.description.as_ref().map_or_else(|| text(&s.name), text),
            channels: usize::from(s.channel_map.num_channels()),
            rate_hz: s.sample_spec.sample_rate,
            monitor: s.monitor_of_sink_index.is_some(),
            default: default.as_ref() == Some(&s.name),
        })
        .collect())
}

struct Recording {
    server: Connection,
    name: CString,
    index: u32,
}

fn source(server: &mut Connection, name: &CString) -> Result<SourceInfo, String> {
    server.ask(&Command::GetSourceInfo(GetSourceInfo { index: None, name: Some(name.clone()) }))
}

impl Host for Pulse {
    fn wanted(&self) -> String {
        match self.source.get() {
            Some(name) => format!("sound server input {}", name.to_string_lossy()),
            None => "the sound server's default input".into(),
        }
    }

    fn open(&self, around: Around) -> Result<Opened, String> {
        let mut server = Connection::open()?;
        let name = match self.source.get() {
            Some(name) => name.clone(),
            None => {
                let default = server.ask::<ServerInfo>(&Command::GetServerInfo)?.default_source_name;
                default.ok_or("the sound server has no default input")?
            }
        };
        let info = source(&mut server, &name)?;
        let channels = usize::from(info.channel_map.num_channels());
        let rate = SampleRate::new(info.sample_spec.sample_rate).map_err(|e| e.to_string())?;
        let format = Format { rate, channels };
        let (mut inlet, outlet) = ring(format, around);
        let frame = channels * 4;
        let params = RecordStreamParams {
            source_index: Some(info.index),
            sample_spec: SampleSpec {
                format: SampleFormat::Float32Le,
                channels: channels as u8,
                sample_rate: rate.hz(),
            },
            channel_map: info.channel_map,
            cvolume: Some(ChannelVolume::norm(channels as u8)),
            buffer_attr: BufferAttr {
                fragment_size: rate.hz() * FRAGMENT_MS / 1000 * frame as u32,
                ..Default::default()
            },
            flags: StreamFlags {
                no_remap_channels: true,
                no_remix_channels: true,
                no_move: true,
                start_muted: Some(false),
                adjust_latency: true,
                ..Default::default()
            },
            ..Default::default()
        };
        server.listen_with(Box::new(move |bytes: &[u8]| {
            inlet.take(bytes.len() / frame, |i| {
                f32::from_le_bytes([bytes[4 * i], bytes[4 * i + 1], bytes[4 * i + 2], bytes[4 * i + 3]])
            });
        }));
        server.ask::<CreateRecordStreamReply>(&Command::CreateRecordStream(params))?;
        let name = self.source.get_or_init(|| name).clone();
        let description = info.description.unwrap_or_else(|| name.clone()).to_string_lossy().into_owned();
        let recording = Recording { server, name, index: info.index };
        Ok(Opened { format, outlet, name: description, stream: Box::new(recording) })
    }
}

impl Stream for Recording {
    fn check(&mut self) -> Result<(), String> {
        let info = source(&mut self.server, &self.name)?;
        if info.index != self.index {
            return Err("the sound server has put another input in its place".into());
        }
        Ok(())
    }
}
