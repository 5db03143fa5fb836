//! Each alarm through its whole life, after ISA-18.2 / IEC 62682 (from memory): raised no sooner
//! than its on-delay, seen, shelved, and returned no sooner than its off-delay.

use crate::kit::{Bench, NORTH, START, millis};
use quantity::{Show, Span};
use std::collections::BTreeSet;

const STAGE: &str = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '60 d' }\n";
const PITCHED: &str = "0:00 beer at 18.0 |\n\
                       0:05 pitch schedule=\"beer\" original_gravity=\"1.048 SG\" | ok\n";

/// Shown where a vessel's handling can be made to fail: file and test.
const ELSEWHERE: [(&str, &str, &str); 1] = [(
    "program-fault",
    include_str!("../../src/guard.rs"),
    "a_fault_of_ours_is_raised_seen_shelved_and_over",
)];

/// How one alarm comes and goes. Times are the scripts' own, from their beginning.
struct Life {
    /// As `status` shows it.
    id: &'static str,
    config: String,
    schedule: &'static str,
    /// What comes before, up to and with what is wrong.
    wrong: String,
    /// When its condition begins: exactly, or not before this where a belief has to see it.
    begins: &'static str,
    /// It is raised at most this long after that and its on-delay.
    within: &'static str,
    /// What makes it right again.
    right: &'static str,
    /// When its condition ends, as `begins`.
    ends: &'static str,
    /// It returns at most this long after that and its off-delay.
    back_within: &'static str,
}

impl Life {
    /// One in the usual cellar whose conditions begin and end to the tick.
    fn new(id: &'static str, wrong: &str, begins: &'static str, right: &'static str) -> Self {
        let ends = right.trim().split(' ').next().unwrap();
        let (config, schedule) = (NORTH.to_owned(), STAGE);
        let wrong = format!("{PITCHED}{wrong}");
        let (within, back_within) = ("0:01:10", "0:01:10");
        Life { id, config, schedule, wrong, begins, within, right, ends, back_within }
    }

    fn within(self, within: &'static str, back_within: &'static str) -> Self {
        Life { within, back_within, ..self }
    }

    fn ends(self, ends: &'static str) -> Self {
        Life { ends, ..self }
    }

    fn schedule(self, schedule: &'static str) -> Self {
        Life { schedule, ..self }
    }

    fn config(self, config: String) -> Self {
        Life { config, ..self }
    }
}

fn replaced(from: &str, to: &str) -> String {
    assert!(NORTH.contains(from), "{from}");
    NORTH.replace(from, to)
}

fn lives() -> Vec<Life> {
    [temperatures(), outputs(), gravities(), the_rest()].into_iter().flatten().collect()
}

/// Limits near the target, and a probe that may be slow, so that the scripts alone speak for it.
fn narrow() -> String {
    let slow = "anticipate = false\nsilent_after = \"1 h\"";
    replaced("anticipate = false", slow)
        .replace("coldest = \"0 C\"", "coldest = \"16 C\"")
        .replace("26 C", "20 C")
}

