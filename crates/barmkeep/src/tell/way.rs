//! How one message reaches its receiver: by HTTP POST, or through a program's standard input.

use crate::link::LinkError;
use http_body_util::Full;
use hyper::body::Bytes;
use hyper::header::{CONTENT_TYPE, LOCATION, RETRY_AFTER, USER_AGENT};
use hyper::{Method, Request, Response, StatusCode, Uri};
use hyper_rustls::HttpsConnector;
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::{Connect, HttpConnector};
use hyper_util::rt::TokioExecutor;
use schedule::config::TellWay;
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::{Child, Command};
use tokio::time::timeout;

/// A receiver by HTTP answers within this time.
const ANSWER: Duration = Duration::from_secs(20);
/// A program ends within this time.
const PROGRAM: Duration = Duration::from_secs(60);
/// No receiver may ask us to wait for longer than this.
const WAIT_MAX: Duration = Duration::from_secs(3600);
/// So much of a program's complaint is passed on, in bytes.
const COMPLAINT_BYTES: u64 = 400;
/// `EX_DATAERR` of sysexits: the program says that this message is of no use to it.
const DATA_ERROR: i32 = 65;

/// Why a message did not reach its receiver.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Undelivered {
    /// It is away or has a fault: to be tried again, not sooner than it asks for.
    Later { why: String, wait: Option<Duration> },
    /// It has seen this message and does not want it: another try would be the same.
    Never { why: String },
}

/// A receiver.
pub struct Way {
    kind: Kind,
    /// Who it is, for people: without path or arguments, which may hold a secret.
    pub name: String,
    answer: Duration,
}

enum Kind {
    Plain(Client<HttpConnector, Full<Bytes>>, Uri),
    Tls(Client<HttpsConnector<HttpConnector>, Full<Bytes>>, Uri),
    Program {
        program: PathBuf,
        arguments: Vec<String>,
        folder: PathBuf,
    },
    /// It can never be reached as this machine is.
    Unusable(String),
}

impl Way {
    /// As configured; a program's path lies relative to `folder`.
    pub fn new(way: &TellWay, folder: &Path) -> Self {
        let (kind, name, answer) = match way {
            TellWay::Url(url) => {
                let kind = by_http(url).unwrap_or_else(Kind::Unusable);
                (kind, origin(url), ANSWER)
            }
            TellWay::Run(words) => {
                let (first, arguments) = words.split_first().map_or(("", &[][..]), |(f, a)| (f, a));
                let plain = Path::new(first);
                // A bare name is looked for where the system looks for programs.
                let named = plain.components().count() == 1;
                let program = if named { plain.to_owned() } else { folder.join(plain) };
                let folder = if folder == Path::new("") { Path::new(".") } else { folder };
                let (arguments, folder) = (arguments.to_vec(), folder.to_owned());
                (Kind::Program { program, arguments, folder }, first.to_owned(), PROGRAM)
            }
        };
        Way { kind, name, answer }
    }

    /// The same that waits for no more than this.
    #[cfg(test)]
    pub fn patient(self, answer: Duration) -> Self {
        Way { answer, ..self }
    }

    /// Sends a message and waits until it was taken.
    ///
    /// # Errors
    /// Where it was not.
    pub async fn deliver(&self, body: &str) -> Result<(), Undelivered> {
        let sent = async {
            match &self.kind {
                Kind::Plain(client, uri) => post(client, uri, body).await,
                Kind::Tls(client, uri) => post(client, uri, body).await,
                Kind::Program { program, arguments, folder } => {
                    run(program, arguments, folder, body).await
                }
                Kind::Unusable(why) => Err(later(why.clone())),
            }
        };
        let late = |_| later(format!("it did not answer within {} s", self.answer.as_secs_f64()));
        timeout(self.answer, sent).await.map_err(late)?
    }
}

fn later(why: String) -> Undelivered {
    Undelivered::Later { why, wait: None }
}

fn by_http(url: &str) -> Result<Kind, String> {
    let uri: Uri = url.parse().map_err(|error| format!("its address cannot be used: {error}"))?;
    // Events are seldom: a connection that was kept would mostly be dead when it is wanted.
    let mut builder = Client::builder(TokioExecutor::new());
    builder.pool_max_idle_per_host(0);
    if uri.scheme_str() != Some("https") {
        return Ok(Kind::Plain(builder.build(HttpConnector::new()), uri));
    }
    let tls = crate::link::machine_tls().map_err(|error: LinkError| error.to_string())?;
    let connector = hyper_rustls::HttpsConnectorBuilder::new()
        .with_tls_config((*tls).clone())
        .https_only()
        .enable_http1()
        .build();
    Ok(Kind::Tls(builder.build(connector), uri))
}

