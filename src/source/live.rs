//! A live input, whatever the host: opened, watched, reopened. All that may block (open, checks, drop) runs on the
//! device's own thread under a deadline; the audio callback copies into a fixed ring and counts what did not fit.

use super::{Format, Polled, Source};
use crate::feed::{Arrival, Block};
use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError, channel};
use std::time::{Duration, Instant};

/// The ring holds this much audio: longer than any healthy delay of the measuring thread.
const RING_SECONDS: usize = 2;
/// An open that has not answered by then is left behind, and counted.
const OPEN_WITHIN: Duration = Duration::from_secs(4);
/// No audio for this long in an open device is a stall (largest gap seen under full load: 144 ms).
const STALL_AFTER: Duration = Duration::from_secs(1);
/// Back-off between two attempts.
const FIRST_WAIT: Duration = Duration::from_millis(100);
const LONGEST_WAIT: Duration = Duration::from_secs(1);
/// The device thread asks its host this often whether the input still is the one that was opened.
const CHECK_EVERY: Duration = Duration::from_millis(300);
/// Opens left behind that do not come back, above which the process should be restarted.
const MOST_STUCK: u32 = 4;
/// Audio faster than this against the clock is stale audio played again.
const RUNAWAY: f64 = 1.5;

/// What is run around the body of the audio callback: a plain call, or a test's count of what it must not do.
pub type Around = fn(&mut dyn FnMut());

/// The plain call.
fn plain(body: &mut dyn FnMut()) {
    body();
}

/// The callback's end of the ring.
pub(super) struct Inlet {
    around: Around,
    ring: Producer<f32>,
    channels: usize,
    lost: Arc<AtomicU64>,
}

impl Inlet {
    /// Copies whole frames; allocates nothing, locks nothing, logs nothing. What does not fit is counted.
    pub(super) fn take(&mut self, frames: usize, mut sample: impl FnMut(usize) -> f32) {
        (self.around)(&mut || self.copy(frames, &mut sample));
    }

    fn copy(&mut self, frames: usize, sample: &mut impl FnMut(usize) -> f32) {
        let fits = (self.ring.slots() / self.channels).min(frames);
        if let Ok(mut chunk) = self.ring.write_chunk(fits * self.channels) {
            let (first, second) = chunk.as_mut_slices();
            let split = first.len();
            first.iter_mut().enumerate().for_each(|(i, slot)| *slot = sample(i));
            second.iter_mut().enumerate().for_each(|(i, slot)| *slot = sample(split + i));
            chunk.commit_all();
        }
        if fits < frames {
            self.lost.fetch_add((frames - fits) as u64, Ordering::Relaxed);
        }
    }
}

/// The measuring thread's end.
pub(super) struct Outlet {
    ring: Consumer<f32>,
    lost: Arc<AtomicU64>,
}

/// A ring for a device of this format.
pub(super) fn ring(format: Format, around: Around) -> (Inlet, Outlet) {
    let (producer, consumer) = RingBuffer::new(format.rate.hz() as usize * format.channels * RING_SECONDS);
    let lost = Arc::new(AtomicU64::new(0));
    (Inlet { around, ring: producer, channels: format.channels, lost: lost.clone() }, Outlet { ring: consumer, lost })
}

/// An open device. Dropping it closes the device.
pub(super) struct Opened {
    pub(super) format: Format,
    pub(super) outlet: Outlet,
    /// What was opened, for people.
    pub(super) name: String,
    pub(super) stream: Box<dyn Stream>,
}

/// The host's side of an open device; lives on the device's thread.
pub(super) trait Stream {
    /// Whether it still is what was opened; the sentence says what it is instead.
    fn check(&mut self) -> Result<(), String>;
}

/// How a host opens its device. May block: it runs on the device's thread.
pub(super) trait Host: Send + Sync + 'static {
    /// `around` is run around the body of the audio callback.
    fn open(&self, around: Around) -> Result<Opened, String>;
    /// What is meant to be opened, for people.
    fn wanted(&self) -> String;
}

enum State {
    Waiting { until: Instant },
    Opening { since: Instant, answer: Receiver<Answer>, close: Sender<()> },
    Running(Running),
}

struct Running {
    outlet: Outlet,
    news: Receiver<Answer>,
    /// Dropping it tells the device thread to close.
    _close: Sender<()>,
    last_audio: Instant,
    lost_told: u64,
    began: Instant,
    frames: u64,
}

enum Answer {
    Opened(Format, Outlet, String),
    Failed(String),
}

/// A live input.
pub struct Live {
    host: Arc<dyn Host>,
    around: Around,
    state: State,
    wait: Duration,
    format: Option<Format>,
    name: Option<String>,
    fault: Option<String>,
    stuck: Arc<AtomicU32>,
}

impl Live {
    pub(super) fn new(host: impl Host) -> Self {
        Self {
            host: Arc::new(host),
            around: plain,
            state: State::Waiting { until: Instant::now() },
            wait: FIRST_WAIT,
            format: None,
            name: None,
            fault: None,
            stuck: Arc::new(AtomicU32::new(0)),
        }
    }

    /// Runs `around` around the body of the audio callback.
    #[must_use]
    pub fn with(mut self, around: Around) -> Self {
        self.around = around;
        self
    }

    fn begin_opening(&mut self) {
        let (tell, answer) = channel();
        let (close, closed) = channel();
        let (host, stuck, around) = (self.host.clone(), self.stuck.clone(), self.around);
        // Counted as stuck while it has not come back; a healthy device thread is not counted.
        let spawned = std::thread::Builder::new()
            .name("device".into())
            .spawn(move || device(&*host, around, &tell, &closed, &stuck));
        self.state = match spawned {
            Ok(_) => State::Opening { since: Instant::now(), answer, close },
            Err(e) => return self.retry(format!("no thread for the input: {e}")),
        };
    }

