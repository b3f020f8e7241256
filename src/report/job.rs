//! All that is known of a job, gathered once: what a page about it shows, and nothing that it would have to compute.
//!
//! Two states stand side by side: the healthy circuit with its tolerances, and the one at hand: with the what-ifs that were
//! asked for, else with the fault that the diagnosis of the sheet's readings finds likeliest, else none.

mod assumed;
mod path;
mod spectra;

use super::{
    BiasQuestion, BiasResult, DiagnoseResult, ExplainRow, NoiseQuestion, NoiseResult, RecordingResult, ResponseError,
    ResponseQuestion, ResponseResult, Setting, SymptomsResult, VerifyResult, bias, diagnose, explain, noise, response,
    symptoms, verify,
};
use crate::bench::healthy::HealthyModel;
use crate::bench::reading::Reading;
use crate::bench::sheet::Sheet;
use crate::bench::symptoms::SymptomQuestion;
use crate::bench::{Control, Point};
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnosis::Conversation;
use crate::diagnosis::prepare::{PrepareError, Prepared};
use crate::diagnostic::{Code, Diagnostic, Severity};
use crate::element::PartId;
use crate::noise::{DEFAULT_TOLERANCE, Weighting};
use crate::repair::acceptance::AcceptanceError;

pub use path::{PathPoint, Seen, SeenBy};
pub use spectra::{MeasuredSpectrum, PartSpectrum, PointSpectra};

/// Parts that a person can choose on a page.
const MOST_PARTS: usize = 30;
/// Shares of the hiss below this name no part.
const LEAST_SHARE: f64 = 1e-3;

/// What a report is about.
#[derive(Clone, Debug)]
pub struct ReportQuestion<'a> {
    /// The circuit without what-ifs, controls and room where they are asked for.
    pub healthy: &'a Circuit,
    /// The same with every what-if.
    pub changed: &'a Circuit,
    /// The what-ifs besides controls and room, a line each; none where there are none.
    pub changes: Vec<String>,
    /// The bench sheet, where there is one.
    pub sheet: Option<&'a Sheet>,
    /// The source that the signal comes from, in the healthy circuit.
    pub input: Option<PartId>,
    /// Where the complaint is heard.
    pub output: Point,
    /// Band of the hiss, Hz.
    pub band_hz: [f64; 2],
    /// Weighting of the hiss.
    pub weighting: Weighting,
    /// Recordings, each with where it was made.
    pub recordings: Vec<(Point, RecordingResult)>,
    /// Whether the symptom chart is wanted.
    pub symptoms: bool,
    /// Whether the readings of the sheet are to be judged.
    pub diagnosis: bool,
    /// Whether the acceptance list of the sheet is wanted.
    pub acceptance: bool,
}

/// What is being worked on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Stage {
    /// The healthy circuit, and units drawn from its tolerances.
    Healthy,
    /// The symptom chart.
    Symptoms,
    /// The bank of faults that readings are held against.
    Diagnosis,
    /// The circuit at hand, spectra and tone curves.
    Present,
    /// The limits of the acceptance list.
    Acceptance,
}

impl Stage {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Stage::Healthy => "healthy units",
            Stage::Symptoms => "symptom chart",
            Stage::Diagnosis => "faults of the diagnosis",
            Stage::Present => "spectra and curves",
            Stage::Acceptance => "acceptance list",
        }
    }
}

/// Told what is done: a stage, how many of how many steps of it. Called from any thread.
pub type Progress<'a> = dyn Fn(Stage, usize, usize) + Sync + 'a;

