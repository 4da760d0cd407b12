//! How long a verdict lives.

use super::{Kin, Opinion};

/// The verdict that stands, and what speaks against it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Standing {
    /// What is announced; its kin changes only after looks that agree.
    pub announced: Opinion,
    /// What the newest look says by itself.
    pub newest: Opinion,
    candidate: Kin,
    agreeing: u32,
}

impl Standing {
    /// Takes a look; gives whether the announced kin changed.
    pub fn take(&mut self, look: Opinion, shares_sound: bool) -> bool {
        let before = self.announced.kin;
        self.newest = look;
        self.agreeing = if look.kin == self.candidate { self.agreeing + 1 } else { 1 };
        self.candidate = look.kin;
        let certain = look.kin != Kin::Unsure;
        if before == Kin::Unrelated && shares_sound {
            // Sound in common is evidence enough against "unrelated".
            self.announced = look;
            if certain && look.kin != before {
                self.announced = Opinion::default();
            }
        } else if look.kin == before || certain && self.agreeing >= look.agreeing_looks {
            self.announced = look;
        }
        self.announced.kin != before
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_verdict_stands_until_three_looks_speak_against_it_and_unrelated_until_sound_is_shared() {
        let say = |kin| Opinion { kin, agreeing_looks: 3, ..Opinion::default() };
        let mut standing = Standing::default();
        let told: Vec<Kin> = [Kin::Own, Kin::Own, Kin::Own, Kin::Unsure, Kin::Copy, Kin::Copy, Kin::Unsure, Kin::Copy]
            .map(|kin| {
                standing.take(say(kin), true);
                standing.announced.kin
            })
            .to_vec();
        assert_eq!(told, [Kin::Unsure, Kin::Unsure, Kin::Own, Kin::Own, Kin::Own, Kin::Own, Kin::Own, Kin::Own]);
        assert!(!standing.take(say(Kin::Copy), true));
        assert!(standing.take(say(Kin::Copy), true), "three in a row");
        let mut standing = Standing::default();
        for _ in 0..3 {
            standing.take(say(Kin::Unrelated), false);
        }
        assert_eq!(standing.announced.kin, Kin::Unrelated);
        assert!(!standing.take(say(Kin::Unsure), false), "silence is no evidence against it");
        assert!(standing.take(say(Kin::Unsure), true));
        assert_eq!(standing.announced.kin, Kin::Unsure);
    }
}
