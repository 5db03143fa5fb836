//! Who may enter the embedded broker, and what each may say and hear: the `users_file`.
//!
//! ```toml
//! format = 1
//! # this_machine = "anonymous"      # programs on this machine need no password; or "password"
//!
//! [user.float-1]
//! password  = "$argon2id$v=19$…"    # a hash, made by `hash_password`
//! publish   = ["cellar/float/1"]    # topic filters, `+` and `#` as in MQTT; left out: none
//! subscribe = []
//!
//! [user.phone]
//! password  = "$argon2id$v=19$…"
//! publish   = ["barmkeep/+/command"]
//! subscribe = ["barmkeep/#"]
//! ```

use super::error::{LinkError, read};
use super::topics::{covers, is_filter};
use argon2::password_hash::rand_core::{OsRng, RngCore};
use argon2::password_hash::{Output, PasswordHash, PasswordHasher, Salt, SaltString};
use argon2::{Algorithm, Argon2, Block, Params, Version};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

/// Memory of one hash, in KiB, and its passes: the smallest-memory choice of the OWASP Password
/// Storage Cheat Sheet for Argon2id (7 MiB, 5 passes, 1 lane), so that a small computer can do it.
const MEMORY_KIB: u32 = 7168;
const PASSES: u32 = 5;
/// A hash that asks for more memory or passes than this is refused: it would stall the machine.
const MEMORY_KIB_MAX: u32 = 64 * 1024;
const PASSES_MAX: u32 = 20;
/// The longest password, in bytes.
pub const PASSWORD_BYTES_MAX: usize = 1024;

/// The users, parsed and checked.
#[derive(Debug, Clone)]
pub struct Users {
    users: BTreeMap<String, User>,
    /// Whether programs on this machine may enter without a password.
    pub anonymous_here: bool,
}

/// What hashes are computed in, used again and again: given back each time, so large a piece stays
/// with each thread that ever had it, and a daemon would grow with its visitors.
#[derive(Default)]
pub struct Memory(Vec<Block>);

impl Memory {
    fn verify(&mut self, hash: &str, password: &[u8]) -> Option<bool> {
        let hash = PasswordHash::new(hash).ok()?;
        let params = Params::try_from(&hash).ok()?;
        let algorithm = Algorithm::try_from(hash.algorithm).ok()?;
        let version = hash.version.map_or(Ok(Version::default()), Version::try_from).ok()?;
        let (salt, wanted) = (hash.salt?, hash.hash?);
        let mut salt_bytes = [0; Salt::MAX_LENGTH];
        let salt = salt.decode_b64(&mut salt_bytes).ok()?;
        self.0.resize(params.block_count().max(self.0.len()), Block::default());
        let mut out = [0; Output::MAX_LENGTH];
        let out = &mut out[..wanted.len()];
        let argon2 = Argon2::new(algorithm, version, params);
        argon2.hash_password_into_with_memory(password, salt, out, &mut self.0[..]).ok()?;
        // In a time that does not tell how much of it is right.
        Some(Output::new(out).ok()? == wanted)
    }
}

/// What a user may do.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct User {
    password: String,
    #[serde(default)]
    publish: Vec<String>,
    #[serde(default)]
    subscribe: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    format: i64,
    #[serde(default)]
    this_machine: ThisMachine,
    #[serde(default)]
    user: BTreeMap<String, User>,
}

#[derive(Deserialize, Default, PartialEq)]
#[serde(rename_all = "lowercase")]
enum ThisMachine {
    #[default]
    Anonymous,
    Password,
}

impl Users {
    /// Reads a file.
    ///
    /// # Errors
    /// Where it cannot be read, or [`Users::parse`] refuses it.
    pub fn load(file: &Path) -> Result<Self, LinkError> {
        let content = |problem| LinkError::Content { file: file.to_owned(), problem };
        let text = String::from_utf8(read("users_file", file)?)
            .map_err(|_| content("it is not text (UTF-8)".to_owned()))?;
        Self::parse(&text).map_err(content)
    }

    /// Reads a file's text.
    ///
    /// # Errors
    /// A sentence saying what is wrong, and in which user's entry.
    pub fn parse(text: &str) -> Result<Self, String> {
        let file: File = toml::from_str(text).map_err(|error| error.to_string())?;
        if file.format != 1 {
            return Err(format!("`format = {}` is not known: this program reads 1", file.format));
        }
        for (name, user) in &file.user {
            user.check().map_err(|problem| format!("user `{name}`: {problem}"))?;
            if name.is_empty() || name.starts_with('$') || name.chars().any(char::is_control) {
                return Err(format!("`{name}` cannot be a user's name"));
            }
        }
        let anonymous_here = file.this_machine == ThisMachine::Anonymous;
        Ok(Users { users: file.user, anonymous_here })
    }

    /// Whether this is the user's password. Slow by intent, also for names that are not known.
    pub fn is_password(&self, name: &str, password: &[u8], memory: &mut Memory) -> bool {
        let user = self.users.get(name);
        let Some(asked) = user.or_else(|| self.users.values().next()) else { return false };
        let right = password.len() <= PASSWORD_BYTES_MAX
            && memory.verify(&asked.password, password).unwrap_or(false);
        right && user.is_some()
    }

    /// Whether there is a user of this name.
    pub fn is_user(&self, name: &str) -> bool {
        self.users.contains_key(name)
    }

    /// Whether the user may publish on `topic`.
    pub fn may_publish(&self, name: &str, topic: &str) -> bool {
        self.users
            .get(name)
            .is_some_and(|user| user.publish.iter().any(|allowed| covers(allowed, topic)))
    }

