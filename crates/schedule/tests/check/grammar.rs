//! Every key of a schedule: its forms, and how each is refused.

use super::{check, expecting, stage};
use quantity::{
    Gravity, GravityDelta, GravityRate, Quantity, Share, Span, Temperature, TemperatureRate,
};
use schedule::model::{
    Along, AtMost, ExpectedFinal, ExpectedOriginal, Finish, Milestone, Overdue, Pace, Target,
};
use std::num::NonZeroU32;

fn of<T: Quantity>(text: &str) -> T {
    T::parse(text).unwrap()
}

/// The target of a schedule of one stage without a problem.
#[track_caller]
fn target(text: &str) -> Target {
    let schedule = check(&stage(text, "{elapsed='20 d'}"), &[]).value.unwrap();
    schedule.stages[0].target.clone()
}

/// The milestone of a schedule of one stage without a problem.
#[track_caller]
fn until(text: &str) -> Milestone {
    let expect = "original_gravity='12 P'\nfinal_gravity='2.5 P'";
    let schedule = check(&expecting(expect, "'18 C'", text), &[]).value.unwrap();
    schedule.stages[0].until.clone()
}

#[test]
fn what_is_left_out_has_its_default() {
    let schedule = check(&stage("'18 C'", "{elapsed='1 d'}"), &[]).value.unwrap();
    assert_eq!(schedule.name, "pale-lager", "the file's name");
    assert_eq!(schedule.confidence, of::<Share>("95 %"));
    assert_eq!(schedule.finish, Finish::Keep);
    assert_eq!(schedule.expect.original_gravity, ExpectedOriginal::Measured);
    assert_eq!(schedule.expect.final_gravity, ExpectedFinal::Unknown);
    assert_eq!(schedule.expect.begins_within, of::<Span>("36 h"));
    assert_eq!(schedule.expect.yeast_range, None);
    assert_eq!((schedule.limits.coldest, schedule.limits.warmest), (None, None));
    assert_eq!(schedule.limits.ramp_up, of::<TemperatureRate>("1 C/h"));
    assert_eq!(schedule.limits.ramp_down, of::<TemperatureRate>("0.5 C/h"));
    assert_eq!(schedule.stages[0].remind, of::<Span>("12 h"));
    assert!(schedule.stages[0].notices.is_empty());
    assert_eq!(schedule.stages[0].at_least, None);
}

#[test]
fn what_is_written_is_read() {
    let text = "
format=1
name='Old ale'
confidence='99 %'
finish='off'
[expect]
original_gravity='1.048 SG'
attenuation='80 %'
begins_within='3 d'
yeast_range=['46.4 F','18 °C']
[limits]
coldest='0 C'
warmest='293.15 K'
ramp_up='24 C/d'
ramp_down='1.8 F/h'
[[stage]]
name=' primary '
target='18 C'
until={elapsed='1 d 12 h'}
at_least='2 h'
at_most={time='12 d'}
remind='6 h'
[[stage.notice]]
say='Taste it'
when={since_pitch='2 h'}
";
    let schedule = check(text, &[]).value.unwrap();
    assert_eq!(schedule.name, "Old ale");
    assert_eq!(schedule.finish, Finish::Off);
    let original = ExpectedOriginal::Gravity(of("1.048 SG"));
    assert_eq!(schedule.expect.original_gravity, original);
    assert_eq!(schedule.expect.final_gravity, ExpectedFinal::Attenuation(of("80 %")));
    let (low, high) = schedule.expect.yeast_range.unwrap();
    assert!((low.celsius() - 8.0).abs() < 1e-9 && high.celsius() == 18.0);
    assert!((schedule.limits.ramp_up.kelvin_per_hour() - 1.0).abs() < 1e-12);
    assert!((schedule.limits.ramp_down.kelvin_per_hour() - 1.0).abs() < 1e-12);
    let stage = &schedule.stages[0];
    assert_eq!(stage.name, "primary", "blanks around a name are nobody's intent");
    assert_eq!(stage.until, Milestone::Elapsed(of("36 h")));
    assert_eq!(stage.at_most, Some(AtMost { time: of("12 d"), then: Overdue::Alarm }));
    assert_eq!(stage.remind, of::<Span>("6 h"));
    assert_eq!(stage.notices[0].say, "Taste it");
    assert_eq!(stage.notices[0].when, Milestone::SincePitch(of("2 h")));
}