fn temperatures() -> Vec<Life> {
    let cold = "[[stage]]\nname = 'crash'\ntarget = '1 C'\nuntil = { elapsed = '60 d' }\n";
    let mut freezing = Life::new("near-freezing", "", "1:00:10", "1:10 beer 1.5 |").schedule(cold);
    freezing.config = narrow().replace("coldest = \"16 C\"", "coldest = \"0 C\"");
    freezing.wrong = "0:00 beer at 1.5 |\n0:05 pitch schedule=\"beer\" | ok\n\
                      1:00 beer silent |\n1:00:10 beer 0.4 |"
        .to_owned();
    vec![
        freezing,
        Life::new("beer-silent", "1:00 beer silent |", "1:10", "2:00 beer at 18.0 |").ends("2:02"),
        Life::new(
            "beer-doubtful",
            "1:00 beer silent |\n1:00:30 beer 85.0 |",
            "1:00:30",
            "2:00 beer at 18.0 |",
        )
        .ends("2:03"),
        Life::new(
            "too-cold",
            "1:00 beer silent |\n1:00:10 beer 15.5 |",
            "1:00:10",
            "1:10 beer 17.0 |",
        )
        .config(narrow()),
        Life::new(
            "too-warm",
            "1:00 beer silent |\n1:00:10 beer 20.5 |",
            "1:00:10",
            "1:10 beer 18.5 |",
        )
        .config(narrow()),
        Life::new("off-target", "1:00 beer at 20.5 |", "1:00", "4:00 beer at 18.0 |")
            .within("0:02", "0:02"),
        Life::new(
            "probe-misplaced",
            "0:06 fall 1.048 to 1.012 in 120 h |\n5:00 beer at 20.0 |\n5:30 beer at 21.4 |",
            "5:30",
            "12:00 beer at 19.0 |",
        )
        .within("1:05", "1:05"),
    ]
}

fn outputs() -> Vec<Life> {
    // What does nothing for two days is mended then: only a beer that answers shows that.
    let dead = |id, celsius: &str, mended| {
        let mut life = Life::new(id, "", "0:05", mended).within("36:00", "24:00");
        life.wrong = PITCHED.replace("18.0", celsius);
        life
    };
    vec![
        dead("chiller-no-effect", "20.0", "2+00:00 beer lives in 24 |"),
        dead("heater-no-effect", "16.0", "2+00:00 beer lives in 12 |"),
        Life::new("output-disagrees", "1:00 seen heater on |", "1:00", "2:00 seen heater off |"),
        Life::new(
            "heat-balance",
            "0:06 beer lives in 24 |\n2+00:00 beer lives in 110 |",
            "2+00:00",
            "2+04:00 beer lives in 24 |",
        )
        .within("10:00", "12:00"),
        Life::new(
            "reservoir-silent.glycol",
            "0:06 glycol: reservoir 4.0 |",
            "0:21",
            "1:00 glycol: reservoir 4.0 |",
        )
        .config(format!(
            "{}\n[cooler.glycol]\nreservoir = {{ topic = 'probe/8', read = {{ unit = 'C' }}, \
             every = '5 min' }}\ntarget = '-2 C'\n",
            replaced(
                "[vessel.north.chiller]\ndrive = \"switch\"",
                "[vessel.north.chiller]\nfrom = \"glycol\"",
            )
        )),
    ]
}

fn gravities() -> Vec<Life> {
    let stop = "0:10 fall 1.048 to 1.022 in 48 h |";
    let deep = "0:10 fall 1.048 to 1.004 in 72 h |";
    let sticks = "0:10 fall 1.048 to 1.012 in 72 h |\n20:10 float sticks |";
    vec![
        Life::new("battery-low", "1:00 battery 14 |", "1:00", "2:00 battery 90 |")
            .within("0:01:10", "0:16"),
        Life::new("gravity-silent.float", "1:00 float 1.048 |", "4:00", "5:00 float 1.048 |")
            .within("0:01:10", "0:16"),
        Life::new(
            "gravity-doubtful.float",
            sticks,
            "20:10",
            "1+12:10 fall 1.030 to 1.012 in 36 h |",
        )
        .within("10:00", "12:00"),
        Life::new(
            "not-begun",
            "0:10 fall 1.048 to 1.048 in 1 h |",
            "1+12:05",
            "1+13:00 fall 1.048 to 1.012 in 72 h |",
        )
        .within("0:02", "36:00"),
        Life::new(
            "below-expected",
            deep,
            "2+00:00",
            "6+00:00 expect final_gravity=\"1.004 SG\" because=\"Forced test\" | ok",
        )
        .within("96:00", "0:30"),
        Life::new(
            "stalled",
            stop,
            "2+00:00",
            "15+00:00 expect final_gravity=\"1.021 SG\" because=\"Forced test\" | ok",
        )
        .within("288:00", "6:00"),
    ]
}

