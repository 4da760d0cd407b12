//! What the comparison of stream and house leads to: a stream that carries the room's mix, and one that has nothing
//! to do with it.

pub mod house_copy;
pub mod unrelated_feed;

use crate::likeness::HouseFeed;

/// What the site wants of its stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum OwnMixWish {
    /// A mix of its own: a copy is told.
    #[default]
    Expected,
    /// Whatever it is, nothing is told.
    NotExpected,
    /// The room's mix: a mix of its own is told.
    CopyExpected,
}

impl OwnMixWish {
    /// As it is written in the settings.
    pub fn name(self) -> &'static str {
        match self {
            Self::Expected => "expected",
            Self::NotExpected => "not expected",
            Self::CopyExpected => "copy expected",
        }
    }

    /// From what is written in the settings.
    pub fn of(text: &str) -> Option<Self> {
        [Self::Expected, Self::NotExpected, Self::CopyExpected].into_iter().find(|w| w.name() == text)
    }
}

/// The site's wish, and what its house feed is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct OwnMixSettings {
    /// What the stream should be.
    pub wish: OwnMixWish,
    /// What the house feed is.
    pub house: HouseFeed,
}
