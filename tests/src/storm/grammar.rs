//! A cellar and schedules drawn at random from the grammar, as the files that a person writes.

use super::draw::Draw;
use quantity::Span;
use schedule::config::{Config, Vessel};
use schedule::model::Schedule;
use schedule::{Name, Source};
use std::fmt::Write;

/// How an output is driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// By a relay.
    Switch,
    /// By a thermostat's setpoint.
    Setpoint,
    /// By both; the device listens to its relay.
    Both,
}

/// What all schedules of a cellar keep to, in °C and K/h.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// The coldest setpoint.
    pub coldest: f64,
    /// The warmest setpoint.
    pub warmest: f64,
    /// How fast a setpoint may rise.
    pub up: f64,
    /// How fast a setpoint may fall.
    pub down: f64,
}

/// A vessel of the cellar.
#[derive(Debug, Clone)]
pub struct Place {
    /// Its name.
    pub name: Name,
    /// How its heater is driven, if there is one.
    pub heater: Option<Form>,
    /// How its chiller is driven, if there is one.
    pub chiller: Option<Form>,
    /// Whether its relays report.
    pub seen: bool,
    /// Whether its float tells its own time.
    pub own_time: bool,
    /// Its probe's interval.
    pub probe_every: Span,
    /// Its float's interval.
    pub float_every: Span,
}

/// A cellar.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// The configuration's text.
    pub config: String,
    /// Its vessels.
    pub places: Vec<Place>,
    /// What all its schedules keep to.
    pub limits: Limits,
}

const NAMES: [&str; 3] = ["north", "south", "east"];

/// Draws a cellar with one to three vessels.
pub fn cellar(draw: &mut Draw) -> Drawn {
    let limits = Limits {
        coldest: draw.between(0.5, 4.0),
        warmest: draw.between(20.0, 25.0),
        up: draw.between(0.5, 3.0),
        down: draw.between(0.3, 1.5),
    };
    let mut config = String::from(
        "format = 1\n[link]\nbroker = \"mqtt://127.0.0.1:1883\"\n[store]\nfile = \"barmkeep.db\"\n",
    );
    let count = draw.whole(1, 4);
    let shared = count > 1 && draw.happens(0.3);
    let mut places = Vec::new();
    for name in &NAMES[..usize::try_from(count).unwrap_or(1)] {
        places.push(place(draw, name, shared, &mut config));
    }
    if shared {
        config
            .push_str("[cooler.glycol]\nmin_off = \"5 min\"\nruns_out = \"5 min\"\nat_once = 1\n");
    }
    Drawn { config, places, limits }
}

fn place(draw: &mut Draw, name: &str, shared: bool, config: &mut String) -> Place {
    let form =
        |draw: &mut Draw| *draw.pick(&[Form::Switch, Form::Switch, Form::Setpoint, Form::Both]);
    let heater = draw.happens(0.9).then(|| form(draw));
    let chiller = if shared { Some(Form::Switch) } else { draw.happens(0.9).then(|| form(draw)) };
    let place = Place {
        name: Name::parse(name).unwrap_or_else(|_| unreachable!("these are names")),
        heater,
        chiller,
        seen: draw.happens(0.5),
        own_time: draw.happens(0.5),
        probe_every: Span::from_secs(*draw.pick(&[30, 60, 120, 300])),
        float_every: Span::from_mins(*draw.pick(&[15, 30, 60])),
    };
    let mut table = format!(
        "[vessel.{name}]\nvolume = \"23 L\"\ncoldest = \"0 C\"\nwarmest = \"26 C\"\n\
         [vessel.{name}.gravity.float]\ntopic = \"cellar/{name}/float\"\n\
         read = {{ at = \"/sg\", unit = \"SG\" }}\n\
         temperature = {{ at = \"/temp\", unit = \"C\" }}\n\
         battery = {{ at = \"/battery\", unit = \"%\" }}\nevery = \"{} min\"\n",
        place.float_every.millis() / 60_000
    );
    if place.own_time {
        table.push_str("time = { at = \"/time\", form = \"rfc3339\" }\n");
    }
    let every = place.probe_every.millis() / 1000;
    let _ = write!(
        table,
        "[vessel.{name}.beer]\ntopic = \"cellar/{name}/probe\"\nread = {{ unit = \"C\" }}\n\
         every = \"{every} s\"\n"
    );
    for (kind, form) in [("heater", place.heater), ("chiller", place.chiller)] {
        let Some(form) = form else { continue };
        let drive = match form {
            Form::Switch => "switch",
            Form::Setpoint => "setpoint",
            Form::Both => "both",
        };
        let _ = write!(
            table,
            "[vessel.{name}.{kind}]\ndrive = \"{drive}\"\ntopic = \"cellar/{name}/{kind}/set\"\n\
             runs_out = \"5 min\"\n"
        );
        if form == Form::Setpoint {
            table = table.replace(&format!("topic = \"cellar/{name}/{kind}/set\"\n"), "");
            table = table
                .replace("drive = \"setpoint\"\nruns_out = \"5 min\"\n", "drive = \"setpoint\"\n");
        } else if place.seen {
            let _ = writeln!(
                table,
                "seen = {{ topic = \"cellar/{name}/{kind}/seen\", on = \"ON\", off = \"OFF\" }}"
            );
        }
        if shared && kind == "chiller" {
            table.push_str("from = \"glycol\"\n");
        }
    }
    config.push_str(&table);
    place
}

/// The configuration as the program reads it.
///
/// # Panics
/// Where the grammar here is wrong.
pub fn read_config(text: &str) -> Config {
    let source = Source::new("barmkeep.toml", text);
    let checked = schedule::read_config(&source, &|_| true);
    let problems = schedule::render(&checked.problems, &source, false);
    checked.value.unwrap_or_else(|| panic!("{problems}\n{text}"))
}

