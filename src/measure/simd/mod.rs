//! Eight f32 or four f64 side by side, with the registers that the processor has: AVX2, SSE2, or plain arrays.
//!
//! A kernel is written once, over the trait `Simd`. Each operation below is the same IEEE operation on each lane
//! in every implementation, and nothing is fused or re-associated, so that every path gives the same bits; the
//! plain arrays are the reference, and tests compare the others with them.

#[cfg(target_arch = "x86_64")]
mod x86;

use std::fmt::Debug;
use std::ops::{Add, Mul, Sub};

/// `N` numbers side by side.
pub trait Lanes<T, const N: usize>: Copy + Debug {
    /// The same number on all lanes.
    fn splat(x: T) -> Self;
    /// The first `N` of `from`; panics when there are fewer.
    fn load(from: &[T]) -> Self;
    /// The lanes.
    fn lanes(self) -> [T; N];
    /// Sum.
    fn add(self, o: Self) -> Self;
    /// Difference.
    fn sub(self, o: Self) -> Self;
    /// Product.
    fn mul(self, o: Self) -> Self;
}

/// Eight f32.
pub trait F32x8: Lanes<f32, 8> {
    /// `self` where it is larger, else `o`.
    fn max(self, o: Self) -> Self;
    /// `self` where it is smaller, else `o`.
    fn min(self, o: Self) -> Self;
    /// |lane|.
    fn abs(self) -> Self;
    /// All lanes added: 0 and 4, 1 and 5, ... first, then 0 and 2, 1 and 3 of these, then both.
    fn sum(self) -> f32;
    /// Lane n is the sum of the lanes of the nth, added in the order of `sum`.
    fn sums(of: [Self; 8]) -> Self;
    /// Bit n is set when lane n is larger than that of `o`.
    fn over(self, o: Self) -> u32;
    /// `self` where `value` is at most `top`, else 0.
    fn where_at_most(self, value: Self, top: Self) -> Self;
}

/// Four f64.
pub trait F64x4: Lanes<f64, 4> {
    /// The first four of `from`; panics when there are fewer.
    fn widened(from: &[f32]) -> Self;
    /// Lanes 1, 0, 3, 2.
    fn swapped_pairs(self) -> Self;
    /// Lanes 2 and 3, then 0 and 1 of `o`.
    fn upper_then_lower(self, o: Self) -> Self;
}

/// One instruction set.
pub trait Simd {
    /// Its eight f32.
    type F32: F32x8;
    /// Its four f64.
    type F64: F64x4;
}

/// A piece of work over any instruction set. `run`, and all that it calls, must be `#[inline(always)]`.
pub trait Kernel {
    /// What it gives.
    type Output;
    /// Does the work.
    fn run<S: Simd>(self) -> Self::Output;
}

/// An instruction set that this processor has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Isa(Which);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Which {
    Plain,
    #[cfg(target_arch = "x86_64")]
    Sse2,
    #[cfg(target_arch = "x86_64")]
    Avx2(x86::HasAvx2),
}

impl Isa {
    /// Plain arrays: the reference, and what other processors use.
    pub const PLAIN: Self = Self(Which::Plain);

    /// All that this processor has, best first.
    pub fn all() -> Vec<Self> {
        let mut all = Vec::new();
        #[cfg(target_arch = "x86_64")]
        {
            all.extend(x86::HasAvx2::ask().map(|has| Self(Which::Avx2(has))));
            all.push(Self(Which::Sse2));
        }
        all.push(Self::PLAIN);
        all
    }

    /// The best that this processor has.
    pub fn best() -> Self {
        #[cfg(target_arch = "x86_64")]
        return Self(x86::HasAvx2::ask().map_or(Which::Sse2, Which::Avx2));
        #[cfg(not(target_arch = "x86_64"))]
        Self::PLAIN
    }

    /// Its name, for people.
    pub fn name(self) -> &'static str {
        match self.0 {
            Which::Plain => "plain arrays",
            #[cfg(target_arch = "x86_64")]
            Which::Sse2 => "SSE2",
            #[cfg(target_arch = "x86_64")]
            Which::Avx2(_) => "AVX2",
        }
    }

    /// Runs `kernel` on this instruction set.
    #[inline]
    pub fn run<K: Kernel>(self, kernel: K) -> K::Output {
        match self.0 {
            Which::Plain => kernel.run::<Plain>(),
            #[cfg(target_arch = "x86_64")]
            Which::Sse2 => kernel.run::<x86::Sse2>(),
            #[cfg(target_arch = "x86_64")]
            Which::Avx2(has) => has.run(kernel),
        }
    }
}

