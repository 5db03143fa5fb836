//! How fast the daemon takes in what a broker gives it, beside a bare subscriber and an echo on the
//! same broker.

use crate::cellar::Layout;
use crate::folder;
use crate::results::{Goal, ROUNDS, Results, median};
use crate::running::{Running, broker, client};
use rumqttc::{Client, Connection, Event, Packet, Publish, QoS};
use std::path::Path;
use std::time::{Duration, Instant};

const VESSELS: usize = 200;
/// Readings in a flood.
const FLOOD: usize = 60_000;
/// Round trips that are timed in a round.
const TRIPS: usize = 600;
/// A reading follows the setpoint's coming by this, as long as no device is quicker.
const APART: Duration = Duration::from_millis(20);

/// The air around the vessel: where it is too cold for the beer, the chiller's thermostat is told
/// nothing, so that each reading of it gives another order.
const SURROUND: &str = "surround.topic = \"s/{}\"\nsurround.read = { unit = \"C\" }\n\
                        surround.every = \"10 s\"";

/// Measures it.
pub fn measure() {
    let mut results = Results::of("intake");
    let (bare, ours) = (flood_of_bare(), flood_of_ours());
    results.tell("a bare subscriber", bare, "messages a second", Goal::None);
    results.tell("decoded, decided, kept", ours, "messages a second", Goal::None);
    results.tell("ours over the bare one", ours / bare, "times", Goal::AtLeast(0.6));
    // By turns, since the machine is not alike fast all the time.
    let rounds: Vec<_> = (0..ROUNDS).map(|_| (round_trips(false), round_trips(true))).collect();
    for (name, at) in [("median", 0.5), ("p99", 0.99)] {
        let of = |trips: &[f64]| quantile(trips, at) * 1e3;
        let middle = |value: fn(f64, f64) -> f64| {
            median(rounds.iter().map(|(echo, ours)| value(of(echo), of(ours))))
        };
        let (echo, ours) = (middle(|echo, _| echo), middle(|_, ours| ours));
        let over = middle(|echo, ours| ours / echo);
        results.tell(&format!("an echo, {name}, the middle round"), echo, "ms", Goal::None);
        let what = format!("reading in to setpoint out, {name}, the middle round");
        results.tell(&what, ours, "ms", Goal::None);
        let goal = if at > 0.9 { Goal::AtMost(1.5) } else { Goal::None };
        results.tell(&format!("ours over the echo, {name}, the middle round"), over, "times", goal);
    }
}

/// Messages a second that a subscriber without a thought gets.
fn flood_of_bare() -> f64 {
    let broker = broker();
    let mut ear = heard(broker.port, "bare", "b/#");
    let port = broker.port;
    let flood = std::thread::spawn(move || flood(port));
    let (mut began, mut count) = (None, 0);
    while count < FLOOD {
        if next(&mut ear).topic.starts_with("b/") {
            began.get_or_insert_with(Instant::now);
            count += 1;
        }
    }
    let seconds = began.map_or(0.0, |began| began.elapsed().as_secs_f64());
    flood.join().expect("the flood ends");
    FLOOD as f64 / seconds
}

/// The same of the daemon: a command behind the flood is answered once all before it is done.
fn flood_of_ours() -> f64 {
    let broker = broker();
    let folder = folder();
    let link = format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port);
    let config = Layout { vessels: VESSELS, link: &link, ..Layout::default() };
    let config = config.write(folder.path());
    let mut ear = heard(broker.port, "ear", "barmkeep/#");
    let _daemon = Running::start(&config);
    while !next(&mut ear).topic.ends_with("/status") {}
    std::thread::sleep(Duration::from_secs(2));
    let began = Instant::now();
    let port = broker.port;
    let flood = std::thread::spawn(move || flood(port));
    while !next(&mut ear).topic.ends_with("v0/reply") {}
    let seconds = began.elapsed().as_secs_f64();
    flood.join().expect("the flood ends");
    let kept = kept(&folder.path().join("store.db"));
    assert_eq!(kept, FLOOD, "all readings are in the store");
    FLOOD as f64 / seconds
}

/// Readings of probes that the store has.
fn kept(store: &Path) -> usize {
    let connection = rusqlite::Connection::open(store).expect("the store can be read");
    let sql = "SELECT count(*) FROM inputs WHERE source = 'beer'";
    let count: i64 = connection.query_row(sql, [], |row| row.get(0)).expect("a number");
    usize::try_from(count).expect("no count is negative")
}