fn the_rest() -> Vec<Life> {
    let overdue = "[[stage]]\nname = 'primary'\ntarget = '18 C'\nuntil = { elapsed = '60 d' }\n\
                   at_most = { time = '5 h', then = 'alarm' }\n\
                   [[stage]]\nname = 'after'\ntarget = '18 C'\nuntil = { elapsed = '60 d' }\n";
    vec![
        Life::new("clock-doubtful", "4:00 clock - 2:00 |", "4:00", "4:00:30 tick |").ends("4:00"),
        Life::new("link-down", "1:00 link down |", "1:00", "2:00 link up |"),
        Life::new("store-failing", "1:00 store fails |", "1:00", "2:00 store works |"),
        Life::new("stage-overdue", "1:00 tick |", "5:05", "6:00 advance | ok").schedule(overdue),
    ]
}

fn bench(life: &Life) -> Bench {
    let mut bench = Bench::new(&life.config, Show::default());
    bench.put("beer", life.schedule);
    bench
}

/// When a record of this kind was written of the alarm, at or after `from`.
fn seen(bench: &Bench, kind: &str, id: &str, from: usize) -> Option<usize> {
    let of = |record: &engine::Record| {
        record.kind.as_str() == kind && record.data.get("alarm").is_some_and(|alarm| *alarm == id)
    };
    (from..bench.log.len()).find(|index| of(&bench.log[*index]))
}

/// Lets time pass by ticks until the record is there; gives when that was, in ms of the script.
fn wait(bench: &mut Bench, kind: &str, id: &str, from: usize, until: i64) -> i64 {
    loop {
        if seen(bench, kind, id, from).is_some() {
            return bench.passed();
        }
        assert!(bench.passed() <= until, "{id}: no {kind} by {} s", until / 1000);
        bench.pass(START + bench.passed() + 10_000);
    }
}

fn stands(bench: &Bench, id: &str) -> Option<(bool, bool)> {
    let view = bench.engine.view(&crate::kit::north()).unwrap();
    let alarm = view.alarms.into_iter().find(|alarm| alarm.id == id)?;
    Some((alarm.acknowledged, alarm.shelved_until.is_some()))
}

fn rule(id: &str) -> engine::AlarmKind {
    let kind = id.split('.').next().unwrap();
    engine::alarms().into_iter().find(|alarm| alarm.id == kind).unwrap()
}

fn live_through(life: &Life) {
    let (id, rule) = (life.id, rule(life.id));
    let mut bench = bench(life);
    bench.run(&life.wrong);
    let due = millis(life.begins) + rule.on_delay.millis();
    let raised = wait(&mut bench, "alarm.raised", id, 0, due + millis(life.within));
    assert!(raised >= due, "{id} was raised {} s too soon", (due - raised) / 1000);
    assert_eq!(stands(&bench, id), Some((false, false)), "{id}");
    let first = seen(&bench, "alarm.raised", id, 0).unwrap();
    let record = bench.log[first].clone();
    assert_eq!(record.data["priority"], rule.priority, "{id}");
    assert!(record.text.contains(&format!("({})", rule.priority)), "{}", record.text);

    let (at, from) = (Bench::now_text_exactly, bench.log.len());
    let line = format!("{} shelve alarm=\"{id}\" for=\"1 h\" | ok; alarm.shelved", at(&bench));
    bench.run(&line);
    assert_eq!(stands(&bench, id), Some((false, true)), "{id} is shelved");
    let line = format!("{} acknowledge alarm=\"{id}\" | ok; alarm.acknowledged", at(&bench));
    bench.run(&line);
    // A clock that a person trusts is no longer doubtful.
    if id != "clock-doubtful" {
        assert_eq!(stands(&bench, id), Some((true, true)), "{id} is seen");
    }
    bench.run(life.right);
    let due = millis(life.ends) + rule.off_delay.millis();
    let returned = wait(&mut bench, "alarm.returned", id, from, due + millis(life.back_within));
    assert!(returned >= due, "{id} returned {} s too soon", (due - returned) / 1000);
    assert_eq!(stands(&bench, id), None, "{id} is over");
    let again = seen(&bench, "alarm.raised", id, first + 1);
    assert!(again.is_none(), "{id} was raised twice");
}

