//! The symptom chart: for each fault that the circuit may have its fingerprint, at a mild, typical and severe case. What it
//! does to hiss and DC at every point; at the output what each control, freezing, cooling and heating each device, and a
//! capacitor to ground at each base and collector make of it. From the fingerprints: which faults cannot cause a complaint,
//! where tracing the hiss ends at the wrong part, and which test tells two suspects apart best.
//!
//! Hiss is what the meter of the question reads with its lead clipped on, DC what stands there with no meter attached.
//! Everything is solved in full, thousands of variants of one structure in lanes ([`crate::variants`]), each from the
//! bias of a neighbour: a fault in a frozen circuit from its own bias, moved as freezing moves the healthy one.
//!
//! The temperature of a touched part is that of the bench; spray spills on nobody, and the excess noise of a leak follows
//! its current (`LEAKM` as such).

mod apart;
mod effects;
mod everywhere;
mod families;
mod offers;
mod recipes;
mod suspects;

use rayon::prelude::*;

use super::fault::{Case, Fault};
use super::instrument::Scope;
use super::reading::Act;
use super::sheet::settings::{Instruments, ReadingErrors, Surroundings};
use super::sheet::{Complaint, Control, Sheet};
use super::{Point, control};
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::element::{Element, PartId, Pin};
use crate::noise::Weighting;
use crate::operating::Operating;

use families::Families;
use recipes::Bases;

pub use apart::{Measured, Pair};
pub use suspects::Suspect;

/// A reading shows a fault where it lies so many dB above the healthy one: three times what a reading of hiss errs by.
pub const SHOWS_DB: f64 = 3.0;

/// What is asked of the chart.
#[derive(Clone, Debug)]
pub struct SymptomQuestion {
    /// Where hiss and DC are read, in signal order.
    pub points: Vec<Point>,
    /// Where the complaint is heard.
    pub output: Point,
    /// Band of the hiss, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the hiss.
    pub weighting: Weighting,
    /// What is complained of.
    pub complaint: Complaint,
    /// The controls, and where they stand.
    pub controls: Vec<Control>,
    /// What lies on the bench.
    pub instruments: Instruments,
    /// What things at hand do to parts.
    pub surroundings: Surroundings,
    /// How far readings scatter.
    pub errors: ReadingErrors,
    /// Whose rows are wanted.
    pub suspects: Vec<Suspect>,
}

impl SymptomQuestion {
    /// Every node of a circuit without a sheet, all its parts suspected, controls as its netlist shows them.
    pub fn of_circuit(circuit: &Circuit, input: Option<PartId>, output: Point, band_hz: [f64; 2]) -> Self {
        let controls = control::Control::all(circuit).into_iter().map(|control| Control {
            parameter: control.name.clone(),
            now: circuit.parameter(&control.name).unwrap_or(control.ends[0]),
            name: control.name,
            range: control.ends,
        });
        Self {
            points: Point::all(circuit, input),
            output,
            band_hz,
            weighting: Weighting::Flat,
            complaint: Complaint::default(),
            controls: controls.collect(),
            instruments: Instruments::default(),
            surroundings: Surroundings::default(),
            errors: ReadingErrors::default(),
            suspects: Suspect::all(circuit),
        }
    }

    /// What a sheet says, of its circuit with what-ifs.
    pub fn of_sheet(sheet: &Sheet, circuit: &Circuit, output: Point) -> Self {
        let now = |control: &Control| circuit.parameter(&control.parameter).unwrap_or(control.now);
        Self {
            complaint: sheet.complaint.clone().unwrap_or_default(),
            controls: sheet.controls.iter().map(|control| Control { now: now(control), ..control.clone() }).collect(),
            instruments: sheet.instruments.clone(),
            surroundings: sheet.surroundings.clone(),
            errors: sheet.reading_errors,
            suspects: Suspect::of_sheet(sheet, circuit),
            ..Self::of_circuit(circuit, sheet.about(circuit).input, output, sheet.band_hz)
        }
    }
}

/// The chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Symptoms {
    /// The healthy circuit at each point of the question.
    pub healthy: Vec<HealthyReading>,
    /// What is done to the set, its effect being read at the output.
    pub acts: Vec<ActOffer>,
    /// What each act does to the healthy circuit, dB of the reading; `None` where nothing settles.
    pub healthy_effects_db: Vec<Option<f64>>,
    /// What the meter reads of the healthy circuit at the output, V rms.
    pub healthy_output_volts: f64,
    /// A row for each suspect, in the order of the question.
    pub rows: Vec<Row>,
    /// For each two parts that can cause the complaint the test that tells them apart best, hardest first.
    pub pairs: Vec<Pair>,
    /// What was assumed where models do not say.
    pub notes: Vec<String>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// The healthy circuit at a point.