/// A job with everything that was found out about it.
#[derive(Clone, Debug)]
pub struct Report {
    /// Job, complaint, cautions for this set: the title of the sheet, else that of the netlist.
    pub title: String,
    /// Conditions; the changes are those of the state at hand.
    pub setting: Setting,
    /// Name of the input source.
    pub from: Option<String>,
    /// Where the complaint is heard.
    pub output: String,
    /// Its node, or `A,B`.
    pub output_node: String,
    /// Ends of the band, Hz.
    pub band_hz: [f64; 2],
    /// Weighting.
    pub weighting: Weighting,
    /// What is complained of, dB over the healthy model; `None` without a sheet that says so.
    pub complaint_db: Option<f64>,
    /// Controls and where they stand.
    pub controls: Vec<(String, f64)>,
    /// The healthy circuit.
    pub healthy: State,
    /// The one at hand; `None` where nothing is known to differ.
    pub present: Option<State>,
    /// Whether the fault at hand is what the diagnosis finds likeliest, and not what was asked for.
    pub is_assumed: bool,
    /// The path of the hiss in signal order.
    pub path: Vec<PathPoint>,
    /// The place in the path where hiss first stands above the healthy band.
    pub begins: Option<usize>,
    /// Spectra at a few points.
    pub spectra: Vec<PointSpectra>,
    /// Gain from the input to the output, controls turned; `None` without an input.
    pub tone: Option<ResponseResult>,
    /// The same gain of the circuit at hand.
    pub present_tone: Option<ResponseResult>,
    /// Readings with a value, in order of the sheet.
    pub readings: Vec<Reading>,
    /// Points of the sheet with printed volts: node, name, place, printed volts.
    pub named: Vec<NamedNode>,
    /// The symptom chart, where it was asked for.
    pub symptoms: Option<SymptomsResult>,
    /// The verdict, where there were readings to judge.
    pub diagnosis: Option<Verdict>,
    /// The acceptance list, where it was asked for.
    pub acceptance: Option<VerifyResult>,
    /// Parts that make hiss worth telling apart, those that make most first.
    pub parts: Vec<ShownPart>,
    /// Recordings with where they were made.
    pub recordings: Vec<(String, RecordingResult)>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// The circuit in one state.
#[derive(Clone, Debug)]
pub struct State {
    /// What differs from the netlist as written, a line each.
    pub changes: Vec<String>,
    /// Hiss at every node; of the healthy state with its band.
    pub noise: NoiseResult,
    /// DC at every node; of the healthy state with its band.
    pub bias: BiasResult,
}

/// What the sheet says of a node.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedNode {
    /// The node, or `A,B`.
    pub node: String,
    /// Its name on the bench.
    pub name: String,
    /// Where it is.
    pub place: Option<String>,
    /// Volts printed on the schematic.
    pub printed_volts: Option<f64>,
}

/// A part that can be chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct ShownPart {
    /// Its name.
    pub name: String,
    /// Names of the nodes it is connected to.
    pub nodes: Vec<String>,
}

/// What the readings say.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// Suspects, next tests, the plan.
    pub result: DiagnoseResult,
    /// Reading by reading.
    pub told: Vec<ExplainRow>,
}

