//! Whether hiss is Gaussian, as that of sound devices is; popping and crackling devices are not.
//!
//! The hiss in the band, hum taken out by filter, is a sequence y with the autocorrelation ρ that its spectrum gives.
//! For Gaussian y
//!
//! ```text
//!     kurtosis  m4/m2²            3, standard deviation sqrt(24·Σρ⁴/n)                                 [1]
//!     crest     max|y|/rms        stays below x with the probability exp(-λ), λ the smaller of
//!                                 N·exp(-x²/2), N = 2·T·sqrt(∫f²S df/∫S df) crossings of zero in the time T  [2]
//!                                 n·P(|y|/rms > x), for few samples to a crossing miss the peaks between them
//! ```
//!
//! A burst is a stretch beyond the level that is reached once in a thousand such recordings. The rms that bursts are held
//! against is that of the quiet in between: the median of |y| over 0.6745, the median of |y| of unit Gaussian noise.
//!
//! [1] fourth Hermite polynomial of a Gaussian sequence: variance 24·Σρ⁴/n; Lomnicki, Metrika 4 (1961) 37
//! [2] Rice, Bell Syst. Tech. J. 24 (1945) 46

use num_complex::Complex64;
use realfft::RealFftPlanner;

use crate::spectral::{Filter, PowerSpectrum};

/// Independent samples below which nothing is judged.
const LEAST_SAMPLES: f64 = 200.0;
/// Standard deviations of the kurtosis, and the probability of a crest, beyond which noise is not Gaussian.
const SURE: f64 = 4.5;
const RARE: f64 = 1e-4;
/// Chance of a burst in a recording of Gaussian noise.
const BURST_CHANCE: f64 = 1e-3;
/// Bursts closer than this are one, s.
const APART_SECONDS: f64 = 0.02;
/// Bursts that are kept.
const MOST_BURSTS: usize = 1000;
/// Median of |y| of Gaussian noise of rms 1: the upper quartile of the normal distribution.
const MEDIAN_PER_RMS: f64 = 0.674_489_750_196_081_7;

/// How Gaussian the hiss is.
#[derive(Clone, Debug, PartialEq)]
pub struct Gaussianity {
    /// Fourth moment over the square of the second; 3 of Gaussian noise.
    pub kurtosis: f64,
    /// Standard deviation of the kurtosis of so much Gaussian noise with this spectrum.
    pub kurtosis_error: f64,
    /// Largest value over rms.
    pub crest: f64,
    /// Between these the crest of so much Gaussian noise lies 95 times of 100.
    pub usual_crest: [f64; 2],
    /// Bursts in order of time; the first thousand of more.
    pub bursts: Vec<Burst>,
    /// Whether all this is what Gaussian noise shows.
    pub is_gaussian: bool,
}

/// A pop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Burst {
    /// When its peak came, s from the beginning.
    pub seconds: f64,
    /// Its peak in the band, V.
    pub volts: f64,
}

/// Moments of the hiss under way.
pub(super) struct Moments {
    filter: Filter,
    waiting: Vec<f64>,
    rate_hz: f64,
    /// Mean square and rate of zero crossings of the filtered hiss, by its spectrum.
    crossings_hz: f64,
    fourth_correlation: f64,
    quiet_rms: f64,
    taken: u64,
    blocks: u64,
    squares: f64,
    fourths: f64,
    largest: f64,
    bursts: Vec<Burst>,
    last_burst: Option<u64>,
}

impl Moments {
    /// `hiss` is the spectrum without hum, `gains` the filter at its frequencies; `begin` what was recorded so far, which
    /// still has to be pushed.
    pub fn new(hiss: &PowerSpectrum, gains: &[f64], begin: &[f64], rate_hz: f64) -> Self {
        let filtered: Vec<f64> = hiss.density.iter().zip(gains).map(|(s, gain)| s * gain * gain).collect();
        let power: f64 = filtered.iter().sum();
        let second: f64 = filtered.iter().enumerate().map(|(k, s)| s * (k as f64 * hiss.step_hz).powi(2)).sum();
        let mut moments = Self {
            filter: Filter::new(gains),
            waiting: Vec::new(),
            rate_hz,
            crossings_hz: if power > 0.0 { 2.0 * (second / power).sqrt() } else { 0.0 },
            fourth_correlation: fourth_correlation(&filtered),
            quiet_rms: 0.0,
            taken: 0,
            blocks: 0,
            squares: 0.0,
            fourths: 0.0,
            largest: 0.0,
            bursts: Vec::new(),
            last_burst: None,
        };
        moments.quiet_rms = moments.quiet(gains, begin);
        moments
    }

