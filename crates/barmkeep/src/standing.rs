//! How a vessel stands, for a person: `status`, `why`, and the lines of `log`.

use crate::screen::{self, ALARM, CARE, FAINT, HEAD, MET, painted, wrapped};
use crate::words;
use crate::zone::Zone;
use anstyle::Style;
use engine::view::{Forecast, State, Waiting};
use quantity::{Show, Temperature};
use std::io::{Result, Write};

/// Where the values of `status` begin.
const COLUMN: usize = 13;

/// Who reads: units, time zone, and the width of the lines.
#[derive(Debug, Clone, Copy)]
pub struct Reader<'a> {
    /// The units that the person chose.
    pub show: Show,
    /// The time zone.
    pub zone: &'a Zone,
    /// In columns.
    pub width: usize,
}

impl Reader<'_> {
    fn celsius(&self, celsius: f64) -> String {
        let temperature = Temperature::from_celsius(celsius);
        temperature.map_or_else(|| "unknown".to_owned(), |known| self.show.temperature(known))
    }

    fn celsius_or(&self, celsius: Option<f64>, or: &str) -> String {
        celsius.map_or_else(|| or.to_owned(), |celsius| self.celsius(celsius))
    }

    /// A line of `status`: its label, and its text broken below itself.
    fn line(&self, output: &mut impl Write, label: &str, style: Style, text: &str) -> Result<()> {
        let label = format!("  {}{}", painted(style, label), gap(label));
        writeln!(output, "{}", wrapped(&label, text, COLUMN, self.width))
    }
}

fn gap(label: &str) -> String {
    " ".repeat((COLUMN - 2).saturating_sub(label.chars().count()).max(1))
}

/// Prints a vessel as it stands, for `status`.
///
/// # Errors
/// Where the output fails.
pub fn print_state(output: &mut impl Write, state: &State, reader: &Reader<'_>) -> Result<()> {
    let zone = reader.zone;
    let plain = Style::new();
    let batch = state.batch.as_deref().unwrap_or("no batch");
    let name = state.batch_name.as_ref().map_or_else(String::new, |name| format!(" ({name})"));
    let head = painted(HEAD, &format!("{}: {}", state.vessel, state.run));
    let rest = format!(", {batch}{name}, as of {}", zone.local(&state.at));
    writeln!(output, "{}", wrapped(&head, &rest, 2, reader.width))?;
    for alarm in &state.alarms {
        reader.line(output, "ALARM", ALARM, &alarm_text(alarm, zone))?;
    }
    if let (Some(schedule), Some(stage)) = (&state.schedule, &state.stage) {
        reader.line(output, "schedule", plain, schedule)?;
        let since = zone.local(&stage.since);
        let text = format!("{} of {}, {}, since {since}", stage.index, stage.of, stage.name);
        reader.line(output, "stage", plain, &text)?;
    }
    let setpoint = reader.celsius_or(state.setpoint_c, "none");
    let target = reader.celsius_or(state.target_c, "none");
    let beer = reader.celsius_or(state.beer_c, "unknown");
    reader.line(output, "beer", plain, &format!("{beer}, setpoint {setpoint}, target {target}"))?;
    for (what, how) in acts(state, reader) {
        reader.line(output, what, if what == "LOCKED" { CARE } else { plain }, &how)?;
    }
    print_gravity(output, state, reader)?;
    print_outputs(output, state, reader)?;
    for wait in &state.waits_for {
        let text = format!("{}: {} ({})", wait.milestone, wait.answer, wait.now);
        reader.line(output, "waits for", if wait.answer == "yes" { MET } else { plain }, &text)?;
    }
    for foreseen in &state.forecast {
        reader.line(output, "forecast", plain, &forecast(foreseen, zone))?;
    }
    if let Some(packaging) = &state.packaging {
        let because = zone.within(&packaging.because);
        reader.line(output, "packaging", plain, &format!("{}: {because}", packaging.answer))?;
    }
    for source in &state.sources {
        reader.line(output, "source", plain, &source_text(source, zone))?;
    }
    Ok(())
}

