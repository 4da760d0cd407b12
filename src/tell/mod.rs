//! Notices: telling the people who are not at the page. Each channel is off until set, lives on its own thread
//! with its own bounded queue, and can neither delay the measuring nor another channel.
//!
//! ```text
//! measuring thread ─take()─► desk (gate, store) ─► queue ─► channel's thread ─► peer
//! ```
//! The desk alone touches the store. A process that dies between a peer's answer and the store's tells it again, under
//! the same id.

mod desk;
mod desktop;
mod gate;
mod mail;
mod mqtt;
mod queue;
mod retry;
mod secret;
mod webhook;

pub use desktop::DesktopSettings;
pub use gate::Manners;
pub use mail::{MailSecurity, MailSettings, is_address};
pub use mqtt::{MqttSettings, topic_level};
pub use queue::{Channel, MOST_WAITING, Miss};
pub use secret::{SECRET_FORMS, Secret, SecretPlace};
pub use webhook::{BODY_FORMAT, WebhookBody, WebhookSettings};

use crate::chain::Outcome;
use crate::judge::{AlertChange, Severity};
use crate::ledger::{Board, Notice, NoticeCounts, Outbox};
use desk::{Counter, Desk, Order};
use gate::Gate;
use queue::Queue;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// The channels' names: in settings, commands and metrics.
pub const CHANNELS: [&str; 4] = ["desktop", "webhook", "mail", "mqtt"];
/// Notices on their way to the desk (own choice: the measuring never waits).
const MOST_AT_DESK: usize = 1_000;
/// How long the end of the program waits for channels that are with a peer.
const LEAVE_SECONDS: u64 = 1;

/// Section `[tell]`: every channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TellSettings {
    /// Address of the page as readers reach it; empty: none is told.
    pub page: String,
    /// On this computer's desktop.
    pub desktop: DesktopSettings,
    /// By HTTP POST.
    pub webhook: WebhookSettings,
    /// By e-mail.
    pub mail: MailSettings,
    /// To a broker.
    pub mqtt: MqttSettings,
}

impl TellSettings {
    /// What is missing for a channel that is on: key and sentence, all at once.
    pub fn check(&self) -> Vec<(&'static str, String)> {
        let mut problems = Vec::new();
        let mut want = |on: bool, good: bool, key, sentence: &str| {
            if on && !good {
                problems.push((key, sentence.to_string()));
            }
        };
        let (webhook, mail, mqtt) = (&self.webhook, &self.mail, &self.mqtt);
        let on = webhook.manners.enabled;
        want(
            on,
            webhook.url_from != SecretPlace::None,
            "tell.webhook.url_from",
            "is not set; say where the address is, such as \"file:/etc/mixwarden/webhook\"",
        );
        let on = mail.manners.enabled;
        want(on, !mail.host.is_empty(), "tell.mail.host", "is not set; give the mail server's name");
        want(on, is_address(&mail.from), "tell.mail.from", "is no mail address; give NAME@HOST");
        want(on, !mail.to.is_empty(), "tell.mail.to", "is not set; give the readers' addresses");
        want(
            on,
            mail.user.is_empty() || mail.password_from != SecretPlace::None,
            "tell.mail.password_from",
            "is not set, but user is; say where the password is",
        );
        let local = ["localhost", "127.0.0.1", "::1"].contains(&mail.host.as_str());
        want(
            on,
            mail.security != MailSecurity::None || local,
            "tell.mail.security",
            "is \"none\"; that is for a mail server on this computer only: give \"starttls\" or \"tls\"",
        );
        let on = mqtt.manners.enabled;
        want(on, !mqtt.host.is_empty(), "tell.mqtt.host", "is not set; give the broker's name");
        want(
            on,
            mqtt.user.is_empty() || mqtt.password_from != SecretPlace::None,
            "tell.mqtt.password_from",
            "is not set, but user is; say where the password is",
        );
        problems
    }

    fn channel(&self, name: &str, venue: &str) -> Option<(Manners, Box<dyn Channel>)> {
        let link = self.page.as_str();
        Some(match name {
            "desktop" => (self.desktop.manners.clone(), Box::new(desktop::Desktop::new(link)) as Box<dyn Channel>),
            "webhook" => (self.webhook.manners.clone(), Box::new(webhook::Webhook::new(self.webhook.clone(), link))),
            "mail" => (self.mail.manners.clone(), Box::new(mail::Mail::new(self.mail.clone(), link))),
            "mqtt" => (self.mqtt.manners.clone(), Box::new(mqtt::Mqtt::new(self.mqtt.clone(), venue, link))),
            _ => return None,
        })
    }
}

/// Wall time, ms since 1970, to RFC 3339 with offset.
pub type LocalClock = Arc<dyn Fn(i64) -> String + Send + Sync>;

