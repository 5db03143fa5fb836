//! Whether a schedule suits a vessel.

use super::{check_config, compare};
use schedule::config::Vessel;
use schedule::{Severity, Source};

const VESSEL: &str = "
format=1
[store]
file='x'
[vessel.north]
volume='23 L'
coldest='0 C'
warmest='26 C'
[vessel.north.beer]
topic='cellar/probe/1'
read={unit='C'}
every='10 s'
";
const FLOAT: &str = "
[vessel.north.gravity.float]
topic='cellar/float/1'
read={unit='SG'}
every='6 h'
";
const HEATER: &str = "\n[vessel.north.heater]\nruns_out='5 min'\n";
const CHILLER: &str = "\n[vessel.north.chiller]\nruns_out='5 min'\n";

fn vessel(parts: &[&str]) -> Vessel {
    let text = format!("{VESSEL}{}", parts.concat());
    let config = check_config(&text, &[]).value.unwrap();
    config.vessels.into_values().next().unwrap()
}

/// Two stages: 18 °C, then another target in line 10 from column 8.
fn schedule(until: &str, target: &str) -> Source {
    let text = format!(
        "format=1\nname='x'\n[[stage]]\nname='one'\ntarget='18 C'\nuntil={until}\n\
         at_most={{time='60 d'}}\n\
         [[stage]]\nname='two'\ntarget={target}\nuntil={{elapsed='20 d'}}\n"
    );
    Source::new("cellar/ale.toml", text)
}

#[track_caller]
fn each(vessel: &Vessel, until: &str, cases: &[(&str, &[&str])]) {
    for (target, expected) in cases {
        let source = schedule(until, target);
        let checked = schedule::read_schedule_for(&source, vessel);
        compare(&checked.problems, &source, expected);
        // The same without a file, as `pitch` has it.
        if let Some(schedule) = schedule::read_schedule(&source).value {
            let findings = schedule::fits(&schedule, vessel);
            assert_eq!(findings.len(), expected.len(), "{findings:?}");
            let refused = findings.iter().any(|finding| finding.severity == Severity::Error);
            assert_eq!(refused, checked.has_errors());
        }
    }
}

const DAYS: &str = "{elapsed='5 d'}";

#[test]
fn targets_within_the_vessels_limits() {
    each(
        &vessel(&[FLOAT, HEATER, CHILLER]),
        DAYS,
        &[
            ("'26 C'", &[]),
            ("'26.1 C'", &["error outside-vessel 10:8"]),
            ("'0 C'", &[]),
            ("{to='-0.1 C',over='9 d'}", &["error freezing 10:12", "error outside-vessel 10:12"]),
            ("{free_rise='27 C'}", &["error outside-vessel 10:19"]),
        ],
    );
}

#[test]
fn heat_without_a_heater_and_cold_without_a_chiller() {
    each(
        &vessel(&[FLOAT, CHILLER]),
        DAYS,
        &[
            ("'19 C'", &["warning no-heater 10:8"]),
            ("'18.5 C'", &[]),
            ("'4 C'", &[]),
            ("{free_rise='24 C'}", &[]),
            ("{free_rise='24 C',not_below='18 C'}", &["warning no-heater 10:36"]),
        ],
    );
    each(
        &vessel(&[FLOAT, HEATER]),
        DAYS,
        &[
            ("'19 C'", &[]),
            ("'17 C'", &["warning no-chiller 10:8"]),
            ("'17.5 C'", &[]),
            ("{free_rise='24 C'}", &["warning no-chiller 10:8"]),
        ],
    );
    each(
        &vessel(&[FLOAT, HEATER, CHILLER, "out_of_use=true\n"]),
        DAYS,
        &[("'17 C'", &["warning no-chiller 10:8"])],
    );
}

#[test]
fn windows_that_the_vessels_float_cannot_show() {
    let stable = |over: &str| format!("{{stable={{within='1 points',over='{over}'}}}}");
    let float = vessel(&[FLOAT, HEATER, CHILLER]);
    each(&float, &stable("12 h"), &[("'18 C'", &[])]);
    each(&float, &stable("11 h"), &[("'18 C'", &["warning stable-too-short 6:39"])]);
    let by_hand = VESSEL.replace("volume", "sample_every='1 d'\nvolume");
    let config = check_config(&format!("{by_hand}{HEATER}{CHILLER}"), &[]).value.unwrap();
    let by_hand = config.vessels.into_values().next().unwrap();
    each(&by_hand, &stable("48 h"), &[("'18 C'", &[])]);
    each(&by_hand, &stable("47 h"), &[("'18 C'", &["warning stable-too-short 6:39"])]);
}

#[test]
fn gravity_without_a_source() {
    let blind = vessel(&[HEATER, CHILLER]);
    each(&blind, "{attenuation='50 %'}", &[("'18 C'", &["warning no-gravity-source 6:20"])]);
    each(&blind, DAYS, &[("'18 C'", &[])]);
}
