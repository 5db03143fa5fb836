//! How far each receiver of `[[tell]]` was told.

use super::Store;
use super::error::StoreError;
use crate::tell::Ledger;
use rusqlite::{OptionalExtension, params};

/// How all of these keys begin.
const PREFIX: &str = "told ";

impl Ledger for Store {
    fn told(&self, key: &str) -> Result<Option<u64>, StoreError> {
        let seq: Option<i64> = self
            .connection
            .query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0))
            .optional()
            .map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
        Ok(seq.map(i64::unsigned_abs))
    }

    fn note_told(&mut self, key: &str, seq: u64) -> Result<(), StoreError> {
        self.connection
            .execute(
                "INSERT INTO meta (key, value) VALUES (?1, ?2) \
                 ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                params![key, seq as i64],
            )
            .map(drop)
            .map_err(|error| StoreError::from_sqlite(&self.path, &error))
    }

    fn keep_told(&mut self, keys: &[String]) -> Result<(), StoreError> {
        let ours = |error: rusqlite::Error| StoreError::from_sqlite(&self.path, &error);
        let mut statement = self
            .connection
            .prepare("SELECT key FROM meta WHERE substr(key, 1, length(?1)) = ?1")
            .map_err(ours)?;
        let known = statement.query_map([PREFIX], |row| row.get::<_, String>(0)).map_err(ours)?;
        let known: Vec<String> = known.collect::<Result<_, _>>().map_err(ours)?;
        for key in known.iter().filter(|key| !keys.contains(key)) {
            self.connection.execute("DELETE FROM meta WHERE key = ?1", [key]).map_err(ours)?;
        }
        Ok(())
    }
}
