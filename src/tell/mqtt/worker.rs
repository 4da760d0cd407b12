//! The thread that holds the line to a broker.

use crate::tell::queue::chance;
use crate::tell::retry::Retry;
use rumqttc::{Client, Connection, Event, Packet, QoS};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What the pump tells of the line.
pub(super) enum Line {
    Up,
    Down(String),
    Acknowledged,
}

/// States that the broker should hold, topic to payload.
pub(super) type States = Arc<Mutex<BTreeMap<String, Vec<u8>>>>;

/// The thread that holds the line.
pub(super) struct Worker {
    pub(super) client: Client,
    pub(super) tell: SyncSender<Line>,
    pub(super) stop: Arc<AtomicBool>,
    pub(super) states: States,
    pub(super) status: String,
}

impl Worker {
    pub(super) fn run(self, mut connection: Connection) {
        let mut retry = Retry::default();
        loop {
            match connection.recv() {
                Ok(Ok(Event::Incoming(Packet::ConnAck(_)))) => {
                    retry.reset();
                    self.refresh();
                    let _ = self.tell.try_send(Line::Up);
                }
                Ok(Ok(Event::Incoming(Packet::PubAck(_)))) => {
                    let _ = self.tell.try_send(Line::Acknowledged);
                }
                Ok(Ok(_)) => {}
                Ok(Err(e)) => {
                    if self.stop.load(Ordering::Relaxed) {
                        return;
                    }
                    let _ = self.tell.try_send(Line::Down(why(&e)));
                    let end = Instant::now() + retry.wait(chance(), None);
                    while Instant::now() < end && !self.stop.load(Ordering::Relaxed) {
                        std::thread::sleep(Duration::from_millis(100));
                    }
                }
                Err(_) => return,
            }
        }
    }

    /// A broker that was started again may have forgotten what it held: it is told anew, without acknowledgement,
    /// so that only a notice's own messages are counted.
    fn refresh(&self) {
        let _ = self.client.try_publish(&self.status, QoS::AtMostOnce, true, "online");
        let states = self.states.lock().unwrap_or_else(PoisonError::into_inner);
        for (topic, payload) in states.iter() {
            let _ = self.client.try_publish(topic, QoS::AtMostOnce, true, payload.clone());
        }
    }
}

fn why(error: &rumqttc::ConnectionError) -> String {
    use rumqttc::ConnectionError as E;
    match error {
        E::ConnectionRefused(code) => format!("the broker does not let us in ({code:?})"),
        E::Io(e) => format!("the broker cannot be reached ({})", e.kind()),
        E::Tls(_) => "the broker cannot prove who it is (its certificate is not trusted here)".into(),
        E::NetworkTimeout | E::FlushTimeout => "the broker does not answer".into(),
        _ => "the line to the broker broke".into(),
    }
}
