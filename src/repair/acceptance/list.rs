//! What is asked: the standard list of a set, and what the readings of its sheet add to it.

use super::Subject;
use crate::bench::Point;
use crate::bench::reading::{Measure, Observed, Reading, When};
use crate::bench::sheet::{Resolved, Sheet};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId};
use crate::noise::Weighting;
use crate::repair::swing::{MID_HERTZ, load_across};

/// The load from which on an output is a line, and nobody asks for its watts, Ω.
const LINE_OHMS: f64 = 600.0;
/// Nodes from which on DC is asked for only where the sheet names points.
const MOST_NODES: usize = 40;

/// One thing asked.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Wanted {
    pub subject: Subject,
    pub channel: Belongs,
    pub when: Option<When>,
    /// Controls that stand elsewhere than the sheet says, by index, ascending.
    pub with: Vec<(usize, f64)>,
    pub reading: Option<Observed>,
}

/// Whose it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Belongs {
    /// Of the channel that was repaired.
    Own,
    /// Of the other one, which the netlist holds.
    Twin,
    /// Of the other one, which the netlist does not hold: another unit of the batch.
    Other,
    /// Of the whole set.
    Set,
}

impl Wanted {
    /// Whether both are the same thing, read or not.
    pub fn same(&self, other: &Wanted) -> bool {
        (&self.subject, self.channel, self.when, &self.with) == (&other.subject, other.channel, other.when, &other.with)
    }
}

/// The two ends of each channel.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ends {
    pub input: Option<PartId>,
    pub output: Point,
    pub load: Option<(PartId, f64)>,
}

/// The channel that was repaired, and the other one where the netlist has it.
pub(super) fn channels(sheet: &Sheet, circuit: &Circuit) -> Option<(Ends, Option<Ends>)> {
    let asked = &sheet.acceptance;
    let ends = |input, output: Point, load: Option<PartId>| {
        let named = load.and_then(|part| match &circuit.part(part).element {
            Element::Resistor(resistor) => Some((part, resistor.ohms)),
            _ => None,
        });
        Ends { input, load: named.or_else(|| load_across(circuit, (output.plus, output.minus))), output }
    };
    let output = sheet.output.clone()?;
    let twin = sheet.twin_of(&output).map(|twin| ends(asked.twin_input, twin, asked.loads[1]));
    Some((ends(sheet.input, output, asked.loads[0]), twin))
}

/// The set that is judged, with both channels.
pub(super) struct Set<'a> {
    pub sheet: &'a Sheet,
    pub circuit: &'a Circuit,
    pub own: &'a Ends,
    pub twin: Option<&'a Ends>,
}

impl Set<'_> {
    pub fn ends(&self, channel: Belongs) -> &Ends {
        match (channel, self.twin) {
            (Belongs::Twin, Some(twin)) => twin,
            _ => self.own,
        }
    }
}

/// The whole list in the order of work, and what was left out of it.
pub(super) fn wanted(set: &Set<'_>) -> (Vec<Wanted>, Vec<Diagnostic>) {
    let Set { sheet, circuit, own, twin } = *set;
    let mut list = List { sheet, all: Vec::new(), cautions: Vec::new() };
    for when in [None, Some(When::Warm), Some(When::Cold)] {
        list.standard(own, Belongs::Own, when);
        if let Some(twin) = twin {
            list.standard(twin, Belongs::Twin, when);
            if when.is_none() && twin.input.is_some() && own.input.is_some() {
                list.add(Subject::Balance, Belongs::Set, None);
                if balance_control(sheet).is_some() {
                    list.add(Subject::BalancePosition, Belongs::Set, None);
                }
            }
        }
        if when != Some(When::Cold) {
            list.dc_points(circuit, when);
            for (part, _) in circuit.parts().filter(|(_, part)| part.element.heats_itself()) {
                list.add(Subject::Temperature(part), Belongs::Set, when);
            }
        }
    }
    if twin.is_some_and(|twin| twin.input.is_none()) {
        let message = "the source of the other channel is not known: its gain is not asked for";
        let help = "name it in the sheet: [acceptance] twin_input = \"VR\"";
        list.cautions.push(Diagnostic::warning(Code::MissingInput, message).help(help));
    }
    for (reading, span) in &sheet.readings {
        list.reading(own, twin, reading).unwrap_or_else(|error| list.cautions.push(error.at(*span)));
    }
    (list.all, list.cautions)
}

