//! The linearised equations of eight variants at one frequency.

use num_complex::Complex64;

use super::Variant;
use crate::bias::{BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::element::{NoiseList, NoiseSource};
use crate::mna::{
    CONDITION_LIMIT, LANES, LaneMatrix, LaneReal, LaneValue, LinearError, Pattern, SCREEN_BELOW, SignalEquations,
    Unknown,
};
use crate::operating::MIDDLE_HERTZ;

/// Frequencies at which the pivot order must serve, Hz: the audio band with room on both sides.
const SAMPLES_HZ: [f64; 3] = [10.0, 1e3, 1e5];

/// The pattern of the linearised equations with its pivot order.
#[derive(Debug)]
pub(super) struct SignalLanes {
    pub pattern: Pattern,
    /// Of each unknown the pin before it and -1 where it is a drop; else ground and 1.
    pins: Vec<(Unknown, f64)>,
    /// Unknowns that are drops and their pins, in the order of the parts.
    pub drops: Vec<(Unknown, Unknown)>,
}

impl SignalLanes {
    /// Orders the pivots for circuits of the structure of `circuit`.
    ///
    /// # Errors
    /// [`SolveError::Singular`] names an unknown that nothing determines.
    pub fn new(circuit: &Circuit, bias: &BiasPoint) -> Result<Self, SolveError> {
        let settled = |x: &[f64]| {
            let mut equations = SignalEquations::new(circuit.layout().electrical);
            circuit.parts().for_each(|(id, part)| part.element.stamp_signal(circuit.place(id), x, &mut equations));
            equations.settle();
            equations
        };
        let nominal = settled(&bias.x);
        // Conductances of junctions that are cut off vanish from the equations; at rest none is.
        let rest = settled(&vec![0.0; bias.x.len()]);
        let mut places: Vec<(Unknown, Unknown)> =
            nominal.entries.iter().chain(&rest.entries).map(|entry| (entry.row, entry.column)).collect();
        places.sort_unstable();
        places.dedup();
        let mut samples = vec![[Complex64::default(); 3]; places.len()];
        for entry in &nominal.entries {
            let at = places.binary_search(&(entry.row, entry.column)).expect("every entry was listed");
            samples[at] = SAMPLES_HZ.map(|hertz| Complex64::new(entry.g, std::f64::consts::TAU * hertz * entry.c));
        }
        let pattern = Pattern::new(nominal.unknowns, &places, &samples).map_err(|error| {
            let (LinearError::Singular(unknown) | LinearError::NotFinite(unknown)) = error;
            SolveError::Singular {
                unknown: circuit.describe_unknown(unknown),
                frequency_hz: Some(SAMPLES_HZ[1]),
                reason: None,
            }
        })?;
        let drops: Vec<(Unknown, Unknown)> = nominal.drops().collect();
        let mut pins = vec![(Unknown::GROUND, 1.0); nominal.unknowns + 1];
        drops.iter().for_each(|&(inner, pin)| pins[inner.index()] = (pin, -1.0));
        Ok(Self { pattern, pins, drops })
    }

    /// G and C of each entry of the pattern at a bias point, and the noise sources; no entries where the equations do not
    /// fit the pattern.
    pub fn stamp(&self, circuit: &Circuit, bias: &BiasPoint) -> (Option<Vec<(f64, f64)>>, Vec<NoiseSource>) {
        let mut equations = SignalEquations::new(circuit.layout().electrical);
        let mut sources = Vec::new();
        for (id, part) in circuit.parts() {
            let place = circuit.place(id);
            part.element.stamp_signal(place, &bias.x, &mut equations);
            part.element.list_noise(place, &bias.x, &mut NoiseList::new(id, &mut sources));
        }
        (self.by_pattern(&equations), sources)
    }

    /// The equations turned into those of drops, as [`SignalEquations::settle`] does, entry by entry of the pattern.
    fn by_pattern(&self, equations: &SignalEquations) -> Option<Vec<(f64, f64)>> {
        if equations.unknowns != self.pattern.unknowns() || !equations.drops().eq(self.drops.iter().copied()) {
            return None;
        }
        let mut values = vec![(0.0, 0.0); self.pattern.entries()];
        let mut add = |row: Unknown, column: Unknown, g: f64, c: f64| -> Option<()> {
            if row != Unknown::GROUND && column != Unknown::GROUND {
                let value = &mut values[self.pattern.entry(row, column)?];
                (value.0, value.1) = (value.0 + g, value.1 + c);
            }
            Some(())
        };
        for entry in &equations.entries {
            let (row_pin, row_sign) = self.pins[entry.row.index()];
            let (column_pin, column_sign) = self.pins[entry.column.index()];
            let sign = row_sign * column_sign;
            add(entry.row, entry.column, sign * entry.g, sign * entry.c)?;
            add(entry.row, column_pin, row_sign * entry.g, row_sign * entry.c)?;
            add(row_pin, entry.column, column_sign * entry.g, column_sign * entry.c)?;
            add(row_pin, column_pin, entry.g, entry.c)?;
        }
        for (inner, siemens) in equations.drop_siemens() {
            add(inner, inner, siemens, 0.0)?;
        }
        Some(values)
    }

    /// Refuses the variants whose equations are so near to singular that rounding decides their solutions.
    pub fn refuse_undetermined<'c>(
        &self,
        variants: Vec<Result<Variant<'c>, SolveError>>,
    ) -> Vec<Result<Variant<'c>, SolveError>> {
        let mut lanes = EightVariants::new(self);
        let mut judged = Vec::with_capacity(variants.len());
        let mut few: Vec<Result<Variant<'c>, SolveError>> = Vec::with_capacity(LANES);
        let mut variants = variants.into_iter();
        loop {
            few.extend(variants.by_ref().take(LANES));
            if few.is_empty() {
                return judged;
            }
            lanes.load(self, few.iter().map(|variant| variant.as_ref().ok().and_then(|it| it.entries.as_deref())));
            let finite = lanes.factor(self, MIDDLE_HERTZ);
            let conditions = lanes.matrix.conditions(&self.pattern);
            for (lane, variant) in few.drain(..).enumerate() {
                judged.push(variant.and_then(|variant| {
                    let clear =
                        finite[lane] && variant.entries.is_some() && conditions[lane] < SCREEN_BELOW * CONDITION_LIMIT;
                    if !clear {
                        variant.signal().require_determined(variant.circuit(), MIDDLE_HERTZ)?;
                    }
                    Ok(variant)
                }));
            }
        }
    }

    /// Turns drops of a solution into voltages of inner nodes.
    pub fn restore(&self, solution: &mut [LaneValue]) {
        for &(inner, pin) in &self.drops {
            solution[inner.index()] = solution[pin.index()].minus(&solution[inner.index()]);
        }
    }
}

