//! The daemon under ill treatment: bad requests, too many of them, taken ports, absent devices, bad settings, signals.
//! Whatever comes, the measuring goes on, memory is bounded, and each mistake gets its sentence.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod booth;

use booth::{Daemon, Events, mixwarden, signal, status_of, wait};
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

/// A rehearsal without faults, at the pace of time: something is always measured.
fn daemon() -> Daemon {
    Daemon::start(mixwarden().args(["rehearse", "--clean", "--from", "30"]))
}

fn seconds(daemon: &Daemon) -> f64 {
    daemon.now()["stream_seconds"].as_f64().unwrap()
}

/// The measuring goes on: a second of stream time passes, and the program answers.
fn goes_on(daemon: &Daemon) {
    let from = seconds(daemon);
    wait("the measuring", || (seconds(daemon) > from + 1.0).then_some(()));
}

/// What comes back for raw bytes, as far as it comes.
fn raw(daemon: &Daemon, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(daemon.host()).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    // The server may close before it has read all: that is an answer too.
    let _ = stream.write_all(request);
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0)
}

fn get(daemon: &Daemon, path: &str, headers: &str) -> u16 {
    status(&raw(daemon, format!("GET {path} HTTP/1.1\r\nConnection: close\r\n{headers}\r\n").as_bytes()))
}

fn post(daemon: &Daemon, path: &str, headers: &str, body: &str) -> u16 {
    let head = format!("POST {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n{headers}\r\n", body.len());
    status(&raw(daemon, (head + body).as_bytes()))
}

const JSON: &str = "Content-Type: application/json\r\n";

#[test]
fn bad_requests_get_their_status_and_the_measuring_goes_on() {
    let daemon = daemon();
    let host = format!("Host: {}\r\n", daemon.host());
    assert_eq!(daemon.get("no/such/page").0, 404);
    assert_eq!(post(&daemon, "/metrics", &host, ""), 405);
    assert_eq!(get(&daemon, "/api/v1/acknowledge", &host), 405);
    assert_eq!(get(&daemon, "/../../etc/passwd", &host), 404);
    let ack = "/api/v1/acknowledge";
    assert_eq!(post(&daemon, ack, &(host.clone() + JSON), "{\"alert\":\"all\"}"), 204);
    for (body, wanted) in [
        ("{\"alert\":\"some\"}", 422),
        ("{\"alert\":-1}", 422),
        ("{\"alert\":1,\"more\":2}", 422),
        ("{\"alert\":", 400),
        ("", 400),
        (&"x".repeat(10_000), 413),
    ] {
        assert_eq!(post(&daemon, ack, &(host.clone() + JSON), body), wanted, "{body:.40}");
    }
    assert_eq!(post(&daemon, ack, &host, "{\"alert\":\"all\"}"), 415);
    let shelve = |minutes: &str| {
        let body = format!("{{\"alert\":1,\"minutes\":{minutes}}}");
        post(&daemon, "/api/v1/shelve", &(host.clone() + JSON), &body)
    };
    assert_eq!((shelve("0"), shelve("1441"), shelve("-5"), shelve("30")), (422, 422, 422, 204));
    // Rubbish, and a header of 1 MiB.
    for rubbish in [&b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"[..], b"hello\r\n\r\n", b"GET\r\n\r\n"] {
        assert_eq!(status(&raw(&daemon, rubbish)), 400);
    }
    let long = format!("GET / HTTP/1.1\r\n{host}X: {}\r\n\r\n", "x".repeat(1 << 20));
    assert!([0, 400, 431].contains(&status(&raw(&daemon, long.as_bytes()))));
    goes_on(&daemon);
}