/// Gathers everything.
///
/// # Errors
/// [`SolveError`] of the healthy circuit or of the one with what-ifs. What else cannot be had, such as a diagnosis, becomes a
/// caution.
pub fn report(question: &ReportQuestion<'_>, progress: &Progress<'_>) -> Result<Report, SolveError> {
    let model = match question.sheet {
        Some(sheet) => HealthyModel::of_sheet(sheet, question.healthy),
        None => HealthyModel::of_circuit(question.healthy, question.input),
    };
    progress(Stage::Healthy, 0, 2);
    let mut healthy = state(question, question.healthy, Vec::new())?;
    progress(Stage::Healthy, 1, 2);
    healthy.noise.add_healthy(&model)?;
    healthy.bias.add_healthy(&model)?;
    progress(Stage::Healthy, 2, 2);
    let mut cautions = healthy.noise.cautions.clone();

    let symptoms = question.symptoms.then(|| chart(question, progress)).and_then(|chart| kept(chart, &mut cautions));
    let (diagnosis, likeliest) = match judged(question, &healthy, progress, &mut cautions) {
        Some((verdict, likeliest)) => (Some(verdict), likeliest),
        None => (None, None),
    };
    let is_assumed = question.changes.is_empty() && likeliest.is_some();
    let at_hand = match likeliest.filter(|_| question.changes.is_empty()) {
        Some(assumed) => Some((assumed.circuit, vec![assumed.text])),
        None => (!question.changes.is_empty()).then(|| (question.changed.clone(), question.changes.clone())),
    };
    progress(Stage::Present, 0, 3);
    let present = match &at_hand {
        Some((circuit, changes)) => Some(state(question, circuit, changes.clone())?),
        None => None,
    };
    progress(Stage::Present, 1, 3);
    let readings = readings(question.sheet);
    let path = path::path(question, &healthy, present.as_ref(), &readings);
    let begins = path.iter().position(PathPoint::stands_out);
    let parts = parts(question, &healthy, present.as_ref(), &path, diagnosis.as_ref());
    let circuit = at_hand.as_ref().map(|(circuit, _)| circuit);
    let spectra = spectra::spectra(question, &model, circuit, begins.map(|at| &path[at]), &parts)?;
    progress(Stage::Present, 2, 3);
    let (tone, present_tone) = tones(question, circuit, &mut cautions);
    progress(Stage::Present, 3, 3);
    let acceptance = accepted(question, progress).and_then(|list| kept(list, &mut cautions));
    for caution in present.iter().flat_map(|state| state.noise.cautions.iter().chain(&state.bias.cautions)) {
        if !cautions.contains(caution) {
            cautions.push(caution.clone());
        }
    }
    Ok(Report {
        title: question.sheet.and_then(|sheet| sheet.title.clone()).unwrap_or_else(|| question.healthy.title.clone()),
        setting: Setting::of(question.healthy, at_hand.as_ref().map_or(&[], |(_, changes)| changes)),
        from: question.input.map(|part| question.healthy.part(part).name.clone()),
        output: name_of(question.sheet, &question.output),
        output_node: question.output.name.clone(),
        band_hz: question.band_hz,
        weighting: question.weighting,
        complaint_db: question.sheet.and_then(|sheet| sheet.complaint.as_ref()).map(|complaint| complaint.hiss_db),
        controls: controls(question),
        healthy,
        present,
        is_assumed,
        path,
        begins,
        spectra,
        tone,
        present_tone,
        readings,
        named: named(question.sheet),
        symptoms,
        diagnosis,
        acceptance,
        parts,
        recordings: question
            .recordings
            .iter()
            .map(|(point, recording)| (name_of(question.sheet, point), recording.clone()))
            .collect(),
        cautions,
    })
}

impl Report {
    /// The state whose figures a reader is after: the one at hand, else the healthy one.
    pub fn shown(&self) -> &State {
        self.present.as_ref().unwrap_or(&self.healthy)
    }

    /// The place of a part among those that can be chosen.
    pub fn part(&self, name: &str) -> Option<usize> {
        self.parts.iter().position(|part| part.name == name)
    }

    /// What the sheet says of a node.
    pub fn named(&self, node: &str) -> Option<&NamedNode> {
        self.named.iter().find(|named| named.node == node)
    }
}

impl ReportQuestion<'_> {
    /// The input in a variant of the healthy circuit: a part taken out moves the places of those behind it.
    fn input_in(&self, circuit: &Circuit) -> Option<PartId> {
        circuit.find_part(&self.healthy.part(self.input?).name).ok()
    }
}

fn state(question: &ReportQuestion<'_>, circuit: &Circuit, changes: Vec<String>) -> Result<State, SolveError> {
    let instruments = question.sheet.map(|sheet| sheet.instruments.clone()).unwrap_or_default();
    let input = question.input_in(circuit);
    let asked = NoiseQuestion {
        points: Point::all(circuit, input),
        input,
        gain_hertz: 1e3,
        band_hz: question.band_hz,
        weighting: question.weighting,
        tolerance: DEFAULT_TOLERANCE,
        spectrum: false,
        source_resistance: None,
        level_volts: None,
        meter: Some(instruments.meter),
        scope: None,
        ripple: None,
    };
    let noise = noise(circuit, &changes, &asked)?;
    let metered = BiasQuestion { dc_meter: Some(instruments.dc_meter), input };
    let bias = bias(circuit, &changes, &metered)?;
    Ok(State { changes, noise, bias })
}

