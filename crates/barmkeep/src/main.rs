//! The program `barmkeep`.

fn main() -> std::process::ExitCode {
    barmkeep::start(std::env::args_os())
}
