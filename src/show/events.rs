//! The event stream: what changed of the page's parts, at most ten times a second, at least once a second. A slow
//! client gets the newest state, never a backlog; nothing is made when nobody listens.

use super::access::Role;
use super::page::Part;
use super::{AppState, linecheck};
use axum::extract::{Extension, Query, State};
use axum::http::StatusCode;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tokio_stream::Stream;

/// Most listeners at once.
const MOST: usize = 200;
/// Pause between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Something is said at least this often, so that the page knows that we live.
const BEAT_EVERY: u32 = 10;

/// Counts a listener as long as it is there.
struct Seat(Arc<AtomicUsize>);

impl Drop for Seat {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

type Events = Pin<Box<dyn Stream<Item = Result<Event, Infallible>> + Send>>;

/// Whose parts are wanted: the booth page's, or the line check's.
#[derive(Debug, Deserialize)]
pub(super) struct Wanted {
    #[serde(default)]
    page: String,
}

pub(super) async fn events(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Query(wanted): Query<Wanted>,
) -> Response {
    let of_linecheck = wanted.page == "linecheck";
    if of_linecheck && let Err(why) = role.may(Role::Manage) {
        return (StatusCode::FORBIDDEN, format!("{why}\n")).into_response();
    }
    if state.listeners.fetch_add(1, Ordering::Relaxed) >= MOST {
        state.listeners.fetch_sub(1, Ordering::Relaxed);
        return (StatusCode::SERVICE_UNAVAILABLE, format!("{MOST} pages are open already; close one.\n"))
            .into_response();
    }
    let seat = Seat(state.listeners.clone());
    let (send, receive) = tokio::sync::mpsc::channel(1);
    tokio::spawn(async move {
        let _seat = seat;
        let mut last: Arc<Vec<Part>> = Arc::default();
        let mut quiet = 0;
        loop {
            let parts = if of_linecheck { Arc::new(linecheck::parts(&state)) } else { state.parts() };
            let changed: BTreeMap<_, _> =
                parts.iter().filter(|p| !last.contains(p)).map(|(name, html)| (*name, html.as_str())).collect();
            quiet += 1;
            if !changed.is_empty() || quiet >= BEAT_EVERY {
                quiet = 0;
                let data = serde_json::to_string(&changed).unwrap_or_default();
                if send.send(Ok(Event::default().data(data))).await.is_err() {
                    return;
                }
            }
            last = parts;
            tokio::select! {
                () = tokio::time::sleep(LOOK_EVERY) => {}
                () = send.closed() => return,
            }
        }
    });
    let stream: Events = Box::pin(tokio_stream::wrappers::ReceiverStream::new(receive));
    Sse::new(stream).into_response()
}
