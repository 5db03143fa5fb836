//! The schemas for editors: they take what the check takes, and mark what a schema can know.

use serde_json::Value;

const SCHEDULE: &str = include_str!("../../../../config-examples/schedules/pale-lager-quick.toml");
const CONFIG: &str = include_str!("../../../../config-examples/barmkeep.toml");

/// What a schema says of a text in TOML.
fn complaints(schema: &Value, text: &str) -> Vec<String> {
    let validator = jsonschema::draft7::new(schema).unwrap();
    let document: Value = toml::from_str(text).unwrap();
    validator.iter_errors(&document).map(|error| error.to_string()).collect()
}

#[test]
fn the_schemas_are_schemas() {
    for schema in [schedule::schedule_schema(), schedule::config_schema()] {
        assert!(jsonschema::draft7::meta::is_valid(&schema));
    }
}

#[test]
fn good_files_pass() {
    let schema = schedule::schedule_schema();
    assert_eq!(complaints(&schema, SCHEDULE), Vec::<String>::new());
    let targets = [
        "'64.4 °F'",
        "{to='1 C',rate='2 C/d',steps=8}",
        "{to='1 C',over='1 d 12 h'}",
        "{free_rise='24 C',not_below=' 18C '}",
        "{to='16 C',along='progress',from='50%',until='68 %'}",
    ];
    for target in targets {
        let text =
            super::stage(target, "{any=[{stable={within='1 point',over='48h'}},{confirm='x'}]}");
        assert_eq!(complaints(&schema, &text), Vec::<String>::new(), "{target}");
    }
    assert_eq!(complaints(&schedule::config_schema(), CONFIG), Vec::<String>::new());
}

#[test]
fn faulty_schedules_are_marked() {
    let schema = schedule::schedule_schema();
    for (target, until) in [
        ("18", "{elapsed='1 d'}"),
        ("'18'", "{elapsed='1 d'}"),
        ("'18 SG'", "{elapsed='1 d'}"),
        ("{to='1 C'}", "{elapsed='1 d'}"),
        ("{to='1 C',over='1 d',rate='1 C/d'}", "{elapsed='1 d'}"),
        ("{to='1 C',over='1 d',steps=0}", "{elapsed='1 d'}"),
        ("{to='1 C',along='time',from='1 %',until='2 %'}", "{elapsed='1 d'}"),
        ("'18 C'", "{}"),
        ("'18 C'", "{all=[]}"),
        ("'18 C'", "{elapsd='1 d'}"),
        ("'18 C'", "{elapsed='1 week'}"),
        ("'18 C'", "{all=[{confirm=''}]}"),
    ] {
        let text = super::stage(target, until);
        assert!(!complaints(&schema, &text).is_empty(), "{target} {until}");
    }
    for text in ["", "format=2\nstage=[]", "format=1", "format=1\nstage=[]\ncolour=1"] {
        assert!(!complaints(&schema, text).is_empty(), "{text}");
    }
    let both = "final_gravity='1.010 SG'\nattenuation='75 %'";
    let text = super::expecting(both, "'18 C'", "{elapsed='1 d'}");
    assert!(!complaints(&schema, &text).is_empty());
}

#[test]
fn faulty_configurations_are_marked() {
    let schema = schedule::config_schema();
    for (good, bad) in [
        ("\"23 L\"", "23"),
        ("[vessel.north]", "[vessel.North]"),
        ("\"thermowell\"", "\"air\""),
        ("\"cellar/float/1\"", "\"cellar/+/1\""),
        ("\"/sg\"", "\"sg\""),
        ("broker = \"embedded\"", "broker = \"broker.lan\""),
        ("anticipate = true", "anticipate = \"yes\""),
        ("runs_out = \"5 min\"", "run_out = \"5 min\""),
    ] {
        assert!(CONFIG.contains(good), "{good}");
        let text = CONFIG.replace(good, bad);
        assert!(!complaints(&schema, &text).is_empty(), "{bad}");
    }
}

/// Every key tells an editor what it is for, and no default fails its own rule.
#[test]
fn every_key_is_described_and_every_default_is_right() {
    for schema in [schedule::schedule_schema(), schedule::config_schema()] {
        let mut keys = 0;
        let definitions = schema["definitions"].as_object().unwrap();
        for table in definitions.values().chain(std::iter::once(&schema)) {
            for (name, key) in table["properties"].as_object().unwrap() {
                keys += 1;
                let doc = key["description"].as_str().unwrap();
                assert!(doc.len() > 5 && !doc.ends_with('.'), "{name}: {doc}");
                if let Some(default) = key.get("default") {
                    let validator = jsonschema::draft7::new(key).unwrap();
                    assert!(validator.is_valid(default), "{name}: {default}");
                }
            }
        }
        assert!(keys > 40, "{keys}");
    }
}
