//! Every command line and every file of the docs is run as it stands there, and what it says is
//! held against what the docs show. The docs' tables are held against the program's own.

use barmkeep_tests::broker::{Mosquitto, folder, free_port, wait_for_port};
use barmkeep_tests::program::{PATIENCE, Process, barmkeep, binary, project};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// The documents of the project.
const DOCS: [&str; 6] = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "config-examples/README.md",
    "deploy/README.md",
    "deploy/UPGRADE.md",
];
/// The port that the docs use.
const PORT: &str = "1884";
/// What a section needs before its commands: a batch that runs, where the one before was stopped.
const BEFORE: [(&str, &str); 2] = [
    ("Samples and additions", "barmkeep pitch north --schedule pale-ale"),
    ("Compare floats", "mosquitto_pub -p 1884 -t cellar/float/1 -m '{\"sg\": 1.0498}' && sleep 2"),
];
/// Lines that are not run here, by their beginning, and why.
const NOT_RUN: [(&str, &str); 3] = [
    ("cargo ", "they build and test the program that is tested here"),
    ("sudo ", "they install what a test may not, or has installed already"),
    ("barmkeep replay config-examples/", "needs a recording that is not part of the project"),
];
/// A person sees both outputs on one terminal.
const MERGED: &str = "exec 2>&1; ";
/// Commands that are run, and whose output is of a batch that only the docs have.
const NOT_COMPARED: [&str; 1] = ["barmkeep compare"];

/// A block of a document.
#[derive(Debug)]
struct Block {
    line: usize,
    language: String,
    text: Vec<String>,
    /// The file that the text before it names.
    names: Option<String>,
    heading: String,
}

fn document(name: &str) -> String {
    std::fs::read_to_string(project().join(name)).expect("the document is part of the project")
}

fn blocks(text: &str) -> Vec<Block> {
    let (mut blocks, mut open): (Vec<Block>, Option<Block>) = (Vec::new(), None);
    let (mut heading, mut named) = (String::new(), None);
    for (index, line) in text.lines().enumerate() {
        if let Some(title) = line.strip_prefix('#').filter(|_| open.is_none()) {
            heading = title.trim_start_matches('#').trim().to_owned();
        }
        match (&mut open, line.strip_prefix("```")) {
            (None, Some(language)) => {
                open = Some(Block {
                    line: index + 1,
                    language: language.to_owned(),
                    text: Vec::new(),
                    names: named.take(),
                    heading: heading.clone(),
                });
            }
            (Some(_), Some(_)) => blocks.extend(open.take()),
            (Some(block), None) => block.text.push(line.to_owned()),
            (None, None) => {
                let last = line.rsplit('`').nth(1).filter(|word| word.contains('.'));
                named = last.map(str::to_owned).or(named.filter(|_| line.is_empty()));
            }
        }
    }
    assert!(open.is_none(), "a block is not closed");
    blocks
}

/// A walk through a document in a folder of its own.
struct Walk {
    home: TempDir,
    here: PathBuf,
    port: u16,
    environment: BTreeMap<String, String>,
    running: Vec<Process>,
    problems: Vec<String>,
    ran: usize,
}

impl Walk {
    fn new() -> Self {
        // Installs mosquitto and its clients where they are missing.
        drop(Mosquitto::start());
        let home = folder();
        for name in ["config-examples", "deploy"] {
            copy(&project().join(name), &home.path().join(name));
        }
        let path = std::env::var("PATH").unwrap_or_default();
        let folder = binary().parent().expect("a program lies in a folder").display().to_string();
        let environment = BTreeMap::from([
            ("PATH".to_owned(), format!("{folder}:{path}:/usr/sbin")),
            ("NO_COLOR".to_owned(), "1".to_owned()),
        ]);
        let (here, port) = (home.path().to_owned(), free_port());
        Walk { home, here, port, environment, running: Vec::new(), problems: Vec::new(), ran: 0 }
    }

    fn bash(&self, line: &str) -> Command {
        let mut bash = Command::new("bash");
        bash.args(["-o", "pipefail", "-c", line]).current_dir(&self.here);
        bash.env_remove("BARMKEEP_CONFIG").env_remove("BARMKEEP_LOG").envs(&self.environment);
        bash.stdin(Stdio::null());
        bash
    }

