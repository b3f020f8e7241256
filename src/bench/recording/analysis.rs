//! From volts at equal distances to figures, in one pass and bounded memory.
//!
//! The first million samples are kept: they decide how fine the spectrum can be, and show which lines are hum. From then
//! on everything runs along: Welch's average, the filter that leaves the hiss, its moments.

use super::gauss::{Gaussianity, Moments};
use super::hum::{Hum, LEAST_STEPS, is_resolved, separate};
use super::misread::Misread;
use crate::diagnostic::{Code, Diagnostic};
use crate::noise::Weighting;
use crate::spectral::{PowerSpectrum, Welch};
use crate::units::short;

/// Samples that are kept to begin with.
const KEPT: usize = 1 << 20;
/// Fewest samples of a recording, and of a segment of the spectrum; most of a segment.
const FEWEST: usize = 16;
const SHORTEST: usize = 8;
const LONGEST: usize = 1 << 18;
/// Segments there should be without overlap.
const SEGMENTS: usize = 4;
/// The spectrum is as fine as tells lines of the mains apart, Hz, and this much finer than the lower end of the band.
const STEP_HZ: f64 = 2.0;
const STEPS_BELOW_BAND: f64 = 8.0;

/// What is asked about a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordingQuestion {
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the band figure.
    pub weighting: Weighting,
    /// Frequency of the mains, Hz; `None` to look for 50 and 60.
    pub mains_hz: Option<f64>,
}

/// A recording's figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Samples.
    pub samples: u64,
    /// Samples per second.
    pub rate_hz: f64,
    /// Ends of the band, Hz, as far as the recording holds it.
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
    /// Mean, V.
    pub dc_volts: f64,
    /// Largest less smallest value, V; of everything that was recorded, hum and all frequencies included.
    pub peak_to_peak_volts: f64,
    /// Weighted rms in the band, hum included, V: what a meter reads.
    pub rms_volts: f64,
    /// Weighted rms of the hiss in the band, V.
    pub hiss_rms_volts: f64,
    /// Standard deviation of that figure over itself, for Gaussian hiss.
    pub statistical_error: f64,
    /// Unweighted rms of the hiss in the band, V.
    pub flat_hiss_rms_volts: f64,
    /// Hum in the band; `None` where no lines were found.
    pub hum: Option<Hum>,
    /// Density of all that was recorded.
    pub spectrum: PowerSpectrum,
    /// The same without hum.
    pub hiss_spectrum: PowerSpectrum,
    /// How Gaussian the hiss is; `None` where there is too little to judge by.
    pub gaussianity: Option<Gaussianity>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// A recording as it comes in.
pub struct Analysis {
    question: RecordingQuestion,
    kept: Vec<f64>,
    running: Option<Running>,
    samples: u64,
    sum: f64,
    smallest: f64,
    largest: f64,
}

struct Running {
    welch: Welch,
    moments: Moments,
}

impl Analysis {
    /// Nothing recorded yet.
    pub fn new(question: RecordingQuestion) -> Self {
        let (smallest, largest) = (f64::INFINITY, f64::NEG_INFINITY);
        Self { question, kept: Vec::new(), running: None, samples: 0, sum: 0.0, smallest, largest }
    }

    /// Takes further volts; `rate_hz` is how many a second there are, as far as is known by now.
    pub fn push(&mut self, volts: &[f64], rate_hz: f64) {
        self.samples += volts.len() as u64;
        for &one in volts {
            self.sum += one;
            self.smallest = self.smallest.min(one);
            self.largest = self.largest.max(one);
        }
        match &mut self.running {
            Some(running) => running.push(volts),
            None => {
                self.kept.extend_from_slice(volts);
                if self.kept.len() >= KEPT {
                    self.begin(rate_hz);
                }
            }
        }
    }

