//! Whom the chart has rows for: every kind of fault of every part, or those that a sheet suspects.

use crate::bench::ListedFault;
use crate::bench::fault::{Case, Fault, FaultKind, Prior, hypotheses};
use crate::bench::sheet::Sheet;
use crate::circuit::Circuit;
use crate::element::Pin;

/// One kind of fault of one part.
#[derive(Clone, Debug, PartialEq)]
pub struct Suspect {
    /// The part, as first written.
    pub part: String,
    /// What is wrong with it.
    pub kind: FaultKind,
    /// Where, for kinds that are at some pins.
    pub pins: Vec<Pin>,
    /// How bad it may be.
    pub prior: Prior,
}

impl Suspect {
    /// Every kind of fault that a part may have without being asked for, in netlist order.
    pub fn all(circuit: &Circuit) -> Vec<Suspect> {
        let each = hypotheses(circuit).into_iter();
        each.map(|(id, kind, prior)| Suspect { part: circuit.part(id).name.clone(), kind, pins: Vec::new(), prior })
            .collect()
    }

    /// Those of a sheet with its ranges, in netlist order; every one of [`Suspect::all`] where it lists none. `circuit`: of
    /// the sheet, with what-ifs, which may have taken a part out.
    pub fn of_sheet(sheet: &Sheet, circuit: &Circuit) -> Vec<Suspect> {
        let listed = sheet.listed_faults().into_iter().filter(|fault| circuit.find_part(&fault.name).is_ok());
        listed.map(|ListedFault { name, kind, pins, prior, .. }| Suspect { part: name, kind, pins, prior }).collect()
    }

    /// The fault in a case; `None` for one that is there or not, besides the typical case.
    pub fn fault(&self, case: Case) -> Option<Fault> {
        if self.prior.ranges.is_empty() && case != Case::Typical {
            return None;
        }
        let mut fault = Fault::new(&self.part, self.kind).at(&self.pins);
        for range in &self.prior.ranges {
            fault = fault.with(range.key, range.at(case.fraction()));
        }
        Some(fault)
    }
}
