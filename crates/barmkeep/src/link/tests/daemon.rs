//! The daemon's link against a real mosquitto.

use super::super::client::Pace;
use super::super::queue::PAYLOAD_OUT_BYTES_MAX;
use super::super::{Class, FromLink, Link, Message, Outgoing, Post, PublishError, Version};
use super::house::*;
use quantity::Span;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::time::Duration;

const NOWHERE: &str = "/nonexistent";

fn nowhere() -> &'static Path {
    Path::new(NOWHERE)
}

async fn received(news: &mut News) -> Message {
    next(news, |item| match item {
        FromLink::Message(message) => Some(message),
        _ => None,
    })
    .await
}

#[tokio::test]
async fn a_reading_comes_in_and_state_goes_out() {
    let broker = Mosquitto::start().await;
    say(broker.port, &["-t", "cellar/probe/2", "-m", "19.5", "-r"]).await;
    let mut old = Ear::open(broker.port, "311", "barmkeep/#", "%r %t %p", &[]).await;
    let topics = ["cellar/probe/1", "cellar/probe/2"];
    let (link, mut news) = start(&outside(broker.port), nowhere(), &topics, vec![]).await;
    assert_eq!(up(&mut news).await, Version::Five);
    let kept = received(&mut news).await;
    assert_eq!((kept.topic.as_str(), kept.retained), ("cellar/probe/2", true));
    say(broker.port, &["-t", "cellar/probe/1", "-m", "18.25", "-V", "5"]).await;
    let fresh = received(&mut news).await;
    assert_eq!((fresh.payload.as_slice(), fresh.retained), (&b"18.25"[..], false));
    link.publish(message("barmkeep/north/state", "{}", true, Class::Replace)).unwrap();
    assert_eq!(old.line().await, "0 barmkeep/status online");
    assert_eq!(old.line().await, "0 barmkeep/north/state {}");
    let mut late = Ear::open(broker.port, "5", "barmkeep/#", "%r %t %p", &[]).await;
    let mut kept = [late.line().await, late.line().await];
    kept.sort();
    assert_eq!(kept, ["1 barmkeep/north/state {}", "1 barmkeep/status online"]);
    link.stop().await;
    assert_eq!(old.line().await, "0 barmkeep/status offline");
}

#[tokio::test]
async fn an_older_broker_is_spoken_to_in_its_own_version() {
    let broker = Mosquitto::start().await;
    for age in [Age::Refuses, Age::HangsUp] {
        let front = Front::start(broker.port, age).await;
        let mut ear = Ear::open(broker.port, "311", "barmkeep/#", "%t %p", &[]).await;
        let switches = vec![relay("barmkeep/north/heater/switch", Span::ZERO)];
        let (link, mut news) = start(&outside(front.port), nowhere(), &["in"], switches).await;
        let first = next(&mut news, Some).await;
        assert!(
            matches!(first, FromLink::Up { version: Version::ThreeOneOne, .. }),
            "{first:?}: an older version is no fault to tell"
        );
        assert_eq!(switch_up(&mut news).await, "barmkeep/north/heater/switch");
        ear.until("barmkeep/status online").await;
        say(broker.port, &["-t", "in", "-m", "5"]).await;
        assert_eq!(received(&mut news).await.payload, b"5");
        let mut order = message("barmkeep/north/heater/switch", "ON", false, Class::Replace);
        order.expiry = Some(Span::from_secs(180));
        link.publish(order).unwrap();
        ear.until("barmkeep/north/heater/switch ON").await;
        link.stop().await;
        assert_eq!(ear.line().await, "barmkeep/north/heater/switch OFF");
        assert_eq!(ear.line().await, "barmkeep/status offline");
    }
}

