//! What outlives the process: SQLite, and nobody else uses it. The log has one writer (`writer`), may be read while it
//! is written (`read`), and is thinned as it grows old (`thin`); waiting notices have a file of their own (`outbox`).

mod file;
mod insert;
mod outbox;
mod read;
mod schema;
mod thin;
mod writer;

pub use file::{Hold, OpenError, path};
pub use outbox::SqliteOutbox;
pub use read::{Legacy, OpenService, Reader};
pub use schema::VERSION;
pub use thin::Limits;
pub use writer::{Writer, Writing, back_up};
