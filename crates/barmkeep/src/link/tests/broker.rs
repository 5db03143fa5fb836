//! The broker inside, with mosquitto's clients of both versions and with the daemon's own link.

use super::super::broker::{Broker, PACKET_BYTES_MAX};
use super::super::plan::Plan;
use super::super::users::hash_password;
use super::super::{Class, FromLink, Link, LinkError, Post, Version};
use super::house::*;
use quantity::Span;
use schedule::config;
use std::path::Path;
use std::time::Duration;
use tempfile::TempDir;

const RESERVED: &str = "barmkeep-daemon-barmkeep";

async fn open_broker() -> Broker {
    begin("127.0.0.1:0", None).await.unwrap()
}

async fn begin(listen: &str, users_file: Option<&Path>) -> Result<Broker, LinkError> {
    Broker::start(Plan { listen, users_file, reserved: RESERVED, ..Plan::default() }).await
}

/// A file with a float that may publish its own topic and a phone that may command and hear.
fn users(this_machine: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let (float, phone) = (hash_password("float's").unwrap(), hash_password("phone's").unwrap());
    let text = format!(
        "format = 1\nthis_machine = \"{this_machine}\"\n\
         [user.float]\npassword = \"{float}\"\npublish = [\"cellar/float/1\"]\n\
         [user.phone]\npassword = \"{phone}\"\npublish = [\"barmkeep/+/command\"]\n\
         subscribe = [\"barmkeep/#\"]\n"
    );
    std::fs::write(folder.path().join("users.toml"), text).unwrap();
    folder
}

fn embedded(listen: &str, users_file: Option<&str>) -> config::Link {
    let users_file = users_file.map(str::to_owned);
    config::Link {
        broker: config::Broker::Embedded {
            listen: listen.to_owned(),
            tls: None,
            users_file,
            username: None,
            password_file: None,
        },
        topics: "barmkeep".to_owned(),
        describe_at: None,
    }
}

#[tokio::test]
async fn clients_of_both_versions_meet() {
    let broker = open_broker().await;
    let port = broker.address().port();
    let mut old = Ear::open(port, "311", "a/+", "%t %p", &[]).await;
    let mut new = Ear::open(port, "5", "a/#", "%t %p", &[]).await;
    for version in ["311", "5"] {
        say(port, &["-V", version, "-t", "a/b", "-m", version]).await;
        assert_eq!(old.line().await, format!("a/b {version}"));
        assert_eq!(new.line().await, format!("a/b {version}"));
    }
    say(port, &["-V", "311", "-t", "kept/1", "-m", "x", "-r"]).await;
    let mut late = Ear::open(port, "5", "kept/#", "%r %t", &[]).await;
    assert_eq!(late.line().await, "1 kept/1");
    say(port, &["-t", "kept/2", "-m", "y"]).await;
    assert_eq!(late.line().await, "0 kept/2");
    broker.stop().await;
}

/// A port that nobody gets who asks for any: Linux gives those below 61000.
fn port_of_ones_own() -> u16 {
    (61_000..=u16::MAX)
        .find(|port| std::net::TcpListener::bind(("127.0.0.1", *port)).is_ok())
        .expect("a free port")
}

#[tokio::test]
async fn the_daemon_s_link_uses_it_and_takes_it_along() {
    let config = embedded(&format!("127.0.0.1:{}", port_of_ones_own()), None);
    let switches = vec![relay("barmkeep/north/heater/switch", Span::ZERO)];
    let (link, mut news) = start(&config, Path::new("."), &["cellar/probe/1"], switches).await;
    assert_eq!(up(&mut news).await, Version::Five);
    switch_up(&mut news).await;
    let port = link.broker_address().unwrap().port();
    let mut ear = Ear::open(port, "311", "barmkeep/#", "%t %p", &[]).await;
    say(port, &["-t", "cellar/probe/1", "-m", "18"]).await;
    let payload = next(&mut news, |item| match item {
        FromLink::Message(message) => Some(message.payload),
        _ => None,
    })
    .await;
    assert_eq!(payload, b"18");
    link.publish(message("barmkeep/north/heater/switch", "ON", false, Class::Replace)).unwrap();
    ear.until_all(&["barmkeep/status online", "barmkeep/north/heater/switch ON"]).await;
    in_time(link.stop()).await;
    assert_eq!(ear.line().await, "barmkeep/north/heater/switch OFF");
    assert_eq!(ear.line().await, "barmkeep/status offline");
    assert!(std::net::TcpStream::connect(("127.0.0.1", port)).is_err());
}

