//! Verdicts: a reading against the limits of what healthy units read.

use super::band::{Scatter, Sides, limits};
use super::list::{Belongs, Set, Wanted};
use super::units::Healthy;
use super::{Item, Subject, how};
use crate::bench::Point;
use crate::bench::reading::Observed;
use crate::bench::simulated::peak_to_peak;
use crate::noise::Weighting;
use crate::units::{exact, short};

/// What came of an item.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// A healthy set reads so.
    Pass,
    /// One in a hundred healthy sets, or whatever the share leaves, reads so.
    Fail,
    /// It was not read, or what was read says nothing.
    ToDo,
}

impl Verdict {
    /// Its word.
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::Fail => "fail",
            Verdict::ToDo => "to_do",
        }
    }
}

/// What is not seen lies below so much of the instrument's own noise.
const NOT_SEEN: f64 = std::f64::consts::SQRT_2;
/// Decibels of a small fraction: 20/ln 10.
const DECIBELS: f64 = 8.685_889_638_065_037;

pub(super) fn items(set: &Set<'_>, list: &[Wanted], healthy: &Healthy) -> Vec<Item> {
    let items = list.iter().zip(&healthy.values).filter_map(|(wanted, values)| {
        // What the circuit does not do is not asked for, unless somebody read it.
        let known = !values.is_empty() || wanted.reading.is_some() || matches!(wanted.subject, Subject::Hum(_));
        known.then(|| item(set, list, wanted, values, healthy))
    });
    items.collect()
}

fn item(set: &Set<'_>, list: &[Wanted], wanted: &Wanted, values: &[f64], healthy: &Healthy) -> Item {
    let (scatter, sides) = error(set, &wanted.subject);
    let [low, high] = match values {
        [] => [None, None],
        values => limits(values, scatter, sides, set.sheet.acceptance.share),
    };
    let observed = observed(list, wanted, healthy);
    let value = match observed {
        Some(Observed::Number(number)) => Some(number),
        Some(Observed::Word(_)) | None => None,
    };
    let verdict = match (observed, low.is_some() || high.is_some()) {
        (Some(Observed::Number(number)), true) => {
            let inside = low.is_none_or(|low| number >= low) && high.is_none_or(|high| number <= high);
            if inside { Verdict::Pass } else { Verdict::Fail }
        }
        // Nothing seen passes where a healthy set may be heard above that.
        (Some(Observed::Word(_)), true) => {
            let seen_from = not_seen(set, &wanted.subject);
            if high.is_some_and(|high| seen_from <= high) { Verdict::Pass } else { Verdict::ToDo }
        }
        _ => Verdict::ToDo,
    };
    Item {
        name: name(set, wanted),
        channel: channel(set, wanted),
        when: wanted.when,
        value,
        low,
        high,
        unit: unit(&wanted.subject),
        verdict,
        how: how::how(set, wanted),
        place: how::place(set, wanted),
        subject: wanted.subject.clone(),
    }
}

/// What was read, or what follows from what was.
fn observed(list: &[Wanted], wanted: &Wanted, healthy: &Healthy) -> Option<Observed> {
    let read = |subject: &dyn Fn(&Subject) -> bool| {
        let same = |other: &&Wanted| {
            (other.channel, other.when, &other.with) == (wanted.channel, wanted.when, &wanted.with)
                && subject(&other.subject)
        };
        match list.iter().find(same)?.reading? {
            Observed::Number(number) => Some(number),
            Observed::Word(_) => None,
        }
    };
    match &wanted.subject {
        Subject::SignalToNoise(weighting) => {
            let hiss = |subject: &Subject| matches!(subject, Subject::Hiss(_, weight) if weight == weighting);
            Some(Observed::Number(20.0 * (healthy.rated_volts? / read(&hiss)?).log10()))
        }
        Subject::ClipSymmetry => {
            let [up, down] = [Subject::ClipUp, Subject::ClipDown].map(|side| read(&|subject| *subject == side));
            Some(Observed::Number(20.0 * (up?.abs() / down?.abs()).log10()))
        }
        // From where the output rests, whatever its sign was written.
        Subject::ClipUp | Subject::ClipDown => match wanted.reading? {
            Observed::Number(number) => Some(Observed::Number(number.abs())),
            word => Some(word),
        },
        _ => wanted.reading,
    }
}

