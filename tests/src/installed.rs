//! Programs of the system that tests need: found, or installed by apt.

use std::path::PathBuf;
use std::process::Command;
use std::sync::Mutex;

/// One installation at a time, each tried once.
static TRIED: Mutex<Vec<(String, Result<(), String>)>> = Mutex::new(Vec::new());

/// A program; installed with these Debian packages where it is missing.
///
/// # Panics
/// Where it is missing and cannot be installed, with the reason.
pub fn tool(name: &str, packages: &[&str]) -> PathBuf {
    if let Some(path) = find(name) {
        return path;
    }
    if let Err(problem) = once(packages) {
        panic!("`{name}` is missing and was not installed: {problem}");
    }
    find(name).unwrap_or_else(|| panic!("`{name}` is missing, also after its packages came"))
}

/// Installs Debian packages, where that was not tried before.
///
/// # Errors
/// What apt said, and what to do.
pub fn once(packages: &[&str]) -> Result<(), String> {
    let key = packages.join(" ");
    let mut tried = TRIED.lock().map_err(|_| "an installation broke off".to_owned())?;
    if let Some((_, result)) = tried.iter().find(|(known, _)| *known == key) {
        return result.clone();
    }
    let result = install(packages);
    tried.push((key, result.clone()));
    result
}

fn find(name: &str) -> Option<PathBuf> {
    let listed = std::env::var_os("PATH").unwrap_or_default();
    // A broker is a system's program: its folder may not be in a user's path.
    let folders =
        std::env::split_paths(&listed).chain(["/usr/sbin", "/usr/local/sbin"].map(PathBuf::from));
    folders.map(|folder| folder.join(name)).find(|path| path.is_file())
}

fn install(packages: &[&str]) -> Result<(), String> {
    let named = format!("the Debian packages {}", packages.join(", "));
    let apt = |arguments: &[&str]| {
        let mut command = Command::new("apt-get");
        // The system's own services are not to be started.
        command.args(arguments).env("DEBIAN_FRONTEND", "noninteractive").env("RUNLEVEL", "1");
        let output = command.output().map_err(|error| {
            format!("apt-get does not run ({error}); install {named}, or what your system has")
        })?;
        let errors = String::from_utf8_lossy(&output.stderr);
        if output.status.success() {
            Ok(())
        } else {
            Err(format!("apt-get {}: {errors}; install {named}", arguments.join(" ")))
        }
    };
    apt(&["update", "--quiet"])?;
    let options = ["install", "--quiet", "--yes", "--no-install-recommends"];
    apt(&[&options[..], packages].concat())
}
