//! The desk: the one thread that touches the store. It writes what waits before a channel tells it, and takes it out
//! after the peer's answer.

use super::gate::Gate;
use super::queue::Queue;
use crate::ledger::{Notice, Outbox, Waiting};
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

pub(super) enum Order {
    Tell(Box<Notice>),
    Done(u64),
    Stop,
}

pub(super) struct Desk {
    pub(super) outbox: Box<dyn Outbox>,
    pub(super) next_number: u64,
    pub(super) counters: Vec<Counter>,
    pub(super) ailing: Arc<Mutex<Option<String>>>,
    pub(super) began: Instant,
}

/// One channel as the desk sees it.
pub(super) struct Counter {
    pub(super) name: &'static str,
    pub(super) gate: Gate,
    pub(super) queue: Arc<Queue>,
}

impl Counter {
    /// What this channel is to tell of a notice, numbered, and where it waits; `None` where the gate holds it back.
    fn pass(&mut self, notice: &Notice, now_seconds: f64, next_number: &mut u64) -> Option<(Arc<Queue>, Waiting)> {
        let notice = self.gate.pass(notice, now_seconds)?;
        let number = *next_number;
        *next_number += 1;
        Some((self.queue.clone(), Waiting { number, channel: self.name.into(), notice }))
    }
}

impl Desk {
    pub(super) fn run(mut self, orders: &Receiver<Order>) {
        while let Ok(order) = orders.recv() {
            match order {
                Order::Tell(notice) => self.tell(&notice),
                Order::Done(number) => {
                    let result = self.outbox.done(number);
                    self.note(result.err());
                }
                Order::Stop => return,
            }
        }
    }

    pub(super) fn end_conversations(
        &mut self,
        open: &[(String, Notice)],
        now_unix_ms: i64,
        clock: &dyn Fn(i64) -> String,
    ) {
        let mut entries = Vec::new();
        for (channel, last) in open {
            let ended = last.ended_by_restart(now_unix_ms, clock);
            let Some(counter) = self.counters.iter_mut().find(|c| c.name == channel) else { continue };
            entries.extend(counter.pass(&ended, 0.0, &mut self.next_number));
        }
        self.enqueue(entries);
    }

    fn tell(&mut self, notice: &Notice) {
        let now = self.began.elapsed().as_secs_f64();
        let mut entries = Vec::new();
        for counter in &mut self.counters {
            entries.extend(counter.pass(notice, now, &mut self.next_number));
        }
        self.enqueue(entries);
    }

    fn enqueue(&mut self, entries: Vec<(Arc<Queue>, Waiting)>) {
        if entries.is_empty() {
            return;
        }
        let (queues, waiting): (Vec<_>, Vec<_>) = entries.into_iter().unzip();
        let result = self.outbox.append(&waiting);
        self.note(result.err());
        for (queue, entry) in queues.iter().zip(waiting) {
            if let Some(dropped) = queue.push(entry.number, entry.notice) {
                let result = self.outbox.done(dropped);
                self.note(result.err());
            }
        }
    }

    pub(super) fn note(&self, error: Option<crate::ledger::OutboxError>) {
        *self.ailing.lock().unwrap_or_else(PoisonError::into_inner) =
            error.map(|e| format!("Notices are told, but would be forgotten if this program stopped now: {e}."));
    }
}