fn print_outputs(output: &mut impl Write, state: &State, reader: &Reader<'_>) -> Result<()> {
    let plain = Style::new();
    let word = |on: &Option<String>| on.clone().unwrap_or_else(|| "none".to_owned());
    let outputs = &state.outputs;
    let (heater, chiller) = (word(&outputs.heater), word(&outputs.chiller));
    let text = format!("heater {heater}, chiller {chiller}: {}", outputs.because);
    reader.line(output, "outputs", plain, &text)?;
    if let Some(cooler) = &state.cooler {
        let on = if cooler.on { "on" } else { "off" };
        let reservoir = cooler
            .reservoir_c
            .map_or_else(String::new, |celsius| format!(", reservoir {}", reader.celsius(celsius)));
        let text = format!("{} {on}{reservoir}: {}", cooler.name, cooler.because);
        reader.line(output, "cooler", plain, &text)?;
    }
    for (name, wear) in [("heater", &outputs.heater_wear), ("chiller", &outputs.chiller_wear)] {
        if let Some(wear) = wear {
            reader.line(output, name, plain, &worn(wear))?;
        }
    }
    Ok(())
}

fn print_gravity(output: &mut impl Write, state: &State, reader: &Reader<'_>) -> Result<()> {
    let plain = Style::new();
    if let Some(gravity) = &state.gravity {
        let rate = gravity
            .rate_points_per_day
            .map_or_else(String::new, |rate| format!(", {}", words::rate(rate)));
        let sg = reader.show.gravity_with_sd(gravity.sg, gravity.sd);
        let as_of = reader.zone.local(&gravity.as_of);
        reader.line(output, "gravity", plain, &format!("{sg}{rate} (as of {as_of})"))?;
    }
    if let Some(attenuation) = &state.attenuation {
        let abv = state
            .abv_percent
            .map_or_else(String::new, |abv| format!(", alcohol {} vol", words::percent(abv)));
        let text = format!("{} apparent{abv}", words::percent(attenuation.apparent_percent));
        reader.line(output, "attenuated", plain, &text)?;
    }
    Ok(())
}

/// Rounded first, so that nothing is ever `-0.0`.
/// What a person set besides the schedule, each with its word.
fn acts(state: &State, reader: &Reader<'_>) -> Vec<(&'static str, String)> {
    let until = |at: &Option<String>, or: &str| match at {
        Some(at) => format!("until {}", reader.zone.local(at)),
        None => or.to_owned(),
    };
    let mut lines = Vec::new();
    if let Some(because) = &state.locked {
        lines.push(("LOCKED", format!("both outputs are off until `unlock`: {because}")));
    }
    if let Some(celsius) = state.parked_c {
        let until = until(&state.parked_until, "until `unpark`");
        lines.push(("parked", format!("at {}, {until}", reader.celsius(celsius))));
    }
    if let Some(celsius) = state.held_c {
        lines.push(("held", format!("at {}, until `resume`", reader.celsius(celsius))));
    }
    if let Some(nudge) = &state.nudge {
        let until = until(&nudge.until, "until the stage ends");
        let by = nudge.by.as_ref().map_or_else(String::new, |by| format!(", by {by}"));
        let how = match (nudge.target_c, nudge.by_c) {
            (Some(celsius), _) => format!("to {}", reader.celsius(celsius)),
            (None, Some(kelvin)) => {
                let sign = if kelvin >= 0.0 { "+" } else { "" };
                format!("by {sign}{}", reader.show.temperature_difference(kelvin))
            }
            (None, None) => "unknown".to_owned(),
        };
        lines.push(("corrected", format!("{how}, {until}{by}")));
    }
    lines
}

/// What an output did, for `status`.
fn worn(wear: &engine::view::Wear) -> String {
    let part = |starts: u64, hours: f64, kwh: Option<f64>| {
        if starts == 0 && hours < 0.05 {
            return "not used".to_owned();
        }
        let starts_word = if starts == 1 { "start" } else { "starts" };
        let energy = kwh.map_or_else(String::new, |kwh| format!(", about {kwh:.2} kWh"));
        format!("{starts} {starts_word}, {hours:.1} h on{energy}")
    };
    let day = part(wear.day_starts, wear.day_on_h, wear.day_kwh);
    let batch = wear.batch_starts.zip(wear.batch_on_h);
    let batch = batch.map(|(starts, hours)| part(starts, hours, wear.batch_kwh));
    match batch {
        Some(batch) if day == "not used" && batch == day => "not used yet".to_owned(),
        Some(batch) => format!("last 24 h: {day}; in this batch {batch}"),
        None => format!("last 24 h: {day}"),
    }
}

