//! How each thing is measured, in the words of the bench.

use super::Subject;
use super::list::{Belongs, Set, Wanted};
use crate::bench::Point;
use crate::bench::reading::{Observed, When};
use crate::bench::sheet::NamedPoint;
use crate::noise::Weighting;
use crate::repair::swing::MID_HERTZ;
use crate::units::{exact, short};

/// How it is measured, whatever the place.
pub(super) fn how(set: &Set<'_>, wanted: &Wanted) -> String {
    let [low, high] = set.sheet.band_hz.map(|hertz| short(hertz, "Hz"));
    let dummy = "dummy load on";
    match &wanted.subject {
        Subject::Hiss(_, Weighting::Flat) => {
            format!("AC millivoltmeter, {low} to {high}, no signal, input closed with its source; {dummy}")
        }
        Subject::Hiss(_, weighting) => {
            format!("AC millivoltmeter behind the {} curve, no signal, input closed; {dummy}", curve(*weighting))
        }
        Subject::PeakToPeak(_) => format!("scope with its probe, AC coupled, no signal; {dummy}"),
        Subject::Hum(_) if set.sheet.acceptance.ripple.is_none() => {
            "recording with its hum taken out (hissmap recording \
            --measure hum); for limits measure the ripple of the supply and say so: [acceptance] ripple = \"VCC=50mV\""
                .to_owned()
        }
        Subject::Hum(_) => {
            format!("lines of the mains alone, no signal: from a recording (hissmap recording --measure hum); {dummy}")
        }
        Subject::SignalToNoise(weighting) => format!(
            "follows from the hiss{} and the rated output; nothing to read",
            if *weighting == Weighting::Flat {
                String::new()
            } else {
                format!(" read with weight = \"{}\"", weighting.name())
            }
        ),
        Subject::Gain(..) => {
            format!(
                "generator behind its source resistance, AC voltmeter, 20 dB below clipping; dB of output over e.m.f.; {dummy}"
            )
        }
        Subject::Response(..) => {
            format!("generator and AC voltmeter as for the gain, dB against {}; {dummy}", short(MID_HERTZ, "Hz"))
        }
        Subject::Balance => format!(
            "the same signal of {} to both inputs one after the other, dB of this output over the other; {dummy}s on both",
            short(MID_HERTZ, "Hz")
        ),
        Subject::BalancePosition => {
            "turn until both channels are equally loud and note where it stands, as a balance of 0 \
            dB: value = 0, with = { … }"
                .to_owned()
        }
        Subject::ClipUp | Subject::ClipDown => format!(
            "scope, DC coupled, sine of {} raised until that half flattens, V peak from the resting line; {dummy}",
            short(MID_HERTZ, "Hz")
        ),
        Subject::ClipSymmetry => "follows from clip_up and clip_down, dB; nothing to read".to_owned(),
        Subject::Watts => {
            let until = match set.sheet.acceptance.distortion {
                Some(share) => format!("{} % of distortion", exact(100.0 * share)),
                None => "just before either half flattens".to_owned(),
            };
            format!(
                "sine of {} up to {until}, volts rms squared over the load's ohms; short, mind the heat",
                short(MID_HERTZ, "Hz")
            )
        }
        Subject::Dc(point) if *point == set.ends(wanted.channel).output => {
            "DC meter across the load, no signal: what a speaker would carry".to_owned()
        }
        Subject::Dc(_) => "DC meter, no signal, clip the probe on with the set off".to_owned(),
        Subject::Temperature(part) if set.circuit.part(*part).element.heats_itself() => {
            "thermocouple on the case, no signal, after it has settled; the metal may be live".to_owned()
        }
        Subject::Temperature(_) => "its model has no RTH, so its heat is not known: give it °C/W".to_owned(),
    }
}

/// Where, and under which conditions.
pub(super) fn place(set: &Set<'_>, wanted: &Wanted) -> Option<String> {
    let mut words = Vec::new();
    match &wanted.subject {
        Subject::Hiss(point, _)
        | Subject::PeakToPeak(point)
        | Subject::Hum(point)
        | Subject::Gain(point, _)
        | Subject::Response(point, _)
        | Subject::Dc(point) => words.push(spot(set, wanted, point)),
        Subject::Temperature(part) => words.push(set.circuit.part(*part).name.clone()),
        Subject::SignalToNoise(_) | Subject::ClipUp | Subject::ClipDown | Subject::ClipSymmetry | Subject::Watts => {
            words.push(spot(set, wanted, &set.ends(wanted.channel).output));
        }
        Subject::Balance | Subject::BalancePosition => {}
    }
    if wanted.channel == Belongs::Other {
        words.push("in the other channel".to_owned());
    }
    words.extend(
        wanted.with.iter().map(|(at, position)| format!("{} at {}", set.sheet.controls[*at].name, exact(*position))),
    );
    if matches!((&wanted.subject, wanted.reading), (Subject::Hiss(..) | Subject::Hum(_), Some(Observed::Word(_)))) {
        words.push("where it is not visible the meter's own noise may hide it".to_owned());
    }
    words.extend(wanted.when.map(|when| condition(set, when)));
    (!words.is_empty()).then(|| words.join(", "))
}

/// `TP4 (collector of Q2)`
fn spot(set: &Set<'_>, wanted: &Wanted, point: &Point) -> String {
    match (named(set, wanted, point), wanted.channel) {
        (Some(NamedPoint { name, place: Some(place), .. }), Belongs::Twin) => {
            format!("at {name} of the other channel ({place})")
        }
        (Some(NamedPoint { name, place: Some(place), .. }), _) => format!("at {name} ({place})"),
        _ => format!("at {}", point.name),
    }
}

/// The named point that a point is, or is the twin of.
pub(super) fn named<'a>(set: &Set<'a>, wanted: &Wanted, point: &Point) -> Option<&'a NamedPoint> {
    let is_own = |named: &&NamedPoint| {
        named.point == *point || wanted.channel == Belongs::Twin && named.twin.as_ref() == Some(point)
    };
    set.sheet.points.iter().find(is_own)
}

fn condition(set: &Set<'_>, when: When) -> String {
    let asked = &set.sheet.acceptance;
    let range = |[low, high]: [f64; 2]| format!("{} to {} °C", exact(low), exact(high));
    match when {
        When::Warm => {
            format!("after 30 minutes, cabinet closed, at {} inside", range(asked.warm_celsius))
        }
        When::Cold => format!("cold, within a minute of switching on, at {}", range(asked.cold_celsius)),
    }
}

fn curve(weighting: Weighting) -> &'static str {
    match weighting {
        Weighting::Flat => "flat",
        Weighting::A => "A",
        Weighting::Itu468 => "468",
    }
}
