//! The store: one SQLite file with every input that matters and every record.
