//! The normal and the chi-square distribution, good to the last digits far out in their tails.
//!
//! With φ the density, Φ the distribution of N(0,1), and t truncated to [α, β]:
//!
//! ```text
//! P   = Φ(β) − Φ(α)
//! E t = m = (φ(α) − φ(β))/P
//! var = 1 − m² + (αφ(α) − βφ(β))/P
//! ```
//!
//! These differences lose all digits far out and in narrow intervals; there the three integrals of exp(−(t² − α²)/2) are
//! summed by Gauss and Legendre's rule instead, measured from α, so that nothing cancels.
//!
//! Moments: Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, Wiley 1994, 13.10.1. Rule and χ²:
//! Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 25.4.30, 26.4.4, 26.4.5.

pub use crate::bench::tolerance::normal_quantile as quantile;
use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

/// ln √(2π).
const LN_ROOT_TWO_PI: f64 = 0.918_938_533_204_672_7;
/// Closer to the middle than this many sd, and wider than [`NARROW`], the closed form keeps its digits.
const FAR: f64 = 4.0;
const NARROW: f64 = 0.5;
/// The integrand is followed down to exp(−40) of its largest value, below rounding.
const FOLLOWED: f64 = 40.0;
/// A panel of the rule spans no larger fall of the exponent than this.
const FALL_OF_A_PANEL: f64 = 5.0;
/// Abscissas and weights of the rule with sixteen points, half of them.
const RULE: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_64),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_64),
    (0.458_016_777_657_227_37, 0.169_156_519_395_002_65),
    (0.617_876_244_402_643_8, 0.149_595_988_816_576_7),
    (0.755_404_408_355_003, 0.124_628_971_255_534_07),
    (0.865_631_202_387_831_8, 0.095_158_511_682_492_6),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_456),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_176),
];

/// A standard normal variable known to lie in an interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truncated {
    /// ln of the probability of the interval, finite even where the probability itself underflows.
    pub ln_probability: f64,
    /// Its mean inside the interval.
    pub mean: f64,
    /// Its variance inside the interval, 0 to 1.
    pub variance: f64,
}

/// Φ(x).
pub fn cumulative(x: f64) -> f64 {
    0.5 * libm::erfc(-x * FRAC_1_SQRT_2)
}

/// φ(x).
pub fn density(x: f64) -> f64 {
    (-0.5 * x * x - LN_ROOT_TWO_PI).exp()
}

/// N(0,1) truncated to `alpha`…`beta`, `alpha < beta`, either of which may be infinite.
pub fn truncated(alpha: f64, beta: f64) -> Truncated {
    if alpha + beta < 0.0 {
        let mirrored = truncated(-beta, -alpha);
        return Truncated { mean: -mirrored.mean, ..mirrored };
    }
    if alpha < FAR && beta - alpha > NARROW { closed_form(alpha, beta) } else { summed(alpha, beta) }
}

/// ln of the probability that N(0,1) lies in `alpha`…`beta`.
pub fn ln_probability(alpha: f64, beta: f64) -> f64 {
    truncated(alpha, beta).ln_probability
}

/// Probability that a sum of `degrees` squared N(0,1) exceeds `square`; 1 where nothing was summed.
pub fn chi_square_survival(square: f64, degrees: usize) -> f64 {
    if degrees == 0 || square <= 0.0 {
        return 1.0;
    }
    // Q(h|n) = Q(h|n−2) + exp(−h)·h^(n/2−1)/Γ(n/2), h = χ²/2, the terms by their logarithms.
    let half = 0.5 * square;
    let (mut sum, mut ln_term, mut index) = if degrees % 2 == 1 {
        (libm::erfc(half.sqrt()), -half + 0.5 * half.ln() - 0.5 * (0.25 * PI).ln(), 1.5)
    } else {
        (0.0, -half, 1.0)
    };
    for _ in 0..degrees / 2 {
        sum += ln_term.exp();
        ln_term += half.ln() - f64::ln(index);
        index += 1.0;
    }
    sum.min(1.0)
}

fn closed_form(alpha: f64, beta: f64) -> Truncated {
    let probability = if alpha > 0.0 {
        0.5 * (libm::erfc(alpha / SQRT_2) - libm::erfc(beta / SQRT_2))
    } else {
        1.0 - 0.5 * (libm::erfc(beta / SQRT_2) + libm::erfc(-alpha / SQRT_2))
    };
    let (at_alpha, at_beta) = (density(alpha), density(beta));
    let weighted = |x: f64, density: f64| if x.is_finite() { x * density } else { 0.0 };
    let mean = (at_alpha - at_beta) / probability;
    let variance = 1.0 - mean * mean + (weighted(alpha, at_alpha) - weighted(beta, at_beta)) / probability;
    Truncated { ln_probability: probability.ln(), mean, variance: variance.clamp(0.0, 1.0) }
}

fn summed(alpha: f64, beta: f64) -> Truncated {
    // The fall of the exponent reaches FOLLOWED at a distance s from α with s(2α + s)/2 = FOLLOWED.
    let reach = 2.0 * FOLLOWED / ((alpha * alpha + 2.0 * FOLLOWED).sqrt() + alpha);
    let length = (beta - alpha).min(reach);
    let exponent = |s: f64| -0.5 * s * (2.0 * alpha + s);
    let panels = (-exponent(length) / FALL_OF_A_PANEL).ceil().clamp(1.0, 10.0);
    let half = 0.5 * length / panels;
    let over_panels = |of: &dyn Fn(f64) -> f64| {
        let mut total = 0.0;
        for panel in 0..panels as usize {
            let middle = (2.0 * panel as f64 + 1.0) * half;
            for (abscissa, weight) in RULE {
                let (below, above) = (middle - half * abscissa, middle + half * abscissa);
                total += weight * (of(below) * exponent(below).exp() + of(above) * exponent(above).exp());
            }
        }
        half * total
    };
    let mass = over_panels(&|_| 1.0);
    let beyond = over_panels(&|s| s) / mass;
    let variance = over_panels(&|s| (s - beyond) * (s - beyond)) / mass;
    Truncated {
        ln_probability: -0.5 * alpha * alpha - LN_ROOT_TWO_PI + mass.ln(),
        mean: alpha + beyond,
        variance: variance.clamp(0.0, 1.0),
    }
}
