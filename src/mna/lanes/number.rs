//! Numbers in eight lanes, real or complex, for equations whose values differ from lane to lane.

use super::LANES;
use super::kernel::Wide;

/// Eight real numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
#[repr(align(64))]
pub(crate) struct LaneReal(pub [f64; LANES]);

/// Eight numbers, each lane by itself: nothing that one lane holds can change a digit of another.
pub(crate) trait LaneNumber: Copy + PartialEq + Send + Sync + 'static {
    /// Eight zeros.
    const ZERO: Self;
    /// self − a·b
    fn less<const FUSED: bool>(&self, a: &Self, b: &Self) -> Self;
    /// self·b
    fn by<const FUSED: bool>(&self, b: &Self) -> Self;
    /// 1/self
    fn reciprocal(&self) -> Self;
    /// self + b
    fn plus(&self, b: &Self) -> Self;
    /// |re| + |im|
    fn magnitude(&self) -> [f64; LANES];
    /// |self|²
    fn norm_sqr(&self) -> [f64; LANES];
    /// Real parts alone.
    fn real(values: [f64; LANES]) -> Self;
    /// Each lane times a real factor.
    fn times(&self, factors: &[f64; LANES]) -> Self;
    /// The conjugate of self/|self|, or 1 for zero.
    fn sign(&self) -> Self;
    /// `other` in the lanes of `which`.
    fn chosen(&self, other: &Self, which: &[bool; LANES]) -> Self;
}

impl LaneNumber for LaneReal {
    const ZERO: Self = LaneReal([0.0; LANES]);

    #[inline(always)]
    fn less<const FUSED: bool>(&self, a: &Self, b: &Self) -> Self {
        LaneReal(std::array::from_fn(|lane| fused::<FUSED>(-a.0[lane], b.0[lane], self.0[lane])))
    }

    #[inline(always)]
    fn by<const FUSED: bool>(&self, b: &Self) -> Self {
        LaneReal(std::array::from_fn(|lane| self.0[lane] * b.0[lane]))
    }

    #[inline(always)]
    fn reciprocal(&self) -> Self {
        LaneReal(self.0.map(f64::recip))
    }

    #[inline(always)]
    fn plus(&self, b: &Self) -> Self {
        LaneReal(std::array::from_fn(|lane| self.0[lane] + b.0[lane]))
    }

    #[inline(always)]
    fn magnitude(&self) -> [f64; LANES] {
        self.0.map(f64::abs)
    }

    #[inline(always)]
    fn norm_sqr(&self) -> [f64; LANES] {
        self.0.map(|value| value * value)
    }

    fn real(values: [f64; LANES]) -> Self {
        LaneReal(values)
    }

    fn times(&self, factors: &[f64; LANES]) -> Self {
        LaneReal(std::array::from_fn(|lane| self.0[lane] * factors[lane]))
    }

    fn sign(&self) -> Self {
        LaneReal(self.0.map(|value| if value < 0.0 { -1.0 } else { 1.0 }))
    }

    fn chosen(&self, other: &Self, which: &[bool; LANES]) -> Self {
        LaneReal(std::array::from_fn(|lane| if which[lane] { other.0[lane] } else { self.0[lane] }))
    }
}

impl LaneNumber for Wide {
    const ZERO: Self = Wide::ZERO;

    #[inline(always)]
    fn less<const FUSED: bool>(&self, a: &Self, b: &Self) -> Self {
        let mut value = *self;
        for lane in 0..LANES {
            value.re[lane] =
                fused::<FUSED>(-a.re[lane], b.re[lane], fused::<FUSED>(a.im[lane], b.im[lane], value.re[lane]));
            value.im[lane] =
                fused::<FUSED>(-a.re[lane], b.im[lane], fused::<FUSED>(-a.im[lane], b.re[lane], value.im[lane]));
        }
        value
    }

    #[inline(always)]
    fn by<const FUSED: bool>(&self, b: &Self) -> Self {
        Wide {
            re: std::array::from_fn(|lane| fused::<FUSED>(self.re[lane], b.re[lane], -(self.im[lane] * b.im[lane]))),
            im: std::array::from_fn(|lane| fused::<FUSED>(self.re[lane], b.im[lane], self.im[lane] * b.re[lane])),
        }
    }

    #[inline(always)]
    fn reciprocal(&self) -> Self {
        let inverse = Wide::norm_sqr(self).map(f64::recip);
        Wide {
            re: std::array::from_fn(|lane| self.re[lane] * inverse[lane]),
            im: std::array::from_fn(|lane| -self.im[lane] * inverse[lane]),
        }
    }

    #[inline(always)]
    fn plus(&self, b: &Self) -> Self {
        Wide::plus(self, b)
    }

    #[inline(always)]
    fn magnitude(&self) -> [f64; LANES] {
        self.size()
    }

    #[inline(always)]
    fn norm_sqr(&self) -> [f64; LANES] {
        Wide::norm_sqr(self)
    }

    fn real(values: [f64; LANES]) -> Self {
        Wide { re: values, im: [0.0; LANES] }
    }

    fn times(&self, factors: &[f64; LANES]) -> Self {
        let by = |part: &[f64; LANES]| std::array::from_fn(|lane| part[lane] * factors[lane]);
        Wide { re: by(&self.re), im: by(&self.im) }
    }

    fn sign(&self) -> Self {
        let norm = Wide::norm_sqr(self).map(f64::sqrt);
        let by = |part: &[f64; LANES], zero: f64| {
            std::array::from_fn(|lane| if norm[lane] == 0.0 { zero } else { part[lane] / norm[lane] })
        };
        Wide { re: by(&self.re, 1.0), im: by(&self.im, 0.0).map(|part: f64| -part) }
    }

    fn chosen(&self, other: &Self, which: &[bool; LANES]) -> Self {
        let pick = |a: &[f64; LANES], b: &[f64; LANES]| {
            std::array::from_fn(|lane| if which[lane] { b[lane] } else { a[lane] })
        };
        Wide { re: pick(&self.re, &other.re), im: pick(&self.im, &other.im) }
    }
}

/// a·b + c, in one rounding where the processor can.
#[inline(always)]
pub(super) fn fused<const FUSED: bool>(a: f64, b: f64, c: f64) -> f64 {
    if FUSED { a.mul_add(b, c) } else { a * b + c }
}