    /// Runs a line as a person would type it, and gives what it printed; `None` where it stays, or
    /// is not run here.
    fn line(&mut self, line: &str) -> Option<String> {
        let line = line.replace(PORT, &self.port.to_string());
        let (merged, line) = match line.strip_prefix(MERGED) {
            Some(typed) => (MERGED, typed.to_owned()),
            None => ("", line),
        };
        if NOT_RUN.iter().any(|(begins, _)| line.starts_with(begins)) || line.trim().is_empty() {
            return None;
        }
        self.ran += 1;
        if let Some(folder) = line.strip_prefix("cd ") {
            self.here = self.here.join(folder);
            return None;
        }
        if let Some((name, value)) = line.strip_prefix("export ").and_then(|l| l.split_once('=')) {
            self.environment.insert(name.to_owned(), value.to_owned());
            return None;
        }
        if ["mosquitto -", "mosquitto_sub", "barmkeep run"].iter().any(|it| line.starts_with(it)) {
            self.stays(&line);
            return None;
        }
        let done = self.bash(&format!("{merged}{line}")).output().expect("bash runs");
        let said = String::from_utf8_lossy(&done.stdout).into_owned();
        if !done.status.success() {
            let errors = String::from_utf8_lossy(&done.stderr);
            self.problems.push(format!("`{line}` ended with {}: {errors}", done.status));
        }
        if line.starts_with("mosquitto_pub") {
            self.heard(&line);
        }
        Some(said)
    }

