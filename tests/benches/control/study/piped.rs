//! The real program behind its `pipe`: lines in, lines out, and the vessel between them.

use super::host::{Given, Host, Raised, START_MS, Standing, TICK_S};
use super::scenario::{Scenario, VESSEL, Way};
use barmkeep_tests::broker::folder;
use barmkeep_tests::program::{Process, command};
use quantity::Stamp;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::process::{ChildStdin, ChildStdout, Stdio};
use tempfile::TempDir;

/// A running `barmkeep pipe`; it ends with this.
pub struct Piped {
    input: ChildStdin,
    output: BufReader<ChildStdout>,
    raised: Vec<Raised>,
    _process: Process,
    _folder: TempDir,
}

impl Piped {
    /// The program, freshly begun.
    pub fn new(scenario: &Scenario, way: &Way) -> Self {
        let folder = folder();
        let config = folder.path().join("barmkeep.toml");
        std::fs::write(&config, scenario.config(way)).unwrap();
        std::fs::create_dir(folder.path().join("schedules")).unwrap();
        let schedule = folder.path().join("schedules").join(format!("{VESSEL}.toml"));
        std::fs::write(schedule, scenario.schedule(way)).unwrap();
        let mut child = command(&["pipe", config.to_str().unwrap()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        Piped {
            input: child.stdin.take().unwrap(),
            output: BufReader::new(child.stdout.take().unwrap()),
            raised: Vec::new(),
            _process: Process::new(child),
            _folder: folder,
        }
    }

    /// Reads what comes of one line.
    fn answer(&mut self, at_s: i64) -> Standing {
        loop {
            let mut text = String::new();
            self.output.read_line(&mut text).unwrap();
            let line: Value = serde_json::from_str(&text).expect("a line is JSON");
            match line["kind"].as_str() {
                Some("done") => {
                    let vessel = &line["vessels"][VESSEL];
                    return Standing {
                        heater: vessel["heater"] == "on",
                        chiller: vessel["chiller"] == "on",
                        setpoint: vessel["setpoint_c"].as_f64(),
                    };
                }
                Some("alarm.raised") => self.raised.push(Raised {
                    hours: at_s as f64 / 3600.0,
                    id: line["data"]["alarm"].as_str().unwrap().to_owned(),
                    text: line["text"].as_str().unwrap().to_owned(),
                }),
                Some("error" | "command.refused") | None => panic!("{line}"),
                Some(_) => {}
            }
        }
    }
}

impl Host for Piped {
    fn pass(&mut self, at_s: i64, given: &[Given], until_s: i64) -> Vec<Standing> {
        let mut lines: Vec<(i64, Value)> = given.iter().map(|given| (at_s, line(*given))).collect();
        let ticks_from = if given.is_empty() { at_s } else { at_s + TICK_S };
        let ticks = (ticks_from..until_s).step_by(TICK_S as usize);
        lines.extend(ticks.map(|at| (at, json!({}))));
        let mut text = String::new();
        for (at, line) in &mut lines {
            line["at"] = Stamp::from_millis(START_MS + *at * 1000).rfc3339().into();
            text += &format!("{line}\n");
        }
        self.input.write_all(text.as_bytes()).unwrap();
        self.input.flush().unwrap();
        let mut standings: Vec<(i64, Standing)> = Vec::new();
        for (at, _) in lines {
            let standing = self.answer(at);
            // Of several lines at one time the last one counts.
            standings.retain(|(before, _)| *before < at);
            standings.push((at, standing));
        }
        standings.into_iter().map(|(_, standing)| standing).collect()
    }

    fn restart(&mut self, _at_s: i64) {
        panic!("`pipe` has no store to go on from");
    }

    fn raised(&self) -> &[Raised] {
        &self.raised
    }
}

fn line(given: Given) -> Value {
    match given {
        Given::Beer(celsius) => json!({
            "vessel": VESSEL, "source": "beer", "temperature_c": celsius
        }),
        Given::Surround(celsius) => json!({
            "vessel": VESSEL, "source": "surround", "temperature_c": celsius
        }),
        Given::Float(sg, celsius) => json!({
            "vessel": VESSEL, "source": "float", "gravity_sg": sg, "temperature_c": celsius
        }),
        Given::Pitch => json!({ "vessel": VESSEL, "do": "pitch", "schedule": VESSEL }),
        Given::Acknowledge => json!({ "vessel": VESSEL, "do": "acknowledge" }),
    }
}