/// Publishes the flood, then a note.
fn flood(port: u16) {
    let (client, mut connection) = client("flood", port, 100);
    let pump = std::thread::spawn(move || {
        let mut open = FLOOD + 1;
        for event in connection.iter() {
            if let Ok(Event::Incoming(Packet::PubAck(_))) = event {
                open -= 1;
            }
            if open == 0 || event.is_err() {
                return;
            }
        }
    });
    for number in 0..FLOOD {
        let topic = format!("b/{}", number % VESSELS);
        let value = 18.0 + (number / VESSELS % 5) as f64 * 0.01;
        say(&client, topic, format!("{value:.2}"));
    }
    let note = r#"{"do": "note", "id": "n1", "text": "That was all."}"#;
    say(&client, "barmkeep/v0/command".to_owned(), note.to_owned());
    pump.join().expect("everything was taken");
}

/// Times from a reading to what it causes, in seconds, in order of size.
fn round_trips(ours: bool) -> Vec<f64> {
    let broker = broker();
    let folder = folder();
    let link = format!("broker = \"mqtt://127.0.0.1:{}\"", broker.port);
    let layout = Layout { link: &link, drive: "setpoint", more: SURROUND, ..Layout::default() };
    let config = layout.write(folder.path());
    let (mouth, mut mouths) = client("mouth", broker.port, 10);
    std::thread::spawn(move || mouths.iter().take_while(Result::is_ok).count());
    let topic = "barmkeep/v0/chiller/setpoint";
    let mut ear = heard(broker.port, "ear", topic);
    let daemon = ours.then(|| Running::start(&config));
    if daemon.is_some() {
        std::thread::sleep(Duration::from_secs(3));
        say(&mouth, "b/0".to_owned(), "18.0".to_owned());
        let park = r#"{"do": "park", "id": "p1", "target": "18 C"}"#;
        say(&mouth, "barmkeep/v0/command".to_owned(), park.to_owned());
        // What was told before is no answer to what comes.
        while is_null(&next(&mut ear)) {}
    } else {
        echo(broker.port, topic);
    }
    let mut times = Vec::new();
    for trip in 0..TRIPS {
        // The chiller may take what is around the beer down to 8 °C below it.
        let celsius = if trip % 2 == 0 { 9.5 } else { 11.5 };
        let began = Instant::now();
        say(&mouth, "s/0".to_owned(), celsius.to_string());
        while is_null(&next(&mut ear)) != (trip % 2 == 0) {
            assert!(began.elapsed() < Duration::from_secs(20), "trip {trip} does not end");
        }
        times.push(began.elapsed().as_secs_f64());
        std::thread::sleep(APART);
    }
    times.sort_by(f64::total_cmp);
    times
}

/// Whether an output is told to have no setpoint.
fn is_null(order: &Publish) -> bool {
    String::from_utf8_lossy(&order.payload).contains("null")
}

/// Answers each reading with what the daemon would say, and nothing more.
fn echo(port: u16, topic: &'static str) {
    let (client, mut connection) = client("echo", port, 10);
    client.subscribe("s/#", QoS::AtLeastOnce).expect("it is asked for");
    wait_for_subscription(&mut connection);
    std::thread::spawn(move || {
        for event in connection.iter() {
            let Ok(Event::Incoming(Packet::Publish(message))) = event else {
                if event.is_err() {
                    return;
                }
                continue;
            };
            let word = if message.payload.starts_with(b"9") { "null" } else { "18.3" };
            let _ = client.publish(topic, QoS::AtLeastOnce, true, word);
        }
    });
}

fn say(client: &Client, topic: String, payload: String) {
    client.publish(topic, QoS::AtLeastOnce, false, payload).expect("the client lives");
}

/// A connection that hears what matches, from now on.
fn heard(port: u16, name: &str, filter: &str) -> Connection {
    let (client, mut connection) = client(name, port, 100);
    client.subscribe(filter, QoS::AtLeastOnce).expect("it is asked for");
    wait_for_subscription(&mut connection);
    // The connection ends with its last client.
    std::mem::forget(client);
    connection
}

fn wait_for_subscription(connection: &mut Connection) {
    let subscribed = |event| matches!(event, Ok(Event::Incoming(Packet::SubAck(_))));
    assert!(connection.iter().any(subscribed), "the broker answers");
}

fn next(connection: &mut Connection) -> Publish {
    for event in connection.iter() {
        match event {
            Ok(Event::Incoming(Packet::Publish(message))) => return message,
            Ok(_) => {}
            Err(error) => panic!("the broker is gone: {error}"),
        }
    }
    panic!("the connection is over");
}

fn quantile(sorted: &[f64], at: f64) -> f64 {
    let place = ((sorted.len() as f64 * at) as usize).min(sorted.len() - 1);
    sorted[place]
}
