//! Magnetic coupling of windings: each pair adds M·di/dt to the other's voltage, M = k·√(L₁·L₂).

use super::{PartId, Place};
use crate::mna::SignalEquations;

/// One K card: every pair of its windings is coupled by the same coefficient.
#[derive(Clone, Debug, PartialEq)]
pub struct Coupling {
    /// The windings and their inductances, H.
    pub windings: Vec<(PartId, f64)>,
    /// Coefficient, -1 to 1.
    pub coefficient: f64,
}

impl Coupling {
    /// Pairs of windings with their mutual inductance, H.
    pub fn mutuals(&self) -> impl Iterator<Item = (PartId, PartId, f64)> + '_ {
        self.windings.iter().enumerate().flat_map(move |(at, &(first, l1))| {
            self.windings[at + 1..]
                .iter()
                .map(move |&(second, l2)| (first, second, self.coefficient * l1.sqrt() * l2.sqrt()))
        })
    }

    pub(super) fn stamp_signal(&self, place: Place, equations: &mut SignalEquations) {
        for (first, second, henries) in self.mutuals() {
            let (first, second) = (place.inner_of(first), place.inner_of(second));
            equations.add(first, second, 0.0, -henries);
            equations.add(second, first, 0.0, -henries);
        }
    }
}
