//! The line check as a page for a tablet: one step after the other, through the daemon that runs. Live bars, what to
//! do at the desk, what was found. The steps and their answers are those of the command.

use super::access::Role;
use super::fitout;
use super::page::{Part, escape};
use super::reviews::{Failure, aside, may};
use super::{AppState, review};
use crate::chain::Outcome;
use crate::ledger::Board;
use crate::ledger::linecheck::{Answer, EARTH_CAUTION, Finding, Line, STEPS, Stage, Step, Walk, worst};
use crate::units::db_of_amplitude;
use crate::words::feed_name;
use axum::Form;
use axum::extract::{Extension, State};
use axum::http::StatusCode;
use axum::response::{Html, Redirect};
use serde::Deserialize;
use serde_json::Value;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// Where the result is kept: the findings as JSON, their local time.
type Keep = dyn Fn(&Value, &str) -> Result<(), String> + Send + Sync;

/// The line check in the making, shared by the measuring thread and the page.
#[derive(Clone)]
pub struct LineCheck {
    walk: Arc<Mutex<Walk>>,
    started: Instant,
    keep: Arc<Keep>,
}

impl LineCheck {
    /// None is begun yet; `keep` keeps the result as the venue's baseline.
    pub fn new(keep: impl Fn(&Value, &str) -> Result<(), String> + Send + Sync + 'static) -> Self {
        Self { walk: Arc::default(), started: Instant::now(), keep: Arc::new(keep) }
    }

    /// Takes an outcome from the measuring thread; `rate_hz` is the rate of the stream's device.
    pub fn take(&self, outcome: &Outcome, rate_hz: u32) {
        self.walk().take(outcome, self.started.elapsed().as_secs_f64(), rate_hz);
    }

    /// Held for as long as a page is written, no longer.
    fn walk(&self) -> MutexGuard<'_, Walk> {
        self.walk.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn refused(why: &str) -> Failure {
    Failure::Refused(StatusCode::UNPROCESSABLE_ENTITY, why.into())
}

pub(super) async fn page(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
) -> Result<Html<String>, Failure> {
    may(role, Role::Manage)?;
    let mut html = review::head("Line check");
    html.push_str(
        "<noscript><meta http-equiv=\"refresh\" content=\"3\"></noscript><script src=\"/linecheck.js\" defer></script>\
         <header><a href=\"/\">Now</a> <a href=\"/before\">Before a service</a></header><h1>Line check</h1>",
    );
    for (name, part) in parts(&state) {
        let _ = write!(html, "<section id=\"{name}\">{part}</section>");
    }
    html.push_str("</body></html>\n");
    Ok(Html(html))
}

/// The parts of the page that change.
pub(super) fn parts(state: &AppState) -> Vec<Part> {
    let board = state.board.borrow().clone();
    let walk = state.reviews.linecheck.walk();
    vec![("bars", bars(&board)), ("steps", steps(&walk))]
}

/// The script of the page.
pub(super) fn script() -> &'static str {
    include_str!("assets/linecheck.js")
}

/// Lowest level that a bar shows, dBFS.
const LOWEST_DBFS: f64 = -72.0;

/// One bar a channel: the peak of the last 100 ms; marks at the two alignment levels.
fn bars(board: &Board) -> String {
    let mut html = String::new();
    for feed in &board.feeds {
        let channels = feed.reading.as_ref().filter(|r| !r.absent()).map_or(0, |r| r.channels);
        let name = escape(feed_name(&feed.name));
        if channels == 0 {
            let _ = write!(html, "<p class=\"bar\"><b>{name}</b> nothing comes in</p>");
        }
        for channel in 0..channels {
            let peak = feed.reading.as_ref().map_or(0.0, |r| r.channel[channel].sample_peak);
            let dbfs = db_of_amplitude(peak);
            let long = ((dbfs - LOWEST_DBFS) / -LOWEST_DBFS * 600.0).clamp(0.0, 600.0);
            let side = match (channels, channel) {
                (1, _) => "mono".to_string(),
                (2, 0) => "left".into(),
                (2, _) => "right".into(),
                (_, n) => format!("channel {}", n + 1),
            };
            let said = if dbfs.is_finite() { format!("{dbfs:.0} dBFS") } else { "silence".into() };
            let mark = |dbfs: f64| (dbfs - LOWEST_DBFS) / -LOWEST_DBFS * 600.0;
            let _ = write!(
                html,
                "<p class=\"bar\"><b>{name}, {side}</b><svg viewBox=\"0 0 600 14\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"{said}\">\
                 <path class=\"full\" d=\"M0 0H{long:.0}V14H0z\"/><path class=\"grid\" d=\"M{:.0} 0V14M{:.0} 0V14M0 13.5H600\"/></svg><span>{said}</span></p>",
                mark(-18.0),
                mark(-20.0),
            );
        }
    }
    html
}

