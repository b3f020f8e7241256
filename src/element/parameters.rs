//! Parameters as one table: names, units, defaults and ranges drive card checks, messages and docs.

/// What values a parameter may take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Range {
    /// Any finite number.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NonNegative,
    /// Zero or above, below one.
    BelowOne,
    /// Above absolute zero, in degrees Celsius.
    Celsius,
}

impl Range {
    /// Whether `value` lies in the range.
    pub fn contains(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Range::Any => true,
                Range::Positive => value > 0.0,
                Range::NonNegative => value >= 0.0,
                Range::BelowOne => (0.0..1.0).contains(&value),
                Range::Celsius => value > -crate::physics::ZERO_CELSIUS,
            }
    }

    /// What a value must be, in words that follow "must be".
    pub fn words(self) -> &'static str {
        match self {
            Range::Any => "a finite number",
            Range::Positive => "above zero",
            Range::NonNegative => "zero or above",
            Range::BelowOne => "from zero to below one",
            Range::Celsius => "above absolute zero (-273.15 °C)",
        }
    }
}

/// One row of a parameter table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// The trade's letters.
    pub name: &'static str,
    /// SI unit, empty for a pure number.
    pub unit: &'static str,
    /// Value when not given.
    pub default: f64,
    /// Allowed values.
    pub range: Range,
    /// What it is.
    pub meaning: &'static str,
}

impl Parameter {
    /// A row for what a card may give besides its value.
    pub(super) const fn new(name: &'static str, unit: &'static str, range: Range, meaning: &'static str) -> Self {
        Self { name, unit, default: 0.0, range, meaning }
    }

    /// Own temperature of a part.
    pub(super) const TEMP: Parameter = Parameter::new("TEMP", "°C", Range::Celsius, "the part's own temperature");
    /// Tolerance of a part.
    pub(super) const TOL: Parameter = Parameter::new("TOL", "", Range::BelowOne, "tolerance as a fraction");
    /// How many devices side by side.
    pub(super) const AREA: Parameter = Parameter::new("AREA", "", Range::Positive, "how many devices side by side");
}

/// Declares a set of parameters once: a struct with a field each, its defaults, its table, and setting by name.
macro_rules! parameter_set {
    ($(#[$doc:meta])* $set:ident { $($field:ident = $name:literal, $unit:literal, $default:expr, $range:ident, $meaning:literal;)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq)]
        pub struct $set {
            $(#[doc = concat!($meaning, " (`", $name, "`, ", $unit, ").")] pub $field: f64,)*
        }

        impl Default for $set {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }

        impl $set {
            /// The table behind the fields.
            pub const TABLE: &'static [$crate::element::Parameter] = &[
                $($crate::element::Parameter {
                    name: $name,
                    unit: $unit,
                    default: $default,
                    range: $crate::element::Range::$range,
                    meaning: $meaning,
                },)*
            ];

            /// The field of a parameter, by its letters in capitals; `None` for an unknown name.
            pub fn field_mut(&mut self, name: &str) -> Option<&mut f64> {
                match name {
                    $($name => Some(&mut self.$field),)*
                    _ => None,
                }
            }
        }
    };
}

pub(crate) use parameter_set;
