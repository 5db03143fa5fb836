//! `replay`: recorded readings through the same engine.

use crate::driver::{Confirmer, Driver, LEAP_MAX, command};
use crate::failure::{Failure, Status};
use crate::files::Cellar;
use crate::table::{self, Column, Table, TemperatureColumns};
use engine::command::{Instrument, Pitch, Sample};
use engine::{
    Command, CommandInput, Engine, Input, Kind, LoadedSchedule, RawGravity, Reading, Record, Setup,
    Values, VesselSetup,
};
use quantity::{Gravity, GravityDelta, Share, Span, Stamp};
use schedule::Name;
use schedule::config::{GravitySource, Probe, Vessel};
use schedule::model::Schedule;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

/// With `--follow-setpoint` and no temperature on record, the beer is said to be at the setpoint
/// this often.
const FOLLOW_EVERY: Span = Span::from_mins(5);

/// What a person can say about a replay.
#[derive(Debug, Clone)]
pub struct Options {
    /// Overrides the schedule's expectation, as a sample at pitch.
    pub original_gravity: Option<Gravity>,
    /// Overrides the schedule's expectation.
    pub final_gravity: Option<Gravity>,
    /// Overrides the schedule's expectation.
    pub attenuation: Option<Share>,
    /// How long a `confirm` waits for its answer.
    pub confirm_after: Span,
    /// Takes the beer to be at the setpoint for `at_target`.
    pub follow_setpoint: bool,
    /// Records and summary as JSON lines.
    pub json: bool,
}

/// What stands in a file, in order: in parts, as they were read.
#[derive(Debug, Clone, PartialEq)]
struct Recording {
    parts: Vec<Vec<Row>>,
}

/// One row of a recording.
#[derive(Debug, Clone, PartialEq)]
struct Row {
    at: Stamp,
    source: Name,
    by: By,
    values: Values,
}

/// What measured a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum By {
    Float,
    Probe,
    Hand,
}

/// Runs a recording through a schedule.
///
/// # Errors
/// Where the recording cannot be used, the pitch is refused, or the output fails.
pub fn run(
    schedule: Schedule,
    file: &Path,
    vessel: Option<(&Cellar, &Name)>,
    options: &Options,
    output: &mut impl Write,
) -> Result<(), Failure> {
    let recording = Recording::read(Table::read(file)?)?;
    let name = match vessel {
        Some((_, name)) => name.clone(),
        None => Name::parse("replay").map_err(|error| Failure::new(Status::Failed, error))?,
    };
    let setup = setup(&recording, &name, vessel.map(|(cellar, _)| cellar), options);
    let mut replay = Replay {
        driver: Driver::new(Engine::new(setup)),
        confirmer: Confirmer::new(options.confirm_after, "replay"),
        name,
        follow: options.follow_setpoint && !recording.has_temperatures(),
        followed: None,
        json: options.json,
        output,
    };
    replay.run(schedule, &recording, options)
}

struct Replay<'a, W> {
    driver: Driver,
    confirmer: Confirmer,
    name: Name,
    /// The beer is said to be at the setpoint, since the recording says nothing of it.
    follow: bool,
    followed: Option<Stamp>,
    json: bool,
    output: &'a mut W,
}

