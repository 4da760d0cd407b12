//! What has changed of a page's parts, found once for all who have it open: whenever a board comes (ten times a second,
//! and at once when somebody has done something), said at least once a second. A slow client gets the newest state,
//! never a backlog; nothing is made when nobody listens.

use super::AppState;
use super::page::Part;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt as _};

/// Something is said at least this often, so that the page knows that we live.
const BEAT_EVERY: Duration = Duration::from_secs(1);
/// Where no board comes there is a look this often all the same: the page must say that the listening has stopped.
const LOOK_EVERY: Duration = Duration::from_millis(250);

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
    said: Instant,
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
        let maker = Maker { look: Box::new(look), at_work: false, said: Instant::now() };
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
        let mut board = state.board.clone();
        loop {
            if let Ok(Err(_)) = tokio::time::timeout(LOOK_EVERY, board.changed()).await {
                tokio::time::sleep(LOOK_EVERY).await; // the measuring has ended
            }
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
        if any || maker.said.elapsed() >= BEAT_EVERY {
            maker.said = Instant::now();
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
