//! Notices on the desktop of the booth computer (freedesktop Desktop Notifications 1.2), without a sound.
//!
//! Works where the program runs in the desktop's session (user unit); a system service has no session bus.

use super::gate::Manners;
use super::queue::{Channel, Miss};
use crate::ledger::{Notice, NoticeStep};
use notify_rust::{Hint, Notification, Timeout, Urgency};
use std::collections::BTreeMap;

/// Bubbles remembered, so that a step of a conversation takes the place of the one before.
const MOST_BUBBLES: usize = 100;
/// How long a bubble that asks for nothing stays, milliseconds.
const CALM_MS: u32 = 15_000;

/// Section `[tell.desktop]`.
#[derive(Debug, Clone, PartialEq)]
pub struct DesktopSettings {
    /// What is told and how often.
    pub manners: Manners,
}

impl Default for DesktopSettings {
    fn default() -> Self {
        Self { manners: Manners::quiet_on(&["note", "review"]) }
    }
}

/// The session's notification service.
#[derive(Debug, Default)]
pub(super) struct Desktop {
    link: String,
    /// The service's number of each conversation's bubble.
    bubbles: BTreeMap<String, u32>,
}

impl Desktop {
    pub(super) fn new(link: &str) -> Self {
        Self { link: link.into(), bubbles: BTreeMap::new() }
    }
}

/// The body may be read as simple markup, so that what has a meaning there is written out.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

impl Channel for Desktop {
    fn tell(&mut self, notice: &Notice) -> Result<(), Miss> {
        let text = notice.text(&self.link);
        let body = text.split_once('\n').map_or("", |(_, rest)| rest);
        let stays = notice.severity == "warning" && matches!(notice.step, NoticeStep::Raised | NoticeStep::Changed);
        let mut bubble = Notification::new();
        bubble
            .appname("mixwarden")
            .summary(&notice.subject())
            .body(&escaped(body))
            .hint(Hint::SuppressSound(true))
            .urgency(if stays { Urgency::Critical } else { Urgency::Normal })
            .timeout(if stays { Timeout::Never } else { Timeout::Milliseconds(CALM_MS) });
        if let Some(id) = self.bubbles.get(&notice.thread) {
            bubble.id(*id);
        }
        let shown = bubble
            .show()
            .map_err(|_| Miss::Later("there is no desktop session with a notification service here".into(), None))?;
        if notice.opens() {
            if self.bubbles.len() == MOST_BUBBLES {
                self.bubbles.pop_first();
            }
            self.bubbles.insert(notice.thread.clone(), shown.id());
        } else {
            self.bubbles.remove(&notice.thread);
        }
        Ok(())
    }
}
