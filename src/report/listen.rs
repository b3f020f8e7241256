//! Hiss at a point as sound: one part, or several one after the other at one calibration.

use super::Setting;
use crate::bench::Point;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::PartId;
use crate::noise::{self, DEFAULT_TOLERANCE, NoiseRequest, Weighting, cautions};
use crate::operating::Operating;
use crate::sound::{Density, Hiss};
use crate::units::short;

/// Full scale over the loudest part's rms, at least: Gaussian noise goes beyond that once in 400 thousand million samples.
const HEADROOM: f64 = 7.0;
/// What the ends of the band may cost before it is said, as a fraction of the rms.
const UNHEARD: f64 = 1e-3;

/// What is to be heard.
#[derive(Clone, Debug, PartialEq)]
pub struct ListenQuestion {
    /// Where.
    pub point: Point,
    /// The input source of the netlist.
    pub input: Option<PartId>,
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Samples per second.
    pub rate_hz: u32,
    /// Duration of each part, s.
    pub seconds: f64,
    /// Silence between parts, s.
    pub gap_seconds: f64,
    /// Volts at full scale; `None` for a round value with headroom over the loudest part.
    pub full_scale_volts: Option<f64>,
    /// What the noise is drawn from.
    pub seed: u64,
}

/// One part to be heard.
#[derive(Clone, Debug)]
pub struct ListenPart<'a> {
    /// Its name: `healthy`.
    pub name: &'static str,
    /// The circuit.
    pub circuit: &'a Circuit,
    /// The what-ifs that made it, a line each.
    pub changes: Vec<String>,
}

/// What is heard, and the samples to it.
#[derive(Clone, Debug, PartialEq)]
pub struct ListenResult {
    /// Conditions of the first part, without its what-ifs.
    pub setting: Setting,
    /// The point's name.
    pub at: String,
    /// Ends of the band, Hz; the upper one is at most half the rate.
    pub band_hz: [f64; 2],
    /// Samples per second.
    pub rate_hz: u32,
    /// Volts at full scale.
    pub full_scale_volts: f64,
    /// What the noise is drawn from.
    pub seed: u64,
    /// Parts in order.
    pub parts: Vec<HeardPart>,
    /// Samples of silence between parts.
    pub gap_samples: u64,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// A part as it is heard.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardPart {
    /// Its name.
    pub name: &'static str,
    /// What-ifs, a line each.
    pub changes: Vec<String>,
    /// Where it begins, s.
    pub from_seconds: f64,
    /// Its samples.
    pub samples: u64,
    /// Computed rms over the band, V.
    pub rms_volts: f64,
    /// The rms that its samples have on average, V.
    pub heard_rms_volts: f64,
    density: Option<Density>,
}

impl ListenResult {
    /// A voltage in dB over full scale; 1 V gives the calibration.
    pub fn full_scale_db(&self, volts: f64) -> f64 {
        20.0 * (volts / self.full_scale_volts).log10()
    }

    /// Whether there is nothing to hear at all.
    pub fn is_silent(&self) -> bool {
        self.parts.iter().all(|part| part.density.is_none())
    }

    /// Samples of all parts and of the gaps between them.
    pub fn length(&self) -> u64 {
        let parts = self.parts.iter().map(|part| part.samples);
        parts
            .fold(0u64, u64::saturating_add)
            .saturating_add(self.gap_samples.saturating_mul(self.parts.len() as u64 - 1))
    }

    /// The samples, V, one after the other. Only a block of them is held at a time.
    pub fn samples(&self) -> impl Iterator<Item = f64> + '_ {
        self.parts.iter().enumerate().flat_map(move |(number, part)| {
            let gap = if number == 0 { 0 } else { self.gap_samples };
            let silence = (0..gap).map(|_| 0.0);
            let hiss = part.hiss(self.rate_hz, self.seed, number as u64);
            let heard: Box<dyn Iterator<Item = f64>> = match hiss {
                Some(hiss) => Box::new((0..part.samples).zip(hiss).map(|(_, volts)| volts)),
                None => Box::new((0..part.samples).map(|_| 0.0)),
            };
            silence.chain(heard)
        })
    }
}

