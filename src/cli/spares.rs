//! `spares`: which of my spares fits, and what should the pulled part read?

use clap::Args;
use hissmap::bench::sheet::Sheet;
use hissmap::bench::sheet::settings::{Surroundings, Tolerances};
use hissmap::bench::{ListedFault, Point, Unit, hypotheses};
use hissmap::circuit::{Change, Circuit, Model};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::element::{Bjt, Element, PartId};
use hissmap::mna::NodeId;
use hissmap::repair::spares::pulled::PulledQuestion;
use hissmap::repair::spares::{Candidate, SparesError, SparesQuestion, Tester, twin_of};
use hissmap::report::{csv, json, no_transistor, pulled, spares, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, load, named};
use super::files::read_parts;
use super::flags::{Answer, Common, Format, Weight, WhatIfs};

/// Which of my spares fits in the place of a transistor, and what should the pulled part read on a tester?
///
/// Parts of the sheet's drawer and model cards of a parts file are tried in its place: bias, gain, hiss, heat, ratings, the
/// other channel. What-ifs about the transistor itself go with the part that comes out.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  hissmap spares circuits/two-stage-germanium.toml Q2\n  \
                        hissmap spares circuits/two-stage-germanium.cir Q2 --from circuits/parts.inc --hottest 50\n  \
                        hissmap spares circuits/two-stage-germanium.toml Q2 --pulled")]
pub struct Flags {
    #[command(flatten)]
    pub common: Common,
    /// The transistor whose place it is
    #[arg(value_name = "DEVICE")]
    device: String,
    /// File of .model cards to try; may be repeated [default: the spares of the sheet alone]
    #[arg(long, value_name = "PARTS", conflicts_with = "pulled")]
    from: Vec<String>,
    /// Say what a simple tester reads on the pulled part if it is good, and if it is guilty
    #[arg(long)]
    pulled: bool,
    /// Where hiss and gain count [default: the output of the sheet or .noise]
    #[arg(long, value_name = "NODE")]
    heard: Option<String>,
    /// Band of the hiss in Hz [default: that of the sheet or .noise, else 20:20k]
    #[arg(long, value_name = "LOW:HIGH")]
    band: Option<String>,
    /// Weighting of the hiss
    #[arg(long, value_name = "CURVE", default_value = "flat", ignore_case = true)]
    weight: Weight,
    /// The highest temperature inside the closed cabinet, °C [default: that of the sheet, else 45]
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    hottest: Option<String>,
    /// The order of pins of the transistor that comes out, from below, to set those of the spares against
    #[arg(long, value_name = "PINS")]
    pinout: Option<String>,
    /// The case of the transistor that comes out
    #[arg(long, value_name = "TEXT")]
    case: Option<String>,
    /// The same place in the other channel [default: found by the twins of the sheet, or by its name]
    #[arg(long, value_name = "DEVICE")]
    twin: Option<String>,
    #[command(flatten)]
    tester: TesterFlags,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

/// The tester that spares were measured on, and the pulled part will be.
#[derive(Debug, Args)]
#[command(next_help_heading = "Tester")]
struct TesterFlags {
    /// Volts across collector and emitter
    #[arg(long, value_name = "VOLTS", default_value = "6 V")]
    tester_volts: String,
    /// Current into the base for hFE, A
    #[arg(long, value_name = "AMPS", default_value = "10 uA")]
    tester_base: String,
    /// Current through a junction for its drop, A
    #[arg(long, value_name = "AMPS", default_value = "1 mA")]
    tester_drop: String,
    /// Temperature of the room, °C
    #[arg(long, value_name = "CELSIUS", default_value = "25", allow_negative_numbers = true)]
    room: String,
}

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("spares", flags.common.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.common.file, &flags.what_ifs)?;
    let refuse = |errors| Refusal::flags(&loaded, errors);
    let one = |error| refuse(vec![error]);
    let device = loaded.written.find_part(&flags.device).map_err(one)?;
    let name = loaded.written.part(device).name.clone();
    let tester = flags.tester.read().map_err(one)?;
    let place = Place::of(&loaded, &name).map_err(refuse)?;
    let Element::Bjt(original) = &place.circuit.part(place.part).element else {
        return Err(one(no_transistor(&place.circuit, place.part)));
    };
    if flags.pulled {
        return on_tester(flags, loaded, &place, tester);
    }
    let candidates = candidates(flags, &loaded, &place.circuit, original)?;
    let question = question(flags, &loaded, &place, candidates, tester)?;
    let result = spares(&question, &place.changes).map_err(|error| match error {
        SparesError::Unsolved(error) => Refusal::unsolved(&loaded, &error),
        SparesError::NoTransistor(_) => one(no_transistor(&place.circuit, place.part)),
    })?;
    let cautions = result.spares.original.cautions.clone();
    Ok(answer(loaded, &cautions, |warnings| match flags.common.format() {
        Format::Text => text::spares(&result),
        Format::Csv => csv::spares(&result),
        Format::Json => line(&json::SparesForm::new(json::Head::new("spares", warnings), &result)),
    }))
}

