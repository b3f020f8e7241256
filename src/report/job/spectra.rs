//! Spectra at the points that matter: where it is heard, where it begins, where it was recorded.

use super::{PathPoint, ReportQuestion, ShownPart, name_of};
use crate::bench::Point;
use crate::bench::healthy::{Band, HealthyModel};
use crate::bias::SolveError;
use crate::circuit::{Circuit, PlotPoints};
use crate::netlist::Spacing;
use crate::noise::{self, part_spectra};
use crate::operating::Operating;
use crate::response::plot_hertz;
use crate::spectral::PowerSpectrum;

/// Frequencies a decade.
const PER_DECADE: usize = 10;
/// Recordings are averaged over so many cells a decade: half of a third octave each.
const CELLS_PER_DECADE: f64 = 20.0;

/// Spectra at one point; densities in V/√Hz.
#[derive(Clone, Debug, PartialEq)]
pub struct PointSpectra {
    /// Its node.
    pub node: String,
    /// Its name on the bench.
    pub name: String,
    /// Hz, ascending.
    pub hertz: Vec<f64>,
    /// Of the healthy circuit.
    pub healthy: Vec<f64>,
    /// Between which healthy units lie, frequency by frequency.
    pub band: Vec<Band>,
    /// Of the circuit at hand.
    pub present: Option<Vec<f64>>,
    /// Of single parts in the state that is shown, in the order of the report's parts; `None` for parts that are not there.
    pub parts: Vec<Option<PartSpectrum>>,
    /// Of recordings made here.
    pub measured: Vec<MeasuredSpectrum>,
}

/// What one part contributes, V/√Hz at the frequencies of its point.
#[derive(Clone, Debug, PartialEq)]
pub struct PartSpectrum(pub Vec<f64>);

/// A recording's spectrum, averaged over cells of a twentieth of a decade.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredSpectrum {
    /// Name of the recording.
    pub name: String,
    /// Centres of the cells, Hz.
    pub hertz: Vec<f64>,
    /// Hiss, hum taken out, V/√Hz.
    pub hiss: Vec<f64>,
    /// All that was recorded, V/√Hz.
    pub all: Vec<f64>,
}

/// Frequencies over a band.
pub(super) fn hertz(band_hz: [f64; 2]) -> Vec<f64> {
    plot_hertz(&PlotPoints { spacing: Spacing::Decade, count: PER_DECADE, band_hz })
}

pub(super) fn spectra(
    question: &ReportQuestion<'_>,
    model: &HealthyModel,
    at_hand: Option<&Circuit>,
    begins: Option<&PathPoint>,
    parts: &[ShownPart],
) -> Result<Vec<PointSpectra>, SolveError> {
    let mut points = vec![question.output.clone()];
    let begins = begins.and_then(|begins| Point::read(question.healthy, &begins.node).ok());
    for point in begins.into_iter().chain(question.recordings.iter().map(|(point, _)| point.clone())) {
        if !points.contains(&point) {
            points.push(point);
        }
    }
    let hertz = hertz(question.band_hz);
    let bands = model.spectra(&points, &hertz)?;
    let healthy = totals(question.healthy, &points, &hertz)?;
    let present = at_hand.map(|circuit| totals(circuit, &points, &hertz)).transpose()?;
    let shown = at_hand.unwrap_or(question.healthy);
    let known: Vec<_> = parts.iter().map(|part| shown.find_part(&part.name).ok()).collect();
    let chosen: Vec<_> = known.iter().flatten().copied().collect();
    let operating = Operating::of(shown)?;
    let by_part = part_spectra(shown, &operating.signal, &outputs(&points), &hertz, &chosen)?;
    let each =
        points.iter().zip(bands).zip(healthy).zip(by_part).enumerate().map(|(at, (((point, band), healthy), own))| {
            let mut own = own.into_iter();
            PointSpectra {
                node: point.name.clone(),
                name: name_of(question.sheet, point),
                hertz: hertz.clone(),
                healthy,
                band: band.iter().map(|band| Band { low: band.low.sqrt(), high: band.high.sqrt() }).collect(),
                present: present.as_ref().map(|present| present[at].clone()),
                parts: known
                    .iter()
                    .map(|part| part.and_then(|_| own.next()).map(|own| PartSpectrum(roots(own))))
                    .collect(),
                measured: question
                    .recordings
                    .iter()
                    .filter(|(place, _)| place == point)
                    .map(|(_, recording)| {
                        measured(
                            &recording.name,
                            &recording.figures.hiss_spectrum,
                            &recording.figures.spectrum,
                            question.band_hz,
                        )
                    })
                    .collect(),
            }
        });
    Ok(each.collect())
}

fn outputs(points: &[Point]) -> Vec<(crate::mna::NodeId, crate::mna::NodeId)> {
    points.iter().map(|point| (point.plus, point.minus)).collect()
}

fn totals(circuit: &Circuit, points: &[Point], hertz: &[f64]) -> Result<Vec<Vec<f64>>, SolveError> {
    let operating = Operating::of(circuit)?;
    let densities = noise::spectra(circuit, &operating.signal, &outputs(points), hertz)?;
    Ok(densities.into_iter().map(roots).collect())
}

fn roots(densities: Vec<f64>) -> Vec<f64> {
    densities.into_iter().map(f64::sqrt).collect()
}

/// Mean densities over cells that are evenly wide on the logarithmic axis, from where the recording's own steps are finer.
fn measured(name: &str, hiss: &PowerSpectrum, all: &PowerSpectrum, [low, high]: [f64; 2]) -> MeasuredSpectrum {
    let half = 10f64.powf(0.5 / CELLS_PER_DECADE);
    let nyquist = all.step_hz * (all.density.len().saturating_sub(1)) as f64;
    let cells = ((high / low).log10() * CELLS_PER_DECADE).floor().max(0.0) as i32;
    // Whole cells inside the band: half of one at its ends would hold what is left out there.
    let centres = (0..cells).map(|cell| low * 10f64.powf((f64::from(cell) + 0.5) / CELLS_PER_DECADE));
    let fits = |centre: &f64| centre * (half - 1.0 / half) >= all.step_hz && centre * half <= nyquist;
    let hertz: Vec<f64> = centres.filter(fits).collect();
    let mean = |spectrum: &PowerSpectrum| {
        let one = |centre: &f64| {
            let edges = [centre / half, centre * half];
            (spectrum.power(edges, |_| 1.0) / (edges[1] - edges[0])).sqrt()
        };
        hertz.iter().map(one).collect()
    };
    MeasuredSpectrum { name: name.to_owned(), hiss: mean(hiss), all: mean(all), hertz }
}
