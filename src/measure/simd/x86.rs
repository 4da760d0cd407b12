//! AVX2 and SSE2. This is the one file with `unsafe`: intrinsics, called only where the processor has them, and loads
//! from slices whose length was checked. Values of the AVX2 types exist only inside `with_avx2`.
#![allow(unsafe_code)]

use super::{F32x8, F64x4, Kernel, Lanes, Simd};
use std::arch::x86_64::*;

/// This processor has AVX2: only asking it makes one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct HasAvx2(());

impl HasAvx2 {
    /// Asks the processor.
    pub(super) fn ask() -> Option<Self> {
        std::arch::is_x86_feature_detected!("avx2").then_some(Self(()))
    }

    /// Runs `kernel` on AVX2.
    #[inline]
    pub(super) fn run<K: Kernel>(self, kernel: K) -> K::Output {
        // SAFETY: there is a `HasAvx2` only where the processor said so.
        unsafe { with_avx2(kernel) }
    }
}

#[target_feature(enable = "avx2")]
fn with_avx2<K: Kernel>(kernel: K) -> K::Output {
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
}

impl Simd for Sse2 {
    type F32 = Two;
    type F64 = TwoDouble;
}

impl Lanes<f32, 8> for Wide {
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
}

impl F32x8 for Wide {
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
    fn sums(of: [Self; 8]) -> Self {
        let [a, b, c, d, e, f, g, h] = of;
        let (ab, cd) = (pairs(halves(a, e), halves(b, f)), pairs(halves(c, g), halves(d, h)));
        Self(unsafe { _mm256_add_ps(_mm256_shuffle_ps::<0x88>(ab, cd), _mm256_shuffle_ps::<0xdd>(ab, cd)) })
    }
    #[inline(always)]
    fn over(self, o: Self) -> u32 {
        unsafe { _mm256_movemask_ps(_mm256_cmp_ps::<_CMP_GT_OQ>(self.0, o.0)) as u32 }
    }
    #[inline(always)]
    fn where_at_most(self, value: Self, top: Self) -> Self {
        Self(unsafe { _mm256_and_ps(_mm256_cmp_ps::<_CMP_LE_OQ>(value.0, top.0), self.0) })
    }
}

/// Lanes 0 to 3 and 4 to 7 of `a` added, then those of `b`.
#[inline(always)]
fn halves(a: Wide, b: Wide) -> __m256 {
    // SAFETY: see the head of this module.
    unsafe { _mm256_add_ps(_mm256_permute2f128_ps::<0x20>(a.0, b.0), _mm256_permute2f128_ps::<0x31>(a.0, b.0)) }
}

/// Of each half of four: lanes 0 and 2, 1 and 3 of `a` added, then those of `b`.
#[inline(always)]
fn pairs(a: __m256, b: __m256) -> __m256 {
    // SAFETY: see the head of this module.
    unsafe { _mm256_add_ps(_mm256_shuffle_ps::<0x44>(a, b), _mm256_shuffle_ps::<0xee>(a, b)) }
}

impl Lanes<f64, 4> for WideDouble {
    avx!(splat(x: f64) -> Self = Self(_mm256_set1_pd(x)));
    avx!(load(from: &[f64]) -> Self = Self(_mm256_loadu_pd(from[..4].as_ptr())));
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
}

impl F64x4 for WideDouble {
    avx!(widened(from: &[f32]) -> Self = Self(_mm256_cvtps_pd(_mm_loadu_ps(from[..4].as_ptr()))));
    #[inline(always)]
    fn swapped_pairs(self) -> Self {
        Self(unsafe { _mm256_permute_pd::<0b0101>(self.0) })
    }
    #[inline(always)]
    fn upper_then_lower(self, o: Self) -> Self {
        Self(unsafe { _mm256_permute2f128_pd::<0x21>(self.0, o.0) })
    }
}

impl Lanes<f32, 8> for Two {
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
}

impl F32x8 for Two {
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
    fn sums(of: [Self; 8]) -> Self {
        let [a, b, c, d, e, f, g, h] = of;
        Self(four_sums(a, b, c, d), four_sums(e, f, g, h))
    }
    #[inline(always)]
    fn over(self, o: Self) -> u32 {
        let bits = |a, b| unsafe { _mm_movemask_ps(_mm_cmpgt_ps(a, b)) as u32 };
        bits(self.0, o.0) | bits(self.1, o.1) << 4
    }
    #[inline(always)]
    fn where_at_most(self, value: Self, top: Self) -> Self {
        let kept = |this, value, top| unsafe { _mm_and_ps(_mm_cmple_ps(value, top), this) };
        Self(kept(self.0, value.0, top.0), kept(self.1, value.1, top.1))
    }
}

/// The sums of the lanes of four, in the order of `sum`.
#[inline(always)]
fn four_sums(a: Two, b: Two, c: Two, d: Two) -> __m128 {
    // SAFETY: every x86-64 has SSE2.
    unsafe {
        let (a, b, c, d) = (_mm_add_ps(a.0, a.1), _mm_add_ps(b.0, b.1), _mm_add_ps(c.0, c.1), _mm_add_ps(d.0, d.1));
        let ab = _mm_add_ps(_mm_shuffle_ps::<0x44>(a, b), _mm_shuffle_ps::<0xee>(a, b));
        let cd = _mm_add_ps(_mm_shuffle_ps::<0x44>(c, d), _mm_shuffle_ps::<0xee>(c, d));
        _mm_add_ps(_mm_shuffle_ps::<0x88>(ab, cd), _mm_shuffle_ps::<0xdd>(ab, cd))
    }
}

impl Lanes<f64, 4> for TwoDouble {
    avx!(splat(x: f64) -> Self = Self(_mm_set1_pd(x), _mm_set1_pd(x)));
    avx!(load(from: &[f64]) -> Self = {
        let from = from[..4].as_ptr();
        Self(_mm_loadu_pd(from), _mm_loadu_pd(from.add(2)))
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
}

impl F64x4 for TwoDouble {
    avx!(widened(from: &[f32]) -> Self = {
        let four = _mm_loadu_ps(from[..4].as_ptr());
        Self(_mm_cvtps_pd(four), _mm_cvtps_pd(_mm_movehl_ps(four, four)))
    });
    #[inline(always)]
    fn swapped_pairs(self) -> Self {
        unsafe { Self(_mm_shuffle_pd::<1>(self.0, self.0), _mm_shuffle_pd::<1>(self.1, self.1)) }
    }
    #[inline(always)]
    fn upper_then_lower(self, o: Self) -> Self {
        Self(self.1, o.0)
    }
}
