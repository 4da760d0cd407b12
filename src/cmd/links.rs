//! `mixwarden links`: the page for phones and other machines: an address with a key, as text and as a QR code.

use crate::show::{Keys, access::Role};
use anyhow::Context as _;
use clap::Args;
use qrcode::render::{svg, unicode};
use qrcode::{EcLevel, QrCode};
use std::io::Write as _;
use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Print the links for phones and other machines, with QR codes.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  mixwarden links\n  mixwarden links --new acknowledge\n  \
    mixwarden links --role look --svg page.svg --address http://booth.local:8391/\n\n\
    Whoever has a link may do what its role says: look; acknowledge (\"Seen, we're checking\"); manage (begin and end\n\
    services, put alerts aside). To take a link back, remove its line from the keys file and reload.\n\
    Exit status: 1 when there is no key yet.")]
pub struct LinksArgs {
    /// Settings file.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Only the links of this role.
    #[arg(long, value_name = "ROLE", value_parser = ["look", "acknowledge", "manage"])]
    role: Option<String>,
    /// Make a new key of this role and add it to the keys file.
    #[arg(long, value_name = "ROLE", value_parser = ["look", "acknowledge", "manage"], conflicts_with = "role")]
    new: Option<String>,
    /// Address under which the others reach the page.
    #[arg(long, value_name = "URL")]
    address: Option<String>,
    /// Write the QR code to this picture (one link only: give --role).
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// Settings or keys that cannot be read or written; no keys file in the settings.
pub fn run(args: &LinksArgs) -> anyhow::Result<ExitCode> {
    let (_, settings) = super::load_settings(args.settings.as_deref(), true)?;
    let file = settings.keys_file.as_deref().context(
        "page.keys_file is not set: name a file there (such as \"/etc/mixwarden/keys\") and let page.listen be an address of your network",
    )?;
    if let Some(role) = &args.new {
        add(file, role)?;
        eprintln!("{}: a key was added; reload mixwarden to let it in (systemctl reload mixwarden)", file.display());
    }
    let text = std::fs::read_to_string(file).with_context(|| format!("{}: cannot be read", file.display()))?;
    let keys = Keys::parse(&text).map_err(|e| anyhow::anyhow!("{}: {e}", file.display()))?;
    let wanted = args.new.as_deref().or(args.role.as_deref()).and_then(Role::named);
    let mut list = keys.list();
    list.retain(|(role, _)| wanted.is_none_or(|w| w == *role));
    if args.new.is_some() {
        list.drain(..list.len().saturating_sub(1));
    }
    if settings.listen.ip().is_loopback() {
        eprintln!("note: the page listens on {} only; set page.listen to let others in", settings.listen);
    }
    let base = args.address.clone().or((!settings.tell.page.is_empty()).then(|| settings.tell.page.clone()));
    let base = base.unwrap_or_else(|| format!("http://{}/", reachable(settings.listen)));
    if list.is_empty() {
        println!("There is no such key yet: mixwarden links --new look");
        return Ok(ExitCode::FAILURE);
    }
    if let (Some(picture), [(_, key)]) = (&args.svg, list.as_slice()) {
        let drawn = code(&link(&base, key))?.render::<svg::Color<'_>>().min_dimensions(320, 320).build();
        std::fs::write(picture, drawn).with_context(|| format!("{}: cannot be written", picture.display()))?;
    } else if args.svg.is_some() {
        anyhow::bail!("{} links were found; one picture holds one: give --role, or --new", list.len());
    }
    for (role, key) in &list {
        let link = link(&base, key);
        println!("{}: {link}", role.name());
        println!(
            "{}\n",
            code(&link)?
                .render::<unicode::Dense1x2>()
                .dark_color(unicode::Dense1x2::Light)
                .light_color(unicode::Dense1x2::Dark)
                .build()
        );
    }
    Ok(ExitCode::SUCCESS)
}

fn link(base: &str, key: &str) -> String {
    format!("{}/?key={key}", base.trim_end_matches('/'))
}

fn code(link: &str) -> anyhow::Result<QrCode> {
    QrCode::with_error_correction_level(link, EcLevel::M).context("the address is too long for a QR code")
}

/// Adds a key of 128 random bits; a file that is made here is its owner's alone.
fn add(file: &Path, role: &str) -> anyhow::Result<()> {
    use base64::Engine as _;
    let mut bits = [0; 16];
    getrandom::fill(&mut bits).map_err(|e| anyhow::anyhow!("no random numbers: {e}"))?;
    let key = base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bits);
    let mut open = std::fs::OpenOptions::new();
    let mut out = open
        .create(true)
        .append(true)
        .mode(0o600)
        .open(file)
        .with_context(|| format!("{}: cannot be written", file.display()))?;
    writeln!(out, "{role} {key}").with_context(|| format!("{}: cannot be written", file.display()))
}

/// The address that others see: for "every address", the one by which this computer reaches the outside.
fn reachable(listen: SocketAddr) -> SocketAddr {
    if !listen.ip().is_unspecified() {
        return listen;
    }
    // Nothing is sent: connecting a datagram socket only asks which way it would go (TEST-NET-1, RFC 5737).
    let way = UdpSocket::bind("0.0.0.0:0").and_then(|s| s.connect("192.0.2.1:9").and_then(|()| s.local_addr()));
    SocketAddr::new(way.map_or(IpAddr::from([127, 0, 0, 1]), |a| a.ip()), listen.port())
}
