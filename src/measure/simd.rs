//! Eight f32 or four f64 side by side, with the registers that the processor has: AVX2, SSE2, or plain arrays.
//!
//! A kernel is written once, over the trait `Simd`. Each operation below is the same IEEE operation on each lane
//! in every implementation, and nothing is fused or re-associated, so that every path gives the same bits; the
//! plain arrays are the reference, and tests compare the others with them. This is the one file with `unsafe`:
//! intrinsics, called only where the processor has them, and loads from slices whose length was checked.
#![allow(unsafe_code)]

use std::fmt::Debug;

/// Eight f32.
pub trait F32x8: Copy + Debug {
    /// The same number on all lanes.
    fn splat(x: f32) -> Self;
    /// The first eight of `from`; panics when there are fewer.
    fn load(from: &[f32]) -> Self;
    /// The lanes.
    fn lanes(self) -> [f32; 8];
    /// Sum.
    fn add(self, o: Self) -> Self;
    /// Difference.
    fn sub(self, o: Self) -> Self;
    /// Product.
    fn mul(self, o: Self) -> Self;
    /// `self` where it is larger, else `o`.
    fn max(self, o: Self) -> Self;
    /// `self` where it is smaller, else `o`.
    fn min(self, o: Self) -> Self;
    /// |lane|.
    fn abs(self) -> Self;
    /// All lanes added: 0 and 4, 1 and 5, ... first, then 0 and 2, 1 and 3 of these, then both.
    fn sum(self) -> f32;
    /// Bit n is set when lane n is larger than that of `o`.
    fn over(self, o: Self) -> u32;
}

/// Four f64.
pub trait F64x4: Copy + Debug {
    /// The same number on all lanes.
    fn splat(x: f64) -> Self;
    /// The first four of `from`; panics when there are fewer.
    fn load(from: &[f64]) -> Self;
    /// The lanes.
    fn lanes(self) -> [f64; 4];
    /// Sum.
    fn add(self, o: Self) -> Self;
    /// Difference.
    fn sub(self, o: Self) -> Self;
    /// Product.
    fn mul(self, o: Self) -> Self;
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
    /// Lanes 0 to 3 and 4 to 7, as f64.
    fn widen(x: Self::F32) -> [Self::F64; 2];
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
    Avx2, // made by `all` alone, after the processor said so
}

impl Isa {
    /// Plain arrays: the reference, and what other processors use.
    pub const PLAIN: Self = Self(Which::Plain);

    /// All that this processor has, best first.
    pub fn all() -> Vec<Self> {
        let mut all = Vec::new();
        #[cfg(target_arch = "x86_64")]
        {
            if std::arch::is_x86_feature_detected!("avx2") {
                all.push(Self(Which::Avx2));
            }
            all.push(Self(Which::Sse2));
        }
        all.push(Self::PLAIN);
        all
    }

    /// The best that this processor has.
    pub fn best() -> Self {
        Self::all()[0]
    }

    /// Its name, for people.
    pub fn name(self) -> &'static str {
        match self.0 {
            Which::Plain => "plain arrays",
            #[cfg(target_arch = "x86_64")]
            Which::Sse2 => "SSE2",
            #[cfg(target_arch = "x86_64")]
            Which::Avx2 => "AVX2",
        }
    }

    /// Runs `kernel` on this instruction set.
    #[inline]
    pub fn run<K: Kernel>(self, kernel: K) -> K::Output {
        match self.0 {
            Which::Plain => kernel.run::<Plain>(),
            #[cfg(target_arch = "x86_64")]
            Which::Sse2 => kernel.run::<x86::Sse2>(),
            // SAFETY: `Avx2` exists only when the processor has AVX2.
            #[cfg(target_arch = "x86_64")]
            Which::Avx2 => unsafe { x86::with_avx2(kernel) },
        }
    }
}

struct Plain;

