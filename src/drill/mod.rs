//! A training session: a unit with a hidden fault on the bench, readings that err as instruments do, minutes that count.
//!
//! A [`Drill`] is plain state. [`Drill::act`] does one thing a technician does and says what came of it; the same sheet, seed
//! and actions give the same answers on every machine. Nothing is read, written or printed here.
//!
//! ```
//! # use hissmap::bench::sheet::Sheet;
//! # use hissmap::netlist::Fetched;
//! use hissmap::drill::{Action, Answer, Drill, Level};
//! # let netlist = "A stage\nVIN src 0 DC 0 AC 1\nRS src in 1k\nC1 in b 10u\nR1 vcc b 82k\nR2 b 0 15k\nQ1 c b e GE\n\
//! #     RC vcc c 4k7\nRE e 0 1k\nCE e 0 220u\nVCC vcc 0 9\n.model GE PNP (IS=2u BF=60 EG=0.67 RB=100)\n.noise v(c) VIN dec 5 20 20k\n";
//! # let netlist = netlist.replace("PNP", "NPN");
//! # let sheet = Sheet::read("job.toml", "circuit = \"stage.cir\"", &mut |_| {
//! #     Ok(Fetched { name: "stage.cir".to_owned(), text: netlist.clone() })
//! # }).map_err(|unread| format!("{:?}", unread.messages))?.0;
//! let mut drill = Drill::drawn(&sheet, 7, Level::Fair)?;
//! let Answer::Read(hiss) = drill.act(&Action::read("meter c")?)? else { panic!("a reading") };
//! assert!(hiss.value.is_some());
//! assert_eq!(drill.course().minutes(), sheet.costs.hiss);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod action;
mod course;
mod hidden;
mod hint;
mod points;
mod safety;
mod seal;
mod truth;

use std::sync::Arc;

use crate::bench::Fault;
use crate::bench::reading::{How, Measure, Reading};
use crate::bench::sheet::{Sheet, Target};
use crate::bench::simulated::SimulatedUnit;
use crate::circuit::Change;
use crate::diagnosis::prepare::{PrepareError, Prepared};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::PartId;

pub use crate::bench::sheet::settings::Level;
pub use action::{Action, VERBS};
pub use course::{Came, Course, Step};
use hidden::Hidden;
pub use hint::{Advice, Hint};
pub use points::{ControlLine, PointLine, Points};
use safety::Safety;
pub use safety::{BURNS_CELSIUS, HIGH_VOLTS};
pub use seal::{seal, unseal};
pub use truth::{Frozen, Raised, Strongest, Truth, TruthPoint};

/// Things done in one drill, at most.
const MOST_STEPS: usize = 10_000;

/// A unit on the bench, and what was done to it.
#[derive(Clone, Debug)]
pub struct Drill<'s> {
    sheet: &'s Sheet,
    seed: u64,
    hidden: Hidden<'s>,
    /// As it stands on the bench now.
    unit: SimulatedUnit<'s>,
    safety: Safety,
    /// Controls elsewhere than the sheet has them.
    positions: Vec<(usize, f64)>,
    course: Course,
    /// Parts that were good and have been replaced.
    replaced: u64,
    advisor: Option<Arc<Prepared<'s>>>,
}

/// What came of an action.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Answer {
    /// A reading.
    Read(Reading),
    /// The set did something that no instrument shows, and why.
    Nothing(String),
    /// A control stands elsewhere now; with what it did to the hiss where it went to its lower end.
    Stands {
        /// Which.
        control: String,
        /// Where.
        position: f64,
        /// The change.
        read: Option<Reading>,
    },
    /// Something was tapped, and whether that is heard.
    Tapped {
        /// What.
        what: String,
        /// Whether it crackles.
        crackles: bool,
    },
    /// It was not done: it would have hurt somebody or destroyed something, and why.
    Stopped(String),
    /// A part was replaced.
    Replaced {
        /// Which.
        part: String,
        /// Whether it was the bad one.
        cured: bool,
    },
    /// A leg was lifted.
    Lifted {
        /// Of which part.
        part: String,
        /// Whether it is the bad one.
        guilty: bool,
    },
    /// What diagnosis advises.
    Hint(Hint),
    /// Where one can measure, and what can be turned.
    Points(Points),
    /// The way so far was asked for.
    Log,
    /// What can be done was asked for.
    Help,
    /// The drill is over without a cure.
    GaveUp,
}

