//! Hiss of many variants: the densities of [`crate::noise`] for eight of them at each frequency, integrated over the band
//! on panels that all eight share.

use std::cell::OnceCell;

use num_complex::Complex64;
use rayon::prelude::*;

use super::rule::{Sample, gauss, kronrod};
use super::signals::{EightVariants, SignalLanes};
use super::{Family, Variant};
use crate::bias::SolveError;
use crate::element::NoiseSource;
use crate::mna::{LANES, LaneReal, LaneValue, NodeId, squared_differences};
use crate::noise::Weighting;
use crate::noise::integral::{GUIDE_TOLERANCE, MOST_PANELS, NARROWEST, ROUNDS, WIDEST};
use crate::smallsignal::{SmallSignal, Stimulus};
use crate::sweep::Sweep;

/// What is asked about the hiss of variants.
#[derive(Clone, Debug, PartialEq)]
pub struct HissRequest {
    /// Where.
    pub outputs: Vec<Output>,
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
    /// How the band is sampled.
    pub points: Points,
    /// Whether every source's own contribution is wanted.
    pub by_source: bool,
    /// Where the gain comes from; [`Stimulus::of`] a source of the circuits.
    pub stimulus: Option<Stimulus>,
    /// Frequencies at which gains and impedances are wanted, Hz.
    pub gain_hz: Vec<f64>,
}

/// An output: a node against another (ground for a single node), and what is clipped on there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Output {
    /// The node.
    pub plus: NodeId,
    /// The one it is measured against.
    pub minus: NodeId,
    /// An instrument between the two: it divides the hiss and the gain, and makes thermal noise at ambient temperature.
    pub load: Option<Load>,
}

/// Input of an instrument: a resistance beside a capacitance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// Ω, above zero.
    pub ohms: f64,
    /// F.
    pub farads: f64,
}

/// How a band is sampled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Points {
    /// Until the error estimate of every figure, as of [`crate::noise::noise`], meets this relative tolerance of the rms.
    Adaptive(f64),
    /// 24 points, without an estimate: for circuits known to be smooth over the band, such as variants of one that was
    /// looked at with [`Points::Adaptive`].
    Fixed,
}

/// The hiss of one variant.
#[derive(Clone, Debug, PartialEq)]
pub struct Hiss {
    /// In the order of the request.
    pub outputs: Vec<HissOutput>,
    /// Frequencies at which the equations were solved for the band.
    pub points: usize,
}

/// The hiss of one variant at one output.
#[derive(Clone, Debug, PartialEq)]
pub struct HissOutput {
    /// Weighted mean square over the band, V².
    pub mean_square_v2: f64,
    /// Bound on its error from the integral's own estimate, V²; `None` with [`Points::Fixed`].
    pub error_v2: Option<f64>,
    /// Contribution of each of [`Variant::sources`], V²; empty unless asked for. What a load adds is in the mean square
    /// only.
    pub by_source_v2: Vec<f64>,
    /// Gain from the stimulus at each of the frequencies asked for, V/V or V/A; empty without a stimulus.
    pub gains: Vec<Complex64>,
    /// Impedance between the two nodes at the same frequencies without the load, Ω.
    pub impedances: Vec<Complex64>,
}

/// Points of the fixed rule.
const FIXED_POINTS: usize = 24;
/// Backward error of a probe that touches all rows, below which solutions at its frequency are taken without a check.
const TRUST_BELOW: f64 = 1e-13;
/// Outputs from which on the probe costs less than the checks it spares.
const PROBE_FROM: usize = 3;
/// Backward error above which a solution is refined, and then given to a pivot order of the variant's own.
const REFINE_ABOVE: f64 = 1e-12;

impl Family {
    /// Hiss of each variant at every output, in order.
    ///
    /// Each result is an error of its own: [`SolveError::Singular`] names an unknown that nothing determines,
    /// [`SolveError::TooLarge`] a part whose hiss overflows.
    pub fn noise(&self, variants: &[&Variant], request: &HissRequest) -> Vec<Result<Hiss, SolveError>> {
        let batches: Vec<Vec<_>> =
            variants.par_chunks(LANES).map(|few| hiss_of_eight(&self.signals, few, request)).collect();
        batches.into_iter().flatten().collect()
    }
}

