//! How the program is linked.

use std::env;
use std::process::Command;

/// The first GNU C library whose loader reads packed addresses (its release notes, August 2022).
const PACKED_SINCE: (u32, u32) = (2, 36);

/// A program that may lie anywhere in memory has a table of the addresses to be written at each
/// start. Packed it has 12 kB here instead of 1.1 MB, which otherwise stay in memory once read.
fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    let of = |name: &str| env::var(name).unwrap_or_default();
    let here = of("HOST") == of("TARGET");
    let gnu = of("CARGO_CFG_TARGET_OS") == "linux" && of("CARGO_CFG_TARGET_ENV") == "gnu";
    // For another machine nothing is known of its loader.
    if here && gnu && c_library().is_some_and(|version| version >= PACKED_SINCE) {
        println!("cargo::rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    }
}

/// This machine's, as `glibc 2.36`; nothing where it is not told.
fn c_library() -> Option<(u32, u32)> {
    let told = Command::new("getconf").arg("GNU_LIBC_VERSION").output().ok()?;
    let text = String::from_utf8(told.stdout).ok()?;
    let mut parts = text.trim().strip_prefix("glibc ")?.split('.').map(str::parse);
    Some((parts.next()?.ok()?, parts.next()?.ok()?))
}
