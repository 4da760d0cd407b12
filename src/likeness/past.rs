//! What was heard in the last three minutes, block by block, and the figures of a part of it.

use super::GROUPS;
use super::balance::{self, Balance};
use super::cell::{BLOCK_CELLS, BLOCK_SECONDS, Block, Cell};
use super::material::{self, Material};
use super::verdict::Heard;
use std::collections::VecDeque;

/// Blocks looked back at: 180 s.
pub const LOOK_BACK: usize = 176;
/// Blocks of half a minute.
const HALF_MINUTE: usize = 30;
/// Cells of the last ten seconds.
const LATELY_CELLS: usize = 30;

struct Row {
    block: Block,
    /// While the delay is unknown: the sound was such that it could have been found.
    telling: bool,
    material: Material,
}

/// What a look sees over a span.
pub struct Figures {
    /// What was heard.
    pub heard: Heard,
    /// How the balance moves; `None` with next to nothing shared.
    pub balance: Option<Balance>,
}

/// What is shown of a span beside its figures.
#[derive(Default)]
pub struct Shown {
    /// Gain of the talk, dB.
    pub talk_db: Option<f64>,
    /// Gain of held sound, dB.
    pub music_db: Option<f64>,
    /// Gain by group of bands in the last ten seconds, over the median of the span, dB.
    pub lately_db: [Option<f64>; GROUPS],
}

/// The last blocks.
#[derive(Default)]
pub struct Past {
    rows: VecDeque<Row>,
}

impl Past {
    /// Forgets all.
    pub fn clear(&mut self) {
        self.rows.clear();
    }

    /// Takes a block; what kind of sound it was is known when its window is full.
    pub fn push(&mut self, block: Block, telling: bool) {
        if self.rows.len() == LOOK_BACK {
            self.rows.pop_front();
        }
        self.rows.push_back(Row { block, telling, material: Material::Mixed });
    }

    /// The window that ends here was of this kind.
    pub fn was(&mut self, material: Material) {
        for row in self.rows.iter_mut().rev().take(material::WINDOW_BLOCKS) {
            row.material = material;
        }
    }

    /// Blocks that are here.
    pub fn blocks(&self) -> usize {
        self.rows.len()
    }

    /// Cells of the last `span` blocks that can be compared, with their kind of sound.
    fn usable(&self, span: usize) -> (Vec<&Cell>, Vec<Material>) {
        let rows = self.rows.range(self.rows.len().saturating_sub(span)..).filter(|r| r.block.shared);
        let room = span.min(self.rows.len()) * BLOCK_CELLS;
        let (mut cells, mut kinds) = (Vec::with_capacity(room), Vec::with_capacity(room));
        for row in rows {
            cells.extend(&row.block.cells);
            kinds.resize(cells.len(), row.material);
        }
        (cells, kinds)
    }

    /// The figures of the last `span` blocks; `channels` are those of stream and house.
    pub fn figures(&self, span: usize, channels: [usize; 2]) -> Figures {
        let first = self.rows.len().saturating_sub(span);
        let rows = || self.rows.range(first..);
        let (cells, kinds) = self.usable(span);
        let balance = balance::compare(&cells, &self.kinds(first), channels);
        let seconds = |kind: Material| {
            let counted = balance.as_ref().map_or(&[][..], |b| &b.counted);
            kinds.iter().zip(counted).filter(|(k, c)| **c && **k == kind).count() as f64 * balance::CELL_SECONDS
        };
        let last = || self.rows.iter().rev().take(HALF_MINUTE);
        let active = self.rows.iter().rev().filter(|r| r.block.active == [true, true]).take(HALF_MINUTE);
        let count = |(n, s, t), r: &Row| (n + 1, s + u32::from(r.block.shared), t + u32::from(r.telling));
        let (recent, shared, telling) = active.fold((0, 0, 0), count);
        let of = |side: usize| last().filter(|r| r.block.active[side]).count() as f64 * BLOCK_SECONDS;
        let heard = Heard {
            both_seconds: rows().filter(|r| r.block.active == [true, true]).count() as f64 * BLOCK_SECONDS,
            shared: f64::from(shared) / f64::from(recent.max(1)),
            telling: f64::from(telling) / f64::from(recent.max(1)),
            recent_seconds: f64::from(recent) * BLOCK_SECONDS,
            stream_seconds: of(0),
            house_seconds: of(1),
            came: last().filter(|r| !r.block.came).count() < 20,
            talk_seconds: seconds(Material::Talk),
            music_seconds: seconds(Material::Held),
        };
        Figures { heard, balance }
    }

    /// What is shown of the last `span` blocks, of which `balance` is known.
    pub fn shown(&self, span: usize, balance: &Balance) -> Shown {
        let (cells, kinds) = self.usable(span);
        let of_kind =
            |kind| balance.gain_of(cells.iter().zip(&kinds).filter(|(_, k)| **k == kind).map(|(cell, _)| *cell));
        Shown {
            lately_db: balance.groups_of(&cells[cells.len().saturating_sub(LATELY_CELLS)..]),
            talk_db: of_kind(Material::Talk),
            music_db: of_kind(Material::Held),
        }
    }

    /// Kind of sound of each usable cell, 1 talk, -1 held, 0 neither; windows beside a change of kind count as neither,
    /// because the change lies somewhere in them.
    fn kinds(&self, first: usize) -> Vec<f64> {
        let kind = |row: usize| self.rows[row].material;
        let settled = |row: usize| {
            let (before, after) =
                (row.saturating_sub(material::WINDOW_BLOCKS).max(first), row + material::WINDOW_BLOCKS);
            kind(before) == kind(row) && kind(after.min(self.rows.len() - 1)) == kind(row)
        };
        let number = |row: usize| match kind(row) {
            Material::Talk if settled(row) => 1.0,
            Material::Held if settled(row) => -1.0,
            _ => 0.0,
        };
        let usable = (first..self.rows.len()).filter(|row| self.rows[*row].block.shared);
        usable.flat_map(|row| std::iter::repeat_n(number(row), self.rows[row].block.cells.len())).collect()
    }
}
