//! What outlives the process: SQLite, and nobody else uses it. The log has one writer (`writer`), may be read while it
//! is written (`read`), and is thinned as it grows old (`thin`); waiting notices have a file of their own (`outbox`).
//! Line checks (`linecheck`) and moments of sound, where they are kept at all (`moments`), are files beside it.

mod file;
mod insert;
mod linecheck;
mod moments;
mod outbox;
mod read;
mod schema;
mod thin;
mod writer;

pub use file::{Hold, OpenError, path};
pub use linecheck::{keep_linecheck, kept_linecheck};
pub use moments::{Album, Keeper, MomentLimits};
pub use outbox::SqliteOutbox;
pub use read::{Legacy, OpenService, Reader};
pub use schema::VERSION;
pub use thin::Limits;
pub use writer::{Writer, Writing, back_up};
