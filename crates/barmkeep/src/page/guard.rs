//! Who may see the page: whom a browser asked for, a password where there is one, and headers that
//! bind the browser.

use crate::failure::{Failure, Status};
use argon2::password_hash::PasswordHash;
use argon2::{Argon2, PasswordVerifier};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use std::net::IpAddr;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use subtle::ConstantTimeEq;
use tokio::sync::Semaphore;

/// After a wrong password the answer waits for so long.
const WRONG: Duration = Duration::from_millis(500);
/// No password is longer, in bytes.
const PASSWORD_BYTES_MAX: usize = 1024;

/// What a browser may load, and who may show us: our own style, script and feed, nothing else.
const HEADERS: [(HeaderName, &str); 7] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
         img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (
        HeaderName::from_static("permissions-policy"),
        "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    ),
];

/// What a request must have.
#[derive(Debug)]
pub(super) struct Guard {
    names: Vec<String>,
    password: Option<Password>,
}

#[derive(Debug)]
struct Password {
    kept: Kept,
    /// A login that was right, so that not every picture costs a slow hash.
    right: Mutex<Option<Vec<u8>>>,
    /// One slow hash at a time.
    turn: Arc<Semaphore>,
}

/// As the file has it.
#[derive(Debug, Clone)]
enum Kept {
    Plain(Vec<u8>),
    Hash(String),
}

impl Guard {
    /// Reads the password's file, where there is one; `names` are those of the configuration.
    ///
    /// # Errors
    /// Where the file cannot be read, or has no password.
    pub fn new(password: Option<&Path>, names: &[String]) -> Result<Self, Failure> {
        let machine = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
        let machine = machine.trim().to_ascii_lowercase();
        let mut own = vec!["localhost".to_owned()];
        if !machine.is_empty() {
            own.extend([format!("{machine}.local"), machine]);
        }
        own.extend(names.iter().map(|name| name.to_ascii_lowercase()));
        let names = own;
        let password = password.map(Password::read).transpose()?;
        Ok(Guard { names, password })
    }

    /// Whether a browser asked for us by a name that is ours. An address is never another's: what
    /// this keeps out are names that somebody else lets point here.
    fn is_ours(&self, host: &str) -> bool {
        let name = match host.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
            Some((name, port)) if port.is_empty() || port.starts_with(':') => name,
            Some(_) => return false,
            None => host.split_once(':').map_or(host, |(name, _)| name),
        };
        let name = name.strip_suffix('.').unwrap_or(name).to_ascii_lowercase();
        name.parse::<IpAddr>().is_ok() || self.names.contains(&name)
    }
}

impl Password {
    fn read(path: &Path) -> Result<Self, Failure> {
        let text = std::fs::read_to_string(path).map_err(|error| {
            Failure::file(path, "read", &error).hint(
                "`[page] password_file` is a file with the password, or its hash, in one line",
            )
        })?;
        let text = text.trim_end_matches(['\r', '\n']);
        let wrong = |problem: &str| {
            Failure::new(Status::Config, format!("{}: {problem}", path.display()))
                .hint("write the password, or its hash, into the file's first line")
        };
        if text.is_empty() || text.contains(['\r', '\n']) || text.len() > PASSWORD_BYTES_MAX {
            return Err(wrong("it has no password in one line"));
        }
        let kept = if text.starts_with("$argon2") {
            PasswordHash::new(text).map_err(|_| wrong("this is no whole hash"))?;
            Kept::Hash(text.to_owned())
        } else {
            Kept::Plain(text.as_bytes().to_vec())
        };
        Ok(Password { kept, right: Mutex::new(None), turn: Arc::new(Semaphore::new(1)) })
    }

    /// Whether a request has the password; the user's name is of no matter.
    async fn is_in(&self, headers: &HeaderMap) -> bool {
        let Some(given) = password_of(headers) else { return false };
        let before = self.right.lock().ok().and_then(|right| right.clone());
        if before.is_some_and(|right| bool::from(right.ct_eq(&given))) {
            return true;
        }
        let Ok(_turn) = self.turn.acquire().await else { return false };
        let kept = self.kept.clone();
        let checked = given.clone();
        let right = tokio::task::spawn_blocking(move || kept.is(&checked)).await.unwrap_or(false);
        if right {
            if let Ok(mut known) = self.right.lock() {
                *known = Some(given);
            }
        } else {
            tokio::time::sleep(WRONG).await;
        }
        right
    }
}

