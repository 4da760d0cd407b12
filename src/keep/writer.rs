//! The log's one writer: a thread of its own, a bounded queue, one transaction a second at most. A slow or full disk
//! never stops the measuring: what cannot be written waits here, is counted when it must go, and the box says so.

use super::file::{self, Hold, OpenError};
use super::insert::Run;
use super::thin;
use crate::judge::Target;
use crate::ledger::Entry;
use crate::ledger::row::fold;
use rusqlite::Connection;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Entries on their way to the writer.
const QUEUE: usize = 4_096;
/// Entries that wait for a disk that does not take them: an hour of two feeds.
const WAITING: usize = 7_200;
/// Entries of one moment are gathered for this long, so that the feeds of one second make one transaction.
const GATHER: Duration = Duration::from_millis(80);
/// Pause after a failure.
const TRY_AGAIN: Duration = Duration::from_secs(2);
/// Quiet rows are folded to one when they span this, seconds.
const FOLD_SECONDS: u32 = 60;
/// The first thinning comes this long after the start, then it is done each hour.
const THIN_FIRST: Duration = Duration::from_secs(30);
const THIN_EVERY: Duration = Duration::from_secs(3_600);

/// What the log must know of the daemon that writes it.
#[derive(Debug, Clone)]
pub struct Writing {
    /// Its directory.
    pub state: PathBuf,
    /// Name and role of each feed, by index.
    pub feeds: Vec<(String, crate::feed::Role)>,
    /// The target in force at the start.
    pub target: Target,
    /// Text of the settings in force at the start.
    pub settings: String,
    /// What is kept for how long.
    pub limits: thin::Limits,
    /// When the run began, ms since 1970.
    pub began_ms: i64,
    /// A service of an earlier run that goes on.
    pub resumed: Option<i64>,
}

#[derive(Debug, Default)]
struct Status {
    fault: Option<String>,
    lost: u64,
}

enum Message {
    Entry(Entry),
    Target(Target),
    Close,
}

/// The daemon's end of the log.
#[derive(Debug)]
pub struct Writer {
    queue: SyncSender<Message>,
    status: Arc<Mutex<Status>>,
    thread: Option<JoinHandle<()>>,
}

