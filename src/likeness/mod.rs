//! Two feeds: is the stream a mix of its own, or the room's mix over again? Delay, polarity, level, and how far the
//! balance between bands moves.
//!
//! The delay is found by the phases of the cross spectrum and followed (`acquire`, `track`), the balance is compared
//! in cells of 0.34 s by 21 bands (`balance`), and what is compared is told apart by kind (`material`), because a
//! single source makes every mix look like a copy. Never wrong is worth more than certain: the answer is often
//! "cannot tell", with what is missing. Own algorithm. Memory is constant; the same hops give the same bits.

mod acquire;
mod balance;
mod material;
mod side;
mod spectra;
mod thin;
mod track;
mod verdict;

pub use balance::Balance;
pub use material::Material;
pub use spectra::{BANDS, middle_hz};
pub use verdict::{Detail, Heard, Kin, Missing, Opinion};


use crate::units::SampleRate;
use acquire::Acquire;
use material::Listener;
use side::Side;
use std::collections::VecDeque;
use thin::WORK_HZ;
use track::{BLOCK_SECONDS, Block, Cell, Track};
use verdict::Standing;

/// Blocks looked back at: 180 s.
const LOOK_BACK: usize = 176;
/// Blocks from one look to the next: 10.2 s.
const LOOK_EVERY: u64 = 10;

/// Looks kept for the picture: ten minutes.
pub const HISTORY: usize = 60;
/// Groups of bands that people are told of: low notes, the body of voices, their clearness, bright sounds.
pub const GROUPS: usize = 4;
/// Lower edges of the groups, Hz; the last ends at 7.2 kHz.
pub const GROUP_HZ: [f64; GROUPS] = [105.0, 300.0, 1_000.0, 3_000.0];

/// How the sides of the house lie in the stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sides {
    /// Left is left.
    Straight,
    /// Left is right.
    Swapped,
    /// Both sides carry the sum.
    Summed,
    /// Otherwise.
    Mixed,
}

impl Sides {
    /// Name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Swapped => "swapped",
            Self::Summed => "summed",
            Self::Mixed => "mixed",
        }
    }
}

/// One group of bands.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Group {
    /// Gain from the house to the stream over what all bands have, dB; `None` while the group was not heard.
    pub over_db: Option<f64>,
    /// How much that moves, dB.
    pub moves_db: f64,
}

/// All that there is to say of two feeds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Likeness {
    /// The verdict that stands.
    pub kin: Kin,
    /// What stands behind it.
    pub detail: Detail,
    /// What is missing for a certain one, and how many seconds of it.
    pub missing: Option<(Missing, f64)>,
    /// What the newest look says by itself (a verdict stands until there is evidence against it).
    pub newest: Opinion,
    /// When the verdict began to stand, seconds of compared time; `None` before the first.
    pub since_seconds: Option<f64>,
    /// Compared time at this look, seconds.
    pub at_seconds: f64,
    /// Stream behind house, ms.
    pub delay_ms: Option<f64>,
    /// How much faster the stream's clock runs, parts in a million.
    pub clock_ppm: Option<f64>,
    /// The stream is turned over against the house.
    pub inverted: Option<bool>,
    /// How the sides lie.
    pub sides: Option<Sides>,
    /// Stream over house, dB (the median over the bands).
    pub level_db: Option<f64>,
    /// Talk and music apart: stream over house, dB.
    pub talk_db: Option<f64>,
    /// The same of held sound, dB.
    pub music_db: Option<f64>,
    /// By group of bands.
    pub groups: [Group; GROUPS],
    /// Groups in the last 10 s against `level_db`, dB.
    pub lately_db: [Option<f64>; GROUPS],
    /// How much the balance between bands moves, dB.
    pub moves_db: Option<f64>,
    /// What the stream has that the house has not, dB re the stream.
    pub added_db: Option<f64>,
    /// Sound compared, seconds.
    pub evidence_seconds: f64,
    /// Talk in it, seconds.
    pub talk_seconds: f64,
    /// Held sound in it, seconds.
    pub music_seconds: f64,
}

struct Row {
    block: Block,
    material: Material,
}

/// Compares two feeds, hop by hop.
pub struct Comparer {
    stream: Side,
    house: Side,
    acquire: Acquire,
    track: Track,
    listener: Listener,
    rows: VecDeque<Row>,
    blocks: u64,
    room_microphone: bool,
    standing: Standing,
    likeness: Likeness,
    /// Figures of the last look.
    pub balance: Option<Balance>,
    /// What was heard at the last look.
    pub heard: Heard,
}

