//! PulseAudio (and PipeWire through its Pulse server), by the server's own protocol: the source's own channel map,
//! no remapping, no mixing, and the server is forbidden to move the recording to another source.

use super::Format;
use super::live::{Host, Opened, Stream, ring};
use crate::units::SampleRate;
use pulseaudio::protocol::stream::StreamFlags;
use pulseaudio::protocol::{self, SampleFormat, SampleSpec};
use pulseaudio::{Client, ClientError, RecordStream};
use std::ffi::CString;
use std::future::Future;
use std::time::Duration;

/// Fragments of this length: the delay of the page, and the wake-ups of the server.
const FRAGMENT_MS: u32 = 40;
/// The server answers a question within this, or is stalled.
const ANSWER_WITHIN: Duration = Duration::from_secs(2);

/// A source of a Pulse server: by name, or the server's default.
pub(super) struct Pulse {
    pub(super) source: Option<String>,
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

/// Waits for the server's answer, but not for ever.
fn ask<T>(runtime: &tokio::runtime::Runtime, what: impl Future<Output = Result<T, ClientError>>) -> Result<T, String> {
    let answered = runtime.block_on(async { tokio::time::timeout(ANSWER_WITHIN, what).await });
    match answered {
        Ok(Ok(t)) => Ok(t),
        Ok(Err(ClientError::ServerError(protocol::PulseError::NoEntity))) => {
            Err("the sound server has no such input".into())
        }
        Ok(Err(ClientError::Disconnected)) => Err("the sound server has gone".into()),
        Ok(Err(e)) => Err(format!("the sound server says: {e}")),
        Err(_) => Err("the sound server does not answer".into()),
    }
}

fn connect() -> Result<(tokio::runtime::Runtime, Client), String> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().map_err(|e| e.to_string())?;
    let client = Client::from_env(c"mixwarden").map_err(|e| match e {
        ClientError::ServerUnavailable | ClientError::Io(_) => "no sound server is running".to_string(),
        e => format!("the sound server refuses: {e}"),
    })?;
    Ok((runtime, client))
}

/// The server's sources.
///
/// # Errors
/// When no server runs or it does not answer.
pub(super) fn list() -> Result<Vec<Listed>, String> {
    let (runtime, client) = connect()?;
    let default = ask(&runtime, client.server_info())?.default_source_name;
    let sources = ask(&runtime, client.list_sources())?;
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
    runtime: tokio::runtime::Runtime,
    client: Client,
    stream: Option<RecordStream>,
    name: CString,
    index: u32,
}

impl Host for Pulse {
    fn wanted(&self) -> String {
        match &self.source {
            Some(name) => format!("sound server input {name}"),
            None => "the sound server's default input".into(),
        }
    }

    fn open(&self) -> Result<Opened, String> {
        let (runtime, client) = connect()?;
        let name = match &self.source {
            Some(name) => CString::new(name.as_str()).map_err(|_| "its name has a zero byte".to_string())?,
            None => ask(&runtime, client.server_info())?
                .default_source_name
                .ok_or("the sound server has no default input")?,
        };
        let info = ask(&runtime, client.source_info_by_name(name.clone()))?;
        let channels = usize::from(info.channel_map.num_channels());
        let rate = SampleRate::new(info.sample_spec.sample_rate).map_err(|e| e.to_string())?;
        let format = Format { rate, channels };
        let (mut inlet, outlet) = ring(format);
        let frame = channels * 4;
        let params = protocol::RecordStreamParams {
            source_index: Some(info.index),
            sample_spec: SampleSpec {
                format: SampleFormat::Float32Le,
                channels: channels as u8,
                sample_rate: rate.hz(),
            },
            channel_map: info.channel_map,
            cvolume: Some(protocol::ChannelVolume::norm(channels as u8)),
            buffer_attr: protocol::stream::BufferAttr {
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
        let callback = move |bytes: &[u8]| {
            inlet.take(bytes.len() / frame, |i| {
                f32::from_le_bytes([bytes[4 * i], bytes[4 * i + 1], bytes[4 * i + 2], bytes[4 * i + 3]])
            });
        };
        let stream = ask(&runtime, client.create_record_stream(params, callback))?;
        let description = info.description.unwrap_or_else(|| name.clone()).to_string_lossy().into_owned();
        let recording = Recording { runtime, client, stream: Some(stream), name, index: info.index };
        Ok(Opened { format, outlet, name: description, stream: Box::new(recording) })
    }
}

impl Stream for Recording {
    fn check(&mut self) -> Result<(), String> {
        let info = ask(&self.runtime, self.client.source_info_by_name(self.name.clone()))?;
        if info.index != self.index {
            return Err("the sound server has put another input in its place".into());
        }
        Ok(())
    }
}

impl Drop for Recording {
    fn drop(&mut self) {
        if let Some(stream) = self.stream.take() {
            // A server that is gone or stalled need not hear that we leave.
            let _ = ask(&self.runtime, stream.delete());
        }
    }
}
