//! Payloads of every form, and of none.

use super::*;
use engine::Command;
use proptest::prelude::*;
use quantity::{Span, Stamp, TemperatureDelta};
use schedule::config::{
    Field, GravityRead, TemperatureRead, TemperatureReadUnit, TimeForm, TimeRead,
};

fn north() -> Name {
    Name::parse("north").unwrap()
}

fn at(pointer: &str) -> Field {
    Field((!pointer.is_empty()).then(|| pointer.to_owned()))
}

fn float(gravity: &str, unit: GravityReadUnit) -> GravitySource {
    GravitySource {
        topic: "cellar/float/1".to_owned(),
        read: GravityRead { at: at(gravity), unit },
        calibration: None,
        expansion: None,
        temperature: Some(TemperatureRead {
            at: at("/temp"),
            unit: TemperatureReadUnit::Fahrenheit,
        }),
        battery: Some(at("/status/battery")),
        time: Some(TimeRead { at: at("/time"), form: TimeForm::Rfc3339 }),
        every: Span::from_mins(60),
    }
}

fn probe(pointer: &str, unit: TemperatureReadUnit) -> Probe {
    Probe {
        topic: "cellar/float/1".to_owned(),
        read: TemperatureRead { at: at(pointer), unit },
        offset: TemperatureDelta::from_kelvin(0.0).unwrap(),
        every: Span::from_secs(10),
    }
}

fn seen() -> Seen {
    Seen { topic: "relay".to_owned(), on: "ON".to_owned(), off: "OFF".to_owned() }
}

/// A float and a probe on one topic, bare probes, a relay and commands.
fn routes() -> Routes {
    let mut routes = Routes::default();
    let float = float("/sg", GravityReadUnit::Sg);
    let name = Name::parse("float").unwrap();
    routes.add("float".to_owned(), &north(), What::Gravity(name, Box::new(float)));
    let beer = probe("/beer", TemperatureReadUnit::Celsius);
    routes.add("float".to_owned(), &north(), What::Beer(beer));
    for (topic, unit) in [
        ("bare", TemperatureReadUnit::Celsius),
        ("bare-f", TemperatureReadUnit::Fahrenheit),
        ("bare-k", TemperatureReadUnit::Kelvin),
    ] {
        routes.add(topic.to_owned(), &north(), What::Beer(probe("", unit)));
    }
    routes.add(
        "bare".to_owned(),
        &north(),
        What::Surround(probe("", TemperatureReadUnit::Celsius)),
    );
    routes.add("relay".to_owned(), &north(), What::Seen(OutputKind::Heater, seen()));
    routes.add("command".to_owned(), &north(), What::Command);
    routes
}

/// What a message makes, in short.
fn shown(topic: &str, payload: &str) -> Vec<String> {
    let inputs = routes().decode(topic, payload.as_bytes(), false);
    inputs.into_iter().map(|input| short(&input)).collect()
}

fn short(input: &Input) -> String {
    match input {
        Input::Reading(reading) => {
            let Values { gravity, temperature_c, battery_percent } = reading.values;
            let mut text = reading.source.clone();
            if let Some(gravity) = gravity {
                text += &format!(" {gravity:?}");
            }
            if let Some(celsius) = temperature_c {
                text += &format!(" {celsius:.2}C");
            }
            if let Some(percent) = battery_percent {
                text += &format!(" {percent}%");
            }
            if let Some(taken) = reading.taken {
                text += &format!(" {taken}");
            }
            text
        }
        Input::Unreadable { source, problem, .. } => format!("{source}: {problem}"),
        Input::Seen { output, on, .. } => format!("{} {on:?}", output.as_str()),
        Input::Command(command) => match &command.command {
            Ok(wanted) => format!("{:?} {:?} {}", command.id, command.by, wanted.name()),
            Err(problem) => problem.clone(),
        },
        other => format!("{other:?}"),
    }
}

#[test]
fn one_message_carries_several_sources() {
    let text = r#"{"sg": 1.0482, "temp": "64.4", "status": {"battery": 87},
                   "time": "2026-03-01T18:00:00+01:00", "beer": 18.25}"#;
    let expected = ["float Sg(1.0482) 18.00C 87% 2026-03-01T17:00:00Z", "beer 18.25C"];
    assert_eq!(shown("float", text), expected);
}