#[test]
fn each_alarm_is_raised_seen_shelved_and_over_in_its_own_time() {
    let lives = lives();
    // Each is tried, so that one run tells of all.
    let failed = |life: &&Life| std::panic::catch_unwind(|| live_through(life)).is_err();
    let failed: Vec<&str> = lives.iter().filter(failed).map(|life| life.id).collect();
    assert!(failed.is_empty(), "{failed:?}");
    let mut shown: BTreeSet<&str> =
        lives.iter().filter_map(|life| life.id.split('.').next()).collect();
    for (id, file, test) in ELSEWHERE {
        assert!(file.contains(&format!("fn {test}()")), "{test} is gone");
        shown.insert(id);
    }
    let all: BTreeSet<&str> = engine::alarms().into_iter().map(|alarm| alarm.id).collect();
    assert_eq!(shown, all, "each alarm has its life here");
}

/// What goes again before its on-delay was nothing.
#[test]
fn what_does_not_last_raises_no_alarm() {
    let mut tried = 0;
    for life in lives() {
        let delay = rule(life.id).on_delay;
        // Where a belief sees it, nobody can say to the minute when it began.
        if delay.is_zero() || millis(life.within) > millis("0:02") {
            continue;
        }
        tried += 1;
        let mut bench = bench(&life);
        bench.run(&life.wrong);
        bench.pass(START + millis(life.begins) + delay.millis() / 2);
        let action = life.right.trim().split_once(' ').unwrap().1;
        bench.run(&format!("{} {action}", bench.now_text_exactly()));
        bench.pass(START + bench.passed() + 3 * delay.millis());
        assert_eq!(seen(&bench, "alarm.raised", life.id, 0), None, "{}", life.id);
    }
    assert!(tried >= 6, "only {tried}");
}

/// Alarms of which a condition can come and go as fast as devices speak: none is raised more often
/// than this in an hour, whatever it does.
#[test]
fn no_alarm_can_be_raised_more_than_12_times_in_an_hour() {
    // These last by themselves: three silent intervals are at least as long as the least silence, a
    // batch begins once, a stage is overdue once, a clock that steps is told of each time.
    let slow = ["beer-silent", "not-begun", "stage-overdue", "clock-doubtful"];
    for alarm in engine::alarms() {
        let cycle = alarm.on_delay + alarm.off_delay;
        assert!(cycle >= Span::from_mins(5) || slow.contains(&alarm.id), "{}", alarm.id);
    }
}

#[test]
fn a_probe_that_jumps_all_the_time_is_one_alarm_and_off_at_once() {
    let mut bench = Bench::new(NORTH, Show::default());
    bench.put("beer", STAGE);
    bench.run("0:00 beer at 18.0 |\n0:05 pitch schedule=\"beer\" | ok\n1:00 beer at 18.9 |");
    bench.run("1:31 tick | chiller on");
    bench.run("1:31:30 beer 85.0 | chiller off; alarm beer-doubtful stands");
    // It recovers after three readings and jumps again, for an hour.
    for minute in 0..12 {
        let at = |seconds: i64| {
            let all = millis("1:32") / 1000 + minute * 300 + seconds;
            format!("{}:{:02}:{:02}", all / 3600, all / 60 % 60, all % 60)
        };
        bench.run(&format!(
            "{} beer 18.9 |\n{} beer 18.9 |\n{} beer 18.9 |\n{} beer 60.5 | chiller off",
            at(0),
            at(5),
            at(9),
            at(280)
        ));
    }
    let raised = bench.log.iter().filter(|r| r.kind.as_str() == "alarm.raised").count();
    assert_eq!(raised, 1, "one alarm that stands, not one each time");
}
