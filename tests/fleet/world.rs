//! What the tests of many venues stand on: the daemon under test, Prometheus, Alertmanager, a hook; each ends with its
//! owner, by its own id.

use serde_json::Value;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Bound against hanging only.
const PATIENCE: Duration = Duration::from_secs(100);

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Where deploy/setup puts what tests need and Debian does not have.
pub fn cache() -> std::path::PathBuf {
    let home = std::env::var_os("XDG_CACHE_HOME").map(Into::into);
    home.unwrap_or_else(|| Path::new(&std::env::var_os("HOME").unwrap_or_default()).join(".cache"))
        .join("mixwarden-tests")
}

/// A program of the system; the tests need it.
pub fn tool(name: &str) -> Command {
    let found = ["/usr/bin", "/usr/sbin", "/bin", "/sbin"].iter().map(|d| Path::new(d).join(name)).find(|p| p.exists());
    Command::new(found.unwrap_or_else(|| panic!("{name} is missing: deploy/setup tests")))
}

pub fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

pub fn wait(what: &str, mut done: impl FnMut() -> bool) -> Duration {
    let began = Instant::now();
    while !done() {
        assert!(began.elapsed() < PATIENCE, "{what} did not come within {PATIENCE:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
    began.elapsed()
}

/// A process of ours.
pub struct Process(pub Child);

impl Process {
    pub fn quiet(command: &mut Command) -> Self {
        let spawned = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        Self(spawned.unwrap_or_else(|e| panic!("{command:?}: {e}")))
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Status and body of a request.
pub fn http(method: &str, url: &str, body: &str) -> Option<(u16, String)> {
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_global(Some(Duration::from_secs(20)))
        .build()
        .into();
    let mut answer = match method {
        "GET" => agent.get(url).call().ok()?,
        _ => agent.post(url).content_type("application/json").send(body).ok()?,
    };
    let status = answer.status().as_u16();
    Some((status, answer.body_mut().read_to_string().ok()?))
}

pub fn get(url: &str) -> Option<String> {
    http("GET", url, "").filter(|(status, _)| *status == 200).map(|(_, body)| body)
}

/// The daemon under test; `url` ends with a slash.
pub struct Daemon {
    pub process: Process,
    pub url: String,
}

impl Daemon {
    /// Starts the program; its first line is the page's address.
    pub fn start(arguments: &[&str], state: &Path, stdin: Stdio) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_mixwarden"));
        command.args(arguments).args(["--listen", "127.0.0.1:0", "--state"]).arg(state);
        Self::of(command.env("MIXWARDEN_LOG", "error").stdin(stdin))
    }

    /// The daemon of a command whose first line is the page's address.
    pub fn of(command: &mut Command) -> Self {
        let mut process = Process(command.stdout(Stdio::piped()).spawn().unwrap());
        let mut line = String::new();
        BufReader::new(process.0.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert!(line.starts_with("http://"), "{line:?}");
        Self { process, url: line.trim().into() }
    }

    pub fn address(&self) -> &str {
        self.url.trim_start_matches("http://").trim_end_matches('/')
    }

    pub fn metrics(&self) -> String {
        get(&format!("{}metrics", self.url)).unwrap()
    }
}

/// Sound for a daemon's standard input, in real time: noise that breathes like talk, or exact zeros.
pub struct Tap {
    sounding: Arc<Mutex<bool>>,
}

impl Tap {
    pub fn open(mut to: ChildStdin) -> Self {
        let sounding = Arc::new(Mutex::new(true));
        let valve = sounding.clone();
        std::thread::spawn(move || {
            let (mut state, began, mut sent) = (1u64, Instant::now(), 0u64);
            loop {
                let due = (began.elapsed().as_secs_f64() * 48_000.0) as u64;
                let on = *valve.lock().unwrap();
                let mut bytes = Vec::new();
                while sent < due {
                    // xorshift64 noise, as loud as talk, swelling and sinking.
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    let white = (state >> 40) as f64 / f64::from(1 << 23) - 1.0;
                    let breath = 0.65 + 0.35 * (sent as f64 / 48_000.0 * 4.0).sin();
                    let sample = if on { (white * breath * 6_000.0) as i16 } else { 0 };
                    bytes.extend_from_slice(&sample.to_le_bytes());
                    bytes.extend_from_slice(&sample.to_le_bytes());
                    sent += 1;
                }
                if to.write_all(&bytes).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        Self { sounding }
    }

    pub fn sound(&self, on: bool) {
        *self.sounding.lock().unwrap() = on;
    }
}

/// A hook that takes Alertmanager's notices; each alert of each notice, with the path that it came to.
pub struct Hook {
    pub port: u16,
    taken: Arc<Mutex<Vec<(String, Value)>>>,
}

impl Hook {
    pub fn open() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let taken: Arc<Mutex<Vec<(String, Value)>>> = Arc::default();
        let sink = taken.clone();
        std::thread::spawn(move || {
            for mut stream in listener.incoming().map_while(Result::ok) {
                let mut reader = BufReader::new(stream.try_clone().unwrap());
                let mut head = String::new();
                while !head.ends_with("\r\n\r\n") && reader.read_line(&mut head).is_ok_and(|n| n > 0) {}
                let length = head.lines().find_map(|l| l.to_lowercase().strip_prefix("content-length: ")?.parse().ok());
                let mut body = vec![0; length.unwrap_or(0)];
                let _ = reader.read_exact(&mut body);
                let _ = stream.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
                let path = head.split(' ').nth(1).unwrap_or("").to_string();
                let notice: Value = serde_json::from_slice(&body).unwrap_or_default();
                let alerts = notice["alerts"].as_array().cloned().unwrap_or_default();
                sink.lock().unwrap().extend(alerts.into_iter().map(|a| (path.clone(), a)));
            }
        });
        Self { port, taken }
    }

    /// The alerts of this name and status that came to `path`.
    pub fn told(&self, path: &str, name: &str, status: &str) -> Vec<Value> {
        let taken = self.taken.lock().unwrap();
        let fits = |p: &str, a: &Value| p == path && a["labels"]["alertname"] == name && a["status"] == status;
        taken.iter().filter(|(p, a)| fits(p, a)).map(|(_, a)| a.clone()).collect()
    }
}

/// Prometheus with the rules as they are shipped, and Alertmanager with the routes as they are shipped.
pub struct Watchtower {
    _alertmanager: Process,
    _prometheus: Process,
    pub url: String,
    alerts: String,
}

impl Watchtower {
    /// `jobs`: venue, address, seconds between two scrapes.
    pub fn start(directory: &Path, jobs: &[(&str, &str, u32)], hook: &Hook) -> Self {
        let (metrics_port, alerts_port) = (free_port(), free_port());
        let routes = std::fs::read_to_string(root().join("deploy/alertmanager/alertmanager.yml")).unwrap();
        let routes = routes.replace("127.0.0.1:9095", &format!("127.0.0.1:{}", hook.port));
        std::fs::write(directory.join("alertmanager.yml"), routes).unwrap();
        let alertmanager = Process::quiet(
            tool("prometheus-alertmanager")
                .arg(format!("--config.file={}", directory.join("alertmanager.yml").display()))
                .arg(format!("--storage.path={}", directory.join("alerts").display()))
                .arg(format!("--web.listen-address=127.0.0.1:{alerts_port}"))
                .arg("--cluster.listen-address="),
        );
        let mut config = format!(
            "global: {{ scrape_interval: 5s, evaluation_interval: 5s }}\nrule_files: [\"{}/*.yml\"]\n\
             alerting: {{ alertmanagers: [ {{ static_configs: [ {{ targets: [\"127.0.0.1:{alerts_port}\"] }} ] }} ] }}\n\
             scrape_configs:\n",
            root().join("deploy/prometheus/rules").display()
        );
        for (n, (venue, address, seconds)) in jobs.iter().enumerate() {
            config += &format!(
                "  - {{ job_name: job{n}, scrape_interval: {seconds}s, scrape_timeout: {seconds}s, \
                 static_configs: [ {{ targets: [\"{address}\"], labels: {{ venue: {venue} }} }} ] }}\n"
            );
        }
        std::fs::write(directory.join("prometheus.yml"), config).unwrap();
        let prometheus = Process::quiet(
            tool("prometheus")
                .arg(format!("--config.file={}", directory.join("prometheus.yml").display()))
                .arg(format!("--storage.tsdb.path={}", directory.join("series").display()))
                .arg(format!("--web.listen-address=127.0.0.1:{metrics_port}")),
        );
        let url = format!("http://127.0.0.1:{metrics_port}");
        wait("Prometheus", || get(&format!("{url}/-/ready")).is_some());
        let alerts = format!("http://127.0.0.1:{alerts_port}");
        wait("Alertmanager", || get(&format!("{alerts}/-/ready")).is_some());
        Self { _alertmanager: alertmanager, _prometheus: prometheus, url, alerts }
    }

    /// Alertmanager has the alert and keeps quiet about it, because another one says so.
    pub fn suppressed(&self, name: &str) -> bool {
        let answer = get(&format!("{}/api/v2/alerts?filter=alertname%3D{name}", self.alerts)).unwrap_or_default();
        let alerts: Vec<Value> = serde_json::from_str(&answer).unwrap_or_default();
        alerts.iter().any(|a| a["status"]["inhibitedBy"].as_array().is_some_and(|by| !by.is_empty()))
    }

    /// The result of a query: now, or over the last `range` seconds.
    pub fn query(&self, query: &str, range: Option<u64>) -> Result<Vec<Value>, String> {
        let quoted: String = query.bytes().map(|b| format!("%{b:02X}")).collect();
        let url = match range {
            None => format!("{}/api/v1/query?query={quoted}", self.url),
            Some(seconds) => {
                let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs();
                format!("{}/api/v1/query_range?query={quoted}&start={}&end={now}&step=1", self.url, now - seconds)
            }
        };
        let (_, body) = http("GET", &url, "").ok_or("no answer")?;
        let answer: Value = serde_json::from_str(&body).map_err(|e| e.to_string())?;
        if answer["status"] != "success" {
            return Err(answer["error"].to_string());
        }
        Ok(answer["data"]["result"].as_array().cloned().unwrap_or_default())
    }
}
