//! The program `barmkeep`.
fn main() {}