impl Comparer {
    /// For a stream and a house of these rates and channels.
    pub fn new(stream: (SampleRate, usize), house: (SampleRate, usize)) -> Self {
        Self {
            stream: Side::new(stream.0, stream.1),
            house: Side::new(house.0, house.1),
            acquire: Acquire::new(),
            track: Track::new(),
            listener: Listener::new(),
            rows: VecDeque::with_capacity(LOOK_BACK),
            blocks: 0,
            room_microphone: false,
            standing: Standing::default(),
            likeness: Likeness::default(),
            balance: None,
            heard: Heard::default(),
        }
    }

    /// The house feed is a microphone in the room: then only "unrelated" can be told.
    pub fn set_room_microphone(&mut self, yes: bool) {
        self.room_microphone = yes;
    }

    /// The next 10 ms of both, interleaved; `None` where they never came. Gives whether there was a look, which comes
    /// every 10.2 s: then `likeness` is new.
    pub fn hop(&mut self, stream: Option<&[f32]>, house: Option<&[f32]>) -> bool {
        self.push_stream(stream);
        self.push_house(house);
        self.advance()
    }

    /// A feed has another rate or another number of channels from now on: the delay is looked for anew, the verdict
    /// and its evidence stay.
    pub fn refit(&mut self, stream: (SampleRate, usize), house: (SampleRate, usize)) {
        (self.stream, self.house) = (Side::new(stream.0, stream.1), Side::new(house.0, house.1));
        self.track = Track::new();
        self.acquire.reset();
        self.listener.reset();
        self.rows.clear();
    }

    /// 10 ms of the stream alone; for feeds on two devices, each by its own clock.
    pub fn push_stream(&mut self, hop: Option<&[f32]>) {
        self.stream.push(hop);
    }

    /// 10 ms of the house alone.
    pub fn push_house(&mut self, hop: Option<&[f32]>) {
        self.house.push(hop);
    }

    /// What there is to say, as of the last look.
    pub fn likeness(&self) -> &Likeness {
        &self.likeness
    }

