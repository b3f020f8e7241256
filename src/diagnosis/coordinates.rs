//! What a bench reads, turned into coordinates in which every reading errs by N(0,1).
//!
//! ```text
//! hiss     x = ln V / σ              V rms or peak to peak, the instrument's floor added in power; σ relative
//! DC       x = asinh(aV/b)/a         the error of V is √(b² + (aV)²)
//! change   x = dB / σ                after against before at the output, σ in dB
//! ```
//!
//! A word is an interval of the same coordinate.

use std::f64::consts::SQRT_2;

/// Coordinates beyond this many reading sd are brought back to it: still far outside of all that a circuit can give.
pub const FARTHEST: f64 = 1e6;

/// How a value of a test becomes a coordinate.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Scale {
    /// Hiss in volts, rms or peak to peak.
    Hiss {
        /// Error of a reading, 1 sd, as a fraction of it.
        relative_error: f64,
    },
    /// DC volts.
    Dc {
        /// Part of the error, 1 sd, that grows with the reading, as a fraction of it.
        relative_error: f64,
        /// Part of the error, 1 sd, that stays at zero volts.
        zero_error_volts: f64,
    },
    /// A change of the hiss in dB.
    Change {
        /// Error of a reading, 1 sd.
        error_db: f64,
    },
}

/// What was read, in a test's coordinate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Observed {
    /// A number.
    Point(f64),
    /// Somewhere between two numbers, either of which may be infinite.
    Between {
        /// Lower end.
        low: f64,
        /// Upper end, above the lower.
        high: f64,
    },
}

/// What a technician says instead of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Word {
    /// A change of less than 1 dB either way.
    Same,
    /// A fall of 1 to 6 dB.
    Less,
    /// A fall of 6 to 12 dB.
    MuchLess,
    /// A fall beyond 12 dB, or down to the instrument's floor.
    Gone,
    /// A rise of more than 1 dB.
    More,
    /// Hiss below the instrument's floor.
    NotVisible,
}

impl Scale {
    /// Volts of hiss that err by 12 % (common practice, no source).
    pub const RMS: Self = Self::Hiss { relative_error: 0.12 };
    /// Volts peak to peak that err by 20 % (common practice, no source).
    pub const PEAK_TO_PEAK: Self = Self::Hiss { relative_error: 0.20 };
    /// DC volts that err by 1.2 % and 5 mV (common practice, no source).
    pub const DC: Self = Self::Dc { relative_error: 0.012, zero_error_volts: 5e-3 };
    /// Changes that err by 0.7 dB (common practice, no source).
    pub const CHANGE: Self = Self::Change { error_db: 0.7 };

    /// The coordinate of a value in volts or dB; `None` if it is not finite, or hiss of no volts.
    pub fn coordinate(&self, value: f64) -> Option<f64> {
        if !value.is_finite() {
            return None;
        }
        let coordinate = match *self {
            Self::Hiss { relative_error } if value > 0.0 => value.ln() / relative_error,
            Self::Hiss { .. } => return None,
            Self::Dc { relative_error: a, zero_error_volts: b } => (a * value / b).asinh() / a,
            Self::Change { error_db } => value / error_db,
        };
        Some(coordinate.clamp(-FARTHEST, FARTHEST))
    }

    /// The value in volts or dB of a coordinate.
    pub fn value(&self, coordinate: f64) -> f64 {
        match *self {
            Self::Hiss { relative_error } => (relative_error * coordinate).exp(),
            Self::Dc { relative_error: a, zero_error_volts: b } => b / a * (a * coordinate).sinh(),
            Self::Change { error_db } => error_db * coordinate,
        }
    }

    /// A reading of a number; `None` as for [`Scale::coordinate`].
    pub fn point(&self, value: f64) -> Option<Observed> {
        self.coordinate(value).map(Observed::Point)
    }

    /// A reading between two values, `None` for an end that is open; `None` if an end has no coordinate or the ends are
    /// not in order.
    pub fn between(&self, low: Option<f64>, high: Option<f64>) -> Option<Observed> {
        let end = |value: Option<f64>, open: f64| value.map_or(Some(open), |value| self.coordinate(value));
        let (low, high) = (end(low, f64::NEG_INFINITY)?, end(high, f64::INFINITY)?);
        (low < high).then_some(Observed::Between { low, high })
    }

    /// The interval of a word; `None` where the word says nothing about this kind of test.
    ///
    /// `floor`: of the instrument. For [`Word::NotVisible`] in volts, and needed: hiss no larger than the floor, on top of
    /// it, reads up to √2 of it. For [`Word::Gone`] in dB, the change at which only the floor is left.
    pub fn word(&self, word: Word, floor: Option<f64>) -> Option<Observed> {
        match (self, word) {
            (Self::Change { .. }, Word::Same) => self.between(Some(-1.0), Some(1.0)),
            (Self::Change { .. }, Word::Less) => self.between(Some(-6.0), Some(-1.0)),
            (Self::Change { .. }, Word::MuchLess) => self.between(Some(-12.0), Some(-6.0)),
            (Self::Change { .. }, Word::Gone) => self.between(None, Some(floor.unwrap_or(-12.0).max(-12.0))),
            (Self::Change { .. }, Word::More) => self.between(Some(1.0), None),
            (Self::Hiss { .. }, Word::NotVisible) => self.between(None, Some(SQRT_2 * floor?)),
            _ => None,
        }
    }

    /// Whether the test reads DC volts.
    pub fn is_dc(&self) -> bool {
        matches!(self, Self::Dc { .. })
    }
}