impl HeardPart {
    /// Every part draws from a stream of its own.
    fn hiss(&self, rate_hz: u32, seed: u64, stream: u64) -> Option<Hiss> {
        self.density.as_ref().map(|density| Hiss::new(density, f64::from(rate_hz), seed, stream))
    }
}

/// Computes what is to be heard at a point. `parts` are heard in order; there is at least one.
///
/// # Errors
/// [`SolveError`] names what did not settle or what nothing determines, in any of the parts.
pub fn listen(parts: &[ListenPart<'_>], question: &ListenQuestion) -> Result<ListenResult, SolveError> {
    let rate = f64::from(question.rate_hz);
    let band_hz = [question.band_hz[0], question.band_hz[1].min(rate / 2.0)];
    let samples = |seconds: f64| (seconds * rate).round() as u64;
    let gap_samples = samples(question.gap_seconds);
    let mut warnings: Vec<Diagnostic> = Vec::new();
    if band_hz[1] < question.band_hz[1] {
        let message = format!("sampled at {} nothing is heard above {}", short(rate, "Hz"), short(band_hz[1], "Hz"));
        let help = format!("sample faster: --rate {}", 2.5 * question.band_hz[1]);
        warnings.push(Diagnostic::warning(Code::BandCut, message).help(help));
    }
    let mut heard: Vec<HeardPart> = Vec::new();
    for part in parts {
        let operating = Operating::of(part.circuit)?;
        let output = (question.point.plus, question.point.minus);
        let request =
            NoiseRequest { outputs: vec![output], band_hz, weighting: Weighting::Flat, tolerance: DEFAULT_TOLERANCE };
        let figures = noise::noise(part.circuit, &operating.signal, None, &request)?;
        let rms_volts = figures.outputs[0].rms_volts;
        let density = match rms_volts > 0.0 {
            true => Some(Density::of(part.circuit, &operating.signal, output, band_hz)?),
            false => None,
        };
        let from = heard.iter().map(|part| part.samples + gap_samples).sum::<u64>() as f64 / rate;
        let mut part_heard = HeardPart {
            name: part.name,
            changes: part.changes.clone(),
            from_seconds: from,
            samples: samples(question.seconds),
            rms_volts,
            heard_rms_volts: 0.0,
            density,
        };
        if let Some(hiss) = part_heard.hiss(question.rate_hz, question.seed, heard.len() as u64) {
            part_heard.heard_rms_volts = hiss.rms_volts();
            warnings.extend(quieter(&part_heard));
        }
        warnings.extend(cautions(part.circuit, &operating.bias, band_hz[1]));
        warnings.extend(operating.cautions(part.circuit));
        heard.push(part_heard);
    }
    let mut cautions: Vec<Diagnostic> = Vec::new();
    for warning in warnings {
        if !cautions.contains(&warning) {
            cautions.push(warning);
        }
    }
    let loudest = heard.iter().map(|part| part.rms_volts).fold(0.0, f64::max);
    let round = |volts: f64| if volts > 0.0 { round_up(volts) } else { 1.0 };
    Ok(ListenResult {
        setting: Setting::of(parts[0].circuit, &[]),
        at: question.point.name.clone(),
        band_hz,
        rate_hz: question.rate_hz,
        full_scale_volts: question.full_scale_volts.unwrap_or_else(|| round(HEADROOM * loudest)),
        seed: question.seed,
        parts: heard,
        gap_samples,
        cautions,
    })
}

fn quieter(part: &HeardPart) -> Option<Diagnostic> {
    let change = part.heard_rms_volts / part.rms_volts - 1.0;
    (change.abs() > UNHEARD).then(|| {
        let message = format!("the sound's rms is {:+.1} % off, for the band begins so low", 100.0 * change);
        Diagnostic::warning(Code::AccuracyLimited, message).help("begin higher, or sample more slowly: --band 20:20k")
    })
}

/// The next of 1, 2, 5, 10 … above.
fn round_up(volts: f64) -> f64 {
    let exponent = volts.log10().floor() as i32;
    let steps = [1, 2, 5].into_iter().flat_map(|digit| [(digit, exponent), (digit, exponent + 1)]);
    // Parsed, so that 5e-4 is the very number that a person types.
    let values = steps.filter_map(|(digit, exponent)| format!("{digit}e{exponent}").parse::<f64>().ok());
    values.filter(|value| *value >= volts).fold(f64::INFINITY, f64::min)
}