/// How readings scatter, and what is wrong: too much, too little or both.
fn error(set: &Set<'_>, subject: &Subject) -> (Scatter, Sides) {
    let (errors, tolerances) = (&set.sheet.reading_errors, &set.sheet.tolerances);
    let meter = errors.hiss.hypot(tolerances.meter_sd);
    match subject {
        Subject::Hiss(..) => (Scatter::Fraction(meter), Sides::Upper),
        Subject::PeakToPeak(_) => (Scatter::Fraction(errors.peak_to_peak.hypot(errors.observer)), Sides::Upper),
        Subject::Hum(_) => (Scatter::Fraction(errors.hum.hypot(tolerances.meter_sd)), Sides::Upper),
        Subject::SignalToNoise(_) => (Scatter::Plain(DECIBELS * meter), Sides::Lower),
        Subject::Gain(..) | Subject::Response(..) => (Scatter::Plain(errors.gain_db), Sides::Both),
        Subject::Balance => (Scatter::Plain(errors.balance_db), Sides::Both),
        Subject::BalancePosition => (Scatter::Plain(errors.position * travel(set)), Sides::Both),
        Subject::ClipUp | Subject::ClipDown => (Scatter::Fraction(errors.clip), Sides::Both),
        Subject::ClipSymmetry => (Scatter::Plain(DECIBELS * errors.clip * std::f64::consts::SQRT_2), Sides::Both),
        Subject::Watts => (Scatter::Fraction(errors.watts), Sides::Lower),
        Subject::Dc(_) => (Scatter::Both(errors.dc, errors.dc_zero_volts), Sides::Both),
        Subject::Temperature(_) => (Scatter::Plain(errors.temperature_celsius), Sides::Both),
    }
}

fn travel(set: &Set<'_>) -> f64 {
    let control = super::list::balance_control(set.sheet).map(|at| set.sheet.controls[at].range);
    control.map_or(1.0, |[low, high]| high - low)
}

/// Below which volts nothing is seen.
fn not_seen(set: &Set<'_>, subject: &Subject) -> f64 {
    let instruments = &set.sheet.instruments;
    NOT_SEEN
        * match subject {
            Subject::PeakToPeak(_) => peak_to_peak(&instruments.scope, 0.0),
            _ => instruments.meter.shows(0.0),
        }
}

fn unit(subject: &Subject) -> &'static str {
    match subject {
        Subject::Hiss(..)
        | Subject::PeakToPeak(_)
        | Subject::Hum(_)
        | Subject::ClipUp
        | Subject::ClipDown
        | Subject::Dc(_) => "V",
        Subject::SignalToNoise(_)
        | Subject::Gain(..)
        | Subject::Response(..)
        | Subject::Balance
        | Subject::ClipSymmetry => "dB",
        Subject::BalancePosition => "",
        Subject::Watts => "W",
        Subject::Temperature(_) => "°C",
    }
}

fn channel(set: &Set<'_>, wanted: &Wanted) -> Option<String> {
    match wanted.channel {
        Belongs::Set => None,
        Belongs::Own => Some(set.sheet.point_name(&set.own.output)),
        Belongs::Twin if set.twin.is_some() => Some(set.sheet.point_name(&set.ends(wanted.channel).output)),
        Belongs::Twin | Belongs::Other => Some(format!("other than {}", set.sheet.point_name(&set.own.output))),
    }
}

/// `dc at TP4, warm`; at the output the place is left out.
fn name(set: &Set<'_>, wanted: &Wanted) -> String {
    let point_name = |point: &Point| {
        how::named(set, wanted, point).map_or_else(|| set.sheet.point_name(point), |named| named.name.clone())
    };
    let at = |word: &str, point: &Point| match *point == set.ends(wanted.channel).output {
        true => word.to_owned(),
        false => format!("{word} at {}", point_name(point)),
    };
    let mut name = match &wanted.subject {
        Subject::Hiss(point, Weighting::Flat) => at("hiss", point),
        Subject::Hiss(point, weighting) => at(&format!("hiss_{}", weighting.name()), point),
        Subject::PeakToPeak(point) => at("pp", point),
        Subject::Hum(point) => at("hum", point),
        Subject::SignalToNoise(Weighting::Flat) => "signal_to_noise".to_owned(),
        Subject::SignalToNoise(weighting) => format!("signal_to_noise_{}", weighting.name()),
        Subject::Gain(point, hertz) => format!("{} at {}", at("gain", point), short(*hertz, "Hz")),
        Subject::Response(point, hertz) => format!("{} at {}", at("response", point), short(*hertz, "Hz")),
        Subject::Balance => "balance".to_owned(),
        Subject::BalancePosition => "balance_position".to_owned(),
        Subject::ClipUp => "clip_up".to_owned(),
        Subject::ClipDown => "clip_down".to_owned(),
        Subject::ClipSymmetry => "clip_symmetry".to_owned(),
        Subject::Watts => "watts".to_owned(),
        Subject::Dc(point) => format!("dc at {}", point_name(point)),
        Subject::Temperature(part) => format!("temperature of {}", set.circuit.part(*part).name),
    };
    for (at, position) in &wanted.with {
        name += &format!(", {} at {}", set.sheet.controls[*at].name, exact(*position));
    }
    if let Some(when) = wanted.when {
        name += &format!(", {}", when.name());
    }
    name
}
