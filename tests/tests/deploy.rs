//! What stands in `deploy/`: the unit's sandbox, the package, the container file.

use barmkeep_tests::broker::{Ear, folder, free_port, say, wait_for_port};
use barmkeep_tests::cellar::Cellar;
use barmkeep_tests::installed;
use barmkeep_tests::program::{PATIENCE, Process, barmkeep, binary, command, project};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// The most that `systemd-analyze security` may say of the unit.
const EXPOSURE_MAX: f64 = 1.3;

fn read(path: impl AsRef<Path>) -> String {
    let path = path.as_ref();
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Runs a program to its end and gives what it said on both of its outputs.
#[track_caller]
fn run(command: &mut Command) -> String {
    let output = command.stdin(Stdio::null()).output().expect("the program runs");
    let text = [output.stdout, output.stderr].concat();
    let text = String::from_utf8_lossy(&text).into_owned();
    assert!(output.status.success(), "{command:?} ended with {}: {text}", output.status);
    text
}

fn systemd_analyze() -> Command {
    Command::new(installed::tool("systemd-analyze", &["systemd"]))
}

/// The package of the program that is tested, built once, and a system that has it.
struct System {
    folder: TempDir,
    package: PathBuf,
}

impl System {
    fn root(&self) -> PathBuf {
        self.folder.path().join("root")
    }

    /// Dpkg, on this system of its own: its scripts are run from outside, with `DPKG_ROOT` saying
    /// where it is. Nothing of the machine changes.
    fn dpkg(&self, arguments: &[&str]) -> Command {
        let mut dpkg = Command::new("dpkg");
        // What it depends on is the machine's own; no root is needed.
        dpkg.args(["--force-not-root", "--force-script-chrootless", "--force-depends"]);
        dpkg.args(["--force-bad-path", "--no-pager", "--log=/dev/null"]);
        dpkg.arg(format!("--root={}", self.root().display()));
        dpkg.args(arguments);
        dpkg
    }

    /// All that is there, but what dpkg and the system's list of users keep for themselves.
    fn files(&self) -> Vec<String> {
        let root = self.root();
        let mut files = Vec::new();
        walk(&root, &mut |path: &Path| {
            let name = path.strip_prefix(&root).expect("it lies below").display().to_string();
            let own = [
                "var/lib/dpkg",
                "etc/passwd",
                "etc/shadow",
                "etc/group",
                "etc/gshadow",
                "etc/.pwd",
            ];
            if !own.iter().any(|own| name.starts_with(own)) {
                files.push(name);
            }
        });
        files.sort();
        files
    }
}

/// Every file below a folder, and every folder with nothing in it.
fn walk(folder: &Path, visit: &mut impl FnMut(&Path)) {
    let mut is_empty = true;
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        is_empty = false;
        if path.is_dir() && !path.is_symlink() {
            walk(&path, visit);
        } else {
            visit(&path);
        }
    }
    if is_empty {
        visit(folder);
    }
}

fn package() -> &'static Path {
    static PACKAGE: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    let (_, path) = PACKAGE.get_or_init(|| {
        let folder = folder();
        let mut script = Command::new(project().join("deploy/package.sh"));
        let said = run(script.arg(binary()).arg(folder.path()));
        let path = PathBuf::from(said.lines().last().expect("it prints the package's path"));
        (folder, path)
    });
    path
}

fn system() -> System {
    installed::tool("systemd-sysusers", &["systemd"]);
    let system = System { folder: folder(), package: package().to_owned() };
    let dpkg = system.root().join("var/lib/dpkg");
    for part in ["info", "updates", "triggers", "parts"] {
        std::fs::create_dir_all(dpkg.join(part)).expect("a folder");
    }
    std::fs::create_dir_all(system.root().join("etc")).expect("a folder");
    for file in ["status", "available"] {
        std::fs::write(dpkg.join(file), "").expect("a file");
    }
    system
}