#[test]
fn only_pages_of_its_own_may_look_or_press() {
    let daemon = daemon();
    let own = format!("Host: {}\r\n", daemon.host());
    let origin = |o: &str| format!("{own}{JSON}Origin: {o}\r\n");
    let ack = |headers: &str| post(&daemon, "/api/v1/acknowledge", headers, "{\"alert\":\"all\"}");
    assert_eq!(ack(&origin(&format!("http://{}", daemon.host()))), 204);
    assert_eq!(ack(&origin("http://elsewhere.example")), 403);
    assert_eq!(ack(&origin("null")), 403);
    // A name that somebody else's DNS points to this computer.
    let port = daemon.host().split(':').nth(1).unwrap().to_string();
    assert_eq!(get(&daemon, "/", &format!("Host: elsewhere.example:{port}\r\n")), 401);
    assert_eq!(get(&daemon, "/api/v1/now", &format!("Host: localhost.elsewhere.example:{port}\r\n")), 401);
    assert_eq!(get(&daemon, "/", &format!("Host: localhost:{port}\r\n")), 200);
    assert_eq!(get(&daemon, "/", "Host: \r\n"), 401);
    let answer = raw(&daemon, format!("GET / HTTP/1.1\r\nConnection: close\r\n{own}\r\n").as_bytes());
    for wanted in
        ["content-security-policy: default-src 'self'", "x-content-type-options: nosniff", "frame-ancestors 'none'"]
    {
        assert!(answer.to_lowercase().contains(wanted), "{wanted}: {answer:.600}");
    }
}

#[test]
fn keys_give_roles_and_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let keys = dir.path().join("keys");
    std::fs::write(&keys, "look looking-key-0001\nacknowledge pressing-key-0002\nmanage managing-key-0003\n").unwrap();
    let settings = dir.path().join("s.toml");
    std::fs::write(&settings, format!("[page]\nkeys_file = \"{}\"\n", keys.display())).unwrap();
    let daemon = Daemon::start(mixwarden().args(["rehearse", "--clean", "--settings"]).arg(&settings));
    let port = daemon.host().split(':').nth(1).unwrap().to_string();
    // A name of the network's: whoever uses it is no longer taken for this computer's own user.
    let host = format!("Host: booth.example:{port}\r\n{JSON}");
    let with = |key: &str| format!("{host}Authorization: Bearer {key}\r\n");
    let may = |headers: &str| {
        let all = "{\"alert\":\"all\"}";
        [
            get(&daemon, "/api/v1/now", headers),
            post(&daemon, "/api/v1/acknowledge", headers, all),
            post(&daemon, "/api/v1/service/begin", headers, ""),
        ]
    };
    assert_eq!(may(&host), [401, 401, 401]);
    assert_eq!(may(&with("looking-key-000")), [401, 401, 401]);
    assert_eq!(may(&with("looking-key-0001")), [200, 403, 403]);
    assert_eq!(may(&with("pressing-key-0002")), [200, 204, 403]);
    assert_eq!(may(&with("managing-key-0003")), [200, 204, 204]);
    // A link's key becomes a cookie, and leaves the address.
    let request =
        format!("GET /?key=looking-key-0001 HTTP/1.1\r\nConnection: close\r\nHost: booth.example:{port}\r\n\r\n");
    let answer = raw(&daemon, request.as_bytes()).to_lowercase();
    assert_eq!(status(&answer), 303, "{answer}");
    assert!(
        answer.contains("location: /\r\n") && answer.contains("httponly") && answer.contains("samesite=strict"),
        "{answer}"
    );
    assert_eq!(
        get(&daemon, "/", &format!("Host: booth.example:{port}\r\nCookie: a=b; mixwarden=looking-key-0001\r\n")),
        200
    );
    assert!(!daemon.log().contains("looking-key"), "a key is in the log");
}

#[test]
fn an_open_address_without_keys_is_refused_at_start() {
    let out = mixwarden().args(["rehearse", "--listen", "0.0.0.0:0"]).output().unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("keys_file"));
}