/// Those of another pattern come by themselves, with a pivot order of their own.
fn hiss_of_eight(signals: &SignalLanes, variants: &[&Variant], request: &HissRequest) -> Vec<Result<Hiss, SolveError>> {
    let fitting: Vec<&Variant> = variants.iter().copied().filter(|variant| variant.entries.is_some()).collect();
    let mut together = integrated(signals, &fitting, request).into_iter();
    let each = variants.iter().map(|&variant| {
        if variant.entries.is_some() {
            return together.next().expect("each variant that fits was computed");
        }
        let own = SignalLanes::new(variant.circuit(), variant.bias())?;
        let (entries, _) = own.stamp(variant.circuit(), variant.bias());
        let variant = variant.with_entries(entries);
        integrated(&own, &[&variant], request).pop().expect("one variant gives one result")
    });
    each.collect()
}

/// Hiss of up to eight variants that fit the pattern.
fn integrated(signals: &SignalLanes, variants: &[&Variant], request: &HissRequest) -> Vec<Result<Hiss, SolveError>> {
    if variants.is_empty() {
        return Vec::new();
    }
    let own: [OnceCell<SmallSignal>; LANES] = std::array::from_fn(|_| OnceCell::new());
    let sweeps: [OnceCell<Sweep>; LANES] = std::array::from_fn(|_| OnceCell::new());
    let mut eight = Eight::new(signals, variants, request, &own, &sweeps);
    let curves = eight.curves();
    let band = match request.points {
        Points::Fixed => {
            let [from, to] = request.band_hz.map(f64::ln);
            eight.panel(from, to, &gauss(request.band_hz, FIXED_POINTS)).into_band(FIXED_POINTS)
        }
        Points::Adaptive(tolerance) => eight.adaptive(tolerance),
    };
    let Eight { sources, mut failed, .. } = eight;
    let per_output = variants.iter().enumerate().map(|(lane, variant)| {
        if let Some(error) = failed[lane].take() {
            return Err(error);
        }
        let outputs = (0..request.outputs.len()).map(|output| {
            let mean_square_v2 = band.values[output][lane];
            if !mean_square_v2.is_finite() {
                return Err(too_large(variant));
            }
            Ok(HissOutput {
                mean_square_v2,
                error_v2: match request.points {
                    Points::Adaptive(_) => Some(band.errors[output][lane]),
                    Points::Fixed => None,
                },
                by_source_v2: sources.shares(lane, variant, &band.transfers[output]),
                gains: curves.gains[output].iter().map(|gain| number(gain, lane)).collect(),
                impedances: curves.impedances[output].iter().map(|ohms| number(ohms, lane)).collect(),
            })
        });
        Ok(Hiss { outputs: outputs.collect::<Result<_, _>>()?, points: band.points })
    });
    per_output.collect()
}

/// The right-hand side of the probe at an unknown; nothing at ground.
fn probe_value(unknown: usize) -> LaneValue {
    match unknown {
        0 => LaneValue::ZERO,
        at => LaneValue { re: [1.0 + (at % 7) as f64 / 7.0; LANES], im: [(at % 5) as f64 / 5.0 - 0.3; LANES] },
    }
}

fn number(value: &LaneValue, lane: usize) -> Complex64 {
    Complex64::new(value.re[lane], value.im[lane])
}

/// The part with the largest source is to blame when a sum overflows.
fn too_large(variant: &Variant) -> SolveError {
    let size = |source: &NoiseSource| source.white.abs() + source.flicker.abs();
    let worst = variant.sources().iter().max_by(|a, b| size(a).total_cmp(&size(b)));
    let part =
        worst.map_or_else(|| "the circuit".to_owned(), |source| variant.circuit().part(source.part).name.clone());
    SolveError::TooLarge { part }
}

/// The noise sources of eight variants, sorted by the pair of unknowns they lie between.
struct Sources {
    /// The pairs, in order of their first source.
    pairs: Vec<(u32, u32)>,
    /// Sums over the sources of a pair, A²/Hz.
    white: Vec<LaneReal>,
    flicker: Vec<LaneReal>,
}

impl Sources {
    fn of(variants: &[&Variant]) -> Self {
        let mut sources = Self { pairs: Vec::new(), white: Vec::new(), flicker: Vec::new() };
        for (lane, variant) in variants.iter().enumerate() {
            // The sources of variants come in one order: each is looked for from where the last one was found.
            let mut from = 0;
            for source in variant.sources() {
                let at = sources.place(source, &mut from);
                sources.white[at].0[lane] += source.white;
                sources.flicker[at].0[lane] += source.flicker;
            }
        }
        sources
    }