/// Another client id than the daemon's, which the broker keeps for its own.
fn outside_as_guest(port: u16) -> config::Link {
    config::Link { topics: "guest".to_owned(), ..outside(port) }
}

#[tokio::test]
async fn a_port_that_is_taken_and_an_open_door_are_refused_in_plain_words() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let listen = taken.local_addr().unwrap().to_string();
    let error = begin(&listen, None).await.err().unwrap();
    assert!(error.to_string().contains(&format!("cannot listen on {listen}")), "{error}");
    assert!(error.hint().contains("another program has port"), "{}", error.hint());

    let error = begin("0.0.0.0:0", None).await.err().unwrap();
    assert!(error.to_string().contains("only with a `users_file`"), "{error}");
    let error = begin("[::]:0", None).await.err().unwrap();
    assert!(error.to_string().contains("only with a `users_file`"), "{error}");
    let error = begin("192.0.2.1:1", Some(Path::new("/nonexistent"))).await;
    assert!(error.err().unwrap().to_string().contains("`users_file`: cannot read"));

    let folder = users("anonymous");
    let file = folder.path().join("users.toml");
    // An address for documentation (RFC 5737), which no machine has.
    let error = begin("192.0.2.1:1", Some(&file)).await.err().unwrap();
    assert!(error.hint().contains("must be an address of this machine"), "{error}");
    let error = begin("cellar", None).await.err().unwrap();
    assert!(error.to_string().contains("is not an address with a port"), "{error}");
}

#[tokio::test]
async fn it_stops_while_clients_are_there_and_its_port_is_free_again() {
    let broker = open_broker().await;
    let listen = broker.address().to_string();
    let port = broker.address().port();
    let (link, mut news) = start(&outside_as_guest(port), Path::new("."), &["in"], vec![]).await;
    up(&mut news).await;
    in_time(broker.stop()).await;
    down(&mut news).await;
    let again = begin(&listen, None).await.unwrap();
    up(&mut news).await;
    link.stop().await;
    again.stop().await;
}

#[tokio::test]
async fn users_may_what_their_file_says() {
    let folder = users("password");
    let config = embedded("127.0.0.1:0", Some("users.toml"));
    let topics = ["cellar/float/1", "cellar/float/2", "barmkeep/north/command"];
    let switches = vec![relay("barmkeep/north/heater/switch", Span::ZERO)];
    let (link, mut news) = start(&config, folder.path(), &topics, switches).await;
    up(&mut news).await;
    switch_up(&mut news).await;
    let port = link.broker_address().unwrap().port();
    let float = ["-u", "float", "-P", "float's"];
    let phone = ["-u", "phone", "-P", "phone's"];
    for version in ["311", "5"] {
        let as_float = |topic| [&float[..], &["-V", version, "-t", topic, "-m", topic]].concat();
        say(port, &as_float("cellar/float/2")).await;
        say(port, &as_float("barmkeep/north/command")).await;
        say(port, &as_float("cellar/float/1")).await;
        let heard = next(&mut news, |item| match item {
            FromLink::Message(message) => Some(message.topic),
            _ => None,
        })
        .await;
        assert_eq!(heard, "cellar/float/1", "the other two were dropped");
        for (name, password) in [("float", "phone's"), ("nobody", "x"), ("float", "")] {
            let arguments = ["-V", version, "-u", name, "-P", password, "-t", "x", "-m", "x"];
            let said = say(port, &arguments).await;
            assert!(said.contains("Connection error"), "{name}: {said}");
        }
        let said = say(port, &["-V", version, "-t", "cellar/float/1", "-m", "x"]).await;
        assert!(said.contains("Connection error"), "no name, no entry: {said}");
    }
    let mut ear = tokio::process::Command::new("mosquitto_sub");
    ear.args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "cellar/#", "-W", "2"]).args(phone);
    let output = ear.output().await.unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("denied") || said.contains("rejected"), "{said}");
    link.stop().await;
}

#[tokio::test]
async fn a_subscription_that_is_not_granted_is_told() {
    let folder = users("password");
    std::fs::write(folder.path().join("password"), "phone's\n").unwrap();
    let file = folder.path().join("users.toml");
    let broker = begin("127.0.0.1:0", Some(&file)).await.unwrap();
    let front = Front::start(broker.address().port(), Age::Refuses).await;
    for port in [broker.address().port(), front.port] {
        let config = with(port, |fields| {
            fields.username = Some("phone");
            fields.password_file = Some("password");
        });
        let config = config::Link { topics: "guest".to_owned(), ..config };
        let topics = ["barmkeep/north/state", "cellar/float/1"];
        let (link, mut news) = start(&config, folder.path(), &topics, vec![]).await;
        let refused = next(&mut news, |item| match item {
            FromLink::Up { refused, .. } => Some(refused),
            _ => None,
        })
        .await;
        assert_eq!(refused, ["cellar/float/1"]);
        link.stop().await;
    }
    broker.stop().await;
}

