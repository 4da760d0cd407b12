//! The measuring thread: polls the sources, steps the chain, publishes the board, hands outcomes on. It never waits
//! for a door.

use super::clock::Wall;
use super::fault::Faults;
use super::moments::Cuts;
use super::schedule::Schedule;
use crate::chain::{Chain, Outcome};
use crate::feed::{Arrival, Mark};
use crate::judge::Habits;
use crate::ledger::{Board, NoticeCounts};
use crate::settings::Settings;
use crate::show::LineCheck;
use crate::source::{Polled, Source};
use crate::units::StreamTime;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, TryRecvError};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Nothing for longer than this is a wait (the largest gap of a healthy device under full load was 144 ms).
const WAIT_AFTER: Duration = Duration::from_millis(300);
/// The sources are looked at and the board is published this often: a tick of the chain. Shorter turns find the
/// processor's caches emptied by others more often, which costs more than the work.
const TURN: Duration = Duration::from_millis(100);

/// Whoever takes outcomes: the log, the notices. Must not block.
pub trait Listener: Send {
    /// One outcome, stamped with the wall time of its tick, ms since 1970.
    fn take(&mut self, outcome: &Outcome, board: &Board, unix_ms: i64);
    /// People or the timetable did something at `at`.
    fn mark(&mut self, _mark: Mark, _at: StreamTime, _unix_ms: i64) {}
    /// A service or the measuring ended: what the venue has taught of `feed`.
    fn learned(&mut self, _feed: &str, _habits: &Habits, _unix_ms: i64) {}
    /// Other settings are in force, read from `text`.
    fn settings(&mut self, _settings: &Settings, _text: &str, _unix_ms: i64) {}
    /// Once a second: kind of its box fault, and what ails it now, one sentence, or nothing.
    fn fault(&mut self) -> (&'static str, Option<String>);
    /// Once a second: figures of the channels of notices.
    fn notices(&self) -> Vec<(&'static str, NoticeCounts)> {
        Vec::new()
    }
    /// The measuring is over: write what is left.
    fn close(&mut self);
}

/// What others may ask of the measuring thread.
pub enum Order {
    /// A mark for the chain.
    Mark(Mark),
    /// Other settings of the core from now on, and other set times; the text that they came from.
    Settings(Box<Settings>, Box<Schedule>, String),
    /// Stop: close what is open.
    Stop,
}

/// One device at work.
pub struct LaneSource {
    source: Box<dyn Source>,
    last: Instant,
    ended: bool,
}

impl LaneSource {
    /// A source at work from now on.
    pub fn new(source: Box<dyn Source>) -> Self {
        Self { source, last: Instant::now(), ended: false }
    }
}

/// The measuring thread's belongings.
pub struct Engine {
    /// The core.
    pub chain: Chain,
    /// The sound around warnings.
    pub cuts: Cuts,
    /// The line check on a page.
    pub linecheck: LineCheck,
    /// One a lane.
    pub lanes: Vec<LaneSource>,
    /// What there is to say now.
    pub board: Board,
    /// Where it is published.
    pub publish: watch::Sender<Arc<Board>>,
    /// Orders of the page, the signals, the control socket.
    pub orders: Receiver<Order>,
    /// The log and the notices.
    pub listeners: Vec<Box<dyn Listener>>,
    /// Faults of the box.
    pub faults: Faults,
    /// Set times.
    pub schedule: Schedule,
    /// Counts loops: the watchdog hangs on it.
    pub heartbeat: Arc<AtomicU64>,
}

impl Engine {
    /// Measures until told to stop or all sources have ended; gives the exit status: 75 (EX_TEMPFAIL of sysexits.h)
    /// when only a new process can help.
    pub fn run(mut self) -> ExitCode {
        let mut wall = Wall::new(self.chain.now(), self.board.rehearsal);
        self.board.started_unix_ms = wall.stamp(self.chain.now());
        let mut out = Vec::new();
        let mut next_turn = Instant::now();
        let mut order = None;
        let mut next_second = Instant::now();
        for lane in &mut self.lanes {
            lane.last = Instant::now();
        }
        let stuck = loop {
            let mut more = false;
            for index in 0..self.lanes.len() {
                more |= self.poll(index, &mut out);
            }
            let ordered = order.is_some();
            let stop = self.take_orders(order.take(), &mut out, &wall);
            self.hand_on(&mut out, &wall);
            self.cuts.cut(false);
            self.heartbeat.fetch_add(1, Ordering::Relaxed);
            let now = Instant::now();
            if now >= next_second {
                next_second = now + Duration::from_secs(1);
                self.second(&mut wall, &mut out);
                self.hand_on(&mut out, &wall);
            }
            if ordered || now >= next_turn {
                next_turn = now + TURN;
                self.publish(&wall);
            }
            let stuck = self.lanes.iter().any(|l| l.source.stuck());
            if stop || stuck || self.lanes.iter().all(|l| l.ended) {
                break stuck;
            }
            if !more {
                // An order ends the rest: whoever pressed a button sees at once what it did.
                order = self.orders.recv_timeout(next_turn.saturating_duration_since(Instant::now())).ok();
            }
        };
        self.chain.finish(&mut out);
        self.hand_on(&mut out, &wall);
        self.tell_habits(&wall);
        self.publish(&wall);
        self.listeners.iter_mut().for_each(|l| l.close());
        self.cuts.close();
        if stuck {
            tracing::error!("the sound system no longer answers: leaving, so that the service manager starts anew");
        }
        if stuck { ExitCode::from(75) } else { ExitCode::SUCCESS }
    }