#[tokio::test]
async fn a_restarted_broker_is_subscribed_to_again_and_gets_what_waited() {
    let broker = Mosquitto::start().await;
    let config = outside(broker.port);
    let (link, mut news) =
        start(&config, nowhere(), &["in"], vec![relay("relay", Span::ZERO)]).await;
    up(&mut news).await;
    switch_up(&mut news).await;
    let port = broker.kill();
    let (reason, hint) = down(&mut news).await;
    assert!(reason.starts_with(&format!("127.0.0.1:{port}: ")), "{reason} ({hint})");
    for number in 0..3 {
        let text = number.to_string();
        link.publish(message("barmkeep/north/event", &text, false, Class::Keep)).unwrap();
        link.publish(message("barmkeep/north/state", &text, true, Class::Replace)).unwrap();
    }
    assert_eq!(link.waiting(), 4);
    let broker = Mosquitto::start_with(port, "allow_anonymous true\n").await;
    up(&mut news).await;
    switch_up(&mut news).await;
    say(port, &["-t", "in", "-m", "again"]).await;
    assert_eq!(received(&mut news).await.payload, b"again");
    let mut ear = Ear::open(port, "311", "barmkeep/north/#", "%r %t %p", &[]).await;
    assert_eq!(ear.line().await, "1 barmkeep/north/state 2", "only the newest was sent");
    link.publish(message("barmkeep/north/event", "3", false, Class::Keep)).unwrap();
    assert_eq!(ear.line().await, "0 barmkeep/north/event 3");
    assert_eq!(link.waiting(), 0);
    drop(broker);
}

#[tokio::test]
async fn every_event_arrives_at_least_once_while_connections_are_cut() {
    const EVENTS: u64 = 400;
    let broker = Mosquitto::start().await;
    let front = Front::start(broker.port, Age::Today).await;
    let mut ear = Ear::open(broker.port, "311", "barmkeep/north/event", "%p", &[]).await;
    let (link, mut news) = start(&outside(front.port), nowhere(), &["in"], vec![]).await;
    up(&mut news).await;
    let mut marks = BTreeSet::new();
    for number in 0..EVENTS {
        let event = message("barmkeep/north/event", &number.to_string(), false, Class::Keep);
        link.publish_marked(event, number).unwrap();
        if number % 100 == 50 {
            tokio::time::sleep(Duration::from_millis(2)).await;
            front.cut();
        }
    }
    while marks.len() < EVENTS as usize {
        let mark = next(&mut news, |item| match item {
            FromLink::Published { mark } => Some(mark),
            _ => None,
        })
        .await;
        marks.insert(mark);
    }
    let mut heard = Vec::new();
    while heard.last() != Some(&(EVENTS - 1)) {
        heard.push(ear.line().await.parse::<u64>().unwrap());
    }
    let known: BTreeSet<u64> = heard.iter().copied().collect();
    assert_eq!(known, (0..EVENTS).collect());
    // What was on its way may come twice, but never more than a window of it for each cut.
    assert!(heard.len() <= EVENTS as usize + 4 * 16, "{} came", heard.len());
}

#[tokio::test]
async fn a_daemon_that_dies_leaves_its_wills() {
    let broker = Mosquitto::start().await;
    let mut ear = Ear::open(broker.port, "5", "#", "%t %p", &[]).await;
    let switches = vec![relay("cellar/plug/7/set", Span::ZERO)];
    let (link, mut news) = start(&outside(broker.port), nowhere(), &["in"], switches).await;
    up(&mut news).await;
    switch_up(&mut news).await;
    link.publish(message("cellar/plug/7/set", "ON", false, Class::Replace)).unwrap();
    ear.until_all(&["barmkeep/status online", "cellar/plug/7/set ON"]).await;
    drop(link);
    let mut last = [ear.line().await, ear.line().await];
    last.sort();
    assert_eq!(last, ["barmkeep/status offline", "cellar/plug/7/set OFF"]);
}

#[tokio::test]
async fn an_orderly_end_says_off_once_and_leaves_no_will() {
    let broker = Mosquitto::start().await;
    let mut ear = Ear::open(broker.port, "5", "#", "%t %p", &[]).await;
    let switches = vec![relay("cellar/plug/7/set", Span::ZERO)];
    let (link, mut news) = start(&outside(broker.port), nowhere(), &["in"], switches).await;
    up(&mut news).await;
    switch_up(&mut news).await;
    link.publish(message("cellar/plug/7/set", "ON", false, Class::Replace)).unwrap();
    ear.until_all(&["barmkeep/status online", "cellar/plug/7/set ON"]).await;
    link.publish(message("barmkeep/north/event", "last", false, Class::Keep)).unwrap();
    in_time(link.stop()).await;
    let mut heard = Vec::new();
    while let Some(line) = ear.line_within(Duration::from_millis(500)).await {
        heard.push(line);
    }
    assert_eq!(heard.last().unwrap(), "barmkeep/status offline");
    heard.sort();
    assert_eq!(
        heard,
        ["barmkeep/north/event last", "barmkeep/status offline", "cellar/plug/7/set OFF"]
    );
}

