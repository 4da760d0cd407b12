//! One channel's queue and the thread that empties it: in order, each notice until the peer has it.

use super::desk::Order;
use super::retry::Retry;
use crate::ledger::{Notice, NoticeCounts};
use std::collections::VecDeque;
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Notices that may wait for one channel: a day at 20 conversations an hour of up to four notices each.
pub const MOST_WAITING: usize = 2_000;
/// A notice is given up after this long a wait in this run, hours: nobody needs yesterday's warning.
const KEEP_HOURS: u64 = 24;
/// A peer that refuses a notice for good (not the sender) is asked this often before the notice is given up.
const MOST_REFUSALS: u32 = 8;
/// Failures in a row before it counts as a fault of the box.
const FAILURES_OF_A_FAULT: u32 = 3;

/// Why a peer does not have a notice yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Miss {
    /// Try again; the peer may have said when, seconds.
    Later(String, Option<u64>),
    /// The peer does not want this notice.
    Refused(String),
}

impl Miss {
    /// One sentence.
    pub fn why(&self) -> &str {
        let (Self::Later(why, _) | Self::Refused(why)) = self;
        why
    }
}

/// A way to tell people. Lives on its own thread and may block there, within a time-out of its own.
pub trait Channel: Send {
    /// Tells one notice; `Ok` when the peer has said that it has it.
    ///
    /// # Errors
    /// `Miss`, with one sentence that holds no secret.
    fn tell(&mut self, notice: &Notice) -> Result<(), Miss>;
    /// Called at start and about once a second while nothing waits.
    fn attend(&mut self) {}
    /// The program ends.
    fn leave(&mut self) {}
}

#[derive(Default)]
struct Inner {
    items: VecDeque<(u64, Arc<Notice>, Instant)>,
    busy: bool,
    stopping: bool,
    failures: u32,
    refusals: u32,
    ailing: Option<String>,
    counts: NoticeCounts,
}

/// One channel's queue.
#[derive(Default)]
pub(super) struct Queue {
    inner: Mutex<Inner>,
    wake: Condvar,
}

impl Queue {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a notice; gives the number of one that had to go for it.
    pub(super) fn push(&self, number: u64, notice: Notice) -> Option<u64> {
        let mut inner = self.lock();
        inner.items.push_back((number, Arc::new(notice), Instant::now()));
        // The first one may be under way to the peer just now: then the second goes.
        let first_free = usize::from(inner.busy);
        let dropped = if inner.items.len() > MOST_WAITING { inner.items.remove(first_free) } else { None };
        inner.counts.lost += u64::from(dropped.is_some());
        self.wake.notify_all();
        dropped.map(|(number, ..)| number)
    }

    pub(super) fn stop(&self) {
        self.lock().stopping = true;
        self.wake.notify_all();
    }

    pub(super) fn counts(&self) -> NoticeCounts {
        let inner = self.lock();
        NoticeCounts { waiting: inner.items.len() as u64, ..inner.counts.clone() }
    }

    /// What keeps the channel from telling, once it has failed for a while.
    pub(super) fn ailing(&self) -> Option<(String, usize)> {
        let inner = self.lock();
        inner.ailing.clone().filter(|_| inner.failures >= FAILURES_OF_A_FAULT).map(|why| (why, inner.items.len()))
    }

    /// Waits for a notice, at most `patience`. `Err` when the program ends.
    fn first(&self, patience: Duration) -> Result<Option<(u64, Arc<Notice>, Instant)>, ()> {
        let mut inner = self.lock();
        if inner.items.is_empty() && !inner.stopping {
            inner = self.wake.wait_timeout(inner, patience).unwrap_or_else(PoisonError::into_inner).0;
        }
        if inner.stopping {
            return Err(());
        }
        inner.busy = !inner.items.is_empty();
        Ok(inner.items.front().cloned())
    }

    fn succeeded(&self) {
        let mut inner = self.lock();
        inner.items.pop_front();
        (inner.busy, inner.failures, inner.refusals, inner.ailing) = (false, 0, 0, None);
        inner.counts.told += 1;
    }

    /// Notes a failure; gives whether the notice is given up.
    fn failed(&self, miss: &Miss, queued: Instant) -> bool {
        let mut inner = self.lock();
        inner.busy = false;
        inner.failures += 1;
        inner.counts.failed_tries += 1;
        inner.ailing = Some(miss.why().into());
        inner.refusals += u32::from(matches!(miss, Miss::Refused(_)));
        let given_up = inner.refusals >= MOST_REFUSALS || queued.elapsed() > Duration::from_secs(KEEP_HOURS * 3600);
        if given_up {
            inner.items.pop_front();
            inner.refusals = 0;
            inner.counts.lost += 1;
        }
        given_up
    }