    fn place(&mut self, source: &NoiseSource, from: &mut usize) -> usize {
        let pair = (source.from.0, source.to.0);
        let count = self.pairs.len();
        let found = (0..count).map(|step| (*from + step) % count).find(|&at| self.pairs[at] == pair);
        let at = found.unwrap_or_else(|| {
            self.pairs.push(pair);
            self.white.push(LaneReal([0.0; LANES]));
            self.flicker.push(LaneReal([0.0; LANES]));
            count
        });
        *from = at;
        at
    }

    /// Each source's contribution: ∫|z|²·(white + flicker/f) df, from the integrals of |z|² and |z|²/f for its pair.
    fn shares(&self, lane: usize, variant: &Variant, transfers: &[[LaneReal; 2]]) -> Vec<f64> {
        if transfers.is_empty() {
            return Vec::new();
        }
        let share = |source: &NoiseSource| {
            let pair = (source.from.0, source.to.0);
            let at = self.pairs.iter().position(|&known| known == pair).expect("every source's pair is listed");
            let [flat, falling] = &transfers[at];
            source.white * flat.0[lane] + source.flicker * falling.0[lane]
        };
        variant.sources().iter().map(share).collect()
    }
}

/// Gains and impedances, indexed `[output][frequency]`.
struct Curves {
    gains: Vec<Vec<LaneValue>>,
    impedances: Vec<Vec<LaneValue>>,
}

/// Integrals over a span of frequencies, indexed by output.
struct Panel {
    from: f64,
    to: f64,
    values: Vec<[f64; LANES]>,
    errors: Vec<[f64; LANES]>,
    /// Integrals of |z|² and |z|²/f for each pair of unknowns; empty unless asked for.
    transfers: Vec<Vec<[LaneReal; 2]>>,
    /// Whether a resonance may hide between the samples of some lane.
    hides: bool,
    hidden: [bool; LANES],
}

/// The same over the whole band.
struct Band {
    values: Vec<[f64; LANES]>,
    errors: Vec<[f64; LANES]>,
    transfers: Vec<Vec<[LaneReal; 2]>>,
    points: usize,
}

impl Panel {
    fn into_band(self, points: usize) -> Band {
        Band { values: self.values, errors: self.errors, transfers: self.transfers, points }
    }
}

/// Eight variants under way.
struct Eight<'a> {
    signals: &'a SignalLanes,
    variants: &'a [&'a Variant<'a>],
    request: &'a HissRequest,
    sources: Sources,
    /// Whether voltage sources hold an output.
    held: Vec<bool>,
    lanes: EightVariants,
    /// Adjoint solution, right-hand side, densities and squares, for one output at a time.
    transfer: Vec<LaneValue>,
    right: Vec<LaneValue>,
    probe: Vec<LaneValue>,
    densities: Vec<LaneReal>,
    squares: Vec<LaneReal>,
    /// Four times kT of each lane's surroundings, J.
    four_kt: [f64; LANES],
    /// Solvers of single variants that the common order does not serve.
    own: &'a [OnceCell<SmallSignal>; LANES],
    sweeps: &'a [OnceCell<Sweep<'a>>; LANES],
    failed: [Option<SolveError>; LANES],
}

