//! Before a service: the list of what must be right, as a page for the booth and as JSON for scripts.

use super::AppState;
use super::access::Role;
use super::api::{Refusal, order};
use super::page::escape;
use super::reviews::{Failure, aside};
use crate::feed::Mark;
use crate::ledger::linecheck::{Answer, Finding};
use crate::ledger::ready::{Outside, ready};
use crate::ledger::{Board, FeedBoard};
use crate::words::{feed_name, level};
use axum::extract::{Extension, State};
use axum::response::{Html, Redirect};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Services before, for comparing.
const BEFORE: usize = 4;

async fn findings(state: &AppState) -> Result<Vec<Finding>, Failure> {
    let board = state.board.borrow().clone();
    let reviews = state.reviews.clone();
    let look = move || {
        // A log that cannot be read is among the box's faults already.
        let lines = reviews.shelf.services(i64::MIN, BEFORE).unwrap_or_default();
        let newest_row_ms = reviews.shelf.newest_ms().ok().flatten();
        ready(&board, &lines, &Outside { newest_row_ms, ..(reviews.outside)() })
    };
    aside(look).await
}

/// Something in the list is not right.
fn failed(list: &[Finding]) -> bool {
    list.iter().any(|f| f.answer == Answer::Fail)
}

pub(super) async fn list_json(State(state): State<AppState>) -> Result<axum::Json<Value>, Failure> {
    let list = findings(&state).await?;
    let lines: Vec<Value> = list
        .iter()
        .map(|f| json!({ "what": f.step, "answer": f.answer.word().to_lowercase(), "found": f.found, "do": f.remedy }))
        .collect();
    Ok(axum::Json(json!({ "version": 1, "ready": !failed(&list), "list": lines })))
}

pub(super) async fn page(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
) -> Result<Html<String>, Failure> {
    let list = findings(&state).await?;
    let mut html = super::review::head("Before the service");
    html.push_str("<header><a href=\"/\">Now</a> <a href=\"/reviews\">Past services</a></header>");
    let manages = role >= Role::Manage;
    let title = if failed(&list) { "Not ready yet" } else { "Ready, as far as can be seen" };
    let _ = write!(html, "<h1>{title}</h1><table class=\"list\">");
    for f in &list {
        let word = match f.answer {
            Answer::Pass => "good",
            Answer::Fail => "<b>not right</b>",
            Answer::CannotTell => "cannot tell",
            Answer::Skipped => "not looked at",
        };
        let _ = write!(html, "<tr><td>{}</td><td>{word}</td><td>{}", escape(f.step), escape(&f.found));
        if !f.remedy.is_empty() {
            let _ = write!(html, "<br><span class=\"small\">{}</span>", escape(f.remedy));
        }
        html.push_str("</td></tr>");
    }
    html.push_str("</table><p><a href=\"/before\">Look again</a></p>");
    taught(&mut html, &state.board.borrow().clone(), manages);
    html.push_str("</body></html>\n");
    Ok(Html(html))
}

/// What the venue has taught, and beside it the button that forgets it.
fn taught(html: &mut String, board: &Board, manages: bool) {
    html.push_str("<h2>What this venue has taught</h2><table><tr><th></th>");
    for feed in &board.feeds {
        let _ = write!(html, "<th>{}</th>", escape(feed_name(&feed.name)));
    }
    html.push_str("</tr>");
    let mut row = |name: &str, get: &dyn Fn(&FeedBoard) -> String| {
        let _ = write!(html, "<tr><th>{name}</th>");
        for feed in &board.feeds {
            let _ = write!(html, "<td>{}</td>", get(feed));
        }
        html.push_str("</tr>");
    };
    row("Services remembered", &|f| f.taught.services.to_string());
    row("Usual loudness when it plays", &|f| level(f.taught.usual_lufs, "LUFS"));
    row("Level of its pauses", &|f| level(f.floor_lufs, "LUFS"));
    row("Noise floor of the first services", &|f| level(f.taught.first_floor_lufs, "LUFS"));
    row("Pauses are exact zeros", &|f| if f.taught.gates_to_zero { "yes" } else { "no" }.into());
    html.push_str("</table>");
    if manages {
        html.push_str(
            "<form method=\"post\" action=\"/before/forget\"><button>Forget this: the desk or the wiring is new</button></form>\
             <p><a href=\"/linecheck\">Line check</a>: prove the line again, step by step. <a href=\"/moments\">Kept moments</a></p>",
        );
    }
}

pub(super) async fn forget(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
) -> Result<Redirect, Refusal> {
    order(&state, role, Role::Manage, Mark::ForgetHabits)?;
    Ok(Redirect::to("/before"))
}
