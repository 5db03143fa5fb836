//! `[[tell]]` of the real daemon: a server on loopback that fails and comes back, a program, a
//! killed daemon.

#![allow(clippy::unwrap_used, reason = "a check that cannot go on may panic")]

use barmkeep_tests::broker::{free_port, wait_for_port};
use barmkeep_tests::cellar::{Cellar, until};
use barmkeep_tests::certificates::certificates;
use barmkeep_tests::installed::tool;
use barmkeep_tests::program::{PATIENCE, Process};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// What the server answers at present; nothing: it reads and is silent.
type Answer = Arc<Mutex<Option<&'static str>>>;

/// A server that sends on every body that it answered with `2xx`.
struct Server {
    port: u16,
    answer: Answer,
    taken: Receiver<Value>,
}

impl Server {
    fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let answer = Answer::default();
        let (send, taken) = channel();
        let says = answer.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let (mut stream, now) = (stream.unwrap(), *says.lock().unwrap());
                let Some(body) = read(&stream) else { continue };
                match now {
                    // Kept open: the daemon waits for an answer that does not come.
                    None => std::mem::forget(stream),
                    Some(status) => {
                        let head = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\n\r\n");
                        stream.write_all(head.as_bytes()).unwrap();
                        if status.starts_with('2') {
                            send.send(body).unwrap();
                        }
                    }
                }
            }
        });
        Server { port, answer, taken }
    }

    fn answers(&self, status: &'static str) {
        *self.answer.lock().unwrap() = Some(status);
    }

    #[track_caller]
    fn take(&self) -> Value {
        self.taken.recv_timeout(PATIENCE).expect("an event is told")
    }
}

/// The body of a request; `None` where the other side went away.
fn read(stream: &TcpStream) -> Option<Value> {
    let mut reader = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).ok()? == 0 {
            return None;
        }
        if let Some((name, value)) = line.split_once(':')
            && name.eq_ignore_ascii_case("content-length")
        {
            length = value.trim().parse().ok()?;
        }
        if line.trim().is_empty() {
            break;
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    serde_json::from_slice(&body).ok()
}

/// The cellar, with the server and a program as receivers.
fn cellar(port: u16, server: &Server) -> Cellar {
    let cellar = Cellar::embedded(port);
    let config = std::fs::read_to_string(cellar.config()).unwrap();
    let tells = format!(
        "\n[[tell]]\nurl = \"http://127.0.0.1:{}/hook/s3cret\"\nevents = [\"batch.noted\"]\n\n\
         [[tell]]\nrun = [\"./ring\", \"a b; exit 3\"]\n\
         events = [\"batch.noted\", \"batch.pitched\", \"daemon.stopped\"]\n",
        server.port
    );
    cellar.write("barmkeep.toml", &format!("{config}{tells}"));
    let ring =
        cellar.write("ring", "#!/bin/sh\ntest \"$1\" = 'a b; exit 3' || exit 1\ncat >> told\n");
    let mut may = std::fs::metadata(&ring).unwrap().permissions();
    std::os::unix::fs::PermissionsExt::set_mode(&mut may, 0o755);
    std::fs::set_permissions(&ring, may).unwrap();
    cellar
}

fn note(cellar: &Cellar, text: &str) {
    cellar.ask(&["note", "--text", text]).with(0);
}