#[test]
fn the_package_is_built_installed_used_removed_and_purged() {
    let system = system();
    let package = system.package.display().to_string();
    let info = run(Command::new("dpkg-deb").args(["--info", &package]));
    for line in ["Package: barmkeep", "Depends: libc6 (>= 2.", "Installed-Size: ", "Priority: "] {
        assert!(info.contains(line), "no `{line}` in {info}");
    }
    // Whose loader cannot read packed addresses never gets a program that has them.
    let libc = info.split("libc6 (>= 2.").nth(1).and_then(|rest| rest.split_once(')'));
    let minor: u32 = libc.and_then(|(minor, _)| minor.parse().ok()).expect("a version");
    let program = std::fs::read(binary()).expect("the program is read");
    let packed = program.windows(17).any(|name| name == b"GLIBC_ABI_DT_RELR");
    assert!(!packed || minor >= 36, "packed addresses, and libc6 2.{minor}");
    let said = run(&mut system.dpkg(&["--install", &package]));
    assert!(said.contains("deploy/README.md"), "it says what is next: {said}");
    let root = system.root();
    for file in [
        "usr/lib/systemd/system/barmkeep.service",
        "usr/share/man/man1/barmkeep.1.gz",
        "usr/share/man/man1/barmkeep-backup.1.gz",
        "usr/share/bash-completion/completions/barmkeep",
        "usr/share/zsh/vendor-completions/_barmkeep",
        "usr/share/fish/vendor_completions.d/barmkeep.fish",
        "usr/share/doc/barmkeep/copyright",
        "usr/share/doc/barmkeep/changelog.gz",
        "usr/share/doc/barmkeep/libraries.gz",
        "usr/share/doc/barmkeep/deploy/README.md.gz",
        "usr/share/doc/barmkeep/deploy/mosquitto.acl",
    ] {
        assert!(root.join(file).metadata().is_ok_and(|meta| meta.len() > 0), "{file}");
    }
    let users = read(root.join("etc/passwd"));
    assert!(users.contains("barmkeep:") && users.contains("/nologin"), "{users}");
    // The configuration is the admin's alone: there is a place for it, and nothing in it.
    assert_eq!(std::fs::read_dir(root.join("etc/barmkeep")).expect("it is there").count(), 1);
    assert_eq!(run(&mut system.dpkg(&["--verify", "barmkeep"])), "");

    let program = root.join("usr/bin/barmkeep");
    let version = run(Command::new(&program).arg("--version"));
    assert_eq!(version.trim(), format!("barmkeep {}", env!("CARGO_PKG_VERSION")));
    let examples = root.join("usr/share/doc/barmkeep/examples");
    let schedules = std::fs::read_dir(examples.join("schedules")).expect("a folder");
    let mut files: Vec<PathBuf> = schedules.map(|entry| entry.expect("an entry").path()).collect();
    assert!(files.len() >= 12, "{files:?}");
    files.push(examples.join("barmkeep.toml"));
    run(Command::new(&program).arg("check").args(&files));

    a_running_batch_is_left_alone(&system);
}

/// What a person wrote and what the daemon recorded stay through upgrade, removal and purge.
fn a_running_batch_is_left_alone(system: &System) {
    let root = system.root();
    let before = system.files();
    assert!(before.len() > 60, "{before:?}");
    let store = root.join("var/lib/barmkeep");
    std::fs::create_dir_all(&store).expect("a folder");
    let own = [
        root.join("etc/barmkeep/barmkeep.toml"),
        root.join("etc/barmkeep/schedules/mine.toml"),
        store.join("barmkeep.db"),
    ];
    for path in &own {
        std::fs::write(path, "of a running batch").expect("a file");
    }
    let package = system.package.display().to_string();
    let said = run(&mut system.dpkg(&["--install", &package]));
    assert!(said.contains("systemctl restart barmkeep"), "nothing was restarted: {said}");
    run(&mut system.dpkg(&["--remove", "barmkeep"]));
    let said = run(&mut system.dpkg(&["--purge", "barmkeep"]));
    assert!(said.contains("/var/lib/barmkeep is yours and stays"), "{said}");
    for path in &own {
        assert_eq!(read(path), "of a running batch");
    }
    let left = system.files();
    let name = |path: &PathBuf| path.strip_prefix(&root).expect("below").display().to_string();
    let mut expected: Vec<String> = own.iter().map(name).collect();
    expected.sort();
    assert_eq!(left, expected, "nothing is left but what the admin made");
}

