//! Noise figure: how much worse than its source an amplifier hisses.
//!
//! F = N / N₀            N  noise at the output, the source's own resistance at 290 K
//!                       N₀ the part of it that this resistance makes
//!
//! Both are weighted powers over the band, so F is an average over the band in which each frequency counts as much as the
//! source's noise there comes through (average noise figure of IRE standard 59 IRE 20.S1). 290 K is part of the
//! definition: a source resistance at another temperature is counted as though it were at 290 K. Friis, Proc. IRE 32
//! (1944) 419.

use super::{NoiseFigures, NoiseRequest, OutputNoise, noise};
use crate::bias::{BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::element::{Element, Mechanism, PartId, SourceKind};
use crate::mna::NodeId;
use crate::physics::{Kelvin, NOISE_FIGURE_KELVIN};
use crate::smallsignal::SmallSignal;

/// What a noise figure takes for the source's own resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SourceResistance {
    /// A resistor of the circuit.
    Resistor(PartId),
    /// One that the circuit does not show: so many ohms in series with an input source (across a current source), while
    /// the bias stays as it is.
    Added {
        /// The input source.
        input: PartId,
        /// Resistance, Ω, above zero.
        ohms: f64,
    },
}

impl SourceResistance {
    /// So many ohms at an input source: the resistor of that value which alone leads away from the source (or lies across
    /// a current source) if there is one, else an added one.
    pub fn of_value(circuit: &Circuit, input: PartId, ohms: f64) -> Self {
        let drawn = circuit.parts().find(|(_, part)| match &part.element {
            Element::Resistor(resistor) => {
                (resistor.ohms - ohms).abs() <= 1e-9 * ohms && is_source_resistor(circuit, input, resistor.nodes)
            }
            _ => false,
        });
        drawn.map_or(Self::Added { input, ohms }, |(id, _)| Self::Resistor(id))
    }
}

fn is_source_resistor(circuit: &Circuit, input: PartId, ends: [NodeId; 2]) -> bool {
    let Element::Source(source) = &circuit.part(input).element else { return false };
    match source.kind {
        SourceKind::Current => ends == source.nodes || ends == [source.nodes[1], source.nodes[0]],
        SourceKind::Voltage => ends.iter().any(|end| {
            let pins = |nodes: &[NodeId]| nodes.iter().filter(|node| *node == end).count();
            let in_all: usize = circuit.parts().map(|(_, part)| pins(&part.element.nodes())).sum();
            // One pin of the source and one of the resistor, and nothing else at that node.
            *end != NodeId::GROUND && source.nodes.contains(end) && in_all == 2
        }),
    }
}

/// F at every output of the request, whose `figures` are known; `None` where nothing comes from the source resistance.
///
/// # Errors
/// As [`noise`].
pub fn noise_factors(
    circuit: &Circuit,
    bias: &BiasPoint,
    source: SourceResistance,
    request: &NoiseRequest,
    figures: &NoiseFigures,
) -> Result<Vec<Option<f64>>, SolveError> {
    let factors = |figures: &NoiseFigures, part, kelvin: f64| {
        figures.outputs.iter().map(|output| noise_factor(output, part, kelvin)).collect()
    };
    match source {
        SourceResistance::Resistor(part) => {
            let kelvin = match &circuit.part(part).element {
                Element::Resistor(resistor) => resistor.celsius.map_or(circuit.ambient, Kelvin::from_celsius).0,
                _ => circuit.ambient.0,
            };
            Ok(factors(figures, part, kelvin))
        }
        SourceResistance::Added { input, ohms } => {
            let kelvin = Kelvin(NOISE_FIGURE_KELVIN);
            let Some(behind) = SmallSignal::behind_resistance(circuit, bias, input, ohms, kelvin) else {
                return Ok(vec![None; request.outputs.len()]);
            };
            Ok(factors(&noise(circuit, &behind, None, request)?, input, kelvin.0))
        }
    }
}

fn noise_factor(output: &OutputNoise, part: PartId, kelvin: f64) -> Option<f64> {
    let device = output.devices.iter().find(|device| device.part == part)?;
    let thermal = device.mechanisms.iter().find(|one| one.mechanism == Mechanism::Thermal)?;
    let own = thermal.rms_volts.powi(2);
    let standard = own * NOISE_FIGURE_KELVIN / kelvin;
    let others = (output.rms_volts.powi(2) - own).max(0.0);
    Some(1.0 + others / standard).filter(|factor| factor.is_finite())
}