#[tokio::test]
async fn a_will_needs_the_same_right_as_a_message() {
    let folder = users("password");
    let file = folder.path().join("users.toml");
    let broker = begin("127.0.0.1:0", Some(&file)).await.unwrap();
    let port = broker.address().port();
    let more = ["-u", "phone", "-P", "phone's"];
    let mut ear = tokio::process::Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "barmkeep/#", "-F", "%t"])
        .args(more)
        .stdout(std::process::Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .unwrap();
    tokio::time::sleep(Duration::from_millis(500)).await;
    for topic in ["barmkeep/north/heater/switch", "barmkeep/north/command"] {
        let mut dying = tokio::process::Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-t", "barmkeep/x"])
            .args(["--will-topic", topic, "--will-payload", "ON"])
            .args(more)
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        tokio::time::sleep(Duration::from_millis(500)).await;
        dying.kill().await.unwrap();
    }
    use tokio::io::AsyncBufReadExt;
    let mut lines = tokio::io::BufReader::new(ear.stdout.take().unwrap()).lines();
    let first = tokio::time::timeout(PATIENCE, lines.next_line()).await.unwrap().unwrap();
    assert_eq!(first.as_deref(), Some("barmkeep/north/command"));
    broker.stop().await;
}

#[tokio::test]
async fn programs_on_this_machine_may_be_let_in_without_a_name() {
    let folder = users("anonymous");
    let config = embedded("0.0.0.0:0", Some("users.toml"));
    let (link, mut news) = start(&config, folder.path(), &["barmkeep/north/command"], vec![]).await;
    up(&mut news).await;
    let address = link.broker_address().unwrap();
    assert!(address.ip().is_unspecified());
    let visited = embedded(&format!("0.0.0.0:{}", address.port()), Some("users.toml"));
    let (visitor, mut heard) =
        Link::visit(&visited, folder.path(), "1", vec!["barmkeep/status".to_owned()]).unwrap();
    up(&mut heard).await;
    visitor.publish(message("barmkeep/north/command", "{}", false, Class::Keep)).unwrap();
    next(&mut news, |item| matches!(item, FromLink::Message(_)).then_some(())).await;
    visitor.stop().await;
    link.stop().await;
}

#[tokio::test]
async fn nobody_takes_the_daemon_s_place() {
    let config = embedded("127.0.0.1:0", None);
    let (link, mut news) = start(&config, Path::new("."), &["in"], vec![]).await;
    up(&mut news).await;
    let port = link.broker_address().unwrap().port();
    for id in ["barmkeep-daemon-barmkeep", "barmkeep-daemon-barmkeep-0123456789abcdef"] {
        let said = say(port, &["-i", id, "-t", "in", "-m", "stolen"]).await;
        assert!(said.contains("Connection error"), "{id}: {said}");
    }
    say(port, &["-i", "barmkeep-daemon-barmkeeper", "-t", "in", "-m", "honest"]).await;
    let payload = next(&mut news, |item| match item {
        FromLink::Message(message) => Some(message.payload),
        FromLink::Down { reason, .. } => panic!("{reason}"),
        _ => None,
    })
    .await;
    assert_eq!(payload, b"honest");
    link.stop().await;
}

#[tokio::test]
async fn a_packet_above_the_limit_is_refused_and_the_broker_lives() {
    let broker = open_broker().await;
    let port = broker.address().port();
    let folder = tempfile::tempdir().unwrap();
    let mut ear = Ear::open(port, "311", "in", "%l", &[]).await;
    for (size, passes) in [(PACKET_BYTES_MAX - 100, true), (PACKET_BYTES_MAX + 100, false)] {
        let file = folder.path().join("payload");
        std::fs::write(&file, vec![b'x'; size]).unwrap();
        say(port, &["-V", "311", "-t", "in", "-f", file.to_str().unwrap()]).await;
        let heard = ear.line_within(Duration::from_secs(2)).await;
        assert_eq!(heard, passes.then(|| size.to_string()));
    }
    say(port, &["-t", "in", "-m", "x"]).await;
    assert_eq!(ear.line().await, "1");
    broker.stop().await;
}
