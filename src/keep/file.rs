//! The log's file: where it is, how it is opened, and that only one daemon writes to it.

use super::schema::{self, VERSION};
use rusqlite::{Connection, OpenFlags};
use std::fs::File;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long another program that looks into the file may hold it.
const BUSY: Duration = Duration::from_secs(2);

/// The log's file in the state directory.
pub fn path(state: &Path) -> PathBuf {
    state.join("log.sqlite")
}

/// Why the log's file is not to be had.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Another daemon writes to it.
    #[error("{0}: another mixwarden writes to this log; stop it, or give --state another directory")]
    Held(PathBuf),
    /// It was written by a later version.
    #[error(
        "{path}: was written by a later mixwarden (format {found}, this one knows up to {VERSION}); install that version, or give --state another directory"
    )]
    Later {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: i64,
    },
    /// The system or SQLite refused.
    #[error("{path}: {why}")]
    Refused {
        /// The file.
        path: PathBuf,
        /// What was said.
        why: String,
    },
}

/// Holds the log against a second daemon for as long as it lives; the kernel lets go of it when the process dies.
#[derive(Debug)]
pub struct Hold(#[expect(dead_code, reason = "held, never read")] File);

impl Hold {
    /// Takes hold of the log in `state`.
    ///
    /// # Errors
    /// `Held` when another daemon has it, `Refused` when no lock can be had at all.
    pub fn take(state: &Path) -> Result<Self, OpenError> {
        let path = state.join("log.lock");
        let refused = |e: std::io::Error| OpenError::Refused { path: path.clone(), why: e.to_string() };
        let file = File::options().create(true).truncate(false).write(true).mode(0o600).open(&path).map_err(refused)?;
        match file.try_lock() {
            Ok(()) => Ok(Self(file)),
            Err(std::fs::TryLockError::WouldBlock) => Err(OpenError::Held(path)),
            Err(std::fs::TryLockError::Error(e)) => Err(refused(e)),
        }
    }
}

/// Opens the log for writing, brings it up to date.
///
/// # Errors
/// `Later`, `Refused`.
pub(super) fn open_to_write(state: &Path) -> Result<Connection, OpenError> {
    let path = path(state);
    let refused = |e: rusqlite::Error| OpenError::Refused { path: path.clone(), why: e.to_string() };
    // SQLite would make it readable for all.
    let made = File::options().create(true).truncate(false).write(true).mode(0o600).open(&path);
    made.map_err(|e| OpenError::Refused { path: path.clone(), why: e.to_string() })?;
    let mut connection = Connection::open(&path).map_err(refused)?;
    let prepare = |c: &mut Connection| {
        c.busy_timeout(BUSY)?;
        // Before the first table: lets the file shrink again when old rows go.
        c.pragma_update(None, "auto_vacuum", "incremental")?;
        c.pragma_update(None, "journal_mode", "wal")?;
        c.pragma_update(None, "synchronous", "full")?;
        schema::migrate(c)
    };
    match prepare(&mut connection).map_err(refused)? {
        Ok(()) => Ok(connection),
        Err(found) => Err(OpenError::Later { path, found }),
    }
}

/// Opens the log for reading, while it may be written to.
///
/// # Errors
/// `Refused` when there is none or it cannot be read, `Later`.
pub(super) fn open_to_read(state: &Path) -> Result<Connection, OpenError> {
    let path = path(state);
    let refused = |e: rusqlite::Error| OpenError::Refused { path: path.clone(), why: e.to_string() };
    if !path.exists() {
        let why = "there is no log here yet; give --state the directory of the log, or start mixwarden watch first";
        return Err(OpenError::Refused { path, why: why.into() });
    }
    let connection = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(refused)?;
    connection.busy_timeout(BUSY).map_err(refused)?;
    let found: i64 = connection.query_row("PRAGMA user_version", [], |r| r.get(0)).map_err(refused)?;
    match found {
        VERSION => Ok(connection),
        // Bring it up to date first; then read.
        found if found < VERSION => {
            drop(open_to_write(state)?);
            Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(refused)
        }
        found => Err(OpenError::Later { path, found }),
    }
}
