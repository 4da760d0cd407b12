//! Notices against real peers: a mail server with TLS, an MQTT broker, a web server, a session bus. Peers are
//! killed and started again while alerts come; so is the program that tells.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

use serde_json::Value;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Bound against hanging only.
const PATIENCE: Duration = Duration::from_secs(120);

type Lines = Arc<Mutex<Vec<Value>>>;

/// A process that was started here, and its lines of JSON. It ends with its owner.
struct Process {
    child: Child,
    lines: Lines,
}

impl Process {
    fn start(command: &mut Command, lines: Lines) -> Self {
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap_or_else(|e| panic!("{command:?}: {e}"));
        let output = BufReader::new(child.stdout.take().unwrap());
        let sink = lines.clone();
        std::thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                if let Ok(value) = serde_json::from_str(&line) {
                    sink.lock().unwrap().push(value);
                }
            }
        });
        Self { child, lines }
    }

    fn say(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    /// Asks with one line and waits for the next line of answer.
    fn ask(&mut self, line: &str) -> Value {
        let before = self.lines.lock().unwrap().len();
        self.say(line);
        wait("an answer", || self.lines.lock().unwrap().len() > before);
        self.lines.lock().unwrap()[before].clone()
    }

    /// Ends it as a service manager would, by its own id.
    fn terminate(&mut self) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").arg(&id).status().unwrap().success());
        self.child.wait().unwrap();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn wait(what: &str, done: impl FnMut() -> bool) {
    wait_for(PATIENCE, what, done);
}

fn wait_for(patience: Duration, what: &str, mut done: impl FnMut() -> bool) {
    let end = Instant::now() + patience;
    while !done() {
        assert!(Instant::now() < end, "{what} did not come");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// A program of the system; the tests need it.
fn program(name: &str) -> PathBuf {
    let found = ["/usr/bin", "/usr/sbin"].iter().map(|d| Path::new(d).join(name)).find(|p| p.is_file());
    found.unwrap_or_else(|| panic!("{name} is not installed; deploy/setup tests installs what the tests need"))
}

fn peer(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers").join(name)
}

/// The example that tells typed alerts; cargo builds it beside the tests.
fn teller(dir: &Path, lines: Lines) -> Process {
    let path = std::env::current_exe().unwrap().parent().unwrap().parent().unwrap().join("examples/teller");
    let mut command = Command::new(&path);
    command.arg(dir.join("settings.toml")).arg(dir).env("MAIL_PASSWORD", "s3cret-mail");
    Process::start(&mut command, lines)
}

/// A web server that takes POSTs: bodies and headers are kept, answers are what `answer` says (0: none at all).
struct Web {
    stop: Arc<AtomicBool>,
    port: u16,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Web {
    fn start(port: u16, taken: Arc<Mutex<Vec<(String, String)>>>, answer: u16) -> Self {
        let mut listener = TcpListener::bind(("127.0.0.1", port));
        wait("the port", || {
            listener.is_ok() || {
                listener = TcpListener::bind(("127.0.0.1", port));
                false
            }
        });
        let (listener, stop) = (listener.unwrap(), Arc::new(AtomicBool::new(false)));
        let (ending, kept) = (stop.clone(), taken);
        let thread = std::thread::spawn(move || {
            let mut silent = Vec::new();
            for stream in listener.incoming().map_while(Result::ok) {
                if ending.load(Ordering::Relaxed) {
                    return;
                }
                if answer == 0 {
                    silent.push(stream);
                } else if let Some(request) = serve(stream, answer) {
                    kept.lock().unwrap().push(request);
                }
            }
        });
        Self { stop, port, thread: Some(thread) }
    }
}

impl Drop for Web {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = TcpStream::connect(("127.0.0.1", self.port));
        let _ = self.thread.take().unwrap().join();
    }
}

/// One request: head and body, once it is answered.
fn serve(mut stream: TcpStream, answer: u16) -> Option<(String, String)> {
    let mut reader = BufReader::new(stream.try_clone().ok()?);
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        if reader.read_line(&mut head).ok()? == 0 {
            return None;
        }
    }
    let length = header(&head, "content-length")?.parse().ok()?;
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    let reply = format!("HTTP/1.1 {answer} x\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
    stream.write_all(reply.as_bytes()).ok()?;
    (200..300).contains(&answer).then(|| (head, String::from_utf8(body).unwrap()))
}

fn header<'a>(head: &'a str, name: &str) -> Option<&'a str> {
    head.lines().find_map(|l| l.split_once(": ").filter(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v))
}

fn certificate(dir: &Path) {
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"])
        .args(["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-addext", "basicConstraints=critical,CA:FALSE"])
        .arg("-keyout")
        .arg(dir.join("key.pem"))
        .arg("-out")
        .arg(dir.join("cert.pem"))
        .stderr(Stdio::null())
        .status()
        .unwrap();
    assert!(made.success());
}

/// All the peers of one test, on ports of their own that stay the same over restarts.
struct Peers {
    dir: PathBuf,
    web_port: u16,
    mail_port: u16,
    mqtt_port: u16,
    posts: Arc<Mutex<Vec<(String, String)>>>,
    mails: Lines,
    messages: Lines,
}

impl Peers {
    fn new(dir: &Path) -> Self {
        certificate(dir);
        let peers = Self {
            dir: dir.into(),
            web_port: free_port(),
            mail_port: free_port(),
            mqtt_port: free_port(),
            posts: Arc::default(),
            mails: Lines::default(),
            messages: Lines::default(),
        };
        std::fs::write(dir.join("url"), format!("http://127.0.0.1:{}/hook/s3cret-path\n", peers.web_port)).unwrap();
        std::fs::write(dir.join("key"), "s3cret-key\n").unwrap();
        std::fs::write(dir.join("accounts"), "").unwrap();
        let (d, manners) = (dir.display(), "enabled = true\nquiet = []\nmost_an_hour = 600\n");
        let settings = format!(
            "[venue]\nname = \"Larkfield Chapel\"\n[tell]\npage = \"http://booth:8391/\"\n\
             [tell.webhook]\n{manners}url_from = \"file:{d}/url\"\nkey_from = \"file:{d}/key\"\n\
             [tell.mail]\n{manners}host = \"localhost\"\nport = {}\nca_file = \"{d}/cert.pem\"\nuser = \"booth\"\n\
             password_from = \"env:MAIL_PASSWORD\"\nfrom = \"booth@larkfield.example\"\nto = [\"sound@larkfield.example\"]\n\
             [tell.mqtt]\n{manners}host = \"127.0.0.1\"\nport = {}\n",
            peers.mail_port, peers.mqtt_port
        );
        std::fs::write(dir.join("settings.toml"), settings).unwrap();
        let broker = format!(
            "user root\nlistener {} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {d}/\nmax_queued_messages 0\n",
            peers.mqtt_port
        );
        std::fs::write(dir.join("broker.conf"), broker).unwrap();
        peers
    }

    fn web(&self) -> Web {
        Web::start(self.web_port, self.posts.clone(), 204)
    }

    fn mail(&self) -> Process {
        let mut command = Command::new(program("python3"));
        command
            .args(["-W", "ignore"])
            .arg(peer("mail.py"))
            .arg(self.mail_port.to_string())
            .arg(self.dir.join("cert.pem"))
            .arg(self.dir.join("key.pem"));
        Process::start(command.stderr(Stdio::null()), self.mails.clone())
    }

    fn broker(&self) -> Process {
        let mut command = Command::new(program("mosquitto"));
        let broker =
            Process::start(command.arg("-c").arg(self.dir.join("broker.conf")).stderr(Stdio::null()), Lines::default());
        wait("the broker", || TcpStream::connect(("127.0.0.1", self.mqtt_port)).is_ok());
        broker
    }

    /// A reader of the broker who misses nothing: the broker keeps its messages while the line is down.
    fn reader(&self) -> Process {
        let mut command = Command::new(program("mosquitto_sub"));
        command.args([
            "-h",
            "127.0.0.1",
            "-p",
            &self.mqtt_port.to_string(),
            "-q",
            "1",
            "-c",
            "-i",
            "reader",
            "-t",
            "mixwarden/#",
        ]);
        Process::start(command.args(["-F", "%j"]).stderr(Stdio::null()), self.messages.clone())
    }

    /// Ids and steps told, in order of arrival, by channel.
    fn told(&self) -> [(&'static str, Vec<String>); 3] {
        let posts =
            self.posts.lock().unwrap().iter().map(|(_, b)| text(&serde_json::from_str(b).unwrap(), "id")).collect();
        let mails =
            self.mails.lock().unwrap().iter().filter(|m| m.get("id").is_some()).map(|m| text(m, "id")).collect();
        let messages = self.messages.lock().unwrap();
        let notices = messages.iter().filter(|m| text(m, "topic").ends_with("/notice"));
        let notices = notices.map(|m| text(&serde_json::from_str(&text(m, "payload")).unwrap(), "id")).collect();
        [("webhook", posts), ("mail", mails), ("mqtt", notices)]
    }
}

fn text(value: &Value, key: &str) -> String {
    value[key].as_str().unwrap_or_default().to_string()
}

/// Ids as the mail channel writes them for what the others call `a7-700-raised-700`.
fn as_mail_id(id: &str) -> String {
    let thread = id.split("-raised-").next().unwrap_or(id);
    format!("<{thread}@larkfield.example>")
}

fn ids_of(alert: u64, steps: &[&str]) -> Vec<String> {
    steps.iter().map(|s| format!("a{alert}-{0}-{s}-{0}", alert * 100)).collect()
}

/// In order of first arrival, each once; and how many came a second time.
fn once(ids: &[String]) -> (Vec<String>, usize) {
    let mut first: Vec<String> = Vec::new();
    for id in ids {
        if !first.contains(id) {
            first.push(id.clone());
        }
    }
    let repeated = ids.len() - first.len();
    (first, repeated)
}

const STEPS: [&str; 3] = ["raised", "acknowledged", "cleared"];

#[test]
fn each_alert_is_told_once_in_order_while_peers_come_and_go() {
    // The long run is for a person to ask for: NOTICES_ALERTS=500 NOTICES_RESTARTS=100.
    let number = |name: &str, default: u64| std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(default);
    let (alerts, restarts) = (number("NOTICES_ALERTS", 30), number("NOTICES_RESTARTS", 4));
    let dir = tempfile::tempdir().unwrap();
    let peers = Peers::new(dir.path());
    let (mut web, mut mail, mut broker) = (Some(peers.web()), Some(peers.mail()), Some(peers.broker()));
    let _reader = peers.reader();
    let began = Instant::now();
    let mut teller = teller(dir.path(), Lines::default());
    let mut restarted = 0;
    for n in 1..=alerts {
        for step in STEPS {
            teller.say(&format!("{step} {n}"));
        }
        if n * restarts / alerts > restarted {
            restarted += 1;
            // Some notices are under way now: all peers go, and come back.
            drop(web.take());
            drop(mail.take());
            broker.take().unwrap().terminate();
            teller.ask("counts");
            (web, mail, broker) = (Some(peers.web()), Some(peers.mail()), Some(peers.broker()));
        }
        teller.ask("counts");
    }
    let patience = PATIENCE * (1 + alerts as u32 / 50);
    wait_for(patience, "the last notice", || {
        teller.ask("counts")["counts"].as_object().unwrap().values().all(|c| c["waiting"] == 0)
    });
    let want: Vec<String> = (1..=alerts).flat_map(|n| ids_of(n, &STEPS)).collect();
    wait("the reader's last message", || peers.told()[2].1.contains(&want[want.len() - 1]));
    let counts = teller.ask("counts");
    println!("{alerts} alerts, {restarted} restarts of each peer, {:.0} s: {counts}", began.elapsed().as_secs_f64());
    for (channel, ids) in peers.told() {
        let (first, repeated) = once(&ids);
        let want: Vec<String> = if channel == "mail" {
            want.iter()
                .map(|id| if id.contains("-raised-") { as_mail_id(id) } else { format!("<{id}@larkfield.example>") })
                .collect()
        } else {
            want.clone()
        };
        assert_eq!(first, want, "{channel}: all, in order");
        println!("{channel}: {} told, {repeated} of them twice (answer lost when the peer was killed)", first.len());
        assert!(repeated as u64 <= restarted, "{channel}: {repeated} repeated in {restarted} restarts");
        assert_eq!(counts["counts"][channel]["lost"], 0);
    }
    drop((web, mail, broker));
}

#[test]
fn what_waits_is_told_after_the_program_was_killed() {
    let dir = tempfile::tempdir().unwrap();
    let peers = Peers::new(dir.path());
    let reader_line = Lines::default();
    let mut told = teller(dir.path(), reader_line.clone());
    // No peer is there yet.
    for n in 1..=5 {
        for step in STEPS {
            told.say(&format!("{step} {n}"));
        }
    }
    told.say("raised 6");
    let counts = told.ask("counts");
    assert_eq!(counts["counts"]["mail"]["waiting"], 16, "{counts}");
    told.child.kill().unwrap();
    told.child.wait().unwrap();

    let (_web, _mail, _broker) = (peers.web(), peers.mail(), peers.broker());
    let _reader = peers.reader();
    let mut told = teller(dir.path(), Lines::default());
    wait("all of it", || told.ask("counts")["counts"].as_object().unwrap().values().all(|c| c["waiting"] == 0));
    let mut want: Vec<String> = (1..=5).flat_map(|n| ids_of(n, &STEPS)).chain(ids_of(6, &["raised"])).collect();
    want.push("a6-600-cleared-restart".into());
    wait("the reader's last message", || peers.told()[2].1.len() >= want.len());
    let [(_, posts), (_, mails), (_, messages)] = peers.told();
    assert_eq!(posts, want, "the conversation that the kill left open is ended");
    assert_eq!(messages, want);
    assert_eq!(mails.len(), want.len());

    // Nothing is told again by the next run.
    drop(told);
    let mut third = teller(dir.path(), Lines::default());
    third.say("raised 7");
    wait("the next notice", || peers.told()[0].1.last() == ids_of(7, &["raised"]).last());
    assert_eq!(peers.told()[0].1.len(), want.len() + 1);
}

#[test]
fn a_dead_or_silent_peer_delays_no_other_and_becomes_a_fault() {
    let dir = tempfile::tempdir().unwrap();
    let peers = Peers::new(dir.path());
    // The web server takes connections and never answers; there is no mail server; the broker works.
    let _silent = Web::start(peers.web_port, peers.posts.clone(), 0);
    let _broker = peers.broker();
    let _reader = peers.reader();
    let mut told = teller(dir.path(), Lines::default());
    for n in 1..=20 {
        told.say(&format!("raised {n}"));
    }
    wait("twenty messages", || peers.told()[2].1.len() == 20);
    assert_eq!(peers.told()[0].1.len(), 0);
    let mut fault = String::new();
    wait("the fault", || {
        fault = text(&told.ask("counts"), "fault");
        fault.contains("by mail")
    });
    assert!(
        fault.contains("Notices by mail do not get through: the mail server cannot be reached; 20 wait"),
        "{fault}"
    );
}

#[test]
fn what_peers_get_is_what_is_documented() {
    let dir = tempfile::tempdir().unwrap();
    let peers = Peers::new(dir.path());
    let (_web, _mail, _broker) = (peers.web(), peers.mail(), peers.broker());
    let _reader = peers.reader();
    let mut told = teller(dir.path(), Lines::default());
    for step in STEPS {
        told.say(&format!("{step} 2"));
    }
    wait("three notices everywhere", || peers.told().iter().all(|(_, ids)| ids.len() == 3));

    let posts = peers.posts.lock().unwrap().clone();
    let (head, body) = &posts[0];
    let json: Value = serde_json::from_str(body).unwrap();
    assert_eq!(
        (text(&json, "format"), text(&json, "step"), text(&json, "thread")),
        ("mixwarden.notice.v1".into(), "raised".into(), "a2-200".into())
    );
    // The signature by a second implementation.
    let script = "import sys,hmac,hashlib,base64;print('v1,'+base64.b64encode(hmac.new(b's3cret-key',sys.stdin.buffer.read(),hashlib.sha256).digest()).decode())";
    let mut python = Command::new(program("python3"))
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let signed =
        format!("{}.{}.{body}", header(head, "webhook-id").unwrap(), header(head, "webhook-timestamp").unwrap());
    python.stdin.take().unwrap().write_all(signed.as_bytes()).unwrap();
    let want = String::from_utf8(python.wait_with_output().unwrap().stdout).unwrap();
    assert_eq!(header(head, "webhook-signature"), Some(want.trim()));

    let mails: Vec<Value> = peers.mails.lock().unwrap().iter().filter(|m| m.get("id").is_some()).cloned().collect();
    assert!(mails.iter().all(|m| m["tls"] == true), "{mails:?}");
    assert_eq!((text(&mails[0], "id"), &mails[0]["references"]), ("<a2-200@larkfield.example>".into(), &Value::Null));
    assert_eq!(text(&mails[2], "references"), "<a2-200@larkfield.example>");
    assert!(text(&mails[2], "subject").starts_with("Larkfield Chapel: Over: "), "{}", text(&mails[2], "subject"));

    // What the broker holds for one who comes later: where the alert stands, and that the program is there.
    let retained = || {
        let output = Command::new(program("mosquitto_sub"))
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &peers.mqtt_port.to_string(),
                "-t",
                "mixwarden/#",
                "--retained-only",
                "-W",
                "1",
                "-F",
                "%t %p",
            ])
            .output()
            .unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let held = retained();
    assert!(held.contains("mixwarden/larkfield_chapel/status online"), "{held}");
    assert!(
        held.contains("/alert/stream/") && held.contains("\"state\":\"cleared\"") && !held.contains("/notice "),
        "{held}"
    );
    told.child.kill().unwrap();
    wait("the last will", || retained().contains("mixwarden/larkfield_chapel/status offline"));
}

#[test]
fn a_desktop_bubble_is_silent_and_one_a_conversation() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("bus.conf");
    std::fs::write(&config, format!(
        "<!DOCTYPE busconfig PUBLIC \"-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN\" \"http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd\">\n\
         <busconfig><type>session</type><listen>unix:path={}/bus</listen><policy context=\"default\"><allow send_destination=\"*\" eavesdrop=\"true\"/>\
         <allow eavesdrop=\"true\"/><allow own=\"*\"/></policy></busconfig>", dir.path().display())).unwrap();
    let address = format!("unix:path={}/bus", dir.path().display());
    let mut bus = Command::new(program("dbus-daemon"));
    let _bus = Process::start(bus.arg("--nofork").arg("--config-file").arg(&config), Lines::default());
    wait("the bus", || dir.path().join("bus").exists());
    let bubbles = Lines::default();
    let mut service = Command::new(program("python3"));
    let _service =
        Process::start(service.arg(peer("desktop.py")).env("DBUS_SESSION_BUS_ADDRESS", &address), bubbles.clone());
    wait("the service", || !bubbles.lock().unwrap().is_empty());

    std::fs::write(
        dir.path().join("settings.toml"),
        "[venue]\nname = \"Larkfield Chapel\"\n[tell.desktop]\nenabled = true\n",
    )
    .unwrap();
    let path = std::env::current_exe().unwrap().parent().unwrap().parent().unwrap().join("examples/teller");
    let mut command = Command::new(path);
    command.arg(dir.path().join("settings.toml")).arg(dir.path()).env("DBUS_SESSION_BUS_ADDRESS", &address);
    let mut told = Process::start(&mut command, Lines::default());
    for step in STEPS {
        told.say(&format!("{step} 2"));
    }
    wait("three bubbles", || bubbles.lock().unwrap().len() == 4);
    let shown = bubbles.lock().unwrap().clone();
    assert!(
        shown[1..].iter().all(|b| b["silent"] == true && b["app"] == "mixwarden" && b["number"] == shown[1]["number"]),
        "{shown:?}"
    );
    assert_eq!(
        (&shown[1]["urgency"], &shown[1]["timeout"], &shown[3]["urgency"]),
        (&2.into(), &0.into(), &1.into()),
        "a warning stays, its end does not"
    );
}

#[test]
fn the_command_tries_a_way_and_hides_secrets() {
    let dir = tempfile::tempdir().unwrap();
    let peers = Peers::new(dir.path());
    let run = |name: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_mixwarden"));
        command
            .args(["notice", "--test", name, "--settings"])
            .arg(dir.path().join("settings.toml"))
            .env("MAIL_PASSWORD", "s3cret-mail");
        let output = command.output().unwrap();
        let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        assert!(!said.contains("s3cret"), "{said}");
        (output.status.code(), said)
    };
    let (code, said) = run("webhook");
    assert_eq!(
        (code, said.as_str()),
        (Some(1), "webhook: not told: the webhook's peer cannot be reached (connection refused)\n")
    );
    let (_web, _mail, _broker) = (peers.web(), peers.mail(), peers.broker());
    wait("the mail server", || TcpStream::connect(("127.0.0.1", peers.mail_port)).is_ok());
    for name in ["webhook", "mail", "mqtt"] {
        assert_eq!(run(name), (Some(0), format!("{name}: the test notice was taken; see whether it arrives\n")));
    }
    assert!(
        peers.mails.lock().unwrap().iter().any(|m| text(m, "subject").contains("This is a test; nothing is wrong"))
    );
}