fn source_text(source: &engine::view::Source, zone: &Zone) -> String {
    let last = source.last.as_deref().map(|at| zone.local(at));
    let last = last.unwrap_or_else(|| "never heard".to_owned());
    let battery = source
        .battery_percent
        .map_or_else(String::new, |percent| format!(", battery {percent:.0} %"));
    let caution = source.caution.as_ref();
    let caution = caution.map_or_else(String::new, |why| format!(", {}", zone.within(why)));
    format!("{} ({}): last {last}{battery}{caution}", source.name, source.kind)
}

fn alarm_text(alarm: &engine::view::Alarm, zone: &Zone) -> String {
    let seen = if alarm.acknowledged { ", seen" } else { "" };
    let shelved = alarm.shelved_until.as_deref();
    let shelved =
        shelved.map_or_else(String::new, |at| format!(", silent until {}", zone.local(at)));
    let since = zone.local(&alarm.since);
    let text = zone.within(&alarm.text);
    format!("{} ({}{seen}{shelved}, since {since}): {text}", alarm.id, alarm.priority)
}

/// Prints what a vessel's relays cannot do by themselves.
///
/// # Errors
/// Where the output fails.
pub fn print_cautions(
    output: &mut impl Write,
    vessel: &schedule::config::Vessel,
    reader: &Reader<'_>,
) -> Result<()> {
    for (name, relay) in [("heater", &vessel.heater), ("chiller", &vessel.chiller)] {
        let Some(relay) = relay.as_ref().filter(|relay| !relay.out_of_use) else { continue };
        if relay.runs_out.is_none() && relay.drive != schedule::config::Drive::Setpoint {
            let text = format!(
                "the {name}'s relay has no timer of its own: where the network or the broker \
                 fails, it stays as it is"
            );
            reader.line(output, "caution", CARE, &text)?;
        }
    }
    Ok(())
}

/// Prints which receivers of `[[tell]]` cannot be told.
///
/// # Errors
/// Where the output fails.
pub fn print_tells(
    output: &mut impl Write,
    tells: &[crate::tell::Standing],
    reader: &Reader<'_>,
) -> Result<()> {
    for tell in tells {
        if let (Some(since), Some(problem)) = (&tell.failing_since, &tell.problem) {
            let since = reader.zone.local(since);
            let text = format!(" {} hears of no event since {since}: {problem}", tell.to);
            let first = painted(CARE, "NOT TOLD:");
            writeln!(output, "{}", wrapped(&first, &text, 2, reader.width))?;
        }
    }
    Ok(())
}

/// When a stage is expected to be left, and in which range with 90 %.
fn forecast(foreseen: &Forecast, zone: &Zone) -> String {
    let stage = &foreseen.stage;
    let Some(leaves) = &foreseen.leaves else {
        return format!("when {stage} ends cannot be foretold");
    };
    let range = foreseen.earliest.as_ref().zip(foreseen.latest.as_ref());
    let range = range.filter(|(earliest, latest)| earliest != latest);
    let range = range.map_or_else(String::new, |(earliest, latest)| {
        format!(", with 90 % between {} and {}", zone.local(earliest), zone.local(latest))
    });
    format!("{stage} ends {}{range}", zone.local(leaves))
}