    fn retry(&mut self, why: String) {
        // Some libraries end their sentences, some do not.
        self.fault = Some(format!("{}: {}. Trying again.", self.host.wanted(), why.trim_end_matches('.')));
        self.state = State::Waiting { until: Instant::now() + self.wait };
        self.wait = (self.wait * 2).min(LONGEST_WAIT);
    }

    fn run(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled {
        let (State::Running(running), Some(format)) = (&mut self.state, self.format) else { return Polled::Nothing };
        let mut frames = 0;
        while let Ok(chunk) =
            running.outlet.ring.read_chunk(running.outlet.ring.slots() / format.channels * format.channels)
        {
            if chunk.is_empty() {
                break;
            }
            let (first, second) = chunk.as_slices();
            for samples in [first, second] {
                // The ring's length is a multiple of the channels, so neither half cuts a frame.
                sink(Arrival::Block(Block { samples }));
                frames += (samples.len() / format.channels) as u64;
            }
            chunk.commit_all();
        }
        let lost = running.outlet.lost.load(Ordering::Relaxed);
        if lost > running.lost_told {
            sink(Arrival::Lost { frames: lost - running.lost_told });
            running.lost_told = lost;
        }
        if frames > 0 {
            running.last_audio = Instant::now();
            running.frames += frames;
            self.wait = FIRST_WAIT;
            self.fault = None;
        }
        let seconds = running.began.elapsed().as_secs_f64();
        let runaway = seconds > 5.0 && running.frames as f64 > seconds * RUNAWAY * f64::from(format.rate.hz());
        if seconds > 10.0 {
            (running.began, running.frames) = (Instant::now(), 0);
        }
        let ended = match running.news.try_recv() {
            Ok(Answer::Failed(why)) => Some(why),
            Ok(Answer::Opened(..)) | Err(TryRecvError::Empty) => None,
            Err(TryRecvError::Disconnected) => Some("it was closed".into()),
        };
        let why = if running.outlet.ring.is_abandoned() && running.outlet.ring.is_empty() {
            Some(ended.unwrap_or_else(|| "it was taken away".into()))
        } else if runaway {
            Some("it delivers sound faster than time: old sound again and again".into())
        } else if running.last_audio.elapsed() > STALL_AFTER {
            Some("it has stopped delivering sound".into())
        } else {
            ended
        };
        if let Some(why) = why {
            self.retry(why);
        }
        if frames > 0 { Polled::Gave { frames } } else { Polled::Nothing }
    }
}

/// The device's thread: open, tell, check until told to close, drop.
fn device(host: &dyn Host, around: Around, tell: &Sender<Answer>, closed: &Receiver<()>, stuck: &AtomicU32) {
    stuck.fetch_add(1, Ordering::Relaxed);
    match host.open(around) {
        Err(why) => {
            let _ = tell.send(Answer::Failed(why));
        }
        Ok(Opened { format, outlet, name, mut stream }) => {
            stuck.fetch_sub(1, Ordering::Relaxed);
            if tell.send(Answer::Opened(format, outlet, name)).is_ok() {
                while closed.recv_timeout(CHECK_EVERY) == Err(RecvTimeoutError::Timeout) {
                    if let Err(why) = stream.check() {
                        let _ = tell.send(Answer::Failed(why));
                        break;
                    }
                }
            }
            stuck.fetch_add(1, Ordering::Relaxed);
            drop(stream);
        }
    }
    stuck.fetch_sub(1, Ordering::Relaxed);
}

impl Source for Live {
    fn poll(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled {
        match &mut self.state {
            State::Waiting { until } if Instant::now() >= *until => {
                self.begin_opening();
                Polled::Nothing
            }
            State::Waiting { .. } => Polled::Nothing,
            State::Opening { since, answer, .. } => match answer.try_recv() {
                Ok(Answer::Opened(format, outlet, name)) => {
                    let State::Opening { answer, close, .. } =
                        std::mem::replace(&mut self.state, State::Waiting { until: Instant::now() })
                    else {
                        return Polled::Nothing;
                    };
                    let now = Instant::now();
                    self.state = State::Running(Running {
                        outlet,
                        news: answer,
                        _close: close,
                        last_audio: now,
                        lost_told: 0,
                        began: now,
                        frames: 0,
                    });
                    self.name = Some(name);
                    self.format = Some(format);
                    Polled::Format(format)
                }
                Ok(Answer::Failed(why)) => {
                    self.retry(why);
                    Polled::Nothing
                }
                Err(TryRecvError::Empty) if since.elapsed() < OPEN_WITHIN => Polled::Nothing,
                Err(TryRecvError::Empty) => {
                    self.retry("it does not answer".into());
                    Polled::Nothing
                }
                Err(TryRecvError::Disconnected) => {
                    self.retry("opening it failed".into());
                    Polled::Nothing
                }
            },
            State::Running(_) => self.run(sink),
        }
    }

    fn describe(&self) -> String {
        match (&self.name, self.format) {
            (Some(name), Some(f)) => format!("{name}, {} channels, {} Hz", f.channels, f.rate.hz()),
            _ => self.host.wanted(),
        }
    }

    fn fault(&self) -> Option<String> {
        self.fault.clone()
    }

    fn paced(&self) -> bool {
        true
    }

    fn stuck(&self) -> bool {
        self.stuck.load(Ordering::Relaxed) > MOST_STUCK
    }
}