/// What the program was given.
fn told(cellar: &Cellar) -> Vec<Value> {
    let text = std::fs::read_to_string(cellar.path("told")).unwrap_or_default();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn a_receiver_that_fails_is_told_in_order_later_also_after_a_kill() {
    let server = Server::start();
    server.answers("500 Internal Server Error");
    let port = free_port();
    let cellar = cellar(port, &server);
    let daemon = cellar.start();
    wait_for_port(port);
    cellar.probe(17.0);
    cellar.pitch(1);
    for text in ["One", "Two", "Three"] {
        note(&cellar, text);
    }
    until("status tells of it", || {
        let out = cellar.ask(&["status"]).with(0).out;
        out.contains(&format!("NOT TOLD: http://127.0.0.1:{} hears of no event since", server.port))
            && out.contains("it answers 500 Internal Server Error")
            && !out.contains("s3cret")
    });
    // The program is another receiver: it waits for nobody.
    until("the program has all", || told(&cellar).len() == 4);
    let noted = cellar.log_of("batch.noted");
    assert_eq!(told(&cellar)[1..], noted[..], "the record itself");
    assert_eq!(told(&cellar)[0]["kind"], "batch.pitched");
    daemon.kill();

    let daemon = cellar.start();
    wait_for_port(port);
    note(&cellar, "Four");
    server.answers("204 No Content");
    let noted = cellar.log_of("batch.noted");
    for (record, number) in noted.iter().zip(["One", "Two", "Three", "Four"]) {
        assert!(record["text"].as_str().unwrap().contains(number), "{record}");
        assert_eq!(server.take(), *record);
    }
    until("status is content", || !cellar.ask(&["status"]).with(0).out.contains("NOT TOLD"));
    assert_eq!(daemon.terminate(), Some(0));
    let told = told(&cellar);
    let kinds: Vec<&Value> = told.iter().map(|record| &record["kind"]).collect();
    let seqs: Vec<u64> = told.iter().map(|record| record["seq"].as_u64().unwrap()).collect();
    assert_eq!(kinds.last(), Some(&&json!("daemon.stopped")), "told before the end");
    assert!(seqs.is_sorted_by(|one, next| one < next), "none twice: {seqs:?}");
    let log = std::fs::read_to_string(cellar.path("daemon.log")).unwrap();
    assert!(!log.contains("s3cret"), "an address may hold a secret");
    assert_eq!(log.matches("cannot be told of events").count(), 2, "once a start: {log}");
}

#[test]
fn a_receiver_that_hangs_holds_up_neither_engine_nor_end() {
    let server = Server::start();
    let port = free_port();
    let cellar = cellar(port, &server);
    let daemon = cellar.start();
    wait_for_port(port);
    cellar.probe(17.0);
    cellar.pitch(1);
    let began = Instant::now();
    for text in ["One", "Two", "Three"] {
        note(&cellar, text);
    }
    cellar.probe(16.0);
    until("the heater is on", || cellar.status()["outputs"]["heater"] == "on");
    assert_eq!(daemon.terminate(), Some(0));
    assert!(began.elapsed() < PATIENCE);
    server.answers("200 OK");
    let _daemon = cellar.start();
    for record in cellar.log_of("batch.noted") {
        assert_eq!(server.take(), record, "what hung is told after the start");
    }
}

/// An HTTPS server that writes each body that it is sent into a file, a line each.
const BELL: &str = r#"
import http.server, ssl, sys
class Bell(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        with open("rung", "ab") as rung:
            rung.write(body + b"\n")
        self.send_response(204)
        self.end_headers()
    def log_message(self, *_):
        pass
server = http.server.HTTPServer(("127.0.0.1", 0), Bell)
tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
tls.load_cert_chain(*sys.argv[1:])
server.socket = tls.wrap_socket(server.socket, server_side=True)
print(server.server_port, flush=True)
server.serve_forever()
"#;

#[test]
fn a_receiver_by_https_is_told_where_its_authority_is_known_and_else_nothing_is_sent() {
    let port = free_port();
    let cellar = Cellar::embedded(port);
    let papers = certificates();
    let paper = |name: &str| papers.path().join(name).display().to_string();
    let mut bell = Command::new(tool("python3", &["python3"]));
    bell.args(["-c", BELL, &paper("server.pem"), &paper("server.key")]);
    bell.current_dir(cellar.folder()).stdout(Stdio::piped());
    let mut bell = bell.spawn().unwrap();
    let mut says = String::new();
    BufReader::new(bell.stdout.take().unwrap()).read_line(&mut says).unwrap();
    let _bell = Process::new(bell);
    let config = std::fs::read_to_string(cellar.config()).unwrap();
    let tell = format!(
        "\n[[tell]]\nurl = \"https://localhost:{}/hook\"\nevents = [\"batch.noted\"]\n",
        says.trim()
    );
    cellar.write("barmkeep.toml", &format!("{config}{tell}"));
    let log = || std::fs::read_to_string(cellar.path("daemon.log")).unwrap();
    // An authority that this machine does not know.
    let daemon = cellar.start();
    wait_for_port(port);
    cellar.probe(17.0);
    cellar.pitch(1);
    note(&cellar, "Krausen is up");
    until("the refusal is told", || log().contains("cannot be told of events"));
    assert!(log().contains("certificate"), "{}", log());
    assert!(!cellar.folder().join("rung").exists());
    assert_eq!(daemon.terminate(), Some(0));
    let _daemon = cellar.start_with(&[("SSL_CERT_FILE", &paper("ca.pem"))]);
    until("the event is told", || cellar.folder().join("rung").exists());
    let rung = std::fs::read_to_string(cellar.path("rung")).unwrap();
    let rung: Vec<Value> = rung.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(rung, cellar.log_of("batch.noted"), "what waited is told after the start");
}