#[tokio::test]
async fn the_daemon_need_not_listen_while_it_stops() {
    let broker = Mosquitto::start().await;
    let (link, mut news) = start(&outside(broker.port), nowhere(), &["in"], vec![]).await;
    up(&mut news).await;
    let port = broker.port.to_string();
    let mut flood = tokio::process::Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port, "-t", "in", "-m", "x", "--repeat", "2000"])
        .spawn()
        .unwrap();
    flood.wait().await.unwrap();
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert!(news.len() >= super::super::FROM_LINK_MAX, "the channel is full: {}", news.len());
    in_time(link.stop()).await;
}

#[tokio::test]
async fn large_messages_do_not_end_the_connection() {
    let broker =
        Mosquitto::start_with(free_port(), "allow_anonymous true\nmax_packet_size 100000\n").await;
    let mut ear = Ear::open(broker.port, "5", "barmkeep/#", "%t %l", &[]).await;
    let (link, mut news) = start(&outside(broker.port), nowhere(), &["in"], vec![]).await;
    up(&mut news).await;
    ear.until("barmkeep/status 6").await;
    let huge = "x".repeat(PAYLOAD_OUT_BYTES_MAX + 1);
    let refused = link.publish(message("barmkeep/a", &huge, false, Class::Keep));
    let size_bytes = huge.len();
    assert_eq!(refused, Err(PublishError::TooLarge { topic: "barmkeep/a".to_owned(), size_bytes }));
    // The library's own limit would be 10 KiB; the broker's is 100,000 bytes here.
    link.publish(message("barmkeep/b", &"x".repeat(50_000), false, Class::Keep)).unwrap();
    link.publish(message("barmkeep/c", &"x".repeat(150_000), false, Class::Keep)).unwrap();
    link.publish(message("barmkeep/d", "x", false, Class::Keep)).unwrap();
    assert_eq!(ear.line().await, "barmkeep/b 50000");
    assert_eq!(ear.line().await, "barmkeep/d 1");
    let (topic, reason) = next(&mut news, |item| match item {
        FromLink::Refused { topic, reason } => Some((topic, reason)),
        FromLink::Down { reason, .. } => panic!("{reason}"),
        _ => None,
    })
    .await;
    assert_eq!(topic, "barmkeep/c");
    assert!(reason.contains("the broker takes at most 100000"), "{reason}");
}

#[tokio::test]
async fn large_messages_from_outside_are_told_without_their_content() {
    let broker = Mosquitto::start().await;
    let front = Front::start(broker.port, Age::Refuses).await;
    let file = broker.folder.path().join("large");
    std::fs::write(&file, vec![b'7'; 1_000_000]).unwrap();
    for port in [broker.port, front.port] {
        let (link, mut news) = start(&outside(port), nowhere(), &["in"], vec![]).await;
        up(&mut news).await;
        say(broker.port, &["-t", "in", "-f", file.to_str().unwrap()]).await;
        say(broker.port, &["-t", "in", "-m", &"7".repeat(60_000)]).await;
        let first = next(&mut news, Some).await;
        let topic = "in".to_owned();
        assert_eq!(first, FromLink::Oversize { topic, size_bytes: 1_000_000 });
        assert_eq!(received(&mut news).await.payload.len(), 60_000);
        link.stop().await;
    }
}

#[tokio::test]
async fn an_absent_broker_is_waited_for() {
    let port = free_port();
    let (link, mut news) =
        start(&outside(port), nowhere(), &["in"], vec![relay("r", Span::ZERO)]).await;
    let (reason, hint) = down(&mut news).await;
    assert!(reason.contains("refused") && hint == "is the broker running?", "{reason}; {hint}");
    link.publish(message("barmkeep/north/state", "{}", true, Class::Replace)).unwrap();
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert!(news.try_recv().is_err(), "the same reason is told once");
    let broker = Mosquitto::start_with(port, "allow_anonymous true\n").await;
    up(&mut news).await;
    assert_eq!(switch_up(&mut news).await, "r");
    drop(broker);
}

#[tokio::test]
async fn a_link_that_never_came_up_ends() {
    let (link, mut news) = start(&outside(free_port()), nowhere(), &["in"], vec![]).await;
    down(&mut news).await;
    in_time(link.stop()).await;
}