impl<W: Write> Replay<'_, W> {
    fn run(
        &mut self,
        schedule: Schedule,
        recording: &Recording,
        options: &Options,
    ) -> Result<(), Failure> {
        let Some(first) = recording.rows().next() else {
            return Err(Failure::new(Status::Data, "the recording has no row"));
        };
        self.driver.step(first.at);
        self.driver.give(Input::from(CommandInput {
            vessel: self.name.clone(),
            id: None,
            by: Some("replay".to_owned()),
            command: Ok(Command::Pitch(pitch(options))),
            schedule: Some(LoadedSchedule {
                name: "replay".to_owned(),
                schedule: Ok(Box::new(schedule)),
            }),
            calibration: None,
            history: Vec::new(),
        }));
        if let Some(refusal) = self.tell()? {
            return Err(Failure::new(Status::Failed, format!("the pitch was refused: {refusal}")));
        }
        for row in recording.rows() {
            while self.driver.step_towards(row.at) {
                self.between()?;
            }
            self.between()?;
            self.driver.give(row.input(&self.name));
            self.tell()?;
        }
        self.finish()
    }

    /// What the program itself does between two rows.
    fn between(&mut self) -> Result<(), Failure> {
        let Some(now) = self.driver.now() else { return Ok(()) };
        for input in self.confirmer.due(now) {
            self.driver.give(input);
        }
        let due = self.followed.is_none_or(|at| now.since(at) >= FOLLOW_EVERY);
        if self.follow && due {
            self.followed = Some(now);
            let setpoint = self.driver.engine.glance(&self.name).and_then(|glance| glance.setpoint);
            if let Some(setpoint) = setpoint {
                let temperature_c = Some(setpoint.celsius());
                let values = Values { temperature_c, ..Values::default() };
                self.driver.give(reading(&self.name, "beer", values));
            }
        }
        self.tell().map(|_| ())
    }

    /// Prints the records; gives the reason of a refused command, where there was one.
    fn tell(&mut self) -> Result<Option<String>, Failure> {
        if self.driver.is_quiet() {
            return Ok(None);
        }
        let records = self.driver.take_records();
        self.driver.take_effects();
        self.driver.take_points();
        if let Some(now) = self.driver.now() {
            self.confirmer.look(&records, now);
        }
        let mut refusal = None;
        for record in &records {
            if record.kind == Kind::CommandRefused {
                refusal = record.data.get("reason").and_then(Value::as_str).map(str::to_owned);
            }
            print_record(self.output, record, self.json)?;
        }
        Ok(refusal)
    }

    fn finish(&mut self) -> Result<(), Failure> {
        let summary = self.driver.engine.summary(&self.name);
        let mut value = json!(summary);
        value["kind"] = json!("summary");
        if self.json {
            serde_json::to_writer(&mut *self.output, &value).map_err(std::io::Error::from)?;
            self.output.write_all(b"\n")?;
        } else if let Some(summary) = &summary {
            crate::words::print_summary(self.output, summary)?;
        }
        Ok(self.output.flush()?)
    }
}

/// Prints a record as a line of JSON or of English.
///
/// # Errors
/// Where the output fails.
pub fn print_record(output: &mut impl Write, record: &Record, json: bool) -> std::io::Result<()> {
    if json {
        serde_json::to_writer(&mut *output, record)?;
        return output.write_all(b"\n");
    }
    // What a person typed or a switch did is of interest in a log, not in a story.
    let quiet = [Kind::CommandAccepted, Kind::OutputSwitched, Kind::ReadingRefused];
    if quiet.contains(&record.kind) {
        return Ok(());
    }
    writeln!(output, "{}  {}", record.at.rfc3339(), record.text)
}

fn pitch(options: &Options) -> Pitch {
    Pitch {
        schedule: "replay".to_owned(),
        name: None,
        original_gravity: options.original_gravity,
        original_unknown: false,
        uncertainty: None,
        final_gravity: options.final_gravity,
        attenuation: options.attenuation,
        volume: None,
        yeast: None,
        at: None,
        stage: None,
    }
}