impl Kept {
    fn is(&self, given: &[u8]) -> bool {
        match self {
            Kept::Plain(password) => bool::from(password.as_slice().ct_eq(given)),
            Kept::Hash(hash) => PasswordHash::new(hash)
                .is_ok_and(|hash| Argon2::default().verify_password(given, &hash).is_ok()),
        }
    }
}

/// The password of HTTP Basic (RFC 7617).
fn password_of(headers: &HeaderMap) -> Option<Vec<u8>> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, login) = value.split_once(' ')?;
    let login = STANDARD.decode(login.trim()).ok()?;
    let colon = login.iter().position(|byte| *byte == b':')?;
    let password = login.get(colon + 1..)?.to_vec();
    (scheme.eq_ignore_ascii_case("basic") && password.len() <= PASSWORD_BYTES_MAX)
        .then_some(password)
}

/// Lets a request through that may, and binds the browser in any case.
pub(super) async fn watch(
    State(guard): State<Arc<Guard>>,
    request: Request,
    next: Next,
) -> Response {
    let headers = request.headers();
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok());
    let mut response = if !host.is_some_and(|host| guard.is_ours(host)) {
        let text = "This page answers to its machine's own names and addresses only.\n\
                    hint: add the name to `[page] names` in the configuration\n";
        (StatusCode::MISDIRECTED_REQUEST, text).into_response()
    } else if let Some(password) = &guard.password
        && !password.is_in(headers).await
    {
        let ask = HeaderValue::from_static("Basic realm=\"barmkeep\", charset=\"UTF-8\"");
        let text = "The page needs its password; any user name will do.\n";
        (StatusCode::UNAUTHORIZED, [(header::WWW_AUTHENTICATE, ask)], text).into_response()
    } else {
        next.run(request).await
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard(password: Option<&str>) -> Result<Guard, Failure> {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("password");
        if let Some(password) = password {
            std::fs::write(&file, password).unwrap();
        }
        Guard::new(password.map(|_| file.as_path()), &["Cellar.example".to_owned()])
    }

    #[test]
    fn a_browser_must_have_asked_for_this_machine() {
        let guard = guard(None).unwrap();
        for host in [
            "localhost",
            "LOCALHOST:8460",
            "127.0.0.1:8460",
            "192.168.1.9",
            "[::1]:8460",
            "[fe80::1]",
            "cellar.example:80",
            "cellar.example.",
        ] {
            assert!(guard.is_ours(host), "{host}");
        }
        for host in
            ["", "elsewhere.example", "localhost.elsewhere.example", "[::1].x", "127.0.0.1.x"]
        {
            assert!(!guard.is_ours(host), "{host}");
        }
    }

    fn login(text: &str) -> HeaderMap {
        let value = format!("Basic {}", STANDARD.encode(text));
        HeaderMap::from_iter([(header::AUTHORIZATION, HeaderValue::from_str(&value).unwrap())])
    }

    #[tokio::test]
    async fn a_password_is_known_plain_and_by_its_hash() {
        let hash = crate::link::users::hash_password("malt: and hops").unwrap();
        for kept in ["malt: and hops\n", &hash] {
            let guard = guard(Some(kept)).unwrap();
            let password = guard.password.unwrap();
            for _ in 0..2 {
                assert!(password.is_in(&login("anybody:malt: and hops")).await);
            }
            assert!(!password.is_in(&login("anybody:malt")).await);
            assert!(!password.is_in(&login("malt: and hops")).await);
            assert!(!password.is_in(&HeaderMap::new()).await);
        }
    }

    #[test]
    fn a_file_without_a_password_is_refused() {
        for text in ["", "\n", "two\nlines", "$argon2id$cut"] {
            let failure = guard(Some(text)).unwrap_err();
            assert_eq!(failure.status, Status::Config, "{text:?}");
        }
        assert!(Guard::new(Some(Path::new("/nowhere")), &[]).is_err());
    }
}
