//! A real mosquitto, and its clients as the devices.

use crate::installed;
use crate::program::{PATIENCE, Process};
use serde_json::Value;
use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A broker on a port of its own; ends with the test.
pub struct Mosquitto {
    /// Where it listens, on loopback.
    pub port: u16,
    process: Process,
    folder: TempDir,
}

impl Mosquitto {
    /// A broker without a memory, on a free port.
    ///
    /// # Panics
    /// Where it does not start.
    pub fn start() -> Self {
        Self::start_on(free_port())
    }

    /// The same on this port.
    ///
    /// # Panics
    /// Where it does not start.
    pub fn start_on(port: u16) -> Self {
        Self::start_in(folder(), port, "persistence false\nallow_anonymous true\n")
    }

    /// A broker with these lines in its configuration; `{folder}` in them is this folder.
    ///
    /// # Panics
    /// Where it does not start.
    pub fn start_in(folder: TempDir, port: u16, lines: &str) -> Self {
        let lines = lines.replace("{folder}", &folder.path().to_string_lossy());
        let file = folder.path().join("mosquitto.conf");
        // As itself it could not read a folder of root's.
        let head = if folder_is_roots() { "user root\n" } else { "" };
        let lines = format!("{head}listener {port} 127.0.0.1\n{lines}");
        std::fs::write(&file, lines).expect("the broker's file can be written");
        let child = Command::new(tool("mosquitto"))
            .arg("-c")
            .arg(&file)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto starts");
        let process = Process::new(child);
        wait_for_port(port);
        Mosquitto { port, process, folder }
    }

    /// A file in its folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Ends it without a farewell; gives its port back.
    pub fn kill(mut self) -> u16 {
        self.process.kill();
        self.port
    }

    /// Ends it in order, so that it keeps what it knows; gives its folder back.
    ///
    /// # Panics
    /// Where it does not end.
    pub fn stop(mut self) -> TempDir {
        self.process.terminate();
        self.folder
    }

    /// Has it read its files again.
    ///
    /// # Panics
    /// Where it cannot be told.
    pub fn reload(&self) {
        self.process.signal("HUP");
    }
}

/// Whether what this test writes belongs to root.
fn folder_is_roots() -> bool {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0)
}

/// Writes or changes a user's password in a file of mosquitto's.
///
/// # Panics
/// Where it cannot be written.
pub fn set_password(file: &Path, user: &str, password: &str) {
    let mut made = Command::new(tool("mosquitto_passwd"));
    made.arg("-b").args((!file.exists()).then_some("-c")).arg(file).args([user, password]);
    let status = made.status().expect("mosquitto_passwd runs");
    assert!(status.success(), "mosquitto_passwd takes a user");
}

/// A message as a client heard it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Whether the broker had kept it.
    pub retained: bool,
    /// Its topic.
    pub topic: String,
    /// Its payload.
    pub payload: String,
}

impl Message {
    /// Its payload as JSON.
    ///
    /// # Panics
    /// Where it is none.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.payload)
            .unwrap_or_else(|error| panic!("{error} in {}: {}", self.topic, self.payload))
    }
}

/// A subscriber from outside.
pub struct Ear {
    heard: Receiver<Message>,
    early: VecDeque<Message>,
    _process: Process,
}

impl Ear {
    /// Listens to everything below `filter` in this version of MQTT, `311` or `5`.
    ///
    /// # Panics
    /// Where it hears nothing.
    pub fn open(port: u16, version: &str, filter: &str) -> Self {
        Self::open_as(port, &["-V", version], filter)
    }

