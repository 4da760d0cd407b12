//! The shell: threads, channels, wall clock, signals, the order of stopping. It sees everything; nothing sees it
//! but the commands.

mod clock;
pub mod control;
mod engine;
mod fault;
mod log;
mod moments;
mod notices;
mod page;
mod schedule;
pub mod systemd;

pub use engine::{Listener, Order};
pub use fault::Faults;
pub use notices::{day_begin, local_clock, start as start_notices};

use crate::chain::{Chain, LaneSpec};
use crate::feed::FeedPatch;
use crate::judge::Cause;
use crate::ledger::Board;
use crate::ledger::ready::Outside;
use crate::ledger::sentence::sentence;
use crate::settings::{self, Settings};
use crate::show::{AppState, Keys, LineCheck, Reviews};
use crate::source::Source;
use crate::units::SampleRate;
use anyhow::Context as _;
use engine::{Engine, LaneSource};
use schedule::Schedule;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::sync::mpsc;

/// One device and the feeds on it.
pub struct LanePlan {
    /// Where its audio comes from.
    pub source: Box<dyn Source>,
    /// Its feeds.
    pub feeds: Vec<FeedPatch>,
    /// Format assumed until the source tells its own.
    pub rate: SampleRate,
}

/// What is to be run.
pub struct Plan {
    /// Settings in force at the start.
    pub settings: Settings,
    /// The file that they came from, for reloading.
    pub settings_file: Option<PathBuf>,
    /// Its text; empty when there is none.
    pub settings_text: String,
    /// Where the log and the control socket live.
    pub state: PathBuf,
    /// Address of the page.
    pub listen: std::net::SocketAddr,
    /// The devices.
    pub lanes: Vec<LanePlan>,
    /// The sound is made up, and may run faster than time.
    pub rehearsal: bool,
}

/// Orders that may wait before the measuring thread takes them.
const ORDERS: usize = 256;
/// How long open pages may hold the stopping.
const PAGE_STOP_WITHIN: std::time::Duration = std::time::Duration::from_millis(200);
/// How long stopping may take before the process goes anyway.
const STOP_WITHIN: std::time::Duration = std::time::Duration::from_millis(1_500);

/// Runs the plan until told to stop (SIGTERM, SIGINT) or until all sources have ended.
///
/// # Errors
/// When the threads or the signals cannot be had at the start.
pub fn run(plan: Plan) -> anyhow::Result<ExitCode> {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().context("no runtime for the page")?;
    runtime.block_on(serve(plan))
}

async fn serve(plan: Plan) -> anyhow::Result<ExitCode> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).context("no signal handling")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("no signal handling")?;
    let mut reload = signal(SignalKind::hangup()).context("no signal handling")?;
    let keys = page::keys(plan.settings.keys_file.as_deref(), plan.listen)?;

    let specs = plan.lanes.iter().map(|l| LaneSpec {
        rate: l.rate,
        // Until the device tells its own: wide enough for its feeds.
        channels: l.feeds.iter().flat_map(|f| &f.channels).max().map_or(1, |c| usize::from(*c) + 1),
        feeds: l.feeds.clone(),
    });
    let mut chain = Chain::new(plan.settings.chain.clone(), specs.collect())?;
    let faults = Faults::default();
    if let Err(e) = private_directory(&plan.state) {
        faults.set("log", Some(format!("{}: {e}. Nothing is kept until this is mended.", plan.state.display())));
    }
    let now_ms = now_ms();
    let opened = log::open(&plan.state, &plan.settings, now_ms).map_err(anyhow::Error::msg)?;
    faults.set("log", opened.fault.clone());
    take_over(&mut chain, &opened);
    let mut board = Board::new(&plan.settings.venue, plan.settings.chain.target.clone(), &chain);
    board.rehearsal = plan.rehearsal;
    board.moments_kept = plan.settings.moments.enabled;
    let (publish, mut present) = tokio::sync::watch::channel(Arc::new(board.clone()));
    let (orders, orders_in) = mpsc::sync_channel(ORDERS);
    let heartbeat = Arc::new(AtomicU64::new(0));
    board.look_at(&chain);
    let log = log::Log::start(&plan.state, &plan.settings, plan.settings_text.clone(), &board, opened, now_ms);
    let outbox = Box::new(crate::keep::SqliteOutbox::new(&plan.state.join("notices.sqlite")));
    let notices = notices::start(&plan.settings, outbox).map_err(anyhow::Error::msg)?;
    // The log first: what is told is kept.
    let listeners: Vec<Box<dyn Listener>> = vec![Box::new(log.map_err(anyhow::Error::msg)?), notices];
    let keeper = crate::keep::Keeper::start(&plan.state, moments::limits(&plan.settings.moments));
    let keeper = keeper.context("no thread for kept moments")?;
    let patches = plan.lanes.iter().map(|l| l.feeds.as_slice());
    let cuts = moments::Cuts::new(plan.settings.moments, keeper, patches, &chain);
    let baseline = plan.state.clone();
    let linecheck = LineCheck::new(move |kept, at| crate::keep::keep_linecheck(&baseline, kept, at));
    let engine = Engine {
        linecheck: linecheck.clone(),
        cuts,
        chain,
        lanes: plan.lanes.into_iter().map(|l| LaneSource::new(l.source)).collect(),
        board,
        publish,
        orders: orders_in,
        listeners,
        faults: faults.clone(),
        schedule: Schedule::new(plan.settings.timetable.clone(), plan.settings.grace_minutes),
        heartbeat: heartbeat.clone(),
    };
    let measuring = std::thread::Builder::new()
        .name("measure".into())
        .spawn(move || engine.run())
        .context("no thread to measure")?;

    let to_engine = orders.clone();
    let reviews = Reviews {
        shelf: Arc::new(crate::keep::Reader::new(&plan.state)),
        clock: notices::local_clock(plan.settings.timetable.zone.clone()),
        outside: outside(plan.state.clone()),
        moments: Arc::new(crate::keep::Album::new(&plan.state)),
        linecheck,
    };
    let mark = move |mark| to_engine.try_send(Order::Mark(mark)).is_ok();
    let state = AppState::new(present.clone(), mark, keys.clone(), reviews);
    let (stop, stopped) = tokio::sync::watch::channel(false);
    tokio::spawn(state.clone().follow());
    let served = tokio::spawn(page::serve(plan.listen, state.clone(), faults.clone(), stopped.clone()));
    let state_directory = plan.state.clone();
    let control_faults = faults.clone();
    tokio::spawn(async move { page::control(&state_directory, state, control_faults, stopped).await });
    let manager = systemd::Manager::ready("listening", heartbeat);

    let mut running = true;
    let mut last_said = String::new();
    while running {
        tokio::select! {
            _ = terminate.recv() => running = false,
            _ = interrupt.recv() => running = false,
            _ = reload.recv() => reload_settings(plan.settings_file.as_deref(), &orders, &faults, &keys, plan.listen),
            changed = present.changed() => {
                running = changed.is_ok();
                // `systemctl status` says what the page says.
                let said = sentence(&present.borrow_and_update()).text;
                if said != last_said {
                    manager.status(&said);
                    last_said = said;
                }
            }
        }
    }
    manager.stopping();
    let _ = orders.try_send(Order::Stop);
    let joined = tokio::task::spawn_blocking(move || measuring.join());
    let end = match tokio::time::timeout(STOP_WITHIN, joined).await {
        Ok(Ok(Ok(end))) => end,
        Ok(_) => anyhow::bail!("the measuring thread has failed; what it saw is above"),
        Err(_) => ExitCode::SUCCESS,
    };
    // Pages that are open would hold us: they notice within 3 s that we are gone.
    let _ = stop.send(true);
    let _ = tokio::time::timeout(PAGE_STOP_WITHIN, served).await;
    Ok(end)
}

