//! What the tests of the running program need: the daemon as a child of the test, asked over HTTP as anybody would.
#![allow(dead_code)] // each test file uses its part

pub mod browser;
pub mod pulse;

use serde_json::Value;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Bound against hanging only.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Waits until `done` gives something.
pub fn wait<T>(what: &str, mut done: impl FnMut() -> Option<T>) -> T {
    let end = Instant::now() + PATIENCE;
    loop {
        if let Some(t) = done() {
            return t;
        }
        assert!(Instant::now() < end, "{what} did not come");
        std::thread::sleep(Duration::from_millis(30));
    }
}

/// Sends a signal to a process by its id.
pub fn signal(id: u32, name: &str) {
    assert!(Command::new("kill").args([&format!("-{name}"), &id.to_string()]).status().unwrap().success());
}

/// A line of `/proc/PID/status`, its first number: `Threads`, `VmRSS` (KiB).
pub fn status_of(id: u32, key: &str) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = text.lines().find(|l| l.starts_with(&format!("{key}:"))).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Processor time of a process so far, seconds.
pub fn cpu_seconds(id: u32) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{id}/stat")).unwrap();
    let fields: Vec<&str> = text.rsplit(") ").next().unwrap().split_whitespace().collect();
    // utime and stime, fields 14 and 15 of proc(5), in ticks of 10 ms.
    (fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap()) / 100.0
}

/// One question to the log by SQLite's own program, while the daemon may write.
pub fn sqlite(state: &Path, question: &str) -> String {
    let out = Command::new("sqlite3").arg("-readonly").arg(state.join("log.sqlite")).arg(question).output().unwrap();
    assert!(out.status.success(), "{question}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap().trim().to_string()
}

/// The program under test.
pub fn mixwarden() -> Command {
    Command::new(env!("CARGO_BIN_EXE_mixwarden"))
}

/// A daemon that this test started. It ends with its owner.
pub struct Daemon {
    child: Child,
    /// `http://127.0.0.1:PORT/`.
    pub address: String,
    /// Its log and its control socket live here.
    pub state: tempfile::TempDir,
    log: Arc<Mutex<String>>,
    stdout: Receiver<String>,
    agent: ureq::Agent,
}

impl Daemon {
    /// Starts `command` (with `watch` or `rehearse` and what they need) on a free port, and waits for its address.
    pub fn start(command: &mut Command) -> Self {
        Self::start_in(command, tempfile::tempdir().unwrap())
    }

    /// Starts `command` and does not wait for an address.
    pub fn begin(command: &mut Command) -> Self {
        Self::begin_in(command, tempfile::tempdir().unwrap())
    }

    /// The same with a state directory that was there before.
    pub fn start_in(command: &mut Command, state: tempfile::TempDir) -> Self {
        let mut daemon = Self::begin_in(command.args(["--listen", "127.0.0.1:0"]), state);
        daemon.address = daemon.stdout.recv_timeout(PATIENCE).unwrap_or_else(|_| panic!("{}", daemon.log()));
        daemon
    }

    fn begin_in(command: &mut Command, state: tempfile::TempDir) -> Self {
        command.arg("--state").arg(state.path());
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let log = Arc::new(Mutex::new(String::new()));
        let (sink, errors) = (log.clone(), BufReader::new(child.stderr.take().unwrap()));
        std::thread::spawn(move || {
            for line in errors.lines().map_while(Result::ok) {
                sink.lock().unwrap().push_str(&(line + "\n"));
            }
        });
        let (say, stdout) = channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || out.lines().map_while(Result::ok).try_for_each(|l| say.send(l)));
        let agent = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(10)))
            .http_status_as_error(false)
            .build()
            .new_agent();
        Self { child, address: String::new(), state, log, stdout, agent }
    }

    /// A daemon with these settings.
    pub fn watch(settings: &str, environment: &[(String, String)]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("mixwarden.toml");
        std::fs::write(&file, settings).unwrap();
        let mut command = mixwarden();
        command.arg("watch").arg("--settings").arg(&file).envs(environment.iter().cloned());
        Self::start(&mut command)
    }

    /// Takes its state directory over, for the next one.
    pub fn leave_state(&mut self) -> tempfile::TempDir {
        std::mem::replace(&mut self.state, tempfile::tempdir().unwrap())
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// `127.0.0.1:PORT`.
    pub fn host(&self) -> &str {
        self.address.trim_start_matches("http://").trim_end_matches('/')
    }

    /// What it wrote to standard error so far.
    pub fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    /// Next line on standard output, waited for.
    pub fn stdout_line(&self) -> String {
        self.stdout.recv_timeout(PATIENCE).unwrap_or_else(|_| panic!("{}", self.log()))
    }

    /// Status and body of a path.
    pub fn get(&self, path: &str) -> (u16, String) {
        let mut answer = self.agent.get(format!("{}{path}", self.address)).call().unwrap();
        (answer.status().as_u16(), answer.body_mut().read_to_string().unwrap())
    }

    /// Status of a JSON request.
    pub fn post(&self, path: &str, body: &str) -> u16 {
        let request = self.agent.post(format!("{}{path}", self.address)).header("Content-Type", "application/json");
        request.send(body).unwrap().status().as_u16()
    }

    /// Status of a form that is sent, after redirects.
    pub fn post_form(&self, path: &str, body: &str) -> u16 {
        let request = self.agent.post(format!("{}{path}", self.address));
        request.header("Content-Type", "application/x-www-form-urlencoded").send(body).unwrap().status().as_u16()
    }

    /// The JSON of the present moment.
    pub fn now(&self) -> Value {
        serde_json::from_str(&self.get("api/v1/now").1).unwrap()
    }

    /// Value of one series of `/metrics`, as written there.
    pub fn metric(&self, series: &str) -> String {
        let text = self.get("metrics").1;
        let line = text.lines().find_map(|l| l.strip_prefix(series)?.strip_prefix(' ').map(str::to_string));
        line.unwrap_or_else(|| panic!("{series} is not among the metrics"))
    }

    /// Ends it by a signal, and gives its exit status.
    pub fn stop(&mut self, name: &str) -> ExitStatus {
        signal(self.id(), name);
        self.child.wait().unwrap()
    }

    /// Its exit status once it has ended by itself.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().unwrap()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if std::thread::panicking() && !self.address.is_empty() {
            let now = self.agent.get(format!("{}api/v1/now", self.address)).call();
            eprintln!("{:?}", now.map(|mut n| n.body_mut().read_to_string()));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            eprintln!("the daemon's log:\n{}", self.log());
        }
    }
}

