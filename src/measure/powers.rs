//! Block powers of a programme, kept exactly, in order of size: what both gates (integrated loudness and
//! loudness range) ask of their past, at a cost and with a memory that don't depend on how long the past is.
//!
//! A power is rounded once to f32. The upper half of its bits names the bin (128 bins an octave of power, about
//! 0.024 LU each), the lower half is the value kept there: two bytes a value. Bins and octaves carry counts and
//! sums, so that a question looks at some 20 octaves, one octave's bins and one bin's values.

const BINS_AN_OCTAVE: usize = 128;
/// Octaves of f32, from 2^-126 to its largest value.
const OCTAVES: usize = 255;
const CHUNK_VALUES: usize = 30;
/// Chunks in one allocation (16 KiB): no doubling, so that memory grows only by what is kept.
const PAGE_CHUNKS: usize = 256;
const NONE: u32 = u32::MAX;

/// Powers kept since the last reset; two bytes each.
#[derive(Debug, Clone)]
pub struct Powers {
    octaves: Vec<Option<Box<Octave>>>,
    pages: Vec<Box<[Chunk; PAGE_CHUNKS]>>,
    chunks: u32,
    count: u64,
    sum: f64,
}

#[derive(Debug, Clone)]
struct Octave {
    count: u64,
    sum: f64,
    bins: [Bin; BINS_AN_OCTAVE],
}

#[derive(Debug, Clone, Copy)]
struct Bin {
    sum: f64,
    count: u32,
    newest: u32,
}

/// Up to 30 values and the chunk before it.
#[derive(Debug, Clone, Copy)]
struct Chunk {
    before: u32,
    values: [u16; CHUNK_VALUES],
}

impl Default for Powers {
    fn default() -> Self {
        Self { octaves: vec![None; OCTAVES], pages: Vec::new(), chunks: 0, count: 0, sum: 0.0 }
    }
}

impl Powers {
    /// Forgets all values, and gives their memory back.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    /// How many are kept.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Mean of all that are kept; 0 when none is.
    pub fn mean(&self) -> f64 {
        if self.count == 0 { 0.0 } else { self.sum / self.count as f64 }
    }

    /// Keeps one power, rounded to f32 (3e-7 LU); beyond f32's range it is held at the range's end.
    pub fn add(&mut self, power: f64) {
        let kept = (power as f32).clamp(f32::MIN_POSITIVE, f32::MAX);
        let value = f64::from(kept);
        let (octave, bin, low) = place(kept);
        let octave = self.octaves[octave].get_or_insert_with(|| {
            let empty = Bin { sum: 0.0, count: 0, newest: NONE };
            Box::new(Octave { count: 0, sum: 0.0, bins: [empty; BINS_AN_OCTAVE] })
        });
        octave.count += 1;
        octave.sum += value;
        let bin = &mut octave.bins[bin];
        let slot = bin.count as usize % CHUNK_VALUES;
        if slot == 0 {
            if self.chunks as usize == self.pages.len() * PAGE_CHUNKS {
                self.pages.push(Box::new([Chunk { before: NONE, values: [0; CHUNK_VALUES] }; PAGE_CHUNKS]));
            }
            let index = self.chunks as usize;
            self.pages[index / PAGE_CHUNKS][index % PAGE_CHUNKS].before = bin.newest;
            bin.newest = self.chunks;
            self.chunks += 1;
        }
        let newest = bin.newest as usize;
        self.pages[newest / PAGE_CHUNKS][newest % PAGE_CHUNKS].values[slot] = low;
        bin.count += 1;
        bin.sum += value;
        self.count += 1;
        self.sum += value;
    }

    /// Count and sum of all above `threshold`; those equal to it count when `or_equal`.
    pub fn above(&self, threshold: f64, or_equal: bool) -> (u64, f64) {
        // Values are f32: comparing with the nearest f32 at or below the threshold is comparing with it.
        let floor = floor_f32(threshold);
        let exact = f64::from(floor) == threshold;
        let keep_equal = or_equal && exact;
        let (at_octave, at_bin, low) = place(floor.clamp(f32::MIN_POSITIVE, f32::MAX));
        let (mut count, mut sum) = (0, 0.0);
        if let Some(octave) = &self.octaves[at_octave] {
            let bin = &octave.bins[at_bin];
            self.each_value(bin, |v| {
                if v > low || (v == low && keep_equal) {
                    count += 1;
                    sum += value_at(at_octave, at_bin, v);
                }
            });
            for bin in &octave.bins[at_bin + 1..] {
                count += u64::from(bin.count);
                sum += bin.sum;
            }
        }
        for octave in self.octaves[at_octave + 1..].iter().flatten() {
            count += octave.count;
            sum += octave.sum;
        }
        (count, sum)
    }

