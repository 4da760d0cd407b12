//! A real Chromium, spoken to by the W3C WebDriver protocol; started and ended by the test.

use super::wait;
use base64::Engine as _;
use serde_json::{Value, json};
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// The driver's process. It ends with its owner.
pub struct Browser {
    driver: Child,
    base: String,
    session: String,
    agent: ureq::Agent,
    _profile: tempfile::TempDir,
}

/// Name of an element's reference in WebDriver's JSON (W3C WebDriver, 12.2).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// A picture, 8 bits each of red, green and blue.
pub struct Picture {
    /// As the browser gave it.
    pub png: Vec<u8>,
    /// Pixels.
    pub rgb: Vec<[u8; 3]>,
}

impl Picture {
    fn of(png: Vec<u8>) -> Self {
        let mut child = Command::new("ffmpeg")
            .args(["-v", "error", "-f", "png_pipe", "-i", "-", "-f", "rawvideo", "-pix_fmt", "rgb24", "-"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut pipe = child.stdin.take().unwrap();
        let bytes = png.clone();
        let writer = std::thread::spawn(move || pipe.write_all(&bytes).unwrap());
        let out = child.wait_with_output().unwrap().stdout;
        writer.join().unwrap();
        Self { png, rgb: out.chunks_exact(3).map(|p| [p[0], p[1], p[2]]).collect() }
    }

    /// Mean relative luminance, 0 to 1 (WCAG 2.2, "relative luminance").
    pub fn luminance(&self) -> f64 {
        let linear = |v: u8| {
            let v = f64::from(v) / 255.0;
            if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        let of = |p: &[u8; 3]| 0.2126 * linear(p[0]) + 0.7152 * linear(p[1]) + 0.0722 * linear(p[2]);
        self.rgb.iter().map(of).sum::<f64>() / self.rgb.len() as f64
    }

    /// Share of pixels of which a colour differs by more than 24 of 255.
    pub fn changed(&self, other: &Self) -> f64 {
        assert_eq!(self.rgb.len(), other.rgb.len());
        let differs = |(a, b): &(&[u8; 3], &[u8; 3])| a.iter().zip(*b).any(|(a, b)| a.abs_diff(*b) > 24);
        self.rgb.iter().zip(&other.rgb).filter(differs).count() as f64 / self.rgb.len() as f64
    }

    /// Share of pixels in which green stands out.
    pub fn green(&self) -> f64 {
        let green = |p: &&[u8; 3]| i16::from(p[1]) > i16::from(p[0].max(p[2])) + 24;
        self.rgb.iter().filter(green).count() as f64 / self.rgb.len() as f64
    }
}

impl Browser {
    /// Opens a browser; without `scripts` it runs none.
    pub fn open(scripts: bool) -> Self {
        let mut driver =
            Command::new("chromedriver").arg("--port=0").stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines().map_while(Result::ok);
        let port = lines.find_map(|l| Some(l.split_once("successfully on port ")?.1.trim_end_matches('.').to_string()));
        std::thread::spawn(move || lines.count());
        let base = format!("http://127.0.0.1:{}", port.unwrap());
        let agent = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(60)))
            .http_status_as_error(false)
            .build()
            .new_agent();
        let profile = tempfile::tempdir().unwrap();
        let mut browser = Self { driver, base, session: String::new(), agent, _profile: profile };
        let directory = format!("--user-data-dir={}", browser._profile.path().display());
        let mut arguments = vec![
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            "--force-color-profile=srgb",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--window-size=1280,800",
        ];
        arguments.push(&directory);
        let preferences =
            if scripts { json!({}) } else { json!({ "profile.managed_default_content_settings.javascript": 2 }) };
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "goog:loggingPrefs": { "performance": "ALL" },
            "goog:chromeOptions": { "args": arguments, "prefs": preferences },
        }}});
        let opened = browser.ask("POST", "/session", &wanted);
        browser.session = opened["sessionId"].as_str().unwrap_or_else(|| panic!("no browser: {opened}")).to_string();
        browser
    }

    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        self.try_ask(method, path, body).unwrap_or_else(|error| panic!("{path}: {error}"))
    }

    /// The answer's value, or the error that it tells.
    fn try_ask(&self, method: &str, path: &str, body: &Value) -> Result<Value, Value> {
        let url = if self.session.is_empty() {
            format!("{}{path}", self.base)
        } else {
            format!("{}/session/{}{path}", self.base, self.session)
        };
        let answer = match method {
            "GET" => self.agent.get(url).call(),
            "DELETE" => self.agent.delete(url).call(),
            _ => self.agent.post(url).header("Content-Type", "application/json").send(body.to_string()),
        };
        let text = answer.unwrap().body_mut().read_to_string().unwrap();
        let value: Value = serde_json::from_str(&text).unwrap();
        if value["value"]["error"].is_null() { Ok(value["value"].clone()) } else { Err(value["value"].clone()) }
    }

    fn developer(&self, command: &str, parameters: Value) -> Value {
        self.ask("POST", "/goog/cdp/execute", &json!({ "cmd": command, "params": parameters }))
    }

    /// Opens an address.
    pub fn go(&self, address: &str) {
        self.ask("POST", "/url", &json!({ "url": address }));
    }

    /// Makes the page as large as this, CSS pixels.
    pub fn resize(&self, width: u32, height: u32) {
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.developer("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// Says what the person prefers, such as `prefers-reduced-motion` `reduce`.
    pub fn prefer(&self, name: &str, value: &str) {
        self.developer("Emulation.setEmulatedMedia", json!({ "features": [{ "name": name, "value": value }] }));
    }

    /// Value of a script's body.
    pub fn run(&self, script: &str) -> Value {
        self.ask("POST", "/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// The first element of a selector.
    pub fn find(&self, selector: &str) -> Element<'_> {
        Element { browser: self, id: self.id(selector), selector: Some(selector.into()) }
    }

    fn id(&self, selector: &str) -> String {
        let found = self.ask("POST", "/element", &json!({ "using": "css selector", "value": selector }));
        found[ELEMENT].as_str().unwrap().to_string()
    }

    /// The element that has the focus.
    pub fn focused(&self) -> Element<'_> {
        let found = self.ask("GET", "/element/active", &Value::Null);
        Element { browser: self, id: found[ELEMENT].as_str().unwrap().to_string(), selector: None }
    }

    /// Presses a key: `\u{E004}` is Tab, `\u{E007}` Enter (W3C WebDriver, 17.4.2).
    pub fn press(&self, key: &str) {
        let actions = json!([{ "type": "keyDown", "value": key }, { "type": "keyUp", "value": key }]);
        self.ask("POST", "/actions", &json!({ "actions": [{ "type": "key", "id": "keys", "actions": actions }] }));
    }

    /// Waits until a script's body gives true.
    pub fn until(&self, what: &str, script: &str) {
        wait(what, || (self.run(script) == true).then_some(()));
    }

    /// What is in the window now.
    pub fn picture(&self) -> Picture {
        let png = self.ask("GET", "/screenshot", &Value::Null);
        Picture::of(base64::engine::general_purpose::STANDARD.decode(png.as_str().unwrap()).unwrap())
    }

    /// The page as PDF on paper of this size, cm, with the usual rims (W3C WebDriver, 18).
    pub fn print(&self, width: f64, height: f64) -> Vec<u8> {
        let page = json!({ "page": { "width": width, "height": height } });
        let pdf = self.ask("POST", "/print", &page);
        base64::engine::general_purpose::STANDARD.decode(pdf.as_str().unwrap()).unwrap()
    }

    /// Addresses that were asked for since the last look.
    pub fn requests(&self) -> Vec<String> {
        let log = self.ask("POST", "/se/log", &json!({ "type": "performance" }));
        let message = |entry: &Value| serde_json::from_str::<Value>(entry["message"].as_str()?).ok();
        let sent = log.as_array().unwrap().iter().filter_map(message).filter_map(|m| {
            let asked = m["message"]["method"] == "Network.requestWillBeSent";
            asked.then(|| m["message"]["params"]["request"]["url"].as_str().map(str::to_string)).flatten()
        });
        sent.collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() {
            let _ = self.agent.delete(format!("{}/session/{}", self.base, self.session)).call();
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// An element of the page.
pub struct Element<'b> {
    browser: &'b Browser,
    id: String,
    selector: Option<String>,
}

impl Element<'_> {
    /// The page renews itself: an element that went away between two questions is looked up again.
    fn ask(&self, method: &str, what: &str, body: &Value) -> Value {
        let mut id = self.id.clone();
        for _ in 0..50 {
            match (self.browser.try_ask(method, &format!("/element/{id}/{what}"), body), &self.selector) {
                (Ok(value), _) => return value,
                (Err(error), Some(selector)) if error["error"] == "stale element reference" => {
                    id = self.browser.id(selector);
                }
                (Err(error), _) => panic!("{:?}, {what}: {error}", self.selector),
            }
        }
        panic!("{:?} never stands still", self.selector)
    }

    fn get(&self, what: &str) -> String {
        self.ask("GET", what, &Value::Null).as_str().unwrap_or_default().to_string()
    }

    /// What a person reads.
    pub fn text(&self) -> String {
        self.get("text")
    }

    /// What it is to assistive technology.
    pub fn role(&self) -> String {
        self.get("computedrole")
    }

    /// What it is called by assistive technology.
    pub fn label(&self) -> String {
        self.get("computedlabel")
    }

    /// An attribute.
    pub fn attribute(&self, name: &str) -> String {
        self.get(&format!("attribute/{name}"))
    }

    /// Presses it with the pointer.
    pub fn click(&self) {
        self.ask("POST", "click", &json!({}));
    }
}
