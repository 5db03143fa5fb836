//! A real browser without a window, spoken to by the Chrome DevTools Protocol.

use crate::broker::folder;
use crate::installed;
use crate::program::{PATIENCE, Process};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tungstenite::{Message, WebSocket};

/// A browser; ends with the test.
pub struct Browser {
    port: u16,
    path: String,
    _process: Process,
    _profile: TempDir,
}

/// How a page is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Device {
    /// In CSS pixels.
    pub width: u32,
    /// In CSS pixels.
    pub height: u32,
    /// Whether the reader likes dark pages.
    pub dark: bool,
    /// Whether scripts run.
    pub scripts: bool,
}

/// A phone.
pub const PHONE: Device = Device { width: 390, height: 844, dark: false, scripts: true };
/// A screen on a desk.
pub const DESK: Device = Device { width: 1280, height: 900, dark: false, scripts: true };

/// A page that is open.
pub struct Tab {
    socket: WebSocket<TcpStream>,
    calls: u64,
    loaded: bool,
    /// The addresses of all requests.
    pub requests: Vec<String>,
    /// What the browser complained of: errors, warnings, what a policy forbade.
    pub complaints: Vec<String>,
}

impl Browser {
    /// Starts one, installed where it is missing.
    ///
    /// # Panics
    /// Where it does not start.
    pub fn start() -> Self {
        let profile = folder();
        let child = Command::new(installed::tool("chromium", &["chromium"]))
            .args(["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"])
            .args(["--no-first-run", "--disable-background-networking", "--disable-sync"])
            .args(["--disable-component-update", "--disable-extensions", "--mute-audio"])
            .args(["--remote-debugging-port=0", "--hide-scrollbars"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the browser starts");
        let process = Process::new(child);
        let file = profile.path().join("DevToolsActivePort");
        let (port, path) = wait_for("the browser", || {
            let text = std::fs::read_to_string(&file).ok()?;
            let (port, path) = text.split_once('\n')?;
            Some((port.parse().ok()?, path.trim().to_owned()))
        });
        Browser { port, path, _process: process, _profile: profile }
    }

    /// Opens an empty page on a device.
    ///
    /// # Panics
    /// Where the browser does not do so.
    pub fn open(&self, device: Device) -> Tab {
        let mut whole = Tab::connect(self.port, &self.path);
        let made = whole.call("Target.createTarget", &json!({ "url": "about:blank" }));
        let id = made["targetId"].as_str().expect("a page has an id");
        let mut tab = Tab::connect(self.port, &format!("/devtools/page/{id}"));
        for domain in ["Page", "Runtime", "Log", "Network", "DOM"] {
            tab.call(&format!("{domain}.enable"), &json!({}));
        }
        tab.call(
            "Emulation.setDeviceMetricsOverride",
            &json!({
                "width": device.width, "height": device.height, "deviceScaleFactor": 1,
                "mobile": device.width < 600,
            }),
        );
        let scheme = if device.dark { "dark" } else { "light" };
        let feature = json!({ "name": "prefers-color-scheme", "value": scheme });
        tab.call("Emulation.setEmulatedMedia", &json!({ "features": [feature] }));
        let disabled = json!({ "value": !device.scripts });
        tab.call("Emulation.setScriptExecutionDisabled", &disabled);
        tab
    }
}

impl Tab {
    fn connect(port: u16, path: &str) -> Self {
        let stream = TcpStream::connect(("127.0.0.1", port)).expect("the browser listens");
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket has a time-out");
        let address = format!("ws://127.0.0.1:{port}{path}");
        let (socket, _) = tungstenite::client(address, stream).expect("the browser answers");
        Tab { socket, calls: 0, loaded: false, requests: Vec::new(), complaints: Vec::new() }
    }

    /// Calls a method of the protocol and gives its result.
    ///
    /// # Panics
    /// Where the browser refuses it.
    pub fn call(&mut self, method: &str, params: &Value) -> Value {
        self.calls += 1;
        let call = json!({ "id": self.calls, "method": method, "params": params });
        let call = Message::text(call.to_string());
        self.socket.send(call).expect("the browser takes a call");
        loop {
            let mut told = self.hear();
            if told["id"] == self.calls {
                assert!(told.get("error").is_none(), "{method}: {}", told["error"]);
                return told["result"].take();
            }
        }
    }

    /// Goes to an address and waits until all of it is there.
    ///
    /// # Panics
    /// Where it cannot be loaded.
    pub fn visit(&mut self, address: &str) {
        self.loaded = false;
        let went = self.call("Page.navigate", &json!({ "url": address }));
        assert!(went.get("errorText").is_none(), "{address}: {}", went["errorText"]);
        while !self.loaded {
            self.hear();
        }
    }

    /// The value of an expression.
    ///
    /// # Panics
    /// Where it throws.
    pub fn value(&mut self, expression: &str) -> Value {
        let asked = json!({ "expression": expression, "returnByValue": true });
        let mut told = self.call("Runtime.evaluate", &asked);
        assert!(told.get("exceptionDetails").is_none(), "{expression}: {told}");
        told["result"]["value"].take()
    }

    /// The page as it stands, also where no script runs.
    ///
    /// # Panics
    /// Where the browser does not tell.
    pub fn html(&mut self) -> String {
        let document = self.call("DOM.getDocument", &json!({ "depth": 0 }));
        let node = json!({ "nodeId": document["root"]["nodeId"] });
        let told = self.call("DOM.getOuterHTML", &node);
        told["outerHTML"].as_str().expect("a page is a text").to_owned()
    }

    /// Waits until an expression is true.
    ///
    /// # Panics
    /// Where it does not become so in time.
    #[track_caller]
    pub fn wait_until(&mut self, expression: &str) {
        let began = Instant::now();
        while self.value(expression) != true {
            assert!(began.elapsed() < PATIENCE, "never: {expression}\n{}", self.html());
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// A picture of the whole page.
    ///
    /// # Panics
    /// Where it cannot be taken or written.
    pub fn picture(&mut self, file: &Path) {
        let asked = json!({ "format": "png", "captureBeyondViewport": true });
        let told = self.call("Page.captureScreenshot", &asked);
        let picture = STANDARD.decode(told["data"].as_str().unwrap_or_default());
        std::fs::write(file, picture.expect("a picture is base64")).expect("it can be written");
    }

    /// Reads one message, and notes what it tells.
    fn hear(&mut self) -> Value {
        let message = self.socket.read().expect("the browser speaks");
        let Message::Text(text) = message else { return Value::Null };
        let told: Value = serde_json::from_str(&text).expect("the browser speaks JSON");
        let params = &told["params"];
        match told["method"].as_str().unwrap_or_default() {
            "Page.loadEventFired" => self.loaded = true,
            "Network.requestWillBeSent" => {
                self.requests.extend(params["request"]["url"].as_str().map(str::to_owned));
            }
            "Runtime.exceptionThrown" => {
                self.complaints.push(params["exceptionDetails"].to_string());
            }
            "Runtime.consoleAPICalled" => self.complaints.push(params["args"].to_string()),
            "Log.entryAdded" => self.complaints.push(params["entry"].to_string()),
            _ => {}
        }
        told
    }
}

fn wait_for<T>(what: &str, look: impl Fn() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(began.elapsed() < PATIENCE, "{what} does not begin");
        std::thread::sleep(Duration::from_millis(50));
    }
}
