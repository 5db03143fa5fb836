//! The program: command line, link, store and clock around the engine.
fn main() {}
