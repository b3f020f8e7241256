//! Is it repaired? The acceptance list of a bench sheet: what to read on the finished set, between which limits a healthy
//! one of this circuit lies, and which of the readings typed in pass.
//!
//! No limit is a fixed figure. Units are drawn from the tolerances of the circuit and solved in full, at the temperature of
//! the bench, in the closed cabinet after half an hour, and cold; what each would have read, with the error of the
//! instrument, makes the limits (`band.rs`). What can only be too much (hiss, hum) or too little (watts, signal-to-noise
//! ratio) has one limit.
//!
//! Reference conditions are the terms of IEC 60268-3: the input is the e.m.f. of the rated source behind its rated source
//! impedance, the output drives its rated load, both as the netlist says; power is V²/R of the rms output; the rated output
//! is distortion-limited, at the onset of clipping unless the sheet names a distortion; signal-to-noise ratios refer to it.
//!
//! After half an hour means that everything is as warm as it gets: bias and self-heating are solved together, and what
//! warms slower is in the temperature of the cabinet.

mod band;
mod how;
mod judge;
mod list;
mod shown;
mod units;

use crate::bench::Point;
use crate::bench::healthy::{HEALTHY_SEED, HEALTHY_UNITS};
use crate::bench::reading::When;
use crate::bench::sheet::Sheet;
use crate::bias::SolveError;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::PartId;
use crate::noise::Weighting;
use list::Set;

pub use judge::Verdict;

/// What is judged.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Subject {
    /// Hiss on the meter, V rms.
    Hiss(Point, Weighting),
    /// Hiss on the scope, V peak to peak.
    PeakToPeak(Point),
    /// Hum on the meter, V rms.
    Hum(Point),
    /// Rated output over hiss, dB.
    SignalToNoise(Weighting),
    /// Gain from the input, dB.
    Gain(Point, f64),
    /// Gain against that at 1 kHz, dB.
    Response(Point, f64),
    /// Gain of this channel against the other, dB.
    Balance,
    /// Where the control stands that makes both channels equally loud.
    BalancePosition,
    /// Output at which a sine flattens above, V peak from rest.
    ClipUp,
    /// The same below.
    ClipDown,
    /// Upper over lower clipping, dB.
    ClipSymmetry,
    /// Into the load, W.
    Watts,
    /// DC on the meter, V.
    Dc(Point),
    /// Of a part's case, °C.
    Temperature(PartId),
}

/// One line of the list.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// What is judged.
    pub subject: Subject,
    /// The same as a stable name, with place and condition: `dc at TP4, warm`.
    pub name: String,
    /// Output of the channel that it belongs to; `None` for what belongs to the whole set.
    pub channel: Option<String>,
    /// Temperature of the set; `None` for that of the bench.
    pub when: Option<When>,
    /// What was read, in the unit of the item; `None` where nothing was, or a word.
    pub value: Option<f64>,
    /// Lower limit; `None` where there is none.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
    /// Unit of value and limits; empty for a position.
    pub unit: &'static str,
    /// What came of it.
    pub verdict: Verdict,
    /// How it is measured, for every item of its kind.
    pub how: String,
    /// Where, and what is special about it.
    pub place: Option<String>,
}

impl Item {
    /// How and where it is measured.
    pub fn instruction(&self) -> String {
        match &self.place {
            Some(place) => format!("{}; {place}", self.how),
            None => self.how.clone(),
        }
    }
}

/// The list with its verdicts.
#[derive(Clone, Debug, PartialEq)]
pub struct Acceptance {
    /// In the order of work.
    pub items: Vec<Item>,
    /// Units drawn for the limits, and those of them that found a bias at every temperature.
    pub units: [usize; 2],
    /// Share of healthy units that pass an item.
    pub share: f64,
    /// Rated output, V rms, that signal-to-noise ratios refer to.
    pub rated_volts: Option<f64>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

impl Acceptance {
    /// How many items came to a verdict.
    pub fn count(&self, verdict: Verdict) -> usize {
        self.items.iter().filter(|item| item.verdict == verdict).count()
    }
}

/// How limits are drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draw {
    /// Units.
    pub units: usize,
    /// Seed.
    pub seed: u64,
}

impl Default for Draw {
    fn default() -> Self {
        Self { units: HEALTHY_UNITS, seed: HEALTHY_SEED }
    }
}

/// Why there is no list.
#[derive(Clone, Debug, PartialEq)]
pub enum AcceptanceError {
    /// The circuit finds no bias, or hardly any unit does.
    Unsolved(SolveError),
    /// The sheet leaves out what is needed, or the circuit cannot be as it asks.
    Refused(Vec<Diagnostic>),
}

impl From<SolveError> for AcceptanceError {
    fn from(error: SolveError) -> Self {
        AcceptanceError::Unsolved(error)
    }
}

/// The acceptance list of a sheet. `circuit` is the sheet's, or a variant of it: with the spare that was put in. `progress`
/// hears of every state that is done, and how many there are.
///
/// Of two readings of one item the later one in the sheet holds. Changes by freezing and the like belong to diagnosis.
///
/// # Errors
/// [`AcceptanceError`].
pub fn acceptance(
    sheet: &Sheet,
    circuit: &Circuit,
    draw: &Draw,
    progress: &dyn Fn(usize, usize),
) -> Result<Acceptance, AcceptanceError> {
    let about = sheet.about(circuit);
    let sheet = &about;
    let Some((own, twin)) = list::channels(sheet, circuit) else {
        let error = Diagnostic::error(Code::MissingInput, "at which output is the set judged?");
        let help = "name it in the sheet, output = \"out\", or by .noise in the netlist";
        return Err(AcceptanceError::Refused(vec![error.help(help)]));
    };
    let set = Set { sheet, circuit, own: &own, twin: twin.as_ref() };
    let (list, mut cautions) = list::wanted(&set);
    let healthy = units::healthy(&set, &list, draw, progress)?;
    for caution in &healthy.cautions {
        if !cautions.contains(caution) {
            cautions.push(caution.clone());
        }
    }
    let items = judge::items(&set, &list, &healthy);
    let share = sheet.acceptance.share;
    Ok(Acceptance { items, units: healthy.units, share, rated_volts: healthy.rated_volts, cautions })
}
