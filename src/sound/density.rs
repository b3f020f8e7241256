//! A density over a band, between the frequencies it was computed at.

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::mna::NodeId;
use crate::noise::spectra;
use crate::smallsignal::SmallSignal;

/// Points per decade that a computed density begins with, and most of them in all.
const PER_DECADE: usize = 100;
const MOST_POINTS: usize = 50_000;
/// How far a density may lie off the power law between its neighbours, relative, before it gets neighbours of its own.
const AGREEMENT: f64 = 1e-3;

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

    /// That of a circuit at an output over a band. Between neighbours it is computed once more, and again between those,
    /// wherever the power law between them is off by more than a thousandth: so a resonance gets the points it needs.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn of(
        circuit: &Circuit,
        signal: &SmallSignal,
        output: (NodeId, NodeId),
        band_hz: [f64; 2],
    ) -> Result<Self, SolveError> {
        let at = |hertz: &[f64]| spectra(circuit, signal, &[output], hertz).map(|mut densities| densities.remove(0));
        let hertz = spaced(band_hz, PER_DECADE);
        let mut density = Self { volts2_per_hertz: at(&hertz)?, hertz };
        let mut unsure = vec![true; density.hertz.len() - 1];
        loop {
            let pairs = density.hertz.windows(2).zip(&unsure);
            let middles: Vec<f64> =
                pairs.filter(|(_, unsure)| **unsure).map(|(pair, _)| (pair[0] * pair[1]).sqrt()).collect();
            if middles.is_empty() || density.hertz.len() + middles.len() > MOST_POINTS {
                return Ok(density);
            }
            let computed = at(&middles)?;
            let off = |(hertz, s): (&f64, &f64)| (density.at(*hertz) / s - 1.0).abs() > AGREEMENT;
            let apart: Vec<bool> = middles.iter().zip(&computed).map(off).collect();
            let mut new = middles.into_iter().zip(computed).zip(apart);
            let (mut refined, mut still) = (Self { hertz: Vec::new(), volts2_per_hertz: Vec::new() }, Vec::new());
            for (at, &hertz) in density.hertz.iter().enumerate() {
                refined.hertz.push(hertz);
                refined.volts2_per_hertz.push(density.volts2_per_hertz[at]);
                match unsure.get(at) {
                    Some(true) => {
                        let Some(((hertz, s), apart)) = new.next() else { continue };
                        refined.hertz.push(hertz);
                        refined.volts2_per_hertz.push(s);
                        still.extend([apart; 2]);
                    }
                    Some(false) => still.push(false),
                    None => {}
                }
            }
            (density, unsure) = (refined, still);
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