/// The products of `a` and `b`, both whole eights long, in eight sums: what a filter adds up.
#[inline(always)]
pub fn products<S: Simd>(a: &[f32], b: &[f32]) -> S::F32 {
    let mut sums = S::F32::splat(0.0);
    for (a, b) in a.as_chunks::<8>().0.iter().zip(b.as_chunks::<8>().0) {
        sums = sums.add(S::F32::load(a).mul(S::F32::load(b)));
    }
    sums
}

/// Largest |sample|.
#[inline(always)]
pub fn peak_of<S: Simd>(samples: &[f32]) -> f32 {
    let (eights, rest) = samples.as_chunks::<8>();
    let peaks = eights.iter().fold(S::F32::splat(0.0), |top, x| top.max(S::F32::load(x).abs()));
    rest.iter().fold(peaks.lanes().into_iter().fold(0.0, f32::max), |top, x| top.max(x.abs()))
}

struct Plain;

impl Simd for Plain {
    type F32 = [f32; 8];
    type F64 = [f64; 4];
}

/// Each lane from the lanes of two operands.
#[inline(always)]
fn each<T: Copy, const N: usize>(a: [T; N], b: [T; N], f: impl Fn(T, T) -> T) -> [T; N] {
    std::array::from_fn(|i| f(a[i], b[i]))
}

#[inline(always)]
fn first<T: Copy + Default, const N: usize>(from: &[T]) -> [T; N] {
    let mut lanes = [T::default(); N];
    lanes.copy_from_slice(&from[..N]);
    lanes
}

impl<T, const N: usize> Lanes<T, N> for [T; N]
where
    T: Copy + Default + Debug + Add<Output = T> + Sub<Output = T> + Mul<Output = T>,
{
    #[inline(always)]
    fn splat(x: T) -> Self {
        [x; N]
    }
    #[inline(always)]
    fn load(from: &[T]) -> Self {
        first(from)
    }
    #[inline(always)]
    fn lanes(self) -> [T; N] {
        self
    }
    #[inline(always)]
    fn add(self, o: Self) -> Self {
        each(self, o, |a, b| a + b)
    }
    #[inline(always)]
    fn sub(self, o: Self) -> Self {
        each(self, o, |a, b| a - b)
    }
    #[inline(always)]
    fn mul(self, o: Self) -> Self {
        each(self, o, |a, b| a * b)
    }
}

impl F32x8 for [f32; 8] {
    #[inline(always)]
    fn max(self, o: Self) -> Self {
        each(self, o, |a, b| if a > b { a } else { b })
    }
    #[inline(always)]
    fn min(self, o: Self) -> Self {
        each(self, o, |a, b| if a < b { a } else { b })
    }
    #[inline(always)]
    fn abs(self) -> Self {
        self.map(f32::abs)
    }
    #[inline(always)]
    fn sum(self) -> f32 {
        let four: [f32; 4] = std::array::from_fn(|i| self[i] + self[i + 4]);
        (four[0] + four[2]) + (four[1] + four[3])
    }
    #[inline(always)]
    fn sums(of: [Self; 8]) -> Self {
        of.map(Self::sum)
    }
    #[inline(always)]
    fn over(self, o: Self) -> u32 {
        (0..8).fold(0, |bits, i| bits | u32::from(self[i] > o[i]) << i)
    }
    #[inline(always)]
    fn where_at_most(self, value: Self, top: Self) -> Self {
        std::array::from_fn(|i| if value[i] <= top[i] { self[i] } else { 0.0 })
    }
}

impl F64x4 for [f64; 4] {
    #[inline(always)]
    fn swapped_pairs(self) -> Self {
        [self[1], self[0], self[3], self[2]]
    }
    #[inline(always)]
    fn widened(from: &[f32]) -> Self {
        first::<f32, 4>(from).map(f64::from)
    }
    #[inline(always)]
    fn upper_then_lower(self, o: Self) -> Self {
        [self[2], self[3], o[0], o[1]]
    }
}