fn chart(question: &ReportQuestion<'_>, progress: &Progress<'_>) -> Result<SymptomsResult, Vec<Diagnostic>> {
    progress(Stage::Symptoms, 0, 1);
    let (circuit, output) = (question.healthy, question.output.clone());
    let mut asked = match question.sheet {
        Some(sheet) => SymptomQuestion::of_sheet(sheet, circuit, output),
        None => SymptomQuestion::of_circuit(circuit, question.input, output, question.band_hz),
    };
    (asked.band_hz, asked.weighting) = (question.band_hz, question.weighting);
    let chart = symptoms(circuit, &[], asked);
    progress(Stage::Symptoms, 1, 1);
    chart
}

/// A result, or its errors among the cautions.
fn kept<T>(result: Result<T, Vec<Diagnostic>>, cautions: &mut Vec<Diagnostic>) -> Option<T> {
    match result {
        Ok(result) => Some(result),
        Err(errors) => {
            cautions.extend(errors.into_iter().map(|error| Diagnostic { severity: Severity::Warning, ..error }));
            None
        }
    }
}

/// The verdict, and the likeliest fault where one part is more likely than not.
fn judged(
    question: &ReportQuestion<'_>,
    healthy: &State,
    progress: &Progress<'_>,
    cautions: &mut Vec<Diagnostic>,
) -> Option<(Verdict, Option<assumed::Assumed>)> {
    let sheet = question.sheet.filter(|sheet| question.diagnosis && !readings(Some(sheet)).is_empty())?;
    let prepared = Prepared::of(sheet, &|done, all| progress(Stage::Diagnosis, done, all));
    let prepared = kept(prepared.map_err(|error| vec![unprepared(error)]), cautions)?;
    let mut conversation = Conversation::new(&prepared);
    for (reading, span) in sheet.readings.iter().filter(|(reading, _)| reading.value.is_some()) {
        if let Err(problem) = conversation.read(reading) {
            cautions.push(Diagnostic::warning(problem.code, format!("not used: {}", problem.message)).at(*span));
        }
    }
    let result = diagnose(&prepared, &conversation);
    let likeliest = assumed::likeliest(question, healthy, sheet, &result);
    Some((Verdict { told: explain(&prepared, &conversation), result }, likeliest))
}

/// The acceptance list of the healthy circuit: what a cured set has to read.
fn accepted(question: &ReportQuestion<'_>, progress: &Progress<'_>) -> Option<Result<VerifyResult, Vec<Diagnostic>>> {
    let sheet = question.sheet.filter(|_| question.acceptance)?;
    let list = verify(sheet, question.healthy, &[], &|done, all| progress(Stage::Acceptance, done, all));
    Some(list.map_err(|error| match error {
        AcceptanceError::Unsolved(error) => vec![error.diagnostic()],
        AcceptanceError::Refused(errors) => errors,
    }))
}

fn unprepared(error: PrepareError) -> Diagnostic {
    match error {
        PrepareError::Sheet(problem) => problem,
        PrepareError::Unsolved(error) => error.diagnostic(),
        PrepareError::Bank(error) => Diagnostic::error(Code::BadSheetValue, error.to_string())
            .help("lower hiss_db of the complaint, or list more suspects"),
    }
}

