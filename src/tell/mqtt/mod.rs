//! Notices over MQTT 3.1.1: the state of each alert retained, the last will says when the program is gone.
//!
//! Topics under `PREFIX/VENUE`: `status` (`online`, `offline`; retained, last will), `alert/FEED/CONDITION`
//! (retained JSON: where it stands), `review` (retained), `notice` (every notice, not retained). QoS 1; a notice is
//! told when the broker has acknowledged every message of it. No home-automation discovery: what is in use belongs
//! to single products.

mod worker;

use super::gate::Manners;
use super::queue::{Channel, Miss};
use super::secret::SecretPlace;
use crate::ledger::{Notice, NoticeStep};
use rumqttc::{Client, LastWill, MqttOptions, QoS, Transport};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};
use worker::{Line, States, Worker};

/// Time for the broker to acknowledge, seconds (own choice).
const ANSWER_SECONDS: u64 = 15;
/// Pings keep the line alive this often, seconds; the broker publishes the last will after 1.5 of it (3.1.1, 3.1.2.10).
const KEEP_ALIVE_SECONDS: u64 = 20;
/// Messages on their way into the client; more than all retained states together.
const CLIENT_QUEUE: usize = 1_024;
/// Retained states remembered (feeds x conditions).
const MOST_STATES: usize = 500;

/// Section `[tell.mqtt]`.
#[derive(Debug, Clone, PartialEq)]
pub struct MqttSettings {
    /// What is told and how often.
    pub manners: Manners,
    /// The broker.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// TLS (port 8883).
    pub tls: bool,
    /// Certificates (PEM) to trust.
    pub ca_file: PathBuf,
    /// Account; empty: without logging in.
    pub user: String,
    /// Where its password is.
    pub password_from: SecretPlace,
    /// First part of every topic.
    pub prefix: String,
    /// The venue's part of every topic; empty: made from the venue's name.
    pub name: String,
}

impl Default for MqttSettings {
    fn default() -> Self {
        Self {
            manners: Manners::quiet_on(&[]),
            host: String::new(),
            port: 1883,
            tls: false,
            ca_file: "/etc/ssl/certs/ca-certificates.crt".into(),
            user: String::new(),
            password_from: SecretPlace::None,
            prefix: "mixwarden".into(),
            name: String::new(),
        }
    }
}

/// A name as one level of a topic: small letters, digits, `_`.
pub fn topic_level(name: &str) -> String {
    let level: String = name.to_lowercase().chars().map(|c| if c.is_alphanumeric() { c } else { '_' }).collect();
    if level.is_empty() { "venue".into() } else { level }
}

struct Pump {
    client: Client,
    line: Receiver<Line>,
    stop: Arc<AtomicBool>,
}

/// A broker.
pub(super) struct Mqtt {
    settings: MqttSettings,
    base: String,
    link: String,
    states: States,
    pump: Option<Pump>,
    up: bool,
    why_down: String,
}

impl Mqtt {
    pub(super) fn new(settings: MqttSettings, venue: &str, link: &str) -> Self {
        let name = if settings.name.is_empty() { topic_level(venue) } else { topic_level(&settings.name) };
        Self {
            base: format!("{}/{name}", settings.prefix),
            settings,
            link: link.into(),
            states: States::default(),
            pump: None,
            up: false,
            why_down: "the broker has not been reached yet".into(),
        }
    }

    fn start(&mut self) -> Result<(), String> {
        if self.pump.is_some() {
            return Ok(());
        }
        let s = &self.settings;
        let mut options = MqttOptions::new(self.base.replace('/', "-"), &s.host, s.port);
        options.set_keep_alive(Duration::from_secs(KEEP_ALIVE_SECONDS));
        options.set_last_will(LastWill::new(format!("{}/status", self.base), "offline", QoS::AtLeastOnce, true));
        if !s.user.is_empty() {
            let password = s.password_from.fetch()?.ok_or("no password_from is set for the broker's account")?;
            options.set_credentials(&s.user, password.expose());
        }
        if s.tls {
            let ca = std::fs::read(&s.ca_file)
                .map_err(|e| format!("{}: the certificates cannot be read ({})", s.ca_file.display(), e.kind()))?;
            options.set_transport(Transport::tls(ca, None, None));
        }
        let (client, connection) = Client::new(options, CLIENT_QUEUE);
        let (tell, line) = sync_channel(CLIENT_QUEUE);
        let stop = Arc::new(AtomicBool::new(false));
        let worker = Worker {
            client: client.clone(),
            tell,
            stop: stop.clone(),
            states: self.states.clone(),
            status: format!("{}/status", self.base),
        };
        std::thread::Builder::new()
            .name("mqtt line".into())
            .spawn(move || worker.run(connection))
            .map_err(|e| format!("no thread for the broker: {e}"))?;
        self.pump = Some(Pump { client, line, stop });
        Ok(())
    }