fn status(status: &Mutex<Status>) -> MutexGuard<'_, Status> {
    status.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Writer {
    /// Starts the writer. `hold`, when it could be had, is kept until the writer ends.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn start(writing: Writing, hold: Option<Hold>) -> std::io::Result<Self> {
        let (queue, entries) = sync_channel(QUEUE);
        let shared = Arc::new(Mutex::new(Status::default()));
        let clerk = Clerk {
            entries,
            status: shared.clone(),
            hold,
            waiting: VecDeque::new(),
            open: None,
            run: Run::new(&writing),
            writing,
            next_try: Instant::now(),
            next_thin: Instant::now() + THIN_FIRST,
        };
        let thread = std::thread::Builder::new().name("log".into()).spawn(move || clerk.work())?;
        Ok(Self { queue, status: shared, thread: Some(thread) })
    }

    /// Hands one entry over; never blocks.
    pub fn take(&self, entry: Entry) {
        if let Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) = self.queue.try_send(Message::Entry(entry)) {
            status(&self.status).lost += 1;
        }
    }

    /// Another target is in force: services that begin from now on carry it.
    pub fn target(&self, target: Target) {
        let _ = self.queue.try_send(Message::Target(target));
    }

    /// What ails the log now, one sentence.
    pub fn fault(&self) -> Option<String> {
        let status = status(&self.status);
        let lost = match status.lost {
            0 => String::new(),
            n => format!(" {n} rows are lost so far."),
        };
        status.fault.as_ref().map(|f| format!("The log cannot be written: {f}. Listening and warning go on.{lost}"))
    }

    /// Entries that could not be kept, since the start.
    pub fn lost(&self) -> u64 {
        status(&self.status).lost
    }

    /// Writes what is left, ends the thread.
    pub fn close(&mut self) {
        let _ = self.queue.send(Message::Close);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

struct Clerk {
    entries: Receiver<Message>,
    status: Arc<Mutex<Status>>,
    writing: Writing,
    hold: Option<Hold>,
    waiting: VecDeque<Entry>,
    open: Option<Connection>,
    run: Run,
    next_try: Instant,
    next_thin: Instant,
}

impl Clerk {
    fn work(mut self) {
        let mut open = true;
        while open {
            open = self.gather();
            if self.due() || !open {
                self.write(open);
            }
            if open && self.open.is_some() && self.waiting.is_empty() && Instant::now() >= self.next_thin {
                self.next_thin = Instant::now() + THIN_EVERY;
                self.thin();
            }
        }
        if let Some(connection) = &self.open {
            let _ = connection.pragma_update(None, "wal_checkpoint", "truncate");
        }
    }

    /// Takes what comes within the gathering time; false when the daemon is done.
    fn gather(&mut self) -> bool {
        let mut wait = Duration::from_millis(500);
        let mut until = None;
        loop {
            match self.entries.recv_timeout(wait) {
                Ok(Message::Entry(entry)) => self.put(entry),
                Ok(Message::Target(target)) => self.run.target = target,
                Ok(Message::Close) | Err(RecvTimeoutError::Disconnected) => return false,
                Err(RecvTimeoutError::Timeout) => return true,
            }
            let until = *until.get_or_insert_with(|| Instant::now() + GATHER);
            wait = until.saturating_duration_since(Instant::now());
            if wait.is_zero() {
                return true;
            }
        }
    }

    fn put(&mut self, entry: Entry) {
        if self.waiting.len() == WAITING {
            // The oldest row goes first: alerts and services are worth more.
            let row = self.waiting.iter().position(|e| matches!(e, Entry::Row { .. })).unwrap_or(0);
            self.waiting.remove(row);
            status(&self.status).lost += 1;
        }
        self.waiting.push_back(entry);
    }

    /// Something waits that must be written now: anything but quiet rows, or a minute of these.
    fn due(&self) -> bool {
        let quiet = |e: &Entry| matches!(e, Entry::Row { lively: false, .. });
        let spans =
            self.waiting.iter().map(|e| if let Entry::Row { feed: 0, row, .. } = e { row.span_seconds } else { 0 });
        self.waiting.iter().any(|e| !quiet(e)) || spans.sum::<u32>() >= FOLD_SECONDS
    }

    fn write(&mut self, patient: bool) {
        if patient && Instant::now() < self.next_try {
            return;
        }
        if self.waiting.iter().all(|e| matches!(e, Entry::Row { lively: false, .. })) {
            self.fold();
        }
        match self.try_write() {
            Ok(()) => {
                self.waiting.clear();
                status(&self.status).fault = None;
            }
            Err(why) => {
                self.open = None;
                self.run.forget();
                self.next_try = Instant::now() + TRY_AGAIN;
                status(&self.status).fault = Some(why);
            }
        }
    }

    fn try_write(&mut self) -> Result<(), String> {
        if self.hold.is_none() {
            self.hold = Some(Hold::take(&self.writing.state).map_err(|e| e.to_string())?);
        }
        let connection = match &mut self.open {
            Some(connection) => connection,
            closed => closed.insert(file::open_to_write(&self.writing.state).map_err(|e| e.to_string())?),
        };
        let said = |e: rusqlite::Error| format!("{}: {e}", file::path(&self.writing.state).display());
        let all = connection.transaction().map_err(said)?;
        for entry in &self.waiting {
            self.run.insert(&all, &self.writing, entry).map_err(said)?;
        }
        all.commit().map_err(said)
    }

    /// Quiet rows become one a feed.
    fn fold(&mut self) {
        let waiting = std::mem::take(&mut self.waiting);
        for feed in 0..self.writing.feeds.len() {
            let of_feed = waiting.iter().filter_map(|e| match e {
                Entry::Row { feed: f, row, .. } if *f == feed => Some((**row).clone()),
                _ => None,
            });
            if let Some(row) = fold(&of_feed.collect::<Vec<_>>()) {
                self.waiting.push_back(Entry::Row { feed, row: Box::new(row), lively: false });
            }
        }
    }

    fn thin(&mut self) {
        let Some(connection) = &mut self.open else { return };
        if let Err(e) = thin::thin(connection, &self.writing.limits, self.run.newest_ms) {
            tracing::warn!("thinning the log: {e}");
        }
    }
}

/// Copies the log into the file `to`, while it may be written to.
///
/// # Errors
/// When it cannot be read, or the copy cannot be made.
pub fn back_up(state: &Path, to: &Path) -> Result<(), OpenError> {
    let refused = |e: rusqlite::Error| OpenError::Refused { path: to.into(), why: e.to_string() };
    let from = file::open_to_read(state)?;
    from.backup("main", to, None::<fn(rusqlite::backup::Progress)>).map_err(refused)
}
