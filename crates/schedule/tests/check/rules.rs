//! What the values of a schedule owe to each other, on both sides of each rule.

use super::{check, expecting, stage};

/// 12 °P to 2.5 °P: 79.2 % apparent attenuation, 1.0484 to 1.0098 SG.
const LAGER: &str = "original_gravity='12 P'\nfinal_gravity='2.5 P'";

/// Holds that each of these has the problems that are expected.
#[track_caller]
fn each(cases: &[(String, &[&str])]) {
    for (text, expected) in cases {
        check(text, expected);
    }
}

/// Stages, each with its target, milestone and more lines, under an `expect` and `limits`: the
/// target of the first stands in line 6, that of the second in line 11, each from column 8.
fn stages(expect: &str, limits: &str, stages: &[(&str, &str, &str)]) -> String {
    let inline = |lines: &str| lines.replace('\n', ",");
    let (expect, limits) = (inline(expect), inline(limits));
    let mut text = format!("format=1\nexpect={{{expect}}}\nlimits={{{limits}}}\n");
    for (index, (target, until, more)) in stages.iter().enumerate() {
        text.push_str(&format!(
            "[[stage]]\nname='{index}'\ntarget={target}\nuntil={until}\n{more}\n"
        ));
    }
    text
}

const BOUND: &str = "at_most={time='99 d'}";

#[test]
fn stages_of_one_name() {
    let two = |name: &str| {
        format!(
            "{}[[stage]]\nname={name}\ntarget='18 C'\nuntil={{elapsed='1 d'}}\n",
            stage("'18 C'", "{elapsed='1 d'}")
        )
    };
    each(&[
        (two("'two'"), &[]),
        (two("'one'"), &["error duplicate-stage 8:6"]),
        (two("' one '"), &["error duplicate-stage 8:6"]),
        (two("'One'"), &[]),
    ]);
}

#[test]
fn at_least_is_not_above_at_most() {
    let with = |least: &str| format!("{}at_least='{least}'\n", stage("'18 C'", "{elapsed='1 d'}"));
    each(&[(with("60 d"), &[]), (with("61 d"), &["error least-above-most 7:10"])]);
}

#[test]
fn targets_within_the_limits() {
    let with = |target: &str| {
        format!("{}[limits]\ncoldest='2 C'\nwarmest='20 C'\n", stage(target, "{elapsed='20 d'}"))
    };
    each(&[
        (with("'2 C'"), &[]),
        (with("'1.9 C'"), &["error outside-limits 4:8"]),
        (with("'20 C'"), &[]),
        (with("'20.1 C'"), &["error outside-limits 4:8"]),
        (with("{to='21 C',over='1 d'}"), &["error outside-limits 4:12"]),
        (
            with("{to='21 C',along='attenuation',from='1 %',until='9 %'}"),
            &["error outside-limits 4:12"],
        ),
        (with("{free_rise='21 C'}"), &["error outside-limits 4:19"]),
        (with("{free_rise='20 C',not_below='1 C'}"), &["error outside-limits 4:36"]),
    ]);
}

/// Freezing points by −40.33·A/(100 − A), with A from the alcohol of 12 °P at 50 % (2.52 % by
/// weight) and at 79.2 % (3.98 %): −1.04 and −1.67 °C. Computed by hand from Balling's formula with
/// q = 0.22 + 0.001·12.
#[test]
fn targets_above_the_freezing_point() {
    let cold = |expect: &str, until: &str, more: &str, target: &str| {
        stages(expect, "", &[("'10 C'", until, more), (target, "{elapsed='3 d'}", "")])
    };
    let half = "{attenuation='50 %'}";
    let freezing = "error freezing 11:8";
    let unknown = "original_gravity='measured'";
    let advance = "at_most={time='99 d',then='advance'}";
    each(&[
        (cold(LAGER, half, BOUND, "'-1.03 C'"), &[]),
        (cold(LAGER, half, BOUND, "'-1.05 C'"), &[freezing]),
        // Time guarantees nothing, nor does a stage that may be left unasked: the expected beer.
        (cold(LAGER, "{elapsed='9 d'}", BOUND, "'-1.66 C'"), &[]),
        (cold(LAGER, "{elapsed='9 d'}", BOUND, "'-1.68 C'"), &[freezing]),
        (cold(LAGER, half, advance, "'-1.66 C'"), &[]),
        // `all` guarantees the most of its parts, `any` the least, or nothing.
        (
            cold(LAGER, "{all=[{attenuation='50 %'},{elapsed='1 d'}]}", BOUND, "'-1.05 C'"),
            &[freezing],
        ),
        (
            cold(LAGER, "{any=[{attenuation='50 %'},{attenuation='70 %'}]}", BOUND, "'-1.05 C'"),
            &[freezing],
        ),
        (cold(LAGER, "{any=[{attenuation='50 %'},{elapsed='1 d'}]}", BOUND, "'-1.66 C'"), &[]),
        // `stable` guarantees 4 points above the end: 3.53 °P, 3.55 % alcohol, −1.48 °C.
        (cold(LAGER, "{stable={within='1 points',over='2 d'}}", BOUND, "'-1.47 C'"), &[]),
        (cold(LAGER, "{stable={within='1 points',over='2 d'}}", BOUND, "'-1.5 C'"), &[freezing]),
        // Unknown strength: the freezing point of water.
        (cold(unknown, half, BOUND, "'0 C'"), &[]),
        (cold(unknown, half, BOUND, "'-0.1 C'"), &["error freezing 11:8"]),
        (
            cold("original_gravity='12 P'", "{elapsed='9 d'}", BOUND, "'-0.1 C'"),
            &["error freezing 11:8"],
        ),
    ]);
}