/// The event stream, as a page gets it.
pub struct Events {
    lines: Receiver<Value>,
}

impl Events {
    /// Opens it.
    pub fn open(daemon: &Daemon) -> Self {
        let mut answer = ureq::get(format!("{}events", daemon.address)).call().unwrap();
        let (say, lines) = channel();
        let reader = std::mem::replace(answer.body_mut(), ureq::Body::builder().data("")).into_reader();
        std::thread::spawn(move || {
            BufReader::new(reader).lines().map_while(Result::ok).try_for_each(|line| match line.strip_prefix("data:") {
                Some(data) => say.send(serde_json::from_str(data.trim()).unwrap_or_default()),
                None => Ok(()),
            })
        });
        Self { lines }
    }

    /// Waits for an event that satisfies `wanted`.
    pub fn until(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let end = Instant::now() + PATIENCE;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            let event = self.lines.recv_timeout(left).unwrap_or_else(|_| panic!("{what} was not among the events"));
            if wanted(&event) {
                return event;
            }
        }
    }

    /// Whether the daemon has closed it.
    pub fn closed(&self) -> bool {
        matches!(self.lines.try_recv(), Err(std::sync::mpsc::TryRecvError::Disconnected))
    }
}

/// A program that prints lines of JSON; it ends with its owner.
pub struct Peer {
    child: Child,
    lines: Receiver<Value>,
}

impl Peer {
    /// An example of this crate by its name.
    pub fn example(name: &str, args: &[&str], environment: &[(String, String)]) -> Self {
        let path = std::env::current_exe().unwrap().parent().unwrap().parent().unwrap().join("examples").join(name);
        Self::start(Command::new(path).args(args).envs(environment.iter().cloned()))
    }

    fn start(command: &mut Command) -> Self {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (say, lines) = channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            out.lines().map_while(Result::ok).try_for_each(|l| say.send(serde_json::from_str(&l).unwrap_or_default()))
        });
        Self { child, lines }
    }

    /// Says one line to it.
    pub fn say(&mut self, line: &str) {
        use std::io::Write as _;
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    /// The next line of `input`.
    pub fn line(&self, input: &str) -> Value {
        wait_line(&self.lines, input)
    }

    /// All lines that wait.
    pub fn drain(&self) -> Vec<Value> {
        self.lines.try_iter().collect()
    }
}

fn wait_line(lines: &Receiver<Value>, input: &str) -> Value {
    let end = Instant::now() + PATIENCE;
    loop {
        let left = end.saturating_duration_since(Instant::now());
        let line = lines.recv_timeout(left).unwrap_or_else(|_| panic!("{input} was not heard"));
        if line["input"] == input {
            return line;
        }
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// All of a file or pipe, as text.
pub fn read_all(path: &Path) -> String {
    let mut text = String::new();
    std::fs::File::open(path).unwrap().read_to_string(&mut text).unwrap();
    text
}