/// Draws a schedule that passes `check` for this vessel: its text, and as it is read.
///
/// # Panics
/// Where two hundred draws gave none: the grammar here is wrong.
pub fn schedule(draw: &mut Draw, limits: &Limits, vessel: &Vessel) -> (String, Schedule) {
    let mut problems = String::new();
    for _ in 0..200 {
        let text = schedule_text(draw, limits);
        let source = Source::new("drawn.toml", text.clone());
        match schedule::read_schedule_for(&source, vessel).into_result() {
            Ok(schedule) => return (text, schedule),
            Err(found) => problems = schedule::render(&found, &source, false),
        }
    }
    panic!("no schedule passes: {problems}");
}

fn schedule_text(draw: &mut Draw, limits: &Limits) -> String {
    let finish = draw.pick(&["keep", "off"]);
    let mut text = format!(
        "format = 1\nname = \"By chance\"\nfinish = \"{finish}\"\n[expect]\n\
         original_gravity = \"1.048 SG\"\nfinal_gravity = \"1.011 SG\"\n\
         [limits]\ncoldest = \"{:.3} C\"\nwarmest = \"{:.3} C\"\nramp_up = \"{:.3} C/h\"\n\
         ramp_down = \"{:.3} C/h\"\n",
        limits.coldest, limits.warmest, limits.up, limits.down
    );
    for index in 0..draw.whole(1, 5) {
        let (name, target) = target(draw, limits);
        let _ = write!(
            text,
            "[[stage]]\nname = \"{name} {index}\"\ntarget = {target}\nuntil = {}\n",
            milestone(draw, 2)
        );
        if draw.happens(0.8) {
            let then = draw.pick(&["alarm", "advance", "advance", "hold"]);
            let hours = draw.whole(24, 240);
            let _ = writeln!(text, "at_most = {{ time = \"{hours} h\", then = \"{then}\" }}");
        }
        if draw.happens(0.2) {
            let _ = writeln!(text, "at_least = \"{} h\"", draw.whole(1, 20));
        }
        if draw.happens(0.2) {
            let when = milestone(draw, 0);
            let _ = write!(text, "[[stage.notice]]\nsay = \"Look at it\"\nwhen = {when}\n");
        }
    }
    text
}

/// A stage's name, which says whether its setpoint is free, and its target.
fn target(draw: &mut Draw, limits: &Limits) -> (&'static str, String) {
    let celsius = |draw: &mut Draw| draw.between(limits.coldest + 0.1, limits.warmest - 0.1);
    let warm = |draw: &mut Draw| draw.between(14.0, limits.warmest - 0.1);
    let steps =
        if draw.happens(0.4) { format!(", steps = {}", draw.whole(1, 9)) } else { String::new() };
    match draw.whole(0, 7) {
        0 => ("cold", format!("\"{:.2} C\"", celsius(draw))),
        1 | 2 => ("warm", format!("\"{:.2} C\"", warm(draw))),
        3 => {
            let hours = draw.whole(1, 40);
            ("move", format!("{{ to = \"{:.2} C\", over = \"{hours} h\"{steps} }}", celsius(draw)))
        }
        4 => {
            let rate = draw.between(0.05, 0.4);
            ("move", format!("{{ to = \"{:.2} C\", rate = \"{rate:.3} C/h\"{steps} }}", warm(draw)))
        }
        5 => {
            let along = draw.pick(&["attenuation", "progress"]);
            let (from, until) = (draw.whole(5, 40), draw.whole(45, 70));
            let to = warm(draw);
            (
                "climb",
                format!(
                    "{{ to = \"{to:.2} C\", along = \"{along}\", from = \"{from} %\", \
                     until = \"{until} %\"{steps} }}"
                ),
            )
        }
        _ => {
            let ceiling = warm(draw);
            let floor = if draw.happens(0.5) {
                format!(", not_below = \"{:.2} C\"", ceiling - draw.between(0.8, 6.0))
            } else {
                String::new()
            };
            ("free rise", format!("{{ free_rise = \"{ceiling:.2} C\"{floor} }}"))
        }
    }
}

fn milestone(draw: &mut Draw, depth: u32) -> String {
    if depth > 0 && draw.happens(0.3) {
        let list = if draw.happens(0.5) { "all" } else { "any" };
        let inner: Vec<String> =
            (0..draw.whole(1, 4)).map(|_| milestone(draw, depth - 1)).collect();
        return format!("{{ {list} = [ {} ] }}", inner.join(", "));
    }
    let inner = match draw.whole(0, 11) {
        0 => format!("attenuation = \"{} %\"", draw.whole(5, 74)),
        1 => format!("progress = \"{} %\"", draw.whole(5, 95)),
        2 => format!("gravity = \"{:.4} SG\"", draw.between(1.014, 1.045)),
        3 => format!("above_final = \"{} points\"", draw.whole(3, 20)),
        4 => format!("drop = \"{} points\"", draw.whole(2, 33)),
        5 => format!("slower_than = \"{} points/d\"", draw.whole(1, 8)),
        6 => {
            let (within, over) = (draw.whole(1, 4), draw.whole(18, 60));
            format!("stable = {{ within = \"{within} points\", over = \"{over} h\" }}")
        }
        7 => format!("at_target = \"{} h\"", draw.whole(1, 12)),
        8 => format!("elapsed = \"{} h\"", draw.whole(1, 60)),
        9 => format!("since_pitch = \"{} h\"", draw.whole(5, 150)),
        _ => format!("confirm = \"It is so, {}\"", draw.whole(0, 3)),
    };
    format!("{{ {inner} }}")
}