#[test]
fn a_broken_limit_and_freezing_are_two_problems() {
    let text = stages(LAGER, "coldest='0 C'", &[("'-3 C'", "{elapsed='9 d'}", "")]);
    check(&text, &["error outside-limits 6:8", "error freezing 6:8"]);
}

#[test]
fn a_broken_expectation_blames_no_target() {
    let text = expecting("original_gravity=12", "'-1 C'", "{elapsed='9 d'}");
    check(&text, &["error bare-number 8:18"]);
}

#[test]
fn what_needs_an_expected_final_gravity() {
    let climb = "{to='16 C',along='progress',from='50 %',until='68 %'}";
    let notice = "[[stage.notice]]\nsay='x'\nwhen={progress='50 %'}";
    let unknown = "final_gravity='unknown'";
    each(&[
        (expecting(unknown, "'18 C'", "{progress='50 %'}"), &["error needs-final 5:17"]),
        (expecting("", "'18 C'", "{above_final='4 points'}"), &["error needs-final 5:20"]),
        (expecting("attenuation='75 %'", "'18 C'", "{progress='50 %'}"), &[]),
        (expecting("attenuation='75 %'", "'18 C'", "{above_final='4 points'}"), &[]),
        (expecting(unknown, climb, "{elapsed='20 d'}"), &["error needs-final 4:25"]),
        (format!("{}{notice}\n", stage("'18 C'", "{elapsed='20 d'}")), &["error needs-final 9:16"]),
        (expecting(unknown, "'18 C'", "{attenuation='50 %'}"), &[]),
        (expecting(unknown, "'18 C'", "{stable={within='1 points',over='2 d'}}"), &[]),
        (expecting(unknown, "'18 C'", "{drop='30 points'}"), &[]),
    ]);
}

/// 12 to 2.5 °P are 1.0484 to 1.0098 SG. One point beyond the end is 2.24 °P, 81.3 %.
#[test]
fn stages_that_nobody_can_leave() {
    let until = |until: &str| expecting(LAGER, "'18 C'", until);
    let leave = |column: usize| -> String { format!("error cannot-leave 5:{column}") };
    let end = |column: usize| -> String { format!("warning at-the-end 5:{column}") };
    for (milestone, expected) in [
        ("{attenuation='77 %'}", None),
        ("{attenuation='78 %'}", Some(end(20))),
        ("{attenuation='81 %'}", Some(end(20))),
        ("{attenuation='82 %'}", Some(leave(20))),
        ("{progress='97 %'}", None),
        ("{progress='98 %'}", Some(end(17))),
        ("{progress='102 %'}", Some(end(17))),
        ("{progress='103 %'}", Some(leave(17))),
        ("{gravity='1.011 SG'}", None),
        ("{gravity='1.010 SG'}", Some(end(16))),
        ("{gravity='1.008 SG'}", Some(leave(16))),
        ("{above_final='1 points'}", None),
        ("{above_final='0 points'}", Some(end(20))),
        ("{drop='37 points'}", None),
        ("{drop='39 points'}", Some(end(13))),
        ("{drop='40 points'}", Some(leave(13))),
        ("{all=[{elapsed='1 d'},{attenuation='90 %'}]}", Some(leave(42))),
        ("{any=[{attenuation='90 %'},{gravity='1.000 SG'}]}", Some(leave(26))),
    ] {
        let expected: Vec<&str> = expected.iter().map(String::as_str).collect();
        check(&until(milestone), &expected);
    }
    // One way out is enough; the other is only worth a word.
    check(&until("{any=[{attenuation='90 %'},{elapsed='1 d'}]}"), &["warning never-true 5:26"]);
}

