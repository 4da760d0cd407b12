//! What happens when: the acts of a service and the faults put into it. Larkfield Chapel is invented.

/// What sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Organ alone.
    Organ,
    /// The first talker.
    Talk,
    /// The second talker.
    Reading,
    /// Organ and voices.
    Hymn,
    /// Bass, drums, strings and a singer.
    Band,
    /// Nobody: the room alone.
    Stillness,
    /// Hands.
    Applause,
}

/// What is put wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FaultKind {
    /// The device delivers nothing.
    Gone,
    /// Exact zeros on the stream.
    Zeros,
    /// The stream bus is muted: only the line's noise, at -92 dBFS.
    Muted,
    /// The stream mix is louder (or quieter) by this, dB.
    Level(f64),
    /// The stream mix is driven into full scale.
    Clipped,
    /// The right side of the stream is gone.
    RightDead,
    /// The stream has an offset of 2 % of full scale.
    Offset,
    /// Somebody recalls the wrong scene: the stream is the house mix.
    WrongScene,
    /// A line-up tone is left on, 1 kHz at -18 dBFS.
    Tone,
    /// One side of the stream is turned over.
    Polarity,
}

/// One fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScriptedFault {
    /// Begin, seconds.
    pub at_seconds: f64,
    /// Length, seconds.
    pub for_seconds: f64,
    /// What.
    pub kind: FaultKind,
    /// Condition that names it.
    pub condition: &'static str,
}

/// A service with what goes wrong in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// Name, for people.
    pub name: &'static str,
    /// Acts and their lengths in seconds, one after the other; repeated until the end.
    pub acts: Vec<(Act, f64)>,
    /// Length of the whole, seconds.
    pub seconds: f64,
    /// Faults, in order of time, not overlapping.
    pub faults: Vec<ScriptedFault>,
}

const fn fault(at_seconds: f64, for_seconds: f64, kind: FaultKind, condition: &'static str) -> ScriptedFault {
    ScriptedFault { at_seconds, for_seconds, kind, condition }
}

impl Script {
    /// A Sunday gathering at Larkfield Chapel (invented), about 26 minutes, with one fault of each plain kind; in its
    /// second half somebody recalls the wrong scene.
    pub fn gathering() -> Self {
        let acts = vec![
            (Act::Stillness, 20.0),
            (Act::Organ, 60.0),
            (Act::Talk, 90.0),
            (Act::Hymn, 110.0),
            (Act::Reading, 80.0),
            (Act::Stillness, 40.0),
            (Act::Band, 150.0),
            (Act::Talk, 210.0),
            (Act::Applause, 8.0),
            (Act::Hymn, 120.0),
            (Act::Talk, 150.0),
            (Act::Band, 160.0),
            (Act::Reading, 100.0),
            (Act::Organ, 90.0),
            (Act::Talk, 120.0),
            (Act::Stillness, 60.0),
        ];
        let seconds = acts.iter().map(|a| a.1).sum();
        let faults = vec![
            fault(130.0, 12.0, FaultKind::Zeros, "silent_while_house_plays"),
            fault(230.0, 15.0, FaultKind::Muted, "silent_while_house_plays"),
            fault(300.0, 12.0, FaultKind::RightDead, "channel_dead"),
            fault(430.0, 14.0, FaultKind::Clipped, "clipping"),
            fault(570.0, 6.0, FaultKind::Gone, "no_data"),
            fault(620.0, 75.0, FaultKind::Level(-16.0), "far_too_quiet"),
            fault(1_010.0, 420.0, FaultKind::WrongScene, "house_copy"),
        ];
        Self { name: "a Sunday gathering at Larkfield Chapel (invented)", acts, seconds, faults }
    }

    /// The same without a fault, for as long as is wanted.
    pub fn clean(seconds: f64) -> Self {
        Self { seconds, faults: Vec::new(), ..Self::gathering() }
    }

    /// The act at a time, the one before it, and how long it has gone on.
    pub(super) fn act_at(&self, seconds: f64) -> (Act, Act, f64) {
        let total: f64 = self.acts.iter().map(|a| a.1).sum();
        let mut at = seconds % total;
        let mut before = self.acts[self.acts.len() - 1].0;
        for (act, length) in &self.acts {
            if at < *length {
                return (*act, before, at);
            }
            at -= length;
            before = *act;
        }
        (before, before, 0.0)
    }

    /// The fault at a time.
    pub(super) fn fault_at(&self, seconds: f64) -> Option<FaultKind> {
        self.faults.iter().find(|f| seconds >= f.at_seconds && seconds < f.at_seconds + f.for_seconds).map(|f| f.kind)
    }
}
