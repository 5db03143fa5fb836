//! Both sides of each limit of a single value.

use super::{check, expecting, stage};

const DAY: &str = "{elapsed='20 d'}";

/// Holds that each of these is without a problem, or has the one that is expected.
#[track_caller]
fn each(cases: &[(String, Option<&str>)]) {
    for (text, expected) in cases {
        check(text, &expected.iter().copied().collect::<Vec<_>>());
    }
}

#[test]
fn confidence() {
    let with = |value: &str| format!("confidence='{value}'\n{}", stage("'18 C'", DAY));
    each(&[
        (with("50 %"), None),
        (with("49.9 %"), Some("error bad-value 1:12")),
        (with("99.9 %"), None),
        (with("99.95 %"), Some("error bad-value 1:12")),
    ]);
}

#[test]
fn steps() {
    let with = |value: &str| stage(&format!("{{to='1 C',over='1 d',steps={value}}}"), DAY);
    each(&[
        (with("1"), None),
        (with("0"), Some("error bad-value 4:35")),
        (with("1000"), None),
        (with("1001"), Some("error bad-value 4:35")),
        (with("-1"), Some("error bad-value 4:35")),
        (with("1.0"), Some("error wrong-type 4:35")),
        (with("0x10"), None),
        (with("99999999999999999999999"), Some("error bad-value 4:35")),
    ]);
}

#[test]
fn format() {
    let with = |value: &str| stage("'18 C'", DAY).replace("format=1", &format!("format={value}"));
    each(&[
        (with("1"), None),
        (with("0"), Some("error bad-value 1:8")),
        (with("2"), Some("error bad-value 1:8")),
        (with("1.0"), Some("error wrong-type 1:8")),
        (with("true"), Some("error wrong-type 1:8")),
    ]);
}

#[test]
fn spans_that_cannot_be_nothing() {
    each(&[
        (stage("{to='1 C',over='1 s'}", DAY), None),
        (stage("{to='1 C',over='0 s'}", DAY), Some("error bad-value 4:23")),
        (stage("{to='1 C',over='90 d'}", "{at_target='1 h'}").replace("60 d", "99 d"), None),
        (stage("'18 C'", "{stable={within='1 points',over='0 d'}}"), Some("error bad-value 5:39")),
        (stage("'18 C'", "{stable={within='0 points',over='2 d'}}"), Some("error bad-value 5:23")),
        (stage("'18 C'", "{slower_than='0 points/d'}"), Some("error bad-value 5:20")),
        (stage("'18 C'", DAY).replace("60 d", "0 d"), Some("error bad-value 6:15")),
        (format!("{}remind='0 h'\n", stage("'18 C'", DAY)), Some("error bad-value 7:8")),
        (format!("{}remind='1 s'\n", stage("'18 C'", DAY)), None),
        (expecting("begins_within='0 h'", "'18 C'", DAY), Some("error bad-value 8:15")),
        (expecting("begins_within='1 h'", "'18 C'", DAY), None),
    ]);
}

#[test]
fn rates_that_cannot_be_nothing() {
    let limits =
        |key: &str, value: &str| format!("{}[limits]\n{key}='{value}'\n", stage("'18 C'", DAY));
    each(&[
        (stage("{to='1 C',rate='0 C/d'}", DAY), Some("error bad-value 4:23")),
        (stage("{to='1 C',rate='0.1 C/d'}", DAY), None),
        (limits("ramp_up", "0 C/h"), Some("error bad-value 8:9")),
        (limits("ramp_up", "0.01 C/h"), None),
        (limits("ramp_down", "0 C/d"), Some("error bad-value 8:11")),
        (limits("ramp_down", "60 C/h"), None),
        (limits("ramp_down", "61 C/h"), Some("error bad-quantity 8:11")),
    ]);
}