#[derive(Clone, Debug, PartialEq)]
pub struct HealthyReading {
    /// Its name.
    pub name: String,
    /// Hiss with the meter there, V rms.
    pub rms_volts: f64,
    /// What the meter shows of it, its own noise included, V.
    pub reading_volts: f64,
    /// DC with no meter attached, V.
    pub dc_volts: f64,
}

/// Something to do to the set, and whether it may be done.
#[derive(Clone, Debug, PartialEq)]
pub struct ActOffer {
    /// What is done. A turn goes from where the control stands to its lower end.
    pub act: Act,
    /// Why it is not proposed; `None` where it is.
    pub refused: Option<String>,
}

/// A suspect's symptoms.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Who, and what is wrong.
    pub suspect: Suspect,
    /// From mild to severe; one for a fault that is there or not.
    pub cases: Vec<CaseRow>,
}

/// A fault so and so bad.
#[derive(Clone, Debug, PartialEq)]
pub struct CaseRow {
    /// How bad.
    pub case: Case,
    /// The fault, nothing left open.
    pub fault: Fault,
    /// What it does; `None` where the circuit has no bias with it.
    pub fingerprint: Option<Fingerprint>,
}

/// What a fault does.
#[derive(Clone, Debug, PartialEq)]
pub struct Fingerprint {
    /// Change of the hiss at each point, dB; `None` where either is silent.
    pub change_db: Vec<Option<f64>>,
    /// What the meter shows at each point, V.
    pub reading_volts: Vec<f64>,
    /// Shift of DC at each point, V.
    pub dc_shift_volts: Vec<f64>,
    /// Change of the hiss at the output, dB; `None` where either is silent.
    pub output_change_db: Option<f64>,
    /// What the meter shows at the output, V.
    pub output_volts: f64,
    /// Whether it causes the complaint.
    pub complains: bool,
    /// The first point in signal order where the meter shows it.
    pub first: Option<usize>,
    /// The first where the scope does.
    pub first_on_scope: Option<usize>,
    /// The device at whose collector or drain the meter shows it first, where that is not the part at fault: where tracing
    /// the hiss ends.
    pub misleads_to: Option<String>,
    /// The effects of acts at the output, for a fault that is heard there; they tell nothing of others.
    pub effects: Option<Effects>,
}

/// What is made of the hiss of a fault at the output.
#[derive(Clone, Debug, PartialEq)]
pub struct Effects {
    /// What the meter shows with each control at its lower and upper end, V; `None` where nothing settles.
    pub ends_volts: Vec<[Option<f64>; 2]>,
    /// What each of [`Symptoms::acts`] does to the reading, dB; `None` where nothing settles.
    pub acts_db: Vec<Option<f64>>,
}

impl Fingerprint {
    /// The point of the largest DC shift, in sd of reading it; `None` without points.
    pub fn largest_dc_shift(&self, healthy: &[HealthyReading], errors: &ReadingErrors) -> Option<usize> {
        let size = |at: usize| (self.dc_shift_volts[at] / errors.dc_sd_volts(healthy[at].dc_volts)).abs();
        (0..self.dc_shift_volts.len()).max_by(|&a, &b| size(a).total_cmp(&size(b)).then(b.cmp(&a)))
    }
}

impl Row {
    /// Whether any case causes the complaint.
    pub fn complains(&self) -> bool {
        self.cases.iter().any(CaseRow::complains)
    }

    /// The case that stands for the suspect: the typical one where it causes the complaint, else the mildest that does, else
    /// the typical or only one.
    pub fn shown(&self) -> Option<&CaseRow> {
        let typical = self.cases.iter().find(|case| case.case == Case::Typical);
        let complaining = typical.filter(|case| case.complains());
        complaining.or_else(|| self.cases.iter().find(|case| case.complains())).or(typical).or(self.cases.first())
    }
}

impl CaseRow {
    /// Whether it causes the complaint.
    pub fn complains(&self) -> bool {
        self.fingerprint.as_ref().is_some_and(|fingerprint| fingerprint.complains)
    }
}