fn setup(recording: &Recording, name: &Name, cellar: Option<&Cellar>, options: &Options) -> Setup {
    let mut setup = match cellar {
        Some(cellar) => cellar.setup(),
        None => Setup {
            show: quantity::Show::default(),
            vessels: BTreeMap::new(),
            coolers: BTreeMap::new(),
        },
    };
    setup.vessels.retain(|known, _| known == name);
    let vessel = setup
        .vessels
        .entry(name.clone())
        .or_insert_with(|| VesselSetup::new(Vessel::plain(BTreeMap::new()), BTreeMap::new()));
    let every = recording.interval();
    for row in recording.rows().filter(|row| row.by == By::Float) {
        let gravity = &mut vessel.config.gravity;
        gravity.entry(row.source.clone()).or_insert_with(|| GravitySource::plain(every));
    }
    // A recording drives no outputs, and what it says of the beer is what its sources say.
    let has_beer = recording.rows().any(|row| row.by == By::Probe && row.source.as_str() == "beer");
    vessel.config.heater = None;
    vessel.config.chiller = None;
    vessel.config.beer = has_beer.then(|| Probe::plain(every));
    vessel.config.surround = None;
    vessel.config.rides_with = None;
    let control = &mut vessel.config.control;
    control.silent_after = control.silent_after.max(every * 3);
    // Another hand kept the temperature that is on record: how far it was from ours tells nothing.
    control.off_target = quantity::TemperatureDelta::clamped(f64::INFINITY);
    if options.follow_setpoint {
        vessel.beer_follows_setpoint = true;
        if !recording.has_temperatures() {
            vessel.config.beer = Some(Probe::plain(FOLLOW_EVERY));
        }
    }
    setup
}

fn reading(vessel: &Name, source: &str, values: Values) -> Input {
    Input::Reading(Reading {
        vessel: vessel.clone(),
        source: source.to_owned(),
        taken: None,
        retained: false,
        values,
    })
}

impl Row {
    fn input(&self, vessel: &Name) -> Input {
        let sampled = match self.values.gravity.filter(|_| self.by == By::Hand) {
            Some(RawGravity::Sg(sg)) => Gravity::from_sg(sg),
            Some(RawGravity::Plato(plato) | RawGravity::Brix(plato)) => Gravity::from_plato(plato),
            _ => None,
        };
        match sampled {
            Some(gravity) => {
                let sample = Sample {
                    gravity,
                    instrument: Instrument::Hydrometer,
                    temperature: None,
                    calibrated_at: None,
                    uncertainty: Some(GravityDelta::Points(1.0)),
                    taken: None,
                };
                command(vessel.clone(), "replay", Command::Sample(sample))
            }
            None => reading(vessel, self.source.as_str(), self.values),
        }
    }
}

impl Recording {
    /// Reads it on as many cores as there are.
    ///
    /// # Errors
    /// Where a row cannot be read or comes in a wrong order, or there is none.
    fn read(mut table: Table) -> Result<Self, Failure> {
        let columns = Columns::of(&table);
        if !columns.time.is_there() {
            return Err(table.fault("there is no column `time`").hint(
                "the columns are named in the first line; `time` is RFC 3339 with an offset",
            ));
        }
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let parts = match at_once(table.parts(cores), &columns) {
            Some(parts) => parts,
            None => vec![rows_of(&mut table, &columns)?],
        };
        let recording = Recording { parts };
        if recording.rows().next().is_none() {
            return Err(table.fault("there is no row"));
        }
        Ok(recording)
    }

    fn rows(&self) -> impl Iterator<Item = &Row> {
        self.parts.iter().flatten()
    }

    fn has_temperatures(&self) -> bool {
        self.rows().any(|row| row.values.temperature_c.is_some())
    }

    /// The usual time between two gravities of one float: their median.
    fn interval(&self) -> Span {
        let mut last: BTreeMap<&Name, Stamp> = BTreeMap::new();
        let mut gaps = Vec::new();
        for row in self.rows().filter(|row| row.by == By::Float && row.values.gravity.is_some()) {
            if let Some(before) = last.insert(&row.source, row.at) {
                gaps.push(row.at.since(before));
            }
        }
        gaps.sort_unstable();
        gaps.get(gaps.len() / 2).copied().unwrap_or(Span::from_hours(1)).max(Span::from_secs(1))
    }
}

