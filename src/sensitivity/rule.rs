//! A fixed rule of frequencies and weights over a band: what the hiss of thousands of variants is summed with.

use crate::mna::LANES;
use crate::noise::Weighting;

/// Frequencies and weights of a band figure: mean square = Σ weight·density.
#[derive(Clone, Debug, PartialEq)]
pub struct BandRule {
    hertz: Vec<f64>,
    weights: Vec<f64>,
}

/// Eight frequencies with their weights.
pub(super) struct Batch {
    pub hertz: [f64; LANES],
    pub weights: [f64; LANES],
}

impl BandRule {
    /// Points that serve audio bands: over three decades a density whose natural frequencies are real is met to 1e-8.
    pub const POINTS: usize = 24;

    /// The rule of Gauss and Legendre on the logarithm of frequency between the ends of `band_hz`, above zero.
    ///
    /// It knows no error: where a resonance is narrower than the spacing of the points, or to be sure,
    /// [`crate::noise::noise`] tells.
    pub fn gauss(band_hz: [f64; 2], weighting: Weighting, points: usize) -> Self {
        let [from, to] = band_hz.map(f64::ln);
        let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
        let (hertz, weights) = legendre(points)
            .map(|(abscissa, weight)| {
                let hertz = (middle + half * abscissa).exp();
                // df = f · d(ln f)
                (hertz, half * weight * hertz * weighting.power(hertz))
            })
            .unzip();
        Self { hertz, weights }
    }

    /// A rule of the caller's own: frequencies above zero in Hz, ascending, and as many weights in Hz, the curve of an
    /// instrument included. `None` if it is no such rule.
    pub fn new(hertz: Vec<f64>, weights: Vec<f64>) -> Option<Self> {
        let sound = !hertz.is_empty()
            && hertz.len() == weights.len()
            && hertz[0] > 0.0
            && hertz.is_sorted()
            && hertz.iter().chain(&weights).all(|value| value.is_finite());
        sound.then_some(Self { hertz, weights })
    }

    /// The frequencies, Hz.
    pub fn hertz(&self) -> &[f64] {
        &self.hertz
    }

    /// The weights, Hz.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// In eights; lanes beyond the last frequency repeat it with weight zero.
    pub(super) fn batches(&self) -> impl Iterator<Item = Batch> + '_ {
        self.hertz.chunks(LANES).zip(self.weights.chunks(LANES)).map(|(hertz, weights)| Batch {
            hertz: std::array::from_fn(|lane| hertz[lane.min(hertz.len() - 1)]),
            weights: std::array::from_fn(|lane| weights.get(lane).copied().unwrap_or(0.0)),
        })
    }
}

/// Abscissas on (-1, 1), ascending, and weights: zeros of the Legendre polynomial by Newton's iteration.
fn legendre(points: usize) -> impl Iterator<Item = (f64, f64)> {
    let n = points.max(1);
    (0..n).rev().map(move |at| {
        let mut x = (std::f64::consts::PI * (at as f64 + 0.75) / (n as f64 + 0.5)).cos();
        // From this start it squares its error: six steps are more than enough.
        for _ in 0..6 {
            let (value, slope) = legendre_polynomial(n, x);
            x -= value / slope;
        }
        let (_, slope) = legendre_polynomial(n, x);
        (x, 2.0 / ((1.0 - x * x) * slope * slope))
    })
}

/// The Legendre polynomial of a degree above zero and its derivative, by the three-term recurrence.
fn legendre_polynomial(degree: usize, x: f64) -> (f64, f64) {
    let (mut before, mut value) = (1.0, x);
    for k in 2..=degree {
        let k = k as f64;
        (before, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * before) / k);
    }
    (value, degree as f64 * (x * value - before) / (x * x - 1.0))
}