impl<'s> Drill<'s> {
    /// A unit whose fault is drawn.
    ///
    /// # Errors
    /// [`Code::MissingInput`] for a sheet without an output, [`Code::BadSheetValue`] where none of its faults shows the
    /// complaint.
    pub fn drawn(sheet: &'s Sheet, seed: u64, level: Level) -> Result<Self, Diagnostic> {
        Self::with(sheet, seed, Hidden::drawn(sheet, seed, level)?)
    }

    /// A unit whose fault is chosen.
    ///
    /// # Errors
    /// A fault that does not fit the circuit; [`Code::MissingInput`] for a sheet without an output.
    pub fn chosen(sheet: &'s Sheet, seed: u64, fault: &Fault) -> Result<Self, Diagnostic> {
        Self::with(sheet, seed, Hidden::chosen(sheet, seed, fault)?)
    }

    fn with(sheet: &'s Sheet, seed: u64, hidden: Hidden<'s>) -> Result<Self, Diagnostic> {
        let unit = hidden.unit.clone();
        let safety = Safety::of(sheet, unit.circuit())?;
        let (positions, course) = (Vec::new(), Course::default());
        Ok(Self { sheet, seed, hidden, unit, safety, positions, course, replaced: 0, advisor: None })
    }

    /// The same unit from the beginning, nothing done to it yet.
    #[must_use]
    pub fn afresh(&self) -> Self {
        let (unit, safety) = (self.hidden.unit.clone(), self.safety.clone());
        let (positions, course) = (Vec::new(), Course::default());
        Self { unit, safety, positions, course, replaced: 0, ..self.clone() }
    }

