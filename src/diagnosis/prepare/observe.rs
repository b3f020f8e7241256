//! From a reading as it was written to one of the bank: a number or a word to a point or an interval of its coordinate.

use super::Prepared;
use super::plan::Kind;
use crate::bench::reading::{Observed as Written, Reading, Word as Said};
use crate::bench::simulated::peak_to_peak;
use crate::diagnosis::{self, Observed, Word, misfit};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::Element;
use crate::units::short;

/// Below so much of its own noise no instrument reads.
const BELOW_FLOOR: f64 = 0.5;
/// Volts beyond all supplies together by more than this factor do not stand anywhere in a set. Neither does hiss: what stays
/// within a span has at most half of it for its rms (Popoviciu 1935), and a winding doubles the span.
const ABOVE_SUPPLIES: f64 = 1.1;

impl Prepared<'_> {
    /// The reading of the bank that a reading is.
    ///
    /// # Errors
    /// A reading without a value, of a test that is not prepared, or a word that says nothing about it.
    pub fn observe(&self, reading: &Reading) -> Result<diagnosis::Reading, Diagnostic> {
        let test = self.find(reading)?;
        let bad = |message: String, help: &str| Err(Diagnostic::error(Code::BadReading, message).help(help));
        let Some(value) = &reading.value else {
            return bad(format!("{} came to what?", reading.text()), "add its value: \"value\":4.31");
        };
        let scale = &self.bank.tests[test.0].scale;
        let observed = match value.observed {
            Written::Number(number) => scale.point(number),
            Written::Word(said) => scale.word(word(said), self.floor(test)),
        };
        match observed {
            Some(observed) => Ok(diagnosis::Reading { test, observed }),
            None => bad(format!("{} says nothing here", value.text(reading.measure)), "give a number with its unit"),
        }
    }

    /// Why nothing on this bench can read so: below the instrument's floor, above the supplies, or outside what any fault,
    /// an unlisted one included, gives at 4 sd. `None` for a reading that can be.
    pub fn impossible(&self, written: &Reading, observed: &diagnosis::Reading) -> Option<String> {
        if let (Some(Written::Number(number)), Observed::Point(_)) =
            (written.value.as_ref().map(|value| value.observed), observed.observed)
        {
            let kind = self.plan.tests[observed.test.0].kind;
            if let (Kind::Hiss(..) | Kind::PeakToPeak(..), Some(floor)) = (kind, self.floor(observed.test))
                && number < BELOW_FLOOR * floor
            {
                return Some(format!("the instrument itself reads {}", short(floor, "V")));
            }
            if let Kind::Dc(..) | Kind::Hiss(..) = kind {
                let supplies = self.plan.circuit.parts().map(|(_, part)| match &part.element {
                    Element::Source(source) => source.dc.abs(),
                    _ => 0.0,
                });
                let all: f64 = supplies.sum();
                if all > 0.0 && number.abs() > ABOVE_SUPPLIES * all {
                    return Some(format!("the supplies are {} together", short(all, "V")));
                }
            }
        }
        misfit::is_outside(&self.bank, observed).then(|| "no fault that is listed, nor any other, gives it".to_owned())
    }

    /// What the instrument of a test shows without hiss; for a change in dB, where only that is left.
    fn floor(&self, test: diagnosis::TestIndex) -> Option<f64> {
        let instruments = &self.plan.sheet.instruments;
        match self.plan.tests[test.0].kind {
            Kind::Hiss(..) => Some(instruments.meter.shows(0.0)),
            Kind::PeakToPeak(..) => Some(peak_to_peak(&instruments.scope, 0.0)),
            Kind::Dc(..) | Kind::Change { .. } | Kind::Tap(_) => None,
        }
    }
}

fn word(said: Said) -> Word {
    match said {
        Said::Same => Word::Same,
        Said::Less => Word::Less,
        Said::MuchLess => Word::MuchLess,
        Said::Gone => Word::Gone,
        Said::More => Word::More,
        Said::NotVisible => Word::NotVisible,
    }
}
