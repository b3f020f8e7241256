//! Printed voltages against the netlist as typed: slips planted in the shipped unit are found, and nothing where all agrees.

use std::fs;
use std::path::Path;

use hissmap::bench::printed::{Printed, Slip, printed};
use hissmap::bench::sheet::Sheet;
use hissmap::element::Pin;
use hissmap::netlist::{Fetched, IncludeRequest};

/// The sheet of the shipped unit, lines of its netlist typed otherwise.
fn typed(slips: &[(&str, &str)]) -> (Sheet, Printed) {
    let sheet = fs::read_to_string("circuits/replay-amplifier.toml").expect("a sheet");
    let read = Sheet::read("circuits/replay-amplifier.toml", &sheet, &mut |request: &IncludeRequest<'_>| {
        let path = Path::new("circuits").join(request.path);
        let mut text = fs::read_to_string(&path).map_err(|error| error.to_string())?;
        if request.path == "replay-amplifier.cir" {
            for (right, wrong) in slips {
                assert_eq!(text.matches(&format!("\n{right}")).count(), 1, "{right}");
                text = text.replace(&format!("\n{right}"), &format!("\n{wrong}"));
            }
        }
        Ok(Fetched { name: path.display().to_string(), text })
    });
    let (sheet, _) = read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages));
    let printed = printed(&sheet);
    (sheet, printed)
}

/// What the best explanation mends: names of parts, and the value or the pins.
fn mended(sheet: &Sheet, printed: &Printed) -> Vec<String> {
    let Some(best) = printed.explanations.first() else { return Vec::new() };
    assert_eq!(best.disagreeing, 0, "{best:?}");
    let words = best.slips.iter().map(|slip| {
        let names: Vec<&str> = slip.parts().iter().map(|part| sheet.circuit.part(*part).name.as_str()).collect();
        match slip {
            Slip::Value { value, .. } => format!("{} {value:.0}", names.join(" ")),
            Slip::Pins { pins, .. } => format!("{} {} {}", names.join(" "), pins[0].name(), pins[1].name()),
            other => format!("{other:?}"),
        }
    });
    let mut words: Vec<String> = words.collect();
    words.sort();
    words
}

const RESISTOR: (&str, &str) = ("RC1 pre c1 22k", "RC1 pre c1 2k2");
const TRANSISTOR: (&str, &str) = ("Q3 c3 b3 e3", "Q3 b3 c3 e3");

#[test]
fn the_shipped_unit_agrees_with_its_papers() {
    let (_, printed) = typed(&[]);
    assert!(printed.points.len() >= 20 && printed.warning().is_none() && printed.explanations.is_empty());
    for point in &printed.points {
        // Printed with three digits: half a unit of the last one is far inside the tolerances.
        assert!(point.deviation().expect("a bias").abs() < 0.5, "{point:?}");
    }
}

#[test]
fn a_resistor_a_decade_off_is_found() {
    let (sheet, printed) = typed(&[RESISTOR]);
    // The card stands in a sub-circuit that is called twice.
    assert_eq!(mended(&sheet, &printed), ["XL.RC1 XR.RC1 22000"]);
    let warning = printed.warning().expect("it disagrees");
    assert_eq!(warning.help.as_deref(), Some("XL.RC1 and XR.RC1 typed 2.2 kΩ; 22 kΩ would fit"));
}

#[test]
fn a_transistor_with_base_and_collector_exchanged_is_found() {
    let (sheet, printed) = typed(&[TRANSISTOR]);
    assert_eq!(mended(&sheet, &printed), ["XL.Q3 XR.Q3 collector base"]);
    let pins = [Pin::Collector, Pin::Base];
    assert!(matches!(&printed.explanations[0].slips[0], Slip::Pins { pins: found, .. } if *found == pins));
}

#[test]
fn both_slips_at_once_are_found() {
    let (sheet, printed) = typed(&[RESISTOR, TRANSISTOR]);
    assert_eq!(mended(&sheet, &printed), ["XL.Q3 XR.Q3 collector base", "XL.RC1 XR.RC1 22000"]);
}
