//! Do the set's own papers agree with the netlist as typed? Voltages printed on a schematic against computed ones, and the
//! slip of typing that would explain what differs.
//!
//! deviation   z = (printed − computed)/sd, computed as the DC meter reads it; sd of healthy units from the tolerances and of
//!             a reading, in power
//! slips       for each resistor and source ×10 and ÷10 (and by 1000: a lost k), two digits exchanged; two pins of a
//!             device exchanged, the other polarity, a source reversed; for each transistor beta, IS and ICBO by 3 or 10
//! fit         Σ min(z², cap), all slips solved; a slip of a card inside a sub-circuit acts wherever it is called
//!
//! Where one slip does not explain everything, a second one is sought on top of the best few.

mod search;
mod slips;

use std::borrow::Cow;

use super::Point;
use super::healthy::HealthyModel;
use super::instrument::DcMeter;
use super::sheet::Sheet;
use super::tolerance::NORMAL_QUANTILE_95;
use crate::bias;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic, Span};

pub use slips::Slip;

/// A printed voltage and what the circuit has there.
#[derive(Clone, Debug, PartialEq)]
pub struct PrintedPoint {
    /// Name of the point.
    pub name: String,
    /// Name of its node.
    pub node: String,
    /// Printed on the schematic, V.
    pub printed_volts: f64,
    /// Computed as the DC meter reads it, V; `None` where the circuit as typed finds no bias.
    pub computed_volts: Option<f64>,
    /// sd of healthy units and of a reading, V.
    pub sd_volts: f64,
    /// Where it is printed.
    pub span: Option<Span>,
}

impl PrintedPoint {
    /// How many sd the circuit as typed is off; `None` without a bias.
    pub fn deviation(&self) -> Option<f64> {
        Some((self.printed_volts - self.computed_volts?) / self.sd_volts)
    }

    /// Whether it disagrees.
    pub fn disagrees(&self) -> bool {
        self.deviation().is_none_or(|sd| sd.abs() > DISAGREES_SD)
    }
}

/// A slip, or two together, that would explain deviations.
#[derive(Clone, Debug, PartialEq)]
pub struct Explanation {
    /// The slips.
    pub slips: Vec<Slip>,
    /// In words: `RC1 typed 2.2 kΩ; 22 kΩ would fit`.
    pub text: String,
    /// How many points still disagree.
    pub disagreeing: usize,
    /// Misfit left: the sum of squared deviations, each counted up to a limit.
    pub misfit: f64,
}

/// Printed voltages against computed ones.
#[derive(Clone, Debug, PartialEq)]
pub struct Printed {
    /// In order of the sheet.
    pub points: Vec<PrintedPoint>,
    /// Misfit as typed; `None` without a bias.
    pub misfit: Option<f64>,
    /// What would explain the deviations, the best first; empty where nothing disagrees or nothing explains it.
    pub explanations: Vec<Explanation>,
}

/// Beyond so many sd a printed voltage disagrees.
pub const DISAGREES_SD: f64 = 3.0;
/// Healthy units of a circuit with a slip in it may differ wildly; no point counts as looser than this fraction and volts.
const LOOSEST: (f64, f64) = (0.1, 0.05);

/// Compares, and looks for slips where something disagrees.
pub fn printed(sheet: &Sheet) -> Printed {
    let named: Vec<_> = sheet.points.iter().filter(|point| point.printed_volts.is_some()).collect();
    let places: Vec<Point> = named.iter().map(|named| named.point.clone()).collect();
    let sd = tolerance_sd(sheet, &places);
    let computed = read_all(sheet, &sheet.circuit, &places);
    let points: Vec<PrintedPoint> = named
        .iter()
        .enumerate()
        .map(|(at, named)| {
            let printed_volts = named.printed_volts.unwrap_or_default();
            PrintedPoint {
                name: named.name.clone(),
                node: named.point.name.clone(),
                printed_volts,
                computed_volts: computed.as_ref().map(|volts| volts[at]),
                sd_volts: bounded(sd[at], printed_volts).hypot(sheet.reading_errors.dc_sd_volts(printed_volts)),
                span: named.printed_span,
            }
        })
        .collect();
    let misfit = computed.as_ref().map(|volts| search::misfit(&points, volts));
    let explanations = if points.iter().any(PrintedPoint::disagrees) {
        search::explain(sheet, &points, &places, misfit)
    } else {
        Vec::new()
    };
    Printed { points, misfit, explanations }
}

impl Printed {
    /// One warning where something disagrees.
    pub fn warning(&self) -> Option<Diagnostic> {
        let disagreeing: Vec<&PrintedPoint> = self.points.iter().filter(|point| point.disagrees()).collect();
        let size = |point: &PrintedPoint| point.deviation().map_or(f64::INFINITY, f64::abs);
        let worst = disagreeing.iter().max_by(|a, b| size(a).total_cmp(&size(b)))?;
        let off = match (worst.computed_volts, worst.deviation()) {
            (Some(volts), Some(sd)) => {
                let volts = crate::units::engineering(volts, "V", 3);
                format!("{} computes to {volts}, {:.0} tolerance sd off", worst.name, sd.abs())
            }
            _ => "the circuit as typed finds no bias".to_owned(),
        };
        let message = format!("{} of {} printed voltages disagree: {off}", disagreeing.len(), self.points.len());
        let help: Cow<'_, str> = match self.explanations.first() {
            Some(explanation) => explanation.text.as_str().into(),
            None => "no single slip explains it: compare the netlist with the schematic around there".into(),
        };
        let warning = Diagnostic::warning(Code::PrintedDisagrees, message).help(help);
        Some(match worst.span {
            Some(span) => warning.at(span),
            None => warning,
        })
    }
}

/// What the meter of the sheet reads at every place; `None` where the circuit finds no bias.
fn read_all(sheet: &Sheet, circuit: &Circuit, places: &[Point]) -> Option<Vec<f64>> {
    let without = bias::solve(circuit).ok()?;
    let meter: DcMeter = sheet.instruments.dc_meter;
    places.iter().map(|place| meter.read(circuit, &without, place).ok()).collect()
}

/// sd of healthy units at every place; where they cannot be had, that of nothing.
fn tolerance_sd(sheet: &Sheet, places: &[Point]) -> Vec<f64> {
    let healthy = HealthyModel::of_sheet(sheet, &sheet.circuit).at(places, None);
    let sd = |low: f64, high: f64| (high - low) / (2.0 * NORMAL_QUANTILE_95);
    match healthy {
        Ok(healthy) => healthy.points.iter().map(|point| sd(point.dc_volts.low, point.dc_volts.high)).collect(),
        Err(_) => vec![f64::INFINITY; places.len()],
    }
}

fn bounded(sd: f64, volts: f64) -> f64 {
    let (fraction, least) = LOOSEST;
    let loosest = fraction * volts.abs() + least;
    // NaN is no bound either.
    if sd < loosest { sd } else { loosest }
}