/// The control that makes both channels equally loud.
pub(super) fn balance_control(sheet: &Sheet) -> Option<usize> {
    let named = || sheet.controls.iter().position(|control| control.name.eq_ignore_ascii_case("balance"));
    sheet.acceptance.balance.or_else(named)
}

struct List<'s> {
    sheet: &'s Sheet,
    all: Vec<Wanted>,
    cautions: Vec<Diagnostic>,
}

impl List<'_> {
    fn add(&mut self, subject: Subject, channel: Belongs, when: Option<When>) {
        self.put(Wanted { subject, channel, when, with: Vec::new(), reading: None });
    }

    /// Puts something on the list, or what was read to what stands there.
    fn put(&mut self, wanted: Wanted) {
        match self.all.iter_mut().find(|known| known.same(&wanted)) {
            Some(known) => known.reading = wanted.reading.or(known.reading),
            None => self.all.push(wanted),
        }
    }

    fn standard(&mut self, ends: &Ends, channel: Belongs, when: Option<When>) {
        let output = || ends.output.clone();
        let (settings, _) = self.sheet.complaint_settings();
        let at_rest = std::iter::once(Vec::new());
        // Cold, what has changed since it was warm is looked for, and not every setting again.
        let settings = at_rest.chain(settings.into_iter().filter(|_| when.is_none()));
        for mut with in settings {
            self.sort(&mut with);
            let subject = Subject::Hiss(output(), Weighting::Flat);
            self.put(Wanted { subject, channel, when, with, reading: None });
        }
        if when.is_none() {
            self.add(Subject::Hiss(output(), Weighting::A), channel, None);
            self.add(Subject::SignalToNoise(Weighting::Flat), channel, None);
            self.add(Subject::SignalToNoise(Weighting::A), channel, None);
            self.add(Subject::Hum(output()), channel, None);
        }
        if ends.input.is_some() {
            self.add(Subject::Gain(output(), MID_HERTZ), channel, when);
            if when.is_none() {
                for hertz in self.sheet.acceptance.response_hz.clone() {
                    self.add(Subject::Response(output(), hertz), channel, None);
                }
                for subject in [Subject::ClipUp, Subject::ClipDown, Subject::ClipSymmetry] {
                    self.add(subject, channel, None);
                }
            }
            if ends.load.is_some_and(|(_, ohms)| ohms < LINE_OHMS) {
                self.add(Subject::Watts, channel, when);
            }
        }
        self.add(Subject::Dc(output()), channel, when);
    }

    /// Every named point with its twin; every node that nothing holds where the sheet names none.
    fn dc_points(&mut self, circuit: &Circuit, when: Option<When>) {
        let sheet = self.sheet;
        let held = circuit.held_groups();
        let stands = |point: &Point| held[point.plus.index()] != held[point.minus.index()];
        for named in sheet.points.iter().filter(|named| stands(&named.point)) {
            let channel = if named.twin.is_some() { Belongs::Own } else { Belongs::Set };
            self.add(Subject::Dc(named.point.clone()), self.of_output(&named.point, channel), when);
            if let Some(twin) = &named.twin {
                self.add(Subject::Dc(twin.clone()), Belongs::Twin, when);
            }
        }
        if sheet.points.is_empty() && circuit.nodes().len() <= MOST_NODES {
            for point in Point::all(circuit, sheet.input).into_iter().filter(stands) {
                let channel = self.of_output(&point, Belongs::Set);
                self.add(Subject::Dc(point), channel, when);
            }
        }
    }

    fn of_output(&self, point: &Point, otherwise: Belongs) -> Belongs {
        if self.sheet.output.as_ref() == Some(point) { Belongs::Own } else { otherwise }
    }

    /// Controls where they stand anyway say nothing.
    fn sort(&self, with: &mut Vec<(usize, f64)>) {
        with.retain(|&(control, position)| self.sheet.controls[control].now != position);
        with.sort_by_key(|entry| entry.0);
        with.dedup();
    }

    fn reading(&mut self, own: &Ends, twin: Option<&Ends>, reading: &Reading) -> Result<(), Diagnostic> {
        if reading.measure == Measure::Change {
            return Ok(());
        }
        let refused = |why: &str| {
            let error = Diagnostic::warning(Code::BadReading, format!("not judged: {}: {why}", reading.text()));
            Err(error.help("see what is judged: hissmap verify --help"))
        };
        let Ok(Resolved { point, part, mut with, twin_is_model, .. }) = self.sheet.resolve(reading) else {
            return refused("it names what is not there");
        };
        let place = point.clone().unwrap_or_else(|| own.output.clone());
        let is_twin_output = twin.is_some_and(|twin| twin.output == place);
        let has_twin = |point: &Point| self.sheet.twin_of(point).is_some();
        let channel = match (reading.twin, twin_is_model) {
            (true, true) => Belongs::Other,
            (true, false) => Belongs::Twin,
            (false, _) if is_twin_output => Belongs::Twin,
            (false, _) if place == own.output || has_twin(&place) => Belongs::Own,
            (false, _) => Belongs::Set,
        };
        let at_output = place == own.output || is_twin_output;
        let hertz = reading.hertz.unwrap_or(MID_HERTZ);
        let subject = match reading.measure {
            Measure::Hiss => Subject::Hiss(place, reading.weight),
            Measure::PeakToPeak => Subject::PeakToPeak(place),
            Measure::Hum => Subject::Hum(place),
            Measure::Dc => Subject::Dc(place),
            Measure::Gain => Subject::Gain(place, hertz),
            Measure::Response => Subject::Response(place, hertz),
            Measure::Balance => Subject::Balance,
            Measure::ClipUp | Measure::ClipDown | Measure::Watts if !at_output => {
                return refused("clipping and watts are those of the output");
            }
            Measure::ClipUp => Subject::ClipUp,
            Measure::ClipDown => Subject::ClipDown,
            Measure::Watts => Subject::Watts,
            Measure::Temperature => match part {
                Some(part) => Subject::Temperature(part),
                None => return refused("of which part?"),
            },
            Measure::Change => return Ok(()),
        };
        let whole_set = matches!(subject, Subject::Balance | Subject::Temperature(_));
        // A setting at which the channels are equally loud is where the balance control stands.
        if let (Subject::Balance, Some(control), Some(Observed::Number(db))) =
            (&subject, balance_control(self.sheet), reading.value.as_ref().map(|value| value.observed))
            && db.abs() <= 2.0 * self.sheet.reading_errors.balance_db
        {
            let stood = with.iter().find(|(index, _)| *index == control).map(|(_, position)| *position);
            let position = Observed::Number(stood.unwrap_or(self.sheet.controls[control].now));
            let subject = Subject::BalancePosition;
            let (channel, with, when) = (Belongs::Set, Vec::new(), reading.when);
            self.put(Wanted { subject, channel, when, with, reading: Some(position) });
        }
        self.sort(&mut with);
        let channel = if whole_set { Belongs::Set } else { channel };
        let observed = reading.value.as_ref().map(|value| value.observed);
        self.put(Wanted { subject, channel, when: reading.when, with, reading: observed });
        Ok(())
    }
}