/// The place with the part that its card describes; the what-ifs about that part itself apart.
struct Place {
    circuit: Circuit,
    part: PartId,
    /// A line each.
    changes: Vec<String>,
    /// What is wrong with the part that comes out, and its words.
    of_part: Vec<(String, Vec<Change>)>,
}

impl Place {
    fn of(loaded: &Loaded, name: &str) -> Result<Self, Vec<Diagnostic>> {
        let (own, others): (Vec<_>, Vec<_>) =
            loaded.what_ifs.iter().partition(|what_if| what_if.changes.iter().any(|change| goes_with(change, name)));
        let kept: Vec<Change> = others.iter().flat_map(|what_if| what_if.changes.clone()).collect();
        let circuit = loaded.written.changed(&kept)?;
        let left_out = own.iter().map(|what_if| format!("{}: goes with the part that comes out", what_if.text));
        Ok(Self {
            part: circuit.find_part(name).map_err(|error| vec![error])?,
            circuit,
            changes: others.iter().map(|what_if| what_if.text.clone()).chain(left_out).collect(),
            of_part: own.iter().map(|what_if| (what_if.text.clone(), what_if.changes.clone())).collect(),
        })
    }
}

/// Whether a change is of the part itself, and not of its place or the rest of the circuit.
fn goes_with(change: &Change, name: &str) -> bool {
    match change {
        Change::Leak { part, .. }
        | Change::Beta { part, .. }
        | Change::Flicker { part, .. }
        | Change::Series { part, .. }
        | Change::Across { part, .. }
        | Change::Lift { part } => part.eq_ignore_ascii_case(name),
        _ => false,
    }
}

/// The drawer of the sheet, then the cards of the parts files in their order.
fn candidates(flags: &Flags, loaded: &Loaded, circuit: &Circuit, original: &Bjt) -> Result<Vec<Candidate>, Refusal> {
    let drawer = loaded.sheet.iter().flat_map(|sheet| &sheet.spares);
    let mut all: Vec<Candidate> = drawer.filter_map(|spare| Candidate::individual(spare, circuit, original)).collect();
    for file in &flags.from {
        let (netlist, mut messages) = read_parts(file);
        let models = Model::all(&netlist, &mut messages);
        if messages.iter().any(Diagnostic::is_error) {
            return Err(Refusal::of(messages, netlist.sources));
        }
        let cards: Vec<Candidate> = models.iter().filter_map(|(name, model)| Candidate::card(name, model)).collect();
        if cards.is_empty() {
            let error = Diagnostic::error(Code::MissingInput, format!("{file} has no model of a bipolar transistor"));
            return Err(Refusal::flags(
                loaded,
                vec![error.help("it needs lines such as .model GEP2 PNP(IS=2u BF=80 EG=0.67)")],
            ));
        }
        all.extend(cards);
    }
    if all.is_empty() {
        let help = "name a file of .model cards: --from parts.inc, or list parts of the drawer in a sheet: [[spare]]";
        return Err(Refusal::missing(loaded, "which spares?", help));
    }
    Ok(all)
}

fn question<'a>(
    flags: &Flags,
    loaded: &Loaded,
    place: &'a Place,
    candidates: Vec<Candidate>,
    tester: Tester,
) -> Result<SparesQuestion<'a>, Refusal> {
    let one = |error: Diagnostic| Refusal::flags(loaded, vec![error]);
    let circuit = &place.circuit;
    let output = match &flags.heard {
        Some(text) => named("heard", text, loaded.point(text)).map_err(one)?,
        None => loaded.output().ok_or_else(|| {
            let help = "name it: --heard out, or .noise v(out) VIN dec 20 20 20k in the netlist";
            Refusal::missing(loaded, "at which output do hiss and gain count?", help)
        })?,
    };
    let again = |point: &Point| Point::read(circuit, &point.name);
    let input = loaded.input_in(circuit);
    let surroundings = loaded.sheet.as_ref().map_or_else(Surroundings::default, |sheet| sheet.surroundings.clone());
    let hottest = flags.hottest.as_ref().map(|text| quantity("hottest", text, Unit::Celsius)).transpose();
    let tolerances = loaded.sheet.as_ref().map_or_else(Tolerances::default, |sheet| sheet.tolerances.clone());
    let twin = match &flags.twin {
        Some(text) => Some(named("twin", text, circuit.find_part(text)).map_err(one)?),
        None => twin_of(circuit, place.part, &twins(loaded.sheet.as_ref(), circuit)),
    };
    let healthy = loaded.healthy(Some(Some(Answer::Yes)))?.ok_or_else(|| {
        Refusal::missing(loaded, "spares are set against healthy units", "leave out what forbids them")
    })?;
    Ok(SparesQuestion {
        circuit,
        part: place.part,
        candidates,
        input,
        output: again(&output).map_err(one)?,
        points: Point::all(circuit, input),
        band_hz: loaded.band_hz(flags.band.as_ref()).map_err(one)?,
        weighting: flags.weight.into(),
        hottest_celsius: hottest.map_err(one)?.unwrap_or(surroundings.hottest_celsius),
        healthy,
        tester,
        twin,
        healthy_ratios: [tolerances.beta_ratio, tolerances.icbo_ratio],
        original_pinout: flags.pinout.clone(),
        original_case: flags.case.clone(),
    })
}

