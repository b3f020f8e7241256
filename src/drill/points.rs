//! Where one can measure, what can be touched and turned.

use crate::bench::Point;
use crate::bench::sheet::Sheet;
use crate::element::Element;

/// All that a learner finds in the set.
#[derive(Clone, Debug, PartialEq)]
pub struct Points {
    /// Points, those with names first, then every other node in signal order.
    pub points: Vec<PointLine>,
    /// Transistors and diodes, in netlist order.
    pub devices: Vec<String>,
    /// Controls.
    pub controls: Vec<ControlLine>,
}

/// One point.
#[derive(Clone, Debug, PartialEq)]
pub struct PointLine {
    /// What it is called.
    pub name: String,
    /// Its node.
    pub node: String,
    /// Where to find it.
    pub place: Option<String>,
    /// Volts printed on the schematic.
    pub printed_volts: Option<f64>,
}

/// One control.
#[derive(Clone, Debug, PartialEq)]
pub struct ControlLine {
    /// Its name.
    pub name: String,
    /// Lower and upper end.
    pub range: [f64; 2],
    /// Where it stands.
    pub position: f64,
}

impl Points {
    /// Of a sheet, with controls that stand elsewhere, by index.
    pub fn of(sheet: &Sheet, positions: &[(usize, f64)]) -> Self {
        let named = sheet.points.iter().map(|named| PointLine {
            name: named.name.clone(),
            node: named.point.name.clone(),
            place: named.place.clone(),
            printed_volts: named.printed_volts,
        });
        let mut points: Vec<PointLine> = named.collect();
        let held = sheet.circuit.held_groups();
        for point in Point::all(&sheet.circuit, sheet.input) {
            let fixed = held[point.plus.index()] == held[point.minus.index()];
            if !fixed && !sheet.points.iter().any(|named| named.point == point) {
                let (name, node) = (point.name.clone(), point.name);
                points.push(PointLine { name, node, place: None, printed_volts: None });
            }
        }
        let device = |element: &Element| matches!(element, Element::Bjt(_) | Element::Jfet(_) | Element::Diode(_));
        let devices = sheet.circuit.parts().filter(|(_, part)| device(&part.element));
        let control = |(at, control): (usize, &crate::bench::sheet::Control)| {
            let moved = positions.iter().find(|(moved, _)| *moved == at);
            let position = moved.map_or(control.now, |(_, position)| *position);
            ControlLine { name: control.name.clone(), range: control.range, position }
        };
        Self {
            points,
            devices: devices.map(|(_, part)| part.name.clone()).collect(),
            controls: sheet.controls.iter().enumerate().map(control).collect(),
        }
    }
}