/// Makes the chart of a circuit.
///
/// # Errors
/// [`SolveError`] of the healthy circuit as messages, or what makes it impossible with a control at an end.
pub fn symptoms(circuit: &Circuit, question: &SymptomQuestion) -> Result<Symptoms, Vec<Diagnostic>> {
    let failed = |error: SolveError| vec![error.diagnostic()];
    let cases: Vec<(usize, Case, Fault)> = listed(circuit, question)?;
    let operating = Operating::of(circuit).map_err(failed)?;
    let bases = Bases::new(circuit, cases.iter().map(|(_, _, fault)| fault));
    let families = Families::at(&bases, &operating.bias).map_err(failed)?;
    let recipes: Vec<_> = cases.par_iter().map(|(_, _, fault)| bases.recipe(fault).ok()).collect();
    let base = everywhere::read(&bases, &families, &recipes, question).map_err(failed)?;
    let complaining = everywhere::complaining(&bases, &families, &recipes, &base, question)?;
    let acts = effects::acts(circuit, question);
    let mut effects = effects::of(&bases, &families, &recipes, &base, &complaining, &acts, question)?;
    let mut rows: Vec<Row> =
        question.suspects.iter().map(|suspect| Row { suspect: suspect.clone(), cases: Vec::new() }).collect();
    for (at, (suspect, case, fault)) in cases.into_iter().enumerate() {
        let fingerprint = base.cases[at].as_ref().map(|read| Fingerprint {
            complains: complaining[at],
            effects: effects.cases[at].take(),
            misleads_to: misleads_to(circuit, question, read.first, &fault.part),
            ..base.fingerprint(read)
        });
        rows[suspect].cases.push(CaseRow { case, fault, fingerprint });
    }
    let judge = offers::Judge::new(circuit, &operating, question);
    let (offers, pairs) =
        judge.proposed(&acts, &effects.healthy_db, |offers| apart::pairs(&rows, &base.healthy, offers, question));
    let mut cautions = operating.cautions(circuit);
    cautions.extend(crate::noise::cautions(circuit, &operating.bias, question.band_hz[1]));
    Ok(Symptoms {
        healthy_output_volts: question.instruments.meter.shows(base.healthy_output_rms),
        healthy_effects_db: effects.healthy_db,
        healthy: base.healthy,
        acts: offers,
        rows,
        pairs,
        notes: assumed(&question.suspects),
        cautions,
    })
}

/// Every case of every suspect, with the suspect's place.
fn listed(circuit: &Circuit, question: &SymptomQuestion) -> Result<Vec<(usize, Case, Fault)>, Vec<Diagnostic>> {
    let mut cases = Vec::new();
    for (at, suspect) in question.suspects.iter().enumerate() {
        for case in Case::ALL {
            let Some(fault) = suspect.fault(case) else { continue };
            cases.push((at, case, fault.checked(circuit).map_err(|error| vec![error])?));
        }
    }
    Ok(cases)
}

/// The device whose output the first point is, if that is not the part at fault.
fn misleads_to(circuit: &Circuit, question: &SymptomQuestion, first: Option<usize>, part: &str) -> Option<String> {
    let node = question.points[first?].plus;
    let ends_here =
        |element: &Element| [Pin::Collector, Pin::Drain].into_iter().any(|pin| element.pin_node(pin) == Some(node));
    let mut devices = circuit.parts().filter(|(_, known)| ends_here(&known.element)).map(|(_, known)| &known.name);
    let first = devices.next()?;
    let own = std::iter::once(first).chain(devices).any(|name| name.eq_ignore_ascii_case(part));
    (!own).then(|| first.clone())
}

/// What was assumed where models do not say, each once.
fn assumed(suspects: &[Suspect]) -> Vec<String> {
    let mut all: Vec<(&str, Vec<&str>)> = Vec::new();
    for suspect in suspects {
        let Some(text) = suspect.prior.assumed.as_deref() else { continue };
        match all.iter_mut().find(|(known, _)| *known == text) {
            Some((_, parts)) => parts.push(&suspect.part),
            None => all.push((text, vec![&suspect.part])),
        }
    }
    all.into_iter().map(|(text, parts)| format!("{}: {text}", parts.join(", "))).collect()
}

impl Scope {
    /// The height of a trace of so many volts rms, the scope's own noise included, in dB over another's.
    fn trace_over_db(&self, rms_volts: f64, healthy_rms_volts: f64) -> f64 {
        let [seen, healthy] = [rms_volts, healthy_rms_volts].map(|rms| self.trace(rms).peak_to_peak_volts);
        20.0 * (seen / healthy).log10()
    }
}
