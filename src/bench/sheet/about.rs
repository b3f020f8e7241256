//! A sheet about a variant of its circuit.

use super::Sheet;
use crate::circuit::Circuit;
use crate::element::PartId;

impl Sheet {
    /// The same sheet about a variant of its circuit, with what-ifs or put right. What it says of parts follows them to
    /// their places there, since a part that is taken out moves those behind it; what it says of one that is gone is
    /// dropped. A temperature inside the set that was told for the variant is no matter of tolerance any more.
    #[must_use]
    pub fn about(&self, circuit: &Circuit) -> Sheet {
        let mut sheet = self.clone();
        let moved = |part: PartId| circuit.find_part(&self.circuit.part(part).name).ok();
        sheet.input = self.input.and_then(moved);
        let acceptance = &mut sheet.acceptance;
        acceptance.twin_input = acceptance.twin_input.and_then(moved);
        acceptance.loads = acceptance.loads.map(|load| load.and_then(moved));
        acceptance.ripple =
            acceptance.ripple.and_then(|ripple| Some(crate::bench::Ripple { source: moved(ripple.source)?, ..ripple }));
        if circuit.ambient != self.circuit.ambient {
            sheet.tolerances.ambient_celsius = [circuit.ambient.celsius(); 2];
        }
        sheet.circuit = circuit.clone();
        sheet
    }
}