    /// Takes in the next news of the line, waiting at most `patience`. Gives whether a message was acknowledged;
    /// `None` when there was no news.
    fn news(&mut self, patience: Duration) -> Option<bool> {
        let news = self.pump.as_ref()?.line.recv_timeout(patience);
        match news {
            Ok(Line::Up) => self.up = true,
            Ok(Line::Down(why)) => (self.up, self.why_down) = (false, why),
            Ok(Line::Acknowledged) => return Some(true),
            Err(RecvTimeoutError::Timeout) => return None,
            Err(RecvTimeoutError::Disconnected) => {
                (self.up, self.pump) = (false, None);
                return None;
            }
        }
        Some(false)
    }

    /// Takes in all news that wait.
    fn catch_up(&mut self) {
        while self.news(Duration::ZERO).is_some() {}
    }

    /// Gives the line up; the next try begins a new one.
    fn hang_up(&mut self) {
        if let Some(pump) = self.pump.take() {
            pump.stop.store(true, Ordering::Relaxed);
            let _ = pump.client.try_disconnect();
        }
        self.up = false;
    }

    /// Topic, payload, retained.
    fn messages(&self, notice: &Notice) -> Vec<(String, Vec<u8>, bool)> {
        let whole = super::webhook::body(notice, &super::webhook::WebhookBody::Json, &self.link).into_bytes();
        let mut messages = Vec::new();
        match notice.step {
            NoticeStep::Test => {}
            NoticeStep::Review => messages.push((format!("{}/review", self.base), whole.clone(), true)),
            step => {
                let state = serde_json::json!({
                    "state": if step == NoticeStep::Changed { NoticeStep::Raised.name() } else { step.name() },
                    "severity": notice.severity, "thread": notice.thread, "headline": notice.headline,
                    "since": notice.since, "at": notice.at, "rehearsal": notice.rehearsal,
                });
                let topic = format!("{}/alert/{}/{}", self.base, topic_level(&notice.feed), notice.condition);
                messages.push((topic, state.to_string().into_bytes(), true));
            }
        }
        messages.push((format!("{}/notice", self.base), whole, false));
        messages
    }
}

impl Channel for Mqtt {
    fn tell(&mut self, notice: &Notice) -> Result<(), Miss> {
        self.start().map_err(|why| Miss::Later(why, None))?;
        let deadline = Instant::now() + Duration::from_secs(ANSWER_SECONDS);
        while !self.up && Instant::now() < deadline {
            self.news(Duration::from_millis(500));
        }
        self.catch_up();
        let messages = self.messages(notice);
        {
            let mut states = self.states.lock().unwrap_or_else(PoisonError::into_inner);
            for (topic, payload, _) in messages.iter().filter(|m| m.2) {
                if states.len() < MOST_STATES || states.contains_key(topic) {
                    states.insert(topic.clone(), payload.clone());
                }
            }
        }
        let mut missing = messages.len();
        if self.up
            && let Some(pump) = &self.pump
        {
            for (topic, payload, retained) in messages {
                pump.client
                    .try_publish(topic, QoS::AtLeastOnce, retained, payload)
                    .map_err(|_| Miss::Later("the line to the broker is full".into(), None))?;
            }
        }
        while self.up && missing > 0 && Instant::now() < deadline {
            missing -= usize::from(self.news(Duration::from_millis(500)) == Some(true));
        }
        match (missing, self.up) {
            (0, _) => Ok(()),
            (_, true) => {
                // A late acknowledgement must not be taken for one of the next try's.
                self.hang_up();
                Err(Miss::Later(format!("the broker did not acknowledge within {ANSWER_SECONDS} s"), None))
            }
            (_, false) => Err(Miss::Later(self.why_down.clone(), None)),
        }
    }

    fn attend(&mut self) {
        if let Err(why) = self.start() {
            self.why_down = why;
        }
        self.catch_up();
    }

    fn leave(&mut self) {
        let Some(pump) = self.pump.take() else { return };
        pump.stop.store(true, Ordering::Relaxed);
        let _ = pump.client.try_publish(format!("{}/status", self.base), QoS::AtLeastOnce, true, "offline");
        let _ = pump.client.try_disconnect();
        // The broker hears the goodbye, or finds out by itself and publishes the last will.
        let deadline = Instant::now() + Duration::from_secs(1);
        while Instant::now() < deadline
            && !matches!(pump.line.recv_timeout(Duration::from_millis(100)), Err(RecvTimeoutError::Disconnected))
        {
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_are_of_harmless_letters_and_states_are_retained() {
        assert_eq!(topic_level("Larkfield Chapel/#+"), "larkfield_chapel___");
        let mqtt = Mqtt::new(MqttSettings::default(), "Larkfield Chapel", "");
        let notice =
            Notice { feed: "stream".into(), condition: "hum".into(), step: NoticeStep::Cleared, ..Notice::default() };
        let m = mqtt.messages(&notice);
        assert_eq!((m[0].0.as_str(), m[0].2), ("mixwarden/larkfield_chapel/alert/stream/hum", true));
        assert_eq!((m[1].0.as_str(), m[1].2), ("mixwarden/larkfield_chapel/notice", false));
        let state: serde_json::Value = serde_json::from_slice(&m[0].1).unwrap();
        assert_eq!(state["state"], "cleared");
    }
}