/// G and C of eight variants, and their factors at one frequency.
pub(super) struct EightVariants {
    g: Vec<LaneReal>,
    c: Vec<LaneReal>,
    pub matrix: LaneMatrix<LaneValue>,
}

impl EightVariants {
    pub fn new(signals: &SignalLanes) -> Self {
        let zero = vec![LaneReal([0.0; LANES]); signals.pattern.entries()];
        Self { g: zero.clone(), c: zero, matrix: signals.pattern.matrix() }
    }

    /// Takes the entries of up to eight variants; lanes without any hold zeros, and have no finite pivots.
    pub fn load<'v>(&mut self, signals: &SignalLanes, variants: impl Iterator<Item = Option<&'v [(f64, f64)]>>) {
        debug_assert_eq!(self.g.len(), signals.pattern.entries());
        self.g.fill(LaneReal([0.0; LANES]));
        self.c.fill(LaneReal([0.0; LANES]));
        for (lane, entries) in variants.enumerate() {
            for (at, &(g, c)) in entries.into_iter().flatten().enumerate() {
                (self.g[at].0[lane], self.c[at].0[lane]) = (g, c);
            }
        }
    }

    /// Factors all lanes at a frequency; says of each whether its pivots are finite.
    pub fn factor(&mut self, signals: &SignalLanes, hertz: f64) -> [bool; LANES] {
        let omega = std::f64::consts::TAU * hertz;
        for (at, (g, c)) in self.g.iter().zip(&self.c).enumerate() {
            *self.matrix.value_mut(&signals.pattern, at) = LaneValue { re: g.0, im: c.0.map(|c| omega * c) };
        }
        self.matrix.factor(&signals.pattern)
    }
}