fn tones(
    question: &ReportQuestion<'_>,
    at_hand: Option<&Circuit>,
    cautions: &mut Vec<Diagnostic>,
) -> (Option<ResponseResult>, Option<ResponseResult>) {
    let Some(input) = question.input else { return (None, None) };
    let turned =
        |control: &crate::bench::sheet::Control| Control { name: control.parameter.clone(), ends: control.range };
    let controls = match question.sheet {
        Some(sheet) => sheet.controls.iter().map(turned).collect(),
        None => Control::all(question.healthy),
    };
    let asked = ResponseQuestion {
        input,
        points: vec![question.output.clone()],
        hertz: spectra::hertz(question.band_hz),
        mid_hz: 1e3,
        controls,
        twin: None,
        balance: None,
        swing: None,
    };
    let mut kept = |result| match result {
        Ok(result) => Some(result),
        Err(ResponseError::Unsolved(error)) => kept::<ResponseResult>(Err(vec![error.diagnostic()]), cautions),
        Err(ResponseError::Refused(errors)) => kept(Err(errors), cautions),
    };
    let healthy = kept(response(question.healthy, &[], &asked));
    let alone = ResponseQuestion { controls: Vec::new(), ..asked };
    let moved = |circuit: &Circuit| Some(ResponseQuestion { input: question.input_in(circuit)?, ..alone.clone() });
    let at_hand = at_hand.and_then(|circuit| Some((circuit, moved(circuit)?)));
    (healthy, at_hand.and_then(|(circuit, asked)| kept(response(circuit, &[], &asked))))
}

fn readings(sheet: Option<&Sheet>) -> Vec<Reading> {
    let all = sheet.into_iter().flat_map(|sheet| &sheet.readings);
    all.map(|(reading, _)| reading.clone()).filter(|reading| reading.value.is_some()).collect()
}

fn controls(question: &ReportQuestion<'_>) -> Vec<(String, f64)> {
    let stands = |parameter: &str| question.healthy.parameter(parameter).unwrap_or_default();
    match question.sheet {
        Some(sheet) => {
            sheet.controls.iter().map(|control| (control.name.clone(), stands(&control.parameter))).collect()
        }
        None => Control::all(question.healthy)
            .into_iter()
            .map(|control| (control.name.clone(), stands(&control.name)))
            .collect(),
    }
}

fn named(sheet: Option<&Sheet>) -> Vec<NamedNode> {
    let points = sheet.into_iter().flat_map(|sheet| &sheet.points);
    let named = points.map(|point| NamedNode {
        node: point.point.name.clone(),
        name: point.name.clone(),
        place: point.place.clone(),
        printed_volts: point.printed_volts,
    });
    named.collect()
}

fn name_of(sheet: Option<&Sheet>, point: &Point) -> String {
    sheet.map_or_else(|| point.name.clone(), |sheet| sheet.point_name(point))
}

/// Parts worth choosing: those that make most at the output, the first at every point of the path, the suspects.
fn parts(
    question: &ReportQuestion<'_>,
    healthy: &State,
    present: Option<&State>,
    path: &[PathPoint],
    verdict: Option<&Verdict>,
) -> Vec<ShownPart> {
    let mut names: Vec<String> = Vec::new();
    let mut add = |name: &str| {
        if names.len() < MOST_PARTS && !names.iter().any(|known| known == name) {
            names.push(name.to_owned());
        }
    };
    let suspects = verdict.into_iter().flat_map(|verdict| verdict.result.shown().take(6));
    suspects.for_each(|suspect| add(&suspect.part));
    let states: Vec<&State> = present.into_iter().chain([healthy]).collect();
    for (state, most) in states.iter().zip([10, 6]) {
        let output = state.noise.points.iter().find(|point| point.name == question.output.name);
        let makers = output.into_iter().flat_map(|point| &point.devices);
        makers.filter(|device| device.share >= LEAST_SHARE).take(most).for_each(|device| add(&device.name));
    }
    for row in path {
        states.iter().filter_map(|state| state.noise.points.iter().find(|point| point.name == row.node)).for_each(
            |point| {
                point.devices.iter().filter(|device| device.share >= 0.1).take(2).for_each(|device| add(&device.name));
            },
        );
    }
    let circuit = question.changed;
    let nodes = |name: &str| {
        let Ok(part) = circuit.find_part(name) else { return Vec::new() };
        let element = &circuit.part(part).element;
        let nodes = element.pins().iter().filter_map(|&pin| element.pin_node(pin));
        nodes.map(|node| circuit.node_name(node).to_owned()).collect()
    };
    names.into_iter().map(|name| ShownPart { nodes: nodes(&name), name }).collect()
}