impl<'a> Eight<'a> {
    fn new(
        signals: &'a SignalLanes,
        variants: &'a [&'a Variant<'a>],
        request: &'a HissRequest,
        own: &'a [OnceCell<SmallSignal>; LANES],
        sweeps: &'a [OnceCell<Sweep<'a>>; LANES],
    ) -> Self {
        let sources = Sources::of(variants);
        let groups = variants[0].circuit().held_groups();
        let held = request.outputs.iter().map(|output| groups[output.plus.index()] == groups[output.minus.index()]);
        let mut lanes = EightVariants::new(signals);
        lanes.load(signals, variants.iter().map(|variant| variant.entries.as_deref()));
        let length = signals.pattern.unknowns() + 1;
        let four_kt = std::array::from_fn(|lane| variants.get(lane).map_or(0.0, |it| it.circuit().ambient.four_kt()));
        Self {
            held: held.collect(),
            lanes,
            transfer: vec![LaneValue::ZERO; length],
            right: vec![LaneValue::ZERO; length],
            probe: (0..length).map(probe_value).collect(),
            densities: vec![LaneReal([0.0; LANES]); sources.pairs.len()],
            squares: vec![LaneReal([0.0; LANES]); sources.pairs.len()],
            four_kt,
            failed: std::array::from_fn(|_| None),
            signals,
            variants,
            request,
            sources,
            own,
            sweeps,
        }
    }

    /// Panels of at most a decade, halved as long as some lane is not good enough.
    fn adaptive(&mut self, tolerance: f64) -> Band {
        let [from, to] = self.request.band_hz.map(f64::ln);
        let pieces = ((to - from) / WIDEST).ceil().max(1.0) as usize;
        let end = |piece: usize| if piece == pieces { to } else { from + (to - from) / pieces as f64 * piece as f64 };
        let mut panels: Vec<Panel> = (0..pieces)
            .map(|piece| self.panel(end(piece), end(piece + 1), &kronrod(end(piece), end(piece + 1))))
            .collect();
        let mut computed = panels.len();
        for _ in 0..ROUNDS {
            let excess = self.panels_to_halve(&panels, tolerance);
            if !excess.contains(&true) || computed + 2 * excess.len() > MOST_PANELS {
                break;
            }
            let mut finer = Vec::with_capacity(2 * panels.len());
            for (panel, halve) in panels.into_iter().zip(excess) {
                if halve {
                    let middle = 0.5 * (panel.from + panel.to);
                    finer.push(self.panel(panel.from, middle, &kronrod(panel.from, middle)));
                    finer.push(self.panel(middle, panel.to, &kronrod(middle, panel.to)));
                    computed += 2;
                } else {
                    finer.push(panel);
                }
            }
            panels = finer;
        }
        total(&panels, computed * kronrod(0.0, 1.0).len())
    }

    /// Which panels may hide a resonance, or carry more than their share of the error of a figure over tolerance.
    fn panels_to_halve(&self, panels: &[Panel], tolerance: f64) -> Vec<bool> {
        let Band { values, errors, .. } = total(panels, 0);
        let used = self.variants.len();
        // An error of the mean square is twice that of the rms.
        let allowed = |output: usize, lane: usize| 2.0 * tolerance * values[output][lane].abs();
        let over: Vec<(usize, usize)> = (0..values.len())
            .flat_map(|output| (0..used).map(move |lane| (output, lane)))
            .filter(|&(_, lane)| self.failed[lane].is_none())
            .filter(|&(output, lane)| errors[output][lane] > allowed(output, lane))
            .collect();
        let share = 0.5 / panels.len() as f64;
        let halve = |panel: &Panel| {
            let too_much =
                |&(output, lane): &(usize, usize)| panel.errors[output][lane] > share * allowed(output, lane);
            panel.to - panel.from > NARROWEST && (panel.hides || over.iter().any(too_much))
        };
        panels.iter().map(halve).collect()
    }

    /// Integrates over the samples of one panel.
    fn panel(&mut self, from: f64, to: f64, samples: &[Sample]) -> Panel {
        let outputs = self.request.outputs.len();
        let (mut values, mut coarse) = (vec![[0.0; LANES]; outputs], vec![[0.0; LANES]; outputs]);
        let pairs = if self.request.by_source { self.sources.pairs.len() } else { 0 };
        let mut transfers = vec![vec![[LaneReal([0.0; LANES]); 2]; pairs]; outputs];
        let mut guide = [[0.0f64; LANES]; 2];
        for sample in samples {
            let curve = self.request.weighting.power(sample.hertz);
            let (weight, coarser) = (sample.weight * curve, sample.coarse * curve);
            let per_hertz = sample.hertz.recip();
            for ((density, white), flicker) in
                self.densities.iter_mut().zip(&self.sources.white).zip(&self.sources.flicker)
            {
                density.0 = std::array::from_fn(|lane| white.0[lane] + flicker.0[lane] * per_hertz);
            }
            let logarithms = self.at(sample.hertz, |eight, output, transfer, loaded| {
                let Eight { sources, densities, squares, .. } = eight;
                let density = squared_differences(&sources.pairs, transfer, densities, squares);
                for lane in 0..LANES {
                    let density = density[lane] * loaded.passed[lane] + loaded.own[lane];
                    values[output][lane] += weight * density;
                    coarse[output][lane] += coarser * density;
                }
                for (sums, square) in transfers[output].iter_mut().zip(squares.iter()) {
                    for lane in 0..LANES {
                        let passed = weight * square.0[lane] * loaded.passed[lane];
                        sums[0].0[lane] += passed;
                        sums[1].0[lane] += passed * per_hertz;
                    }
                }
            });
            // Weights of a mean over ln f, so that the guide's error is that of a mean.
            let mean = |weight: f64| weight * per_hertz / (to - from);
            for lane in 0..LANES {
                guide[0][lane] += mean(sample.weight) * logarithms[lane];
                guide[1][lane] += mean(sample.coarse) * logarithms[lane];
            }
        }
        let errors = values.iter().zip(&coarse).map(|(fine, coarse)| {
            // Rounding of fifteen terms is added, so that a smooth function does not claim to be exact.
            std::array::from_fn(|lane| (fine[lane] - coarse[lane]).abs() + 4.0 * f64::EPSILON * fine[lane].abs())
        });
        let used = self.variants.len();
        let hidden: [bool; LANES] = std::array::from_fn(|lane| {
            let difference = (guide[0][lane] - guide[1][lane]).abs();
            lane < used && self.failed[lane].is_none() && (difference.is_nan() || difference > GUIDE_TOLERANCE)
        });
        Panel { from, to, errors: errors.collect(), values, transfers, hides: hidden.contains(&true), hidden }
    }

    /// Gains and impedances at the frequencies asked for.
    fn curves(&mut self) -> Curves {
        let outputs = self.request.outputs.len();
        let mut curves = Curves { gains: vec![Vec::new(); outputs], impedances: vec![Vec::new(); outputs] };
        let request = self.request;
        for &hertz in &request.gain_hz {
            self.at(hertz, |_, output, transfer, loaded| {
                if let Some(stimulus) = &request.stimulus {
                    let rows = stimulus.rows().iter();
                    let gain = rows
                        .fold(LaneValue::ZERO, |gain, &(row, value)| gain.plus(&transfer[row.index()].times(value)));
                    curves.gains[output].push(product(&gain, &loaded.divider));
                }
                curves.impedances[output].push(loaded.impedance);
            });
        }
        curves
    }

    /// Solves the equations at one frequency and hands each output's transfer from all unknowns to `visit`; returns
    /// ln|det| of each lane.
    fn at(&mut self, hertz: f64, mut visit: impl FnMut(&mut Self, usize, &[LaneValue], &Loaded)) -> [f64; LANES] {
        let used = self.variants.len();
        let finite = self.lanes.factor(self.signals, hertz);
        let mut served: [bool; LANES] = std::array::from_fn(|lane| lane < used && finite[lane]);
        let mut logarithms = self.lanes.matrix.log_determinants();
        // Other lanes take theirs from the solver of their own.
        (0..LANES).filter(|&lane| !served[lane]).for_each(|lane| logarithms[lane] = 0.0);
        let mut transfer = std::mem::take(&mut self.transfer);
        let trusted = self.request.outputs.len() >= PROBE_FROM && self.probe(&served, &mut transfer);
        for (position, output) in self.request.outputs.iter().enumerate() {
            if self.held[position] {
                // Voltage sources hold this output: what rounding leaves of the transfers is no hiss.
                transfer.fill(LaneValue::ZERO);
            } else {
                let (plus, minus) = (output.plus.index(), output.minus.index());
                self.right[plus].re = [1.0; LANES];
                self.right[minus].re = [-1.0; LANES];
                self.right[0] = LaneValue::ZERO;
                let (pattern, matrix) = (&self.signals.pattern, &mut self.lanes.matrix);
                if trusted {
                    matrix.solve(pattern, true, &self.right, &mut transfer);
                } else {
                    let errors = matrix.solve_checked(pattern, true, &self.right, &mut transfer, &served, REFINE_ABOVE);
                    served = std::array::from_fn(|lane| served[lane] && errors[lane] <= REFINE_ABOVE);
                }
                (self.right[plus], self.right[minus]) = (LaneValue::ZERO, LaneValue::ZERO);
                self.signals.restore(&mut transfer);
                for lane in (0..used).filter(|&lane| !served[lane]) {
                    self.alone(lane, hertz, output, &mut transfer, &mut logarithms[lane]);
                }
            }
            let loaded = self.loaded(hertz, output, &transfer);
            visit(self, position, &transfer, &loaded);
        }
        self.transfer = transfer;
        logarithms
    }

    /// Whether a solution for a right-hand side without zeros or pattern shows the factors of all lanes to be sound: how
    /// far pivots have grown shows there, whatever the right-hand side.
    fn probe(&mut self, served: &[bool; LANES], solution: &mut [LaneValue]) -> bool {
        let (pattern, matrix) = (&self.signals.pattern, &mut self.lanes.matrix);
        let errors = matrix.solve_checked(pattern, true, &self.probe, solution, served, f64::INFINITY);
        errors.iter().zip(served).all(|(&error, &served)| !served || error <= TRUST_BELOW)
    }

    /// One lane by a pivot order of its own, or densely behind that.
    fn alone(&mut self, lane: usize, hertz: f64, output: &Output, transfer: &mut [LaneValue], logarithm: &mut f64) {
        if self.failed[lane].is_some() {
            return;
        }
        let variant = self.variants[lane];
        let signal: &'a SmallSignal = self.own[lane].get_or_init(|| variant.signal());
        let sweep: &'a Sweep<'a> =
            self.sweeps[lane].get_or_init(|| Sweep::new(variant.circuit(), signal, self.request.band_hz));
        let point = sweep.at([hertz; LANES]);
        let solved = point.adjoint(output.plus, output.minus).and_then(|own| Ok((own, point.log_determinants()?[0])));
        match solved {
            Ok((own, determinant)) => {
                *logarithm = determinant;
                for (value, own) in transfer.iter_mut().zip(own) {
                    (value.re[lane], value.im[lane]) = (own.re[0], own.im[0]);
                }
            }
            Err(error) => self.failed[lane] = Some(error),
        }
    }

    /// What a load does at an output.
    fn loaded(&self, hertz: f64, output: &Output, transfer: &[LaneValue]) -> Loaded {
        let impedance = transfer[output.plus.index()].minus(&transfer[output.minus.index()]);
        let one = LaneValue { re: [1.0; LANES], im: [0.0; LANES] };
        let Some(load) = output.load else {
            return Loaded { impedance, divider: one, passed: [1.0; LANES], own: [0.0; LANES] };
        };
        // 1/(1 + Z·Y) of the hiss is left, and the load's own current 4kT/R runs into Z beside it.
        let admittance = Complex64::new(1.0 / load.ohms, std::f64::consts::TAU * hertz * load.farads);
        let mut divider = one;
        let mut own = [0.0; LANES];
        for (lane, own) in own.iter_mut().enumerate() {
            let ohms = number(&impedance, lane);
            let left = (1.0 + ohms * admittance).inv();
            (divider.re[lane], divider.im[lane]) = (left.re, left.im);
            *own = self.four_kt[lane] / load.ohms * (ohms * left).norm_sqr();
        }
        Loaded { impedance, passed: divider.norm_sqr(), divider, own }
    }
}