#[test]
fn from_lies_before_until() {
    let climb = |from: &str, until: &str| {
        stage(&format!("{{to='16 C',along='attenuation',from='{from}',until='{until}'}}"), DAY)
    };
    each(&[
        (climb("50 %", "51 %"), None),
        (climb("50 %", "50 %"), Some("error climb-order 4:44")),
        (climb("51 %", "50 %"), Some("error climb-order 4:44")),
        (climb("0 %", "110 %"), None),
        (climb("0 %", "111 %"), Some("error bad-quantity 4:56")),
    ]);
}

#[test]
fn ranges_go_from_cold_to_warm() {
    let limits = |coldest: &str, warmest: &str| {
        format!("{}[limits]\ncoldest='{coldest}'\nwarmest='{warmest}'\n", stage("'18 C'", DAY))
    };
    let yeast = |range: &str| expecting(&format!("yeast_range={range}"), "'18 C'", DAY);
    each(&[
        (limits("18 C", "18 C"), None),
        (limits("18.1 C", "18 C"), Some("error limits-crossed 8:9")),
        (yeast("['8 C','18 C']"), None),
        (yeast("['18 C','18 C']"), Some("error bad-value 8:13")),
        (yeast("['18 C','8 C']"), Some("error bad-value 8:13")),
        (yeast("['8 C']"), Some("error wrong-type 8:13")),
        (yeast("['8 C','18 C','20 C']"), Some("error wrong-type 8:13")),
        (yeast("'8 C to 18 C'"), Some("error wrong-type 8:13")),
        (stage("{free_rise='20 C',not_below='20 C'}", DAY), None),
        (stage("{free_rise='20 C',not_below='20.1 C'}", DAY), Some("error bad-value 4:36")),
    ]);
}

#[test]
fn beers_that_cannot_be() {
    let beer = |original: &str, end: &str| {
        let expect = format!("original_gravity='{original}'\n{end}");
        expecting(&expect, "'18 C'", DAY)
    };
    each(&[
        (beer("1.001 SG", ""), None),
        (beer("1.000 SG", ""), Some("error bad-value 8:18")),
        (beer("0.998 SG", ""), Some("error bad-value 8:18")),
        (beer("1.050 SG", "final_gravity='1.049 SG'"), None),
        (beer("1.050 SG", "final_gravity='1.050 SG'"), Some("error bad-value 9:15")),
        (beer("1.050 SG", "final_gravity='0.998 SG'"), None),
        (beer("1.050 SG", "attenuation='0 %'"), Some("error bad-value 9:13")),
        (beer("1.050 SG", "attenuation='1 %'"), None),
        (beer("1.050 SG", "attenuation='110 %'"), None),
        (beer("12 P", "final_gravity='12 P'"), Some("error bad-value 9:15")),
    ]);
}

#[test]
fn temperatures_in_their_sane_range() {
    each(&[
        (stage("'50 C'", DAY), None),
        (stage("'80 C'", DAY), None),
        (stage("'81 C'", DAY), Some("error bad-quantity 4:8")),
        (stage("'400 C'", DAY), Some("error bad-quantity 4:8")),
        (stage("'nan C'", DAY), Some("error bad-quantity 4:8")),
        (stage("'inf C'", DAY), Some("error bad-quantity 4:8")),
        (stage("nan", DAY), Some("error bare-number 4:8")),
    ]);
}

#[test]
fn sentences_and_names() {
    let name = |name: &str| stage("'18 C'", DAY).replace("'one'", name);
    let long = "a".repeat(1000);
    each(&[
        (name("'ü „rest“'"), None),
        (name("''"), Some("error bad-value 3:6")),
        (name("'  '"), Some("error bad-value 3:6")),
        (name("\"a\\nb\""), Some("error bad-value 3:6")),
        (name(&format!("'{long}'")), None),
        (name(&format!("'{long}a'")), Some("error bad-value 3:6")),
        (stage("'18 C'", "{confirm=''}"), Some("error bad-value 5:16")),
        (format!("name=''\n{}", stage("'18 C'", DAY)), Some("error bad-value 1:6")),
    ]);
}
