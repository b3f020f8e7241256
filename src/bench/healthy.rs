//! The healthy band: between which volts and which hiss the middle nine tenths of healthy units lie, at each point.
//!
//! Units are drawn from the tolerances of the sheet, or the default ones, and each is solved in full; the band runs from the
//! 5 % to the 95 % quantile. Means of 1/f sources and leaks make it lopsided, so no normal distribution is assumed.

use rayon::prelude::*;

use super::Point;
use super::sheet::Sheet;
use super::sheet::settings::{Surroundings, Tolerances};
use super::tolerance::{Coordinate, adjustments, stratified};
use crate::bias::SolveError;
use crate::circuit::{Change, Circuit};
use crate::element::PartId;
use crate::noise::{Observer, Weighting, spectra};
use crate::variants::{Family, HissRequest, Output, Points, Variant};

/// Between low and high.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Band {
    /// 5 % of healthy units lie below.
    pub low: f64,
    /// 5 % of healthy units lie above.
    pub high: f64,
}

impl Band {
    /// The middle nine tenths of values, between order statistics in proportion; `None` without values.
    pub fn of(values: Vec<f64>) -> Option<Self> {
        band(values)
    }
}

/// What healthy units have at one point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HealthyPoint {
    /// DC, V.
    pub dc_volts: Band,
    /// Hiss, V rms; `None` where only DC was asked for.
    pub hiss_volts: Option<Band>,
}

/// What healthy units have at points.
#[derive(Clone, Debug, PartialEq)]
pub struct Healthy {
    /// In the order of the question.
    pub points: Vec<HealthyPoint>,
    /// Units drawn.
    pub drawn: usize,
    /// Units among them that found a bias, and so count.
    pub solved: usize,
}

/// Healthy units, as a circuit and how they differ from it.
#[derive(Clone, Debug)]
pub struct HealthyModel {
    /// The circuit with every part at its value.
    pub circuit: Circuit,
    /// How units differ.
    pub coordinates: Vec<Coordinate>,
    /// How many are drawn.
    pub units: usize,
    /// Seed of the draw.
    pub seed: u64,
}

impl HealthyModel {
    /// The model of a circuit that no sheet says anything about; a temperature inside the set that a change told is no
    /// matter of tolerance.
    pub fn of_circuit(circuit: &Circuit, input: Option<PartId>) -> Self {
        let mut tolerances = Tolerances::default();
        if circuit.changes().iter().any(|change| matches!(change, Change::Ambient { .. })) {
            tolerances.ambient_celsius = [circuit.ambient.celsius(); 2];
        }
        let coordinates = tolerances.coordinates(circuit, input, &Surroundings::default());
        Self::new(circuit, coordinates)
    }

    /// The model of a sheet's circuit, or of a variant of it with controls elsewhere or in another room.
    pub fn of_sheet(sheet: &Sheet, circuit: &Circuit) -> Self {
        Self::new(circuit, sheet.about(circuit).coordinates())
    }

    fn new(circuit: &Circuit, mut coordinates: Vec<Coordinate>) -> Self {
        coordinates.retain(Coordinate::acts_on_circuit);
        Self { circuit: circuit.clone(), coordinates, units: HEALTHY_UNITS, seed: HEALTHY_SEED }
    }

    /// The band at points of the circuit.
    ///
    /// # Errors
    /// As [`healthy`].
    pub fn at(&self, points: &[Point], hiss: Option<([f64; 2], Weighting)>) -> Result<Healthy, SolveError> {
        let question = HealthyQuestion { points: points.to_vec(), hiss, units: self.units, seed: self.seed };
        healthy(&self.circuit, &self.coordinates, &question)
    }

    /// Between which densities healthy units lie, V²/Hz, indexed `[point][frequency]`; frequency by frequency, so that no
    /// single unit need run along an edge.
    ///
    /// # Errors
    /// As [`healthy`].
    pub fn spectra(&self, points: &[Point], hertz: &[f64]) -> Result<Vec<Vec<Band>>, SolveError> {
        let family = Family::new(&self.circuit)?;
        let drawn = drawn(&self.circuit, &self.coordinates, self.seed, self.units);
        let outputs: Vec<_> = points.iter().map(|point| (point.plus, point.minus)).collect();
        let of_unit = |unit: &Variant<'_>| spectra(unit.circuit(), &unit.signal(), &outputs, hertz);
        let solved: Vec<_> =
            family.solve(&drawn).into_par_iter().map(|unit| unit.and_then(|unit| of_unit(&unit))).collect();
        let (mut units, mut failure) = (Vec::new(), None);
        for unit in solved {
            match unit {
                Ok(unit) => units.push(unit),
                Err(error) => failure = failure.or(Some(error)),
            }
        }
        if let Some(error) = failure.filter(|_| units.len() < FEWEST.min(self.units)) {
            return Err(error);
        }
        let at = |point: usize, frequency: usize| {
            band(units.iter().map(|unit| unit[point][frequency]).collect()).unwrap_or(Band { low: 0.0, high: 0.0 })
        };
        Ok((0..points.len()).map(|point| (0..hertz.len()).map(|frequency| at(point, frequency)).collect()).collect())
    }
}