    /// Sleeps, unless the program ends.
    fn rest(&self, wait: Duration) {
        let end = Instant::now() + wait;
        let mut inner = self.lock();
        while !inner.stopping {
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            inner = self.wake.wait_timeout(inner, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

/// A number from 0 to 1, by chance.
pub(super) fn chance() -> f64 {
    getrandom::u32().map_or(0.5, |n| f64::from(n) / f64::from(u32::MAX))
}

/// Empties `queue` over `channel` until the program ends. The desk hears what is done with.
pub(super) fn serve(name: &str, channel: &mut dyn Channel, queue: &Queue, desk: &SyncSender<Order>) {
    let mut retry = Retry::default();
    loop {
        channel.attend();
        let (number, notice, queued) = match queue.first(Duration::from_secs(1)) {
            Ok(Some(item)) => item,
            Ok(None) => continue,
            Err(()) => break,
        };
        match channel.tell(&notice) {
            Ok(()) => {
                retry.reset();
                queue.succeeded();
                // The desk is gone only when the program ends; the store then keeps the entry and it is told again.
                let _ = desk.send(Order::Done(number));
            }
            Err(miss) => {
                let asked = if let Miss::Later(_, asked) = &miss { *asked } else { None };
                let given_up = queue.failed(&miss, queued);
                let why = miss.why();
                if given_up {
                    tracing::warn!(channel = name, notice = notice.id, "notice given up: {why}");
                    let _ = desk.send(Order::Done(number));
                } else {
                    tracing::debug!(channel = name, notice = notice.id, "not told yet: {why}");
                }
                queue.rest(retry.wait(chance(), asked));
            }
        }
    }
    channel.leave();
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::sync_channel;

    /// A peer with a script: each answer once, then yes to all.
    struct Scripted {
        answers: VecDeque<Result<(), Miss>>,
        told: Arc<Mutex<Vec<String>>>,
    }

    impl Channel for Scripted {
        fn tell(&mut self, notice: &Notice) -> Result<(), Miss> {
            self.answers.pop_front().unwrap_or(Ok(()))?;
            self.told.lock().unwrap().push(notice.id.clone());
            Ok(())
        }
    }

    #[test]
    fn a_full_queue_drops_the_oldest_that_is_not_under_way_and_counts_it() {
        let queue = Queue::default();
        let note = |n: usize| Notice { id: n.to_string(), ..Notice::default() };
        assert!((0..MOST_WAITING).all(|n| queue.push(n as u64, note(n)).is_none()));
        assert_eq!(queue.push(9_000, note(0)), Some(0));
        assert_eq!(queue.first(Duration::ZERO).unwrap().unwrap().0, 1, "from now on the first is under way");
        assert_eq!(queue.push(9_001, note(0)), Some(2));
        assert_eq!(queue.counts(), NoticeCounts { lost: 2, waiting: MOST_WAITING as u64, ..NoticeCounts::default() });
    }

    #[test]
    fn order_is_kept_over_failures_and_a_refused_notice_is_given_up() {
        let queue = Arc::new(Queue::default());
        let told = Arc::new(Mutex::new(Vec::new()));
        let late = || Err(Miss::Later("busy".into(), None));
        let mut peer = Scripted { answers: [late(), Ok(()), late()].into(), told: told.clone() };
        let (desk, orders) = sync_channel(100);
        for n in 1..=3u64 {
            queue.push(n, Notice { id: n.to_string(), ..Notice::default() });
        }
        let worker = std::thread::spawn({
            let queue = queue.clone();
            move || serve("test", &mut peer, &queue, &desk)
        });
        let done: Vec<u64> = (0..3)
            .filter_map(|_| match orders.recv_timeout(Duration::from_secs(60)) {
                Ok(Order::Done(n)) => Some(n),
                _ => None,
            })
            .collect();
        queue.stop();
        worker.join().unwrap();
        assert_eq!(done, [1, 2, 3]);
        assert_eq!(*told.lock().unwrap(), ["1", "2", "3"]);
        assert_eq!(queue.counts(), NoticeCounts { told: 3, failed_tries: 2, ..NoticeCounts::default() });
        queue.push(4, Notice::default());
        let given_up: Vec<bool> =
            (0..8).map(|_| queue.failed(&Miss::Refused("no such list".into()), Instant::now())).collect();
        assert_eq!(given_up, [false, false, false, false, false, false, false, true]);
        assert_eq!((queue.counts().lost, queue.counts().waiting), (1, 0));
        assert_eq!(queue.ailing().map(|a| a.0), Some("no such list".to_string()));
    }
}
