//! `password`: the hash of a password, for the `users_file` and for the page.
//!
//! The password itself comes from the terminal, unseen, or from standard input; never from the
//! command line, where every program of the machine could read it.

use crate::failure::{Failure, Status};
use crate::link::users::hash_password;
use std::io::{BufRead, IsTerminal, Read, Write};

/// More than this is not read, in bytes: a password, its end of line, and one to see that it is
/// too long.
const READ_MOST: u64 = crate::link::users::PASSWORD_BYTES_MAX as u64 + 3;

/// Reads a password and prints its hash.
///
/// # Errors
/// Where there is none, where it is too long, or where two entries differ.
pub fn task() -> Result<(), Failure> {
    let stdin = std::io::stdin();
    let password = if stdin.is_terminal() { asked()? } else { first_line(stdin.lock())? };
    let hash = hash_password(&password).map_err(|problem| Failure::new(Status::Data, problem))?;
    Ok(writeln!(std::io::stdout(), "{hash}")?)
}

/// Asks twice on the terminal, without showing what is typed.
fn asked() -> Result<String, Failure> {
    let ask = |prompt: &str| {
        rpassword::prompt_password(prompt)
            .map_err(|error| Failure::new(Status::Io, format!("the terminal: {error}")))
    };
    let password = ask("Password: ")?;
    if ask("The same again: ")? != password {
        return Err(Failure::new(Status::Data, "the two are not the same")
            .hint("type `barmkeep password` again"));
    }
    Ok(password)
}

/// The first line, without its end.
fn first_line(input: impl Read) -> Result<String, Failure> {
    let mut line = Vec::new();
    std::io::BufReader::new(input.take(READ_MOST)).read_until(b'\n', &mut line)?;
    let line = line.strip_suffix(b"\n").unwrap_or(&line);
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    String::from_utf8(line.to_vec())
        .map_err(|_| Failure::new(Status::Data, "the password is not text (UTF-8)"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_first_line_is_the_password() {
        for (input, password) in
            [("a b\nc", "a b"), ("ä\r\n", "ä"), ("x", "x"), ("", ""), (" x \n", " x ")]
        {
            assert_eq!(first_line(input.as_bytes()).unwrap(), password);
        }
        assert!(first_line(b"\xff\n".as_slice()).is_err());
        let long = "x".repeat(5000);
        let read = first_line(long.as_bytes()).unwrap();
        assert!(hash_password(&read).is_err(), "too long stays too long");
    }
}
