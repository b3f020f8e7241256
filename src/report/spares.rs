//! Spares in a place, and what the pulled part reads: the results with the names and words that go with them.

use super::Setting;
use crate::bench::healthy::Band;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, PartId, Polarity};
use crate::noise::Weighting;
use crate::repair::spares::pulled::{Pulled, PulledQuestion, pulled as on_tester};
use crate::repair::spares::{Finding, Spares, SparesError, SparesQuestion, Tester, When, spares as try_spares};
use crate::units::{engineering, short};

/// Spares in order of rank, and under which conditions.
#[derive(Clone, Debug)]
pub struct SparesResult {
    /// Conditions.
    pub setting: Setting,
    /// The place.
    pub place: Place,
    /// Name of the output that hiss and gain are of.
    pub output: String,
    /// Band of the hiss, Hz.
    pub band_hz: [f64; 2],
    /// Its weighting.
    pub weighting: Weighting,
    /// Names of the points that DC is compared at.
    pub points: Vec<String>,
    /// The highest temperature inside the cabinet, °C.
    pub hottest_celsius: f64,
    /// What spares are measured on.
    pub tester: Tester,
    /// The answer.
    pub spares: Spares,
}

/// The transistor that comes out.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// Its name.
    pub part: String,
    /// NPN or PNP.
    pub polarity: Polarity,
    /// Whether it is of germanium.
    pub germanium: bool,
    /// Its model.
    pub model: String,
}

/// What the pulled part reads on a tester.
#[derive(Clone, Debug, PartialEq)]
pub struct PulledResult {
    /// Conditions.
    pub setting: Setting,
    /// The part.
    pub place: Place,
    /// The tester.
    pub tester: Tester,
    /// The answer.
    pub pulled: Pulled,
}

/// Tries spares. `changes` are the what-ifs that made the circuit of the question, a line each.
///
/// # Errors
/// As [`crate::repair::spares::spares`].
pub fn spares(question: &SparesQuestion<'_>, changes: &[String]) -> Result<SparesResult, SparesError> {
    let spares = try_spares(question)?;
    let part = &question.circuit.part(question.part).name;
    Ok(SparesResult {
        setting: Setting::of(question.circuit, changes),
        place: place(question.circuit, question.part).ok_or_else(|| SparesError::NoTransistor(part.clone()))?,
        output: question.output.name.clone(),
        band_hz: question.band_hz,
        weighting: question.weighting,
        points: question.points.iter().map(|point| point.name.clone()).collect(),
        hottest_celsius: question.hottest_celsius,
        tester: question.tester,
        spares,
    })
}

/// Puts the pulled part on the tester. `changes` are the what-ifs about other parts, a line each.
///
/// # Errors
/// A part that is no bipolar transistor; a fault or what-if that does not fit.
pub fn pulled(question: &PulledQuestion<'_>, changes: &[String]) -> Result<PulledResult, Vec<Diagnostic>> {
    match (place(question.circuit, question.part), on_tester(question)?) {
        (Some(place), Some(pulled)) => {
            Ok(PulledResult { setting: Setting::of(question.circuit, changes), place, tester: question.tester, pulled })
        }
        _ => Err(vec![no_transistor(question.circuit, question.part)]),
    }
}

/// Says that spares are of bipolar transistors, and which the circuit has.
pub fn no_transistor(circuit: &Circuit, part: PartId) -> Diagnostic {
    let own = circuit.part(part);
    let message = format!("{} is {}, and spares are tried for bipolar transistors", own.name, own.element.words());
    let error = Diagnostic::error(Code::UnfitPart, message);
    if matches!(own.element, Element::Diode(_) | Element::Jfet(_)) {
        return error
            .help(format!("see what another model does in its place: hissmap compare … --swap {}=MODEL", own.name));
    }
    const SHOWN: usize = 8;
    let transistors = circuit.parts().filter(|(_, part)| matches!(part.element, Element::Bjt(_)));
    let names: Vec<&str> = transistors.map(|(_, part)| part.name.as_str()).collect();
    match names.as_slice() {
        [] => error.help("the circuit has none"),
        names if names.len() > SHOWN => error.help(format!("name one: {}, …", names[..SHOWN].join(", "))),
        names => error.help(format!("name one: {}", names.join(", "))),
    }
}

fn place(circuit: &Circuit, part: PartId) -> Option<Place> {
    let own = circuit.part(part);
    let Element::Bjt(device) = &own.element else { return None };
    Some(Place {
        part: own.name.clone(),
        polarity: device.polarity,
        germanium: device.is_germanium(),
        model: device.model_name.clone(),
    })
}

/// `PNP`.
pub(super) fn polarity(polarity: Polarity) -> &'static str {
    match polarity {
        Polarity::N => "NPN",
        Polarity::P => "PNP",
    }
}