/// All channels at work.
pub struct Teller {
    desk: SyncSender<Order>,
    desk_thread: Option<JoinHandle<()>>,
    channels: Vec<(&'static str, Arc<Queue>, JoinHandle<()>)>,
    ailing: Arc<Mutex<Option<String>>>,
    clock: LocalClock,
    warnings_in_service: usize,
    lost_at_desk: AtomicU64,
}

impl Teller {
    /// Starts the channels that are on. What `outbox` holds is told first. Conversations that were left open there
    /// are ended, unless `same_run` says that their alerts still stand (new settings while running).
    ///
    /// # Errors
    /// One sentence, when no thread can be had.
    pub fn start(
        settings: &TellSettings,
        venue: &str,
        mut outbox: Box<dyn Outbox>,
        clock: LocalClock,
        now_unix_ms: i64,
        same_run: bool,
    ) -> Result<Self, String> {
        let ailing = Arc::new(Mutex::new(None));
        let loaded = outbox.load();
        let (desk_sender, orders) = sync_channel(MOST_AT_DESK);
        let mut desk =
            Desk { outbox, next_number: 1, counters: Vec::new(), ailing: ailing.clone(), began: Instant::now() };
        desk.note(loaded.as_ref().err().cloned());
        let loaded = loaded.unwrap_or_default();
        desk.next_number = loaded.next_number.max(1);
        let mut workers = Vec::new();
        for name in CHANNELS {
            let Some((manners, channel)) = settings.channel(name, venue) else { continue };
            if manners.enabled {
                let open = loaded.open.iter().filter(|(c, _)| c == name).map(|(_, n)| n.thread.clone());
                desk.counters.push(Counter { name, gate: Gate::new(manners, open, 0.0), queue: Arc::default() });
                workers.push(channel);
            }
        }
        for entry in loaded.waiting {
            match desk.counters.iter().find(|c| c.name == entry.channel) {
                Some(counter) => drop(counter.queue.push(entry.number, entry.notice)),
                // Its channel is off now: nobody waits for it.
                None => drop(desk.outbox.done(entry.number)),
            }
        }
        if !same_run {
            desk.end_conversations(&loaded.open, now_unix_ms, &*clock);
        }
        let mut channels = Vec::new();
        for (counter, mut channel) in desk.counters.iter().zip(workers) {
            let (name, queue, desk_sender) = (counter.name, counter.queue.clone(), desk_sender.clone());
            let thread = std::thread::Builder::new()
                .name(format!("tell {name}"))
                .spawn({
                    let queue = queue.clone();
                    move || queue::serve(name, &mut *channel, &queue, &desk_sender)
                })
                .map_err(|e| format!("no thread for {name} notices: {e}"))?;
            channels.push((name, queue, thread));
        }
        let desk_thread = std::thread::Builder::new()
            .name("tell desk".into())
            .spawn(move || desk.run(&orders))
            .map_err(|e| format!("no thread for notices: {e}"))?;
        Ok(Self {
            desk: desk_sender,
            desk_thread: Some(desk_thread),
            channels,
            ailing,
            clock,
            warnings_in_service: 0,
            lost_at_desk: AtomicU64::new(0),
        })
    }

    /// Takes one outcome; the board has taken it already. Never blocks.
    pub fn take(&mut self, outcome: &Outcome, board: &Board, unix_ms: i64) {
        if self.channels.is_empty() {
            return;
        }
        match outcome {
            Outcome::Reading { .. } | Outcome::Likeness(_) => {}
            Outcome::Alert { change, alert } => {
                let warned = *change == AlertChange::Raised && alert.evidence.severity == Severity::Warning;
                self.warnings_in_service += usize::from(warned && board.service.began.is_some());
                self.tell(Notice::of_alert(*change, alert, board, unix_ms, &*self.clock));
            }
            Outcome::Began { .. } => self.warnings_in_service = 0,
            Outcome::Ended { programmes, .. } => {
                self.tell(Notice::of_review(programmes, self.warnings_in_service, board, unix_ms, &*self.clock));
            }
        }
    }

    /// Tells a notice on every channel that lets it through. Never blocks.
    pub fn tell(&self, notice: Notice) {
        if let Err(TrySendError::Full(_)) = self.desk.try_send(Order::Tell(Box::new(notice))) {
            self.lost_at_desk.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// What ails the notices, one or more sentences; the box fault `notice`.
    pub fn fault(&self) -> Option<String> {
        let mut sentences: Vec<String> = Vec::new();
        for (name, queue, _) in &self.channels {
            if let Some((why, waiting)) = queue.ailing() {
                sentences
                    .push(format!("Notices by {name} do not get through: {why}; {waiting} wait and are tried again."));
            }
        }
        sentences.extend(self.ailing.lock().unwrap_or_else(PoisonError::into_inner).clone());
        (!sentences.is_empty()).then(|| sentences.join(" "))
    }

    /// Figures of each channel that is on.
    pub fn counts(&self) -> Vec<(&'static str, NoticeCounts)> {
        let at_desk = self.lost_at_desk.load(Ordering::Relaxed);
        let with_desk = |c: NoticeCounts| NoticeCounts { lost: c.lost + at_desk, ..c };
        self.channels.iter().map(|(name, queue, _)| (*name, with_desk(queue.counts()))).collect()
    }

    /// Ends the channels; what waits stays in the store. Takes about a second at most: a channel that is with a
    /// slow peer is left behind.
    pub fn close(&mut self) {
        self.channels.iter().for_each(|(_, queue, _)| queue.stop());
        let end = Instant::now() + Duration::from_secs(LEAVE_SECONDS);
        while Instant::now() < end && self.channels.iter().any(|(.., t)| !t.is_finished()) {
            std::thread::sleep(Duration::from_millis(20));
        }
        let _ = self.desk.send(Order::Stop);
        if let Some(thread) = self.desk_thread.take() {
            let _ = thread.join();
        }
    }
}

/// Tries one channel now, whether it is on or not, without queue or store.
///
/// # Errors
/// One sentence: the name is none of `CHANNELS`, or why the peer does not have the notice.
pub fn test(
    settings: &TellSettings,
    venue: &str,
    name: &str,
    clock: &LocalClock,
    now_unix_ms: i64,
) -> Result<(), String> {
    let (_, mut channel) = settings
        .channel(name, venue)
        .ok_or_else(|| format!("{name:?} is no way to tell; give one of {}", CHANNELS.join(", ")))?;
    channel.attend();
    let result = channel.tell(&Notice::of_test(venue, now_unix_ms, &**clock));
    channel.leave();
    result.map_err(|miss| miss.why().to_string())
}
