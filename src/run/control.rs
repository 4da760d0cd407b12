//! Speaks to the running daemon: through the control socket of this machine's own user, or over HTTP with a key.

use std::io::{Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_secs(5);
/// Answers are a few kilobytes; a peer that sends more than this is none of ours.
const MOST_BYTES: u64 = 4_000_000;

/// Where a daemon is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Daemon {
    /// On this machine.
    Socket(PathBuf),
    /// At an address, with a key if one is needed there.
    Url {
        /// `http://host:port`, without a slash at its end.
        base: String,
        /// Bearer token.
        key: Option<String>,
    },
}

/// An answer of the daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Body.
    pub body: String,
}

impl Daemon {
    /// The daemon at an address; a link with `?key=` in it is taken as it is printed.
    ///
    /// # Errors
    /// When it is no `http://` or `https://` address.
    pub fn at(url: &str) -> Result<Self, String> {
        if !(url.starts_with("http://") || url.starts_with("https://")) {
            return Err(format!("{url:?} was found; give an address such as http://booth.local:8391/"));
        }
        let (path, query) = url.split_once('?').unwrap_or((url, ""));
        let key = query.split('&').find_map(|p| p.strip_prefix("key=")).map(str::to_string);
        Ok(Self::Url { base: path.trim_end_matches('/').into(), key })
    }

    /// The daemon on this machine: the first control socket that somebody listens on.
    pub fn here(directories: &[PathBuf]) -> Option<Self> {
        directories.iter().map(|d| d.join("control.sock")).find(|p| UnixStream::connect(p).is_ok()).map(Self::Socket)
    }

    /// For people: where it is, without its key.
    pub fn place(&self) -> String {
        match self {
            Self::Socket(path) => path.display().to_string(),
            Self::Url { base, .. } => base.clone(),
        }
    }

    /// Asks for a path, such as `/api/v1/now`.
    ///
    /// # Errors
    /// One sentence, when no answer comes.
    pub fn get(&self, path: &str) -> Result<Answer, String> {
        let answer = match self {
            Self::Socket(socket) => over_socket(socket, path),
            Self::Url { base, key } => over_http(&format!("{base}{path}"), key.as_deref()),
        };
        answer.map_err(|e| format!("no answer from {}: {e}", self.place()))
    }
}

fn over_http(url: &str, key: Option<&str>) -> Result<Answer, String> {
    let agent: ureq::Agent =
        ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(PATIENCE)).build().into();
    let mut request = agent.get(url);
    if let Some(key) = key {
        request = request.header("authorization", format!("Bearer {key}"));
    }
    let mut answer = request.call().map_err(|e| e.to_string())?;
    let status = answer.status().as_u16();
    let body = answer.body_mut().with_config().limit(MOST_BYTES).read_to_string().map_err(|e| e.to_string())?;
    Ok(Answer { status, body })
}

fn over_socket(socket: &Path, path: &str) -> Result<Answer, String> {
    let ask = || -> std::io::Result<Vec<u8>> {
        let mut stream = UnixStream::connect(socket)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        write!(stream, "GET {path} HTTP/1.0\r\nhost: localhost\r\n\r\n")?;
        let mut bytes = Vec::new();
        stream.take(MOST_BYTES).read_to_end(&mut bytes)?;
        Ok(bytes)
    };
    let bytes = ask().map_err(|e| e.to_string())?;
    parse(&String::from_utf8_lossy(&bytes)).ok_or_else(|| "the answer is no HTTP".into())
}

/// HTTP/1.0: the body ends with the connection, so that no length need be believed.
fn parse(text: &str) -> Option<Answer> {
    let (head, body) = text.split_once("\r\n\r\n")?;
    let status = head.strip_prefix("HTTP/1.")?.split(' ').nth(1)?.parse().ok()?;
    Some(Answer { status, body: body.into() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_printed_link_is_taken_apart_and_its_key_is_not_repeated() {
        let daemon = Daemon::at("http://booth.local:8391/?key=0123456789abcdef").unwrap();
        assert_eq!(
            daemon,
            Daemon::Url { base: "http://booth.local:8391".into(), key: Some("0123456789abcdef".into()) }
        );
        assert_eq!(daemon.place(), "http://booth.local:8391");
        assert!(Daemon::at("booth.local").unwrap_err().contains("http://"));
    }

    #[test]
    fn only_http_is_an_answer() {
        let good = parse("HTTP/1.0 503 Service Unavailable\r\nx: y\r\n\r\nno\n");
        assert_eq!(good, Some(Answer { status: 503, body: "no\n".into() }));
        for bad in ["", "SSH-2.0-x\r\n", "HTTP/1.1 abc\r\n\r\n", "\r\n\r\n"] {
            assert_eq!(parse(bad), None, "{bad:?}");
        }
    }
}
