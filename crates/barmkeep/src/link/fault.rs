//! Why a connection failed or ended, in words, and what that says of the broker.

use super::access::{Login, Password};
use super::error::LinkError;
use super::session::spaced;
use rumqttc::{self as v3, v5};

/// Why a connection failed or ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault {
    /// In a sentence without the broker's place, which the reader of it adds.
    pub reason: String,
    /// The next step; empty where there is none.
    pub hint: String,
    /// What it says of the version of MQTT that was tried.
    pub version: Suspicion,
    /// Whether the broker refuses who we say we are.
    is_login: bool,
}

/// Whether the broker may not speak the version of MQTT that was tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Suspicion {
    /// It said so.
    Certain,
    /// It has nothing to do with it.
    None,
    /// It hung up, or answered in a way that is not of this version: older brokers do.
    Possible,
}

impl Fault {
    fn new(reason: impl Into<String>, hint: &str, version: Suspicion) -> Self {
        Fault { reason: reason.into(), hint: hint.to_owned(), version, is_login: false }
    }

    /// Names who we are and the file of our password, where the broker refuses just that.
    pub fn named(mut self, login: Option<&Login>) -> Self {
        if self.is_login
            && let Some(Login { username, password }) = login
        {
            self.reason = self.reason.replacen("us:", &format!("user `{username}`:"), 1);
            if let Password::File(file) = password {
                self.hint = format!("{}; the password is in {}", self.hint, file.display());
            }
        }
        self
    }

    /// One of our own files cannot be used.
    pub fn file(error: &LinkError) -> Self {
        Fault::new(error.to_string(), &error.hint(), Suspicion::None)
    }

    /// The broker does not offer what the link needs.
    pub fn needs(what: &str) -> Self {
        Fault::new(
            format!("the broker does not offer {what}, which the link needs"),
            "change the broker's settings, or use another one",
            Suspicion::None,
        )
    }

    /// Nothing was heard for too long.
    pub fn silent(secs: u64) -> Self {
        Fault::new(
            format!("the broker has been silent for {secs} s"),
            "check the network between here and the broker",
            Suspicion::None,
        )
    }

    /// The subscriptions were not acknowledged.
    pub fn deaf(secs: u64) -> Self {
        Fault::new(
            format!("the broker has not acknowledged the subscriptions within {secs} s"),
            "see the broker's log",
            Suspicion::None,
        )
    }

    /// From an error of the client for MQTT 5.
    pub fn of_5(error: &v5::ConnectionError) -> Self {
        use v5::mqttbytes::v5::{ConnectReturnCode as Code, DisconnectReasonCode};
        match error {
            v5::ConnectionError::ConnectionRefused(code) => match code {
                Code::UnsupportedProtocolVersion | Code::RefusedProtocolVersion => {
                    Fault::new("the broker does not speak MQTT 5", "", Suspicion::Certain)
                }
                Code::BadUserNamePassword => bad_login(),
                Code::NotAuthorized => not_authorized(),
                other => refused(&spaced(&format!("{other:?}"))),
            },
            v5::ConnectionError::MqttState(v5::StateError::ServerDisconnect {
                reason_code,
                reason_string,
            }) => {
                if *reason_code == DisconnectReasonCode::SessionTakenOver {
                    return taken_over();
                }
                let said = spaced(&format!("{reason_code:?}"));
                let more = reason_string.as_ref().map_or_else(String::new, |s| format!(" ({s})"));
                Fault::new(format!("the broker hung up: {said}{more}"), "", Suspicion::None)
            }
            v5::ConnectionError::MqttState(v5::StateError::AwaitPingResp) => no_answer(),
            v5::ConnectionError::MqttState(v5::StateError::ConnectionAborted) => hung_up(),
            v5::ConnectionError::MqttState(v5::StateError::Deserialization(inner)) => match inner {
                v5::mqttbytes::Error::Io(error) => io(error),
                other => garbled(&other.to_string()),
            },
            v5::ConnectionError::Timeout(_) => timed_out(),
            v5::ConnectionError::Io(error) => io(error),
            v5::ConnectionError::Tls(error) => tls(error),
            other => Fault::new(other.to_string(), "", Suspicion::Possible),
        }
    }

    /// From an error of the client for MQTT 3.1.1.
    pub fn of_3(error: &v3::ConnectionError) -> Self {
        use v3::ConnectReturnCode as Code;
        match error {
            v3::ConnectionError::ConnectionRefused(code) => match code {
                Code::RefusedProtocolVersion => {
                    Fault::new("the broker does not speak MQTT 3.1.1", "", Suspicion::Certain)
                }
                Code::BadUserNamePassword => bad_login(),
                Code::NotAuthorized => not_authorized(),
                other => refused(&spaced(&format!("{other:?}"))),
            },
            v3::ConnectionError::MqttState(v3::StateError::AwaitPingResp) => no_answer(),
            v3::ConnectionError::MqttState(v3::StateError::ConnectionAborted) => hung_up(),
            v3::ConnectionError::MqttState(v3::StateError::Deserialization(inner)) => match inner {
                v3::Error::Io(error) => io(error),
                other => garbled(&other.to_string()),
            },
            v3::ConnectionError::NetworkTimeout | v3::ConnectionError::FlushTimeout => timed_out(),
            v3::ConnectionError::Io(error) => io(error),
            v3::ConnectionError::Tls(error) => tls(error),
            other => Fault::new(other.to_string(), "", Suspicion::Possible),
        }
    }
}

