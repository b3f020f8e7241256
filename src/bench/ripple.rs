//! Ripple of a supply, and the hum it makes at each node.
//!
//! The capacitor behind a rectifier charges in a line during a fraction d of the period and discharges in a line during
//! the rest: a triangle of p volts peak to peak, a sawtooth for d = 0. Its harmonic k has the amplitude
//!
//!   p·|sin(π·k·d)| / (π²·k²·d·(1−d)) for 0 < d < 1,   p/(π·k) for d = 0                                 [1]
//!
//! and all of them together p/(2√3) rms, whatever d is, since the values of a triangle are evenly spread. With the usual
//! rectifier for both half-waves the period is that of twice the mains frequency.
//! Hum is rms: the harmonics in the band at the node, weighted as the hiss is, their powers added up.
//!
//! [1] Fourier series of piecewise linear functions; d = 0: Gradshteyn and Ryzhik, Table of Integrals, 1.441

use std::f64::consts::PI;

use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic, nearest};
use crate::element::{Element, PartId, SourceKind};
use crate::mna::NodeId;
use crate::noise::Weighting;
use crate::response::response;
use crate::smallsignal::{SmallSignal, Stimulus};
use crate::units::{Quantity, exact, read_number, short, unit_of};

/// Frequency of the ripple unless told otherwise: both half-waves of a mains of 50 Hz.
pub const DEFAULT_RIPPLE_HZ: f64 = 100.0;
/// Harmonics at most; those beyond hold less than this part of the ripple's power together.
const MOST_HARMONICS: f64 = 4096.0;

/// The ripple of a supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ripple {
    /// The voltage source that stands for the supply.
    pub source: PartId,
    /// Peak to peak, as a scope shows it, V; 2√3 times what a meter of true rms shows.
    pub peak_to_peak_volts: f64,
    /// How often it repeats, Hz.
    pub hertz: f64,
    /// Fraction of the period during which the capacitor charges, 0 to below 1.
    pub charging: f64,
}

impl Ripple {
    /// Reads `VCC=50mV`, `VCC=50mV,hz=120`, `VCC=50mV,hz=50,charge=0.2`: volts peak to peak.
    ///
    /// # Errors
    /// [`Code::UnknownPart`], [`Code::UnfitPart`] for what is no voltage source, [`Code::BadFlag`] for a number.
    pub fn read(circuit: &Circuit, text: &str) -> Result<Ripple, Diagnostic> {
        let bad =
            |message: String| Diagnostic::error(Code::BadFlag, message).help("write VCC=50mV, or VCC=50mV,hz=120");
        let Some((name, rest)) = text.split_once('=') else {
            return Err(bad("how much ripple, peak to peak?".to_owned()));
        };
        let source = circuit.find_part(name.trim())?;
        if !matches!(&circuit.part(source).element, Element::Source(e) if e.kind == SourceKind::Voltage) {
            let message = format!("{} is no voltage source", circuit.part(source).name);
            return Err(Diagnostic::error(Code::UnfitPart, message).help("name the source that stands for the supply"));
        }
        let number = |text: &str, unit: &str| match read_number(text.trim(), Quantity::Other) {
            Err(problem) => Err(bad(problem.to_string())),
            Ok(_) if unit_of(text).is_some_and(|written| written != unit) => {
                Err(bad(format!("{} is in another unit than {unit}", text.trim())))
            }
            Ok(reading) => Ok(reading.value),
        };
        let mut fields = rest.split(',');
        let mut ripple = Ripple {
            source,
            peak_to_peak_volts: number(fields.next().unwrap_or_default(), "V")?,
            hertz: DEFAULT_RIPPLE_HZ,
            charging: 0.0,
        };
        for field in fields {
            let (key, value) = field.split_once('=').unwrap_or((field, ""));
            match key.trim().to_lowercase().as_str() {
                "hz" => ripple.hertz = number(value, "Hz")?,
                "charge" => ripple.charging = number(value, "")?,
                key => {
                    let error = bad(format!("{key} is no setting of ripple"));
                    return Err(match nearest(key, ["hz", "charge"]) {
                        Some(near) => error.help(format!("try {near}=")),
                        None => error,
                    });
                }
            }
        }
        if ripple.peak_to_peak_volts <= 0.0 {
            return Err(bad(format!("ripple must be above zero, not {}", exact(ripple.peak_to_peak_volts))));
        }
        if ripple.hertz < 1.0 {
            return Err(bad(format!("ripple of {} is none of the mains", short(ripple.hertz, "Hz"))));
        }
        if !(0.0..1.0).contains(&ripple.charging) {
            return Err(bad(format!("charge is a fraction from 0 to below 1, not {}", exact(ripple.charging))));
        }
        Ok(ripple)
    }

    /// Rms of harmonic `k`, V; the first is that of the ripple's own frequency.
    pub fn harmonic_volts(&self, k: u32) -> f64 {
        let (k, d, p) = (f64::from(k), self.charging, self.peak_to_peak_volts);
        let amplitude =
            if d == 0.0 { p / (PI * k) } else { p * (PI * k * d).sin().abs() / ((PI * k).powi(2) * d * (1.0 - d)) };
        amplitude / std::f64::consts::SQRT_2
    }

    /// Hum at each output over a band, V rms, weighted.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names the unknown that nothing determines.
    pub fn hum_volts(
        &self,
        circuit: &Circuit,
        signal: &SmallSignal,
        outputs: &[(NodeId, NodeId)],
        band_hz: [f64; 2],
        weighting: Weighting,
    ) -> Result<Vec<f64>, SolveError> {
        let first = (band_hz[0] / self.hertz).ceil().max(1.0);
        let last = (band_hz[1] / self.hertz).floor().min(MOST_HARMONICS);
        let harmonics: Vec<u32> = (first as u32..=last as u32).collect();
        let Some(stimulus) = Stimulus::of(circuit, self.source).filter(|_| !harmonics.is_empty()) else {
            return Ok(vec![0.0; outputs.len()]);
        };
        let hertz: Vec<f64> = harmonics.iter().map(|&k| f64::from(k) * self.hertz).collect();
        let gains = response(circuit, signal, &stimulus, outputs, &hertz)?;
        let volts = gains.iter().map(|gains| {
            let powers = gains
                .iter()
                .zip(harmonics.iter().zip(&hertz))
                .map(|(gain, (&k, &hertz))| self.harmonic_volts(k).powi(2) * gain.norm_sqr() * weighting.power(hertz));
            powers.sum::<f64>().sqrt()
        });
        Ok(volts.collect())
    }

    /// `50 mV peak to peak at 100 Hz on VCC`
    pub fn text(&self, circuit: &Circuit) -> String {
        let (volts, hertz) = (short(self.peak_to_peak_volts, "V"), short(self.hertz, "Hz"));
        let shape = match self.charging {
            0.0 => "sawtooth".to_owned(),
            d => format!("triangle rising for {} of its period", exact(d)),
        };
        format!("{shape} of {volts} peak to peak at {hertz} on {}", circuit.part(self.source).name)
    }
}