#[test]
fn the_unit_is_sound_and_shut_off() {
    let system = system();
    run(&mut system.dpkg(&["--install", &system.package.display().to_string()]));
    let root = format!("--root={}", system.root().display());
    let unit = "usr/lib/systemd/system/barmkeep.service";
    // Its targets are the machine's: here only what it says of itself is looked at.
    let mut verify = systemd_analyze();
    let verified = verify.args(["verify", "--recursive-errors=no", "--man=no", &root]);
    let said = run(verified.arg("barmkeep.service"));
    let of_it: Vec<&str> = said.lines().filter(|line| line.contains("barmkeep")).collect();
    assert!(of_it.is_empty(), "{of_it:?}");

    let mut security = systemd_analyze();
    let said = run(security.args(["security", "--offline=true"]).arg(system.root().join(unit)));
    let exposure = said
        .lines()
        .find_map(|line| line.split_once("Overall exposure level for barmkeep.service: "))
        .and_then(|(_, rest)| rest.split_whitespace().next()?.parse::<f64>().ok())
        .unwrap_or_else(|| panic!("no figure in {said}"));
    println!("exposure {exposure}");
    assert!(exposure <= EXPOSURE_MAX, "{exposure}: {said}");
    let text = read(system.root().join(unit));
    for line in ["User=barmkeep", "WatchdogSec=60", "ExecStart=/usr/bin/barmkeep run "] {
        assert!(text.contains(line), "no `{line}` in {text}");
    }
    // By hand it lies elsewhere, and says so itself.
    let by_hand = read(project().join("deploy/barmkeep.service"));
    assert!(by_hand.contains("ExecStart=/usr/local/bin/barmkeep run "), "{by_hand}");
}

/// A call to the system as strace shows it: its name and its arguments.
fn calls(traced: &str) -> Vec<(String, String)> {
    let call = |line: &str| {
        // `1234 openat(AT_FDCWD, "…", O_RDONLY) = 3`; a call that is resumed was named before.
        let (_, call) = line.split_once(' ')?;
        let (name, arguments) = call.trim_start().split_once('(')?;
        let is_name =
            name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        is_name.then(|| (name.to_owned(), arguments.to_owned()))
    };
    traced.lines().filter_map(call).collect()
}

/// The calls that the unit's filter lets through, as its systemd understands it.
fn allowed_calls(unit: &str) -> BTreeSet<String> {
    let expand = |sets: &[&str]| {
        let (mut open, mut names) = (Vec::new(), BTreeSet::new());
        open.extend(sets.iter().map(|set| (*set).to_owned()));
        while let Some(set) = open.pop() {
            let said = run(systemd_analyze().args(["syscall-filter", &set]));
            for word in said.lines().skip(1).map(str::trim).filter(|line| !line.starts_with('#')) {
                if word.starts_with('@') {
                    open.push(word.to_owned());
                } else {
                    names.insert(word.to_owned());
                }
            }
        }
        names
    };
    let lines: Vec<&str> =
        unit.lines().filter_map(|line| line.strip_prefix("SystemCallFilter=")).collect();
    let [let_through, kept_out] = lines[..] else { panic!("two lines, not {lines:?}") };
    let let_through: Vec<&str> = let_through.split(' ').collect();
    let kept_out = kept_out.strip_prefix('~').expect("the second line takes away");
    let kept_out: Vec<&str> = kept_out.split(' ').collect();
    // The last is always let through.
    let allowed = expand(&[&let_through[..], &["@default"]].concat());
    let kept_out = expand(&kept_out);
    assert!(allowed.len() > 200 && kept_out.len() > 30, "{allowed:?} {kept_out:?}");
    allowed.difference(&kept_out).cloned().collect()
}