/// Scheme, host and port.
fn origin(url: &str) -> String {
    let (scheme, rest) = url.split_once("://").unwrap_or(("", url));
    let host = rest.split(['/', '?', '#']).next().unwrap_or_default();
    format!("{scheme}://{host}")
}

async fn post<C>(client: &Client<C, Full<Bytes>>, uri: &Uri, body: &str) -> Result<(), Undelivered>
where
    C: Connect + Clone + Send + Sync + 'static,
{
    let request = Request::builder()
        .method(Method::POST)
        .uri(uri)
        .header(CONTENT_TYPE, "application/json")
        .header(USER_AGENT, concat!("barmkeep/", env!("CARGO_PKG_VERSION")))
        .body(Full::new(Bytes::copy_from_slice(body.as_bytes())))
        .map_err(|error| later(format!("the request cannot be made: {error}")))?;
    let response = client.request(request).await.map_err(|error| later(causes(&error)))?;
    judge(&response)
}

/// What an answer says (RFC 9110, 15; 429 is of RFC 6585).
fn judge<B>(response: &Response<B>) -> Result<(), Undelivered> {
    let status = response.status();
    let why = format!("it answers {status}");
    if status.is_success() {
        return Ok(());
    }
    if status.is_redirection() {
        let to = response.headers().get(LOCATION).and_then(|to| to.to_str().ok());
        let to = to.map_or_else(String::new, |to| format!(": it wants `{}`", origin(to)));
        return Err(later(format!("{why}{to}; no redirection is followed, change `url`")));
    }
    let unwanted = [
        StatusCode::BAD_REQUEST,
        StatusCode::PAYLOAD_TOO_LARGE,
        StatusCode::UNSUPPORTED_MEDIA_TYPE,
        StatusCode::UNPROCESSABLE_ENTITY,
    ];
    if unwanted.contains(&status) {
        return Err(Undelivered::Never { why });
    }
    let asked = response.headers().get(RETRY_AFTER).and_then(|text| text.to_str().ok());
    let wait = asked.and_then(|text| text.trim().parse().ok()).map(Duration::from_secs);
    Err(Undelivered::Later { why, wait: wait.map(|wait| wait.min(WAIT_MAX)) })
}

/// An error with its causes: the outermost alone says little.
fn causes(error: &dyn std::error::Error) -> String {
    let mut texts = vec![error.to_string()];
    let mut cause = error.source();
    while let Some(inner) = cause {
        let text = inner.to_string();
        if texts.last().is_none_or(|last| !last.contains(&text)) {
            texts.push(text);
        }
        cause = inner.source();
    }
    texts.join(": ")
}

/// Runs a program, never by a shell, with the message on its standard input.
async fn run(
    program: &Path,
    arguments: &[String],
    folder: &Path,
    body: &str,
) -> Result<(), Undelivered> {
    let mut child = Command::new(program)
        .args(arguments)
        .current_dir(folder)
        // The service manager's business with us is none of its.
        .env_remove("NOTIFY_SOCKET")
        .env_remove("WATCHDOG_USEC")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| later(format!("it cannot be run: {error}")))?;
    let complaint = tokio::spawn(complaint(&mut child));
    if let Some(mut input) = child.stdin.take() {
        // A program that does not want to read all is judged by how it ends.
        let _ = input.write_all(format!("{body}\n").as_bytes()).await;
    }
    let ended = child.wait().await.map_err(|error| later(format!("it cannot be run: {error}")))?;
    // A child of its own may hold its standard error open.
    let complaint = timeout(Duration::from_millis(200), complaint).await;
    judge_end(ended, &complaint.ok().and_then(Result::ok).unwrap_or_default())
}

/// The beginning of what the program says on its standard error; the rest is read and let go.
fn complaint(child: &mut Child) -> impl Future<Output = String> + use<> {
    let errors = child.stderr.take();
    async move {
        let (Some(mut errors), mut head) = (errors, Vec::new()) else { return String::new() };
        let _ = (&mut errors).take(COMPLAINT_BYTES).read_to_end(&mut head).await;
        let text = String::from_utf8_lossy(&head).split_whitespace().collect::<Vec<_>>().join(" ");
        tokio::spawn(async move { tokio::io::copy(&mut errors, &mut tokio::io::sink()).await });
        text
    }
}

