//! The amplifiers under repair, and in what their units differ from what diagnosis is told.

use hissmap::bench::sheet::Sheet;
use hissmap::bench::sheet::settings::Tolerances;
use hissmap::netlist::{Fetched, IncludeRequest};

/// An amplifier as diagnosis knows it.
pub struct Amplifier {
    pub name: &'static str,
    /// What diagnosis is told.
    pub sheet: Sheet,
    text: &'static str,
    /// Transistors in signal order, each with the node that its stage hands on.
    pub stages: &'static [(&'static str, &'static str)],
    /// Second transistor of a direct-coupled pair.
    pub trap: Option<&'static str>,
    /// What is required of it; nothing of an amplifier that is neither a direct-coupled pair nor a channel.
    pub required: Option<Required>,
}

/// Fractions of first parts that have to be right, with the shunt test and without it, and the mean cost of a repair.
#[derive(Clone, Copy, Debug)]
pub struct Required {
    pub right: f64,
    pub right_without_shunt: f64,
    pub cost: f64,
}

pub const OF_PAIR: Required = Required { right: 0.94, right_without_shunt: 0.77, cost: 4.5 };
pub const OF_CHANNEL: Required = Required { right: 0.90, right_without_shunt: 0.82, cost: 6.5 };

/// In what units differ from what diagnosis is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Truth {
    /// In nothing.
    Told,
    /// Tolerances are 1.5 times as wide.
    Wide,
    /// KF is five times, RB twice that of the model cards, and the meter reads 25 % too much.
    WrongCards,
}

const GERMANIUM_PAIR: &str = "circuit = \"circuits/two-stage-germanium.cir\"
output = \"out\"
[control.volume]
range = [0, 1]
now = 1
[bench]
near = [[\"Q1\", \"Q2\"]]
";
const SILICON_PAIR: &str = "circuit = \"circuits/two-stage-silicon.cir\"
output = \"out\"
[control.volume]
range = [0, 1]
now = 1
";
const CHANNEL: &str = "circuit = \"tests/repairs/channel.cir\"
output = \"out\"
[control.volume]
range = [0, 1]
now = 0.5
[bench]
near = [[\"Q1\", \"Q2\"], [\"Q4\", \"Q5\"]]
";

impl Amplifier {
    pub fn germanium_pair() -> Self {
        Self {
            name: "germanium pair",
            sheet: read(GERMANIUM_PAIR, Truth::Told),
            text: GERMANIUM_PAIR,
            stages: &[("Q1", "c1"), ("Q2", "c2")],
            trap: Some("Q2"),
            required: Some(OF_PAIR),
        }
    }

    pub fn silicon_pair() -> Self {
        Self {
            name: "silicon stages",
            sheet: read(SILICON_PAIR, Truth::Told),
            text: SILICON_PAIR,
            stages: &[("Q1", "c1"), ("Q2", "c2")],
            trap: None,
            required: None,
        }
    }

    pub fn channel() -> Self {
        Self {
            name: "channel of five",
            sheet: read(CHANNEL, Truth::Told),
            text: CHANNEL,
            stages: &[("Q1", "c1"), ("Q2", "c2"), ("Q3", "c3"), ("Q4", "c4"), ("Q5", "e5")],
            trap: Some("Q2"),
            required: Some(OF_CHANNEL),
        }
    }

    /// The sheet that units are drawn by.
    pub fn truth(&self, truth: Truth) -> Sheet {
        let mut sheet = read(self.text, truth);
        if truth == Truth::Wide {
            sheet.tolerances = widened(&sheet.tolerances, 1.5);
        }
        sheet
    }
}

impl Truth {
    /// What the meter's readings are multiplied by.
    pub fn meter(self) -> f64 {
        if self == Truth::WrongCards { 1.25 } else { 1.0 }
    }
}

fn read(text: &str, truth: Truth) -> Sheet {
    let fetch = &mut |request: &IncludeRequest<'_>| {
        let path = match request.path.contains('/') {
            true => request.path.to_owned(),
            false => format!("circuits/{}", request.path),
        };
        let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
        Ok(Fetched { name: path, text: if truth == Truth::WrongCards { with_other_cards(&text) } else { text } })
    };
    match Sheet::read("repairs.toml", text, fetch) {
        Ok((sheet, _)) => sheet,
        Err(unread) => panic!("{:#?}", unread.messages),
    }
}

/// The text with every KF times 5 and every RB times 2.
fn with_other_cards(text: &str) -> String {
    let of_word = |word: &str| {
        for (key, factor) in [("KF=", 5.0), ("RB=", 2.0)] {
            if let Some(number) = word.strip_prefix(key).and_then(|number| number.parse::<f64>().ok()) {
                return format!("{key}{:e}", factor * number);
            }
        }
        word.to_owned()
    };
    let of_line = |line: &str| line.split(' ').map(of_word).collect::<Vec<_>>().join(" ");
    text.lines().map(of_line).collect::<Vec<_>>().join("\n") + "\n"
}

/// Tolerances with every range and sd `times` as wide.
fn widened(told: &Tolerances, times: f64) -> Tolerances {
    let about_middle = |[low, high]: [f64; 2]| {
        let (middle, half) = (0.5 * (low + high), 0.5 * times * (high - low));
        [middle - half, middle + half]
    };
    let fraction = |range: [f64; 2]| range.map(|end| times * end);
    let [quiet, loud] = about_middle(told.resistor_noise_uv.map(f64::ln)).map(f64::exp);
    Tolerances {
        resistor: fraction(told.resistor),
        resistor_noise_uv: [quiet, loud],
        capacitor: fraction(told.capacitor),
        electrolytic: fraction(told.electrolytic),
        inductor: fraction(told.inductor),
        beta_ratio: told.beta_ratio.powf(times),
        icbo_ratio: told.icbo_ratio.powf(times),
        is_sd: times * told.is_sd,
        rb_batch_sd: times * told.rb_batch_sd,
        rb_sd: times * told.rb_sd,
        kf_batch_sd: times * told.kf_batch_sd,
        kf_sd: times * told.kf_sd,
        supply: fraction(told.supply),
        ambient_celsius: about_middle(told.ambient_celsius),
        meter_sd: times * told.meter_sd,
        freeze_celsius: times * told.freeze_celsius,
        cool_celsius: about_middle(told.cool_celsius),
        finger_celsius: times * told.finger_celsius,
        heat_celsius: times * told.heat_celsius,
        spill: fraction(told.spill),
        leak_exponent: about_middle(told.leak_exponent),
    }
}
