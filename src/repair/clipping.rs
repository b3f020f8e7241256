//! Where the outputs of many units clip: the curve of [`swing`](super::swing::swing) for each of them, to a part in a
//! thousand or so, eight units at a time.
//!
//! What capacitors do at mid-band is decided once, for the nominal unit; one that shapes the tone stands in each unit as
//! the nominal resistance. All units step outward together, each from its own last solution, and then halve the interval in which
//! each clips.

use rayon::prelude::*;

use super::capacitors::judge_capacitors;
use super::distortion::{Curve, Knot};
use super::figures::Figures;
use super::midband::MidBand;
use super::network::Measured;
use super::swing::{Level, Swing, SwingError, SwingQuestion, load_of};
use super::transfer::Path;
use crate::bias::{BiasPoint, SolveError, Strategy};
use crate::circuit::Circuit;
use crate::operating::Operating;
use crate::smallsignal::Stimulus;
use crate::stability::Stability;
use crate::variants::{Family, Variant};

/// Where an output clips.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Clipping {
    /// Output upwards from rest at which it clips, V.
    pub up_volts: Option<f64>,
    /// The same downwards, below zero.
    pub down_volts: Option<f64>,
    /// A sine at the onset of clipping, or at the distortion that was asked for.
    pub level: Option<Level>,
}

/// First step outward, as a fraction of the input at which the nominal unit clips.
const FIRST: f64 = 0.5;
/// Steps outward grow by this.
const GROWTH: f64 = 1.25;
/// Steps outward at most: up to fourteen times the nominal unit's clipping.
const STEPS: usize = 16;
/// Beyond where it clips the curve is followed so far where a distortion is asked for.
const BEYOND: f64 = 2.0;
/// Halvings of the interval in which a side clips.
const HALVINGS: usize = 4;
/// Step over which a slope is taken, as a fraction of the input at which the nominal unit clips.
const SLOPE_STEP: f64 = 1e-4;

/// Where units clip, in order; `None` for one that finds no solution. `nominal` is the swing of `circuit` with the same
/// question, or of one that clips near it, `units` are variants of it. The level is that at the onset of clipping, or at `distortion`.
///
/// # Errors
/// [`SwingError`] of the circuit itself.
pub fn clippings(
    circuit: &Circuit,
    operating: &Operating,
    question: &SwingQuestion,
    nominal: &Swing,
    units: &[&Variant],
    distortion: Option<f64>,
) -> Result<Vec<Option<Clipping>>, SwingError> {
    let SwingQuestion { input, output, mid_hz, load } = *question;
    let inputs = [&nominal.up, &nominal.down].map(|clip| clip.as_ref().map(|clip| clip.input));
    let Some(scale) = inputs.iter().flatten().map(|input| input.abs()).reduce(f64::min) else {
        return Ok(vec![Some(Clipping::default()); units.len()]);
    };
    let stimulus = Stimulus::of(circuit, input).unwrap_or_default();
    let measured = Measured { stimulus, output: [output.0, output.1], hertz: mid_hz };
    let judged = judge_capacitors(circuit, operating, &measured)?;
    let mid = MidBand::with(circuit, operating, mid_hz, &judged)?;
    let family = Family::at(&mid.circuit, at_rest(&mid))?;
    let mids: Vec<Option<MidBand>> = units
        .par_iter()
        .map(|unit| {
            let (bias, signal) = (unit.bias().clone(), unit.signal());
            let own = Operating { bias, signal, stability: Stability::NotJudged("one of many"), other: None };
            MidBand::with(unit.circuit(), &own, mid_hz, &judged).ok()
        })
        .collect();
    let mut fleet = Fleet { family: &family, mids: &mids, question, step: SLOPE_STEP * scale, tracks: Vec::new() };
    fleet.tracks = mids.iter().map(|mid| mid.as_ref().map(|mid| Track::new(at_rest(mid)))).collect();
    fleet.follow(scale, distortion.is_some());
    Ok(fleet
        .tracks
        .into_iter()
        .zip(units)
        .map(|(track, unit)| {
            let curve = track?.curve();
            let ohms = load_of(unit.circuit(), load, output).map(|(_, ohms)| ohms);
            Some(found(&curve, ohms, distortion))
        })
        .collect())
}

fn at_rest(mid: &MidBand) -> BiasPoint {
    BiasPoint { x: mid.x.clone(), strategy: Strategy::Newton, heat_stepping: false, iterations: 0 }
}

fn found(curve: &Curve, load_ohms: Option<f64>, distortion: Option<f64>) -> Clipping {
    let figures = Figures { curve, load_ohms };
    let mut found = Clipping::default();
    let clips = curve.clips();
    for knot in clips.into_iter().flatten() {
        let volts = knot.output - curve.rest();
        if volts > 0.0 { found.up_volts = Some(volts) } else { found.down_volts = Some(volts) }
    }
    let onset = clips.iter().flatten().map(|knot| knot.input.abs()).reduce(f64::min);
    found.level = match distortion {
        Some(wanted) => figures.distorted_by(wanted),
        None => onset.filter(|&amplitude| amplitude <= curve.reach()).map(|amplitude| figures.level(amplitude)),
    };
    found
}

