//! The event stream: who may listen, how many, and to which page.

use super::AppState;
use super::access::Role;
use axum::extract::{Extension, Query, State};
use axum::http::StatusCode;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio_stream::StreamExt as _;

/// Most listeners at once.
const MOST: usize = 200;

/// Counts a listener as long as it is there.
struct Seat(Arc<AtomicUsize>);

impl Drop for Seat {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

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
    let changes = if of_linecheck { &state.linecheck } else { &state.booth };
    let stream = changes.listen(&state).map(move |data| {
        // The seat goes with the stream.
        let _ = &seat;
        Ok::<_, Infallible>(Event::default().data(data))
    });
    Sse::new(stream).into_response()
}