#[test]
fn what_is_not_known_is_not_impossible() {
    for expect in ["", "original_gravity='12 P'", "final_gravity='unknown'"] {
        check(&expecting(expect, "'18 C'", "{attenuation='105 %'}"), &[]);
        check(&expecting(expect, "'18 C'", "{gravity='0.990 SG'}"), &[]);
    }
    // An attenuation alone is enough to tell, without gravities.
    let expect = "attenuation='75 %'";
    check(&expecting(expect, "'18 C'", "{attenuation='85 %'}"), &["error cannot-leave 5:20"]);
}

#[test]
fn a_target_that_is_never_reached_holds_its_stage() {
    let climb = "{to='20 C',along='attenuation',from='50 %',until='90 %'}";
    let text = expecting(LAGER, climb, "{at_target='6 h'}");
    check(&text, &["warning climb-beyond-end 4:57", "error cannot-leave 5:18"]);
    let text = expecting(LAGER, climb, "{elapsed='20 d'}");
    check(&text, &["warning climb-beyond-end 4:57"]);
}

#[test]
fn stages_that_end_at_once() {
    let until = |until: &str| expecting("original_gravity='1.048 SG'", "'18 C'", until);
    each(&[
        (until("{elapsed='0 s'}"), &["warning true-at-once 5:16"]),
        (until("{elapsed='1 s'}"), &[]),
        (until("{gravity='1.048 SG'}"), &["warning true-at-once 5:16"]),
        (until("{gravity='1.047 SG'}"), &[]),
        (until("{attenuation='0 %'}"), &["warning true-at-once 5:20"]),
        (until("{drop='0 points'}"), &["warning true-at-once 5:13"]),
        (until("{all=[{elapsed='0 s'},{confirm='x'}]}"), &[]),
        (until("{any=[{elapsed='0 s'},{confirm='x'}]}"), &["warning true-at-once 5:12"]),
    ]);
    let kept = format!("{}at_least='1 d'\n", stage("'18 C'", "{elapsed='0 s'}"));
    check(&kept, &[]);
}

#[test]
fn stages_that_wait_for_the_beer_without_bound() {
    let text = |target: &str, until: &str| {
        stage(target, until).replace("at_most={time='60 d',then='alarm'}\n", "")
    };
    let fixed = |until: &str| text("'18 C'", until);
    let free = "{free_rise='20 C'}";
    each(&[
        (fixed("{attenuation='50 %'}"), &["warning no-at-most 5:20"]),
        (fixed("{stable={within='1 points',over='2 d'}}"), &["warning no-at-most 5:15"]),
        (fixed("{elapsed='5 d'}"), &[]),
        (fixed("{confirm='x'}"), &[]),
        (fixed("{at_target='5 d'}"), &[]),
        (text(free, "{at_target='5 d'}"), &["warning no-at-most 5:18"]),
        (fixed("{all=[{attenuation='50 %'},{elapsed='5 d'}]}"), &["warning no-at-most 5:12"]),
        (fixed("{any=[{attenuation='50 %'},{elapsed='5 d'}]}"), &[]),
        (fixed("{any=[{attenuation='50 %'},{drop='9 points'}]}"), &["warning no-at-most 5:12"]),
    ]);
}

#[test]
fn bounds_that_come_before_the_milestone() {
    let with = |target: &str, until: &str| stage(target, until);
    let short = "warning bound-too-short 6:15";
    each(&[
        (with("'18 C'", "{elapsed='60 d'}"), &[]),
        (with("'18 C'", "{elapsed='61 d'}"), &[short]),
        (with("'18 C'", "{since_pitch='61 d'}"), &[short]),
        (with("'18 C'", "{all=[{confirm='x'},{elapsed='61 d'}]}"), &[short]),
        (with("'18 C'", "{any=[{confirm='x'},{elapsed='61 d'}]}"), &[]),
        (with("{to='16 C',over='59 d'}", "{at_target='1 d'}"), &[]),
        (with("{to='16 C',over='59 d'}", "{at_target='2 d'}"), &[short]),
    ]);
}