#[tokio::test]
async fn a_wrong_password_is_told_in_plain_words_and_can_be_put_right() {
    let folder = tempfile::tempdir().unwrap();
    let passwords = folder.path().join("passwords");
    let made = std::process::Command::new("mosquitto_passwd")
        .args(["-b", "-c", passwords.to_str().unwrap(), "cellar", "right"])
        .status()
        .unwrap();
    assert!(made.success());
    let lines = "allow_anonymous false\npassword_file {folder}/passwords\n";
    let broker = Mosquitto::start_in(folder, free_port(), lines).await;
    let front = Front::start(broker.port, Age::Refuses).await;
    for port in [broker.port, front.port] {
        std::fs::write(broker.folder.path().join("password"), "wrong\n").unwrap();
        let config = with(port, |fields| {
            fields.username = Some("cellar");
            fields.password_file = Some("password");
        });
        let (link, mut news) = start(&config, broker.folder.path(), &["in"], vec![]).await;
        let (reason, hint) = down(&mut news).await;
        assert!(reason.contains("the broker refuses user `cellar`: "), "{reason}");
        assert!(hint.contains("`password_file`") && hint.ends_with("/password"), "{hint}");
        std::fs::write(broker.folder.path().join("password"), "right\n").unwrap();
        up(&mut news).await;
        link.stop().await;
    }
}

#[tokio::test]
async fn files_that_cannot_be_used_are_refused_at_the_start() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("empty.pem"), "nothing\n").unwrap();
    let no_password = with(1883, |fields| {
        fields.username = Some("cellar");
        fields.password_file = Some("missing");
    });
    let no_authority = with(8883, |fields| {
        fields.tls = true;
        fields.ca_file = Some("empty.pem");
    });
    for (config, part) in [
        (no_password, "`password_file`: cannot read"),
        (no_authority, "it should hold certificates in PEM form: it has none"),
    ] {
        let error = Link::start(&config, folder.path(), vec![], vec![]).await.err().unwrap();
        assert!(error.to_string().contains(part), "{error}");
    }
    let topics = vec!["cellar/#".to_owned()];
    let error = Link::start(&outside(1883), nowhere(), topics, vec![]).await.err().unwrap();
    assert!(error.to_string().contains("wildcard"), "{error}");
    let twice = vec![relay("relay", Span::ZERO), relay("relay", Span::ZERO)];
    let error = Link::start(&outside(1883), nowhere(), vec![], twice).await.err().unwrap();
    assert!(error.to_string().contains("`relay` drives two outputs"), "{error}");
}

#[tokio::test]
async fn a_half_open_connection_is_given_up_after_one_and_a_half_keep_alives() {
    let broker = Mosquitto::start().await;
    for age in [Age::Today, Age::Refuses] {
        let front = Front::start(broker.port, age).await;
        let (_link, mut news) = start(&outside(front.port), nowhere(), &["in"], vec![]).await;
        up(&mut news).await;
        front.frozen.store(true, Ordering::SeqCst);
        let (reason, _) = down(&mut news).await;
        // One and a half times 5 s, and what a busy machine adds.
        let silent = reason.split("the broker has been silent for ").nth(1);
        let secs = silent.and_then(|rest| rest.strip_suffix(" s")).and_then(|s| s.parse().ok());
        assert!(secs.is_some_and(|secs: u64| secs >= 7), "{reason}");
        front.frozen.store(false, Ordering::SeqCst);
        up(&mut news).await;
    }
}

#[tokio::test]
async fn a_quiet_connection_lives_on() {
    let broker = Mosquitto::start().await;
    let (_link, mut news) = start(&outside(broker.port), nowhere(), &["in"], vec![]).await;
    up(&mut news).await;
    let quiet = tokio::time::timeout(Duration::from_secs(12), news.recv()).await;
    assert!(quiet.is_err(), "{quiet:?}");
}

