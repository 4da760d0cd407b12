//! The page's listeners: bound, or said why not and tried again; the measuring goes on meanwhile.

use super::fault::Faults;
use crate::show::{self, AppState, Keys};
use anyhow::Context as _;
use std::io::Write as _;
use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::time::Duration;
use tokio::net::{TcpListener, UnixListener};
use tokio::sync::watch;

/// Pause between two attempts at a port that is taken.
const TRY_AGAIN: Duration = Duration::from_secs(2);

/// Reads the keys of other machines.
///
/// # Errors
/// A file that cannot be read or has a mistake; an open address without any key.
pub(super) fn keys(file: Option<&Path>, listen: SocketAddr) -> anyhow::Result<Keys> {
    let keys = match file {
        None => Keys::default(),
        Some(path) => {
            let text = std::fs::read_to_string(path)
                .with_context(|| format!("{}: the keys cannot be read", path.display()))?;
            Keys::parse(&text).map_err(|e| anyhow::anyhow!("{}: {e}", path.display()))?
        }
    };
    if !listen.ip().is_loopback() && keys.is_empty() {
        anyhow::bail!(
            "page.listen: {listen} is open to other machines; give page.keys_file with keys, or listen on 127.0.0.1"
        );
    }
    Ok(keys)
}

/// Serves until `stop` changes. The first line on standard output is the address.
pub(super) async fn serve(listen: SocketAddr, state: AppState, faults: Faults, mut stop: watch::Receiver<bool>) {
    let listener = loop {
        match TcpListener::bind(listen).await {
            Ok(listener) => break listener,
            Err(e) => faults.set(
                "page",
                Some(format!("The page cannot be shown at {listen}: {e}. Is another program there? Trying again.")),
            ),
        }
        tokio::select! {
            () = tokio::time::sleep(TRY_AGAIN) => {}
            _ = stop.changed() => return,
        }
    };
    faults.set("page", None);
    if let Ok(address) = listener.local_addr() {
        let mut out = std::io::stdout();
        // Whoever started us may have gone: the page is there all the same.
        let _ = writeln!(out, "http://{address}/").and_then(|()| out.flush());
        if !address.ip().is_loopback() {
            tracing::warn!("the page is open to other machines at {address}, by key only");
        }
    }
    let done = show::serve(listener, show::app(state), async move {
        let _ = stop.changed().await;
    });
    if let Err(e) = done.await {
        faults.set("page", Some(format!("The page is no longer shown: {e}")));
    }
}

/// The socket through which this machine's own commands speak to the daemon.
pub(super) async fn control(state_directory: &Path, state: AppState, faults: Faults, mut stop: watch::Receiver<bool>) {
    let path = state_directory.join("control.sock");
    // What a killed daemon left behind; a living one holds the log's lock, and we were not started then.
    let _ = std::fs::remove_file(&path);
    let listener = match UnixListener::bind(&path) {
        Ok(listener) => listener,
        Err(e) => {
            faults.set("page", Some(format!("{}: commands cannot reach this daemon: {e}", path.display())));
            return;
        }
    };
    // Whoever may write to it may manage: the daemon's own user alone, whatever the directory allows.
    if let Err(e) = std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)) {
        tracing::warn!("{}: its rights cannot be narrowed: {e}", path.display());
    }
    let _ = show::serve_control(listener, show::app(state), async move {
        let _ = stop.changed().await;
    })
    .await;
    let _ = std::fs::remove_file(&path);
}
