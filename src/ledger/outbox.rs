//! Where notices wait until their peer has them: what `tell` asks of whoever keeps them (`keep::outbox` on SQLite,
//! `MemoryOutbox` where nothing may be written).
//!
//! How it is used: `tell` loads everything once at start, keeps the queues in memory from then on, and writes each
//! change through. A store that fails (full disk) therefore delays no notice; it only forgets more at a crash.
//! `tell` bounds each channel's queue and calls `done` for what it drops, so a store holds at most
//! channels x limit entries and needs no bound of its own.

use super::notice::{Notice, NoticeStep};
use std::collections::BTreeMap;

/// One notice that waits for one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Waiting {
    /// Number, unique in the store over all channels and restarts, rising: the order of telling.
    pub number: u64,
    /// The channel: `desktop`, `webhook`, `mail`, `mqtt`.
    pub channel: String,
    /// What to tell.
    pub notice: Notice,
}

/// Figures of one channel of notices since it was started.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NoticeCounts {
    /// Notices that the peer has.
    pub told: u64,
    /// Tries that failed.
    pub failed_tries: u64,
    /// Notices given up: too many, too old or refused.
    pub lost: u64,
    /// Notices that wait now.
    pub waiting: u64,
}

/// The store could not do it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the notices' store: {0}")]
pub struct OutboxError(
    /// What went wrong, one sentence.
    pub String,
);

/// What was found at start.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Loaded {
    /// All that waits, by number, lowest first.
    pub waiting: Vec<Waiting>,
    /// Per channel and thread, the last notice appended, where it was not `Cleared`: conversations left open.
    pub open: Vec<(String, Notice)>,
    /// The next number to use: above every number that was ever appended.
    pub next_number: u64,
}

/// A store of waiting notices. One user, one thread at a time.
pub trait Outbox: Send {
    /// Everything, once, at start.
    ///
    /// # Errors
    /// `OutboxError` when the store cannot be read.
    fn load(&mut self) -> Result<Loaded, OutboxError>;

    /// Adds entries, all or none, safe from a power cut when it returns. For each entry whose notice `opens()` a
    /// thread the pair (channel, thread) is open from now on with this notice; a `Cleared` one closes it.
    ///
    /// # Errors
    /// `OutboxError` when nothing was added.
    fn append(&mut self, entries: &[Waiting]) -> Result<(), OutboxError>;

    /// The entry `number` was told (or given up): it is taken out. A number that is not there is no error.
    ///
    /// # Errors
    /// `OutboxError` when it could not be taken out.
    fn done(&mut self, number: u64) -> Result<(), OutboxError>;
}

/// A store that lives as long as the process. Clones are copies.
#[derive(Debug, Clone, Default)]
pub struct MemoryOutbox {
    waiting: BTreeMap<u64, Waiting>,
    open: BTreeMap<(String, String), Notice>,
    last: u64,
}

impl Outbox for MemoryOutbox {
    fn load(&mut self) -> Result<Loaded, OutboxError> {
        Ok(Loaded {
            waiting: self.waiting.values().cloned().collect(),
            open: self.open.iter().map(|((c, _), n)| (c.clone(), n.clone())).collect(),
            next_number: self.last + 1,
        })
    }

    fn append(&mut self, entries: &[Waiting]) -> Result<(), OutboxError> {
        for e in entries {
            self.last = self.last.max(e.number);
            let key = (e.channel.clone(), e.notice.thread.clone());
            if e.notice.step == NoticeStep::Cleared {
                self.open.remove(&key);
            } else if e.notice.opens() {
                self.open.insert(key, e.notice.clone());
            }
            self.waiting.insert(e.number, e.clone());
        }
        Ok(())
    }

    fn done(&mut self, number: u64) -> Result<(), OutboxError> {
        self.waiting.remove(&number);
        Ok(())
    }
}

/// What a store must do, for the tests of each: `open` opens (or reopens) it.
#[cfg(test)]
pub(crate) fn store_contract<O: Outbox>(mut open: impl FnMut(Option<O>) -> O) {
    let entry = |number, channel: &str, step, thread: &str| Waiting {
        number,
        channel: channel.into(),
        notice: Notice {
            step,
            thread: thread.into(),
            headline: format!("n{number} \"quoted\" é"),
            ..Notice::default()
        },
    };
    let mut store = open(None);
    let fresh = store.load().unwrap();
    assert_eq!((fresh.waiting.len(), fresh.open.len()), (0, 0));
    let n = fresh.next_number;
    let first = [entry(n, "mail", NoticeStep::Raised, "a1"), entry(n + 1, "mqtt", NoticeStep::Raised, "a1")];
    store.append(&first).unwrap();
    store.append(&[entry(n + 2, "mail", NoticeStep::Review, "s1")]).unwrap();
    store.done(n).unwrap();
    store.done(9_999).unwrap();
    let mut store = open(Some(store));
    let loaded = store.load().unwrap();
    assert_eq!(loaded.waiting.iter().map(|w| w.number).collect::<Vec<_>>(), [n + 1, n + 2]);
    assert_eq!(loaded.waiting[0], first[1]);
    let threads: Vec<_> = loaded.open.iter().map(|(c, n)| (c.as_str(), n.thread.as_str())).collect();
    assert_eq!(threads, [("mail", "a1"), ("mqtt", "a1")], "told or not, the conversation is open; a review opens none");
    assert_eq!(loaded.next_number, n + 3);
    store.append(&[entry(n + 3, "mail", NoticeStep::Acknowledged, "a1")]).unwrap();
    store.append(&[entry(n + 4, "mqtt", NoticeStep::Cleared, "a1")]).unwrap();
    for number in n + 1..=n + 4 {
        store.done(number).unwrap();
    }
    let mut store = open(Some(store));
    let loaded = store.load().unwrap();
    assert!(loaded.waiting.is_empty());
    let threads: Vec<_> = loaded.open.iter().map(|(c, n)| (c.as_str(), n.step)).collect();
    assert_eq!(threads, [("mail", NoticeStep::Acknowledged)]);
    assert_eq!(loaded.next_number, n + 5, "numbers are never used twice, also when all is told");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_keeps_the_contract() {
        store_contract::<MemoryOutbox>(Option::unwrap_or_default);
    }
}