fn steps(walk: &Walk) -> String {
    let current = walk.current();
    let mut html = String::from("<ol class=\"steps\">");
    for step in STEPS {
        let now = if current == Some(step) { " class=\"now\" aria-current=\"step\"" } else { "" };
        let _ = write!(html, "<li{now}><b>{}</b> ", step.title());
        match walk.stage(step) {
            Stage::Waiting if current == Some(step) => ask(&mut html, step),
            Stage::Waiting => html.push_str("<span class=\"small\">not yet</span>"),
            Stage::Listening(so_far, all) => {
                let _ = write!(
                    html,
                    "<p>{}</p><p class=\"advice\">Listening: {so_far:.0} of {all:.0} s</p>{}",
                    step.asks(),
                    form("skip", step, "Leave this step out", "")
                );
            }
            Stage::Done(found) => done(&mut html, step, found),
        }
        html.push_str("</li>");
    }
    html.push_str("</ol>");
    if current.is_none() {
        end(&mut html, walk);
    }
    html
}

fn form(action: &str, step: Step, button: &str, more: &str) -> String {
    format!(
        "<form method=\"post\" action=\"/linecheck/{action}\"><input type=\"hidden\" name=\"step\" value=\"{}\">{more}<button>{button}</button></form>",
        step.name()
    )
}

fn ask(html: &mut String, step: Step) {
    let alignment = "<label>Alignment level <select name=\"alignment\"><option value=\"-18\">-18 dBFS (EBU R 68)</option>\
                     <option value=\"-20\">-20 dBFS (SMPTE RP 155)</option></select></label> ";
    let more = match step {
        Step::Tone => alignment,
        Step::Clock | Step::OwnMix | Step::Warning => {
            "<label>Listen for <input name=\"seconds\" type=\"number\" min=\"5\" max=\"600\" value=\"60\"> s</label> "
        }
        Step::Input | Step::Quiet => "",
    };
    let _ = write!(html, "<p>{}</p>", step.asks());
    if step == Step::Tone {
        html.push_str("<p class=\"small\">This program never plays a tone itself: send the desk's own, or a file that `mixwarden linecheck --tones DIR` has written. Turn the room down first.</p>");
    }
    html.push_str(&form("begin", step, "Listen now", more));
    html.push_str(&form("skip", step, "Leave this step out", ""));
}

fn done(html: &mut String, step: Step, found: &[Finding]) {
    let _ = write!(html, "{} <b>{}</b><ul>", fitout::shape(worst(found)), worst(found).word());
    for f in found {
        let _ = write!(html, "<li>{} {}: {}", fitout::shape(f.answer), f.step.replace('_', " "), escape(&f.found));
        if !f.remedy.is_empty() {
            let _ = write!(html, "<br><span class=\"small\">{}</span>", escape(f.remedy));
        }
        html.push_str("</li>");
    }
    html.push_str("</ul>");
    if found.iter().any(|f| f.answer == Answer::Fail && (f.step == "hum" || f.step == "noise floor")) {
        let _ = write!(html, "<p class=\"small\">{EARTH_CAUTION}</p>");
    }
    html.push_str(&form("begin", step, "Listen again", ""));
}

fn end(html: &mut String, walk: &Walk) {
    match &walk.kept_at {
        Some(at) => {
            let at = at.get(..16).unwrap_or(at).replace('T', " ");
            let _ = write!(html, "<p class=\"advice\">Kept as this venue's baseline, {}.</p>", escape(&at));
        }
        None => html.push_str(
            "<form method=\"post\" action=\"/linecheck/keep\"><button>Keep as this venue's baseline</button></form>",
        ),
    }
    html.push_str(
        "<p><a href=\"/linecheck/report\">The report, to print and hand over</a></p>\
         <form method=\"post\" action=\"/linecheck/anew\"><button>Begin anew</button></form>",
    );
}