fn judge_end(ended: ExitStatus, complaint: &str) -> Result<(), Undelivered> {
    if ended.success() {
        return Ok(());
    }
    let said = if complaint.is_empty() { String::new() } else { format!(": {complaint}") };
    let why = format!("it ended with {ended}{said}");
    match ended.code() {
        Some(DATA_ERROR) => Err(Undelivered::Never { why }),
        _ => Err(later(why)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(status: u16, headers: &[(&str, &str)]) -> Result<(), Undelivered> {
        let mut response = Response::builder().status(status);
        for (name, value) in headers {
            response = response.header(*name, *value);
        }
        judge(&response.body(()).unwrap())
    }

    #[test]
    fn answers_say_whether_another_try_has_a_sense() {
        for good in [200, 201, 202, 204] {
            assert_eq!(answer(good, &[]), Ok(()));
        }
        for unwanted in [400, 413, 415, 422] {
            assert!(matches!(answer(unwanted, &[]), Err(Undelivered::Never { .. })), "{unwanted}");
        }
        for fault in [301, 401, 403, 404, 408, 429, 500, 502, 503] {
            assert!(matches!(answer(fault, &[]), Err(Undelivered::Later { .. })), "{fault}");
        }
        let waits = |text| match answer(503, &[("retry-after", text)]) {
            Err(Undelivered::Later { wait, .. }) => wait,
            other => panic!("{other:?}"),
        };
        assert_eq!(waits("120"), Some(Duration::from_secs(120)));
        assert_eq!(waits("999999"), Some(WAIT_MAX));
        assert_eq!(waits("Wed, 21 Oct 2026 07:28:00 GMT"), None);
        let Err(Undelivered::Later { why, .. }) = answer(301, &[("location", "https://a.lan/b?c")])
        else {
            panic!("a redirection is no delivery")
        };
        assert!(why.contains("it wants `https://a.lan`"), "{why}");
    }

    #[test]
    fn a_receiver_s_name_holds_no_secret() {
        let way = TellWay::Url("https://bell.lan:8443/hook/s3cret?key=s3cret".to_owned());
        assert_eq!(Way::new(&way, Path::new("")).name, "https://bell.lan:8443");
        let way = TellWay::Run(vec!["./ring".to_owned(), "--key=s3cret".to_owned()]);
        assert_eq!(Way::new(&way, Path::new("")).name, "./ring");
    }

    fn program(words: &[&str]) -> Way {
        let words = words.iter().map(|word| (*word).to_owned()).collect();
        Way::new(&TellWay::Run(words), Path::new("/"))
    }

    #[tokio::test]
    async fn a_program_gets_the_message_and_no_shell_reads_its_arguments() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("told; exit 7").display().to_string();
        program(&["dd", "status=none", &format!("of={file}")]).deliver("{}").await.unwrap();
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "{}\n");
    }

    #[tokio::test]
    async fn a_program_that_fails_hangs_or_is_not_there_is_told_apart() {
        let said = program(&["sh", "-c", "echo no line >&2; exit 3"]).deliver("{}").await;
        assert_eq!(said, Err(later("it ended with exit status: 3: no line".to_owned())));
        let unwanted = program(&["sh", "-c", "exit 65"]).deliver("{}").await;
        assert!(matches!(unwanted, Err(Undelivered::Never { .. })), "{unwanted:?}");
        let Err(Undelivered::Later { why, .. }) = program(&["/nowhere/ring"]).deliver("{}").await
        else {
            panic!("it is not there")
        };
        assert!(why.starts_with("it cannot be run: No such file"), "{why}");
        let hanging = program(&["sleep", "3600"]).patient(Duration::from_millis(100));
        let Err(Undelivered::Later { why, .. }) = hanging.deliver("{}").await else {
            panic!("it hangs")
        };
        assert_eq!(why, "it did not answer within 0.1 s");
        // One that complains at length and reads nothing is let end.
        let loud = "head -c 300000 /dev/zero | tr '\\0' x >&2; exit 1";
        let Err(Undelivered::Later { why, .. }) = program(&["sh", "-c", loud]).deliver("{}").await
        else {
            panic!("it fails")
        };
        assert!(why.len() < 500 && why.ends_with("xxx"), "{why}");
    }
}
