//! Sentences and small tables for a person, of what the engine knows.

use engine::view::{State, Summary};
use std::io::Write;

/// An expansion as a configuration has it: `200 ppm/K`.
pub fn expansion(body: quantity::Expansion) -> String {
    // The last digits that the conversion leaves behind are dropped.
    format!("{} ppm/K", (body.per_kelvin() * 1e12).round() / 1e6)
}

/// Prints what came of a batch.
///
/// # Errors
/// Where the output fails.
pub fn print_summary(output: &mut impl Write, summary: &Summary) -> std::io::Result<()> {
    writeln!(output)?;
    for stage in &summary.stages {
        let left = stage.left.as_deref().unwrap_or("not left yet");
        writeln!(output, "{:<20} {} to {left}", stage.name, stage.entered)?;
    }
    if let Some(gravity) = summary.gravity {
        let plato = quantity::plato_from_sg(gravity.sg);
        writeln!(output, "gravity      {:.4} ± {:.4} SG ({plato:.2} °P)", gravity.sg, gravity.sd)?;
    }
    if let Some(attenuation) = &summary.attenuation {
        writeln!(
            output,
            "attenuation  {:.1} % apparent, {:.1} % real",
            attenuation.apparent_percent, attenuation.real_percent
        )?;
    }
    if let Some(abv) = summary.abv_percent {
        writeln!(output, "alcohol      {abv:.1} % by volume")?;
    }
    let stable = if summary.stable { "stable" } else { "not shown to be stable" };
    writeln!(output, "final        {stable}")?;
    writeln!(output, "run          {}", summary.run)
}

/// Prints a vessel as it stands, for `status`.
///
/// # Errors
/// Where the output fails.
pub fn print_state(
    output: &mut impl Write,
    state: &State,
    show: quantity::Show,
    zone: &Zone,
) -> std::io::Result<()> {
    let celsius = |celsius: Option<f64>| {
        celsius
            .and_then(quantity::Temperature::from_celsius)
            .map_or_else(|| "unknown".to_owned(), |temperature| show.temperature(temperature))
    };
    let batch = state.batch.as_deref().unwrap_or("no batch");
    let name = state.batch_name.as_ref().map_or_else(String::new, |name| format!(" ({name})"));
    let at = zone.local(&state.at);
    writeln!(output, "{}: {}, {batch}{name}, as of {at}", state.vessel, state.run)?;
    if let (Some(schedule), Some(stage)) = (&state.schedule, &state.stage) {
        writeln!(
            output,
            "  schedule   {schedule}: stage {} of {}, {}, since {}",
            stage.index,
            stage.of,
            stage.name,
            zone.local(&stage.since)
        )?;
    }
    writeln!(
        output,
        "  beer       {}, setpoint {}, target {}",
        celsius(state.beer_c),
        state.setpoint_c.map_or_else(|| "none".to_owned(), |_| celsius(state.setpoint_c)),
        state.target_c.map_or_else(|| "none".to_owned(), |_| celsius(state.target_c))
    )?;
    print_acts(output, state, show, zone)?;
    print_gravity(output, state, show, zone)?;
    let word = |on: &Option<String>| on.clone().unwrap_or_else(|| "none".to_owned());
    writeln!(
        output,
        "  outputs    heater {}, chiller {}: {}",
        word(&state.outputs.heater),
        word(&state.outputs.chiller),
        state.outputs.because
    )?;
    if let Some(cooler) = &state.cooler {
        let on = if cooler.on { "on" } else { "off" };
        let reservoir = cooler
            .reservoir_c
            .map_or_else(String::new, |_| format!(", reservoir {}", celsius(cooler.reservoir_c)));
        writeln!(output, "  cooler     {} {on}{reservoir}: {}", cooler.name, cooler.because)?;
    }
    let wears = [("heater", &state.outputs.heater_wear), ("chiller", &state.outputs.chiller_wear)];
    for (name, wear) in wears.iter().filter_map(|(name, wear)| Some((name, wear.as_ref()?))) {
        writeln!(output, "  {name:10} {}", worn(wear))?;
    }
    for wait in &state.waits_for {
        writeln!(output, "  waits for  {}: {} ({})", wait.milestone, wait.answer, wait.now)?;
    }
    for foreseen in &state.forecast {
        writeln!(output, "  forecast   {}", forecast(foreseen, zone))?;
    }
    if let Some(packaging) = &state.packaging {
        let because = zone.within(&packaging.because);
        writeln!(output, "  packaging  {}: {because}", packaging.answer)?;
    }
    for alarm in &state.alarms {
        let seen = if alarm.acknowledged { ", seen" } else { "" };
        writeln!(output, "  ALARM      {} ({}{seen}): {}", alarm.id, alarm.priority, alarm.text)?;
    }
    state.sources.iter().try_for_each(|source| print_source(output, source, zone))
}