fn bad_login() -> Fault {
    let fault = Fault::new(
        "the broker refuses us: wrong user name or password",
        "check `username` and `password_file` under [link]",
        Suspicion::None,
    );
    Fault { is_login: true, ..fault }
}

fn not_authorized() -> Fault {
    let fault = Fault::new(
        "the broker refuses us: not authorized",
        "check `username` and `password_file` under [link], and the rights that the broker gives \
         this user",
        Suspicion::None,
    );
    Fault { is_login: true, ..fault }
}

fn refused(said: &str) -> Fault {
    Fault::new(format!("the broker refuses us: {said}"), "see the broker's log", Suspicion::None)
}

fn taken_over() -> Fault {
    Fault::new(
        "another client took our place under the same client id",
        "two daemons with the same `topics` under [link] cannot share a broker",
        Suspicion::None,
    )
}

fn no_answer() -> Fault {
    Fault::new(
        "the broker no longer answers",
        "check the network between here and the broker",
        Suspicion::None,
    )
}

/// The library does not see a farewell that is only a reason, as brokers send it to a client whose
/// id another one uses: so the hint names that, too.
const HUNG_UP_HINT: &str = "see the broker's log; is `mqtt://` or `mqtts://` right? two daemons \
                            with the same `topics` under [link] would push each other out";

fn hung_up() -> Fault {
    Fault::new("the broker hung up", HUNG_UP_HINT, Suspicion::Possible)
}

fn garbled(error: &str) -> Fault {
    Fault::new(
        format!("the broker's answer cannot be read: {error}"),
        "is it an MQTT broker, and is `mqtt://` or `mqtts://` right?",
        Suspicion::Possible,
    )
}

fn timed_out() -> Fault {
    Fault::new(
        "no answer in time",
        "check host and port in `broker` under [link], and the network",
        Suspicion::Possible,
    )
}

fn tls(error: &rumqttc::TlsError) -> Fault {
    match error {
        rumqttc::TlsError::Io(error) => io(error),
        other => Fault::new(format!("TLS failed: {other}"), TLS_HINT, Suspicion::None),
    }
}

const TLS_HINT: &str = "check `ca_file`, and that the host in `broker` is a name in the broker's \
                        certificate";

/// What is wrong with a certificate, the broker's or ours.
fn certificate(error: &rustls::Error) -> Fault {
    use rustls::AlertDescription as Alert;
    use rustls::CertificateError as Wrong;
    let (reason, hint) = match error {
        rustls::Error::InvalidCertificate(wrong) => match wrong {
            Wrong::ExpiredContext { time, not_after } => (
                format!(
                    "the broker's certificate was valid until {}; it is {} here",
                    stamp(*not_after),
                    stamp(*time)
                ),
                "renew the broker's certificate, or set this machine's clock",
            ),
            Wrong::NotValidYetContext { time, not_before } => (
                format!(
                    "the broker's certificate is not valid yet, but from {}; it is {} here",
                    stamp(*not_before),
                    stamp(*time)
                ),
                "set the clock of this machine, or of the one where the certificate was made",
            ),
            // Two authorities of one name differ by what they sign.
            Wrong::UnknownIssuer | Wrong::BadSignature => (
                "the broker's certificate is signed by an authority that is not known here"
                    .to_owned(),
                "`ca_file` under [link] must hold the authority that signed it",
            ),
            Wrong::NotValidForNameContext { expected, .. } => (
                format!("the broker's certificate is not for the name `{}`", expected.to_str()),
                "the host in `broker` under [link] must be a name in the broker's certificate",
            ),
            other => (format!("TLS failed: {other}"), TLS_HINT),
        },
        rustls::Error::AlertReceived(Alert::CertificateRequired) => (
            "the broker wants a certificate of ours".to_owned(),
            "set `client_certificate` and `client_key` under [link]",
        ),
        rustls::Error::AlertReceived(
            alert @ (Alert::BadCertificate
            | Alert::CertificateExpired
            | Alert::CertificateRevoked
            | Alert::CertificateUnknown
            | Alert::UnknownCA
            | Alert::UnsupportedCertificate),
        ) => (
            format!("the broker does not take our certificate: {}", spaced(&format!("{alert:?}"))),
            "the broker must know the authority that signed `client_certificate`, and its time \
             must not be over",
        ),
        other => (format!("TLS failed: {other}"), TLS_HINT),
    };
    Fault::new(reason, hint, Suspicion::None)
}

fn stamp(time: rustls::pki_types::UnixTime) -> String {
    let millis = time.as_secs().saturating_mul(1000);
    quantity::Stamp::from_millis(i64::try_from(millis).unwrap_or(i64::MAX)).rfc3339()
}

fn io(error: &std::io::Error) -> Fault {
    use std::io::ErrorKind;
    if let Some(error) = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
        return certificate(error);
    }
    let (hint, version) = match error.kind() {
        ErrorKind::ConnectionRefused => ("is the broker running?", Suspicion::None),
        ErrorKind::ConnectionReset | ErrorKind::UnexpectedEof | ErrorKind::BrokenPipe => {
            (HUNG_UP_HINT, Suspicion::Possible)
        }
        _ => ("check host and port in `broker` under [link], and the network", Suspicion::None),
    };
    Fault::new(error.to_string(), hint, version)
}