/// The daemon with all that it has (broker inside, page, receivers by program and by HTTP) under
/// strace, from its start to its orderly end.
fn traced() -> (Cellar, String) {
    let strace = installed::tool("strace", &["strace"]);
    let (port, page) = (free_port(), free_port());
    let cellar = Cellar::embedded(port);
    let own = std::fs::read_to_string(cellar.config()).expect("the configuration");
    let more = format!(
        "\n[page]\nlisten = \"127.0.0.1:{page}\"\n[[tell]]\nrun = [\"/bin/cat\"]\n\
         events = [\"batch.noted\"]\n[[tell]]\nurl = \"http://127.0.0.1:{page}/\"\n\
         events = [\"batch.noted\"]\n"
    );
    cellar.write("barmkeep.toml", &(own + &more));
    let trace = cellar.path("trace");
    // The daemon is our own child; strace goes with it.
    let child = Command::new(strace)
        .args(["-D", "-f", "-q", "-s", "300", "-o", &trace])
        .arg(binary())
        .args(["run", &cellar.config()])
        .env_remove("BARMKEEP_LOG")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("strace starts");
    let mut daemon = Process::new(child);
    wait_for_port(port);
    let mut ear = Ear::open(port, "5", "#");
    ear.wait("the daemon", |message| message.payload == "online");
    say(port, &["-t", "cellar/probe/1", "-m", "17.0"]);
    cellar.pitch(40);
    cellar.ask(&["note", "north", "--text", "Looked at under a glass"]).with(0);
    ear.event("batch.noted");
    wait_for_port(page);
    cellar.ask(&["backup", &cellar.path("copy.db")]).with(0);
    assert_eq!(daemon.terminate(), Some(0));
    // Its last line is written after its end.
    let began = Instant::now();
    let mut said = read(&trace);
    let daemon = said.split(' ').next().unwrap_or_default().to_owned();
    let over = |line: &str| line.starts_with(&daemon) && line.ends_with("+++ exited with 0 +++");
    while !said.lines().any(over) {
        assert!(began.elapsed() < PATIENCE, "{}", &said[said.len().saturating_sub(500)..]);
        std::thread::sleep(Duration::from_millis(50));
        said = read(&trace);
    }
    (cellar, said)
}

/// Each thing that the sandbox would refuse is one that the daemon never does.
#[test]
fn the_daemon_asks_nothing_of_the_system_that_its_unit_refuses() {
    let (cellar, trace) = traced();
    let calls = calls(&trace);
    let names: BTreeSet<&str> = calls.iter().map(|(name, _)| name.as_str()).collect();
    for name in ["openat", "socket", "execve", "fsync", "epoll_wait"] {
        assert!(names.contains(name), "the trace lacks {name}: {names:?}");
    }
    let allowed = allowed_calls(&read(project().join("deploy/barmkeep.service")));
    // SQLite gives its files to the store's owner where it is root, which the unit's user is not.
    let refused: Vec<&&str> =
        names.iter().filter(|name| !allowed.contains(**name) && **name != "fchown").collect();
    assert!(refused.is_empty(), "SystemCallFilter refuses {refused:?}");

    let own = cellar.folder().display().to_string();
    for (name, arguments) in &calls {
        let call = format!("{name}({arguments}");
        match name.as_str() {
            "mmap" => {
                let both = arguments.contains("PROT_WRITE") && arguments.contains("PROT_EXEC");
                assert!(!both, "MemoryDenyWriteExecute: {call}");
            }
            "mprotect" | "pkey_mprotect" => {
                assert!(!arguments.contains("PROT_EXEC"), "MemoryDenyWriteExecute: {call}");
            }
            "socket" | "socketpair" => {
                let family = arguments.split(',').next().unwrap_or_default();
                let known = ["AF_INET", "AF_INET6", "AF_UNIX"].contains(&family);
                assert!(known, "RestrictAddressFamilies: {call}");
            }
            "clone" | "clone3" | "unshare" => {
                assert!(!arguments.contains("CLONE_NEW"), "RestrictNamespaces: {call}");
            }
            "openat" | "open" | "mkdir" | "unlink" | "rename" => {
                let writes = name != "openat" && name != "open"
                    || ["O_WRONLY", "O_RDWR", "O_CREAT"].iter().any(|it| arguments.contains(it));
                let place = arguments.split('"').nth(1).unwrap_or_default();
                // Temporary folders are its own too, by `PrivateTmp`.
                let may = place.starts_with(&own)
                    || ["/dev/null", "/tmp/", "/var/tmp/"].iter().any(|it| place.starts_with(it));
                assert!(!writes || may, "ProtectSystem: {call}");
            }
            _ => {}
        }
    }
}

