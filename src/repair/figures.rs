//! What a static curve makes of sines, and what a reader of it should know.

use super::distortion::{Curve, Distortion};
use super::midband::MidBand;
use super::swing::Level;
use super::transfer::Transfer;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::units::engineering;

/// Levels of the table, dB from the onset of clipping.
const TABLE_DB: [f64; 9] = [-40.0, -30.0, -20.0, -10.0, -6.0, -3.0, -1.0, 1.0, 3.0];
/// Static gain and gain at mid-band that differ by more are spoken of, dB.
const GAINS_APART_DB: f64 = 0.5;
/// Steps an octave in which a distortion is looked for.
const STEPS_PER_OCTAVE: f64 = 8.0;

/// Figures of sines on a curve.
pub(super) struct Figures<'a> {
    pub curve: &'a Curve,
    pub load_ohms: Option<f64>,
}

impl Figures<'_> {
    pub fn level(&self, amplitude: f64) -> Level {
        let Distortion { rms, total, harmonics } = Distortion::of(self.curve, amplitude);
        Level {
            input_rms: amplitude * std::f64::consts::FRAC_1_SQRT_2,
            output_rms_volts: rms,
            watts: self.load_ohms.map(|ohms| rms * rms / ohms),
            total_distortion: total,
            harmonics,
        }
    }

    /// Levels around the onset of clipping, or down from the end of the curve.
    pub fn table(&self, onset: Option<f64>) -> Vec<Level> {
        let reach = self.curve.reach();
        let amplitudes = TABLE_DB.iter().map(|db| onset.unwrap_or(reach) * 10f64.powf(db / 20.0));
        amplitudes.filter(|&amplitude| amplitude <= reach).map(|amplitude| self.level(amplitude)).collect()
    }

    /// The highest amplitude at which distortion rises through `wanted`: crossover distortion falls with level first.
    pub fn distorted_by(&self, wanted: f64) -> Option<Level> {
        let total = |amplitude: f64| Distortion::of(self.curve, amplitude).total;
        let smallest = self.curve.knots().iter().map(|knot| knot.input.abs()).filter(|&input| input > 0.0);
        let (from, to) = (smallest.fold(f64::INFINITY, f64::min), self.curve.reach());
        let steps = (STEPS_PER_OCTAVE * (to / from).log2()).ceil();
        if !steps.is_finite() || steps < 1.0 {
            return None;
        }
        let at = |step: f64| to * (from / to).powf(step / steps);
        let (mut above, mut below) = (to, to);
        for step in 0..=steps as usize {
            (above, below) = (below, at(step as f64));
            if total(below) < wanted {
                break;
            }
        }
        if total(below) >= wanted || total(above) < wanted {
            return None;
        }
        for _ in 0..50 {
            let middle = 0.5 * (above + below);
            if total(middle) < wanted { below = middle } else { above = middle }
        }
        Some(self.level(below))
    }
}

pub(super) fn cautions(circuit: &Circuit, mid: &MidBand, transfer: &Transfer, gains: [f64; 2]) -> Vec<Diagnostic> {
    let approximate = |message: String, help: &str| Diagnostic::warning(Code::SwingLimited, message).help(help);
    let mut cautions = Vec::new();
    let [of_curve, at_mid] = gains.map(|gain| 20.0 * gain.log10());
    if (of_curve - at_mid).abs() > GAINS_APART_DB {
        let names: Vec<&str> = mid.shaping.iter().map(|&part| circuit.part(part).name.as_str()).collect();
        let because =
            if names.is_empty() { String::new() } else { format!(": {} shape the tone there", names.join(", ")) };
        cautions.push(approximate(
            format!(
                "the static curve has {of_curve:.1} dB of gain, and at mid-band there are {at_mid:.1} dB{because}; levels \
                 before them are off by that"
            ),
            "ask at a frequency where the gain is flat: --mid 2k",
        ));
    }
    if let Some(input) = transfer.trouble.ends_at {
        cautions.push(approximate(
            format!("no solution follows on beyond an input of {}: the curve ends there", engineering(input, "", 3)),
            "look for positive feedback, a part that runs away or a value that no real part has",
        ));
    }
    if let Some(input) = transfer.trouble.jumps_at {
        cautions.push(approximate(
            format!("the output jumps at an input of {}: the circuit switches there", engineering(input, "", 3)),
            "look for positive feedback between the stages",
        ));
    }
    cautions
}