/// What the runs before left.
fn take_over(chain: &mut Chain, opened: &log::Opened) {
    let legacy = &opened.legacy;
    chain.number_alerts_from(legacy.next_alert);
    let names: Vec<String> = (0..chain.feeds()).filter_map(|i| chain.feed(i)).map(|f| f.name.to_string()).collect();
    for (feed, json) in &legacy.habits {
        // Habits of another version that cannot be read any more are learned anew.
        if let (Some(index), Ok(habits)) = (names.iter().position(|n| n == feed), serde_json::from_str(json)) {
            chain.teach(index, habits);
        }
    }
    if let Some(open) = &legacy.open {
        let heard: Vec<usize> = (0..names.len()).filter(|i| open.heard.contains(&names[*i])).collect();
        chain.resume_service(Cause::named(&open.by).unwrap_or(Cause::Activity), &heard);
        tracing::info!("service {} goes on", open.id);
    }
}

/// Wall time, ms since 1970.
pub fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// What the outside says of the log's disk and of the last line check.
fn outside(state: PathBuf) -> Arc<dyn Fn() -> Outside + Send + Sync> {
    Arc::new(move || {
        let disk = rustix::fs::statvfs(&state).ok();
        let kept = crate::keep::kept_linecheck(&state);
        Outside {
            free_bytes: disk.map(|d| d.f_bavail * d.f_frsize),
            now_ms: now_ms(),
            baseline_floor_lufs: kept.and_then(|k| k["noise_floor_lufs"].as_f64()),
            newest_row_ms: None,
        }
    })
}

fn private_directory(path: &std::path::Path) -> std::io::Result<()> {
    use std::os::unix::fs::DirBuilderExt as _;
    std::fs::DirBuilder::new().recursive(true).mode(0o700).create(path)
}

fn reload_settings(
    file: Option<&std::path::Path>,
    orders: &mpsc::SyncSender<Order>,
    faults: &Faults,
    keys: &Keys,
    listen: std::net::SocketAddr,
) {
    let Some(file) = file else {
        tracing::info!("no settings file to read again");
        return;
    };
    let read = std::fs::read_to_string(file).map_err(|e| e.to_string());
    let parsed = read.and_then(|text| match settings::parse(&text) {
        Ok(settings) => Ok((settings, text)),
        Err(p) => Err(p.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")),
    });
    let parsed = parsed.and_then(|(settings, text)| {
        let fresh = page::keys(settings.keys_file.as_deref(), listen).map_err(|e| e.to_string())?;
        keys.replace(&fresh);
        Ok((settings, text))
    });
    match parsed {
        Ok((settings, text)) => {
            for hint in &settings.hints {
                tracing::warn!("{}: {hint}", file.display());
            }
            let schedule = Schedule::new(settings.timetable.clone(), settings.grace_minutes);
            let taken = orders.try_send(Order::Settings(Box::new(settings), Box::new(schedule), text));
            faults.set("settings", taken.err().map(|_| "The new settings could not be handed over; try again.".into()));
            tracing::info!("settings read again");
        }
        Err(why) => {
            faults.set("settings", Some(format!("The settings file has mistakes; the old settings hold. {why}")))
        }
    }
}