#[test]
fn the_container_file_names_what_there_is() {
    let text = read(project().join("deploy/Containerfile")).replace("\\\n", " ");
    let lines: Vec<Vec<&str>> = text
        .lines()
        .filter(|line| !line.starts_with('#') && !line.trim().is_empty())
        .map(|line| line.split_whitespace().collect())
        .collect();
    let of = |word: &str| lines.iter().filter(|line| line[0] == word).collect::<Vec<_>>();
    for copy in of("COPY") {
        match copy[1].strip_prefix("--from=") {
            None => assert!(project().join(copy[1]).exists(), "{copy:?}"),
            // The program, where cargo puts it.
            Some(stage) => {
                assert_eq!((stage, copy[2]), ("build", "/source/target/release/barmkeep"));
            }
        }
    }
    let cargo = read(project().join("Cargo.toml"));
    let rust = text.lines().find_map(|line| line.strip_prefix("ARG BUILD=")).expect("an image");
    let version = rust.split(':').nth(1).and_then(|it| it.split('-').next()).expect("a version");
    assert!(cargo.contains(&format!("rust-version = \"{version}\"")), "{version}");
    assert_eq!(of("USER").len(), 1, "not as root");
    assert_ne!(of("USER")[0][1].split(':').next(), Some("0"));
    assert_eq!(of("VOLUME")[0][1], "/var/lib/barmkeep");
    assert_eq!(of("STOPSIGNAL")[0][1], "SIGTERM");

    // Each command line is understood: it fails for want of the file, not for its wording.
    let list = |word: &str| -> Vec<String> {
        let line = of(word)[0].join(" ");
        let json = &line[line.find('[').expect("a list")..];
        serde_json::from_str(json).unwrap_or_else(|error| panic!("{error}: {json}"))
    };
    let entry = list("ENTRYPOINT");
    assert_eq!(entry, ["/usr/bin/barmkeep"]);
    let health = list("HEALTHCHECK");
    assert_eq!(health[0], entry[0]);
    for arguments in [&list("CMD")[..], &health[1..]] {
        let known = "/etc/barmkeep/barmkeep.toml";
        let missing: Vec<&str> = arguments
            .iter()
            .map(|word| if word == known { "/nonexistent/barmkeep.toml" } else { word })
            .collect();
        assert!(missing.contains(&"/nonexistent/barmkeep.toml"), "{arguments:?}");
        let said = barmkeep(&missing).with(78);
        assert!(said.err.contains("No such file"), "{}", said.err);
    }
}

/// The health check tells a daemon that answers from one that was killed.
#[test]
fn the_container_is_healthy_while_a_daemon_answers() {
    let port = free_port();
    let broker = barmkeep_tests::broker::Mosquitto::start_on(port);
    let cellar = Cellar::new(port);
    let mut ear = Ear::open(port, "5", "barmkeep/status");
    let daemon = cellar.start();
    ear.wait_for("barmkeep/status", "online");
    let healthy = || command(&["status", "--config", &cellar.config()]).output().expect("it runs");
    assert!(healthy().status.success());
    daemon.kill();
    ear.wait_for("barmkeep/status", "offline");
    assert!(!healthy().status.success());
    drop(broker);
    assert!(!healthy().status.success());
}

/// Users and their rights: `read`, `write` or `readwrite`, and the topic.
fn rights() -> Vec<(String, String, String)> {
    let (mut user, mut rights) = (String::new(), Vec::new());
    for line in read(project().join("deploy/mosquitto.acl")).lines() {
        match line.split_whitespace().collect::<Vec<_>>()[..] {
            ["user", name] => user = name.to_owned(),
            ["topic", right, topic] => {
                rights.push((user.clone(), right.to_owned(), topic.to_owned()));
            }
            _ => assert!(line.is_empty() || line.starts_with('#'), "{line}"),
        }
    }
    rights
}

