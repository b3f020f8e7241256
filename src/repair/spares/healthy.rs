//! What healthy units have: DC at points, hiss and gain at the output, by draws from the tolerances.

use super::heat::in_place;
use super::{Measured, SparesQuestion};
use crate::bench::Point;
use crate::bench::healthy::{Band, HealthyModel};
use crate::bench::tolerance::{Coordinate, Effect, adjustments, stratified};
use crate::bias::SolveError;
use crate::circuit::{Circuit, Quantity};
use crate::element::{Bjt, BjtRegion, Element, PartId};
use crate::noise::Observer;
use crate::smallsignal::Stimulus;
use crate::variants::{Family, HissRequest, Output, Points};

/// Healthy bands: the middle nine tenths of units.
#[derive(Clone, Debug, PartialEq)]
pub struct Bands {
    /// DC at each point of the question, V; `None` for one that healthy units do not have.
    pub dc_volts: Vec<Option<Band>>,
    /// Hiss at the output, V rms.
    pub hiss_volts: Option<Band>,
    /// Gain to the output, a pure number; `None` without an input.
    pub gain: Option<Band>,
    /// Units drawn, and of these those that found a bias.
    pub units: [usize; 2],
}

/// Relative error of each unit's hiss: far below the band's own.
const HISS_TOLERANCE: f64 = 1e-3;

pub(super) fn bands(model: &HealthyModel, question: &SparesQuestion<'_>) -> Result<Bands, SolveError> {
    let circuit = &model.circuit;
    let family = Family::new(circuit)?;
    let draws = stratified(&model.coordinates, model.seed, model.units);
    // A draw that no part can have counts as a unit that does not work.
    let drawn: Vec<Circuit> =
        draws.iter().filter_map(|z| circuit.adjusted(&adjustments(&model.coordinates, z)).ok()).collect();
    let solved = family.solve(&drawn);
    let units: Vec<_> = solved.iter().filter_map(|unit| unit.as_ref().ok()).collect();
    // The question may be about a circuit with a bridge or a lifted part: points and source are found by their names.
    let found = |point: &Point| Point::read(circuit, &point.name).ok();
    let output =
        found(&question.output).map(|point| Output { plus: point.plus, minus: point.minus, observer: Observer::NONE });
    let input = question.input.and_then(|input| circuit.find_part(&question.circuit.part(input).name).ok());
    let request = HissRequest {
        outputs: output.into_iter().collect(),
        band_hz: question.band_hz,
        weighting: question.weighting,
        points: Points::Adaptive(HISS_TOLERANCE),
        by_source: false,
        stimulus: input.and_then(|input| Stimulus::of(circuit, input)),
        gain_hz: vec![super::GAIN_HERTZ],
    };
    let (mut hiss, mut gain) = (Vec::new(), Vec::new());
    for unit in family.noise(&units, &request).into_iter().flatten() {
        for output in unit.outputs {
            hiss.push(output.mean_square_v2.sqrt());
            gain.extend(output.gains.first().map(|gain| gain.norm()));
        }
    }
    let dc_volts = question.points.iter().map(|point| {
        let point = found(point)?;
        let volts = units.iter().map(|unit| unit.bias().volts(point.plus) - unit.bias().volts(point.minus));
        Band::of(volts.collect())
    });
    Ok(Bands {
        dc_volts: dc_volts.collect(),
        hiss_volts: Band::of(hiss),
        gain: Band::of(gain),
        units: [model.units, units.len()],
    })
}

/// Sets drawn for a spare: a twentieth of them is still a few.
const SETS: usize = 100;

/// Draws sets with a device in the place; those that lose one of the transistors that should amplify, and how many sets.
/// What was measured of the device does not vary.
pub(super) fn lost_units(
    question: &SparesQuestion<'_>,
    device: &Bjt,
    measured: &Measured,
    amplifying: &[PartId],
) -> [usize; 2] {
    let model = &question.healthy;
    let name = |part: PartId| &question.circuit.part(part).name;
    let Ok(part) = model.circuit.find_part(name(question.part)) else { return [0, 0] };
    let Element::Bjt(there) = &model.circuit.part(part).element else { return [0, 0] };
    let nominal = in_place(&model.circuit, part, &Bjt { nodes: there.nodes, ..device.clone() });
    let known = |coordinate: &Coordinate| match &coordinate.effect {
        Effect::Factor(Quantity::ForwardBeta, parts) => measured.beta.is_some() && parts.contains(&part),
        Effect::Factor(Quantity::Icbo, parts) => {
            (measured.iceo.is_some() || measured.icbo_amps.is_some()) && parts.contains(&part)
        }
        _ => false,
    };
    let varying: Vec<Coordinate> = model.coordinates.iter().filter(|one| !known(one)).cloned().collect();
    let Ok(family) = Family::new(&nominal) else { return [SETS, SETS] };
    let draws = stratified(&varying, model.seed, SETS);
    let drawn: Vec<Circuit> = draws.iter().filter_map(|z| nominal.adjusted(&adjustments(&varying, z)).ok()).collect();
    let watched: Vec<PartId> = amplifying.iter().filter_map(|&part| model.circuit.find_part(name(part)).ok()).collect();
    let lost = family.solve(&drawn).into_iter().filter(|unit| match unit {
        Err(_) => true,
        Ok(unit) => watched.iter().any(|&part| match &unit.circuit().part(part).element {
            Element::Bjt(device) => device.region(unit.circuit().place(part), &unit.bias().x) != BjtRegion::Active,
            _ => false,
        }),
    });
    [lost.count(), drawn.len()]
}
