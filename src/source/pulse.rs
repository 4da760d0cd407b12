//! PulseAudio (and PipeWire through its Pulse server), by the server's own protocol: the source's own channel map,
//! no remapping, no mixing, and the server is forbidden to move the recording to another source.

use super::Format;
use super::live::{Around, Host, Opened, Stream, ring};
use crate::units::SampleRate;
use pulseaudio::protocol::stream::StreamFlags;
use pulseaudio::protocol::{self, SampleFormat, SampleSpec};
use pulseaudio::{Client, ClientError, RecordStream};
use std::ffi::CString;
use std::future::Future;
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::OnceLock;
use std::time::Duration;

/// Fragments of this length: the delay of the page, and the wake-ups of the server.
const FRAGMENT_MS: u32 = 40;
/// The server answers a question within this, or is stalled.
const ANSWER_WITHIN: Duration = Duration::from_secs(2);

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

fn variable(name: &str) -> Option<PathBuf> {
    std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from)
}

/// Where a server of this computer may listen: what PULSE_SERVER names, else the user's, else the system's.
fn sockets() -> Vec<PathBuf> {
    if let Some(named) = variable("PULSE_SERVER") {
        // A list of addresses, each perhaps with the machine that it holds for in braces.
        let named = named.to_string_lossy().into_owned();
        let address = |a: &str| a.rsplit('}').next().map(|a| a.strip_prefix("unix:").unwrap_or(a).to_string());
        return named.split_whitespace().filter_map(address).filter(|a| a.starts_with('/')).map(Into::into).collect();
    }
    let places = [("PULSE_RUNTIME_PATH", "native"), ("XDG_RUNTIME_DIR", "pulse/native")];
    let mut sockets: Vec<_> = places.iter().filter_map(|(v, file)| Some(variable(v)?.join(file))).collect();
    sockets.push("/run/pulse/native".into());
    sockets
}

/// Bytes of a cookie; a server refuses any other number, even one that lets everybody in.
const COOKIE_BYTES: usize = 256;

/// The user's key to the server; zeros when there is none.
fn cookie() -> Vec<u8> {
    let config = variable("XDG_CONFIG_HOME").or_else(|| Some(variable("HOME")?.join(".config")));
    let places = [
        variable("PULSE_COOKIE"),
        config.map(|c| c.join("pulse/cookie")),
        variable("HOME").map(|h| h.join(".pulse-cookie")),
    ];
    let mut found = places.into_iter().flatten().filter_map(|p| std::fs::read(p).ok());
    found.find(|c| c.len() == COOKIE_BYTES).unwrap_or_else(|| vec![0; COOKIE_BYTES])
}

/// A connection. Dropping it ends it, and with it the crate's own thread, which waits for the server otherwise.
struct Connection {
    runtime: tokio::runtime::Runtime,
    client: Client,
    socket: UnixStream,
}

impl Connection {
    fn open() -> Result<Self, String> {
        let none = || "no sound server is running".to_string();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().map_err(|e| e.to_string())?;
        let server = sockets().iter().find_map(|p| UnixStream::connect(p).ok()).ok_or_else(none)?;
        server.set_read_timeout(Some(ANSWER_WITHIN)).map_err(|e| e.to_string())?;
        let socket = server.try_clone().map_err(|e| e.to_string())?;
        let client = Client::new_unix(c"mixwarden", server, Some(cookie())).map_err(|e| match e {
            ClientError::Io(_) | ClientError::Protocol(protocol::ProtocolError::Io(_)) => {
                "the sound server does not answer".to_string()
            }
            e => format!("the sound server refuses: {e}"),
        })?;
        Ok(Self { runtime, client, socket })
    }

    /// Waits for the server's answer, but not for ever.
    fn ask<T>(&self, what: impl Future<Output = Result<T, ClientError>>) -> Result<T, String> {
        let answered = self.runtime.block_on(async { tokio::time::timeout(ANSWER_WITHIN, what).await });
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
}

impl Drop for Connection {
    fn drop(&mut self) {
        let _ = self.socket.shutdown(Shutdown::Both);
    }
}

/// The server's sources.
///
/// # Errors
/// When no server runs or it does not answer.
pub(super) fn list() -> Result<Vec<Listed>, String> {
    let server = Connection::open()?;
    let default = server.ask(server.client.server_info())?.default_source_name;
    let sources = server.ask(server.client.list_sources())?;
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
    stream: Option<RecordStream>,
    name: CString,
    index: u32,
}

impl Host for Pulse {
    fn wanted(&self) -> String {
        match self.source.get() {
            Some(name) => format!("sound server input {}", name.to_string_lossy()),
            None => "the sound server's default input".into(),
        }
    }

    fn open(&self, around: Around) -> Result<Opened, String> {
        let server = Connection::open()?;
        let name = match self.source.get() {
            Some(name) => name.clone(),
            None => {
                let default = server.ask(server.client.server_info())?.default_source_name;
                default.ok_or("the sound server has no default input")?
            }
        };
        let info = server.ask(server.client.source_info_by_name(name.clone()))?;
        let channels = usize::from(info.channel_map.num_channels());
        let rate = SampleRate::new(info.sample_spec.sample_rate).map_err(|e| e.to_string())?;
        let format = Format { rate, channels };
        let (mut inlet, outlet) = ring(format, around);
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
        let stream = server.ask(server.client.create_record_stream(params, callback))?;
        let name = self.source.get_or_init(|| name).clone();
        let description = info.description.unwrap_or_else(|| name.clone()).to_string_lossy().into_owned();
        let recording = Recording { server, stream: Some(stream), name, index: info.index };
        Ok(Opened { format, outlet, name: description, stream: Box::new(recording) })
    }
}

impl Stream for Recording {
    fn check(&mut self) -> Result<(), String> {
        let info = self.server.ask(self.server.client.source_info_by_name(self.name.clone()))?;
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
            let _ = self.server.ask(stream.delete());
        }
    }
}