/// A step to begin or to leave out.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Chosen {
    step: String,
    alignment: Option<i32>,
    seconds: Option<u32>,
}

/// Listens for a minute unless told otherwise.
const USUAL_SECONDS: u32 = 60;

impl Chosen {
    fn step(&self) -> Result<Step, Failure> {
        let names = STEPS.map(Step::name).join(", ");
        Step::named(&self.step).ok_or_else(|| refused(&format!("step {:?} was found; give one of: {names}", self.step)))
    }
}

pub(super) async fn begin(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Form(chosen): Form<Chosen>,
) -> Result<Redirect, Failure> {
    may(role, Role::Manage)?;
    let step = chosen.step()?;
    let seconds = chosen.seconds.unwrap_or(USUAL_SECONDS);
    if !(5..=600).contains(&seconds) {
        return Err(refused(&format!("{seconds} seconds were found; give 5 to 600")));
    }
    let alignment_dbfs = match chosen.alignment.unwrap_or(-18) {
        level @ (-18 | -20) => f64::from(level),
        other => return Err(refused(&format!("an alignment level of {other} dBFS was found; give -18 or -20"))),
    };
    let board = state.board.borrow().clone();
    let house = |f: &crate::ledger::FeedBoard| f.role == crate::feed::Role::House;
    let line = Line {
        sources: board.feeds.iter().map(|f| f.source.clone()).collect(),
        stream: board.feeds.iter().position(|f| !house(f)).unwrap_or(0),
        has_house: board.feeds.iter().any(house),
        alignment_dbfs,
        wish: board.own_mix,
    };
    state.reviews.linecheck.walk().begin(step, seconds, line, &board.standing);
    Ok(Redirect::to("/linecheck"))
}

pub(super) async fn skip(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
    Form(chosen): Form<Chosen>,
) -> Result<Redirect, Failure> {
    may(role, Role::Manage)?;
    state.reviews.linecheck.walk().skip(chosen.step()?);
    Ok(Redirect::to("/linecheck"))
}

pub(super) async fn anew(State(state): State<AppState>, Extension(role): Extension<Role>) -> Result<Redirect, Failure> {
    may(role, Role::Manage)?;
    *state.reviews.linecheck.walk() = Walk::default();
    Ok(Redirect::to("/linecheck"))
}

pub(super) async fn keep(State(state): State<AppState>, Extension(role): Extension<Role>) -> Result<Redirect, Failure> {
    may(role, Role::Manage)?;
    let (findings, floor_lufs) = {
        let walk = state.reviews.linecheck.walk();
        (walk.findings(), walk.floor_lufs)
    };
    let (venue, at, devices) = told(&state);
    let kept = fitout::json(&venue, &at, &devices, floor_lufs, &findings);
    let (keep, when) = (state.reviews.linecheck.keep.clone(), at.clone());
    let done = aside(move || keep(&kept, &when)).await?;
    done.map_err(|why| Failure::Refused(StatusCode::SERVICE_UNAVAILABLE, why))?;
    state.reviews.linecheck.walk().kept_at = Some(at);
    Ok(Redirect::to("/linecheck"))
}

pub(super) async fn report(
    State(state): State<AppState>,
    Extension(role): Extension<Role>,
) -> Result<Html<String>, Failure> {
    may(role, Role::Manage)?;
    let (findings, kept_at) = {
        let walk = state.reviews.linecheck.walk();
        (walk.findings(), walk.kept_at.clone())
    };
    if findings.is_empty() {
        return Err(Failure::Refused(StatusCode::NOT_FOUND, "nothing is checked yet; begin at /linecheck".into()));
    }
    let (venue, at, devices) = told(&state);
    Ok(Html(fitout::report(&venue, &kept_at.unwrap_or(at), &devices, &findings)))
}

/// Venue, local time, devices.
fn told(state: &AppState) -> (String, String, String) {
    let board = state.board.borrow().clone();
    let mut devices: Vec<&str> = board.feeds.iter().map(|f| f.source.as_str()).collect();
    devices.dedup();
    (board.venue.clone(), (state.reviews.clock)(board.now_unix_ms), devices.join("; "))
}
