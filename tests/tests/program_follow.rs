//! `log --follow` shows what happens as it happens, and ends when a person has seen enough.

use barmkeep_tests::broker::{Ear, Mosquitto};
use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::program::{PATIENCE, Process, command};
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Instant;

/// A `log --follow` that runs, and its lines.
struct Follower {
    id: u32,
    process: Process,
    lines: Receiver<String>,
}

fn follow(cellar: &Cellar, arguments: &[&str]) -> Follower {
    let config = cellar.config();
    let all = [&["log", "--follow", "--config", &config][..], arguments].concat();
    let mut child =
        command(&all).stdin(Stdio::null()).stdout(Stdio::piped()).spawn().expect("it starts");
    let output = BufReader::new(child.stdout.take().expect("its output is piped"));
    let (send, lines) = channel();
    std::thread::spawn(move || {
        for line in output.lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    Follower { id: child.id(), process: Process::new(child), lines }
}

impl Follower {
    /// Reads on until a line has this in it; gives all lines until then.
    #[track_caller]
    fn until(&self, part: &str) -> Vec<String> {
        let (began, mut lines) = (Instant::now(), Vec::new());
        while began.elapsed() < PATIENCE {
            let Ok(line) = self.lines.recv_timeout(PATIENCE) else { break };
            lines.push(line);
            if lines.last().is_some_and(|line| line.contains(part)) {
                return lines;
            }
        }
        panic!("{part} did not come, only {lines:#?}");
    }

    /// Ends it as a person or a system does.
    fn end(mut self, signal: &str) -> Option<i32> {
        let id = self.id.to_string();
        let asked = Command::new("kill").args([signal, &id]).status().expect("`kill` is there");
        assert!(asked.success(), "it lives");
        self.process.wait()
    }
}

#[test]
fn what_happens_is_shown_as_it_happens() {
    let broker = Mosquitto::start();
    let cellar = Cellar::new(broker.port);
    let mut ear = Ear::open(broker.port, "311", "#");
    let (daemon, _) = cellar.pitched(&mut ear, 0);

    let all = follow(&cellar, &[]);
    let lines = all.until("primary, began");
    assert!(lines.iter().any(|line| line.contains("was pitched on")), "{lines:#?}");
    let notes = follow(&cellar, &["north", "--kind", "batch.noted", "--json"]);
    for text in ["One", "Two"] {
        cellar.ask(&["note", "north", "--text", text]).with(0);
        all.until(text);
        let lines = notes.until(text);
        assert_eq!(lines.len(), 1, "only notes, each once: {lines:#?}");
        let record: serde_json::Value = serde_json::from_str(&lines[0]).expect("a JSON object");
        assert_eq!((&record["kind"], &record["text"]), (&"batch.noted".into(), &text.into()));
    }
    // It goes on over the daemon's end and its next start.
    assert_eq!(daemon.terminate(), Some(0));
    all.until("ended");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    all.until(" began.");
    assert_eq!(all.end("-INT"), Some(0));
    assert_eq!(notes.end("-TERM"), Some(0));
    drop(daemon);
}
