//! What has changed of a page's parts, found once for all who have it open: at most ten times a second, at least once
//! a second. A slow client gets the newest state, never a backlog; nothing is made when nobody listens.

use super::AppState;
use super::page::Part;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt as _};

/// Pause between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Something is said at least every so many looks, so that the page knows that we live.
const BEAT_EVERY: u32 = 10;

type Look = dyn FnMut(&AppState) -> Vec<Part> + Send;

/// The newest state of a page.
#[derive(Clone)]
struct Change {
    number: u64,
    parts: Arc<Vec<Part>>,
    /// What differs from the change before, as JSON.
    since: Arc<str>,
}

struct Maker {
    look: Box<Look>,
    at_work: bool,
    quiet: u32,
}

/// The changes of one page.
pub(super) struct Changes {
    newest: watch::Sender<Change>,
    maker: Mutex<Maker>,
}

impl Changes {
    /// `look` makes all parts of the page.
    pub(super) fn new(look: impl FnMut(&AppState) -> Vec<Part> + Send + 'static) -> Self {
        let none = Change { number: 0, parts: Arc::default(), since: "{}".into() };
        let maker = Maker { look: Box::new(look), at_work: false, quiet: 0 };
        Self { newest: watch::channel(none).0, maker: Mutex::new(maker) }
    }

    /// All parts at first, then what has changed, as JSON objects of names and HTML.
    pub(super) fn listen(self: &Arc<Self>, state: &AppState) -> impl Stream<Item = Arc<str>> + Send + use<> {
        let mut maker = self.maker();
        let newest = self.newest.subscribe();
        if !maker.at_work {
            maker.at_work = true;
            self.look(&mut maker, state);
            tokio::spawn(self.clone().make(state.clone()));
        }
        drop(maker);
        let mut seen: Option<Change> = None;
        WatchStream::new(newest).map(move |change| {
            let data = match &seen {
                Some(seen) if seen.number + 1 == change.number => change.since.clone(),
                Some(seen) => differences(&seen.parts, &change.parts).1,
                None => differences(&[], &change.parts).1,
            };
            seen = Some(change);
            data
        })
    }

    async fn make(self: Arc<Self>, state: AppState) {
        loop {
            tokio::time::sleep(LOOK_EVERY).await;
            let mut maker = self.maker();
            if self.newest.receiver_count() == 0 {
                maker.at_work = false;
                return;
            }
            self.look(&mut maker, &state);
        }
    }

    fn look(&self, maker: &mut Maker, state: &AppState) {
        let parts = (maker.look)(state);
        let (any, since) = differences(&self.newest.borrow().parts, &parts);
        maker.quiet += 1;
        if any || maker.quiet >= BEAT_EVERY {
            maker.quiet = 0;
            self.newest.send_modify(|c| *c = Change { number: c.number + 1, parts: Arc::new(parts), since });
        }
    }

    fn maker(&self) -> MutexGuard<'_, Maker> {
        self.maker.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether any of `parts` differs from those `before`, and those that do.
fn differences(before: &[Part], parts: &[Part]) -> (bool, Arc<str>) {
    let changed: BTreeMap<_, _> =
        parts.iter().filter(|p| !before.contains(p)).map(|(name, html)| (*name, html.as_str())).collect();
    (!changed.is_empty(), serde_json::to_string(&changed).unwrap_or_default().into())
}