#[tokio::test]
async fn a_switch_rests_after_a_lost_connection() {
    let broker = Mosquitto::start().await;
    let front = Front::start(broker.port, Age::Today).await;
    let mut ear = Ear::open(broker.port, "5", "relay", "%p", &[]).await;
    let switches = vec![relay("relay", Span::from_secs(2))];
    let (link, mut news) = start(&outside(front.port), nowhere(), &["in"], switches).await;
    switch_up(&mut news).await;
    let order = |word: &str| link.publish(message("relay", word, false, Class::Replace)).unwrap();
    order("ON");
    assert_eq!(ear.line().await, "ON", "the first connection has no rest");
    front.cut();
    assert_eq!(ear.line().await, "OFF", "the will");
    switch_up(&mut news).await;
    order("ON");
    assert_eq!(ear.line_within(Duration::from_millis(1500)).await, None);
    assert_eq!(ear.line().await, "ON");
    front.cut();
    assert_eq!(ear.line().await, "OFF");
    switch_up(&mut news).await;
    order("ON");
    order("OFF");
    assert_eq!(ear.line_within(Duration::from_millis(500)).await.as_deref(), Some("OFF"));
    assert_eq!(ear.line_within(Duration::from_secs(3)).await, None, "the newer order counts");
}

/// After these orders, the last of them `OFF`, a switch hears `ON` only once its rest is over.
async fn on_waits_for_its_rest(said: &[&str]) {
    let broker = Mosquitto::start().await;
    let mut ear = Ear::open(broker.port, "5", "relay", "%p", &[]).await;
    let switches = vec![relay("relay", Span::from_secs(2))];
    let (link, mut news) = start(&outside(broker.port), nowhere(), &["in"], switches).await;
    switch_up(&mut news).await;
    let order = |word: &str| link.publish(message("relay", word, false, Class::Replace)).unwrap();
    for word in said {
        order(word);
        assert_eq!(ear.line().await, *word);
    }
    order("ON");
    assert_eq!(ear.line_within(Duration::from_millis(1500)).await, None);
    assert_eq!(ear.line().await, "ON", "once the rest is over");
}

/// As a daemon that was held up gives it: the rest is over by its own account.
#[tokio::test]
async fn a_switch_rests_by_true_time_after_it_went_off() {
    on_waits_for_its_rest(&["ON", "OFF"]).await;
}

/// A daemon that was killed while the broker was away leaves a switch on; the next one counts its
/// rest from its own beginning, which may be long before the switch hears the first `off`.
#[tokio::test]
async fn a_switch_rests_after_the_first_off_of_a_connection() {
    on_waits_for_its_rest(&["OFF"]).await;
}

#[tokio::test]
async fn an_order_is_not_sent_when_its_time_is_over() {
    let broker = Mosquitto::start().await;
    let port = broker.kill();
    let (link, mut news) = start(&outside(port), nowhere(), &["in"], vec![]).await;
    let expiring = |topic: &str, secs| Outgoing {
        expiry: Some(Span::from_secs(secs)),
        ..message(topic, "x", true, Class::Replace)
    };
    link.publish(expiring("barmkeep/north/heater/setpoint", 1)).unwrap();
    link.publish(expiring("barmkeep/north/chiller/setpoint", 180)).unwrap();
    tokio::time::sleep(Duration::from_millis(1500)).await;
    let broker = Mosquitto::start_with(port, "allow_anonymous true\n").await;
    up(&mut news).await;
    let mut ear = Ear::open(port, "5", "barmkeep/north/#", "%t %E", &[]).await;
    let line = ear.line().await;
    let left = line.strip_prefix("barmkeep/north/chiller/setpoint ").unwrap();
    assert!((100..180).contains(&left.parse().unwrap()), "what is left of its time: {left}");
    assert_eq!(ear.line_within(Duration::from_millis(300)).await, None);
    drop((link, broker));
}

