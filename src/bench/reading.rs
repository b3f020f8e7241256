//! A reading: what was measured, where, what came of it, and what was done to the set meanwhile.
//!
//! The same reading is a table `[[reading]]` of a sheet and one JSON object of `diagnose --lines`; without its value it
//! names a test. Nothing here knows of a circuit: names are resolved by the sheet.

mod fields;
mod value;

use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::quantity::Unit;
use crate::noise::Weighting;
pub use fields::{FieldProblem, Scalar};
pub use value::{Observed, Value, Word};

/// Declares the names of an enum once.
macro_rules! named {
    ($(#[$doc:meta])* $enum:ident { $($(#[$about:meta])* $variant:ident = $name:literal,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[non_exhaustive]
        pub enum $enum { $($(#[$about])* $variant,)* }

        impl $enum {
            /// Every one.
            pub const ALL: &'static [$enum] = &[$($enum::$variant,)*];

            /// Its word in sheets and JSON.
            pub fn name(self) -> &'static str {
                match self { $($enum::$variant => $name,)* }
            }

            /// The one of a word.
            pub fn named(word: &str) -> Option<$enum> {
                $enum::ALL.iter().copied().find(|one| one.name() == word)
            }
        }
    };
}
pub(crate) use named;

named! {
    /// What is measured.
    Measure {
        /// Hiss, V rms in the band.
        Hiss = "hiss",
        /// Hiss on the scope, V peak to peak.
        PeakToPeak = "pp",
        /// DC, V.
        Dc = "dc",
        /// Change of the hiss by what was done, dB, after against before.
        Change = "change",
        /// Hum at mains frequency and its harmonics, V rms.
        Hum = "hum",
        /// Gain from the input at a frequency, dB.
        Gain = "gain",
        /// Gain at a frequency against that at 1 kHz, dB.
        Response = "response",
        /// Gain of this channel against the other, dB.
        Balance = "balance",
        /// Where the upper half of a sine flattens, V peak.
        ClipUp = "clip_up",
        /// Where the lower half of a sine flattens, V peak.
        ClipDown = "clip_down",
        /// Power into the load where a sine begins to clip, or at the distortion that the sheet names, W.
        Watts = "watts",
        /// Temperature of a part's case, °C.
        Temperature = "temperature",
    }
}

impl Measure {
    /// What its value is in.
    pub fn unit(self) -> Unit {
        match self {
            Measure::Hiss | Measure::PeakToPeak | Measure::Dc | Measure::Hum | Measure::ClipUp | Measure::ClipDown => {
                Unit::Volts
            }
            Measure::Change | Measure::Gain | Measure::Response | Measure::Balance => Unit::Decibels,
            Measure::Watts => Unit::Watts,
            Measure::Temperature => Unit::Celsius,
        }
    }

    /// Whether a place has to be said; else it is the output.
    pub fn needs_place(self) -> bool {
        matches!(self, Measure::Hiss | Measure::PeakToPeak | Measure::Dc | Measure::Hum | Measure::Temperature)
    }
}

named! {
    /// What is done to the set for a change.
    How {
        /// Freeze spray on a part.
        Freeze = "freeze",
        /// Gentle cooling of a part.
        Cool = "cool",
        /// A finger on a part.
        Finger = "finger",
        /// Warm air on a part.
        Heat = "heat",
        /// A large capacitor from a node to ground.
        Shunt = "shunt",
        /// A control turned from where it stands to its lower end.
        Turn = "turn",
        /// A part, joint, socket or control tapped or worked.
        Tap = "tap",
    }
}

named! {
    /// Temperature of the whole set during a reading, if another than that of the bench.
    When {
        /// After 30 minutes in the closed cabinet.
        Warm = "warm",
        /// Just switched on in the cold.
        Cold = "cold",
    }
}

/// What was done, and to what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Act {
    /// What was done.
    pub how: How,
    /// Name of the part, of the node or point for a shunt, of the control for a turn; for a tap any of them.
    pub what: String,
}

/// One reading, or without a value one test.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// What is measured.
    pub measure: Measure,
    /// Point, node, `A,B` for a difference, or the part for a temperature; `None` for the output.
    pub at: Option<String>,
    /// What came of it; `None` for a test that is still to be made.
    pub value: Option<Value>,
    /// Whether it was made at the healthy channel's same point.
    pub twin: bool,
    /// Where controls stood, if not as the sheet says.
    pub with: Vec<(String, f64)>,
    /// Frequency of a gain or response, Hz.
    pub hertz: Option<f64>,
    /// Weighting of a hiss.
    pub weight: Weighting,
    /// Temperature of the whole set; `None` for that of the bench.
    pub when: Option<When>,
    /// What was done, for a change.
    pub act: Option<Act>,
    /// Remark of whoever measured.
    pub note: Option<String>,
}

impl Reading {
    /// A test of a measure at a place.
    pub fn test(measure: Measure, at: Option<&str>) -> Self {
        let at = at.map(str::to_owned);
        Self {
            measure,
            at,
            value: None,
            twin: false,
            with: Vec::new(),
            hertz: None,
            weight: Weighting::Flat,
            when: None,
            act: None,
            note: None,
        }
    }

    /// The test of a change of the hiss at the output.
    pub fn change(how: How, what: &str) -> Self {
        let act = Some(Act { how, what: what.to_owned() });
        Self { act, ..Self::test(Measure::Change, None) }
    }

    /// The same without what came of it.
    #[must_use]
    pub fn as_test(&self) -> Self {
        Self { value: None, note: None, ..self.clone() }
    }

    /// In a line: `hiss at TP4: 12 mV`, `change by freeze Q4: less`.
    pub fn text(&self) -> String {
        let mut text = self.measure.name().to_owned();
        if let Some(Act { how, what }) = &self.act {
            text += &format!(" by {} {what}", how.name());
        }
        if let Some(at) = &self.at {
            text += &format!(" at {at}");
        }
        if self.twin {
            text += " in the healthy channel";
        }
        if let Some(hertz) = self.hertz {
            text += &format!(" at {}", crate::units::short(hertz, "Hz"));
        }
        for (control, position) in &self.with {
            text += &format!(", {control} at {position}");
        }
        if self.weight != Weighting::Flat {
            text += &format!(", weighted {}", self.weight.name());
        }
        if let Some(when) = self.when {
            text += &format!(", {}", when.name());
        }
        match &self.value {
            Some(value) => format!("{text}: {}", value.text(self.measure)),
            None => text,
        }
    }
}

impl Serialize for Reading {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("measure", self.measure.name())?;
        if let Some(Act { how, what }) = &self.act {
            map.serialize_entry(how.name(), what)?;
        }
        if let Some(at) = &self.at {
            map.serialize_entry("at", at)?;
        }
        if self.twin {
            map.serialize_entry("twin", &true)?;
        }
        if !self.with.is_empty() {
            map.serialize_entry("with", &Settings(&self.with))?;
        }
        if let Some(hertz) = self.hertz {
            map.serialize_entry("hz", &hertz)?;
        }
        if self.weight != Weighting::Flat {
            map.serialize_entry("weight", self.weight.name())?;
        }
        if let Some(when) = self.when {
            map.serialize_entry("when", when.name())?;
        }
        if let Some(value) = &self.value {
            map.serialize_entry("value", value)?;
        }
        if let Some(note) = &self.note {
            map.serialize_entry("note", note)?;
        }
        map.end()
    }
}

struct Settings<'a>(&'a [(String, f64)]);

impl Serialize for Settings<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(name, value)| (name, value)))
    }
}

impl<'de> Deserialize<'de> for Reading {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let fields = std::collections::BTreeMap::<String, Scalar>::deserialize(deserializer)?;
        let fields: Vec<(String, Scalar)> = fields.into_iter().collect();
        Reading::from_fields(&fields).map_err(|problems| {
            let all = problems.iter().map(|problem| match &problem.error.help {
                Some(help) => format!("{}; {help}", problem.error.message),
                None => problem.error.message.clone(),
            });
            serde::de::Error::custom(all.collect::<Vec<_>>().join("; "))
        })
    }
}