impl Simd for Plain {
    type F32 = [f32; 8];
    type F64 = [f64; 4];
    #[inline(always)]
    fn widen(x: Self::F32) -> [Self::F64; 2] {
        [std::array::from_fn(|i| f64::from(x[i])), std::array::from_fn(|i| f64::from(x[4 + i]))]
    }
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

impl F32x8 for [f32; 8] {
    #[inline(always)]
    fn splat(x: f32) -> Self {
        [x; 8]
    }
    #[inline(always)]
    fn load(from: &[f32]) -> Self {
        first(from)
    }
    #[inline(always)]
    fn lanes(self) -> [f32; 8] {
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
    fn over(self, o: Self) -> u32 {
        (0..8).fold(0, |bits, i| bits | u32::from(self[i] > o[i]) << i)
    }
}

impl F64x4 for [f64; 4] {
    #[inline(always)]
    fn splat(x: f64) -> Self {
        [x; 4]
    }
    #[inline(always)]
    fn load(from: &[f64]) -> Self {
        first(from)
    }
    #[inline(always)]
    fn lanes(self) -> [f64; 4] {
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

#[cfg(target_arch = "x86_64")]
mod x86 {
    //! Values of the AVX2 types exist only inside `with_avx2`.
    use super::{F32x8, F64x4, Kernel, Simd};
    use std::arch::x86_64::*;

    #[target_feature(enable = "avx2")]
    pub(super) fn with_avx2<K: Kernel>(kernel: K) -> K::Output {
        kernel.run::<Avx2>()
    }

    struct Avx2;
    pub(super) struct Sse2;

    #[derive(Debug, Clone, Copy)]
    struct Wide(__m256);
    #[derive(Debug, Clone, Copy)]
    struct WideDouble(__m256d);
    #[derive(Debug, Clone, Copy)]
    pub(super) struct Two(__m128, __m128);
    #[derive(Debug, Clone, Copy)]
    pub(super) struct TwoDouble(__m128d, __m128d);

    /// A method whose body is an intrinsic of `Wide` or `WideDouble`.
    macro_rules! avx {
        ($name:ident($($arg:ident: $type:ty),*) -> $out:ty = $body:expr) => {
            #[inline(always)]
            fn $name($($arg: $type),*) -> $out {
                // SAFETY: see the head of this module; loads and stores stay within the lengths just checked.
                unsafe { $body }
            }
        };
    }

    impl Simd for Avx2 {
        type F32 = Wide;
        type F64 = WideDouble;
        avx!(widen(x: Wide) -> [WideDouble; 2] = [
            WideDouble(_mm256_cvtps_pd(_mm256_castps256_ps128(x.0))),
            WideDouble(_mm256_cvtps_pd(_mm256_extractf128_ps::<1>(x.0))),
        ]);
    }

    impl Simd for Sse2 {
        type F32 = Two;
        type F64 = TwoDouble;
        avx!(widen(x: Two) -> [TwoDouble; 2] = {
            let both = |x| TwoDouble(_mm_cvtps_pd(x), _mm_cvtps_pd(_mm_movehl_ps(x, x)));
            [both(x.0), both(x.1)]
        });
    }

    impl F32x8 for Wide {
        avx!(splat(x: f32) -> Self = Self(_mm256_set1_ps(x)));
        avx!(load(from: &[f32]) -> Self = Self(_mm256_loadu_ps(from[..8].as_ptr())));
        #[inline(always)]
        fn lanes(self) -> [f32; 8] {
            let mut to = [0.0; 8];
            // SAFETY: eight lanes into eight places.
            unsafe { _mm256_storeu_ps(to.as_mut_ptr(), self.0) };
            to
        }
        #[inline(always)]
        fn add(self, o: Self) -> Self {
            // SAFETY: as above, for this and the rest.
            Self(unsafe { _mm256_add_ps(self.0, o.0) })
        }
        #[inline(always)]
        fn sub(self, o: Self) -> Self {
            Self(unsafe { _mm256_sub_ps(self.0, o.0) })
        }
        #[inline(always)]
        fn mul(self, o: Self) -> Self {
            Self(unsafe { _mm256_mul_ps(self.0, o.0) })
        }
        #[inline(always)]
        fn max(self, o: Self) -> Self {
            Self(unsafe { _mm256_max_ps(self.0, o.0) })
        }
        #[inline(always)]
        fn min(self, o: Self) -> Self {
            Self(unsafe { _mm256_min_ps(self.0, o.0) })
        }
        #[inline(always)]
        fn abs(self) -> Self {
            Self(unsafe { _mm256_andnot_ps(_mm256_set1_ps(-0.0), self.0) })
        }
        #[inline(always)]
        fn sum(self) -> f32 {
            unsafe { Two(_mm256_castps256_ps128(self.0), _mm256_extractf128_ps::<1>(self.0)) }.sum()
        }
        #[inline(always)]
        fn over(self, o: Self) -> u32 {
            unsafe { _mm256_movemask_ps(_mm256_cmp_ps::<_CMP_GT_OQ>(self.0, o.0)) as u32 }
        }
    }

    impl F64x4 for WideDouble {
        avx!(splat(x: f64) -> Self = Self(_mm256_set1_pd(x)));
        avx!(load(from: &[f64]) -> Self = Self(_mm256_loadu_pd(from[..4].as_ptr())));
        avx!(widened(from: &[f32]) -> Self = Self(_mm256_cvtps_pd(_mm_loadu_ps(from[..4].as_ptr()))));
        #[inline(always)]
        fn lanes(self) -> [f64; 4] {
            let mut to = [0.0; 4];
            // SAFETY: four lanes into four places.
            unsafe { _mm256_storeu_pd(to.as_mut_ptr(), self.0) };
            to
        }
        #[inline(always)]
        fn add(self, o: Self) -> Self {
            // SAFETY: as above, for this and the rest.
            Self(unsafe { _mm256_add_pd(self.0, o.0) })
        }
        #[inline(always)]
        fn sub(self, o: Self) -> Self {
            Self(unsafe { _mm256_sub_pd(self.0, o.0) })
        }
        #[inline(always)]
        fn mul(self, o: Self) -> Self {
            Self(unsafe { _mm256_mul_pd(self.0, o.0) })
        }
        #[inline(always)]
        fn swapped_pairs(self) -> Self {
            Self(unsafe { _mm256_permute_pd::<0b0101>(self.0) })
        }
        #[inline(always)]
        fn upper_then_lower(self, o: Self) -> Self {
            Self(unsafe { _mm256_permute2f128_pd::<0x21>(self.0, o.0) })
        }
    }

    impl F32x8 for Two {
        avx!(splat(x: f32) -> Self = Self(_mm_set1_ps(x), _mm_set1_ps(x)));
        avx!(load(from: &[f32]) -> Self = {
            let from = from[..8].as_ptr();
            Self(_mm_loadu_ps(from), _mm_loadu_ps(from.add(4)))
        });
        #[inline(always)]
        fn lanes(self) -> [f32; 8] {
            let mut to = [0.0; 8];
            // SAFETY: four and four lanes into eight places.
            unsafe {
                _mm_storeu_ps(to.as_mut_ptr(), self.0);
                _mm_storeu_ps(to.as_mut_ptr().add(4), self.1);
            }
            to
        }
        #[inline(always)]
        fn add(self, o: Self) -> Self {
            // SAFETY: every x86-64 has SSE2; so for the rest.
            unsafe { Self(_mm_add_ps(self.0, o.0), _mm_add_ps(self.1, o.1)) }
        }
        #[inline(always)]
        fn sub(self, o: Self) -> Self {
            unsafe { Self(_mm_sub_ps(self.0, o.0), _mm_sub_ps(self.1, o.1)) }
        }
        #[inline(always)]
        fn mul(self, o: Self) -> Self {
            unsafe { Self(_mm_mul_ps(self.0, o.0), _mm_mul_ps(self.1, o.1)) }
        }
        #[inline(always)]
        fn max(self, o: Self) -> Self {
            unsafe { Self(_mm_max_ps(self.0, o.0), _mm_max_ps(self.1, o.1)) }
        }
        #[inline(always)]
        fn min(self, o: Self) -> Self {
            unsafe { Self(_mm_min_ps(self.0, o.0), _mm_min_ps(self.1, o.1)) }
        }
        #[inline(always)]
        fn abs(self) -> Self {
            let sign = unsafe { _mm_set1_ps(-0.0) };
            unsafe { Self(_mm_andnot_ps(sign, self.0), _mm_andnot_ps(sign, self.1)) }
        }
        #[inline(always)]
        fn sum(self) -> f32 {
            unsafe {
                let four = _mm_add_ps(self.0, self.1);
                let two = _mm_add_ps(four, _mm_movehl_ps(four, four));
                _mm_cvtss_f32(_mm_add_ss(two, _mm_shuffle_ps::<1>(two, two)))
            }
        }
        #[inline(always)]
        fn over(self, o: Self) -> u32 {
            let bits = |a, b| unsafe { _mm_movemask_ps(_mm_cmpgt_ps(a, b)) as u32 };
            bits(self.0, o.0) | bits(self.1, o.1) << 4
        }
    }

    impl F64x4 for TwoDouble {
        avx!(splat(x: f64) -> Self = Self(_mm_set1_pd(x), _mm_set1_pd(x)));
        avx!(load(from: &[f64]) -> Self = {
            let from = from[..4].as_ptr();
            Self(_mm_loadu_pd(from), _mm_loadu_pd(from.add(2)))
        });
        avx!(widened(from: &[f32]) -> Self = {
            let four = _mm_loadu_ps(from[..4].as_ptr());
            Self(_mm_cvtps_pd(four), _mm_cvtps_pd(_mm_movehl_ps(four, four)))
        });
        #[inline(always)]
        fn lanes(self) -> [f64; 4] {
            let mut to = [0.0; 4];
            // SAFETY: two and two lanes into four places.
            unsafe {
                _mm_storeu_pd(to.as_mut_ptr(), self.0);
                _mm_storeu_pd(to.as_mut_ptr().add(2), self.1);
            }
            to
        }
        #[inline(always)]
        fn add(self, o: Self) -> Self {
            // SAFETY: every x86-64 has SSE2; so for the rest.
            unsafe { Self(_mm_add_pd(self.0, o.0), _mm_add_pd(self.1, o.1)) }
        }
        #[inline(always)]
        fn sub(self, o: Self) -> Self {
            unsafe { Self(_mm_sub_pd(self.0, o.0), _mm_sub_pd(self.1, o.1)) }
        }
        #[inline(always)]
        fn mul(self, o: Self) -> Self {
            unsafe { Self(_mm_mul_pd(self.0, o.0), _mm_mul_pd(self.1, o.1)) }
        }
        #[inline(always)]
        fn swapped_pairs(self) -> Self {
            unsafe { Self(_mm_shuffle_pd::<1>(self.0, self.0), _mm_shuffle_pd::<1>(self.1, self.1)) }
        }
        #[inline(always)]
        fn upper_then_lower(self, o: Self) -> Self {
            Self(self.1, o.0)
        }
    }
}
