//! Block powers of a programme, kept exactly, in order of size: what both gates (integrated loudness and
//! loudness range) ask of their past, at a cost and with a memory that don't depend on how long the past is.
//!
//! A power is rounded once to f32. The upper half of its bits names the bin (128 bins an octave of power, about
//! 0.024 LU each), the lower half is the value kept there: two bytes a value, in order. Bins and octaves carry
//! counts and sums, so that a question looks at some 20 octaves, one octave's bins and one bin's values.

const BINS_AN_OCTAVE: usize = 128;
/// Octaves of f32, from 2^-126 to its largest value.
const OCTAVES: usize = 255;

/// Powers kept since the last reset; two bytes each.
#[derive(Debug, Clone)]
pub struct Powers {
    octaves: Vec<Option<Box<Octave>>>,
    count: u64,
    sum: f64,
}

#[derive(Debug, Clone)]
struct Octave {
    count: u64,
    sum: f64,
    bins: [Bin; BINS_AN_OCTAVE],
}

#[derive(Debug, Clone)]
struct Bin {
    sum: f64,
    sorted: Vec<u16>,
}

impl Default for Powers {
    fn default() -> Self {
        Self { octaves: vec![None; OCTAVES], count: 0, sum: 0.0 }
    }
}

impl Bin {
    fn insert(&mut self, low: u16) {
        if self.sorted.len() == self.sorted.capacity() {
            // By an eighth, not by half: an hour must not cost twice what it holds.
            self.sorted.reserve_exact(8 + self.sorted.len() / 8);
        }
        let place = self.sorted.partition_point(|v| *v < low);
        self.sorted.insert(place, low);
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
            let empty = |_| Bin { sum: 0.0, sorted: Vec::new() };
            Box::new(Octave { count: 0, sum: 0.0, bins: std::array::from_fn(empty) })
        });
        octave.count += 1;
        octave.sum += value;
        octave.bins[bin].sum += value;
        octave.bins[bin].insert(low);
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
            let sorted = &octave.bins[at_bin].sorted;
            let from = sorted.partition_point(|v| *v < low || (*v == low && !keep_equal));
            count += (sorted.len() - from) as u64;
            sum += sorted[from..].iter().map(|v| value_at(at_octave, at_bin, *v)).sum::<f64>();
            for bin in &octave.bins[at_bin + 1..] {
                count += bin.sorted.len() as u64;
                sum += bin.sum;
            }
        }
        for octave in self.octaves[at_octave + 1..].iter().flatten() {
            count += octave.count;
            sum += octave.sum;
        }
        (count, sum)
    }

    /// The value with `index` values below it in sorted order (0-based).
    pub fn nth(&self, mut index: u64) -> Option<f64> {
        for (at_octave, octave) in self.octaves.iter().enumerate() {
            let Some(octave) = octave else { continue };
            if index >= octave.count {
                index -= octave.count;
                continue;
            }
            for (at_bin, bin) in octave.bins.iter().enumerate() {
                match bin.sorted.get(index as usize) {
                    Some(low) => return Some(value_at(at_octave, at_bin, *low)),
                    None => index -= bin.sorted.len() as u64,
                }
            }
        }
        None
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
        let (mut powers, mut list) = (Powers::default(), Vec::new());
        for i in 0..20_000 {
            // -70 to +10 LUFS, crowded in places, some equal.
            let power = if i % 5 == 0 { 0.01 } else { 10f64.powf(-7.0 + 8.0 * random() * random()) };
            powers.add(power);
            list.push(f64::from(power as f32));
            if i % 997 == 0 {
                let mut sorted = list.clone();
                sorted.sort_by(f64::total_cmp);
                for index in [0, i as usize / 10, i as usize / 2, i as usize] {
                    assert_eq!(powers.nth(index as u64), Some(sorted[index]));
                }
                assert_eq!(powers.nth(i as u64 + 1), None);
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
            let octaves = p.octaves.iter().flatten();
            let block = |b: &Bin| if b.sorted.capacity() > 0 { b.sorted.capacity() * 2 + 16 } else { 0 }; // 16: the allocator's
            octaves.map(|o| size_of::<Octave>() + o.bins.iter().map(block).sum::<usize>()).sum::<usize>()
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