    /// What the recording comes to.
    ///
    /// # Errors
    /// [`Misread`] where it is too short, or sampled too slowly for any of the band.
    pub fn finish(mut self, rate_hz: f64) -> Result<Recording, Misread> {
        if self.samples < FEWEST as u64 || !(rate_hz.is_finite() && rate_hz > 0.0) {
            let message = format!("a recording of {} samples says nothing", self.samples);
            return Err(Misread::whole(Code::RecordingShort, message, "record a second or more"));
        }
        if self.running.is_none() {
            self.begin(rate_hz);
        }
        let running = self.running.take().expect("it has just begun");
        let spectrum = running.welch.spectrum(rate_hz);
        let band_hz = self.held_band(&spectrum, rate_hz)?;
        let cautions = self.cautions(&spectrum, band_hz);
        let (hum, hiss_spectrum) = separate(&spectrum, band_hz, self.question.mains_hz);
        let weighting = self.question.weighting;
        let weight = |hertz| weighting.power(hertz);
        Ok(Recording {
            samples: self.samples,
            rate_hz,
            band_hz,
            weighting,
            dc_volts: self.sum / self.samples as f64,
            peak_to_peak_volts: self.largest - self.smallest,
            rms_volts: spectrum.power(band_hz, weight).sqrt(),
            hiss_rms_volts: hiss_spectrum.power(band_hz, weight).sqrt(),
            // That of a root is half that of its square.
            statistical_error: 0.5 * hiss_spectrum.power_error(band_hz, weight),
            flat_hiss_rms_volts: hiss_spectrum.power(band_hz, |_| 1.0).sqrt(),
            hum,
            spectrum,
            hiss_spectrum,
            gaussianity: running.moments.judge(),
            cautions,
        })
    }

    /// Decides how fine the spectrum is, and what is hiss, by what was kept so far.
    fn begin(&mut self, rate_hz: f64) {
        let [low, high] = self.question.band_hz;
        let wanted = rate_hz / STEP_HZ.min(low / STEPS_BELOW_BAND);
        let most = (self.kept.len() / SEGMENTS).clamp(SHORTEST, LONGEST);
        // A power of two that does not exceed what there is.
        let most = if most.is_power_of_two() { most } else { most.next_power_of_two() / 2 };
        let length = (wanted.clamp(1.0, LONGEST as f64) as usize).next_power_of_two().clamp(SHORTEST, most);
        let mut welch = Welch::new(length);
        welch.push(&self.kept);
        let (hum, hiss) = separate(&welch.spectrum(rate_hz), self.question.band_hz, self.question.mains_hz);
        let mut gains = vec![0.0; length / 2 + 1];
        for (k, gain) in gains.iter_mut().enumerate().skip(1) {
            let hertz = k as f64 * hiss.step_hz;
            let near = |line: f64| (hertz - line).abs() <= 3.5 * hiss.step_hz;
            let in_hum = hum.iter().flat_map(|hum| &hum.lines).any(|line| near(line.hertz));
            *gain = f64::from(u8::from(hertz >= low && hertz <= high && !in_hum));
        }
        let mut moments = Moments::new(&hiss, &gains, &self.kept, rate_hz);
        moments.push(&self.kept);
        self.kept = Vec::new();
        self.running = Some(Running { welch, moments });
    }

    /// The part of the band that the recording holds.
    fn held_band(&self, spectrum: &PowerSpectrum, rate_hz: f64) -> Result<[f64; 2], Misread> {
        let [low, high] = self.question.band_hz;
        let held = [low.max(spectrum.step_hz), high.min(rate_hz / 2.0)];
        if held[0] < held[1] {
            return Ok(held);
        }
        let (rate, seconds) = (short(rate_hz, "Hz"), short(self.samples as f64 / rate_hz, "s"));
        let message = format!("{seconds} sampled at {rate} hold nothing of the band");
        let help = "record longer, or faster, or name another band: --band 1k:100k";
        Err(Misread::whole(Code::RecordingShort, message, help))
    }

    fn cautions(&self, spectrum: &PowerSpectrum, held: [f64; 2]) -> Vec<Diagnostic> {
        let [low, high] = self.question.band_hz;
        let mut cautions = Vec::new();
        if held != [low, high] {
            let band = format!("{} to {}", short(rounded(held[0]), "Hz"), short(rounded(held[1]), "Hz"));
            let message = format!("the recording holds {band} of the band only");
            let help = if held[0] > low { "record longer" } else { "sample faster" };
            cautions
                .push(Diagnostic::warning(Code::BandCut, format!("{message}; hiss outside is not counted")).help(help));
        }
        let mains = self.question.mains_hz.unwrap_or(50.0);
        if (low..=high).contains(&mains) && !is_resolved(spectrum, self.question.mains_hz) {
            let message = "the recording is too short to tell hum from hiss: hum is counted as hiss";
            let help = format!("record {} or more", short((2.0 * LEAST_STEPS * SEGMENTS as f64 / mains).ceil(), "s"));
            cautions.push(Diagnostic::warning(Code::BandCut, message).help(help));
        }
        cautions
    }
}

/// To three digits.
fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

impl Running {
    fn push(&mut self, volts: &[f64]) {
        self.welch.push(volts);
        self.moments.push(volts);
    }
}