    /// A program that stays: it goes on beside the others.
    fn stays(&mut self, line: &str) {
        let child = self
            .bash(&format!("exec {line}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("bash starts");
        self.running.push(Process::new(child));
        if line.starts_with("mosquitto -") {
            wait_for_port(self.port);
        } else if line.starts_with("barmkeep run") {
            let config = line.trim_start_matches("barmkeep run ").to_owned();
            self.wait("the daemon is online", &format!("barmkeep status --config {config}"), "");
        }
    }

    /// Waits until the daemon has heard what a device said.
    fn heard(&mut self, line: &str) {
        let source =
            if line.contains("float") { "\"name\":\"float\"" } else { "\"name\":\"beer\"" };
        let silent = format!("{source},\"kind\":\"KIND\",\"last\":null");
        let kind = if line.contains("float") { "gravity" } else { "beer" };
        let silent = silent.replace("KIND", kind);
        // The state comes anew with each record: a line in the log brings it at once.
        let ask = "barmkeep note north --text heard --config cellar.toml >/dev/null && \
                   barmkeep status --json --config cellar.toml";
        self.wait("a reading is heard", ask, &silent);
    }

    /// Waits until a command succeeds without saying this.
    fn wait(&mut self, what: &str, line: &str, without: &str) {
        let began = Instant::now();
        loop {
            let said = self.bash(line).output().expect("bash runs");
            let text = String::from_utf8_lossy(&said.stdout).into_owned();
            if said.status.success() && (without.is_empty() || !text.contains(without)) {
                return;
            }
            let errors = String::from_utf8_lossy(&said.stderr).into_owned();
            assert!(began.elapsed() < PATIENCE, "{what}: not yet: {text}{errors}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    fn block(&mut self, block: &Block) {
        let begins = BEFORE.iter().find(|(heading, _)| *heading == block.heading);
        if let Some((_, line)) = begins {
            self.line(line);
        }
        match block.language.as_str() {
            "sh" => block.text.iter().for_each(|line| {
                self.line(line);
            }),
            "console" => self.console(block),
            "toml" | "csv" => {
                let text = block.text.join("\n") + "\n";
                let text = text.replace(PORT, &self.port.to_string());
                let Some(name) = &block.names else { return self.piece(block, &text) };
                std::fs::write(self.here.join(name), text).expect("the file can be written");
            }
            "text" => {}
            other => self.problems.push(format!("line {}: a block of `{other}`", block.line)),
        }
    }

    /// A piece of a configuration: with the cellar's own it is one that passes `check`.
    fn piece(&mut self, block: &Block, text: &str) {
        let own = if text.contains("format =") {
            String::new()
        } else {
            std::fs::read_to_string(self.here.join("cellar.toml")).unwrap_or_default()
        };
        let whole = format!("{own}\n{text}");
        std::fs::write(self.here.join("piece.toml"), whole).expect("the file can be written");
        let before = self.problems.len();
        self.line("barmkeep check piece.toml");
        if self.problems.len() > before {
            self.problems.push(format!("… in the piece of line {}", block.line));
        }
    }

    /// Runs a block of commands and what they print, and compares.
    fn console(&mut self, block: &Block) {
        let mut at = 0;
        while at < block.text.len() {
            let typed = block.text[at].strip_prefix("$ ").expect("it begins with a command");
            let rest = &block.text[at + 1..];
            let length = rest.iter().position(|line| line.starts_with("$ ")).unwrap_or(rest.len());
            let shown = &rest[..length];
            if let Some(file) = typed.strip_prefix("cat ") {
                let text = shown.join("\n") + "\n";
                std::fs::write(self.here.join(file), text).expect("the file can be written");
            } else if let Some(said) = self.line(&format!("{MERGED}{typed}"))
                && !NOT_COMPARED.iter().any(|begins| typed.starts_with(begins))
            {
                let said: Vec<&str> = said.trim_end().lines().collect();
                if !same(shown, &said) {
                    let (line, said) = (block.line, said.join("\n"));
                    self.problems.push(format!("line {line}, `{typed}` says:\n{said}\n"));
                }
            }
            at += 1 + length;
        }
    }
}

/// Whether what was said is what is shown; `…` alone on a line stands for any lines.
fn same(shown: &[String], said: &[&str]) -> bool {
    match shown.split_first() {
        None => said.is_empty(),
        Some((first, rest)) if first.trim() == "…" => {
            (0..=said.len()).any(|skipped| same(rest, &said[skipped..]))
        }
        Some((first, rest)) => said
            .split_first()
            .is_some_and(|(line, others)| plain(first) == plain(line) && same(rest, others)),
    }
}

/// A line without what differs from day to day: dates, times and their zone, whole seconds.
fn plain(line: &str) -> String {
    let mut words: Vec<String> = Vec::new();
    for word in line.split(' ') {
        let bare = word.trim_end_matches([',', ';', ':', '.', ')']).trim_start_matches('(');
        let shape: String =
            bare.chars().map(|c| if c.is_ascii_digit() { '0' } else { c }).collect();
        let last = words.last().map(String::as_str).unwrap_or_default();
        let told = match shape.as_str() {
            "0000-00-00" => "DATE".to_owned(),
            "00:00" => "TIME".to_owned(),
            "s" if last.ends_with(|c: char| c.is_ascii_digit()) => {
                words.pop();
                "SECONDS".to_owned()
            }
            _ if shape.starts_with("0000-00-00T") => "WHEN".to_owned(),
            _ if last.ends_with("TIME") && bare.chars().all(|c| c.is_ascii_uppercase()) => {
                "ZONE".to_owned()
            }
            _ => bare.to_owned(),
        };
        words.push(word.replace(bare, &told));
    }
    words.join(" ").trim_end().to_owned()
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder can be made");
    for entry in std::fs::read_dir(from).expect("a folder") {
        let path = entry.expect("an entry").path();
        let target = to.join(path.file_name().expect("a name"));
        if path.is_dir() {
            copy(&path, &target);
        } else {
            std::fs::copy(&path, &target).expect("a file can be copied");
        }
    }
}

#[test]
fn the_readme_is_true_from_the_first_line_to_the_last() {
    let text = document("README.md");
    let mut walk = Walk::new();
    for block in blocks(&text) {
        // A sample of a format, tried by a test of its own.
        if block.heading != "Users of the embedded broker" {
            walk.block(&block);
        }
    }
    println!("{} lines were run in {}", walk.ran, walk.home.path().display());
    assert!(walk.problems.is_empty(), "{}", walk.problems.join("\n"));
    assert!(walk.ran >= 30, "only {} lines were run", walk.ran);
}

#[test]
fn what_differs_is_told() {
    let shown = ["a 2026-01-01 10:00 UTC b", "…", "z 1.5 C"].map(str::to_owned);
    for (said, alike) in [
        (vec!["a 2027-11-30 23:59 CET b", "z 1.5 C"], true),
        (vec!["a 2027-11-30 23:59 CET b", "more", "lines", "z 1.5 C"], true),
        (vec!["a 2027-11-30 23:59 CET b", "z 1.6 C"], false),
        (vec!["a 2027-11-30 b", "z 1.5 C"], false),
        (vec!["a 2027-11-30 23:59 CET c", "z 1.5 C"], false),
        (vec!["a 2027-11-30 23:59 CET b", "z 1.5 C", "more"], false),
    ] {
        assert_eq!(same(&shown, &said), alike, "{said:?}");
    }
    assert_eq!(plain("no (3 s in this stage)"), plain("no (12 s in this stage)"));
    assert_ne!(plain("no (3 d in this stage)"), plain("no (4 d in this stage)"));
}

/// The hash that `password` makes is one that the embedded broker takes, in the file as the README
/// shows it.
#[test]
fn the_users_file_of_the_readme_lets_in_who_has_the_password() {
    let text = document("README.md");
    let block = blocks(&text);
    let block = block.iter().find(|block| block.heading == "Users of the embedded broker");
    let block = block.filter(|block| block.language == "toml").expect("the file is shown");
    let hash = barmkeep_tests::program::barmkeep_reading(&["password"], "secret\n").with(0).out;
    assert!(hash.starts_with("$argon2id$"), "{hash}");
    let users = block.text.join("\n").replace("$argon2id$v=19$…", hash.trim());
    let users = users.replace("# this_machine = \"anonymous\"", "this_machine = \"password\"");
    assert!(users.contains(hash.trim()) && users.contains("\nthis_machine"), "{users}");
    let mut walk = Walk::new();
    let port = walk.port;
    let config = format!(
        "format = 1\n[link]\nlisten = \"127.0.0.1:{port}\"\nusers_file = \"users\"\n\
         [store]\nfile = \"a.db\"\n[vessel.north]\nvolume = \"23 L\"\ncoldest = \"0 C\"\n\
         warmest = \"26 C\"\n"
    );
    std::fs::write(walk.here.join("cellar.toml"), config).expect("a file");
    std::fs::write(walk.here.join("users"), users).expect("a file");
    let child = walk.bash("exec barmkeep run cellar.toml 2>daemon.log").spawn().expect("it starts");
    walk.running.push(Process::new(child));
    wait_for_port(port);
    let say = |password: &str| {
        let line = format!(
            "mosquitto_pub -p {port} -q 1 -V 5 -u float-1 -P {password} -t cellar/float/1 -m 1.05"
        );
        walk.bash(&line).stderr(Stdio::null()).status().expect("it runs").success()
    };
    assert!(say("secret"), "the password is right");
    assert!(!say("another"), "the password is wrong");
}

/// Command lines within the text: the command is there, and has the flags.
#[test]
fn every_command_in_the_text_is_one() {
    let help = barmkeep(&["--help"]).with(0).out;
    let commands: BTreeSet<&str> = help
        .lines()
        .filter_map(|line| line.strip_prefix("  ").filter(|line| !line.starts_with([' ', '-'])))
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    let mut helps: BTreeMap<String, String> = BTreeMap::new();
    let (mut checked, mut problems) = (0, Vec::new());
    for (name, text) in texts() {
        let lines = text.lines().flat_map(|line| line.split('`'));
        for line in lines.filter_map(|part| part.trim_start().strip_prefix("barmkeep ")) {
            let words: Vec<&str> = line.split_whitespace().collect();
            let Some(command) = words.first().map(|word| word.trim_end_matches([',', '.'])) else {
                continue;
            };
            if !commands.contains(command) {
                // Prose, such as "barmkeep keeps", or `barmkeep COMMAND --help`.
                let flags = words.iter().any(|word| word.starts_with("--"));
                if flags && !command.chars().all(|c| c.is_ascii_uppercase()) {
                    problems.push(format!("{name}: `barmkeep {line}`"));
                }
                continue;
            }
            let help = helps
                .entry(command.to_owned())
                .or_insert_with(|| barmkeep(&[command, "--help"]).with(0).out);
            for flag in words.iter().filter_map(|word| word.strip_prefix("--")) {
                let flag = flag.split(['=', ']', ',', '.', ';', ')', '`']).next().unwrap_or(flag);
                checked += 1;
                if !help.contains(&format!("--{flag}")) {
                    problems.push(format!("{name}: `barmkeep {command}` has no `--{flag}`"));
                }
            }
        }
    }
    assert!(checked >= 15, "only {checked} flags were found");
    assert!(problems.is_empty(), "{}", problems.join("\n"));
}

/// All documents, and all files that a user copies.
fn texts() -> Vec<(String, String)> {
    let mut texts: Vec<(String, String)> =
        DOCS.iter().map(|name| ((*name).to_owned(), document(name))).collect();
    for folder in ["config-examples", "config-examples/schedules", "deploy"] {
        for entry in std::fs::read_dir(project().join(folder)).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_file() && path.extension().is_none_or(|end| end != "md") {
                let text = std::fs::read_to_string(&path).expect("it is text");
                texts.push((path.display().to_string(), text));
            }
        }
    }
    texts
}

/// The README's tables have every key, alarm, event and command that the program has.
#[test]
fn the_readme_has_every_key_command_alarm_and_event() {
    let text = document("README.md");
    let quoted: BTreeSet<&str> = text
        .split(['`', '"'])
        .flat_map(|part| part.split([' ', '.', ',', '[', ']', '{', '}', '|', '<']))
        .collect();
    let missing: Vec<String> = schedule::all_keys()
        .into_iter()
        .filter(|(_, key)| !quoted.contains(key))
        .map(|(table, key)| format!("`{key}` of {table}"))
        .collect();
    assert!(missing.is_empty(), "the README lacks {}", missing.join(", "));
    for (command, _) in engine::command::COMMANDS {
        assert!(text.contains(&format!("`{command}")), "the README lacks {command}");
    }
    let rows: Vec<&str> = text.lines().filter(|line| line.starts_with("| ")).collect();
    for alarm in engine::alarms() {
        let row = rows.iter().find(|row| {
            let first = row.split(" | ").next().unwrap_or_default();
            let named = |id: &str| first.contains(&format!("`{id}`"));
            named(alarm.id) || first.contains(&format!("`{}.", alarm.id))
        });
        let row = row.unwrap_or_else(|| panic!("the README lacks the alarm {}", alarm.id));
        assert!(row.contains(alarm.priority), "{}: {row}", alarm.id);
        let delay = |span: quantity::Span| {
            if span.is_zero() { "0".to_owned() } else { span.to_string() }
        };
        let delays = format!("{} / {}", delay(alarm.on_delay), delay(alarm.off_delay));
        assert!(row.contains(&delays), "{}: {delays} in {row}", alarm.id);
    }
    let reference = barmkeep(&["reference"]).with(0).out;
    for kind in engine::Kind::ALL {
        assert!(reference.contains(&format!("| `{}` |", kind.as_str())), "{}", kind.as_str());
    }
    for (table, key) in schedule::all_keys() {
        assert!(reference.contains(&format!("| `{key}` |")), "{key} of {table}");
    }
    for alarm in engine::alarms() {
        assert!(reference.contains(&format!("| `{}` |", alarm.id)), "{}", alarm.id);
    }
    assert!(reference.contains("## `barmkeep pitch`") && reference.contains("`--follow`"));
}

/// The broker that `deploy/` sets up lets each device do what it must, and no more.
#[test]
fn the_broker_of_deploy_gives_each_its_rights() {
    let mut walk = Walk::new();
    let conf = document("deploy/mosquitto.conf");
    let here = walk.here.display().to_string();
    let conf = conf
        .replace("/etc/mosquitto/cellar.passwd", &format!("{here}/passwd"))
        .replace("/etc/mosquitto/cellar.acl", &format!("{here}/deploy/mosquitto.acl"))
        .replace("listener 1883", &format!("listener {} 127.0.0.1", walk.port));
    std::fs::write(walk.here.join("m.conf"), conf).expect("a file");
    for (index, user) in ["barmkeep", "float-1", "probe-1", "plug-1", "phone"].iter().enumerate() {
        let create = if index == 0 { "-c " } else { "" };
        walk.line(&format!("mosquitto_passwd -b {create}passwd {user} secret"));
    }
    let me = "chown root passwd deploy/mosquitto.acl 2>/dev/null; chmod 644 passwd; \
              chmod 644 deploy/mosquitto.acl; chmod 755 .";
    walk.line(me);
    walk.line("mosquitto -c m.conf");
    let examples = document("config-examples/barmkeep.toml");
    let config = examples.replace(
        "broker = \"embedded\" ",
        &format!(
            "username = \"barmkeep\"\npassword_file = \"secret\"\n\
             broker = \"mqtt://127.0.0.1:{}\" ",
            walk.port
        ),
    );
    // The page and the embedded broker have ports of their own.
    let config = config.replace("[page] ", "[show_not]").replace("[show_not]", "# ");
    let config = config.replace("\nlisten = \"127.0.0.1:8460\"", "\n# listen");
    std::fs::write(walk.here.join("cellar.toml"), config).expect("a file");
    std::fs::write(walk.here.join("secret"), "secret\n").expect("a file");
    walk.line("barmkeep run cellar.toml");
    let port = walk.port;
    walk.line(&format!(
        "mosquitto_pub -p {port} -q 1 -u probe-1 -P secret -t cellar/probe/1 -m 18.5"
    ));
    walk.line(&format!(
        "mosquitto_pub -p {port} -q 1 -u float-1 -P secret -t cellar/float/1 \
         -m '{{\"sg\": 1.05, \"temperature\": 18, \"battery\": 90}}'"
    ));
    // Not its topic: the broker drops it, and the beer stays as the probe said.
    walk.line(&format!(
        "mosquitto_pub -p {port} -V 5 -q 1 -u plug-1 -P secret -t cellar/probe/1 -m 25 || true"
    ));
    let said = walk.line("barmkeep status --json --config cellar.toml").expect("it says");
    assert!(said.contains("\"beer_c\":18.5"), "{said}");
    assert!(walk.problems.is_empty(), "{}", walk.problems.join("\n"));
}
