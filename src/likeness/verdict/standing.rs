//! How long a verdict lives.

use super::{Detail, Kin, Opinion};
use crate::likeness::past;

/// Blocks over which all looks must agree before a verdict that stands gives way to another.
const AGAINST: u64 = 20;
/// Blocks that are remembered.
const REMEMBERED: u64 = past::LOOK_BACK as u64;

/// The verdict that stands, and what speaks against it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Standing {
    /// What is announced; its kin changes only after looks that agree.
    pub announced: Opinion,
    /// What the newest look says by itself.
    pub newest: Opinion,
    candidate: Kin,
    /// Block from which on all looks agreed on it.
    agreeing_from: u64,
}

impl Standing {
    /// At block `now` the newest look says what is announced; that nothing can be told, for as long as is remembered.
    pub fn undisputed(&self, now: u64) -> bool {
        let patient = self.announced.kin != Kin::Unsure || now - self.agreeing_from >= REMEMBERED;
        patient && self.newest.kin == self.announced.kin
    }

    /// An own mix stands, and within what is remembered a look said copy that none has spoken against.
    pub fn doubted(&self, now: u64) -> bool {
        let lately = now - self.agreeing_from <= REMEMBERED;
        self.announced.kin == Kin::Own && self.candidate == Kin::Copy && lately
    }

    /// Takes the look at block `now`; gives whether the announced kin changed.
    pub fn take(&mut self, look: Opinion, now: u64, shares_sound: bool) -> bool {
        let before = self.announced.kin;
        self.newest = look;
        // Like a copy, and of one source: nothing against a copy that was seen.
        let neutral = look.detail == Detail::OneSource && self.doubted(now);
        if look.kin != self.candidate && !neutral {
            (self.candidate, self.agreeing_from) = (look.kin, now);
        }
        let certain = look.kin != Kin::Unsure;
        let needs = if before == Kin::Unsure { look.agreeing_blocks } else { look.agreeing_blocks.max(AGAINST) };
        if before == Kin::Unrelated && shares_sound {
            // Sound in common is evidence enough against "unrelated".
            self.announced = look;
            if certain && look.kin != before {
                self.announced = Opinion::default();
            }
        } else if look.kin == before || certain && now - self.agreeing_from >= needs {
            self.announced = look;
        }
        self.announced.kin != before
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_verdict_stands_until_all_looks_of_twenty_blocks_speak_against_it_and_unrelated_until_sound_is_shared() {
        let say = |kin| Opinion { kin, agreeing_blocks: 20, ..Opinion::default() };
        let mut standing = Standing::default();
        let looks = [Kin::Own, Kin::Own, Kin::Own, Kin::Unsure, Kin::Copy, Kin::Copy, Kin::Unsure, Kin::Copy];
        let told: Vec<Kin> = looks
            .iter()
            .zip(1..)
            .map(|(kin, i)| {
                standing.take(say(*kin), 10 * i, true);
                standing.announced.kin
            })
            .collect();
        assert_eq!(told, [Kin::Unsure, Kin::Unsure, Kin::Own, Kin::Own, Kin::Own, Kin::Own, Kin::Own, Kin::Own]);
        let soon = Opinion { agreeing_blocks: 10, ..say(Kin::Copy) };
        assert!(!standing.take(soon, 95, true), "15 blocks");
        assert!(standing.take(say(Kin::Copy), 100, true), "20 blocks");
        let mut standing = Standing::default();
        for now in [10, 20, 30] {
            standing.take(say(Kin::Unrelated), now, false);
        }
        assert_eq!(standing.announced.kin, Kin::Unrelated);
        assert!(!standing.take(say(Kin::Unsure), 40, false), "silence is no evidence against it");
        assert!(standing.take(say(Kin::Unsure), 50, true));
        assert_eq!(standing.announced.kin, Kin::Unsure);
    }

    #[test]
    fn one_source_speaks_neither_for_a_copy_nor_against_it() {
        let say = |kin| Opinion { kin, agreeing_blocks: 20, ..Opinion::default() };
        let one_source = Opinion { detail: Detail::OneSource, ..say(Kin::Unsure) };
        let told = |between: Opinion, again: u64| {
            let mut standing = Standing::default();
            for now in [10, 20, 30] {
                standing.take(say(Kin::Own), now, true);
            }
            standing.take(say(Kin::Copy), 100, true);
            standing.take(between, 110, true);
            standing.take(say(Kin::Copy), again, true);
            standing.announced.kin
        };
        assert_eq!(told(one_source, 115), Kin::Own);
        assert_eq!(told(one_source, 120), Kin::Copy);
        assert_eq!(told(say(Kin::Unsure), 120), Kin::Own);
        assert_eq!(told(say(Kin::Own), 120), Kin::Own);
    }

    #[test]
    fn what_nothing_speaks_against_is_undisputed_and_doubt_only_after_long() {
        let say = |kin| Opinion { kin, agreeing_blocks: 10, ..Opinion::default() };
        let mut standing = Standing::default();
        standing.take(say(Kin::Unsure), 100, true);
        assert!(!standing.undisputed(REMEMBERED - 1));
        assert!(standing.undisputed(REMEMBERED));
        standing.take(say(Kin::Copy), 200, true);
        assert!(!standing.undisputed(201), "a look that says more is followed up soon");
        standing.take(say(Kin::Copy), 210, true);
        assert!(standing.undisputed(211));
        standing.take(say(Kin::Unsure), 220, true);
        assert!(!standing.undisputed(1_000), "a verdict that is no longer seen");
    }
}
