//! Kept moments on the page: the list of all, one as sound (only when a person presses play), and deleting. Only who
//! may manage hears them.

use super::access::Role;
use super::page::escape;
use super::reviews::{Failure, aside};
use super::{AppState, review};
use crate::ledger::notice::LocalTime;
use crate::ledger::{KeptMoment, ShelfError};
use axum::Form;
use axum::body::Body;
use axum::extract::{Extension, Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{Html, IntoResponse as _, Redirect, Response};
use serde::Deserialize;
use std::fmt::Write as _;

/// What the page says as long as moments are kept.
pub(super) const KEPT: &str = "Moments are kept: the sound around each warning stays on this computer for a while.";

/// The player of one moment and the button that deletes it; `back` is where the visitor goes then.
pub(super) fn player(html: &mut String, moment: &KeptMoment, back: &str) {
    let name = moment.name();
    let _ = write!(
        html,
        "<div class=\"moment\"><audio controls preload=\"none\" src=\"/moments/{name}\"></audio>\
         <form method=\"post\" action=\"/moments/delete\"><input type=\"hidden\" name=\"name\" value=\"{name}\">\
         <input type=\"hidden\" name=\"back\" value=\"{back}\"><button>Delete this sound</button></form></div>"
    );
}

fn may(role: Role) -> Result<(), Failure> {
    if role >= Role::Manage {
        return Ok(());
    }
    Err(Failure::Refused(StatusCode::FORBIDDEN, "your key may not hear kept moments; ask for another link".into()))
}

/// Asks the folder.
async fn ask<T: Send + 'static>(
    state: &AppState,
    question: impl FnOnce(&dyn crate::ledger::Moments) -> Result<T, ShelfError> + Send + 'static,
) -> Result<T, Failure> {
    let moments = state.reviews.moments.clone();
    Ok(aside(move || question(&*moments)).await??)
}

pub(super) async fn list(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
) -> Result<Html<String>, Failure> {
    may(role)?;
    let mut all = ask(&state, |m| m.list()).await?;
    all.reverse();
    let kept = state.board.borrow().moments_kept;
    Ok(Html(page(&all, kept, &*state.reviews.clock)))
}

fn page(all: &[KeptMoment], kept: bool, local: LocalTime<'_>) -> String {
    let mut html = review::head("Kept moments");
    html.push_str("<header><a href=\"/\">Now</a> <a href=\"/reviews\">Past services</a></header><h1>Kept moments</h1>");
    let state = if kept { KEPT } else { "Moments are not kept: no sound is written to the disk." };
    let _ = write!(html, "<p>{state}</p>");
    if all.is_empty() {
        html.push_str("<p>There is none.</p>");
    }
    for moment in all {
        let at = local(moment.unix_ms);
        let at = at.get(..19).unwrap_or(&at).replace('T', " ");
        let _ = write!(html, "<p>{at}, {}</p>", escape(&moment.condition.replace('_', " ")));
        player(&mut html, moment, "/moments");
    }
    html.push_str("</body></html>\n");
    html
}

pub(super) async fn sound(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Failure> {
    may(role)?;
    let Some(moment) = KeptMoment::named(&name) else { return Err(gone()) };
    let bytes = ask(&state, move |m| m.flac(&moment)).await?.ok_or_else(gone)?;
    let asked = headers.get(header::RANGE).and_then(|r| r.to_str().ok());
    Ok(part(bytes, asked))
}

fn gone() -> Failure {
    Failure::Refused(StatusCode::NOT_FOUND, "this moment is no longer kept".into())
}

/// The whole, or the one range that was asked for (RFC 9110, 14.2): some players take sound in no other way.
fn part(bytes: Vec<u8>, asked: Option<&str>) -> Response {
    let kind = [(header::CONTENT_TYPE, "audio/flac"), (header::ACCEPT_RANGES, "bytes")];
    let Some((first, last)) = asked.and_then(|a| range(a, bytes.len())) else {
        return (kind, bytes).into_response();
    };
    let span = format!("bytes {first}-{last}/{}", bytes.len());
    (StatusCode::PARTIAL_CONTENT, kind, [(header::CONTENT_RANGE, span)], Body::from(bytes[first..=last].to_vec()))
        .into_response()
}

/// First and last byte of `bytes=A-B`, `bytes=A-` or `bytes=-N`; nothing when it is no single range within `length`.
fn range(asked: &str, length: usize) -> Option<(usize, usize)> {
    let (from, to) = asked.strip_prefix("bytes=")?.split_once('-')?;
    let last = length.checked_sub(1)?;
    let (from, to) = match (from, to) {
        ("", n) => (length.saturating_sub(n.parse().ok()?), last),
        (a, "") => (a.parse().ok()?, last),
        (a, b) => (a.parse().ok()?, b.parse::<usize>().ok()?.min(last)),
    };
    (from <= to && to <= last).then_some((from, to))
}

/// Which moment to delete, and where to go then.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Delete {
    name: String,
    back: String,
}

pub(super) async fn delete(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Form(form): Form<Delete>,
) -> Result<Redirect, Failure> {
    may(role)?;
    let moment = KeptMoment::named(&form.name).ok_or_else(gone)?;
    if !ask(&state, move |m| m.delete(&moment)).await? {
        return Err(gone());
    }
    // Back to a page of ours, wherever the form says.
    let ours = form.back.starts_with("/reviews/") && form.back["/reviews/".len()..].parse::<i64>().is_ok();
    Ok(Redirect::to(if ours { &form.back } else { "/moments" }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_range_is_served_and_what_is_none_gets_the_whole() {
        for (asked, wanted) in [
            ("bytes=0-", Some((0, 99))),
            ("bytes=10-19", Some((10, 19))),
            ("bytes=90-500", Some((90, 99))),
            ("bytes=-5", Some((95, 99))),
            ("bytes=100-", None),
            ("bytes=20-10", None),
            ("bytes=0-1,5-6", None),
            ("lines=0-1", None),
        ] {
            assert_eq!(range(asked, 100), wanted, "{asked}");
        }
        assert_eq!(range("bytes=0-", 0), None);
        assert_eq!(part(vec![7; 100], Some("bytes=10-19")).status(), StatusCode::PARTIAL_CONTENT);
    }
}