    /// The value with `index` values below it in sorted order (0-based); `scratch` is working memory.
    pub fn nth(&self, mut index: u64, scratch: &mut Vec<u16>) -> Option<f64> {
        for (at_octave, octave) in self.octaves.iter().enumerate() {
            let Some(octave) = octave else { continue };
            if index >= octave.count {
                index -= octave.count;
                continue;
            }
            for (at_bin, bin) in octave.bins.iter().enumerate() {
                if index >= u64::from(bin.count) {
                    index -= u64::from(bin.count);
                    continue;
                }
                scratch.clear();
                self.each_value(bin, |v| scratch.push(v));
                let (_, low, _) = scratch.select_nth_unstable(index as usize);
                return Some(value_at(at_octave, at_bin, *low));
            }
        }
        None
    }

    fn each_value(&self, bin: &Bin, mut each: impl FnMut(u16)) {
        let mut left = bin.count as usize;
        let mut index = bin.newest as usize;
        while left > 0 {
            let chunk = &self.pages[index / PAGE_CHUNKS][index % PAGE_CHUNKS];
            let here = (left - 1) % CHUNK_VALUES + 1;
            chunk.values[..here].iter().for_each(|v| each(*v));
            left -= here;
            index = chunk.before as usize;
        }
    }
}

/// Octave, bin and kept bits of a positive, normal f32.
fn place(value: f32) -> (usize, usize, u16) {
    let bits = value.to_bits();
    ((bits >> 23) as usize & 0xff, (bits >> 16) as usize & 0x7f, bits as u16)
}

fn value_at(octave: usize, bin: usize, low: u16) -> f64 {
    f64::from(f32::from_bits((octave as u32) << 23 | (bin as u32) << 16 | u32::from(low)))
}

/// The largest f32 that is not above `x` (x positive).
fn floor_f32(x: f64) -> f32 {
    let near = x as f32;
    if f64::from(near) > x { near.next_down() } else { near }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_answer_is_that_of_a_sorted_list() {
        let mut seed = 1u64;
        let mut random = move || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 11) as f64 / (1u64 << 53) as f64
        };
        let (mut powers, mut list, mut scratch) = (Powers::default(), Vec::new(), Vec::new());
        for i in 0..20_000 {
            // -70 to +10 LUFS, crowded in places, some equal.
            let power = if i % 5 == 0 { 0.01 } else { 10f64.powf(-7.0 + 8.0 * random() * random()) };
            powers.add(power);
            list.push(f64::from(power as f32));
            if i % 997 == 0 {
                let mut sorted = list.clone();
                sorted.sort_by(f64::total_cmp);
                for index in [0, i as usize / 10, i as usize / 2, i as usize] {
                    assert_eq!(powers.nth(index as u64, &mut scratch), Some(sorted[index]));
                }
                assert_eq!(powers.nth(i as u64 + 1, &mut scratch), None);
                for threshold in [powers.mean() / 10.0, sorted[i as usize / 3], 1e-9, 1e9, f64::from(0.01f32)] {
                    for or_equal in [false, true] {
                        let kept = |v: &&f64| **v > threshold || (or_equal && **v == threshold);
                        let (count, sum) = powers.above(threshold, or_equal);
                        assert_eq!(count, list.iter().filter(kept).count() as u64, "{threshold}");
                        let direct: f64 = list.iter().filter(kept).sum();
                        assert!((sum - direct).abs() <= 1e-12 * direct, "{sum} against {direct}");
                    }
                }
            }
        }
    }

    #[test]
    fn an_hour_keeps_to_its_memory() {
        let mut powers = Powers::default();
        let bytes = |p: &Powers| {
            p.pages.len() * size_of::<[Chunk; PAGE_CHUNKS]>() + p.octaves.iter().flatten().count() * size_of::<Octave>()
        };
        // A programme that swings over 30 LU: ten values a second.
        let hour = |p: &mut Powers| (0..36_000).for_each(|i| p.add(10f64.powf(-2.0 + 1.5 * f64::from(i).sin())));
        hour(&mut powers);
        let first = bytes(&powers);
        hour(&mut powers);
        let second = bytes(&powers) - first;
        // Two such stores a feed: 0.3 MiB an hour.
        assert!(first < 157_286 && second < 100_000, "{first} bytes in the first hour, {second} more in the second");
    }
}