#[test]
fn values_may_be_missing_but_not_all_of_them() {
    assert_eq!(
        shown("float", r#"{"sg": null, "temp": 50}"#),
        ["float 10.00C", "beer: the message has no value at `/beer`"]
    );
    assert_eq!(shown("float", r#"{"sg": 1.05, "beer": 20}"#), ["float Sg(1.05)", "beer 20.00C"]);
    assert_eq!(
        shown("float", "{}"),
        ["float: the message has no value at `/sg`", "beer: the message has no value at `/beer`"]
    );
}

#[test]
fn garbage_in_one_value_refuses_the_whole_report() {
    for (text, problem) in [
        (r#"{"sg": "abc", "beer": 1}"#, "`abc` at `/sg` is not a number"),
        (r#"{"sg": "1,048", "beer": 1}"#, "`1,048` at `/sg` is not a number; decimals use a point"),
        (r#"{"sg": "NaN", "beer": 1}"#, "`NaN` at `/sg` is not a number"),
        (r#"{"sg": "inf", "beer": 1}"#, "`inf` at `/sg` is not a number"),
        (r#"{"sg": true, "beer": 1}"#, "`true` at `/sg` is not a number"),
        (r#"{"sg": [1.0], "beer": 1}"#, "`[1.0]` at `/sg` is not a number"),
        (r#"{"sg": 1.05, "temp": {}, "beer": 1}"#, "`{}` at `/temp` is not a number"),
        (r#"{"sg": 1.05, "time": 5, "beer": 1}"#, "`5` is not a time as RFC 3339 has it"),
        (r#"{"sg": 1.05, "time": "noon", "beer": 1}"#, "`noon` is not a time as RFC 3339 has it"),
    ] {
        assert_eq!(shown("float", text), [format!("float: {problem}"), "beer 1.00C".to_owned()]);
    }
    let both = shown("float", "nonsense");
    assert_eq!(both.len(), 2);
    assert!(both[0].starts_with("float: the message is not JSON: expected"), "{}", both[0]);
    assert_eq!(shown("float", "")[0], "float: the message is empty");
    assert!(shown("float", r#"{"sg": 1e999}"#)[0].contains("not JSON: number out of range"));
}

#[test]
fn bare_numbers_are_read_in_their_unit() {
    for (topic, text, celsius) in [
        ("bare-f", "64.4", "18.00C"),
        ("bare-k", " 291.15\n", "18.00C"),
        ("bare-k", "\"291.15\"", "18.00C"),
        ("bare-f", "-4e0", "-20.00C"),
    ] {
        assert_eq!(shown(topic, text), [format!("beer {celsius}")]);
    }
    assert_eq!(shown("bare", "18"), ["beer 18.00C", "surround 18.00C"]);
    for (text, problem) in [
        ("", "the message is empty"),
        ("null", "the message is empty"),
        ("nan", "`nan` is not a number"),
        ("-inf", "`-inf` is not a number"),
        ("1e999", "`1e999` is not a number"),
        ("18,5", "`18,5` is not a number; decimals use a point"),
        ("18 C", "`18 C` is not a number"),
        (
            "{\"t\":1}",
            "`{\"t\":1}` is not a number; say with `at` where in the message the number \
                       stands",
        ),
    ] {
        assert_eq!(shown("bare-f", text), [format!("beer: {problem}")]);
    }
    let bytes = routes().decode("bare-f", &[0xff, 0xfe], false);
    assert_eq!(short(&bytes[0]), "beer: the message is not text (UTF-8)");
}

#[test]
fn pointers_are_rfc_6901_s() {
    // The document and its pointers are RFC 6901's own examples (section 5), without the strings.
    let text =
        r#"{"foo": [7, 1], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, " ": 7, "m~n": 8}"#;
    for (pointer, number) in [
        ("/foo/0", 7.0),
        ("/foo/1", 1.0),
        ("/", 0.0),
        ("/a~1b", 1.0),
        ("/c%d", 2.0),
        ("/e^f", 3.0),
        ("/g|h", 4.0),
        ("/ ", 7.0),
        ("/m~0n", 8.0),
    ] {
        let body = Body::new(text.as_bytes());
        assert_eq!(body.needed(&Field(Some(pointer.to_owned()))), Ok(number), "{pointer}");
    }
    for pointer in ["/foo/01", "/foo/2", "/foo/-", "/missing"] {
        let body = Body::new(text.as_bytes());
        assert_eq!(body.number(&Field(Some(pointer.to_owned()))), Ok(None), "{pointer}");
    }
}

#[test]
fn each_unit_of_gravity_is_kept_as_it_is() {
    for (unit, expected) in [
        (GravityReadUnit::Sg, RawGravity::Sg(12.0)),
        (GravityReadUnit::Plato, RawGravity::Plato(12.0)),
        (GravityReadUnit::Brix, RawGravity::Brix(12.0)),
        (GravityReadUnit::Degrees, RawGravity::Degrees(12.0)),
    ] {
        let (values, _) = gravity(&float("/g", unit), &Body::new(b"{\"g\": 12}")).unwrap();
        assert_eq!(values.gravity, Some(expected));
    }
}

#[test]
fn times_have_three_forms() {
    let time = |form, text: &str| {
        let read = TimeRead { at: at("/t"), form };
        Body::new(text.as_bytes()).time(&read)
    };
    let whole = Some(Stamp::from_millis(1_767_225_600_250));
    assert_eq!(time(TimeForm::Unix, r#"{"t": 1767225600.25}"#), Ok(whole));
    assert_eq!(time(TimeForm::UnixMillis, r#"{"t": "1767225600250"}"#), Ok(whole));
    assert_eq!(time(TimeForm::Rfc3339, r#"{"t": "2026-01-01T00:00:00.25Z"}"#), Ok(whole));
    assert_eq!(time(TimeForm::Rfc3339, r#"{"t": null}"#), Ok(None));
    for text in ["-1", "1e300", "\"nan\"", "\"noon\"", "{}"] {
        for form in [TimeForm::Unix, TimeForm::UnixMillis, TimeForm::Rfc3339] {
            assert!(time(form, &format!("{{\"t\": {text}}}")).is_err(), "{text}");
        }
    }
}

#[test]
fn a_relay_says_one_of_two_words_or_nothing() {
    assert_eq!(shown("relay", "ON"), ["heater Some(true)"]);
    assert_eq!(shown("relay", " OFF\n"), ["heater Some(false)"]);
    for text in ["on", "", "ONOFF", "{\"state\":\"ON\"}"] {
        assert_eq!(shown("relay", text), ["heater None"]);
    }
}

#[test]
fn commands_carry_texts_only() {
    let text = r#"{"do": "sample", "id": "7", "by": "anna", "gravity": "1.012 SG", "taken": null}"#;
    assert_eq!(shown("command", text), ["Some(\"7\") Some(\"anna\") sample"]);
    assert_eq!(shown("command", r#"{"do": "hold"}"#), ["None None hold"]);
    for (text, part) in [
        (r#"{"do": "sample", "gravity": 1.012}"#, "`gravity` is the bare number 1.012: quantities"),
        (r#"{"do": "note", "text": true}"#, "`text` is the truth value true: fields are texts"),
        (r#"{"do": "note", "text": ["a"]}"#, "`text` is a list: fields are texts"),
        (r#"{"do": "note", "text": {}}"#, "`text` is an object: fields are texts"),
        (r#"{"do": 5}"#, "`do` is the number 5"),
        (r#"{"id": "1"}"#, "has no `do`"),
        (r#"{"do": "hold", "id": 7}"#, "`id` is the number 7: write it as text"),
        (r#"{"do": "hold", "by": false}"#, "`by` is the truth value false"),
        (r#"{"do": "boil"}"#, "`boil` is not a command"),
        (r#"{"do": "hold", "why": "x"}"#, "`hold` has no field `why`"),
        ("[]", "a command is a JSON object"),
        ("hold", "the command is not JSON"),
    ] {
        let found = shown("command", text);
        assert!(found.len() == 1 && found[0].contains(part), "{text}: {found:?}");
    }
    let long = format!(r#"{{"do": "hold", "id": "{}"}}"#, "x".repeat(129));
    assert_eq!(shown("command", &long), ["`id` has at most 128 bytes"]);
    let large = format!(r#"{{"do": "note", "text": "{}"}}"#, "x".repeat(COMMAND_BYTES_MAX));
    assert!(shown("command", &large)[0].contains("at most 16384 are read"));
}

#[test]
fn a_retained_command_is_refused_and_an_emptied_one_wants_nothing() {
    let inputs = routes().decode("command", br#"{"do": "abort", "id": "9"}"#, true);
    let [Input::Command(input)] = inputs.as_slice() else { panic!("{inputs:?}") };
    assert_eq!(input.id.as_deref(), Some("9"));
    assert!(input.command.as_ref().is_err_and(|problem| problem.contains("retained")));
    assert!(routes().decode("command", b"", true).is_empty());
    let wanted = routes().decode("command", br#"{"do": "abort"}"#, false);
    assert!(matches!(&wanted[..], [Input::Command(c)] if c.command == Ok(Command::Abort)));
}

#[test]
fn the_retained_flag_goes_with_the_reading() {
    for retained in [true, false] {
        let inputs = routes().decode("bare-f", b"50", retained);
        assert!(matches!(&inputs[..], [Input::Reading(r)] if r.retained == retained));
    }
}

#[test]
fn large_messages_are_refused_on_every_route() {
    let megabyte = vec![b' '; 1_000_000];
    for topic in ["float", "bare", "command"] {
        let inputs = routes().decode(topic, &megabyte, false);
        assert_eq!(inputs.len(), routes().of_topic(topic).len());
        for input in inputs {
            assert!(short(&input).contains("1000000 bytes: at most 65536"), "{}", short(&input));
        }
    }
    let mut most = vec![b' '; PAYLOAD_BYTES_MAX];
    most[0] = b'5';
    assert!(matches!(routes().decode("bare-f", &most, false)[..], [Input::Reading(_)]));
    most.push(b' ');
    assert!(matches!(routes().decode("bare-f", &most, false)[..], [Input::Unreadable { .. }]));
}

#[test]
fn a_topic_that_nobody_waits_for_makes_nothing() {
    assert!(routes().decode("elsewhere", b"5", false).is_empty());
}

#[test]
fn deep_nesting_is_refused() {
    let deep = "[".repeat(50_000);
    assert!(shown("float", &deep)[0].contains("not JSON: recursion limit"));
}

/// Payloads near what devices send: random bytes rarely get past the first brace.
fn payloads() -> impl Strategy<Value = Vec<u8>> {
    let scalar = prop_oneof![
        any::<f64>().prop_map(|number| number.to_string()),
        Just("null".to_owned()),
        Just("1e999".to_owned()),
        Just("\"NaN\"".to_owned()),
        "\"[ -~]{0,12}\"".prop_map(|text| text),
        "\\PC{0,8}".prop_map(|text| format!("{text:?}")),
    ];
    let keys = ["sg", "temp", "time", "beer", "status", "do", "id", "by", "gravity", "~", ""];
    let object = prop::collection::vec((prop::sample::select(keys.to_vec()), scalar), 0..6)
        .prop_map(|pairs| {
            let pairs: Vec<String> = pairs.iter().map(|(k, v)| format!("\"{k}\":{v}")).collect();
            format!("{{{}}}", pairs.join(",")).into_bytes()
        });
    prop_oneof![
        prop::collection::vec(any::<u8>(), 0..200),
        object,
        "\\PC{0,40}".prop_map(String::into_bytes),
        any::<f64>().prop_map(|number| number.to_string().into_bytes()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]
    #[test]
    fn no_payload_panics_and_every_number_is_finite(payload in payloads(), retained: bool) {
        let routes = routes();
        for topic in routes.topics() {
            for input in routes.decode(&topic, &payload, retained) {
                if let Input::Reading(reading) = input {
                    let Values { gravity, temperature_c, battery_percent } = reading.values;
                    let gravity = gravity.map(|raw| match raw {
                        RawGravity::Sg(n) | RawGravity::Plato(n) | RawGravity::Brix(n)
                        | RawGravity::Degrees(n) => n,
                    });
                    let numbers: Vec<f64> =
                        [gravity, temperature_c, battery_percent].into_iter().flatten().collect();
                    prop_assert!(!numbers.is_empty());
                    prop_assert!(numbers.iter().all(|number| number.is_finite()));
                }
            }
        }
    }
}

#[test]
fn routes_follow_the_configuration() {
    let text = r#"
format = 1
[store]
file = "barmkeep.db"
[vessel.north]
volume = "23 L"
coldest = "0 C"
warmest = "26 C"
[vessel.north.gravity.float]
topic = "cellar/1"
read = { at = "/sg", unit = "SG" }
every = "60 min"
[vessel.north.beer]
topic = "cellar/1"
read = { at = "/probe", unit = "F" }
every = "10 s"
[vessel.north.heater]
drive = "switch"
seen = { topic = "cellar/plug/7/state", on = "ON", off = "OFF" }
[vessel.south]
volume = "23 L"
coldest = "0 C"
warmest = "26 C"
[vessel.south.beer]
topic = "cellar/2"
read = { unit = "C" }
every = "10 s"
[vessel.south.surround]
topic = "cellar/1"
read = { at = "/air", unit = "C" }
every = "10 s"
"#;
    let source = schedule::Source { name: "barmkeep.toml".to_owned(), text: text.to_owned() };
    let checked = schedule::read_config(&source, &|_| true);
    let routes = Routes::of(&checked.value.unwrap_or_else(|| panic!("{:?}", checked.problems)));
    assert_eq!(
        routes.topics(),
        [
            "barmkeep/north/command",
            "barmkeep/south/command",
            "cellar/1",
            "cellar/2",
            "cellar/plug/7/state"
        ]
    );
    let inputs = routes.decode("cellar/1", br#"{"sg": 1.05, "probe": 50, "air": 4}"#, false);
    let shown: Vec<String> = inputs.iter().map(short).collect();
    assert_eq!(shown, ["float Sg(1.05)", "beer 10.00C", "surround 4.00C"]);
}

#[test]
fn a_nudges_by_is_its_amount_and_never_a_name_by_mistake() {
    let sent = |text: &str| {
        let object: serde_json::Map<String, serde_json::Value> =
            serde_json::from_str(text).unwrap();
        let input = command_input(&Name::parse("north").unwrap(), &object);
        (input.by, input.command)
    };
    for (text, by) in [
        (r#"{"do": "hold", "by": "ann"}"#, Some("ann")),
        (r#"{"do": "hold", "sender": "ann"}"#, Some("ann")),
        (r#"{"do": "hold", "sender": "ann", "by": "ann"}"#, Some("ann")),
        (r#"{"do": "nudge", "by": "1 C"}"#, None),
        (r#"{"do": "nudge", "by": "1 C", "sender": "ann"}"#, Some("ann")),
        (r#"{"do": "nudge", "target": "18 C", "by": "ann"}"#, Some("ann")),
        (r#"{"do": "nudge", "target": "18 C", "by": null}"#, None),
    ] {
        let (who, command) = sent(text);
        assert_eq!(who.as_deref(), by, "{text}");
        assert!(command.is_ok(), "{text}: {command:?}");
    }
    for (text, why) in [
        (r#"{"do": "hold", "sender": "ann", "by": "bob"}"#, "give one"),
        (r#"{"do": "nudge", "by": "ann"}"#, "`by`"),
        (r#"{"do": "nudge", "by": "1"}"#, "has no unit"),
        (r#"{"do": "nudge", "by": 1}"#, "bare number"),
        (r#"{"do": "nudge"}"#, "needs `by`"),
        (r#"{"do": "nudge", "target": "18 C", "by": "1 C"}"#, "give one"),
        (r#"{"do": "nudge", "target": "18 C", "by": "1"}"#, "has no unit"),
        (r#"{"do": "nudge", "target": "18 C", "by": "-.5 C"}"#, "`by`"),
    ] {
        let (_, command) = sent(text);
        assert!(command.as_ref().is_err_and(|error| error.contains(why)), "{text}: {command:?}");
    }
}