/// What is asked about healthy units.
#[derive(Clone, Debug, PartialEq)]
pub struct HealthyQuestion {
    /// Where.
    pub points: Vec<Point>,
    /// Band and weighting of the hiss; `None` for DC alone.
    pub hiss: Option<([f64; 2], Weighting)>,
    /// How many units.
    pub units: usize,
    /// Seed of the draw.
    pub seed: u64,
}

/// Units drawn unless told otherwise: the ends of the band are then uncertain by about a tenth of its width.
pub const HEALTHY_UNITS: usize = 200;
/// Seed unless told otherwise.
pub const HEALTHY_SEED: u64 = 1;
/// Fewer units than this make no band.
const FEWEST: usize = 20;
/// Relative error of each unit's hiss: far below the band's own.
const HISS_TOLERANCE: f64 = 1e-3;

/// Draws units, solves them, and takes the band at each point.
///
/// # Errors
/// That of the circuit itself, or of the first unit where hardly any finds a bias.
pub fn healthy(
    circuit: &Circuit,
    coordinates: &[Coordinate],
    question: &HealthyQuestion,
) -> Result<Healthy, SolveError> {
    let family = Family::new(circuit)?;
    let drawn = drawn(circuit, coordinates, question.seed, question.units);
    let solved = family.solve(&drawn);
    let mut failure = None;
    let mut units = Vec::new();
    for unit in &solved {
        match unit {
            Ok(unit) => units.push(unit),
            Err(error) => failure = failure.or(Some(error.clone())),
        }
    }
    let mut hiss: Vec<Vec<f64>> = vec![Vec::new(); question.points.len()];
    if let Some((band_hz, weighting)) = question.hiss {
        let outputs = question.points.iter().map(|point| Output {
            plus: point.plus,
            minus: point.minus,
            observer: Observer::NONE,
        });
        let request = HissRequest {
            outputs: outputs.collect(),
            band_hz,
            weighting,
            points: Points::Adaptive(HISS_TOLERANCE),
            by_source: false,
            stimulus: None,
            gain_hz: Vec::new(),
        };
        for unit in family.noise(&units, &request) {
            match unit {
                Ok(unit) => {
                    hiss.iter_mut().zip(&unit.outputs).for_each(|(all, one)| all.push(one.mean_square_v2.sqrt()))
                }
                Err(error) => failure = failure.or(Some(error)),
            }
        }
    }
    if let Some(error) = failure.filter(|_| units.len() < FEWEST.min(question.units)) {
        return Err(error);
    }
    let points = question.points.iter().zip(hiss).map(|(point, hiss)| {
        let dc = units.iter().map(|unit| unit.bias().volts(point.plus) - unit.bias().volts(point.minus));
        HealthyPoint {
            dc_volts: band(dc.collect()).unwrap_or(Band { low: f64::NAN, high: f64::NAN }),
            hiss_volts: band(hiss),
        }
    });
    Ok(Healthy { points: points.collect(), drawn: question.units, solved: units.len() })
}

/// Units drawn from the tolerances. A draw that no part can have, such as a tolerance of more than its value, counts as a
/// unit that does not work.
fn drawn(circuit: &Circuit, coordinates: &[Coordinate], seed: u64, units: usize) -> Vec<Circuit> {
    let draws = stratified(coordinates, seed, units);
    draws.iter().filter_map(|z| circuit.adjusted(&adjustments(coordinates, z)).ok()).collect()
}

/// From the 5 % to the 95 % quantile, between order statistics in proportion; `None` without values.
fn band(mut values: Vec<f64>) -> Option<Band> {
    values.sort_by(f64::total_cmp);
    let quantile = |fraction: f64| {
        let place = fraction * (values.len() as f64 - 1.0);
        let (below, above) = (values.get(place.floor() as usize)?, values.get(place.ceil() as usize)?);
        Some(below + (above - below) * place.fract())
    };
    (!values.is_empty()).then(|| Some(Band { low: quantile(0.05)?, high: quantile(0.95)? }))?
}