    /// Compares what both have by now; gives whether there was a look.
    pub fn advance(&mut self) -> bool {
        let mut looked = false;
        loop {
            let Self { stream, house, track, listener, .. } = self;
            let mut fresh = None;
            let mut each = |moment: track::Moment<'_>| {
                if let Some(w) = listener.moment(&moment) {
                    fresh = Some(w);
                }
            };
            let Some(block) = track.step(stream, house, &mut each) else { return looked };
            if let Some(w) = fresh {
                for row in self.rows.iter_mut().rev().take(material::WINDOW_BLOCKS) {
                    row.material = w.material;
                }
            }
            if let Some(block) = block {
                looked |= self.block(block);
            }
        }
    }

    fn block(&mut self, block: Block) -> bool {
        if self.track.lock().is_none() {
            self.listener.reset();
            if block.active == [true, true] {
                if let Some(delay) = self.acquire.look(&self.stream, &self.house) {
                    self.track.follow(&self.stream, delay);
                    self.acquire.reset();
                }
            }
        }
        if self.rows.len() == LOOK_BACK {
            self.rows.pop_front();
        }
        self.rows.push_back(Row { block, material: Material::Mixed });
        self.blocks += 1;
        if !self.blocks.is_multiple_of(LOOK_EVERY) {
            return false;
        }
        self.look();
        true
    }

    fn look(&mut self) {
        let usable: Vec<(&Cell, Material)> = self
            .rows
            .iter()
            .filter(|r| r.block.shared)
            .flat_map(|r| r.block.cells.iter().map(|c| (c, r.material)))
            .collect();
        let cells: Vec<&Cell> = usable.iter().map(|u| u.0).collect();
        let kinds = self.kinds();
        self.balance = balance::compare(&cells, &kinds, [self.stream.channels(), self.house.channels()]);
        let seconds = |kind: Material| {
            let counted = self.balance.as_ref().map_or(&[][..], |b| &b.counted);
            usable.iter().zip(counted).filter(|(u, c)| **c && u.1 == kind).count() as f64 * balance::CELL_SECONDS
        };
        let last = |n: usize| self.rows.iter().rev().take(n);
        let active = self.rows.iter().rev().filter(|r| r.block.active == [true, true]).take(30);
        let (recent, shared) = active.fold((0, 0), |(n, s), r| (n + 1, s + usize::from(r.block.shared)));
        let of = |side: usize| last(30).filter(|r| r.block.active[side]).count() as f64 * BLOCK_SECONDS;
        self.heard = Heard {
            both_seconds: self.rows.iter().filter(|r| r.block.active == [true, true]).count() as f64 * BLOCK_SECONDS,
            shared: f64::from(shared as u32) / f64::from(recent.max(1) as u32),
            recent_seconds: recent as f64 * BLOCK_SECONDS,
            stream_seconds: of(0),
            house_seconds: of(1),
            came: last(30).filter(|r| !r.block.came).count() < 20,
            talk_seconds: seconds(Material::Talk),
            music_seconds: seconds(Material::Held),
        };
        let opinion = verdict::look(&self.heard, self.balance.as_ref(), self.room_microphone);
        let changed = self.standing.take(opinion, self.heard.shared > 0.5);
        let lately = usable.iter().rev().take(30).map(|u| u.0).collect::<Vec<_>>();
        let fresh = self.balance.as_ref().map(|b| b.groups_of(&lately));
        let by_kind = |kind| self.balance.as_ref().and_then(|b| b.gain_of(usable.iter().filter(|u| u.1 == kind).map(|u| u.0)));
        let (talk_db, music_db) = (by_kind(Material::Talk), by_kind(Material::Held));
        self.tell(changed, fresh, talk_db, music_db);
    }

    /// Kind of sound of each usable cell, 1 talk, -1 held, 0 neither; windows beside a change of kind count as neither,
    /// because the change lies somewhere in them.
    fn kinds(&self) -> Vec<f64> {
        let kind = |row: usize| self.rows[row].material;
        let settled = |row: usize| {
            let (before, after) = (row.saturating_sub(material::WINDOW_BLOCKS), row + material::WINDOW_BLOCKS);
            kind(before) == kind(row) && kind(after.min(self.rows.len() - 1)) == kind(row)
        };
        let number = |row: usize| match kind(row) {
            Material::Talk if settled(row) => 1.0,
            Material::Held if settled(row) => -1.0,
            _ => 0.0,
        };
        let usable = (0..self.rows.len()).filter(|row| self.rows[*row].block.shared);
        usable.flat_map(|row| std::iter::repeat_n(number(row), self.rows[row].block.cells.len())).collect()
    }

    fn tell(&mut self, changed: bool, fresh: Option<[Option<f64>; GROUPS]>, talk_db: Option<f64>, music_db: Option<f64>) {
        let at_seconds = self.blocks as f64 * BLOCK_SECONDS;
        let since_seconds = if changed { Some(at_seconds) } else { self.likeness.since_seconds };
        let Opinion { kin, detail, missing } = self.standing.announced;
        let b = self.balance.as_ref();
        let lock = self.track.lock();
        let sides = b.and_then(|b| match (self.stream.channels(), self.house.channels()) {
            (2, 2) if b.used == [true, true] => Some(match b.from {
                [0, 1] => Sides::Straight,
                [1, 0] => Sides::Swapped,
                [2, 2] => Sides::Summed,
                _ => Sides::Mixed,
            }),
            _ => None,
        });
        self.likeness = Likeness {
            kin,
            detail,
            missing,
            newest: self.standing.newest,
            since_seconds,
            at_seconds,
            delay_ms: self.delay_ms(),
            clock_ppm: self.clock_ppm(),
            inverted: lock.filter(|l| l.peak.abs() > 1e-3).map(|l| l.peak < 0.0),
            sides,
            level_db: b.map(|b| b.gain_db),
            talk_db,
            music_db,
            groups: b.map(Balance::groups).unwrap_or_default(),
            lately_db: fresh.unwrap_or_default(),
            moves_db: b.map(|b| b.moves_db),
            added_db: b.map(|b| b.unexplained_db),
            evidence_seconds: b.map_or(0.0, |b| b.seconds),
            talk_seconds: self.heard.talk_seconds,
            music_seconds: self.heard.music_seconds,
        };
    }

    /// Stream behind house, ms, while it is known.
    pub fn delay_ms(&self) -> Option<f64> {
        let lock = self.track.lock()?;
        let counted = (self.stream.end() - self.house.end()) as f64;
        Some((lock.delay - counted) * 1000.0 / f64::from(WORK_HZ))
    }

    /// How much faster the stream's clock runs, parts in a million.
    pub fn clock_ppm(&self) -> Option<f64> {
        Some(self.track.lock()?.slope / spectra::STEP as f64 * 1e6)
    }
}
