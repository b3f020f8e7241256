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
mod acts;
mod course;
mod hidden;
mod hint;
mod points;
mod safety;
mod seal;
mod truth;

use std::sync::Arc;

use crate::bench::Fault;
use crate::bench::reading::Reading;
use crate::bench::sheet::Sheet;
use crate::bench::simulated::SimulatedUnit;
use crate::diagnosis::prepare::{PrepareError, Prepared};
use crate::diagnostic::{Code, Diagnostic};

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
        if self.course.steps.len() >= MOST_STEPS && *action != Action::GiveUp {
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
