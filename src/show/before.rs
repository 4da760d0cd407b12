//! Before a service: the list of what must be right, as a page for the booth and as JSON for scripts.

use super::AppState;
use super::page::escape;
use super::reviews::Failure;
use crate::ledger::linecheck::{Answer, Finding};
use crate::ledger::ready::{Outside, ready};
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Html;
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Services before, for comparing.
const BEFORE: usize = 4;

async fn findings(state: &AppState) -> Result<Vec<Finding>, Failure> {
    let board = state.board.borrow().clone();
    let reviews = state.reviews.clone();
    let looked = tokio::task::spawn_blocking(move || {
        // A log that cannot be read is among the box's faults already.
        let lines = reviews.shelf.services(i64::MIN, BEFORE).unwrap_or_default();
        let newest_row_ms = reviews.shelf.newest_ms().ok().flatten();
        ready(&board, &lines, &Outside { newest_row_ms, ..(reviews.outside)() })
    });
    looked.await.map_err(|e| Failure::Refused(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()))
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

pub(super) async fn page(State(state): State<AppState>) -> Result<Html<String>, Failure> {
    let list = findings(&state).await?;
    let mut html = super::review::head("Before the service");
    html.push_str("<header><a href=\"/\">Now</a> <a href=\"/reviews\">Services</a></header>");
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
    html.push_str("</table><p><a href=\"/before\">Look again</a></p></body></html>\n");
    Ok(Html(html))
}
