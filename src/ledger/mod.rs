//! What outcomes add up to: the board of the present moment, and what is kept of the past. Pure; the doors
//! (`keep`, `show`, `tell`) read it and meet each other only here.

pub mod advice;
pub mod board;
pub mod linecheck;
pub mod moment;
pub mod notice;
pub mod outbox;
pub mod own_mix;
pub mod ready;
pub mod rejudge;
pub mod review;
pub mod row;
pub mod runbook;
pub mod sentence;
pub mod shelf;
pub mod trend;

pub use board::{Board, Fault, FeedBoard, PairBoard, Second, ServiceBoard, Taught};
pub use moment::{KeptMoment, Moment, Moments};
pub use notice::{LocalTime, Notice, NoticeStep};
pub use outbox::{Loaded, MemoryOutbox, NoticeCounts, Outbox, OutboxError, Waiting};
pub use review::Review;
pub use row::{Row, RowMaker};
pub use shelf::{Entry, KeptAlert, KeptFeed, KeptService, OwnMixChange, ServiceLine, Shelf, ShelfError, Which};
