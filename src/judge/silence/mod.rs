//! Silence in its kinds: exact zeros (`digital`), only the line's noise (`bus_muted`), and either of them while
//! the room's mix plays (`while_house_plays`). All three are calm until there is a reason to expect sound.

pub mod bus_muted;
pub mod digital;
pub mod while_house_plays;

use super::{Expectation, Scene, Words};

/// Silence is a fault only when sound is expected of the feed.
fn expected(scene: &Scene<'_>) -> bool {
    scene.hearing.expectation(scene.house.map(|h| h.1), scene.service) != Expectation::NotStarted
}

/// A pause or a fault? Asked, not warned of, where the two are the same signal.
static IS_IT_A_PAUSE: Words = Words {
    headline: "Nothing for over a minute: a pause?",
    checks: [
        "If it is a pause: all is well, press the button.",
        "If somebody speaks or plays now: look at the mute and the fader of the stream mix on the desk.",
        "Then look at the cable from that output to this computer.",
    ],
    viewers: "The viewers hear nothing.",
    evidence: "The level was {value} LUFS (limit {limit} LUFS) and this desk's pauses look the same.",
    caution: "",
};