/// A finding in words: lower case, no full stop.
pub fn words(finding: &Finding) -> String {
    let quantity = |value: f64, unit: &str| engineering(value, unit, 3);
    let when = |when: &When| match when {
        When::AtRest => "at rest",
        When::Hot => "at rest at the highest temperature inside",
        When::Driven => "driven up to clipping",
        When::CutOff => "when it is cut off",
    };
    let heat = |hot: bool| if hot { " at the highest temperature inside" } else { "" };
    match finding {
        Finding::WrongPolarity { wanted } => format!("wrong polarity: this place wants {}", polarity(*wanted)),
        Finding::OtherMaterial { wanted_germanium: true } => {
            "another material: silicon, which wants about 0.4 V more from base to emitter than the germanium there".into()
        }
        Finding::OtherMaterial { wanted_germanium: false } => {
            "another material: germanium, which leaks and wants about 0.4 V less from base to emitter than the silicon there"
                .into()
        }
        Finding::OtherPinout { wanted, own } => {
            format!("another pinout: {own}, and {wanted} came out; check each lead, cross and sleeve them")
        }
        Finding::OtherCase { wanted, own } => {
            format!("another case: {own}, and {wanted} came out; see that it goes in and cools as well")
        }
        Finding::NoBias { why } => format!("the circuit finds no rest with it: {why}"),
        Finding::Unstable { what } => format!("the circuit {what} with it"),
        Finding::Disabled { device, region, hot } => format!("{device} is {region} with it{}", heat(*hot)),
        Finding::LostInUnits { lost, units, lost_before } => format!(
            "in {lost} of {units} sets within their tolerances a transistor does not amplify with it ({lost_before} with \
             the original)"
        ),
        Finding::OutsideBand { count, worst, volts, band: [low, high] } => format!(
            "DC outside the healthy band at {}: farthest {worst}, {} where healthy units have {} to {}",
            if *count == 1 { "one point".to_owned() } else { format!("{count} points") },
            quantity(*volts, "V"),
            quantity(*low, "V"),
            quantity(*high, "V"),
        ),
        Finding::Gain { change_db, band_db: [low, high] } => {
            format!("gain {change_db:+.1} dB, where healthy units have {low:+.1} to {high:+.1} dB")
        }
        Finding::NoGain => "no gain to the output with it".into(),
        Finding::Bandwidth { upper, before_hz, after_hz, cuts } => format!(
            "the {} -3 dB limit moves from {} to {}{}",
            if *upper { "upper" } else { "lower" },
            quantity(*before_hz, "Hz"),
            quantity(*after_hz, "Hz"),
            if *cuts { ", into the band" } else { "" },
        ),
        Finding::Hiss { change_db, gain_db, complaint_db } => {
            let judged = if change_db > complaint_db { "a complaint again" } else { "above the healthy band" };
            let gain = gain_db.map_or_else(String::new, |gain_db| format!("; the gain goes with {:+.1} dB", gain_db + 0.0));
            format!("{change_db:.1} dB more hiss at the output, {judged}{gain}")
        }
        Finding::Dissipation { watts, rated, when: at } => format!(
            "dissipates {} {}: {:.0} % of its {}",
            quantity(*watts, "W"),
            when(at),
            100.0 * watts / rated,
            short(*rated, "W")
        ),
        Finding::Volts { volts, rated, when: at } => format!(
            "{} from collector to emitter {}, rated {}",
            quantity(*volts, "V"),
            when(at),
            short(*rated, "V")
        ),
        Finding::Current { amps, rated, when: at } => {
            format!("collector current {} {}, rated {}", quantity(*amps, "A"), when(at), short(*rated, "A"))
        }
        Finding::RatedLess { which, own, original, unit } => format!(
            "{which} {} is less than half of the original's {}, and what the place asks for when driven is not known",
            short(*own, unit),
            short(*original, unit)
        ),
        Finding::NoBands => "hardly any healthy set found a bias: DC, gain and hiss are judged by nothing".into(),
        Finding::RatingsUnknown { which } => {
            format!("its model gives no {}: check against its data sheet", which.join(", no "))
        }
        Finding::HotJunction { celsius, ambient_celsius, limit_celsius } => format!(
            "junction at {celsius:.0} °C with {} inside; {} °C is what its material stands (common practice)",
            short(*ambient_celsius, "°C"),
            limit_celsius
        ),
        Finding::Runaway { thermal_loop, ambient_celsius } if *thermal_loop >= 1.0 => format!(
            "runs away thermally with {} inside: each degree brings {thermal_loop:.2} more",
            short(*ambient_celsius, "°C")
        ),
        Finding::Runaway { thermal_loop, ambient_celsius } => format!(
            "near thermal runaway with {} inside: each degree brings {thermal_loop:.2} more, and 1 is the end",
            short(*ambient_celsius, "°C")
        ),
        Finding::NoBiasHot { why, ambient_celsius } => {
            format!("no rest with {} inside: {why}", short(*ambient_celsius, "°C"))
        }
        Finding::Leaky { amps, from } => format!(
            "leaks as a faulty one does, ICBO {} (a fault from {} on): such a surface may hiss up to 100 times the shot \
             noise reckoned here (common practice)",
            quantity(*amps, "A"),
            quantity(*from, "A")
        ),
        Finding::Mismatch { twin, what, ratio, healthy_ratio } => {
            format!("{what} {ratio:.2} times that of {twin} in the other channel; good ones differ by up to {healthy_ratio}")
        }
        Finding::ModelAssumed { model } => format!("no model is named: reckoned as {model}, which the original is"),
        Finding::NotMeasured { what } => format!("its {what} was not measured: that of its model stands for it"),
        Finding::BeyondModel { what, model } => {
            format!("model {model} cannot have the {what} measured: what is said here rests on that of the model")
        }
        Finding::LeaksLess { model, amps } => format!(
            "leaks less than the junctions of {model} by themselves, {}: reckoned with that",
            quantity(*amps, "A")
        ),
    }
}

/// Both ends of a band, or nothing.
pub(super) fn ends(band: Option<Band>) -> Option<[f64; 2]> {
    band.map(|Band { low, high }| [low, high])
}