#[test]
fn every_form_of_a_target() {
    let to: Temperature = of("16 C");
    let timed = |pace, steps| Target::Timed { to, pace, steps };
    assert_eq!(target("'16 C'"), Target::Fixed(to));
    assert_eq!(target("{to='16 C',over='3 d'}"), timed(Pace::Over(of("3 d")), None));
    let steps = NonZeroU32::new(8);
    assert_eq!(target("{to='16 C',rate='2 C/d',steps=8}"), timed(Pace::Rate(of("2 C/d")), steps));
    let climb = Target::Climb {
        to,
        along: Along::Attenuation,
        from: of("50 %"),
        until: of("68 %"),
        steps: NonZeroU32::new(6),
    };
    let text = "{to='16 C',along='attenuation',from='50 %',until='68 %',steps=6}";
    assert_eq!(target(text), climb);
    let free = |not_below| Target::FreeRise { ceiling: of("24 C"), not_below };
    assert_eq!(target("{free_rise='24 C'}"), free(None));
    assert_eq!(target("{free_rise='24 C',not_below='18 C'}"), free(Some(of("18 C"))));
}

#[test]
fn every_milestone() {
    let points = GravityDelta::Points;
    let elapsed = Milestone::Elapsed(of("2 d"));
    let confirm = Milestone::Confirm("Clean".to_owned());
    for (text, expected) in [
        ("{attenuation='50 %'}", Milestone::Attenuation(of("50 %"))),
        ("{progress='50 %'}", Milestone::Progress(of("50 %"))),
        ("{gravity='1.020 SG'}", Milestone::Gravity(of::<Gravity>("1.020 SG"))),
        ("{above_final='4 points'}", Milestone::AboveFinal(points(4.0))),
        ("{drop='0.010 SG'}", Milestone::Drop(points(10.0))),
        ("{slower_than='2 points/d'}", Milestone::SlowerThan(GravityRate::Points(2.0))),
        (
            "{stable={within='1 P',over='48 h'}}",
            Milestone::Stable { within: GravityDelta::Plato(1.0), over: of("48 h") },
        ),
        ("{at_target='6 h'}", Milestone::AtTarget(of("6 h"))),
        ("{elapsed='2 d'}", elapsed.clone()),
        ("{since_pitch='2 d'}", Milestone::SincePitch(of("2 d"))),
        ("{confirm='Clean'}", confirm.clone()),
        (
            "{all=[{elapsed='2 d'},{confirm='Clean'}]}",
            Milestone::All(vec![elapsed.clone(), confirm.clone()]),
        ),
        ("{any=[{elapsed='2 d'}]}", Milestone::Any(vec![elapsed.clone()])),
        // Several keys in one table mean all of them, in the order in which they were written.
        ("{elapsed='2 d',confirm='Clean'}", Milestone::All(vec![elapsed.clone(), confirm.clone()])),
        ("{confirm='Clean',elapsed='2 d'}", Milestone::All(vec![confirm.clone(), elapsed.clone()])),
        (
            "{any=[{elapsed='2 d'}],confirm='Clean'}",
            Milestone::All(vec![Milestone::Any(vec![elapsed]), confirm]),
        ),
    ] {
        assert_eq!(until(text), expected, "{text}");
    }
}

#[test]
fn what_happens_at_most() {
    for (word, then) in
        [("alarm", Overdue::Alarm), ("advance", Overdue::Advance), ("hold", Overdue::Hold)]
    {
        let text = stage("'18 C'", "{elapsed='1 d'}").replace("'alarm'", &format!("'{word}'"));
        let schedule = check(&text, &[]).value.unwrap();
        assert_eq!(schedule.stages[0].at_most.unwrap().then, then);
    }
}

#[test]
fn unknown_keys_are_refused_at_every_level() {
    for (text, expected) in [
        ("format=1\ncolour=2\nstage=[]\n", vec!["error unknown-key 2:1", "error empty 3:7"]),
        (&expecting("colour='x'", "'18 C'", "{elapsed='1 d'}"), vec!["error unknown-key 8:1"]),
        (
            &stage("{to='1 C',over='1 d',colour=1}", "{elapsed='2 d'}"),
            vec!["error unknown-key 4:29"],
        ),
        (&stage("'18 C'", "{elapsed='1 d',colour=1}"), vec!["error unknown-key 5:22"]),
        (&stage("'18 C'", "{all=[{elapsed='1 d'},{colour=1}]}"), vec!["error unknown-key 5:30"]),
        (
            &stage("'18 C'", "{elapsed='1 d'}").replace("then", "colour"),
            vec!["error unknown-key 6:22"],
        ),
    ] {
        check(text, &expected);
    }
}