/// The rows of each part of a table; `None` where it has none, or any fault: which one, and in
/// which line, is then to be found from the beginning.
fn at_once(parts: Vec<Table>, columns: &Columns) -> Option<Vec<Vec<Row>>> {
    std::thread::scope(|scope| {
        let read = |mut part| {
            let reader = std::thread::Builder::new();
            reader.spawn_scoped(scope, move || rows_of(&mut part, columns))
        };
        let readers = parts.into_iter().map(read).collect::<Result<Vec<_>, _>>().ok()?;
        let parts = readers.into_iter().map(|reader| reader.join().ok()?.ok());
        let parts = parts.collect::<Option<Vec<_>>>().filter(|parts| !parts.is_empty())?;
        let in_order = parts.windows(2).all(|parts| match (parts[0].last(), parts[1].first()) {
            (Some(last), Some(next)) => refuse_order(last.at, next.at).is_ok(),
            // Only empty lines: whether the rows around it fit is found as a fault is.
            _ => false,
        });
        in_order.then_some(parts)
    })
}

/// The rows of a table that are not read yet.
fn rows_of(table: &mut Table, columns: &Columns) -> Result<Vec<Row>, Failure> {
    let mut rows: Vec<Row> = Vec::new();
    let mut sources = Vec::new();
    while let Some(record) = table.next_row()? {
        let row = row(&record, columns, &mut sources).map_err(|problem| record.fault(&problem))?;
        if let Some(last) = rows.last() {
            let in_order = refuse_order(last.at, row.at);
            in_order.map_err(|(problem, hint)| record.fault(&problem).hint(hint))?;
        }
        rows.push(row);
    }
    Ok(rows)
}

/// Why a row of that time cannot come after one of this, and what to do about it.
fn refuse_order(last: Stamp, next: Stamp) -> Result<(), (String, String)> {
    if next < last {
        let problem = format!("the time falls: {next} comes after {last}");
        return Err((problem, "sort the rows by time".to_owned()));
    }
    if next.since(last) > LEAP_MAX {
        let hint = format!("a recording has no gap of over {LEAP_MAX}: look at the year");
        return Err((format!("the time leaps from {last} to {next}"), hint));
    }
    Ok(())
}

/// What makes a float's number in a unit.
type Unit = fn(f64) -> RawGravity;

/// The columns of a recording.
struct Columns {
    time: Column,
    kind: Column,
    source: Column,
    /// Those of the four columns of a float's number that are there, each with its unit.
    gravities: Vec<(Column, Unit)>,
    temperature: TemperatureColumns,
    battery_percent: Column,
}

impl Columns {
    fn of(table: &Table) -> Self {
        let gravities: [(_, Unit); 4] = [
            ("gravity_sg", RawGravity::Sg),
            ("gravity_plato", RawGravity::Plato),
            ("gravity_brix", RawGravity::Brix),
            ("angle_deg", RawGravity::Degrees),
        ];
        let gravities = gravities.map(|(name, unit)| (table.column(name), unit));
        let gravities = gravities.into_iter().filter(|(column, _)| column.is_there()).collect();
        Columns {
            time: table.column("time"),
            kind: table.column("kind"),
            source: table.column("source"),
            gravities,
            temperature: table.temperature_columns(),
            battery_percent: table.column("battery_percent"),
        }
    }
}