/// An output with its load.
struct Loaded {
    /// Of the circuit alone, Ω.
    impedance: LaneValue,
    /// Voltage with the load over that without.
    divider: LaneValue,
    /// The same squared.
    passed: [f64; LANES],
    /// What the load itself adds, V²/Hz.
    own: [f64; LANES],
}

fn product(a: &LaneValue, b: &LaneValue) -> LaneValue {
    let each = |lane: usize| number(a, lane) * number(b, lane);
    LaneValue { re: std::array::from_fn(|lane| each(lane).re), im: std::array::from_fn(|lane| each(lane).im) }
}

/// Sums over panels; a panel that may still hide a resonance vouches for nothing.
fn total(panels: &[Panel], points: usize) -> Band {
    let first = &panels[0];
    let mut band = Band {
        values: vec![[0.0; LANES]; first.values.len()],
        errors: vec![[0.0; LANES]; first.values.len()],
        transfers: first.transfers.iter().map(|pairs| vec![[LaneReal([0.0; LANES]); 2]; pairs.len()]).collect(),
        points,
    };
    for panel in panels {
        for output in 0..band.values.len() {
            for lane in 0..LANES {
                band.values[output][lane] += panel.values[output][lane];
                band.errors[output][lane] += panel.errors[output][lane];
                if panel.hidden[lane] {
                    band.errors[output][lane] += panel.values[output][lane].abs();
                }
            }
            for (sums, own) in band.transfers[output].iter_mut().zip(&panel.transfers[output]) {
                for (sum, own) in sums.iter_mut().zip(own) {
                    (0..LANES).for_each(|lane| sum.0[lane] += own.0[lane]);
                }
            }
        }
    }
    band
}