#[test]
fn an_unknown_key_is_one_problem_and_names_the_nearest() {
    let text = stage("'18 C'", "{elapsed='1 d'}").replace("target", "taget");
    let checked = check(&text, &["error unknown-key 4:1"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("did you mean `target`?"));
    // A misspelt key still tells which form of a target was meant.
    let text = stage("{freerise='20 C'}", "{elapsed='1 d'}");
    let checked = check(&text, &["error unknown-key 4:9"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("did you mean `free_rise`?"));
}

#[test]
fn keys_of_another_table_are_told_where_they_belong() {
    let text = format!("ramp_up='1 C/h'\n{}", stage("'18 C'", "{elapsed='1 d'}"));
    let checked = check(&text, &["error unknown-key 1:1"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("`ramp_up` is a key of `[limits]`"));
}

#[test]
fn bare_numbers_name_the_units() {
    for (text, expected, units) in [
        (stage("18", "{elapsed='1 d'}"), "error bare-number 4:8", "`C`, `F` or `K`"),
        (stage("18.5", "{elapsed='1 d'}"), "error bare-number 4:8", "`C`, `F` or `K`"),
        (stage("'18'", "{elapsed='1 d'}"), "error bare-number 4:8", "`C`, `F` or `K`"),
        (stage("'18 C'", "{elapsed=1}"), "error bare-number 5:16", "`s`, `min`, `h` or `d`"),
        (stage("'18 C'", "{attenuation=50}"), "error bare-number 5:20", "`%`"),
        (stage("'18 C'", "{gravity=1.02}"), "error bare-number 5:16", "`SG`, `P` or `Bx`"),
        (stage("'18 C'", "{drop=20}"), "error bare-number 5:13", "`SG`, `points` or `P`"),
        (
            stage("'18 C'", "{slower_than=2}"),
            "error bare-number 5:20",
            "`SG/d`, `points/d` or `P/d`",
        ),
        (
            expecting("original_gravity=1.048", "'18 C'", "{elapsed='1 d'}"),
            "error bare-number 8:18",
            "`SG`, `P` or `Bx`",
        ),
        (
            expecting("yeast_range=[8,'18 C']", "'18 C'", "{elapsed='1 d'}"),
            "error bare-number 8:14",
            "`C`, `F` or `K`",
        ),
        (
            stage("{to='1 C',rate=2}", "{elapsed='20 d'}"),
            "error bare-number 4:23",
            "`C/h`, `C/d`, `F/h` or `F/d`",
        ),
    ] {
        let checked = check(&text, &[expected]);
        assert!(checked.problems[0].message.contains(units), "{}", checked.problems[0].message);
    }
}

#[test]
fn wrong_types_are_refused() {
    for (target, until, expected) in [
        ("true", "{elapsed='1 d'}", "error wrong-type 4:8"),
        ("['18 C']", "{elapsed='1 d'}", "error wrong-type 4:8"),
        ("1979-05-27", "{elapsed='1 d'}", "error wrong-type 4:8"),
        ("'18 C'", "'1 d'", "error wrong-type 5:7"),
        ("'18 C'", "'when it is done'", "error wrong-type 5:7"),
        ("'18 C'", "[{elapsed='1 d'}]", "error wrong-type 5:7"),
        ("'18 C'", "{confirm=1}", "error wrong-type 5:16"),
        ("'18 C'", "{all={elapsed='1 d'}}", "error wrong-type 5:12"),
        ("'18 C'", "{stable='48 h'}", "error wrong-type 5:15"),
        ("{to='1 C',over='1 d',steps='8'}", "{elapsed='2 d'}", "error wrong-type 4:35"),
    ] {
        check(&stage(target, until), &[expected]);
    }
    check("format='1'\nstage={}\n", &["error wrong-type 1:8", "error wrong-type 2:7"]);
    let text = stage("'18 C'", "{elapsed='1 d'}").replace("{time='60 d',then='alarm'}", "'60 d'");
    let checked = check(&text, &["error wrong-type 6:9"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("write `{ time = \"60 d\" }`"));
}

#[test]
fn what_must_be_there() {
    check("", &["error missing-key 1:1", "error missing-key 1:1"]);
    check("# nothing yet\n", &["error missing-key 1:1", "error missing-key 1:1"]);
    check("format=1\n[[stage]]\n", &["error missing-key 2:1"; 3]);
    check("format=1\nstage=[]\n", &["error empty 2:7"]);
    // The last stage needs an `until` too.
    let text =
        format!("{}[[stage]]\nname='two'\ntarget='2 C'\n", stage("'18 C'", "{elapsed='1 d'}"));
    check(&text, &["error missing-key 7:1"]);
    for (target, expected) in [
        ("{to='1 C'}", "error missing-key 4:8"),
        ("{over='1 d'}", "error missing-key 4:8"),
        ("{to='1 C',along='attenuation',from='50 %'}", "error missing-key 4:8"),
        ("{not_below='1 C'}", "error missing-key 4:8"),
        ("{to='1 C',over='1 d',rate='1 C/d'}", "error conflict 4:29"),
    ] {
        check(&stage(target, "{elapsed='1 d'}"), &[expected]);
    }
    check(&stage("'18 C'", "{stable={within='1 points'}}"), &["error missing-key 5:15"]);
    let both = "final_gravity='1.010 SG'\nattenuation='75 %'";
    check(&expecting(both, "'18 C'", "{elapsed='1 d'}"), &["error conflict 9:1"]);
    let text = format!("{}[[stage.notice]]\nsay='x'\n", stage("'18 C'", "{elapsed='1 d'}"));
    check(&text, &["error missing-key 7:1"]);
}

#[test]
fn empty_milestones_are_refused() {
    for (until, expected) in [
        ("{}", "error empty 5:7"),
        ("{all=[]}", "error empty 5:12"),
        ("{any=[]}", "error empty 5:12"),
        ("{any=[{}]}", "error empty 5:13"),
        ("{all=[{any=[]},{elapsed='1 d'}]}", "error empty 5:18"),
    ] {
        check(&stage("'18 C'", until), &[expected]);
    }
}

#[test]
fn words_are_refused_with_the_nearest() {
    let text = format!("finish='kep'\n{}", stage("'18 C'", "{elapsed='1 d'}"));
    let checked = check(&text, &["error bad-value 1:8"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("did you mean `\"keep\"`?"));
    let text = expecting("original_gravity='measure'", "'18 C'", "{elapsed='1 d'}");
    let checked = check(&text, &["error bad-quantity 8:18"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("did you mean `\"measured\"`?"));
    for (expect, original, end) in [
        ("original_gravity='measured'", ExpectedOriginal::Measured, ExpectedFinal::Unknown),
        ("final_gravity='unknown'", ExpectedOriginal::Measured, ExpectedFinal::Unknown),
    ] {
        let schedule = check(&expecting(expect, "'18 C'", "{elapsed='1 d'}"), &[]).value.unwrap();
        assert_eq!(schedule.expect.original_gravity, original);
        assert_eq!(schedule.expect.final_gravity, end);
    }
}

#[test]
fn syntax_errors_are_all_reported_and_end_the_check() {
    let text = "format=1\n[[stage]]\nname='one'\ntarget=18 C\nuntil={elapsed=2 d}\n";
    let checked = check(text, &["error toml-syntax 4:8", "error toml-syntax 5:16"]);
    assert_eq!(checked.problems[0].hint.as_deref(), Some("write `\"18 C\"`"));
    check("[[stage]\n", &["error toml-syntax 1:9"]);
}

#[test]
fn keys_that_stand_twice_are_refused_and_the_rest_is_checked() {
    let text = "format=1\nformat=1\n[[stage]]\nname='one'\ntarget=18\nuntil={elapsed='1 d'}\n";
    check(text, &["error duplicate-key 2:1", "error bare-number 5:8"]);
}

#[test]
fn all_problems_come_at_once() {
    let text = "
format = 3
confidence = '20 %'
[limits]
warmest = 20
ramp_up = '1 C'
[[stage]]
name = ''
target = {to='16 C',along='gravity',from='50 %',until='40 %'}
until = {any=[{elapsed='2 weeks'},{confrm='x'}]}
at_least = 'soon'
";
    check(
        text,
        &[
            "error bad-value 2:10",
            "error bad-value 3:14",
            "error bare-number 5:11",
            "error bad-quantity 6:11",
            "error bad-value 8:8",
            "error bad-value 9:27",
            "error climb-order 9:42",
            "error bad-quantity 10:24",
            "error unknown-key 10:36",
            "error bad-quantity 11:12",
        ],
    );
}

#[test]
fn places_count_characters_and_survive_foreign_line_ends() {
    let text = "\u{feff}format=1\r\nname='Münchner „Helles“'\r\n[[stage]]\r\nname='ü'\r\n\
                target='18 C'\r\nuntil={confirm='ähm',elapsed=1}\r\n";
    check(text, &["error bare-number 6:30"]);
    let checked = check("\u{feff}frmat=1\n", &["error unknown-key 1:1", "error missing-key 1:1"]);
    assert_eq!(checked.problems[0].place.range, 3..8, "bytes count the mark");
}