/// MQTT 3.1.1, 4.7: `#` is all that is below, `+` is one level.
fn covers(filter: &str, topic: &str) -> bool {
    let (mut filter, mut topic) = (filter.split('/'), topic.split('/'));
    loop {
        match (filter.next(), topic.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some(one), Some(other)) if one == "+" || one == other => {}
            _ => return false,
        }
    }
}

/// Each topic of the example cellar is the daemon's and one device's, each in its direction.
#[test]
fn the_rights_of_the_broker_cover_every_topic_of_the_example() {
    let example = read(project().join("config-examples/barmkeep.toml"));
    let topics = example.lines().filter_map(|line| {
        let rest = line.strip_prefix("topic")?.trim_start().strip_prefix("= \"")?;
        rest.split('"').next()
    });
    let rights = rights();
    let who = |topic: &str, way: &str| -> Vec<&str> {
        let may = |right: &str| right == way || right == "readwrite";
        let of = rights.iter().filter(|(_, right, at)| may(right) && covers(at, topic));
        of.map(|(user, _, _)| user.as_str()).collect()
    };
    let mut seen = 0;
    for topic in topics {
        seen += 1;
        let order = topic.ends_with("/set");
        let (daemon, device) = if order { ("write", "read") } else { ("read", "write") };
        assert!(who(topic, daemon).contains(&"barmkeep"), "{topic}");
        let mut devices = who(topic, device);
        devices.retain(|user| *user != "barmkeep");
        assert_eq!(devices.len(), 1, "{topic}: {devices:?}");
        assert!(!order || who(topic, "write") == ["barmkeep"], "only the daemon orders {topic}");
    }
    assert!(seen >= 4, "{seen} topics");
    assert_eq!(who("barmkeep/north/command", "write"), ["barmkeep", "phone"]);
    assert_eq!(who("barmkeep/north/state", "write"), ["barmkeep"]);
}

/// The lines on TLS, typed as they stand, make certificates that broker and daemon agree on.
#[test]
fn the_certificates_of_the_broker_are_made_as_its_file_says() {
    let conf = read(project().join("deploy/mosquitto.conf"));
    let port = free_port();
    let cellar = Cellar::new(port);
    let here = cellar.folder();
    installed::tool("openssl", &["openssl"]);
    let mut typed = 0;
    for line in conf.lines().filter_map(|line| line.strip_prefix("#   ")) {
        if line.starts_with("openssl ") || line.starts_with("printf ") {
            typed += 1;
            let line = line.replace("broker.lan", "localhost");
            run(Command::new("bash").args(["-c", &line]).current_dir(here));
        }
    }
    assert_eq!(typed, 4, "{conf}");
    let keys = ["listener", "cafile", "certfile", "keyfile"];
    let tls = conf.lines().filter_map(|line| line.strip_prefix("# "));
    let tls = tls.filter(|line| keys.contains(&line.split(' ').next().unwrap_or_default()));
    let tls: String = tls.map(|line| format!("{line}\n")).collect();
    let tls = tls
        .replace("listener 8883", &format!("listener {port} 127.0.0.1"))
        .replace("/etc/mosquitto", &here.display().to_string());
    let file = cellar.write("tls.conf", &format!("user root\n{tls}allow_anonymous true\n"));
    let child = Command::new(installed::tool("mosquitto", &["mosquitto", "mosquitto-clients"]))
        .arg("-c")
        .arg(file)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("mosquitto starts");
    let _broker = Process::new(child);
    wait_for_port(port);
    let plain = format!("mqtt://127.0.0.1:{port}");
    let own = read(cellar.config());
    let secret = own.replace(&plain, &format!("mqtts://localhost:{port}"));
    cellar.write("barmkeep.toml", &secret.replace("[store]", "ca_file = \"ca.pem\"\n[store]"));
    let daemon = cellar.start();
    let began = Instant::now();
    while cellar.ask(&["status"]).status != 0 {
        assert!(began.elapsed() < PATIENCE, "{}", read(cellar.path("daemon.log")));
    }
    // Without the authority's certificate nobody is believed.
    cellar.write("barmkeep.toml", &secret);
    assert_eq!(cellar.ask(&["status"]).status, 69);
    assert_eq!(daemon.terminate(), Some(0));
}
