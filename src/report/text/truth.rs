//! The truth about a drill's unit, in words and numbers computed from it.

use super::drill::words;
use super::{Rows, decibels, filled, hiss, percent, printable, volts};
use crate::drill::{Frozen, Truth, TruthPoint};
use crate::units::engineering;

/// Points that are shown where there are many: the first, the output, and those that rose most.
const MOST_POINTS: usize = 16;

/// What was wrong, what each point shows of it, and why.
pub fn drill_truth(truth: &Truth) -> String {
    let part = printable(&truth.fault.part);
    let mut rounded = truth.fault.clone();
    for value in rounded.values.values_mut() {
        *value = format!("{value:.1e}").parse().unwrap_or(*value);
    }
    let mut text = format!("The bad part: {}.\n{}.\n\n", printable(&rounded.text()), rounded.kind.meaning());
    let mut rows = Rows::new(&[
        "point",
        ">hiss without it",
        ">with it",
        ">rise",
        &format!(">of it {part}'s"),
        ">per µA",
        ">DC without it",
        ">with it",
    ]);
    for at in shown_points(truth) {
        let point = &truth.points[at];
        let [before, after] = point.rms_volts;
        rows.add([
            point.name.clone(),
            hiss(before),
            hiss(after),
            decibels(super::super::decibels(after / before)),
            percent(point.own_share),
            point.transfer_ohms.map_or_else(|| "-".to_owned(), |ohms| engineering(ohms * 1e-6, "V", 3)),
            volts(point.dc_volts[0]),
            volts(point.dc_volts[1]),
        ]);
    }
    text += &rows.text();
    text += "\n";
    for sentence in sentences(truth) {
        text += &filled("", "", words(&printable(&sentence)));
    }
    text
}

fn shown_points(truth: &Truth) -> Vec<usize> {
    let mut order: Vec<usize> = (0..truth.points.len()).collect();
    let rise = |at: usize| truth.points[at].rms_volts[1] / truth.points[at].rms_volts[0];
    order.sort_by(|&a, &b| rise(b).total_cmp(&rise(a)));
    let first: Vec<usize> = truth.first.into_iter().chain([truth.output]).collect();
    order.retain(|at| !first.contains(at));
    let mut shown: Vec<usize> = first.into_iter().chain(order).take(MOST_POINTS).collect();
    shown.sort_unstable();
    shown.dedup();
    shown
}

/// Why it appeared where it did.
fn sentences(truth: &Truth) -> Vec<String> {
    let part = &truth.fault.part;
    let output = &truth.points[truth.output];
    let mut all = Vec::new();
    let own = output.own_share >= 0.5;
    match (&truth.strongest, own) {
        (Some(strongest), true) => {
            let [(pin, node), (other_pin, other_node)] = &strongest.between;
            let at = |point: &TruthPoint| {
                let ohms = point.transfer_ohms.unwrap_or_default();
                format!("{} at {}", engineering(ohms * 1e-6, "V", 3), point.name)
            };
            let mut reached: Vec<String> = truth.first.map(|first| at(&truth.points[first])).into_iter().collect();
            if truth.first != Some(truth.output) {
                reached.push(at(output));
            }
            all.push(format!(
                "{part} hisses by itself ({}): the current of its hiss flows between {} and {}; 1 µA of it at \
                 1 kHz is {}.",
                strongest.mechanism.name().replace('_', " "),
                place(pin, node),
                place(other_pin, other_node),
                reached.join(" and "),
            ));
        }
        _ => {
            if let Some(raised) = &truth.raised {
                let [before, after] = raised.rms_volts.map(hiss);
                all.push(format!(
                    "{part} makes only {} of the hiss at {} itself. What rose is that of {}: there from {before} to {after}, \
                     {} of all.",
                    percent(output.own_share),
                    output.name,
                    raised.part,
                    percent(raised.share),
                ));
            }
        }
    }
    if let Some([before, after]) = truth.gain_db
        && (after - before).abs() >= 1.0
    {
        all.push(format!(
            "The gain from the input to {} at 1 kHz went from {before:.1} to {after:.1} dB.",
            output.name
        ));
    }
    match (truth.first.map(|first| &truth.points[first]), &truth.misled_to) {
        (Some(first), Some(misled)) => all.push(format!(
            "The meter sees it first at {}, the output of {misled}: whoever traces the hiss from the input on pulls {misled}, \
             and {misled} is good.",
            first.name
        )),
        (Some(first), None) => all.push(format!("The meter sees it first at {}.", first.name)),
        (None, _) => all.push("At no point does the meter see it rise by 3 dB.".to_owned()),
    }
    all.extend(truth.frozen.iter().map(|frozen| freezing(part, frozen)));
    all
}

fn freezing(part: &str, frozen: &Frozen) -> String {
    let Frozen { part: cold, change_db, gain_db } = frozen;
    let text = format!("Freezing {cold} changes the hiss by {change_db:+.1} dB");
    let gain = match gain_db {
        Some(gain) if gain.abs() >= 0.5 => format!(" and the gain by {gain:+.1} dB"),
        _ => String::new(),
    };
    let lesson = match (cold == part, gain_db) {
        (false, Some(gain)) if *change_db <= -1.0 && (gain - change_db).abs() <= 1.5 => {
            ": it is the gain that falls, and the fall tells nothing"
        }
        (false, _) if *change_db <= -1.0 => ", although it is good",
        (true, _) if change_db.abs() < 1.0 => ": spray does not find it",
        _ => "",
    };
    format!("{text}{gain}{lesson}.")
}

fn place(pin: &str, node: &str) -> String {
    match pin {
        "1" | "2" => node.to_owned(),
        pin => format!("{pin} ({node})"),
    }
}
