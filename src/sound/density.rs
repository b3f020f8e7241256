//! A density over a band, between the frequencies it was computed at.

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::mna::NodeId;
use crate::noise::spectra;
use crate::smallsignal::SmallSignal;

/// Points per decade that a computed density begins with, and those beyond which it is not refined.
const FIRST_PER_DECADE: usize = 100;
const MOST_PER_DECADE: usize = 12_800;
/// How far the integral of the interpolated density may lie off the adaptive one, relative.
const AGREEMENT: f64 = 1e-4;

/// A one-sided density over a band, V²/Hz, a power of frequency between neighbouring points.
#[derive(Clone, Debug, PartialEq)]
pub struct Density {
    hertz: Vec<f64>,
    volts2_per_hertz: Vec<f64>,
}

impl Density {
    /// From values at frequencies above zero that ascend; the first and the last are the ends of the band. `None` for
    /// other frequencies, fewer than two of them, or a density that is negative or not finite.
    pub fn new(hertz: Vec<f64>, volts2_per_hertz: Vec<f64>) -> Option<Self> {
        let ascending = hertz.windows(2).all(|pair| pair[0] < pair[1]) && hertz.iter().all(|hertz| hertz.is_finite());
        let sound = volts2_per_hertz.iter().all(|density| density.is_finite() && *density >= 0.0);
        let fits = hertz.len() == volts2_per_hertz.len() && hertz.len() >= 2 && hertz[0] > 0.0;
        (ascending && sound && fits).then_some(Self { hertz, volts2_per_hertz })
    }

    /// That of a circuit at an output over a band, with as many points as bring its integral to the given mean square,
    /// which is that of [`noise`](crate::noise::noise), to within a ten-thousandth.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn of(
        circuit: &Circuit,
        signal: &SmallSignal,
        output: (NodeId, NodeId),
        band_hz: [f64; 2],
        mean_square: f64,
    ) -> Result<Self, SolveError> {
        let mut per_decade = FIRST_PER_DECADE;
        loop {
            let hertz = spaced(band_hz, per_decade);
            let volts2_per_hertz = spectra(circuit, signal, &[output], &hertz)?.remove(0);
            let density = Self { hertz, volts2_per_hertz };
            let close = (density.power() - mean_square).abs() <= AGREEMENT * mean_square;
            if close || per_decade >= MOST_PER_DECADE {
                return Ok(density);
            }
            per_decade *= 2;
        }
    }

    /// Ends of the band, Hz.
    pub fn band_hz(&self) -> [f64; 2] {
        [self.hertz[0], self.hertz[self.hertz.len() - 1]]
    }

    /// The density at a frequency, V²/Hz; zero outside the band.
    pub fn at(&self, hertz: f64) -> f64 {
        let [low, high] = self.band_hz();
        if !(low..=high).contains(&hertz) {
            return 0.0;
        }
        let right = self.hertz.partition_point(|&known| known < hertz).clamp(1, self.hertz.len() - 1);
        let (f, s) = (&self.hertz[right - 1..=right], &self.volts2_per_hertz[right - 1..=right]);
        let part = (hertz / f[0]).ln() / (f[1] / f[0]).ln();
        // Silence has no logarithm.
        if s[0] > 0.0 && s[1] > 0.0 { s[0] * (s[1] / s[0]).powf(part) } else { s[0] + part * (s[1] - s[0]) }
    }

    /// Mean square over the band, V²: S·f·(r^(a+1) - 1)/(a + 1) for every stretch, a its slope, r its ratio of ends.
    pub fn power(&self) -> f64 {
        let pairs = self.hertz.windows(2).zip(self.volts2_per_hertz.windows(2));
        pairs
            .map(|(f, s)| {
                let octave = (f[1] / f[0]).ln();
                if !(s[0] > 0.0 && s[1] > 0.0) {
                    return 0.5 * (s[0] + s[1]) * (f[1] - f[0]);
                }
                let rise = (s[1] / s[0]).ln() + octave;
                // (e^x - 1)/x, which is 1 for a slope of 1/f.
                let growth = if rise.abs() < 1e-8 { 1.0 + 0.5 * rise } else { rise.exp_m1() / rise };
                s[0] * f[0] * octave * growth
            })
            .sum()
    }
}

/// Frequencies from end to end of a band at equal ratios.
fn spaced([low, high]: [f64; 2], per_decade: usize) -> Vec<f64> {
    let steps = ((high / low).log10() * per_decade as f64).ceil().max(1.0);
    let mut hertz: Vec<f64> = (0..=steps as usize).map(|at| low * (high / low).powf(at as f64 / steps)).collect();
    // Rounding does not move the upper end.
    hertz[steps as usize] = high;
    hertz
}