    /// Whether the user may hear all that `filter` matches.
    pub fn may_subscribe(&self, name: &str, filter: &str) -> bool {
        self.users
            .get(name)
            .is_some_and(|user| user.subscribe.iter().any(|allowed| covers(allowed, filter)))
    }
}

impl User {
    fn check(&self) -> Result<(), String> {
        let hint = "`password` is a hash that begins with `$argon2id$`, never the password itself";
        let hash = PasswordHash::new(&self.password).map_err(|_| hint.to_owned())?;
        if hash.algorithm.as_str() != "argon2id" || hash.hash.is_none() {
            return Err(hint.to_owned());
        }
        let params = Params::try_from(&hash).map_err(|_| hint.to_owned())?;
        if params.m_cost() > MEMORY_KIB_MAX || params.t_cost() > PASSES_MAX {
            return Err(format!(
                "its hash asks for {} KiB and {} passes: at most {MEMORY_KIB_MAX} KiB and \
                 {PASSES_MAX} passes are allowed",
                params.m_cost(),
                params.t_cost()
            ));
        }
        match self.publish.iter().chain(&self.subscribe).find(|filter| !is_filter(filter)) {
            Some(filter) => Err(format!("`{filter}` is not a topic filter")),
            None => Ok(()),
        }
    }
}

/// The hash of a password, for the `users_file`; a new salt each time.
///
/// # Errors
/// Where the password is empty or too long, or the machine gives no random numbers.
pub fn hash_password(password: &str) -> Result<String, String> {
    if password.is_empty() {
        return Err("the password is empty".to_owned());
    }
    if password.len() > PASSWORD_BYTES_MAX {
        return Err(format!("a password has at most {PASSWORD_BYTES_MAX} bytes"));
    }
    let salt = SaltString::encode_b64(&random()?).map_err(|error| error.to_string())?;
    let params = Params::new(MEMORY_KIB, PASSES, 1, None).map_err(|error| error.to_string())?;
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password(password.as_bytes(), &salt)
        .map(|hash| hash.to_string())
        .map_err(|error| error.to_string())
}

/// Sixteen bytes that nobody can guess.
pub(super) fn random() -> Result<[u8; 16], String> {
    let mut bytes = [0; 16];
    OsRng
        .try_fill_bytes(&mut bytes)
        .map_err(|error| format!("this machine gives no random numbers: {error}"))?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(entry: &str) -> String {
        format!("format = 1\n[user.float-1]\n{entry}\n")
    }

    #[test]
    fn a_password_is_known_by_its_hash() {
        let hash = hash_password("malt and hops").unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=7168,t=5,p=1$"), "{hash}");
        assert_ne!(hash, hash_password("malt and hops").unwrap(), "each hash has its own salt");
        let users = Users::parse(&file(&format!("password = \"{hash}\""))).unwrap();
        let mut memory = Memory::default();
        assert!(users.anonymous_here);
        assert!(users.is_password("float-1", b"malt and hops", &mut memory));
        assert!(!users.is_password("float-1", b"malt and hop", &mut memory));
        assert!(!users.is_password("float-1", b"", &mut memory));
        assert!(!users.is_password("float-2", b"malt and hops", &mut memory));
        assert!(!users.is_password("float-1", &[b'x'; PASSWORD_BYTES_MAX + 1], &mut memory));
        assert!(hash_password("").is_err());
        assert!(hash_password(&"x".repeat(PASSWORD_BYTES_MAX + 1)).is_err());
        assert!(hash_password(&"x".repeat(PASSWORD_BYTES_MAX)).is_ok());
    }

    #[test]
    fn rights_are_what_the_file_says_and_no_more() {
        let hash = hash_password("x").unwrap();
        let users = Users::parse(&file(&format!(
            "password = \"{hash}\"\npublish = [\"cellar/+/1\"]\nsubscribe = [\"barmkeep/#\"]"
        )))
        .unwrap();
        assert!(users.may_publish("float-1", "cellar/float/1"));
        assert!(!users.may_publish("float-1", "cellar/float/2"));
        assert!(!users.may_publish("nobody", "cellar/float/1"));
        assert!(users.may_subscribe("float-1", "barmkeep/+/state"));
        assert!(!users.may_subscribe("float-1", "#"));
        let none = Users::parse(&file(&format!("password = \"{hash}\""))).unwrap();
        assert!(!none.may_publish("float-1", "x") && !none.may_subscribe("float-1", "x"));
    }

    #[test]
    fn wrong_files_are_refused_with_a_reason() {
        let hash = hash_password("x").unwrap();
        let greedy = hash.replace("m=7168", "m=1048576");
        for (text, part) in [
            ("format = 2".to_owned(), "this program reads 1"),
            ("users = 1\nformat = 1".to_owned(), "unknown field `users`"),
            ("format = 1\nthis_machine = \"open\"".to_owned(), "unknown variant `open`"),
            (file("password = \"secret\""), "never the password itself"),
            (file(&format!("password = \"{greedy}\"")), "asks for 1048576 KiB"),
            (file(&format!("password = \"{hash}\"\npublish = [\"a#\"]")), "`a#` is not a topic"),
            (file(&format!("password = \"{hash}\"\nrights = []")), "unknown field `rights`"),
            (format!("format = 1\n[user.\"$x\"]\npassword = \"{hash}\""), "`$x` cannot be"),
        ] {
            let error = Users::parse(&text).unwrap_err();
            assert!(error.contains(part), "{error}");
        }
    }

    #[test]
    fn programs_on_this_machine_may_need_a_password_too() {
        let users = Users::parse("format = 1\nthis_machine = \"password\"").unwrap();
        assert!(!users.anonymous_here);
        let mut memory = Memory::default();
        assert!(!users.is_password("anybody", b"x", &mut memory));
    }
}