    fn quiet(&self, gains: &[f64], begin: &[f64]) -> f64 {
        let mut filter = Filter::new(gains);
        let mut values: Vec<f64> = Vec::with_capacity(begin.len());
        for (number, block) in begin.chunks_exact(filter.block()).enumerate() {
            let filtered = filter.next(|samples| samples.copy_from_slice(block));
            if number > 0 {
                values.extend(filtered.iter().map(|y| y.abs()));
            }
        }
        if values.is_empty() {
            return 0.0;
        }
        let middle = values.len() / 2;
        *values.select_nth_unstable_by(middle, f64::total_cmp).1 / MEDIAN_PER_RMS
    }

    pub fn push(&mut self, mut samples: &[f64]) {
        let block = self.filter.block();
        while !samples.is_empty() {
            let (now, later) = samples.split_at(samples.len().min(block - self.waiting.len()));
            self.waiting.extend_from_slice(now);
            samples = later;
            if self.waiting.len() == block {
                self.add_block(block);
                self.waiting.clear();
            }
        }
    }

    fn add_block(&mut self, block: usize) {
        let waiting = &self.waiting;
        let filtered = self.filter.next(|samples| samples.copy_from_slice(waiting));
        self.blocks += 1;
        // The first block holds the onset.
        if self.blocks == 1 {
            return;
        }
        let apart = (APART_SECONDS * self.rate_hz) as u64;
        // No burst is lower than one of this stretch alone would be.
        let level = self.quiet_rms * exceeded(block as f64, self.crossings_hz / self.rate_hz, BURST_CHANCE);
        for (at, &y) in filtered.iter().enumerate() {
            let square = y * y;
            self.squares += square;
            self.fourths += square * square;
            self.largest = self.largest.max(y.abs());
            if y.abs() > level && level > 0.0 {
                // What comes out lies half a block back.
                let when = (self.blocks - 1) * block as u64 + at as u64 - block as u64 / 2;
                let goes_on = self.last_burst.is_some_and(|last| when - last <= apart);
                let burst = Burst { seconds: when as f64 / self.rate_hz, volts: y };
                let full = self.bursts.len() >= MOST_BURSTS;
                match self.bursts.last_mut().filter(|_| goes_on) {
                    Some(highest) if y.abs() > highest.volts.abs() && !full => *highest = burst,
                    None if !full => self.bursts.push(burst),
                    _ => {}
                }
                self.last_burst = Some(when);
            }
        }
        self.taken += block as u64;
    }

    /// What it comes to; `None` where there is too little to judge by, or no hiss.
    pub fn judge(self) -> Option<Gaussianity> {
        let count = self.taken as f64;
        let (square, fourth) = (self.squares / count, self.fourths / count);
        let kurtosis = fourth / (square * square);
        let independent = count / self.fourth_correlation;
        let crossings = self.crossings_hz * count / self.rate_hz;
        if !(independent >= LEAST_SAMPLES && kurtosis.is_finite() && crossings > 1.0) {
            return None;
        }
        let kurtosis_error = (24.0 / independent).sqrt();
        let crest = self.largest / square.sqrt();
        let level = |expected| exceeded(count, self.crossings_hz / self.rate_hz, expected);
        // That the crest stays below x has the probability exp(-λ).
        let crest_at = |below: f64| level(-below.ln());
        let burst_level = self.quiet_rms * level(BURST_CHANCE);
        let bursts: Vec<Burst> = self.bursts.into_iter().filter(|burst| burst.volts.abs() > burst_level).collect();
        let is_gaussian =
            (kurtosis - 3.0).abs() <= SURE * kurtosis_error && crest <= crest_at(1.0 - RARE) && bursts.is_empty();
        Some(Gaussianity {
            kurtosis,
            kurtosis_error,
            crest,
            usual_crest: [crest_at(0.025), crest_at(0.975)],
            bursts,
            is_gaussian,
        })
    }
}

/// The level over rms that so many samples of Gaussian noise pass as often as `expected`, on average.
fn exceeded(samples: f64, crossings_per_sample: f64, expected: f64) -> f64 {
    let passes = |x: f64| {
        // P(|y| > x) = sqrt(2/π)·exp(-x²/2)/(x + 1/(x + 2/(x + 3/(x + …)))), Laplace's continued fraction.
        let tail = (2.0 / std::f64::consts::PI).sqrt() / (x + 1.0 / (x + 2.0 / (x + 3.0 / (x + 1.0))));
        samples * (-0.5 * x * x).exp() * tail.min(crossings_per_sample)
    };
    // Beyond 20 there is nothing in any recording.
    let (mut low, mut high) = (0.0, 20.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if passes(middle) > expected {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Σρ⁴ over all lags: the autocorrelation is the inverse transform of the spectrum.
fn fourth_correlation(density: &[f64]) -> f64 {
    let inverse = RealFftPlanner::new().plan_fft_inverse(2 * (density.len() - 1));
    let mut spectrum: Vec<Complex64> = density.iter().map(|&s| Complex64::from(s)).collect();
    let mut correlation = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut correlation).expect("the lengths are the planner's own, and the input is real");
    let at_zero = correlation[0];
    correlation.iter().map(|value| (value / at_zero).powi(4)).sum()
}
