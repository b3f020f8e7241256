//! From values to places along an axis, and the ticks that tell them: the one home of both.

use crate::units::engineering;

/// An axis of values between two ends, drawn between two places.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    values: [f64; 2],
    places: [f64; 2],
    is_logarithmic: bool,
}

/// A mark of an axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// Where.
    pub place: f64,
    /// The value there.
    pub value: f64,
    /// Whether it is written; others are hairlines.
    pub is_labelled: bool,
}

/// Decades below which the ticks at 2 and 5 are written too.
const FEW_DECADES: f64 = 1.6;
/// Decades an axis of hiss covers at most below its largest value.
const MOST_DECADES: f64 = 6.0;
/// Steps of a linear axis, at most.
const MOST_STEPS: f64 = 6.0;

impl Scale {
    /// A logarithmic axis over frequencies as they are.
    pub fn frequencies(band_hz: [f64; 2], places: [f64; 2]) -> Self {
        Self { values: band_hz, places, is_logarithmic: true }
    }

    /// A logarithmic axis that holds all values above zero, its ends at 1, 2 or 5 times a power of ten; values far below the
    /// largest stay outside.
    pub fn logarithmic(values: impl Iterator<Item = f64>, places: [f64; 2]) -> Self {
        let (low, high) = extent(values.filter(|value| *value > 0.0)).unwrap_or((1.0, 10.0));
        let low = low.max(high * 10f64.powf(-MOST_DECADES));
        let (low, high) = (round_down(low * 0.9), round_up(high * 1.1));
        Self { values: [low, if high > low { high } else { 10.0 * low }], places, is_logarithmic: true }
    }

    /// A linear axis that holds all values, its ends at whole steps.
    pub fn linear(values: impl Iterator<Item = f64>, places: [f64; 2]) -> Self {
        let (low, high) = extent(values).unwrap_or((0.0, 1.0));
        let (low, high) =
            if high - low < 6.0 { (0.5 * (low + high) - 3.0, 0.5 * (low + high) + 3.0) } else { (low, high) };
        let step = step(high - low);
        Self { values: [(low / step).floor() * step, (high / step).ceil() * step], places, is_logarithmic: false }
    }

    /// Where a value is; outside the ends it stays at the end.
    pub fn at(&self, value: f64) -> f64 {
        let [from, to] = self.places;
        from + self.fraction(value).clamp(0.0, 1.0) * (to - from)
    }

    /// Where a value is, for curves that leave the plot: up to one length of the axis beyond its ends.
    pub fn beyond(&self, value: f64) -> f64 {
        let [from, to] = self.places;
        from + self.fraction(value).clamp(-1.0, 2.0) * (to - from)
    }

    fn fraction(&self, value: f64) -> f64 {
        let [low, high] = self.values;
        match self.is_logarithmic {
            true if value <= 0.0 => f64::NEG_INFINITY,
            true => (value / low).ln() / (high / low).ln(),
            false => (value - low) / (high - low),
        }
    }

    /// The places of both ends.
    pub fn places(&self) -> [f64; 2] {
        self.places
    }

    /// The marks, ascending.
    pub fn ticks(&self) -> Vec<Tick> {
        let [low, high] = self.values;
        let tick = |value: f64, is_labelled| Tick { place: self.at(value), value, is_labelled };
        if !self.is_logarithmic {
            let step = step(high - low);
            let count = ((high - low) / step).round() as i32;
            return (0..=count).map(|k| tick(low + f64::from(k) * step, true)).collect();
        }
        let inside = |value: &f64| *value >= low * (1.0 - 1e-9) && *value <= high * (1.0 + 1e-9);
        let few = (high / low).log10() < FEW_DECADES;
        let decades = low.log10().floor() as i32..=high.log10().ceil() as i32;
        let marks = decades.flat_map(|decade| (1..10).map(move |digit| (digit, f64::from(digit) * 10f64.powi(decade))));
        let marks = marks.filter(|(_, value)| inside(value));
        marks.map(|(digit, value)| tick(value, digit == 1 || few && (digit == 2 || digit == 5))).collect()
    }
}

/// A tick of volts or frequency: `10 µV`, `1 kHz`.
pub fn written(value: f64, unit: &str) -> String {
    let text = engineering(value, unit, 1);
    // One digit is enough for marks at 1, 2 and 5.
    text.replace(' ', "\u{a0}")
}

fn extent(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let finite = values.filter(|value| value.is_finite());
    finite.fold(None, |extent, value| match extent {
        None => Some((value, value)),
        Some((low, high)) => Some((value.min(low), value.max(high))),
    })
}

fn round_down(value: f64) -> f64 {
    let decade = 10f64.powf(value.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|digit| digit * decade).find(|mark| *mark <= value * (1.0 + 1e-9)).unwrap_or(decade)
}

fn round_up(value: f64) -> f64 {
    let decade = 10f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0]
        .into_iter()
        .map(|digit| digit * decade)
        .find(|mark| *mark >= value * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade)
}

/// A step of 1, 2 or 5 times a power of ten.
fn step(span: f64) -> f64 {
    round_up(span / MOST_STEPS)
}