/// Prints what a person set besides the schedule.
fn print_acts(
    output: &mut impl Write,
    state: &State,
    show: quantity::Show,
    zone: &Zone,
) -> std::io::Result<()> {
    for (what, how) in acts(state, show, zone) {
        writeln!(output, "  {what:<10} {how}")?;
    }
    Ok(())
}

/// What a person set besides the schedule, each with its word.
fn acts(state: &State, show: quantity::Show, zone: &Zone) -> Vec<(&'static str, String)> {
    let degrees = |celsius: f64| {
        let temperature = quantity::Temperature::from_celsius(celsius);
        temperature.map_or_else(|| "unknown".to_owned(), |known| show.temperature(known))
    };
    let until = |at: &Option<String>, or: &str| match at {
        Some(at) => format!("until {}", zone.local(at)),
        None => or.to_owned(),
    };
    let mut lines = Vec::new();
    if let Some(because) = &state.locked {
        lines.push(("LOCKED", format!("both outputs are off until `unlock`: {because}")));
    }
    if let Some(celsius) = state.parked_c {
        let until = until(&state.parked_until, "until `unpark`");
        lines.push(("parked", format!("at {}, {until}", degrees(celsius))));
    }
    if let Some(celsius) = state.held_c {
        lines.push(("held", format!("at {}, until `resume`", degrees(celsius))));
    }
    if let Some(nudge) = &state.nudge {
        let until = until(&nudge.until, "until the stage ends");
        let by = nudge.by.as_ref().map_or_else(String::new, |by| format!(", by {by}"));
        let how = match (nudge.target_c, nudge.by_c) {
            (Some(celsius), _) => format!("to {}", degrees(celsius)),
            (None, Some(kelvin)) => {
                let sign = if kelvin >= 0.0 { "+" } else { "" };
                format!("by {sign}{}", show.temperature_difference(kelvin))
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
        let starts_word = if starts == 1 { "start" } else { "starts" };
        let energy = kwh.map_or_else(String::new, |kwh| format!(", about {kwh:.2} kWh"));
        format!("{starts} {starts_word}, {hours:.1} h on{energy}")
    };
    let day = part(wear.day_starts, wear.day_on_h, wear.day_kwh);
    let batch =
        wear.batch_starts.zip(wear.batch_on_h).map_or_else(String::new, |(starts, hours)| {
            format!("; in this batch {}", part(starts, hours, wear.batch_kwh))
        });
    format!("last 24 h: {day}{batch}")
}

fn print_source(
    output: &mut impl Write,
    source: &engine::view::Source,
    zone: &Zone,
) -> std::io::Result<()> {
    let last = source.last.as_deref().map(|at| zone.local(at));
    let last = last.unwrap_or_else(|| "never heard".to_owned());
    let battery = source
        .battery_percent
        .map_or_else(String::new, |percent| format!(", battery {percent:.0} %"));
    let caution = source.caution.as_ref();
    let caution = caution.map_or_else(String::new, |why| format!(", {}", zone.within(why)));
    writeln!(
        output,
        "  source     {} ({}): last {last}{battery}{caution}",
        source.name, source.kind
    )
}

fn print_gravity(
    output: &mut impl Write,
    state: &State,
    show: quantity::Show,
    zone: &Zone,
) -> std::io::Result<()> {
    if let Some(gravity) = &state.gravity {
        // Rounded first, so that nothing is never `-0.0`.
        let rate = gravity.rate_points_per_day.map(|rate| (rate * 10.0).round() / 10.0 + 0.0);
        let rate = rate.map_or_else(String::new, |rate| format!(", {rate:+.1} points a day"));
        let sg = show.gravity_with_sd(gravity.sg, gravity.sd);
        writeln!(output, "  gravity    {sg}{rate} (as of {})", zone.local(&gravity.as_of))?;
    }
    if let Some(attenuation) = &state.attenuation {
        let abv =
            state.abv_percent.map_or_else(String::new, |abv| format!(", alcohol {abv:.1} % vol"));
        writeln!(output, "  attenuated {:.1} % apparent{abv}", attenuation.apparent_percent)?;
    }
    Ok(())
}

/// Prints what a vessel's relays cannot do by themselves.
///
/// # Errors
/// Where the output fails.
pub fn print_cautions(
    output: &mut impl Write,
    vessel: &schedule::config::Vessel,
) -> std::io::Result<()> {
    for (name, relay) in [("heater", &vessel.heater), ("chiller", &vessel.chiller)] {
        let Some(relay) = relay.as_ref().filter(|relay| !relay.out_of_use) else { continue };
        if relay.runs_out.is_none() && relay.drive != schedule::config::Drive::Setpoint {
            writeln!(
                output,
                "  caution    the {name}'s relay has no timer of its own: where the network or \
                 the broker fails, it stays as it is"
            )?;
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
    zone: &Zone,
) -> std::io::Result<()> {
    for tell in tells {
        if let (Some(since), Some(problem)) = (&tell.failing_since, &tell.problem) {
            let since = zone.local(since);
            writeln!(output, "NOT TOLD: {} hears of no event since {since}: {problem}", tell.to)?;
        }
    }
    Ok(())
}

/// When a stage is expected to be left, and in which range with 90 %.
fn forecast(foreseen: &engine::view::Forecast, zone: &Zone) -> String {
    let stage = &foreseen.stage;
    let Some(leaves) = &foreseen.leaves else {
        return format!("when {stage} ends cannot be foretold");
    };
    let range = foreseen.earliest.as_ref().zip(foreseen.latest.as_ref()).map_or_else(
        String::new,
        |(earliest, latest)| {
            if earliest == latest {
                return String::new();
            }
            format!(", with 90 % between {} and {}", zone.local(earliest), zone.local(latest))
        },
    );
    format!("{stage} ends {}{range}", zone.local(leaves))
}

/// Prints in sentences what a vessel waits for, what is missing and when it is expected.
///
/// # Errors
/// Where the output fails.
pub fn print_why(
    output: &mut impl Write,
    state: &State,
    show: quantity::Show,
    zone: &Zone,
) -> std::io::Result<()> {
    let vessel = &state.vessel;
    match &state.stage {
        None => writeln!(output, "{vessel} is {}: it waits for a person.", state.run)?,
        Some(stage) => writeln!(
            output,
            "{vessel} is {} in stage {} of {}, {}, since {}.",
            state.run,
            stage.index,
            stage.of,
            stage.name,
            zone.local(&stage.since)
        )?,
    }
    for wait in &state.waits_for {
        let (milestone, now) = (&wait.milestone, &wait.now);
        match wait.answer.as_str() {
            "yes" => writeln!(output, "- {milestone} is met: {now}.")?,
            "no" => writeln!(output, "- {milestone} is not met: {now}. Missing: {}.", wait.needs)?,
            _ => writeln!(output, "- {milestone} is unknown: {now}. Missing: {}.", wait.needs)?,
        }
    }
    if let Some(foreseen) = state.forecast.first() {
        writeln!(output, "Forecast: {}.", forecast(foreseen, zone))?;
    }
    if let Some(packaging) = &state.packaging {
        let because = zone.within(&packaging.because);
        writeln!(output, "Ready for packaging: {}; {because}.", packaging.answer)?;
    }
    for (what, how) in acts(state, show, zone) {
        writeln!(output, "The setpoint or the outputs are {} {how}.", what.to_lowercase())?;
    }
    writeln!(output, "Outputs: {}.", state.outputs.because)?;
    if let Some(warmth) = &state.outputs.warmth {
        writeln!(output, "By itself: {}.", warmth.text)?;
    }
    for alarm in &state.alarms {
        writeln!(output, "Alarm {} ({}): {}.", alarm.id, alarm.priority, alarm.text)?;
    }
    Ok(())
}

/// The time zone in which a person reads.
#[derive(Debug, Clone, Copy)]
pub struct Zone(chrono_tz::Tz);

impl Zone {
    /// As configured, else the machine's, else UTC.
    pub fn of(config: &schedule::config::Config) -> Self {
        let machine = || iana_time_zone::get_timezone().ok();
        let name = config.time_zone.clone().or_else(machine);
        Zone(name.and_then(|name| name.parse().ok()).unwrap_or(chrono_tz::UTC))
    }

    /// Its IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// The zone itself.
    pub fn tz(self) -> chrono_tz::Tz {
        self.0
    }

    /// As [`Zone::minute`], of a time as RFC 3339; any other text stays as it is.
    pub fn local(&self, text: &str) -> String {
        let at = quantity::Stamp::parse_rfc3339(text);
        at.map_or_else(|_| text.to_owned(), |at| self.minute(at))
    }

    /// A sentence whose times as RFC 3339 are told as [`Zone::local`] tells them.
    pub fn within(&self, text: &str) -> String {
        let told = |word: &str| {
            let (time, rest) = word.split_at(word.trim_end_matches([',', ';', ':', '.']).len());
            format!("{}{rest}", self.local(time))
        };
        text.split(' ').map(told).collect::<Vec<_>>().join(" ")
    }

    /// `2026-03-01 18:00 CET`.
    pub fn minute(&self, at: quantity::Stamp) -> String {
        match chrono::DateTime::from_timestamp_millis(at.millis()) {
            Some(time) => time.with_timezone(&self.0).format("%Y-%m-%d %H:%M %Z").to_string(),
            None => at.rfc3339(),
        }
    }
}

/// Prints a record as a line of `log`.
///
/// # Errors
/// Where the output fails.
pub fn print_line(
    output: &mut impl Write,
    record: &engine::Record,
    zone: &Zone,
) -> std::io::Result<()> {
    let vessel = record.vessel.as_ref().map_or("-", schedule::Name::as_str);
    writeln!(output, "{}  {vessel}  {}", zone.minute(record.at), record.text)
}