/// Reads a row; `sources` are those that were named before.
fn row(record: &table::Row<'_>, columns: &Columns, sources: &mut Vec<Name>) -> Result<Row, String> {
    let at = Stamp::parse_rfc3339(record.text(columns.time).ok_or("`time` is empty")?)?;
    let hand = match record.text(columns.kind) {
        // What a probe is, its source says.
        None | Some("float" | "probe") => false,
        Some("hand") => true,
        Some(other) => {
            return Err(format!("`{other}` in `kind` is none of `float`, `hand` and `probe`"));
        }
    };
    let source = record.text(columns.source).unwrap_or("float");
    let source = match sources.iter().find(|known| known.as_str() == source) {
        Some(known) => known.clone(),
        None => {
            sources.push(Name::parse(source)?);
            sources[sources.len() - 1].clone()
        }
    };
    let by = match source.as_str() {
        _ if hand => By::Hand,
        "beer" | "surround" => By::Probe,
        _ => By::Float,
    };
    let mut gravity = None;
    for (column, unit) in &columns.gravities {
        gravity = gravity.or(record.number(*column)?.map(unit));
    }
    let values = Values {
        gravity,
        temperature_c: record.celsius(columns.temperature)?,
        battery_percent: record.number(columns.battery_percent)?,
    };
    Ok(Row { at, source, by, values })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_recording_is_read_in_parts_as_it_is_read_whole() {
        let line = |at: i64, end: &str| {
            let at = Stamp::from_millis(1_772_000_000_000 + at * 10_000);
            format!("{},beer,{:.4}{end}", at.rfc3339(), 18.0 + at.millis() as f64 * 1e-13)
        };
        let text = |end: &str| {
            let lines = (0..12_000).map(|at| line(at, end)).collect::<String>();
            format!("time,source,temperature_c{end}{lines}")
        };
        for end in ["\n", "\r\n"] {
            let text = text(end);
            let mut whole = Table::of(text.as_str(), "a.csv").unwrap();
            let columns = Columns::of(&whole);
            for (cores, count) in [(1, 0), (2, 2), (3, 3), (64, 3)] {
                let parts = whole.parts(cores);
                assert_eq!(parts.len(), count, "{cores}");
                let parts = at_once(parts, &columns);
                assert_eq!(parts.as_ref().map_or(0, Vec::len), count);
                assert!(parts.is_none_or(|parts| parts.concat().len() == 12_000), "{cores}");
            }
            let parts = at_once(whole.parts(3), &columns).unwrap();
            assert_eq!(parts.concat(), rows_of(&mut whole, &columns).unwrap());
            // What is wrong is told with its line, also where it lies between two parts.
            let read = |text| Recording::read(Table::of(text, "a.csv").unwrap());
            let fault = |text: String| read(text).unwrap_err().message;
            let broken = text.replace(&line(9_000, end), &format!("x,beer,{end}"));
            assert!(fault(broken).starts_with("a.csv:9002: `x` is not a time"));
            let lines: Vec<&str> = text.split_inclusive('\n').collect();
            let (first, last) = (lines[1..6_000].concat(), lines[6_000..].concat());
            let turned = format!("{}{last}{first}", lines[0]);
            assert!(fault(turned).starts_with("a.csv:6003: the time falls"));
            let quoted = text.replace("beer", "\"beer\"");
            assert!(Table::of(quoted, "a.csv").unwrap().parts(2).is_empty());
        }
    }

    #[test]
    fn rows_are_read_and_their_faults_named() {
        let good = "time,gravity_plato,temperature_f,note\n2026-03-01T10:00:00+01:00,12.1,64.4,x\n\
                    2026-03-01T10:15:00+01:00,,,\n";
        let read = |text: &str| Recording::read(Table::of(text, "a.csv")?);
        let good = read(good).unwrap().parts.concat();
        assert_eq!(good.len(), 2);
        assert_eq!(good[0].values.gravity, Some(RawGravity::Plato(12.1)));
        assert!((good[0].values.temperature_c.unwrap() - 18.0).abs() < 1e-9);
        for (text, expected) in [
            ("gravity_sg\n1.05\n", "a.csv: there is no column `time`"),
            ("time,gravity_sg\nyesterday,1.05\n", "a.csv:2: `yesterday` is not a time"),
            ("time,gravity_sg\n2026-03-01T10:00:00Z,abc\n", "a.csv:2: `abc` in `gravity_sg`"),
            ("time,gravity_sg\n2026-03-01T10:00:00Z,NaN\n", "a.csv:2: `NaN` in `gravity_sg`"),
            ("time\n2026-03-01T10:00:00Z\n2026-03-01T09:00:00Z\n", "a.csv:3: the time falls"),
            (
                "time\n2026-03-01T10:00:00Z\n9026-03-01T09:00:00Z\n",
                "a.csv:3: the time leaps from 2026-03-01T10:00:00Z to 9026",
            ),
            ("time\n", "a.csv: there is no row"),
            ("time,gravity_sg\n\n2026-03-01T10:00:00Z,1,05\n", "a.csv:3: the line has 3 fields"),
        ] {
            let failure = read(text).unwrap_err();
            assert!(failure.message.starts_with(expected), "{}", failure.message);
            assert_eq!(failure.status, Status::Data);
        }
    }
}