/// Prints in sentences what a vessel waits for, what is missing and when it is expected.
///
/// # Errors
/// Where the output fails.
pub fn print_why(output: &mut impl Write, state: &State, reader: &Reader<'_>) -> Result<()> {
    let Reader { zone, width, .. } = *reader;
    let vessel = &state.vessel;
    let head = match &state.stage {
        None => format!("{vessel} is {}: it waits for a person.", state.run),
        Some(stage) => format!(
            "{vessel} is {} in stage {} of {}, {}, since {}.",
            state.run,
            stage.index,
            stage.of,
            stage.name,
            zone.local(&stage.since)
        ),
    };
    writeln!(output, "{}", wrapped("", &head, 2, width))?;
    if let Some(leaving) = leaving(state) {
        writeln!(output, "{}", wrapped("", &leaving, 0, width))?;
    }
    for wait in &state.waits_for {
        writeln!(output, "{}", wrapped("- ", &waiting(wait, zone), 2, width))?;
    }
    let mut sentence = |text: &str| writeln!(output, "{}", wrapped("", text, 2, width));
    for foreseen in state.forecast.iter().take(1) {
        sentence(&format!(
            "Expected, if confirmations come at once: {}.",
            forecast(foreseen, zone)
        ))?;
    }
    for (what, how) in acts(state, reader) {
        sentence(&format!("The setpoint or the outputs are {} {how}.", what.to_lowercase()))?;
    }
    sentence(&format!("Outputs: {}.", state.outputs.because))?;
    if let Some(warmth) = &state.outputs.warmth {
        sentence(&format!("By itself: {}.", warmth.text))?;
    }
    if let Some(packaging) = &state.packaging {
        let because = zone.within(&packaging.because);
        sentence(&format!("Ready for packaging: {}; {because}.", packaging.answer))?;
    }
    for alarm in &state.alarms {
        let first = painted(ALARM, "Alarm");
        let text = format!(" {}.", alarm_text(alarm, zone).trim_end_matches('.'));
        writeln!(output, "{}", wrapped(&first, &text, 2, width))?;
    }
    Ok(())
}

/// What the list below it is of.
fn leaving(state: &State) -> Option<String> {
    state.stage.as_ref()?;
    let open = state.waits_for.iter().filter(|wait| wait.answer != "yes").count();
    let unknown = state.waits_for.iter().filter(|wait| wait.answer == "unknown").count();
    Some(match (state.waits_for.len(), open, unknown) {
        (0, ..) => return None,
        (_, 0, _) => "All that it waits for is met:".to_owned(),
        (1, ..) => "It waits for one thing:".to_owned(),
        (all, open, 0) => format!("Of {all} things {open} not shown yet:", open = are(open)),
        (all, open, unknown) => {
            format!("Of {all} things {} not shown yet, {unknown} of them unknown:", are(open))
        }
    })
}

fn are(count: usize) -> String {
    if count == 1 { "one is".to_owned() } else { format!("{count} are") }
}

/// One thing that a stage waits for, as a sentence.
fn waiting(wait: &Waiting, zone: &Zone) -> String {
    let (milestone, now, needs) =
        (&wait.milestone, zone.within(&wait.now), zone.within(&wait.needs));
    match wait.answer.as_str() {
        "yes" => format!("{milestone} is {}: {now}.", painted(MET, "met")),
        "no" => format!("{milestone} is not met: {now}. Missing: {needs}."),
        _ => format!("{milestone} is {}: {now}. Missing: {needs}.", painted(CARE, "unknown")),
    }
}

/// Prints a record for `log`: on a terminal broken into lines, else on one.
///
/// # Errors
/// Where the output fails.
pub fn print_line(
    output: &mut impl Write,
    record: &engine::Record,
    zone: &Zone,
    width: Option<usize>,
) -> Result<()> {
    let vessel = record.vessel.as_ref().map_or("-", schedule::Name::as_str);
    let at = painted(FAINT, &zone.minute(record.at));
    let text = zone.within(&record.text);
    let text = match record.kind {
        engine::Kind::AlarmRaised => painted(ALARM, &text),
        engine::Kind::ConfirmDue | engine::Kind::NoticeDue | engine::Kind::SampleDue => {
            painted(CARE, &text)
        }
        engine::Kind::StageEntered | engine::Kind::BatchPitched | engine::Kind::BatchCompleted => {
            painted(HEAD, &text)
        }
        _ => text,
    };
    let first = format!("{at}  {vessel}  ");
    match width {
        Some(width) => writeln!(output, "{}", wrapped(&first, &text, 4, width)),
        None => writeln!(output, "{first}{}", text.replace('\n', " ")),
    }
}

/// Standard output for a person: colours only where they are wanted, and its lines' width.
pub fn output() -> anstream::AutoStream<std::io::StdoutLock<'static>> {
    anstream::AutoStream::auto(std::io::stdout().lock())
}

/// The width in which records are broken; `None` where no person reads along.
pub fn log_width() -> Option<usize> {
    use std::io::IsTerminal;
    std::io::stdout().is_terminal().then(screen::width)
}
