//! Limits from drawn units: quantiles of what they would read, each blurred by the error of its reading.
//!
//! ```text
//! F(y) = (1/N)·Σ Φ((y − vᵢ)/sᵢ)       the chance that a reading of a healthy unit stays below y
//! ```
//!
//! with vᵢ what unit i would show an instrument without error and sᵢ the sd of the reading (a mixture of normal
//! distributions). For quantities whose errors are fractions, v, s and y are logarithms. The limits are where F leaves
//! half of what may fail on each side, or all of it on the only one. Where errors are small they are order statistics: with
//! p·N whole the limit lies beside the one of rank p·N, below which a new unit falls with probability p·N/(N + 1).

/// How a reading scatters about what the instrument should show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Scatter {
    /// By a fraction, 1 sd of the logarithm.
    Fraction(f64),
    /// By so much, 1 sd.
    Plain(f64),
    /// By a fraction and so much at zero, powers added.
    Both(f64, f64),
}

/// Which limits there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sides {
    Both,
    /// Only too much is wrong.
    Upper,
    /// Only too little is wrong.
    Lower,
}

/// Halvings of the interval in which a quantile lies.
const HALVINGS: usize = 80;
/// So many sd beyond the outermost unit the search for a quantile begins.
const FARTHEST: f64 = 8.0;

/// Limits within which a reading of a healthy unit lies with probability `share`; [`None`] on a side without limit, and
/// without units.
pub(super) fn limits(values: &[f64], scatter: Scatter, sides: Sides, share: f64) -> [Option<f64>; 2] {
    let logarithmic = matches!(scatter, Scatter::Fraction(_));
    let units: Vec<(f64, f64)> = values
        .iter()
        .filter(|value| value.is_finite() && (!logarithmic || **value > 0.0))
        .map(|&value| match scatter {
            Scatter::Fraction(sd) => (value.ln(), sd),
            Scatter::Plain(sd) => (value, sd),
            Scatter::Both(fraction, zero) => (value, (fraction * value).hypot(zero)),
        })
        .collect();
    let outside = 1.0 - share;
    let quantile = |below: f64| {
        let found = quantile(&units, below)?;
        Some(if logarithmic { found.exp() } else { found })
    };
    match sides {
        Sides::Both => [quantile(0.5 * outside), quantile(1.0 - 0.5 * outside)],
        Sides::Upper => [None, quantile(1.0 - outside)],
        Sides::Lower => [quantile(outside), None],
    }
}

fn quantile(units: &[(f64, f64)], wanted: f64) -> Option<f64> {
    let below = |y: f64| {
        let each = units.iter().map(|(value, sd)| 0.5 * libm::erfc((value - y) / sd * std::f64::consts::FRAC_1_SQRT_2));
        each.sum::<f64>() / units.len() as f64
    };
    let ends = |sign: f64| units.iter().map(move |(value, sd)| value + sign * FARTHEST * sd);
    let (mut low, mut high) = (ends(-1.0).reduce(f64::min)?, ends(1.0).reduce(f64::max)?);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if below(middle) < wanted { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}