/// Nodes of both channels that the sheet sets side by side.
fn twins(sheet: Option<&Sheet>, circuit: &Circuit) -> Vec<(NodeId, NodeId)> {
    let pairs = sheet.into_iter().flat_map(|sheet| &sheet.points).filter_map(|named| {
        let found = |point: &Point| circuit.find_node(&point.name).ok();
        Some((found(&named.point)?, found(named.twin.as_ref()?)?))
    });
    pairs.collect()
}

fn on_tester(flags: &Flags, loaded: Loaded, place: &Place, tester: Tester) -> Result<Outcome, Refusal> {
    let circuit = &place.circuit;
    let name = &circuit.part(place.part).name;
    let listed = loaded.sheet.as_ref().map_or_else(Vec::new, Sheet::listed_faults);
    let mut faults: Vec<ListedFault> = listed.into_iter().filter(|fault| fault.name == *name).collect();
    // A sheet that suspects other parts still has its part pulled.
    if faults.is_empty() {
        let own = hypotheses(circuit).into_iter().filter(|(part, ..)| *part == place.part);
        faults = own
            .map(|(part, kind, prior)| ListedFault { part, name: name.clone(), kind, pins: Vec::new(), prior })
            .collect();
    }
    let (tolerances, surroundings) = match &loaded.sheet {
        Some(sheet) => (sheet.tolerances.clone(), sheet.surroundings.clone()),
        None => (Tolerances::default(), Surroundings::default()),
    };
    let coordinates = tolerances.coordinates(circuit, None, &surroundings);
    let what_ifs = place.of_part.clone();
    let question = PulledQuestion { circuit, part: place.part, coordinates: &coordinates, faults, what_ifs, tester };
    let of_others: Vec<String> =
        place.changes.iter().take(place.changes.len() - place.of_part.len()).cloned().collect();
    let result = pulled(&question, &of_others).map_err(|errors| Refusal::flags(&loaded, errors))?;
    Ok(answer(loaded, &[], |warnings| match flags.common.format() {
        Format::Text => text::pulled(&result),
        Format::Csv => csv::pulled(&result),
        Format::Json => line(&json::PulledForm::new(json::Head::new("spares", warnings), &result)),
    }))
}

impl TesterFlags {
    fn read(&self) -> Result<Tester, Diagnostic> {
        let above_zero = |flag: &str, text: &str, unit: Unit| match quantity(flag, text, unit)? {
            value if value > 0.0 => Ok(value),
            _ => {
                let error = Diagnostic::error(Code::BadFlag, format!("--{flag} {text}: it must be above zero"));
                Err(error.help("leave signs out: the tester turns them round for a PNP"))
            }
        };
        Ok(Tester {
            volts: above_zero("tester-volts", &self.tester_volts, Unit::Volts)?,
            base_amps: above_zero("tester-base", &self.tester_base, Unit::Amps)?,
            drop_amps: above_zero("tester-drop", &self.tester_drop, Unit::Amps)?,
            celsius: quantity("room", &self.room, Unit::Celsius)?,
        })
    }
}

/// A number of a flag with its unit.
fn quantity(flag: &str, text: &str, unit: Unit) -> Result<f64, Diagnostic> {
    let read = unit.read(text).map_err(|error| Diagnostic { code: Code::BadFlag, ..error });
    let value = named(flag, text, read)?;
    if unit == Unit::Celsius && value <= -hissmap::physics::ZERO_CELSIUS {
        let error = Diagnostic::error(Code::BadFlag, format!("--{flag} {text}: that is below absolute zero"));
        return Err(error.help(format!("write degrees Celsius: --{flag} 40")));
    }
    Ok(value)
}
