//! The routes of kept services: the list, one review, its CSV, its JSON, and notes that people write.

use super::access::Role;
use super::{AppState, LineCheck, review};
use crate::ledger::notice::LocalTime;
use crate::ledger::ready::Outside;
use crate::ledger::review::{COMPARED, alerts_csv, rows_csv};
use crate::ledger::trend;
use crate::ledger::{KeptService, Moments, Review, ServiceLine, Shelf, ShelfError, Which};
use axum::Form;
use axum::extract::{Extension, Path, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;
use std::sync::Arc;

/// Services in a list.
const MOST_LISTED: usize = 500;
/// Services that the trend looks at: ten weeks of weekly ones.
const TREND_SERVICES: usize = 10;
/// Longest note, characters.
const NOTE_CHARACTERS: usize = 500;

/// What the routes of kept services need: the log, and the venue's clock.
#[derive(Clone)]
pub struct Reviews {
    /// The log.
    pub shelf: Arc<dyn Shelf>,
    /// Wall time as RFC 3339 in the venue's zone.
    pub clock: Arc<dyn Fn(i64) -> String + Send + Sync>,
    /// What the outside says: disk, clock, line check.
    pub outside: Arc<dyn Fn() -> Outside + Send + Sync>,
    /// The sound around warnings.
    pub moments: Arc<dyn Moments>,
    /// The line check in the making.
    pub linecheck: LineCheck,
}

/// A question that could not be answered.
pub(super) enum Failure {
    Missing,
    Refused(StatusCode, String),
}

impl From<ShelfError> for Failure {
    fn from(e: ShelfError) -> Self {
        Self::Refused(StatusCode::SERVICE_UNAVAILABLE, e.to_string())
    }
}

impl IntoResponse for Failure {
    fn into_response(self) -> Response {
        match self {
            Self::Missing => (StatusCode::NOT_FOUND, "There is no such service; begin at /reviews\n").into_response(),
            Self::Refused(status, why) => (status, format!("{why}\n")).into_response(),
        }
    }
}

/// One service and those before it.
///
/// # Errors
/// When the log cannot be read.
pub fn find(shelf: &dyn Shelf, which: Which) -> Result<Option<(KeptService, Vec<ServiceLine>)>, ShelfError> {
    let Some(kept) = shelf.service(which)? else { return Ok(None) };
    let all = shelf.services(i64::MIN, MOST_LISTED)?;
    let before = all.into_iter().filter(|l| l.id < kept.line.id).take(COMPARED).collect();
    Ok(Some((kept, before)))
}

/// Only who reaches as far as `least`.
pub(super) fn may(role: Role, least: Role) -> Result<(), Failure> {
    role.may(least).map_err(|why| Failure::Refused(StatusCode::FORBIDDEN, why.into()))
}

/// Works on a thread that may wait.
pub(super) async fn aside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Failure> {
    let done = tokio::task::spawn_blocking(work).await;
    done.map_err(|e| Failure::Refused(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()))
}

/// Asks the log.
async fn ask<T: Send + 'static>(
    state: &AppState,
    question: impl FnOnce(&dyn Shelf) -> Result<T, ShelfError> + Send + 'static,
) -> Result<T, Failure> {
    let shelf = state.reviews.shelf.clone();
    Ok(aside(move || question(&*shelf)).await??)
}

fn venue(state: &AppState) -> String {
    state.board.borrow().venue.clone()
}

async fn answer<T: Send + 'static>(
    state: &AppState,
    id: i64,
    make: impl FnOnce(&Review, &KeptService, LocalTime<'_>) -> T + Send + 'static,
) -> Result<T, Failure> {
    let (venue, clock) = (venue(state), state.reviews.clock.clone());
    let made = ask(state, move |shelf| {
        let found = find(shelf, Which::Number(id))?;
        Ok(found.map(|(kept, before)| {
            let review = Review::of(&venue, kept.clone(), before);
            make(&review, &kept, &*clock)
        }))
    });
    made.await?.ok_or(Failure::Missing)
}

pub(super) async fn list(State(state): State<AppState>) -> Result<Html<String>, Failure> {
    let asked = ask(&state, |shelf| Ok((shelf.services(i64::MIN, MOST_LISTED)?, shelf.trend(TREND_SERVICES)?)));
    let (lines, points) = asked.await?;
    Ok(Html(review::list(&venue(&state), &lines, &trend::drifts(&points), &*state.reviews.clock)))
}

pub(super) async fn trend_json(State(state): State<AppState>) -> Result<Response, Failure> {
    let points = ask(&state, |shelf| shelf.trend(TREND_SERVICES)).await?;
    Ok(axum::Json(trend::json(&points, &*state.reviews.clock)).into_response())
}

pub(super) async fn one(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Path(id): Path<i64>,
) -> Result<Html<String>, Failure> {
    let moments = state.reviews.moments.clone();
    let made = answer(&state, id, move |r, _, local| {
        // A folder that cannot be read takes nothing from the review.
        let kept = if role >= Role::Manage { moments.list().unwrap_or_default() } else { Vec::new() };
        review::review(r, local, Some(&kept))
    });
    Ok(Html(made.await?))
}

pub(super) async fn rows(State(state): State<AppState>, Path(id): Path<i64>) -> Result<Response, Failure> {
    let text = answer(&state, id, |_, kept, local| rows_csv(kept, local)).await?;
    Ok(csv(id, "levels", text))
}

pub(super) async fn alerts(State(state): State<AppState>, Path(id): Path<i64>) -> Result<Response, Failure> {
    let text = answer(&state, id, |_, kept, local| alerts_csv(&kept.alerts, local)).await?;
    Ok(csv(id, "warnings", text))
}

fn csv(id: i64, what: &str, text: String) -> Response {
    let name = format!("attachment; filename=\"service-{id}-{what}.csv\"");
    let headers = [(header::CONTENT_TYPE, "text/csv; charset=utf-8".into()), (header::CONTENT_DISPOSITION, name)];
    (headers, text).into_response()
}

pub(super) async fn list_json(State(state): State<AppState>) -> Result<Response, Failure> {
    let lines = ask(&state, |shelf| shelf.services(i64::MIN, MOST_LISTED)).await?;
    let services: Vec<_> = lines.iter().map(|l| l.json(&*state.reviews.clock)).collect();
    Ok(axum::Json(serde_json::json!({ "version": 1, "services": services })).into_response())
}

pub(super) async fn one_json(State(state): State<AppState>, Path(id): Path<i64>) -> Result<Response, Failure> {
    Ok(axum::Json(answer(&state, id, |r, _, local| r.json(local)).await?).into_response())
}

/// A note on a service, or on one of its alerts.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Note {
    text: String,
    run: Option<i64>,
    alert: Option<u64>,
}

pub(super) async fn note(
    State(state): State<AppState>,
    Path(id): Path<i64>,
    Extension(role): Extension<Role>,
    Form(note): Form<Note>,
) -> Result<Redirect, Failure> {
    may(role, Role::Acknowledge)?;
    if note.text.chars().count() > NOTE_CHARACTERS {
        let why = format!("the note is too long; keep it under {NOTE_CHARACTERS} characters");
        return Err(Failure::Refused(StatusCode::UNPROCESSABLE_ENTITY, why));
    }
    let alert = note.run.zip(note.alert);
    let text: String = note.text.trim().chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    match ask(&state, move |shelf| shelf.note(id, alert, &text)).await? {
        true => Ok(Redirect::to(&format!("/reviews/{id}"))),
        false => Err(Failure::Missing),
    }
}