    /// The sheet.
    pub fn sheet(&self) -> &'s Sheet {
        self.sheet
    }

    /// The seed that the unit, its tolerances and the errors of all readings come from.
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// How hard it was asked to be; `None` where the fault was chosen.
    pub fn level(&self) -> Option<Level> {
        self.hidden.level
    }

    /// dB of hiss at the output over the healthy model, where the complaint is loudest.
    pub fn excess_db(&self) -> f64 {
        self.hidden.excess_db
    }

    /// What was done so far.
    pub fn course(&self) -> &Course {
        &self.course
    }

    /// Whether it is over: cured, or given up.
    pub fn is_over(&self) -> bool {
        self.course.is_over()
    }

    /// The hidden fault: for the end.
    pub fn fault(&self) -> &Fault {
        &self.hidden.fault
    }

    /// What was wrong, and why the hiss appeared where it did, computed from this unit.
    ///
    /// # Errors
    /// A unit that finds no bias.
    pub fn truth(&self) -> Result<Truth, Diagnostic> {
        Truth::of(self.sheet, &self.hidden)
    }

    /// Whether diagnosis is ready; else a hint, or the best path, prepares it first, which takes from a second to minutes.
    pub fn is_prepared(&self) -> bool {
        self.advisor.is_some()
    }

    /// Prepares diagnosis of the sheet, telling `progress` how many of how many faults are done; shared by later hints.
    ///
    /// # Errors
    /// [`PrepareError`]
    pub fn prepare(&mut self, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<&Arc<Prepared<'s>>, PrepareError> {
        let prepared = match self.advisor.take() {
            Some(prepared) => prepared,
            None => Arc::new(Prepared::of(self.sheet, progress)?),
        };
        Ok(self.advisor.insert(prepared))
    }

    /// With a diagnosis of the same sheet that was prepared before.
    #[must_use]
    pub fn advised_by(self, prepared: Arc<Prepared<'s>>) -> Self {
        Self { advisor: Some(prepared), ..self }
    }

    /// Does something.
    ///
    /// # Errors
    /// Names that stand for nothing here, a control beyond its ends, anything after the end; nothing has been done then.
    pub fn act(&mut self, action: &Action) -> Result<Answer, Diagnostic> {
        if self.is_over() {
            return Err(refused("the drill is over").help("begin another one"));
        }
        if self.course.steps.len() >= MOST_STEPS {
            return Err(refused("nobody does so much to one unit").help("give up"));
        }
        match action {
            Action::Test(test) => self.test(action, test),
            Action::Set { control, position } => self.set(action, control, *position),
            Action::Tap(what) => self.tap(action, what),
            Action::Replace(part) => self.replace(action, part),
            Action::Lift(part) => self.lift(action, part),
            Action::Hint => {
                let hint = self.hint()?;
                self.step(action, Came::Hinted, 0.0);
                Ok(Answer::Hint(hint))
            }
            Action::GiveUp => {
                self.step(action, Came::GaveUp, self.sheet.costs.open_search);
                Ok(Answer::GaveUp)
            }
            Action::Points => Ok(Answer::Points(Points::of(self.sheet, &self.positions))),
            Action::Log => Ok(Answer::Log),
            Action::Help => Ok(Answer::Help),
        }
    }

    fn test(&mut self, action: &Action, test: &Reading) -> Result<Answer, Diagnostic> {
        let test = self.as_stands(test)?;
        let resolved = self.sheet.resolve(&test).map_err(first)?;
        let minutes = self.sheet.costs.of(&Reading { with: self.extra(&test.with), ..test.clone() });
        if let Some(why) = self.safety.refuses(self.sheet, &test, &resolved) {
            return Ok(self.stopped(action, why));
        }
        Ok(self.read(action, &test, minutes))
    }

    fn read(&mut self, action: &Action, test: &Reading, minutes: f64) -> Answer {
        match self.unit.read(test) {
            Ok(value) => {
                let read = Reading { value: Some(value), ..test.clone() };
                self.step(action, Came::Read(read.clone()), minutes);
                Answer::Read(read)
            }
            Err(error) => {
                self.step(action, Came::Nothing(test.clone()), minutes);
                Answer::Nothing(error.message)
            }
        }
    }

    fn set(&mut self, action: &Action, name: &str, position: f64) -> Result<Answer, Diagnostic> {
        let index = self.sheet.find_control(name)?;
        let control = &self.sheet.controls[index];
        let [low, high] = control.range;
        if !(low..=high).contains(&position) {
            let error = refused(&format!("{} cannot stand at {position}", control.name));
            return Err(error.help(format!("it goes from {low} to {high}")));
        }
        let minutes = self.sheet.costs.turn;
        let down = position == low && self.stands(index) != low;
        let answer = match down {
            true => {
                let test = self.as_stands(&Reading::change(How::Turn, &control.name))?;
                Some(self.read(action, &test, minutes))
            }
            false => {
                self.step(action, Came::Done, minutes);
                None
            }
        };
        self.positions.retain(|(other, _)| *other != index);
        if position != control.now {
            self.positions.push((index, position));
            self.positions.sort_by_key(|(control, _)| *control);
        }
        let read = match answer {
            Some(Answer::Read(read)) => Some(read),
            Some(other) => return Ok(other),
            None => None,
        };
        Ok(Answer::Stands { control: control.name.clone(), position, read })
    }

    fn tap(&mut self, action: &Action, what: &str) -> Result<Answer, Diagnostic> {
        let test = Reading::change(How::Tap, what);
        let resolved = self.sheet.resolve(&test).map_err(first)?;
        let fault = &self.hidden.fault;
        let is_contact = fault.kind == crate::bench::FaultKind::Contact;
        let moved = match &resolved.act {
            Some((_, Target::Part(part))) => self.sheet.circuit.part(*part).name == fault.part,
            Some((_, Target::Control(control))) => self.turned_by(*control).contains(&fault.part),
            _ => false,
        };
        if let Some(why) = self.safety.refuses(self.sheet, &test, &resolved) {
            return Ok(self.stopped(action, why));
        }
        let crackles = is_contact && moved && !self.course.is_over();
        self.step(action, Came::Tapped(crackles), self.sheet.costs.tap);
        Ok(Answer::Tapped { what: what.to_owned(), crackles })
    }

    /// Parts whose values a control changes.
    fn turned_by(&self, control: usize) -> Vec<String> {
        let ends = self.sheet.controls[control].range.map(|end| self.sheet.with_controls(&[(control, end)]).ok());
        let [Some(low), Some(high)] = ends else { return Vec::new() };
        let pairs = low.parts().zip(high.parts()).filter(|((_, low), (_, high))| low.element != high.element);
        pairs.map(|((_, part), _)| part.name.clone()).collect()
    }

    fn replace(&mut self, action: &Action, name: &str) -> Result<Answer, Diagnostic> {
        let (id, part) = self.part(name)?;
        let cured = part == self.hidden.fault.part;
        let left: &[Change] = if cured { &[] } else { &self.hidden.changes };
        self.replaced += 1;
        self.unit = self.unit.with_new_part(id, left, self.seed, self.replaced).map_err(head)?;
        self.safety = Safety::of(self.sheet, self.unit.circuit())?;
        let minutes = if cured { 0.0 } else { self.sheet.costs.wrong_part };
        self.step(action, Came::Replaced { part: part.clone(), cured }, minutes);
        Ok(Answer::Replaced { part, cured })
    }

    fn lift(&mut self, action: &Action, name: &str) -> Result<Answer, Diagnostic> {
        let (_, part) = self.part(name)?;
        let guilty = part == self.hidden.fault.part;
        self.step(action, Came::Lifted { part: part.clone(), guilty }, self.sheet.costs.lift);
        Ok(Answer::Lifted { part, guilty })
    }

    fn part(&self, name: &str) -> Result<(PartId, String), Diagnostic> {
        let id = self.sheet.circuit.find_part(name)?;
        Ok((id, self.sheet.circuit.part(id).name.clone()))
    }

    fn stopped(&mut self, action: &Action, why: String) -> Answer {
        self.step(action, Came::Stopped(why.clone()), 0.0);
        Answer::Stopped(why)
    }

    fn step(&mut self, action: &Action, came: Came, minutes: f64) {
        self.course.steps.push(Step { action: action.clone(), came, minutes });
    }

    fn stands(&self, control: usize) -> f64 {
        let moved = self.positions.iter().find(|(moved, _)| *moved == control);
        moved.map_or(self.sheet.controls[control].now, |(_, position)| *position)
    }

    /// The test with controls where they stand, unless it says otherwise; names as the sheet has them.
    fn as_stands(&self, test: &Reading) -> Result<Reading, Diagnostic> {
        let mut said: Vec<(usize, f64)> = Vec::new();
        for (name, position) in &test.with {
            said.push((self.sheet.find_control(name)?, *position));
        }
        let standing = self.positions.iter().filter(|(control, _)| !said.iter().any(|(other, _)| other == control));
        let mut with: Vec<(usize, f64)> = standing.copied().collect();
        with.extend(said.iter().filter(|(control, position)| self.sheet.controls[*control].now != *position));
        with.sort_by_key(|(control, _)| *control);
        let with = with.into_iter().map(|(control, position)| (self.sheet.controls[control].name.clone(), position));
        let at = match (&test.at, test.measure) {
            // A change is read at the output.
            (None, measure) if measure != Measure::Change => {
                self.sheet.output.as_ref().map(|out| self.sheet.point_name(out))
            }
            (at, _) => at.clone(),
        };
        Ok(Reading { with: with.collect(), at, ..test.clone() })
    }

    /// Controls that have to be turned for a test from where they stand.
    fn extra(&self, with: &[(String, f64)]) -> Vec<(String, f64)> {
        let moved = |(name, position): &&(String, f64)| {
            self.sheet.find_control(name).is_ok_and(|control| self.stands(control) != *position)
        };
        with.iter().filter(moved).cloned().collect()
    }
}

fn refused(message: &str) -> Diagnostic {
    Diagnostic::error(Code::BadReading, message)
}

fn first(problems: Vec<(&'static str, Diagnostic)>) -> Diagnostic {
    head(problems.into_iter().map(|(_, error)| error).collect())
}

fn head(problems: Vec<Diagnostic>) -> Diagnostic {
    problems.into_iter().next().unwrap_or_else(|| refused("this cannot be done"))
}