    /// The same with these arguments of mosquitto's clients, which say who listens.
    ///
    /// # Panics
    /// Where it hears nothing.
    pub fn open_as(port: u16, who: &[&str], filter: &str) -> Self {
        static KNOCKS: AtomicU32 = AtomicU32::new(0);
        let knock = format!("knock/{}", KNOCKS.fetch_add(1, Ordering::SeqCst));
        let mut child = Command::new(tool("mosquitto_sub"))
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
            .args(who)
            .args(["-t", filter, "-t", &knock, "-F", "%r %t %p"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto_sub starts");
        let mut output = BufReader::new(child.stdout.take().expect("its output is piped"));
        let (send, heard) = channel();
        std::thread::spawn(move || {
            let mut line = Vec::new();
            // Others may say what is no text.
            while output.read_until(b'\n', &mut line).is_ok_and(|length| length > 0) {
                let text = String::from_utf8_lossy(&line);
                if send.send(message(text.trim_end_matches('\n'))).is_err() {
                    return;
                }
                line.clear();
            }
        });
        let mut ear = Ear { heard, early: VecDeque::new(), _process: Process::new(child) };
        ear.be_knocked(port, who, &knock);
        ear
    }

    /// The next message that is wanted; what comes before it is passed over.
    ///
    /// # Panics
    /// Where none comes.
    #[track_caller]
    pub fn wait(&mut self, what: &str, mut wanted: impl FnMut(&Message) -> bool) -> Message {
        let until = Instant::now() + PATIENCE;
        let mut passed = Vec::new();
        while let Some(message) = self.next(until) {
            if wanted(&message) {
                return message;
            }
            passed.push(message);
        }
        panic!("{what} was not heard, only {passed:#?}");
    }

    /// Waits for this payload on this topic.
    ///
    /// # Panics
    /// Where it does not come.
    #[track_caller]
    pub fn wait_for(&mut self, topic: &str, payload: &str) {
        self.wait(&format!("`{payload}` on {topic}"), |message| {
            message.topic == topic && message.payload == payload
        });
    }

    /// Waits for the next event of this kind, of a vessel or of the daemon.
    ///
    /// # Panics
    /// Where none comes.
    #[track_caller]
    pub fn event(&mut self, kind: &str) -> Value {
        let is_it =
            |message: &Message| message.topic.ends_with("/event") && message.json()["kind"] == kind;
        self.wait(kind, is_it).json()
    }

    /// All that comes within this time.
    pub fn listen(&mut self, time: Duration) -> Vec<Message> {
        let until = Instant::now() + time;
        std::iter::from_fn(|| self.next(until)).collect()
    }

    fn next(&mut self, until: Instant) -> Option<Message> {
        if let Some(message) = self.early.pop_front() {
            return Some(message);
        }
        loop {
            let left = until.saturating_duration_since(Instant::now());
            match self.heard.recv_timeout(left) {
                Ok(message) if message.topic.starts_with("knock/") => {}
                Ok(message) => return Some(message),
                Err(RecvTimeoutError::Timeout) => return None,
                Err(RecvTimeoutError::Disconnected) => {
                    std::thread::sleep(left);
                    return None;
                }
            }
        }
    }

    /// It hears what is said after its subscription only: knocks until it answers.
    fn be_knocked(&mut self, port: u16, who: &[&str], knock: &str) {
        let began = Instant::now();
        loop {
            say(port, &[who, &["-t", knock, "-m", "knock"]].concat());
            let until = Instant::now() + Duration::from_millis(200);
            while let Ok(message) =
                self.heard.recv_timeout(until.saturating_duration_since(Instant::now()))
            {
                match message.topic.as_str() {
                    topic if topic == knock => return,
                    topic if topic.starts_with("knock/") => {}
                    _ => self.early.push_back(message),
                }
            }
            assert!(began.elapsed() < PATIENCE, "the subscriber hears nothing");
        }
    }
}

/// Publishes with mosquitto's client.
///
/// # Panics
/// Where the broker does not take it.
#[track_caller]
pub fn say(port: u16, arguments: &[&str]) {
    say_bytes(port, arguments, b"");
}

/// The same with this on the client's standard input: `-s` for one message, `-l` for one a line.
///
/// # Panics
/// Where the broker does not take it.
#[track_caller]
pub fn say_bytes(port: u16, arguments: &[&str], input: &[u8]) {
    let mut child = Command::new(tool("mosquitto_pub"))
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
        .args(arguments)
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("mosquitto_pub starts");
    let mut stdin = child.stdin.take().expect("its input is piped");
    // Where it does not read its input, it was told its message otherwise.
    let _ = stdin.write_all(input);
    drop(stdin);
    let output = child.wait_with_output().expect("mosquitto_pub ends");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "mosquitto_pub {arguments:?}: {errors}");
}

/// A port that nobody has, on loopback.
///
/// # Panics
/// Where there is none.
pub fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("there is a free port");
    listener.local_addr().expect("a listener has an address").port()
}

/// Waits until somebody listens there.
///
/// # Panics
/// Where nobody does.
pub fn wait_for_port(port: u16) {
    let began = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        assert!(began.elapsed() < PATIENCE, "nothing listens on port {port}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A folder that goes with the test. In memory where the system has such a place: the tests end
/// processes, never the machine, and a busy disk would only make them slow.
///
/// # Panics
/// Where none can be made.
pub fn folder() -> TempDir {
    let memory = tempfile::tempdir_in("/dev/shm");
    memory.or_else(|_| tempfile::tempdir()).expect("a folder for temporary files")
}

/// Mosquitto or one of its clients; installed where it is missing.
fn tool(name: &str) -> PathBuf {
    installed::tool(name, &["mosquitto", "mosquitto-clients"])
}

fn message(line: &str) -> Message {
    let mut parts = line.splitn(3, ' ');
    let mut part = || parts.next().unwrap_or_default().to_owned();
    Message { retained: part() == "1", topic: part(), payload: part() }
}

/// What the broker keeps of the daemon's, for one who comes late.
pub fn kept(port: u16) -> Vec<Message> {
    let mut late = Ear::open(port, "5", "barmkeep/#");
    let mut kept = late.listen(Duration::from_millis(1500));
    kept.retain(|message| message.retained);
    kept
}

/// The message on this topic.
///
/// # Panics
/// Where there is none.
#[track_caller]
pub fn on<'a>(kept: &'a [Message], topic: &str) -> &'a Message {
    let found = kept.iter().find(|message| message.topic == topic);
    found.unwrap_or_else(|| panic!("nothing is kept on {topic}: {kept:#?}"))
}