#[test]
fn half_open_clients_and_hundreds_of_pages_do_not_stop_it_or_fill_the_memory() {
    let daemon = daemon();
    let before = status_of(daemon.id(), "VmRSS");
    // Clients that connect and say half a word, or nothing.
    let mut half: Vec<TcpStream> = (0..150).map(|_| TcpStream::connect(daemon.host()).unwrap()).collect();
    for stream in half.iter_mut().step_by(2) {
        stream.write_all(b"GET / HTTP/1.1\r\nHost: loc").unwrap();
    }
    // Pages that open the event stream and never read it.
    let request = format!("GET /events HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.host());
    let mut pages: Vec<TcpStream> = (0..200)
        .map(|_| {
            let mut stream = TcpStream::connect(daemon.host()).unwrap();
            stream.write_all(request.as_bytes()).unwrap();
            stream
        })
        .collect();
    let mut first = [0; 12];
    pages.iter_mut().for_each(|p| p.read_exact(&mut first).unwrap());
    assert_eq!(&first, b"HTTP/1.1 200");
    assert_eq!(status(&raw(&daemon, request.replace("\r\n\r\n", "\r\nConnection: close\r\n\r\n").as_bytes())), 503);
    for _ in 0..5 {
        goes_on(&daemon);
    }
    let grown = status_of(daemon.id(), "VmRSS").saturating_sub(before);
    eprintln!("350 clients: {grown} KiB more");
    assert!(grown < 40 * 1024, "350 clients took {grown} KiB");
    drop((half, pages));
    // Their seats are free again.
    let events = wait("a free seat", || {
        let answer = ureq::get(format!("{}events", daemon.address)).config().http_status_as_error(false).build().call();
        (answer.unwrap().status() == 200).then(|| Events::open(&daemon))
    });
    events.until("a beat", |_| true);
    assert_eq!(daemon.now()["faults"].as_array().unwrap().len(), 0);
}

#[test]
fn a_taken_port_is_told_and_taken_as_soon_as_it_is_free() {
    let busy = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = busy.local_addr().unwrap().to_string();
    let mut command = mixwarden();
    command.args(["rehearse", "--clean", "--listen", &address]);
    let mut daemon = Daemon::begin(&mut command);
    wait("the word that the port is taken", || daemon.log().contains("Is another program there?").then_some(()));
    // The measuring goes on meanwhile: its own commands reach it.
    let socket = daemon.state.path().join("control.sock");
    wait("the control socket", || {
        over_socket(&socket, "GET", "/api/v1/now").contains("\"kind\":\"page\"").then_some(())
    });
    drop(busy);
    assert_eq!(daemon.stdout_line(), format!("http://{address}/"));
    daemon.address = format!("http://{address}/");
    wait("the end of the fault", || daemon.now()["faults"].as_array()?.is_empty().then_some(()));
    assert_eq!(daemon.stop("INT").code(), Some(0));
}

fn over_socket(socket: &Path, method: &str, path: &str) -> String {
    let Ok(mut stream) = UnixStream::connect(socket) else { return String::new() };
    let body = if method == "POST" { "{\"alert\":\"all\"}" } else { "" };
    let length = body.len();
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{JSON}Content-Length: {length}\r\n\r\n{body}"
    );
    stream.write_all(head.as_bytes()).unwrap();
    let mut answer = String::new();
    let _ = stream.read_to_string(&mut answer);
    answer
}

#[test]
fn the_control_socket_acknowledges_and_is_for_its_own_user_only() {
    use std::os::unix::fs::PermissionsExt as _;
    // A fault that lasts: the exact zeros from 130 s on, at a fifth of the pace of time.
    let daemon = Daemon::start(mixwarden().args(["rehearse", "--from", "133", "--speed", "0.2"]));
    wait("the warning", || (daemon.now()["mood"] == "warning").then_some(()));
    let socket = daemon.state.path().join("control.sock");
    assert_eq!(status(&over_socket(&socket, "POST", "/api/v1/acknowledge")), 204);
    wait("the acknowledgement", || daemon.now()["alerts"][0]["acknowledged_seconds"].is_f64().then_some(()));
    let state = std::fs::metadata(&socket).unwrap().permissions().mode() & 0o777;
    assert_eq!(state & 0o077, 0, "others may speak to the control socket: {state:o}");
}

