//! What outlives the process: SQLite, and nobody else uses it.

mod outbox;

pub use outbox::SqliteOutbox;
