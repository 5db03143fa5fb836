//! The real binary, driven from outside.
//!
//! Cargo tells the tests of a package only of the package's own binaries, so the first test that
//! asks for `barmkeep` has Cargo build it: with the profile and into the target folder of the test
//! itself. Cargo's own lock keeps several test programs from building at once, and where nothing
//! changed this takes no time.

use serde_json::Value;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// Long enough for a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Where the program is, freshly built.
///
/// # Panics
/// Where it cannot be built.
pub fn binary() -> &'static Path {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(build)
}

/// The project's folder.
///
/// # Panics
/// Never: the tests are a folder in it.
pub fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the tests lie in the project's folder")
}

/// Cargo, as a person would run it. What the running Cargo tells this test of its package is kept
/// from it: build scripts look at that, and half of the dependencies would be built again.
pub fn cargo() -> Command {
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo.current_dir(project());
    for (name, _) in std::env::vars_os() {
        let known = name.to_string_lossy();
        let ours = ["CARGO_PKG_", "CARGO_MANIFEST_", "CARGO_CRATE_", "CARGO_PRIMARY_"];
        if ours.iter().any(|prefix| known.starts_with(prefix)) {
            cargo.env_remove(&name);
        }
    }
    cargo
}

/// What the program said, and how it ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// Its exit status.
    pub status: i32,
    /// Its standard output.
    pub out: String,
    /// Its standard error.
    pub err: String,
}

impl Said {
    /// Itself, if it ended so.
    ///
    /// # Panics
    /// Where it ended otherwise.
    #[track_caller]
    pub fn with(self, status: i32) -> Self {
        assert_eq!(self.status, status, "standard error: {}\noutput: {}", self.err, self.out);
        self
    }

    /// Its output, read as a JSON object a line.
    ///
    /// # Panics
    /// Where anything else stands there.
    #[track_caller]
    pub fn objects(&self) -> Vec<Value> {
        let object = |line: &str| {
            let value: Value = serde_json::from_str(line)
                .unwrap_or_else(|error| panic!("no JSON, {error}: {line}"));
            assert!(value.is_object(), "no object: {line}");
            value
        };
        self.out.lines().map(object).collect()
    }
}

/// Runs the program to its end.
///
/// # Panics
/// Where it cannot be run, or does not end by itself.
pub fn barmkeep(arguments: &[&str]) -> Said {
    barmkeep_reading(arguments, "")
}

/// Runs the program to its end with this on its standard input.
///
/// # Panics
/// As [`barmkeep()`].
pub fn barmkeep_reading(arguments: &[&str], input: &str) -> Said {
    let mut child = command(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdin = child.stdin.take().expect("its input is piped");
    let input = input.to_owned();
    let writer = std::thread::spawn(move || {
        // A program that ends before it has read everything is judged by what it says.
        let _ = stdin.write_all(input.as_bytes());
    });
    let output = child.wait_with_output().expect("the program ends");
    writer.join().expect("its input was written");
    said(&output)
}

/// The program with these arguments, in an environment that says nothing to it.
pub fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(binary());
    command.args(arguments).env_remove("BARMKEEP_CONFIG").env_remove("BARMKEEP_LOG");
    command.env("USER", "tester").env("NO_COLOR", "1");
    // The demo makes a folder of its own; on a busy disk it would tell its story slowly.
    if Path::new("/dev/shm").is_dir() {
        command.env("TMPDIR", "/dev/shm");
    }
    command
}

/// A process that ends with its test, by its own id.
#[derive(Debug)]
pub struct Process(Child);

impl Process {
    /// Takes care of a child.
    pub fn new(child: Child) -> Self {
        Process(child)
    }

    /// Ends it without a farewell, as `kill -9` does.
    ///
    /// # Panics
    /// Where it cannot be ended.
    pub fn kill(&mut self) {
        self.0.kill().expect("a child can be killed");
        self.0.wait().expect("a killed child ends");
    }

    /// Asks it to end, as a system does, and gives its exit status.
    ///
    /// # Panics
    /// Where it does not end in time.
    pub fn terminate(&mut self) -> Option<i32> {
        self.signal("TERM");
        self.wait()
    }

    /// Sends it a signal of this name.
    ///
    /// # Panics
    /// Where it has ended.
    pub fn signal(&self, name: &str) {
        let id = self.0.id().to_string();
        let told = Command::new("kill").args(["-s", name, &id]).status().expect("`kill` is there");
        assert!(told.success(), "the process lives");
    }

    /// Its number.
    pub fn id(&self) -> u32 {
        self.0.id()
    }

    /// Waits for its end and gives its exit status; `None` where a signal ended it.
    ///
    /// # Panics
    /// Where it does not end in time.
    pub fn wait(&mut self) -> Option<i32> {
        let began = Instant::now();
        loop {
            if let Some(status) = self.0.try_wait().expect("a child can be asked") {
                return status.code();
            }
            assert!(began.elapsed() < PATIENCE, "the process does not end");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Whether it still runs.
    ///
    /// # Panics
    /// Where it cannot be asked.
    pub fn lives(&mut self) -> bool {
        self.0.try_wait().expect("a child can be asked").is_none()
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn said(output: &Output) -> Said {
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Said {
        status: output.status.code().unwrap_or(-1),
        out: text(&output.stdout),
        err: text(&output.stderr),
    }
}

/// Has Cargo build the program beside the running test: `TARGET/PROFILE/deps/TEST`.
fn build() -> PathBuf {
    let test = std::env::current_exe().expect("a test knows where it is");
    let folder = test.ancestors().nth(2).expect("a test lies two folders below its profile's");
    let profile = folder.file_name().and_then(|name| name.to_str()).expect("a profile's name");
    let profile = if profile == "debug" { "dev" } else { profile };
    let target = folder.parent().expect("the profile's folder lies in the target folder");
    // With the tests beside it, its libraries have the same features as in `cargo test
    // --workspace`, and nothing is built twice. A benchmark's profile has no tests to share with.
    let beside: &[&str] = if profile == "dev" { &["--tests"] } else { &[] };
    let built = cargo()
        .args(["build", "--quiet", "--workspace", "--bin", "barmkeep"])
        .args(beside)
        .args(["--profile", profile])
        .arg("--target-dir")
        .arg(target)
        .output()
        .expect("cargo runs");
    let errors = String::from_utf8_lossy(&built.stderr);
    assert!(built.status.success(), "the program cannot be built: {errors}");
    folder.join("barmkeep")
}