#[test]
fn absent_devices_and_unknown_names_get_one_clear_sentence() {
    let watch = |device: &str| {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("s.toml");
        std::fs::write(&file, format!("[feed.stream]\ndevice = \"{device}\"\n")).unwrap();
        let mut command = mixwarden();
        command.args(["watch", "--settings"]).arg(&file).env("PULSE_SERVER", "unix:/nowhere");
        (dir, command)
    };
    for device in ["jack:desk", "pulse:", "desk", "file:/nowhere/sunday.wav"] {
        let (_dir, mut command) = watch(device);
        let out = command.arg("--state").arg("/tmp").output().unwrap();
        assert_eq!(out.status.code(), Some(2), "{device}");
        let told = String::from_utf8_lossy(&out.stderr);
        assert!(
            told.contains("feed stream") && told.lines().count() == 1 && !told.contains("panic"),
            "{device}: {told}"
        );
    }
    // What may come later is waited for, and said.
    for device in ["pulse:desk", "alsa:no_such_card"] {
        let (_dir, mut command) = watch(device);
        let mut daemon = Daemon::start(&mut command);
        let fault = wait("the fault", || {
            let now = daemon.now();
            now["faults"].as_array()?.iter().find(|f| f["kind"] == "device").cloned()
        });
        assert!(fault["sentence"].as_str().unwrap().contains("Trying again"), "{device}: {fault}");
        assert_eq!(daemon.metric("mixwarden_box_fault{kind=\"device\"}"), "1");
        assert_eq!(daemon.metric("mixwarden_feed_up{feed=\"stream\"}"), "0");
        wait("the page's word", || daemon.get("").1.contains("input is not there yet").then_some(()));
        assert_eq!(daemon.get("healthy").0, 200);
        assert_eq!(daemon.get("ready").0, 503);
        goes_on(&daemon);
        assert_eq!(daemon.stop("TERM").code(), Some(0));
    }
}

#[test]
fn all_mistakes_of_a_settings_file_are_told_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("bad.toml");
    let text = "[target]\nlufs = 60\n[feed.stream]\nchanels = [1, 2]\nchannels = [0, 1]\n[service]\ntimes = [\"someday 10:00-11:00\"]\n[judge.digital_silence]\nraise_after_seconds = \"two\"\n";
    std::fs::write(&file, text).unwrap();
    let out = mixwarden().args(["watch", "--settings"]).arg(&file).output().unwrap();
    assert_eq!(out.status.code(), Some(2));
    let told = String::from_utf8_lossy(&out.stderr);
    for line in ["line 2", "line 4", "line 5", "line 7", "line 9"] {
        assert!(told.contains(line), "{line}: {told}");
    }
    assert!(told.contains("5 problems") && told.contains("channels"), "{told}");
}

#[test]
fn settings_are_read_again_on_a_hangup_and_bad_ones_change_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("s.toml");
    std::fs::write(&file, "[target]\nlufs = -20\n").unwrap();
    let daemon = Daemon::start(mixwarden().args(["rehearse", "--clean", "--settings"]).arg(&file));
    let target = || daemon.metric("mixwarden_target_lufs");
    assert_eq!(target(), "-20");
    std::fs::write(&file, "[target]\nlufs = -16\n").unwrap();
    signal(daemon.id(), "HUP");
    wait("the new target", || (target() == "-16").then_some(()));
    std::fs::write(&file, "[target]\nlufs = -30\nloud = 1\n").unwrap();
    signal(daemon.id(), "HUP");
    wait("the fault", || (daemon.metric("mixwarden_box_fault{kind=\"settings\"}") == "1").then_some(()));
    goes_on(&daemon);
    assert_eq!(target(), "-16");
    assert!(daemon.get("").1.contains("old settings hold"));
    std::fs::write(&file, "[target]\nlufs = -23\n").unwrap();
    signal(daemon.id(), "HUP");
    wait("the end of the fault", || (daemon.metric("mixwarden_box_fault{kind=\"settings\"}") == "0").then_some(()));
    wait("the newest target", || (target() == "-23").then_some(()));
}

#[test]
fn it_stops_in_order_with_pages_open() {
    for name in ["TERM", "INT"] {
        let mut daemon = daemon();
        let events = Events::open(&daemon);
        events.until("a beat", |_| true);
        let socket = daemon.state.path().join("control.sock");
        assert!(socket.exists());
        // A bound against hanging: 2 s is the job's figure, ten times that is a hang.
        let began = std::time::Instant::now();
        assert_eq!(daemon.stop(name).code(), Some(0), "SIG{name}");
        eprintln!("SIG{name}: stopped after {:.2} s", began.elapsed().as_secs_f64());
        assert!(began.elapsed() < Duration::from_secs(20));
        assert!(!socket.exists(), "the control socket was left behind");
    }
}
