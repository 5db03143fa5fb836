//! Who may do what at the broker inside, how much a stranger can cost it, and that no secret is
//! told: the real daemon, and clients who behave and who do not.

use barmkeep_tests::broker::{Ear, free_port, wait_for_port};
use barmkeep_tests::cellar::{Cellar, Daemon, until};
use barmkeep_tests::certificates::certificates;
use barmkeep_tests::program::{barmkeep, barmkeep_reading};
use barmkeep_tests::stranger::{Answer, Stranger};
use std::process::{Command, Stdio};
use std::time::Duration;

const HEATER: &str = "cellar/plug/heat/set";

/// The users of these tests: name, what they publish, what they hear. Each one's password is the
/// name and `-secret-7431`.
const USERS: [(&str, &str, &str); 6] = [
    ("float-1", r#""cellar/float/1""#, ""),
    ("probe-1", r#""cellar/probe/1""#, ""),
    ("relay-1", r#""cellar/plug/heat/state""#, r#""cellar/plug/heat/set""#),
    ("phone", r#""barmkeep/+/command""#, r##""barmkeep/#""##),
    ("guest", "", r##""barmkeep/#""##),
    ("wide", r##""#""##, r##""#""##),
];

/// What only the daemon says.
const DAEMON_S: [&str; 10] = [
    "barmkeep/status",
    "barmkeep/event",
    "barmkeep/north/state",
    "barmkeep/north/event",
    "barmkeep/north/reply",
    "barmkeep/north/alarm/too-cold",
    "barmkeep/north/heater/setpoint",
    "barmkeep/north/chiller/setpoint",
    "barmkeep/north/chiller/switch",
    HEATER,
];

fn password(user: &str) -> String {
    format!("{user}-secret-7431")
}

fn hash(password: &str) -> String {
    barmkeep_reading(&["password"], &format!("{password}\n")).with(0).out.trim().to_owned()
}

/// A `users_file` with all of them; nobody enters without a name.
fn users() -> String {
    let mut text = "format = 1\nthis_machine = \"password\"\n".to_owned();
    for (name, publish, subscribe) in USERS {
        let hash = hash(&password(name));
        text += &format!(
            "[user.{name}]\npassword = \"{hash}\"\npublish = [{publish}]\n\
             subscribe = [{subscribe}]\n"
        );
    }
    text
}

/// A cellar whose broker asks for names, with these lines more under `[link]`.
fn cellar(port: u16, more: &str) -> Cellar {
    let link = format!(
        "broker = \"embedded\"\nlisten = \"127.0.0.1:{port}\"\nusers_file = \"users\"\n\
         username = \"phone\"\npassword_file = \"phone-password\"\n{more}"
    );
    let cellar = Cellar::linked(port, &link);
    cellar.write("users", &users());
    cellar.write("phone-password", &format!("{}\n", password("phone")));
    cellar
}

/// Its daemon, which listens.
fn started(cellar: &Cellar, port: u16) -> Daemon {
    let daemon = cellar.start();
    wait_for_port(port);
    daemon
}

/// A user's client: the arguments that say who and where.
fn login(port: u16, user: &str, version: &str) -> Vec<String> {
    ["-h", "127.0.0.1", "-p", &port.to_string(), "-V", version, "-u", user, "-P", &password(user)]
        .map(str::to_owned)
        .to_vec()
}

/// Publishes as this user; whether the broker took it (MQTT 5 tells).
fn says(port: u16, user: &str, topic: &str, payload: &str) -> bool {
    let output = Command::new("mosquitto_pub")
        .args(login(port, user, "5"))
        .args(["-q", "1", "-t", topic, "-m", payload])
        .output()
        .expect("mosquitto_pub runs");
    let errors = String::from_utf8_lossy(&output.stderr);
    output.status.success() && !errors.contains("ot authorized")
}

/// What one who listens as this user hears within two seconds, a line each, or why he does not.
fn hears(port: u16, user: &str, filter: &str) -> String {
    let output = Command::new("mosquitto_sub")
        .args(login(port, user, "5"))
        .args(["-q", "1", "-t", filter, "-W", "2", "-F", "%t %p"])
        .stderr(Stdio::piped())
        .output()
        .expect("mosquitto_sub runs");
    [output.stdout, output.stderr].map(|text| String::from_utf8_lossy(&text).into_owned()).concat()
}

#[test]
fn each_user_may_what_is_his_and_nothing_else() {
    let port = free_port();
    let cellar = cellar(port, "");
    let mut daemon = started(&cellar, port);
    let own = login(port, "wide", "5");
    let own: Vec<&str> = own.iter().map(String::as_str).collect();
    let mut ear = Ear::open_as(port, &own, "#");
    for (user, topic) in [
        ("float-1", "cellar/float/1"),
        ("probe-1", "cellar/probe/1"),
        ("relay-1", "cellar/plug/heat/state"),
        ("phone", "barmkeep/north/command"),
        ("wide", "cellar/lamp/1"),
    ] {
        assert!(says(port, user, topic, "?"), "{user} may publish on {topic}");
        ear.wait_for(topic, "?");
    }
    for (user, ..) in USERS {
        for topic in DAEMON_S {
            assert!(!says(port, user, topic, "forged"), "{user} may not publish on {topic}");
        }
    }
    for (user, topic) in [
        ("float-1", "cellar/float/2"),
        ("float-1", "cellar/probe/1"),
        ("float-1", "barmkeep/north/command"),
        ("float-1", "cellar/float/1/more"),
        ("relay-1", "barmkeep/north/command"),
        ("relay-1", "cellar/plug/cold/state"),
        ("phone", "cellar/probe/1"),
        ("guest", "barmkeep/north/command"),
    ] {
        assert!(!says(port, user, topic, "forged"), "{user} may not publish on {topic}");
    }
    assert!(says(port, "wide", "cellar/lamp/1", "last"));
    let mut heard = String::new();
    ear.wait("the last word", |message| {
        heard += &format!("{} {}\n", message.topic, message.payload);
        message.payload == "last"
    });
    assert!(!heard.contains("forged"), "{heard}");
    for (user, filter) in [
        ("float-1", "cellar/float/1"),
        ("float-1", "#"),
        ("float-1", "barmkeep/#"),
        ("relay-1", "cellar/plug/+/set"),
        ("relay-1", "cellar/#"),
        ("phone", "cellar/#"),
        ("phone", "#"),
    ] {
        let said = hears(port, user, filter);
        assert!(said.contains("denied") || said.contains("rejected"), "{user}, {filter}: {said}");
    }
    assert!(hears(port, "guest", "barmkeep/#").contains("barmkeep/status online"));
    // A guest may look and not act, a phone may act.
    assert!(cellar.log_of("batch.noted").is_empty());
    cellar.ask(&["note", "--text", "By phone"]).with(0);
    assert_eq!(cellar.log_of("batch.noted").len(), 1);
    assert!(cellar.said().contains("only the daemon does"), "{}", cellar.said());
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn nobody_enters_by_a_wrong_name_a_wrong_password_or_another_s_client_id() {
    let port = free_port();
    let cellar = cellar(port, "");
    let daemon = started(&cellar, port);
    let right = password("float-1");
    let enter = |id: &str, login: Option<(&str, &str)>| {
        Stranger::open(port).expect("it listens").enter(id, login)
    };
    assert_eq!(enter("f", Some(("float-1", &right))), Answer::In);
    for (id, login) in [
        ("a", None),
        ("b", Some(("float-1", "wrong"))),
        ("c", Some(("float-1", ""))),
        ("d", Some(("nobody", right.as_str()))),
        ("e", Some(("$daemon", right.as_str()))),
        ("g", Some(("$daemon", ""))),
        ("probe-1", Some(("float-1", right.as_str()))),
        ("barmkeep-daemon-barmkeep", Some(("float-1", right.as_str()))),
        ("barmkeep-daemon-barmkeep-x", Some(("float-1", right.as_str()))),
    ] {
        let answer = enter(id, login);
        assert!(matches!(answer, Answer::Refused(_)), "{id}, {login:?}: {answer:?}");
    }
    assert_eq!(enter("float-1", Some(("float-1", &right))), Answer::In, "its own name");
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn a_password_that_is_no_hash_is_refused_and_never_shown() {
    let port = free_port();
    let cellar = cellar(port, "");
    cellar.write("users", "format = 1\n[user.float-1]\npassword = \"in the clear 7431\"\n");
    let said = barmkeep(&["run", &cellar.config()]);
    assert_ne!(said.status, 0);
    assert!(said.err.contains("never the password itself"), "{}", said.err);
    assert!(!said.err.contains("in the clear"), "{}", said.err);
}

#[test]
fn users_that_are_changed_are_read_again_and_a_broken_file_changes_nothing() {
    let port = free_port();
    let cellar = cellar(port, "");
    let daemon = started(&cellar, port);
    let enter = |password: &str| {
        let mut stranger = Stranger::open(port).expect("it listens");
        stranger.enter("f", Some(("float-1", password))) == Answer::In
    };
    let old = password("float-1");
    assert!(enter(&old) && !enter("another"));
    let text = std::fs::read_to_string(cellar.path("users")).expect("the users");
    cellar.write("users", &format!("{text}\nnonsense"));
    until("it is told", || {
        // It looks when somebody comes.
        assert!(enter(&old), "the users stay as they were");
        cellar.said().contains("the users of the embedded broker stay as they were")
    });
    let before = text.lines().find(|line| line.contains("$argon2id$")).expect("the first hash");
    let changed = text.replacen(before, &format!("password = \"{}\"", hash("another")), 1);
    cellar.write("users", &changed);
    until("the new password is taken", || enter("another"));
    assert!(!enter(&old));
    assert_eq!(daemon.terminate(), Some(0));
}

/// The state shows this temperature, once something is recorded that has it told anew.
#[track_caller]
fn assert_beer(cellar: &Cellar, celsius: f64) {
    cellar.ask(&["note", "--text", "A look"]).with(0);
    until("the reading is there", || cellar.status()["beer_c"] == celsius);
}

/// A device at another address of this machine than the strangers'.
fn device_says(port: u16, topic: &str, payload: &str) -> bool {
    let user = if topic.contains("float") { "float-1" } else { "probe-1" };
    Command::new("mosquitto_pub")
        .args(login(port, user, "311"))
        .args(["-A", "127.0.0.2", "-q", "1", "-t", topic, "-m", payload])
        .stderr(Stdio::null())
        .status()
        .expect("mosquitto_pub runs")
        .success()
}

#[test]
fn strangers_at_the_door_keep_no_device_out() {
    let port = free_port();
    let cellar = cellar(port, "");
    let mut daemon = started(&cellar, port);
    assert!(device_says(port, "cellar/probe/1", "16.8"));
    let before = daemon.resident_kib();
    // Hundreds who try passwords: each costs the machine some work.
    let guessing: Vec<_> = (0..24)
        .map(|number| {
            std::thread::spawn(move || {
                for round in 0..8 {
                    if let Ok(mut stranger) = Stranger::open(port) {
                        let id = format!("{number}-{round}");
                        assert_ne!(stranger.enter(&id, Some(("float-1", &id))), Answer::In);
                    }
                }
            })
        })
        .collect();
    for round in 0..3 {
        assert!(device_says(port, "cellar/probe/1", &format!("17.{round}")), "{round}");
    }
    for one in guessing {
        one.join().expect("it guesses to its end");
    }
    let after = daemon.resident_kib();
    assert!(after < before + 24 * 1024, "{before} KiB, and then {after}");
    // Hundreds who say nothing, all at once.
    let mut silent: Vec<Stranger> = (0..600).filter_map(|_| Stranger::open(port).ok()).collect();
    assert!(silent.len() > 500, "{} came", silent.len());
    assert!(device_says(port, "cellar/probe/1", "17.3"), "a device comes in all the same");
    cellar.wait_said("too many from this address wait to be let in");
    let turned_away = silent.iter_mut().filter_map(|one| one.is_cut_now().then_some(())).count();
    assert!(turned_away >= silent.len() - 128, "{turned_away} were turned away");
    // Nobody stands in the door for ever.
    for one in &mut silent {
        assert!(one.is_cut(Duration::from_secs(60)), "a silent one is sent away");
    }
    assert_beer(&cellar, 17.3);
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn one_who_never_reads_costs_no_memory() {
    let port = free_port();
    let cellar = cellar(port, "");
    let mut daemon = started(&cellar, port);
    let wide = password("wide");
    let mut deaf: Vec<Stranger> = (0..4)
        .map(|number| {
            let mut one = Stranger::open(port).expect("it listens");
            let id = format!("deaf-{number}");
            assert_eq!(one.enter(&id, Some(("wide", &wide))), Answer::In);
            one.subscribe(&["#"]).expect("it asks");
            one
        })
        .collect();
    let before = daemon.resident_kib();
    let mut loud = Stranger::open(port).expect("it listens");
    assert_eq!(loud.enter("loud", Some(("wide", &wide))), Answer::In);
    // 60 MB, of which each deaf one was to get a copy.
    let large = vec![b'x'; 4000];
    let what: [(&str, &[u8]); 2] = [("cellar/noise/1", &large), ("cellar/noise/2", &large)];
    let sent = loud.flood(&what, 1500, Duration::from_secs(10));
    let after = daemon.resident_kib();
    println!("{sent} messages of 4 kB to four who do not read: {before}, then {after} KiB");
    assert!(sent > 5000, "{sent} is no flood");
    assert!(after < before + 48 * 1024, "{before} KiB, and then {after}");
    assert!(device_says(port, "cellar/probe/1", "17.5"));
    assert_beer(&cellar, 17.5);
    assert!(daemon.lives());
    deaf.clear();
    assert_eq!(daemon.terminate(), Some(0));
}

#[test]
fn the_broker_inside_speaks_tls_and_asks_for_certificates() {
    let (port, tls) = (free_port(), free_port());
    let files = certificates();
    let path = |name: &str| files.path().join(name).display().to_string();
    let more = format!(
        "listen_tls = \"127.0.0.1:{tls}\"\ncertificate = \"{}\"\ncertificate_key = \"{}\"\n\
         client_ca_file = \"{}\"",
        path("server.pem"),
        path("server.key"),
        path("ca.pem")
    );
    let cellar = cellar(port, &more);
    barmkeep(&["check", &cellar.config()]).with(0);
    let mut daemon = started(&cellar, port);
    wait_for_port(tls);
    // One who only opens a connection: the next need not wait for him.
    let mut silent: Vec<Stranger> =
        (0..8).map(|_| Stranger::open(tls).expect("it listens")).collect();
    let says = |ca: &str, own: bool| {
        let mut client = Command::new("mosquitto_pub");
        client.args(login(tls, "probe-1", "5")).args(["-t", "cellar/probe/1", "-m", "17.25"]);
        client.args(["-q", "1", "--cafile", &path(ca)]);
        // The last `-h` counts: the name in the certificate.
        client.args(["-h", "localhost"]);
        if own {
            client.args(["--cert", &path("client.pem"), "--key", &path("client.key")]);
        }
        client.stderr(Stdio::null()).status().expect("mosquitto_pub runs").success()
    };
    assert!(!says("ca.pem", false), "a client without a certificate");
    assert!(!says("other.pem", true), "the broker is not who the client trusts");
    assert!(says("ca.pem", true));
    assert_beer(&cellar, 17.25);
    let mut plain = Stranger::open(tls).expect("it listens");
    let login = password("probe-1");
    assert_ne!(plain.enter("plain", Some(("probe-1", &login))), Answer::In, "plain MQTT");
    for one in &mut silent {
        assert!(one.is_cut(Duration::from_secs(60)), "a silent one is sent away");
    }
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
}

/// What stands in each of the test's secrets, and nowhere else.
const SECRET: &str = "secret-7431";

#[test]
fn no_secret_is_in_any_log_argument_state_record_or_page() {
    let (port, page) = (free_port(), free_port());
    let cellar = cellar(port, "");
    let config = std::fs::read_to_string(cellar.config()).expect("the configuration");
    let more = format!(
        "\n[page]\nlisten = \"127.0.0.1:{page}\"\npassword_file = \"page-password\"\n\
         [[tell]]\nurl = \"http://127.0.0.1:{}/hook/{SECRET}\"\nevents = [\"batch.noted\"]\n\
         [[tell]]\nrun = [\"/bin/false\", \"{SECRET}\"]\nevents = [\"batch.noted\"]\n",
        free_port()
    );
    cellar.write("barmkeep.toml", &(config + &more));
    cellar.write("page-password", &format!("{}\n", hash(&format!("page-{SECRET}"))));
    let mut daemon = cellar.start_with(&[("BARMKEEP_LOG", "debug")]);
    wait_for_port(port);
    let wide = login(port, "wide", "5");
    let wide: Vec<&str> = wide.iter().map(String::as_str).collect();
    let mut ear = Ear::open_as(port, &wide, "#");
    assert!(device_says(port, "cellar/probe/1", "17.5"));
    let wrong = format!("wrong-{SECRET}");
    for login in [("float-1", wrong.as_str()), ("nobody", wrong.as_str())] {
        let mut stranger = Stranger::open(port).expect("it listens");
        assert_ne!(stranger.enter("x", Some(login)), Answer::In);
    }
    let mut seen = String::new();
    for (password, status) in [(format!("page-{SECRET}"), " 200 "), (wrong, " 401 ")] {
        let answer = look(page, &password);
        assert!(answer.lines().next().is_some_and(|line| line.contains(status)), "{answer}");
        seen += &answer;
    }
    seen += &cellar.ask(&["note", "--text", "A line for those who are told"]).with(0).out;
    // Both receivers fail, and that is said of them.
    cellar.wait_said("/bin/false");
    ear.event("batch.noted");
    for message in Ear::open_as(port, &wide, "barmkeep/#").listen(Duration::from_secs(2)) {
        seen += &format!("{} {}\n", message.topic, message.payload);
    }
    seen += &cellar.ask(&["status", "--json"]).with(0).out;
    seen += &cellar.ask(&["log", "--json"]).with(0).out;
    let command = std::fs::read(format!("/proc/{}/cmdline", daemon.id())).expect("a command line");
    seen += &String::from_utf8_lossy(&command);
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
    seen += &cellar.said();
    for name in ["barmkeep.db", "barmkeep.db-wal"] {
        // The log of writes is gone after an orderly end.
        let store = std::fs::read(cellar.path(name)).unwrap_or_default();
        seen += &String::from_utf8_lossy(&store);
    }
    assert!(seen.contains("A line for those who are told") && seen.contains("float-1"));
    for part in [SECRET, "argon2id"] {
        let around = seen.find(part).map(|at| {
            let from = (0..=at.saturating_sub(300)).rev().find(|at| seen.is_char_boundary(*at));
            &seen[from.unwrap_or_default()..at + part.len()]
        });
        assert_eq!(around, None, "`{part}` is told");
    }
}

/// The page as a browser asks for it, with this password.
fn look(port: u16, password: &str) -> String {
    use base64::Engine;
    use std::io::{Read, Write};
    wait_for_port(port);
    let login = base64::engine::general_purpose::STANDARD.encode(format!("cellar:{password}"));
    let mut stream = std::net::TcpStream::connect(("127.0.0.1", port)).expect("the page listens");
    let head = format!(
        "GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAuthorization: Basic {login}\r\n\
         Connection: close\r\n\r\n"
    );
    stream.write_all(head.as_bytes()).expect("the page is asked");
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).expect("the page answers");
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn a_client_s_sessions_subscriptions_and_packets_are_bounded() {
    let port = free_port();
    let cellar = cellar(port, "");
    let mut daemon = started(&cellar, port);
    let keeps = |number: u32| {
        // `-c` asks the broker to keep a session.
        let said = Command::new("mosquitto_sub")
            .args(login(port, "guest", "311"))
            .args([
                "-c",
                "-i",
                &format!("guest-{number}"),
                "-q",
                "1",
                "-t",
                "barmkeep/status",
                "-E",
            ])
            .output()
            .expect("mosquitto_sub runs");
        said.status.success()
    };
    assert!((0..32).all(keeps));
    assert!(!keeps(32), "one session more than a user may leave behind");
    assert!(keeps(0), "one that is there already");
    let login = password("wide");
    let mut wide = Stranger::open(port).expect("it listens");
    assert_eq!(wide.enter("wide", Some(("wide", &login))), Answer::In);
    // Above the largest packet the connection ends, and no other does.
    let _cut = wide.publish("cellar/noise/1", &vec![b'x'; 600 * 1024], false);
    assert!(wide.is_cut(Duration::from_secs(30)));
    assert!(device_says(port, "cellar/probe/1", "17.5"));
    assert_beer(&cellar, 17.5);
    assert!(daemon.lives());
    assert_eq!(daemon.terminate(), Some(0));
}

/// What the threat model says is held, is held by tests that exist.
#[test]
fn every_test_that_the_threat_model_names_is_there() {
    let project = barmkeep_tests::program::project();
    let text = std::fs::read_to_string(project.join("deploy/SECURITY.md")).expect("the model");
    let is_name = |part: &&str| {
        part.matches('_').count() > 2
            && part.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
    };
    let names: Vec<&str> = text.split('`').skip(1).step_by(2).filter(is_name).collect();
    assert!(names.len() > 20, "{names:?}");
    let found = Command::new("grep")
        .args(["-rhoE", "fn [a-z0-9_]+", "--include=*.rs", "crates", "tests"])
        .current_dir(project)
        .output()
        .expect("grep runs");
    let known = String::from_utf8_lossy(&found.stdout).into_owned();
    for name in names {
        assert!(known.lines().any(|line| line == format!("fn {name}")), "no test `{name}`");
    }
}
