//! Several floats in one vessel: the alarms of each, and that the rest goes on.

use crate::kit::{NORTH, check, check_in};

const STAGE: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\n\
                     until = { gravity = '1.020 SG' }\n\
                     [[stage]]\nname = 'after'\ntarget = '18 C'\nuntil = { elapsed = '40 d' }\n";

/// The vessel with so many more floats.
fn with(names: &[&str]) -> String {
    let mut config = NORTH.to_owned();
    for name in names {
        config.push_str(&format!(
            "[vessel.north.gravity.{name}]\ntopic = \"cellar/{name}\"\n\
             read = {{ at = \"/sg\", unit = \"SG\" }}\nevery = \"60 min\"\n"
        ));
    }
    config
}

#[test]
fn one_that_falls_silent_is_told_and_the_other_decides() {
    check_in(
        &with(&["two"]),
        &head(STAGE),
        r#"
        0:00 beer at 18.0                     |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h      |
        0:10 two fall 1.050 to 1.014 in 72 h  |
        1+00:00 float silent                  |
        1+03:05 tick | alarm gravity-silent.float stands; alarm gravity-silent.two gone
        2+02:00 tick                          | stage primary
        3+00:00 tick                          | stage after; alarm gravity-doubtful.two gone
        | stage.left "is at or below 1.0200 SG"
        3+01:00 two silent                    |
        3+04:05 tick                          | alarm gravity-silent.two stands"#,
    );
}

#[test]
fn of_three_one_that_is_lifted_is_doubted_and_the_others_decide() {
    check_in(
        &with(&["two", "three"]),
        &head(STAGE),
        r#"
        0:00 beer at 18.0                      |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h       |
        0:10 two fall 1.046 to 1.010 in 72 h   |
        0:10 three fall 1.049 to 1.013 in 72 h |
        1+00:00 tick                           | alarm gravity-doubtful.two gone
        1+00:10 two adds 0.009                 |
        1+04:10 tick | alarm gravity-doubtful.two stands; alarm gravity-doubtful.float gone
        | alarm.raised "gravity-doubtful.two (medium): two is doubted: it went up by"
        3+00:00 tick                           | stage after
        | alarm.returned "gravity-doubtful.two"; stage.left "is at or below 1.0200 SG"
        | alarm gravity-doubtful.two gone; alarm gravity-doubtful.three gone"#,
    );
}

#[test]
fn of_three_one_that_drifts_is_doubted_and_stays_so() {
    check_in(
        &with(&["two", "three"]),
        &head(STAGE),
        r#"
        0:00 beer at 18.0                      |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h       |
        0:10 two fall 1.046 to 1.010 in 72 h   |
        0:10 three fall 1.049 to 1.005 in 72 h |
        4+00:00 tick | alarm gravity-doubtful.three stands; stage after
        | alarm.raised "three is doubted: it parts from the others by"
        | alarm gravity-doubtful.float gone; alarm gravity-doubtful.two gone
        8+00:00 tick | alarm gravity-doubtful.three stands
        8+01:00 sample gravity="1.012 SG" uncertainty="0.5 points" | ok
        9+00:00 tick | alarm gravity-doubtful.three gone"#,
    );
}

#[test]
fn of_two_that_disagree_neither_is_trusted_until_a_sample() {
    check_in(
        &with(&["two"]),
        &head(&STAGE.replace("1.020", "1.0125")),
        r#"
        0:00 beer at 18.0                     |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.010 in 72 h      |
        0:10 two fall 1.048 to 1.017 in 72 h  |
        4+00:00 tick | alarm gravity-doubtful.float stands; alarm gravity-doubtful.two stands
        6+00:00 tick | stage primary; alarm gravity-doubtful.two stands
        6+01:00 sample gravity="1.010 SG" uncertainty="0.5 points" | ok
        6+01:01 tick | stage primary
        7+12:00 tick | stage after; alarm gravity-doubtful.float gone
        | alarm gravity-doubtful.two gone"#,
    );
}

#[test]
fn one_float_alone_that_sticks_leaves_its_milestones_unknown() {
    check(
        STAGE,
        r#"
        0:00 beer at 18.0                   |
        0:05 pitch schedule="beer" original_gravity="1.048 SG" | ok
        0:10 fall 1.048 to 1.012 in 72 h    |
        20:00 tick                          | alarm gravity-doubtful.float gone
        20:10 float sticks                  |
        1+06:00 tick | alarm gravity-doubtful.float stands; stage primary
        | alarm.raised "it repeats itself while the beer moves"
        1+06:10 fall 1.033 to 1.012 in 42 h |
        1+09:00 tick                        | alarm gravity-doubtful.float gone
        4+00:00 tick                        | stage after"#,
    );
}

/// A schedule that stands by itself.
fn head(stages: &str) -> String {
    format!(
        "format = 1\nname = \"Test beer\"\n[expect]\noriginal_gravity = \"1.048 SG\"\n\
         final_gravity = \"1.012 SG\"\n[limits]\ncoldest = \"1 C\"\nwarmest = \"25 C\"\n\
         ramp_up = \"1 C/h\"\nramp_down = \"0.5 C/h\"\n{stages}"
    )
}
