//! The path of the hiss: points in signal order, what belongs there, what is there, and what was read.

use super::{ReportQuestion, State};
use crate::bench::healthy::Band;
use crate::bench::instrument::{Meter, Scope};
use crate::bench::reading::{Measure, Observed, Reading};
use crate::bench::symptoms::SHOWS_DB;
use crate::report::decibels;
use crate::report::{MechanismHiss, NoiseResult, PointHiss};

/// Points of the path, at most; a circuit with more and no sheet shows those that lie nearest to its input.
const MOST_POINTS: usize = 40;

/// A point of the path.
#[derive(Clone, Debug, PartialEq)]
pub struct PathPoint {
    /// The node, or `A,B`.
    pub node: String,
    /// Its name on the bench, else that of the node.
    pub name: String,
    /// Where it is.
    pub place: Option<String>,
    /// Hiss of the healthy circuit, V rms.
    pub healthy_volts: f64,
    /// Between which hiss healthy units lie, V rms.
    pub band: Option<Band>,
    /// Hiss of the circuit at hand, V rms; `None` where none is.
    pub present_volts: Option<f64>,
    /// What was read there.
    pub seen: Vec<Seen>,
    /// How far what the meter shows stands over what it shows of the healthy circuit, dB; `None` where nothing differs.
    pub meter_change_db: Option<f64>,
    /// Who makes most of the hiss shown, and by which mechanism.
    pub maker: Option<(String, MechanismHiss)>,
}

/// A reading as true rms at the point.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// With which instrument.
    pub by: SeenBy,
    /// V rms, the instrument's own noise and load taken out; `None` where it shows no more than its own noise.
    pub volts: Option<f64>,
    /// Below which nothing shows, V rms.
    pub floor_volts: f64,
    /// How far what was read stands over what the instrument shows of the healthy circuit, dB; `None` for a word.
    pub change_db: Option<f64>,
    /// In the healthy channel.
    pub twin: bool,
    /// As it was written.
    pub text: String,
}

/// What a reading was made with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeenBy {
    /// The hiss meter.
    Meter,
    /// The scope.
    Scope,
}

impl PathPoint {
    /// Whether an instrument shows hiss above the healthy band here: that of the circuit at hand, else a reading.
    pub fn stands_out(&self) -> bool {
        let above = |volts: f64, shown_db: Option<f64>| {
            self.band.is_some_and(|band| volts > band.high) && shown_db.is_some_and(|db| db >= SHOWS_DB)
        };
        match self.present_volts {
            Some(volts) => above(volts, self.meter_change_db),
            None => {
                let own = self.seen.iter().filter(|seen| !seen.twin);
                own.filter_map(|seen| Some((seen.volts?, seen.change_db))).any(|(volts, db)| above(volts, db))
            }
        }
    }

    /// How far the hiss at hand stands over the healthy one, dB; `None` where either is none.
    pub fn change_db(&self) -> Option<f64> {
        let ratio = self.present_volts? / self.healthy_volts;
        decibels(ratio)
    }
}

/// The points that the sheet names, those with a reading, and the output; of a netlist every node that hisses.
pub(super) fn path(
    question: &ReportQuestion<'_>,
    healthy: &State,
    present: Option<&State>,
    readings: &[Reading],
) -> Vec<PathPoint> {
    let seen: Vec<(String, Seen)> = readings.iter().filter_map(|reading| read(question, healthy, reading)).collect();
    let named =
        |node: &str| question.sheet.is_some_and(|sheet| sheet.points.iter().any(|point| point.point.name == node));
    let some_are_named = question.sheet.is_some_and(|sheet| !sheet.points.is_empty());
    let wanted = |point: &PointHiss| {
        let read = seen.iter().any(|(node, _)| *node == point.name);
        point.rms_volts > 0.0 && (!some_are_named || named(&point.name) || read || point.name == question.output.name)
    };
    let points = healthy.noise.points.iter().filter(|point| wanted(point));
    let mut path: Vec<PathPoint> = points
        .map(|point| {
            let at_hand = present.and_then(|state| find(&state.noise, &point.name));
            let sheet =
                question.sheet.and_then(|sheet| sheet.points.iter().find(|named| named.point.name == point.name));
            let shown = at_hand.unwrap_or(point);
            let maker = shown.devices.first();
            PathPoint {
                node: point.name.clone(),
                name: sheet.map_or_else(|| point.name.clone(), |named| named.name.clone()),
                place: sheet.and_then(|named| named.place.clone()),
                healthy_volts: point.rms_volts,
                band: point.healthy,
                present_volts: at_hand.map(|point| point.rms_volts),
                meter_change_db: at_hand.and_then(|at_hand| decibels(at_hand.meter_volts? / point.meter_volts?)),
                seen: seen.iter().filter(|(node, _)| *node == point.name).map(|(_, seen)| seen.clone()).collect(),
                maker: maker.and_then(|device| Some((device.name.clone(), device.mechanisms.first()?.clone()))),
            }
        })
        .collect();
    let mut others = 0;
    // What is heard and what was read stays.
    path.retain(|point| {
        let needed = point.node == question.output.name || !point.seen.is_empty();
        others += usize::from(!needed);
        needed || others <= MOST_POINTS
    });
    path
}

fn find<'n>(noise: &'n NoiseResult, node: &str) -> Option<&'n PointHiss> {
    noise.points.iter().find(|point| point.name == node)
}

/// A reading of hiss with the controls where they stand, and the node it belongs to in the path.
pub(super) fn read(question: &ReportQuestion<'_>, healthy: &State, reading: &Reading) -> Option<(String, Seen)> {
    let sheet = question.sheet?;
    let by = match reading.measure {
        Measure::Hiss => SeenBy::Meter,
        Measure::PeakToPeak => SeenBy::Scope,
        _ => return None,
    };
    if !reading.with.is_empty() {
        return None;
    }
    // A twin's reading belongs beside that of the channel at hand.
    let point = match &reading.at {
        Some(at) => sheet.find_point(at).ok()?,
        None => sheet.output.clone()?,
    };
    let known = find(&healthy.noise, &point.name)?;
    let Meter { floor_volts, .. } = sheet.instruments.meter;
    let scope: Scope = sheet.instruments.scope;
    let floor_volts = match by {
        SeenBy::Meter => floor_volts,
        SeenBy::Scope => scope.floor_volts * scope.probe.division,
    };
    let meter = sheet.instruments.meter;
    let shown = match reading.value.as_ref()?.observed {
        Observed::Word(_) => None,
        Observed::Number(number) => Some(number),
    };
    let (volts, change_db) = match by {
        SeenBy::Meter => {
            let change = shown.zip(known.meter_volts).and_then(|(shown, healthy)| decibels(shown / healthy));
            (shown.and_then(|shown| meter.rms_behind(shown)), change)
        }
        SeenBy::Scope => {
            let rms = shown.map(|shown| shown / crate::noise::PEAK_TO_PEAK_PER_RMS);
            let behind =
                rms.filter(|&rms| rms > floor_volts).map(|rms| ((rms - floor_volts) * (rms + floor_volts)).sqrt());
            (behind, rms.and_then(|rms| decibels(rms / known.rms_volts.hypot(floor_volts))))
        }
    };
    let load = known.meter_volts.and_then(|shown| meter.rms_behind(shown));
    let load = load.map_or(1.0, |loaded| loaded / known.rms_volts).clamp(0.1, 10.0);
    let volts = volts.map(|volts| volts / load);
    let seen = Seen { by, volts, floor_volts, change_db, twin: reading.twin, text: reading.text() };
    Some((point.name, seen))
}