#[test]
fn notices_that_are_never_said() {
    let with = |when: &str| {
        let more = format!("[[stage.notice]]\nsay='x'\nwhen={when}");
        stages(LAGER, "", &[("'18 C'", "{elapsed='10 d'}", &more)])
    };
    each(&[
        (with("{elapsed='10 d'}"), &[]),
        (with("{elapsed='11 d'}"), &["warning never-true 10:15"]),
        (with("{attenuation='90 %'}"), &["warning never-true 10:19"]),
        (with("{any=[{elapsed='11 d'},{attenuation='50 %'}]}"), &[]),
    ]);
}

/// A brisk fermentation at 16 °C attenuates by 1.26 % an hour: 18 % take 14 h 15 min, so 6 °C in
/// that time need 0.42 °C/h.
#[test]
fn ramps_that_cannot_follow_the_beer() {
    let climb = |ramp: &str, target: &str| {
        let limits = format!("ramp_up='{ramp}'\nramp_down='{ramp}'");
        let after = ("'10 C'", "{attenuation='50 %'}", BOUND);
        stages(LAGER, &limits, &[after, (target, "{attenuation='70 %'}", BOUND)])
    };
    let up = "{to='16 C',along='attenuation',from='50 %',until='68 %'}";
    let by_progress = "{to='16 C',along='progress',from='64 %',until='86 %'}";
    let slow = "warning ramp-too-slow 11:8";
    each(&[
        (climb("0.43 C/h", up), &[]),
        (climb("0.40 C/h", up), &[slow]),
        (climb("0.43 C/h", by_progress), &[]),
        (climb("0.40 C/h", by_progress), &[slow]),
        (climb("0.01 C/h", "{to='10 C',along='attenuation',from='50 %',until='68 %'}"), &[]),
    ]);
}

#[test]
fn ramps_that_cannot_follow_the_clock() {
    let timed = |target: &str| {
        let limits = "ramp_up='1 C/h'\nramp_down='1 C/d'";
        let before = ("'10 C'", "{elapsed='1 d'}", "");
        stages(LAGER, limits, &[before, (target, "{at_target='1 h'}", "")])
    };
    let first = |target: &str| {
        format!(
            "{}[limits]\nramp_up='1 C/h'\nramp_down='1 C/d'\n",
            stage(target, "{at_target='1 h'}")
        )
    };
    let slow = "warning ramp-too-slow 11:24";
    each(&[
        (timed("{to='16 C',rate='1 C/h'}"), &[]),
        (timed("{to='16 C',rate='1.1 C/h'}"), &[slow]),
        (timed("{to='16 C',over='6 h'}"), &[]),
        (timed("{to='16 C',over='5 h'}"), &[slow]),
        (timed("{to='4 C',over='6 d'}"), &[]),
        (timed("{to='4 C',over='5 d'}"), &["warning ramp-too-slow 11:23"]),
        // Where the first stage begins is not known: only what neither limit allows is sure.
        (first("{to='16 C',rate='1 C/h'}"), &[]),
        (first("{to='16 C',rate='1.1 C/h'}"), &["warning ramp-too-slow 4:24"]),
        (first("{to='16 C',over='1 h'}"), &[]),
    ]);
}

