//! A unit on the bench, as advice and habits see it: tests go in, readings come out.

use hissmap::bench::reading::{Measure, Observed, Reading, Value};
use hissmap::bench::simulated::SimulatedUnit;

/// A unit with the meter of the arm.
#[derive(Clone)]
pub struct Bench<'s> {
    unit: SimulatedUnit<'s>,
    meter: f64,
}

impl<'s> Bench<'s> {
    pub fn new(unit: SimulatedUnit<'s>, meter: f64) -> Self {
        Self { unit, meter }
    }

    /// The test with what came of it; `None` where the set in that state does something no meter could show.
    pub fn read(&mut self, test: &Reading) -> Option<Reading> {
        let value = self.unit.read(test).ok()?;
        let value = match value.observed {
            Observed::Number(number) if test.measure == Measure::Hiss => Value::number(self.meter * number),
            _ => value,
        };
        Some(Reading { value: Some(value), ..test.clone() })
    }

    /// Volts or dB; `None` where hiss is below the instrument's own as well.
    pub fn number(&mut self, test: &Reading) -> Option<f64> {
        match self.read(test)?.value?.observed {
            Observed::Number(number) => Some(number),
            Observed::Word(_) => None,
        }
    }
}
