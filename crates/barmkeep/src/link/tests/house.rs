//! What the tests need around them: a mosquitto, its clients, a front that breaks things.

use super::super::client::Pace;
use super::super::{Class, FromLink, Link, LinkHandle, Outgoing, SwitchTopic, Version};
use quantity::Span;
use schedule::config;
use std::collections::VecDeque;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant};
use tempfile::TempDir;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

/// Long enough for a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// A broker on a port of its own; ends with the test.
pub struct Mosquitto {
    pub port: u16,
    pub folder: TempDir,
    child: Child,
}

impl Mosquitto {
    /// With anonymous access.
    pub async fn start() -> Self {
        Self::start_with(free_port(), "allow_anonymous true\n").await
    }

    /// With these lines in its configuration; `{folder}` in them is the broker's folder.
    pub async fn start_with(port: u16, lines: &str) -> Self {
        Self::start_in(tempfile::tempdir().unwrap(), port, lines).await
    }

    pub async fn start_in(folder: TempDir, port: u16, lines: &str) -> Self {
        let lines = lines.replace("{folder}", &folder.path().to_string_lossy());
        let file = folder.path().join("mosquitto.conf");
        let head = format!("user root\npersistence false\nlistener {port} 127.0.0.1\n");
        std::fs::write(&file, head + &lines).unwrap();
        let child = Command::new("/usr/sbin/mosquitto")
            .args(["-c".as_ref(), file.as_os_str()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto must be installed (Debian package `mosquitto`)");
        wait_for_port(port).await;
        Mosquitto { port, folder, child }
    }

    /// Stops it; a new one may take its port.
    pub fn kill(mut self) -> u16 {
        self.end();
        self.port
    }

    fn end(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if self.child.try_wait().unwrap().is_none() {
            self.end();
        }
    }
}

/// Waits for what ends by itself; how soon is the machine's business.
pub async fn in_time<T>(work: impl Future<Output = T>) -> T {
    tokio::time::timeout(PATIENCE, work).await.expect("it ends by itself")
}

pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

pub async fn wait_for_port(port: u16) {
    let began = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).await.is_err() {
        assert!(began.elapsed() < PATIENCE, "nothing listens on {port}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// A subscriber from outside; gives what it hears, a line each.
pub struct Ear {
    lines: Lines<BufReader<tokio::process::ChildStdout>>,
    /// What it heard before it was known to hear.
    early: VecDeque<String>,
    /// The topic on which it is called, of its own.
    knock: String,
    _child: tokio::process::Child,
}

impl Ear {
    /// Listens with mosquitto's client; `form` is its format (`%t` topic, `%p` payload, `%l` its
    /// length, `%r` retained, `%E` expiry, `%D` correlation data).
    pub async fn open(port: u16, version: &str, filter: &str, form: &str, more: &[&str]) -> Self {
        static KNOCKS: AtomicU32 = AtomicU32::new(0);
        let knock = format!("knock/{}", KNOCKS.fetch_add(1, Ordering::SeqCst));
        let mut child = tokio::process::Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-V", version, "-q", "1"])
            .args(["-t", filter, "-t", &knock, "-F", &format!("%t|{form}")])
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .expect("mosquitto's clients must be installed (Debian package `mosquitto-clients`)");
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut ear = Ear { lines, early: VecDeque::new(), knock, _child: child };
        // It hears what is said after its subscription only: knock until it answers.
        let began = Instant::now();
        loop {
            say(port, &["-t", &ear.knock, "-m", "knock"]).await;
            let deadline = Instant::now() + Duration::from_millis(200);
            while let Ok(Ok(Some(line))) =
                tokio::time::timeout_at(deadline.into(), ear.lines.next_line()).await
            {
                match line.split_once('|') {
                    Some((topic, _)) if topic == ear.knock => return ear,
                    _ => ear.early.extend(ear.heard(&line)),
                }
            }
            assert!(began.elapsed() < PATIENCE, "the subscriber hears nothing");
        }
    }

    /// The next line.
    pub async fn line(&mut self) -> String {
        self.line_within(PATIENCE).await.expect("something to hear")
    }

    /// The next line, if there is one within `time`.
    pub async fn line_within(&mut self, time: Duration) -> Option<String> {
        let deadline = Instant::now() + time;
        loop {
            if let Some(line) = self.early.pop_front() {
                return Some(line);
            }
            let next = tokio::time::timeout_at(deadline.into(), self.lines.next_line()).await;
            let line = next.ok()?.unwrap().expect("the subscriber lives");
            if let Some(line) = self.heard(&line) {
                return Some(line);
            }
        }
    }

    /// Reads on until this line; gives what came before.
    pub async fn until(&mut self, wanted: &str) -> Vec<String> {
        let mut before = Vec::new();
        loop {
            let line = self.line().await;
            if line == wanted {
                return before;
            }
            before.push(line);
        }
    }

    /// Reads on until each of these came, in any order: two connections have no common one.
    pub async fn until_all(&mut self, wanted: &[&str]) {
        let mut missing = wanted.to_vec();
        while !missing.is_empty() {
            let line = self.line().await;
            missing.retain(|wanted| *wanted != line);
        }
    }

    /// A line as the test wants it; nothing where anybody was called.
    fn heard(&self, line: &str) -> Option<String> {
        let (topic, rest) = line.split_once('|').unwrap();
        (!topic.starts_with("knock/")).then(|| rest.to_owned())
    }
}

/// Publishes with mosquitto's client; gives what it says on its error output.
pub async fn say(port: u16, arguments: &[&str]) -> String {
    let output = tokio::process::Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
        .args(arguments)
        .output()
        .await
        .unwrap();
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The link's configuration for a broker outside.
pub fn outside(port: u16) -> config::Link {
    with(port, |_| {})
}

/// The same with some of its fields changed.
pub fn with(port: u16, change: impl FnOnce(&mut Outside)) -> config::Link {
    let mut fields = Outside { host: "127.0.0.1".to_owned(), ..Outside::default() };
    change(&mut fields);
    config::Link {
        broker: config::Broker::Outside {
            host: fields.host,
            port,
            tls: fields.tls,
            username: fields.username.map(str::to_owned),
            password_file: fields.password_file.map(str::to_owned),
            ca_file: fields.ca_file.map(str::to_owned),
            client_certificate: fields.client_certificate.map(str::to_owned),
            client_key: fields.client_key.map(str::to_owned),
        },
        topics: "barmkeep".to_owned(),
        describe_at: None,
    }
}

#[derive(Default)]
pub struct Outside {
    pub host: String,
    pub tls: bool,
    pub username: Option<&'static str>,
    pub password_file: Option<&'static str>,
    pub ca_file: Option<&'static str>,
    pub client_certificate: Option<&'static str>,
    pub client_key: Option<&'static str>,
}

/// As the program's, only in a hurry.
pub fn hurry() -> Pace {
    Pace {
        keep_alive: Duration::from_secs(5),
        connect: Duration::from_secs(3),
        backoff_least: Duration::from_millis(50),
        backoff: Duration::from_millis(200),
        drain: Duration::from_secs(2),
    }
}

pub type News = mpsc::Receiver<FromLink>;

pub async fn start(
    config: &config::Link,
    folder: &Path,
    topics: &[&str],
    switches: Vec<SwitchTopic>,
) -> (LinkHandle, News) {
    let topics = topics.iter().map(|&topic| topic.to_owned()).collect();
    Link::start_at(config, folder, topics, switches, hurry()).await.unwrap()
}

pub fn relay(topic: &str, rest: Span) -> SwitchTopic {
    SwitchTopic { topic: topic.to_owned(), off_payload: b"OFF".to_vec(), rest }
}

pub fn message(topic: &str, payload: &str, retained: bool, class: Class) -> Outgoing {
    Outgoing {
        topic: topic.to_owned(),
        payload: payload.as_bytes().to_vec(),
        retained,
        expiry: None,
        class,
    }
}

/// The next news that `wanted` picks.
pub async fn next<T>(news: &mut News, mut wanted: impl FnMut(FromLink) -> Option<T>) -> T {
    let search = async {
        loop {
            if let Some(found) = wanted(news.recv().await.expect("the link lives")) {
                return found;
            }
        }
    };
    tokio::time::timeout(PATIENCE, search).await.expect("news in time")
}

pub async fn up(news: &mut News) -> Version {
    next(news, |item| match item {
        FromLink::Up { version, refused } => {
            assert!(refused.is_empty(), "{refused:?}");
            Some(version)
        }
        _ => None,
    })
    .await
}

pub async fn down(news: &mut News) -> (String, String) {
    next(news, |item| match item {
        FromLink::Down { reason, hint } => Some((reason, hint)),
        _ => None,
    })
    .await
}

pub async fn switch_up(news: &mut News) -> String {
    next(news, |item| match item {
        FromLink::Switch { topic, problem: None } => Some(topic),
        _ => None,
    })
    .await
}

/// How a front treats MQTT 5.
#[derive(Clone, Copy, PartialEq)]
pub enum Age {
    /// Speaks it.
    Today,
    /// Refuses it as MQTT 3.1.1 prescribes: return code 1, then the connection is closed.
    Refuses,
    /// Only hangs up.
    HangsUp,
}

/// A front before a broker: may be old, may freeze, may cut all connections.
pub struct Front {
    pub port: u16,
    pub frozen: Arc<AtomicBool>,
    cut: watch::Sender<u32>,
    _tasks: JoinSet<()>,
}

impl Front {
    pub async fn start(upstream: u16, age: Age) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let frozen = Arc::new(AtomicBool::new(false));
        let cut = watch::Sender::new(0);
        let mut tasks = JoinSet::new();
        let (flag, cuts) = (frozen.clone(), cut.subscribe());
        tasks.spawn(async move {
            let mut connections = JoinSet::new();
            loop {
                let (client, _) = listener.accept().await.unwrap();
                connections.spawn(serve(client, upstream, age, flag.clone(), cuts.clone()));
            }
        });
        Front { port, frozen, cut, _tasks: tasks }
    }

    /// Ends all connections without a farewell.
    pub fn cut(&self) {
        self.cut.send_modify(|count| *count += 1);
    }
}

async fn serve(
    mut client: TcpStream,
    upstream: u16,
    age: Age,
    frozen: Arc<AtomicBool>,
    mut cut: watch::Receiver<u32>,
) {
    cut.mark_unchanged();
    let mut first = vec![0; 1024];
    let Ok(length) = client.read(&mut first).await else { return };
    // A CONNECT's fixed header has two to five bytes, then `00 04 M Q T T` and the level.
    let level = first.windows(6).position(|w| w == [0, 4, b'M', b'Q', b'T', b'T']).map(|at| at + 6);
    if age != Age::Today && level.is_some_and(|at| first[at] == 5) {
        if age == Age::Refuses {
            client.write_all(&[0x20, 0x02, 0x00, 0x01]).await.unwrap();
        }
        return;
    }
    let mut server = TcpStream::connect(("127.0.0.1", upstream)).await.unwrap();
    server.write_all(&first[..length]).await.unwrap();
    let (mut from_client, mut from_server) = ([0; 4096], [0; 4096]);
    loop {
        // Frozen, it takes what comes and says nothing: a half-open connection.
        let thaw = !frozen.load(Ordering::SeqCst);
        tokio::select! {
            read = client.read(&mut from_client) => match read {
                Ok(length) if length > 0 => {
                    if thaw && server.write_all(&from_client[..length]).await.is_err() { return }
                }
                _ => return,
            },
            read = server.read(&mut from_server) => match read {
                Ok(length) if length > 0 => {
                    if thaw && client.write_all(&from_server[..length]).await.is_err() { return }
                }
                _ => if thaw { return } else { std::future::pending::<()>().await },
            },
            _ = cut.changed() => return,
        }
    }
}