/// The curve of a unit so far: ascending by input, each knot with its solution.
#[derive(Clone, Debug)]
struct Track {
    samples: Vec<(Knot, BiasPoint)>,
    start: BiasPoint,
    /// Sides on which no solution follows on.
    ended: [bool; 2],
}

impl Track {
    fn new(start: BiasPoint) -> Self {
        Self { samples: Vec::new(), start, ended: [false; 2] }
    }

    fn curve(&self) -> Curve {
        Curve::of(self.samples.iter().map(|(knot, _)| *knot).collect())
    }

    /// The solution nearest to an input.
    fn near(&self, input: f64) -> &BiasPoint {
        let apart = |knot: &Knot| (knot.input - input).abs();
        let nearest = self.samples.iter().min_by(|a, b| apart(&a.0).total_cmp(&apart(&b.0)));
        nearest.map_or(&self.start, |(_, bias)| bias)
    }

    fn insert(&mut self, knot: Knot, bias: BiasPoint) {
        let at = self.samples.partition_point(|(known, _)| known.input < knot.input);
        self.samples.insert(at, (knot, bias));
    }
}

/// All units on their way.
struct Fleet<'a> {
    family: &'a Family,
    mids: &'a [Option<MidBand>],
    question: &'a SwingQuestion,
    step: f64,
    tracks: Vec<Option<Track>>,
}

impl Fleet<'_> {
    fn follow(&mut self, scale: f64, beyond: bool) {
        let every: Vec<(usize, f64)> = (0..self.tracks.len()).map(|unit| (unit, 0.0)).collect();
        self.solve(&every);
        for side in 0..2 {
            let sign = if side == 0 { -1.0 } else { 1.0 };
            for step in 0..STEPS {
                let input = sign * scale * FIRST * GROWTH.powi(step as i32);
                let wanted = |track: &Track| match track.curve().clips()[side] {
                    _ if track.ended[side] => None,
                    None => Some(input),
                    Some(clip) if beyond && input.abs() < BEYOND * clip.input.abs() => Some(input),
                    Some(_) => None,
                };
                self.each(wanted);
            }
            for _ in 0..HALVINGS {
                let wanted = |track: &Track| {
                    let curve = track.curve();
                    let [inner, outer] = curve.clip_intervals()[side]?;
                    Some(0.5 * (curve.knots()[inner].input + curve.knots()[outer].input))
                };
                self.each(wanted);
            }
        }
    }

    fn each(&mut self, wanted: impl Fn(&Track) -> Option<f64>) {
        let of_unit = |(unit, track): (usize, &Option<Track>)| Some((unit, wanted(track.as_ref()?)?));
        let asked: Vec<(usize, f64)> = self.tracks.iter().enumerate().filter_map(of_unit).collect();
        self.solve(&asked);
    }

    /// Solves units at inputs, and a little beside them for the slope.
    fn solve(&mut self, asked: &[(usize, f64)]) {
        let SwingQuestion { input, output, .. } = *self.question;
        let mut circuits: Vec<Circuit> = Vec::with_capacity(2 * asked.len());
        let mut jobs: Vec<(usize, f64)> = Vec::with_capacity(asked.len());
        for &(unit, volts) in asked {
            let Some(mid) = &self.mids[unit] else { continue };
            let path = Path { mid, input, output };
            jobs.push((unit, volts));
            circuits.extend([volts, volts + self.step].map(|volts| path.driven(volts)));
        }
        let start = |at: usize| {
            let (unit, volts) = jobs[at / 2];
            self.tracks[unit].as_ref().map_or(self.family.nominal(), |track| track.near(volts))
        };
        let solved = self.family.solve_from(&circuits, start);
        for (pair, &(unit, volts)) in solved.chunks(2).zip(&jobs) {
            let Some(track) = &mut self.tracks[unit] else { continue };
            match sample(pair, volts, self.step, output) {
                Some((knot, bias)) => track.insert(knot, bias),
                None => track.ended[usize::from(volts > 0.0)] = true,
            }
        }
    }
}

fn sample(
    pair: &[Result<Variant<'_>, SolveError>],
    input: f64,
    step: f64,
    (plus, minus): (crate::mna::NodeId, crate::mna::NodeId),
) -> Option<(Knot, BiasPoint)> {
    let [Ok(here), Ok(beside)] = pair else { return None };
    let [output, next] = [here, beside].map(|unit| unit.bias().volts(plus) - unit.bias().volts(minus));
    Some((Knot { input, output, slope: (next - output) / step }, here.bias().clone()))
}
