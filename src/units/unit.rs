//! The unit that a person wrote behind a number, to tell a slip from a value: `20uV` is no leakage current.

/// Units by their spellings in lower case, each with its symbol.
const UNITS: &[(&str, &str)] = &[
    ("a", "A"),
    ("amp", "A"),
    ("amps", "A"),
    ("ampere", "A"),
    ("amperes", "A"),
    ("v", "V"),
    ("volt", "V"),
    ("volts", "V"),
    ("farad", "F"),
    ("farads", "F"),
    ("h", "H"),
    ("henry", "H"),
    ("henries", "H"),
    ("ohm", "Ω"),
    ("ohms", "Ω"),
    ("ω", "Ω"),
    ("hz", "Hz"),
    ("hertz", "Hz"),
    ("db", "dB"),
    ("°c", "°C"),
    ("w", "W"),
    ("watt", "W"),
    ("watts", "W"),
    ("s", "s"),
];

/// Scale letters that may stand before a unit, the longest first; none comes last.
const SCALES: [&str; 13] = ["meg", "mil", "t", "g", "k", "m", "u", "µ", "μ", "n", "p", "f", ""];

/// The symbol of the unit that ends `text`, such as `V` of `20uV`; `None` where none is recognised, which is no fault: letters
/// behind a number are otherwise ignored. A lone `F` may be a scale letter, but behind another scale letter it is farads.
pub fn unit_of(text: &str) -> Option<&'static str> {
    let start = text.rfind(|c: char| c.is_ascii_digit() || c == '.').map_or(0, |at| at + 1);
    let tail = text[start..].trim().to_lowercase();
    let of = |unit: &str| match unit {
        // Behind a scale letter, or written in capitals where it is none.
        "f" if tail.len() > 1 || text.ends_with('F') => Some("F"),
        unit => UNITS.iter().find(|(spelling, _)| *spelling == unit).map(|(_, symbol)| *symbol),
    };
    SCALES.iter().find_map(|scale| of(tail.strip_prefix(scale)?))
}