#[test]
fn climbs_that_the_milestone_cuts_short() {
    let climb = |until: &str| {
        expecting(LAGER, "{to='16 C',along='attenuation',from='50 %',until='68 %'}", until)
    };
    let cut = |column: usize| format!("warning climb-cut-short 5:{column}");
    for (until, expected) in [
        ("{attenuation='68 %'}", None),
        ("{attenuation='67 %'}", Some(cut(20))),
        // 4 points above 2.5 °P are 3.53 °P: 70.6 %.
        ("{above_final='4 points'}", None),
        ("{above_final='6 points'}", Some(cut(20))),
        // 3.84 °P is 68 %.
        ("{gravity='3.8 P'}", None),
        ("{gravity='3.9 P'}", Some(cut(16))),
        // 68 % is 85.9 % of the way.
        ("{progress='86 %'}", None),
        ("{progress='85 %'}", Some(cut(17))),
        ("{all=[{attenuation='60 %'},{attenuation='70 %'}]}", None),
        ("{all=[{attenuation='60 %'},{confirm='x'}]}", None),
        ("{any=[{attenuation='60 %'},{confirm='x'}]}", Some(cut(12))),
        ("{elapsed='15 h'}", None),
        ("{elapsed='14 h'}", Some(cut(16))),
        ("{confirm='x'}", None),
    ] {
        let expected: Vec<&str> = expected.iter().map(String::as_str).collect();
        check(&climb(until), &expected);
    }
    let timed = |until: &str| stage("{to='16 C',over='3 d'}", until);
    each(&[
        (timed("{elapsed='3 d'}"), &[]),
        (timed("{elapsed='2 d'}"), &["warning climb-cut-short 5:16"]),
        (timed("{at_target='0 s'}"), &[]),
        (timed("{any=[{elapsed='2 d'},{at_target='1 d'}]}"), &["warning climb-cut-short 5:12"]),
        (format!("{}at_least='3 d'\n", timed("{elapsed='2 d'}")), &[]),
    ]);
}

#[test]
fn climbs_that_are_over_before_they_begin() {
    let after = |until: &str| {
        let climb = "{to='16 C',along='attenuation',from='40 %',until='60 %'}";
        stages(LAGER, "", &[("'10 C'", until, BOUND), (climb, "{elapsed='20 d'}", "")])
    };
    each(&[
        (after("{attenuation='59 %'}"), &[]),
        (after("{attenuation='60 %'}"), &["warning climb-too-late 11:57"]),
        (after("{elapsed='9 d'}"), &[]),
    ]);
}

#[test]
fn windows_that_an_hourly_float_cannot_show() {
    let with =
        |over: &str| stage("'18 C'", &format!("{{stable={{within='1 points',over='{over}'}}}}"));
    each(&[(with("2 h"), &[]), (with("119 min"), &["warning stable-too-short 5:39"])]);
}

#[test]
fn targets_outside_the_yeast_range_while_the_beer_works() {
    let expect = format!("{LAGER}\nyeast_range=['8 C','18 C']");
    let first = |target: &str| expecting(&expect, target, "{elapsed='9 d'}");
    let second = |until: &str| {
        stages(&expect, "", &[("'10 C'", until, BOUND), ("'1 C'", "{elapsed='9 d'}", "")])
    };
    let outside = "warning outside-yeast-range 11:8";
    each(&[
        (first("'8 C'"), &[]),
        (first("'7.9 C'"), &["warning outside-yeast-range 4:8"]),
        (first("'18 C'"), &[]),
        (first("'18.1 C'"), &["warning outside-yeast-range 4:8"]),
        (second("{elapsed='9 d'}"), &[outside]),
        (second("{attenuation='50 %'}"), &[outside]),
        (second("{stable={within='1 points',over='2 d'}}"), &[]),
        (second("{above_final='2 points'}"), &[]),
        (second("{above_final='3 points'}"), &[outside]),
        (second("{any=[{stable={within='1 points',over='2 d'}},{elapsed='9 d'}]}"), &[outside]),
        (second("{all=[{stable={within='1 points',over='2 d'}},{elapsed='9 d'}]}"), &[]),
    ]);
}

/// The schedule of the documentation has nothing to be said of.
#[test]
fn a_whole_schedule_is_clean() {
    let text = include_str!("../../../../config-examples/schedules/pale-lager-quick.toml");
    let schedule = check(text, &[]).value.unwrap();
    assert_eq!(schedule.stages.len(), 6);
    assert!(schedule::check(&schedule).is_empty());
}

#[test]
fn a_changed_expectation_is_checked_again() {
    use quantity::{Gravity, Quantity};
    use schedule::model::ExpectedFinal;
    let text = include_str!("../../../../config-examples/schedules/pale-lager-quick.toml");
    let mut schedule = check(text, &[]).value.unwrap();
    schedule.expect.final_gravity = ExpectedFinal::Unknown;
    let findings = schedule::check(&schedule);
    let errors: Vec<_> = findings.iter().map(|one| (one.code, one.path.as_str())).collect();
    assert!(errors.contains(&("needs-final", "stage.1.until")), "{errors:?}");
    schedule.expect.final_gravity = ExpectedFinal::Gravity(Gravity::parse("6 P").unwrap());
    let findings = schedule::check(&schedule);
    assert!(findings.iter().any(|one| one.code == "climb-beyond-end"), "{findings:?}");
}