    /// One look at one source; gives whether there may be more at once.
    fn poll(&mut self, index: usize, out: &mut Vec<Outcome>) -> bool {
        let Self { lanes, chain, faults, cuts, .. } = self;
        let lane = &mut lanes[index];
        if lane.ended {
            return false;
        }
        let mut arrived = false;
        let polled = lane.source.poll(&mut |arrival| {
            arrived = true;
            let (rate, width) = chain.format(index);
            cuts.hear(index, rate.hz(), width, &arrival);
            chain.step(index, arrival, out);
        });
        if arrived {
            lane.last = Instant::now();
        }
        match polled {
            Polled::Gave { .. } => return true,
            Polled::Format(format) => {
                let fits = match chain.format(index) == (format.rate, format.channels) {
                    true => Ok(()),
                    false => chain.refit(index, format.rate, format.channels),
                };
                faults.set("patch", fits.err().map(|e| e.to_string()));
                return true;
            }
            Polled::Ended => lane.ended = true,
            Polled::Failed(sentence) => {
                faults.set("source", Some(sentence));
                lane.ended = !lane.source.paced();
            }
            Polled::Nothing => {}
        }
        let waited = lane.last.elapsed();
        if !lane.ended && lane.source.paced() && waited >= WAIT_AFTER {
            lane.last = Instant::now();
            let (rate, width) = chain.format(index);
            cuts.hear(index, rate.hz(), width, &Arrival::Idle { waited });
            chain.step(index, Arrival::Idle { waited }, out);
        }
        false
    }

    /// Takes `first` and all orders that wait; gives whether to stop.
    fn take_orders(&mut self, mut first: Option<Order>, out: &mut Vec<Outcome>, wall: &Wall) -> bool {
        loop {
            match first.take().map_or_else(|| self.orders.try_recv(), Ok) {
                Ok(Order::Mark(mark)) => self.mark(mark, out, wall),
                Ok(Order::Settings(settings, mut schedule, text)) => {
                    schedule.succeed(&self.schedule);
                    self.board.target = settings.chain.target.clone();
                    let at = wall.stamp(self.chain.now());
                    self.listeners.iter_mut().for_each(|l| l.settings(&settings, &text, at));
                    self.cuts.set(settings.moments);
                    self.board.moments_kept = self.cuts.kept();
                    self.chain.set(settings.chain, out);
                    self.schedule = *schedule;
                }
                Ok(Order::Stop) | Err(TryRecvError::Disconnected) => return true,
                Err(TryRecvError::Empty) => return false,
            }
        }
    }

    fn mark(&mut self, mark: Mark, out: &mut Vec<Outcome>, wall: &Wall) {
        let now = self.chain.now();
        self.listeners.iter_mut().for_each(|l| l.mark(mark, now, wall.stamp(now)));
        self.chain.step(0, Arrival::Mark(mark), out);
    }

    fn tell_habits(&mut self, wall: &Wall) {
        let at = wall.stamp(self.chain.now());
        for view in (0..self.chain.feeds()).filter_map(|i| self.chain.feed(i)) {
            self.listeners.iter_mut().for_each(|l| l.learned(view.name, view.habits, at));
        }
    }

    fn second(&mut self, wall: &mut Wall, out: &mut Vec<Outcome>) {
        if let Some(step) = wall.look(self.chain.now()) {
            let seconds = step as f64 / 1000.0;
            self.faults.set("clock", Some(format!("This computer's clock was moved by {seconds:.0} s: times in the log before that are off by as much.")));
        }
        for mark in self.schedule.marks(jiff::Timestamp::now()) {
            self.mark(mark, out, wall);
        }
        self.board.service.timetable = self.schedule.is_set();
        let ailing: Vec<String> = self.lanes.iter().filter_map(|l| l.source.fault()).collect();
        self.faults.set("device", (!ailing.is_empty()).then(|| ailing.join(" ")));
        self.board.notices = self.listeners.iter().flat_map(|l| l.notices()).collect();
        let ailing = self.listeners.iter_mut().map(|l| l.fault()).chain([self.cuts.fault()]);
        for (kind, sentence) in ailing {
            self.faults.set(kind, sentence);
        }
    }

    fn hand_on(&mut self, out: &mut Vec<Outcome>, wall: &Wall) {
        let ended = out.iter().any(|o| matches!(o, Outcome::Ended { .. }));
        // The board is published less often than outcomes come; what counts back from now must know it.
        self.board.now = self.chain.now();
        for outcome in out.drain(..) {
            self.board.apply(&outcome);
            if let Outcome::Alert { change, alert } = &outcome {
                let feed = self.board.feeds.get(alert.feed).map_or("", |f| f.name.as_str());
                tracing::info!(?change, feed, condition = alert.condition, severity = alert.evidence.severity.name(), at = %alert.raised, "{}", alert.evidence.sentence());
            }
            let at = match &outcome {
                Outcome::Reading { reading, .. } => reading.at,
                _ => self.chain.now(),
            };
            self.linecheck.take(&outcome, self.chain.format(self.chain.leading()).0.hz());
            self.cuts.see(&outcome, &self.chain, wall.stamp(at));
            for listener in &mut self.listeners {
                listener.take(&outcome, &self.board, wall.stamp(at));
            }
        }
        if ended {
            self.tell_habits(wall);
        }
    }

    fn publish(&mut self, wall: &Wall) {
        self.board.look_at(&self.chain);
        self.board.now_unix_ms = wall.stamp(self.board.now);
        self.board.faults = self.faults.list();
        for (feed, lane) in self.board.feeds.iter_mut().zip(self.chain.lane_of_feeds()) {
            feed.source = self.lanes[lane].source.describe();
        }
        self.publish.send_replace(Arc::new(self.board.clone()));
    }
}
