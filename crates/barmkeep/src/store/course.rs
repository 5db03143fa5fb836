//! The course of batches: a point each quarter of an hour, so that a chart needs no replay.
//!
//! Points are written at each snapshot, as few pages change so. Those that wait are not lost at a
//! crash: the inputs since the snapshot give them again, and a second copy of one changes nothing.

use super::error::StoreError;
use engine::Point;
use quantity::Stamp;
use rusqlite::{Connection, Row, Transaction, params};
use schedule::Name;
use std::path::Path;

/// So many points wait at most; where the store fails for long, the oldest are let go.
pub const POINTS_MAX: usize = 20_000;

const INSERT: &str = "INSERT INTO point (batch, at, vessel, sg, sg_sd, attenuation, \
     attenuation_sd, beer_c, setpoint_c, surround_c, heater, chiller) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12) ON CONFLICT (batch, at) DO NOTHING";

/// Selects what [`point_of`] reads.
const SELECT: &str = "SELECT at, vessel, sg, sg_sd, attenuation, attenuation_sd, beer_c, \
     setpoint_c, surround_c, heater, chiller FROM point WHERE batch = ?1 ORDER BY at";

/// Writes points.
pub(super) fn insert(transaction: &Transaction<'_>, points: &[Point]) -> rusqlite::Result<()> {
    let mut statement = transaction.prepare_cached(INSERT)?;
    for point in points {
        statement.execute(params![
            point.batch,
            point.at.millis(),
            point.vessel.as_str(),
            point.sg,
            point.sg_sd,
            point.attenuation_percent,
            point.attenuation_sd,
            point.beer_c,
            point.setpoint_c,
            point.surround_c,
            point.heater_share,
            point.chiller_share,
        ])?;
    }
    Ok(())
}

/// The points of a batch that are on disk, in the order of time.
pub(super) fn of_batch(
    connection: &Connection,
    path: &Path,
    batch: &str,
) -> Result<Vec<Point>, StoreError> {
    let ours = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
    let mut statement = connection.prepare_cached(SELECT).map_err(ours)?;
    let rows = statement.query_map([batch], |row| point_of(row, batch)).map_err(ours)?;
    rows.map(|row| {
        row.map_err(ours)?.map_err(|problem| StoreError::Damaged { path: path.to_owned(), problem })
    })
    .collect()
}

fn point_of(row: &Row<'_>, batch: &str) -> rusqlite::Result<Result<Point, String>> {
    let vessel: String = row.get(1)?;
    let vessel = match Name::parse(&vessel) {
        Ok(vessel) => vessel,
        Err(problem) => return Ok(Err(problem)),
    };
    Ok(Ok(Point {
        batch: batch.to_owned(),
        vessel,
        at: Stamp::from_millis(row.get(0)?),
        sg: row.get(2)?,
        sg_sd: row.get(3)?,
        attenuation_percent: row.get(4)?,
        attenuation_sd: row.get(5)?,
        beer_c: row.get(6)?,
        setpoint_c: row.get(7)?,
        surround_c: row.get(8)?,
        heater_share: row.get(9)?,
        chiller_share: row.get(10)?,
    }))
}
