//! A connection to the sound server, in its own protocol (the `pulseaudio` crate reads and writes the messages; its
//! client is not used, as it clears a mebibyte before each look at the socket). Questions are asked one at a time;
//! one thread reads answers and sound.

use pulseaudio::protocol::{
    AuthParams, AuthReply, Command, CommandReply, DESCRIPTOR_SIZE, Descriptor, MAX_MEMBLOCKQ_LENGTH, MAX_VERSION, Prop,
    Props, PulseError, SetClientNameReply, TagStructReader, encode_command_message, read_descriptor,
};
use std::ffi::CString;
use std::io::{BufReader, Read, Write};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// The server answers a question within this, or is stalled.
const ANSWER_WITHIN: Duration = Duration::from_secs(2);
/// Channel of a message that is no sound.
const CONTROL: u32 = u32::MAX;
/// The longest message that is no sound: a list of some thousand inputs.
const LONGEST_CONTROL: usize = 1 << 20;
/// What one look at the socket takes at most: 40 ms of 8 channels at 48 kHz.
const READ_BYTES: usize = 64 << 10;

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

/// Takes the sound of a recording, whole frames as bytes.
pub(super) type Sink = Box<dyn FnMut(&[u8]) + Send>;

/// A connection. Dropping it ends it, and its thread.
pub(super) struct Connection {
    socket: UnixStream,
    version: u16,
    asked: u32,
    answers: Receiver<Vec<u8>>,
    sinks: Sender<Sink>,
    reader: Option<JoinHandle<()>>,
}

impl Connection {
    /// Connects and says who we are.
    ///
    /// # Errors
    /// When no server runs, or it refuses or does not answer.
    pub(super) fn open() -> Result<Self, String> {
        let none = || "no sound server is running".to_string();
        let socket = sockets().iter().find_map(|p| UnixStream::connect(p).ok()).ok_or_else(none)?;
        socket.set_write_timeout(Some(ANSWER_WITHIN)).map_err(|e| e.to_string())?;
        let read = socket.try_clone().map_err(|e| e.to_string())?;
        let (tell, answers) = channel();
        let (sinks, wanted) = channel();
        // The name is the device thread's, so that the cost of capture can be told from the rest.
        let reader = std::thread::Builder::new().name("device".into()).spawn(move || listen(read, &tell, &wanted));
        let reader = Some(reader.map_err(|e| e.to_string())?);
        let mut connection = Self { socket, version: MAX_VERSION, asked: 0, answers, sinks, reader };
        let us = AuthParams { version: MAX_VERSION, supports_shm: false, supports_memfd: false, cookie: cookie() };
        let server: AuthReply = connection.ask(&Command::Auth(us))?;
        connection.version = server.version.min(MAX_VERSION);
        let mut names = Props::new();
        names.set(Prop::ApplicationName, c"mixwarden");
        if let Ok(process) = CString::new(std::process::id().to_string()) {
            names.set(Prop::ApplicationProcessId, process);
        }
        connection.ask::<SetClientNameReply>(&Command::SetClientName(names))?;
        Ok(connection)
    }

    /// Who takes the sound of the recording that is asked for next.
    pub(super) fn listen_with(&self, sink: Sink) {
        // A reader that has gone is told by the next question.
        let _ = self.sinks.send(sink);
    }

    /// Asks, and waits for the answer, but not for ever.
    ///
    /// # Errors
    /// When the server has gone, does not answer, or says no.
    pub(super) fn ask<R: CommandReply>(&mut self, question: &Command) -> Result<R, String> {
        self.asked += 1;
        let mut message = Vec::new();
        encode_command_message(&mut message, self.asked, question, self.version).map_err(|e| e.to_string())?;
        self.socket.write_all(&message).map_err(|_| "the sound server has gone")?;
        let until = Instant::now() + ANSWER_WITHIN;
        loop {
            let answer = match self.answers.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(answer) => answer,
                Err(RecvTimeoutError::Timeout) => return Err("the sound server does not answer".into()),
                Err(RecvTimeoutError::Disconnected) => return Err("the sound server has gone".into()),
            };
            let mut answer = answer.as_slice();
            match Command::read_tag_prefixed(&mut answer, self.version) {
                Ok((of, Command::Reply)) if of == self.asked => {
                    let read = TagStructReader::new(&mut answer, self.version).read();
                    return read.map_err(|e| format!("the sound server's answer cannot be read: {e}"));
                }
                Ok((of, Command::Error(e))) if of == self.asked => return Err(refusal(e)),
                // News of the server are no answers, nor is one to a question whose time was over.
                _ => {}
            }
        }
    }
}

impl Drop for Connection {
    fn drop(&mut self) {
        let _ = self.socket.shutdown(Shutdown::Both);
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
    }
}

fn refusal(e: PulseError) -> String {
    match e {
        PulseError::NoEntity => "the sound server has no such input".into(),
        PulseError::AccessDenied | PulseError::AuthKey => {
            format!("the sound server refuses: {e:?}: run mixwarden as the user whose server it is")
        }
        e => format!("the sound server says: {e:?}"),
    }
}

/// Reads until the connection ends: sound to its taker, all else to whoever asks.
fn listen(socket: UnixStream, tell: &Sender<Vec<u8>>, sinks: &Receiver<Sink>) {
    let mut socket = BufReader::with_capacity(READ_BYTES, socket);
    let mut header = [0; DESCRIPTOR_SIZE];
    let mut sound = Vec::new();
    let mut sink: Option<Sink> = None;
    while socket.read_exact(&mut header).is_ok() {
        let Ok(Descriptor { length, channel, .. }) = read_descriptor(&mut header.as_slice()) else { return };
        let length = length as usize;
        if length > if channel == CONTROL { LONGEST_CONTROL } else { MAX_MEMBLOCKQ_LENGTH } {
            return;
        }
        if channel == CONTROL {
            let mut answer = vec![0; length];
            if socket.read_exact(&mut answer).is_err() || tell.send(answer).is_err() {
                return;
            }
            continue;
        }
        if sound.len() < length {
            sound.resize(length, 0);
        }
        if socket.read_exact(&mut sound[..length]).is_err() {
            return;
        }
        if let Ok(newer) = sinks.try_recv() {
            sink = Some(newer);
        }
        if let Some(sink) = &mut sink {
            sink(&sound[..length]);
        }
    }
}
