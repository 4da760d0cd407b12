//! The page, the JSON, the metrics: what the board says, over HTTP. Knows the board and nothing of its making.

pub mod access;
mod api;
mod before;
mod changes;
mod dashboards;
mod events;
pub mod fitout;
mod linecheck;
mod metrics;
mod mix;
mod moments;
mod openapi;
mod page;
mod panel;
pub mod review;
mod reviews;
mod rules;
mod shape;
mod snapshot;

pub use access::{Keys, Trusted};
pub use dashboards::dashboards;
pub use linecheck::LineCheck;
pub use metrics::{METRICS, Metric, table as metrics_table};
pub use openapi::openapi;
pub use reviews::{Reviews, find};
pub use rules::{condition_rule_tests, condition_rules};
pub use snapshot::Snapshot;

use crate::feed::Mark;
use crate::ledger::Board;
use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{StatusCode, header};
use axum::routing::{get, post};
use changes::Changes;
use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use tokio::net::{TcpListener, UnixListener};
use tokio::sync::watch;

/// A board older than this is not the present.
const STALE_AFTER: Duration = Duration::from_secs(2);
/// The long parts of the page are made anew this often.
const SLOW_EVERY: Duration = Duration::from_secs(1);
/// Bodies of requests are a few words.
const MOST_BODY: usize = 4_096;

/// What the page needs.
#[derive(Clone)]
pub struct AppState {
    board: watch::Receiver<Arc<Board>>,
    mark: Arc<dyn Fn(Mark) -> bool + Send + Sync>,
    keys: Keys,
    reviews: Reviews,
    listeners: Arc<AtomicUsize>,
    /// When the newest board came, milliseconds after `started`.
    newest: Arc<AtomicU64>,
    started: Instant,
    /// What changes of the booth page.
    booth: Arc<Changes>,
    /// What changes of the line check's page.
    linecheck: Arc<Changes>,
}

impl AppState {
    /// Shows `board`; `mark` hands a mark to the measuring and says whether it was taken.
    pub fn new(
        board: watch::Receiver<Arc<Board>>,
        mark: impl Fn(Mark) -> bool + Send + Sync + 'static,
        keys: Keys,
        reviews: Reviews,
    ) -> Self {
        Self {
            board,
            mark: Arc::new(mark),
            keys,
            reviews,
            listeners: Arc::default(),
            newest: Arc::default(),
            started: Instant::now(),
            booth: Arc::new(Changes::new(booth_parts())),
            linecheck: Arc::new(Changes::new(linecheck::parts)),
        }
    }

    fn stale(&self) -> bool {
        let newest = Duration::from_millis(self.newest.load(Ordering::Relaxed));
        self.started.elapsed().saturating_sub(newest) > STALE_AFTER
    }

    /// Notes when boards come, until they end.
    pub async fn follow(self) {
        let mut board = self.board.clone();
        while board.changed().await.is_ok() {
            self.newest.store(self.started.elapsed().as_millis() as u64, Ordering::Relaxed);
        }
    }
}

/// Makes the booth page's parts of the newest board, the long ones only every `SLOW_EVERY`.
fn booth_parts() -> impl FnMut(&AppState) -> Vec<page::Part> + Send {
    let mut slow: Option<(Instant, Vec<page::Part>)> = None;
    move |state| {
        let board = state.board.borrow().clone();
        let stale = state.stale();
        let mut parts = page::swift(&board, stale);
        if !stale {
            let fresh = slow.take().filter(|(made, _)| made.elapsed() < SLOW_EVERY);
            let (_, long) = slow.insert(fresh.unwrap_or_else(|| (Instant::now(), page::slow(&board))));
            parts.extend_from_slice(long);
        }
        parts
    }
}

/// All routes.
pub fn app(state: AppState) -> Router {
    let asset = |kind: &'static str, text: fn() -> &'static str| {
        get(move || async move { ([(header::CONTENT_TYPE, kind)], text()) })
    };
    let keys = state.keys.clone();
    Router::new()
        .route("/", get(api::booth))
        .route("/booth.css", asset("text/css; charset=utf-8", page::style))
        .route("/booth.js", asset("text/javascript; charset=utf-8", page::script))
        .route("/events", get(events::events))
        .route("/acknowledge", post(api::acknowledge_form))
        .route("/api/v1/now", get(api::now))
        .route("/api/v1/acknowledge", post(api::acknowledge))
        .route("/api/v1/shelve", post(api::shelve))
        .route("/api/v1/service/begin", post(api::service_begin))
        .route("/api/v1/service/end", post(api::service_end))
        .route("/api/v1/habits/forget", post(api::forget_habits))
        .route("/api/v1/services", get(reviews::list_json))
        .route("/api/v1/trend", get(reviews::trend_json))
        .route("/api/v1/services/{id}", get(reviews::one_json))
        .route("/reviews", get(reviews::list))
        .route("/reviews/{id}", get(reviews::one))
        .route("/reviews/{id}/rows.csv", get(reviews::rows))
        .route("/reviews/{id}/alerts.csv", get(reviews::alerts))
        .route("/reviews/{id}/note", post(reviews::note))
        .route("/moments", get(moments::list))
        .route("/moments/{name}", get(moments::sound))
        .route("/moments/delete", post(moments::delete))
        .route("/linecheck", get(linecheck::page))
        .route("/linecheck.js", asset("text/javascript; charset=utf-8", linecheck::script))
        .route("/linecheck/begin", post(linecheck::begin))
        .route("/linecheck/skip", post(linecheck::skip))
        .route("/linecheck/anew", post(linecheck::anew))
        .route("/linecheck/keep", post(linecheck::keep))
        .route("/linecheck/report", get(linecheck::report))
        .route("/before/forget", post(before::forget))
        .route("/before", get(before::page))
        .route("/api/v1/before", get(before::list_json))
        .route("/api/v1/openapi.json", get(api::openapi))
        .route("/healthy", get(api::healthy))
        .route("/ready", get(api::ready))
        .route("/metrics", get(api::exposition))
        .fallback(|| async { (StatusCode::NOT_FOUND, "There is no such page; begin at /\n") })
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .layer(axum::middleware::from_fn_with_state(keys, access::check))
        .with_state(state)
}

/// Serves the page until `shutdown`.
///
/// # Errors
/// Those of the listener.
pub async fn serve(
    listener: TcpListener,
    app: Router,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let service = app.into_make_service_with_connect_info::<SocketAddr>();
    axum::serve(listener, service).with_graceful_shutdown(shutdown).await
}

/// Serves the same to this machine's own user through a socket in the state directory; its visitors are trusted.
///
/// # Errors
/// Those of the listener.
pub async fn serve_control(
    listener: UnixListener,
    app: Router,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let app = app.layer(axum::Extension(Trusted));
    axum::serve(listener, app.into_make_service()).with_graceful_shutdown(shutdown).await
}