#[tokio::test]
async fn expiry_and_answers_go_as_mqtt_5_has_them() {
    let broker = Mosquitto::start().await;
    let mut ear = Ear::open(broker.port, "5", "barmkeep/north/#", "%t %E", &[]).await;
    let mut answers = Ear::open(broker.port, "5", "person/1/answers", "%p %D", &[]).await;
    let topics = ["barmkeep/north/command", "cellar/probe/1"];
    let switches = vec![relay("cellar/plug/7/set", Span::ZERO)];
    let (link, mut news) = start(&outside(broker.port), nowhere(), &topics, switches).await;
    up(&mut news).await;
    let mut setpoint = message("barmkeep/north/heater/setpoint", "{}", true, Class::Replace);
    setpoint.expiry = Some(Span::from_secs(180));
    link.publish(setpoint).unwrap();
    assert_eq!(ear.line().await, "barmkeep/north/heater/setpoint 180");
    let ask = async |answer_to: &str| {
        let to = ["-D", "publish", "response-topic", answer_to];
        let know = ["-D", "publish", "correlation-data", "a7"];
        let what = ["-V", "5", "-t", "barmkeep/north/command", "-m", "{\"do\":\"hold\"}"];
        say(broker.port, &[&what[..], &to[..], &know[..]].concat()).await;
    };
    ask("person/1/answers").await;
    let response = received(&mut news).await.response.unwrap();
    assert_eq!(response.correlation.as_deref(), Some(&b"a7"[..]));
    link.respond(&response, b"{\"ok\":true}".to_vec()).unwrap();
    assert_eq!(answers.line().await, "{\"ok\":true} a7");
    // Nobody may have the daemon switch a relay, or pose as a device or as itself.
    for topic in ["cellar/plug/7/set", "cellar/probe/1", "barmkeep/north/state", "barmkeep/status"]
    {
        ask(topic).await;
        assert_eq!(received(&mut news).await.response, None, "{topic}");
    }
    ask("barmkeep/north/reply/1").await;
    assert!(received(&mut news).await.response.is_some());
}

#[tokio::test]
async fn a_message_that_is_not_taken_is_told() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("rights"), "topic readwrite barmkeep/#\ntopic read in/1\n")
        .unwrap();
    let lines = "allow_anonymous true\nacl_file {folder}/rights\n";
    let broker = Mosquitto::start_in(folder, free_port(), lines).await;
    let (link, mut news) = start(&outside(broker.port), nowhere(), &["in/1"], vec![]).await;
    up(&mut news).await;
    let wrong = message("elsewhere", "x", false, Class::Keep);
    link.publish(wrong).unwrap();
    let (topic, reason) = next(&mut news, |item| match item {
        FromLink::Refused { topic, reason } => Some((topic, reason)),
        _ => None,
    })
    .await;
    assert_eq!(
        (topic.as_str(), reason.contains("not authorized")),
        ("elsewhere", true),
        "{reason}"
    );
}

#[tokio::test]
async fn a_visitor_leaves_no_trace() {
    let broker = Mosquitto::start().await;
    let mut ear = Ear::open(broker.port, "5", "#", "%t %p", &[]).await;
    let topics = vec!["barmkeep/north/reply".to_owned()];
    let (link, mut news) = Link::visit(&outside(broker.port), nowhere(), "77", topics).unwrap();
    up(&mut news).await;
    link.publish(message("barmkeep/north/command", "{}", false, Class::Keep)).unwrap();
    assert_eq!(ear.line().await, "barmkeep/north/command {}");
    say(broker.port, &["-t", "barmkeep/north/reply", "-m", "done"]).await;
    assert_eq!(received(&mut news).await.payload, b"done");
    link.stop().await;
    assert_eq!(ear.line().await, "barmkeep/north/reply done");
    assert_eq!(ear.line_within(Duration::from_millis(500)).await, None);
}

#[tokio::test]
async fn two_daemons_of_one_name_are_told_what_is_wrong() {
    let broker = Mosquitto::start().await;
    let (_first, mut news) = start(&outside(broker.port), nowhere(), &["in"], vec![]).await;
    up(&mut news).await;
    let (_second, _other) = start(&outside(broker.port), nowhere(), &["in"], vec![]).await;
    let (reason, hint) = down(&mut news).await;
    // The library does not see the broker's reason; so the hint must name it.
    assert!(reason.ends_with("the broker hung up"), "{reason}");
    assert!(hint.contains("two daemons"), "{hint}");
}

#[tokio::test]
async fn a_panic_below_is_told_and_the_link_starts_again() {
    let broker = Mosquitto::start().await;
    // The library panics on a keep-alive below 5 s, which the program never asks for.
    let pace = Pace { keep_alive: Duration::from_secs(1), ..hurry() };
    let config = outside(broker.port);
    let (link, mut news) = Link::start_at(&config, nowhere(), vec![], vec![], pace).await.unwrap();
    for _ in 0..2 {
        let (reason, hint) = down(&mut news).await;
        assert!(reason.contains("the link's own code failed"), "{reason}");
        assert!(hint.contains("report"), "{hint}");
    }
    in_time(link.stop()).await;
}
