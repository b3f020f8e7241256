//! Where a band integral samples, on the logarithm of frequency.

use std::f64::consts::PI;

use crate::noise::integral::{ABSCISSAS, GAUSS, KRONROD, POINTS};

/// A sample of a rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sample {
    /// Its frequency, Hz.
    pub hertz: f64,
    /// Its weight in the integral by frequency, Hz.
    pub weight: f64,
    /// Its weight in the rule of fewer points that the error estimate compares with, Hz; 0 where that has no point.
    pub coarse: f64,
}

/// The 15-point Kronrod rule between two logarithms of frequencies in hertz, with the 7-point Gauss rule it contains.
pub(super) fn kronrod(from: f64, to: f64) -> [Sample; POINTS] {
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    std::array::from_fn(|position| {
        let at = position.min(POINTS - 1 - position);
        let offset = if position < POINTS / 2 { -ABSCISSAS[at] } else { ABSCISSAS[at] };
        let hertz = (middle + half * offset).exp();
        // df = f · d(ln f); the odd points are those of the Gauss rule.
        let coarse = if position % 2 == 1 { GAUSS[at / 2] } else { 0.0 };
        Sample { hertz, weight: half * hertz * KRONROD[at], coarse: half * hertz * coarse }
    })
}

/// The Gauss-Legendre rule of `count` points over a band, Hz, on the logarithm of frequency.
pub(super) fn gauss(band_hz: [f64; 2], count: usize) -> Vec<Sample> {
    let [from, to] = band_hz.map(f64::ln);
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    (0..count)
        .map(|position| {
            // Newton's iteration on the Legendre polynomial, from Tricomi's estimate of its zeros.
            let mut x = -(PI * (position as f64 + 0.75) / (count as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (value, by_x) = legendre(count, x);
                slope = by_x;
                x -= value / by_x;
            }
            let hertz = (middle + half * x).exp();
            let weight = 2.0 / ((1.0 - x * x) * slope * slope);
            Sample { hertz, weight: half * hertz * weight, coarse: 0.0 }
        })
        .collect()
}

/// The Legendre polynomial of a degree above 0 and its derivative, within (-1, 1).
fn legendre(degree: usize, x: f64) -> (f64, f64) {
    let (mut before, mut value) = (1.0, x);
    for n in 1..degree {
        let n = n as f64;
        (before, value) = (value, ((2.0 * n + 1.0) * x * value - n * before) / (n + 1.0));
    }
    (value, degree as f64 * (before - x * value) / (1.0 - x * x))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ∫f^p df over the band in closed form; with x = ln f a smooth integrand, for which 24 points are exact to rounding.
    #[test]
    fn powers_of_frequency_are_integrated_exactly() {
        for power in [-2.0, -1.0, 0.0, 0.7] {
            let band: [f64; 2] = [20.0, 2e4];
            let exact = match power {
                -1.0 => (band[1] / band[0]).ln(),
                _ => (band[1].powf(power + 1.0) - band[0].powf(power + 1.0)) / (power + 1.0),
            };
            let sum = |samples: &[Sample]| -> f64 { samples.iter().map(|s| s.weight * s.hertz.powf(power)).sum() };
            let fixed = sum(&gauss(band, 24));
            assert!((fixed - exact).abs() < 1e-13 * exact, "{power}: {fixed} {exact}");
            let decades = [(20.0, 200.0), (200.0, 2e3), (2e3, 2e4)];
            let panels = decades.map(|(from, to): (f64, f64)| kronrod(from.ln(), to.ln()));
            let kronrod: f64 = panels.iter().map(|panel| sum(panel)).sum();
            assert!((kronrod - exact).abs() < 1e-13 * exact, "{power}: {kronrod} {exact}");
        }
    }
}
