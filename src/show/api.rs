//! The HTTP interface, version 1: JSON of the moment, and the few things that people may do.

use super::access::Role;
use super::snapshot::Snapshot;
use super::{AppState, metrics, page};
use crate::feed::{AlertRef, Mark};
use axum::Json;
use axum::extract::{Extension, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

pub(super) async fn booth(State(state): State<AppState>) -> Html<String> {
    let board = state.board.borrow().clone();
    Html(page::page(&board, state.stale()))
}

pub(super) async fn now(State(state): State<AppState>) -> Json<Snapshot> {
    let board = state.board.borrow().clone();
    Json(Snapshot::of(&board))
}

pub(super) async fn exposition(State(state): State<AppState>) -> Response {
    let board = state.board.borrow().clone();
    match metrics::exposition(&board) {
        Ok(text) => ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response(),
        Err(e) => (StatusCode::INTERNAL_SERVER_ERROR, e.to_string()).into_response(),
    }
}

pub(super) async fn openapi() -> Json<&'static serde_json::Value> {
    Json(super::openapi::openapi())
}

pub(super) async fn healthy() -> &'static str {
    "healthy\n"
}

pub(super) async fn ready(State(state): State<AppState>) -> Response {
    if state.stale() {
        return (StatusCode::SERVICE_UNAVAILABLE, "the measuring has stopped\n").into_response();
    }
    let board = state.board.borrow().clone();
    let missing: Vec<&str> =
        board.feeds.iter().filter(|f| super::snapshot::signal(f) == "no_data").map(|f| f.name.as_str()).collect();
    if missing.is_empty() {
        "ready\n".into_response()
    } else {
        (StatusCode::SERVICE_UNAVAILABLE, format!("nothing comes from: {}\n", missing.join(", "))).into_response()
    }
}

/// Which alert: a number, or "all".
#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Which {
    One(u64),
    All(String),
}

impl Which {
    fn alert(&self) -> Result<AlertRef, Refusal> {
        match self {
            Self::One(id) => Ok(AlertRef::One(*id)),
            Self::All(all) if all == "all" => Ok(AlertRef::All),
            Self::All(other) => Err(Refusal(
                StatusCode::UNPROCESSABLE_ENTITY,
                format!("alert {other:?} was found; give its number, or \"all\""),
            )),
        }
    }
}

/// A request that is not carried out, and why.
pub(super) struct Refusal(StatusCode, String);

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.0, Json(serde_json::json!({ "error": self.1 }))).into_response()
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Acknowledge {
    alert: Which,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shelve {
    alert: Which,
    minutes: u32,
}

/// Hands a mark to the measuring for who may do so.
pub(super) fn order(state: &AppState, role: Role, least: Role, mark: Mark) -> Result<StatusCode, Refusal> {
    role.may(least).map_err(|why| Refusal(StatusCode::FORBIDDEN, why.into()))?;
    match (state.mark)(mark) {
        true => Ok(StatusCode::NO_CONTENT),
        false => Err(Refusal(StatusCode::SERVICE_UNAVAILABLE, "too much at once; try again".into())),
    }
}

type Done = Result<StatusCode, Refusal>;

pub(super) async fn acknowledge(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Json(body): Json<Acknowledge>,
) -> Done {
    order(&state, role, Role::Acknowledge, Mark::Acknowledge(body.alert.alert()?))
}

/// The same from the page's form, for browsers without scripts.
pub(super) async fn acknowledge_form(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
) -> Result<Redirect, Refusal> {
    order(&state, role, Role::Acknowledge, Mark::Acknowledge(AlertRef::All))?;
    Ok(Redirect::to("/"))
}

pub(super) async fn shelve(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Json(body): Json<Shelve>,
) -> Done {
    if !(1..=1440).contains(&body.minutes) {
        let why = format!("{} minutes were found; give 1 to 1440", body.minutes);
        return Err(Refusal(StatusCode::UNPROCESSABLE_ENTITY, why));
    }
    order(&state, role, Role::Manage, Mark::Shelve { alert: body.alert.alert()?, seconds: body.minutes * 60 })
}

pub(super) async fn service_begin(State(state): State<AppState>, Extension(role): Extension<Role>) -> Done {
    order(&state, role, Role::Manage, Mark::ServiceBegin)
}

pub(super) async fn service_end(State(state): State<AppState>, Extension(role): Extension<Role>) -> Done {
    order(&state, role, Role::Manage, Mark::ServiceEnd)
}

pub(super) async fn forget_habits(State(state): State<AppState>, Extension(role): Extension<Role>) -> Done {
    order(&state, role, Role::Manage, Mark::ForgetHabits)
}
