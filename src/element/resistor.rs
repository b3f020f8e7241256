//! Resistor, and the what-if bridge between two nodes.
//!
//! value      R(T) = R·(1 + TC1·ΔT + TC2·ΔT²), ΔT from 27 °C            Ω
//! thermal    S = 4kT/R                                             A²/Hz   [1]
//! excess     S = (10^(NI/20)·1e-6·V/R)² / (f·ln 10)                A²/Hz   [2]   NI in dB re 1 µV/V per decade
//! bridge     S = 2q|I|·(x·(1 + corner/f) − 1)                      A²/Hz         a leak, x times noisier than shot noise
//!
//! [1] Johnson, Phys. Rev. 32 (1928) 97; Nyquist, ibid. 110
//! [2] IEC 60195: the noise index counts µV per volt per decade; ∫df/f over a decade is ln 10

use super::{Mechanism, NoiseList, Parameter, Place, Range};
use crate::mna::{BiasEquations, NodeId, SignalEquations, Unknown};
use crate::physics::{DEFAULT_CELSIUS, ELEMENTARY_CHARGE, Kelvin};

/// Noise beyond the thermal one.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Excess {
    /// None.
    None,
    /// Noise index in dB re 1 µV per volt per decade (IEC 60195).
    Index(f64),
    /// A bridge's current is `times` as noisy as shot noise, rising as 1/f below `corner_hz`.
    Bridge {
        /// Multiple of shot noise, 1 or more.
        times: f64,
        /// Corner of the 1/f rise, Hz.
        corner_hz: f64,
    },
}

/// A resistor.
#[derive(Clone, Debug, PartialEq)]
pub struct Resistor {
    /// Its two ends.
    pub nodes: [NodeId; 2],
    /// Resistance at 27 °C, Ω, above zero.
    pub ohms: f64,
    /// Linear temperature coefficient, 1/K.
    pub tc1: f64,
    /// Quadratic temperature coefficient, 1/K².
    pub tc2: f64,
    /// Its own temperature, °C; ambient if `None`.
    pub celsius: Option<f64>,
    /// Noise beyond thermal.
    pub excess: Excess,
    /// Tolerance as a fraction, if the netlist gives one.
    pub tolerance: Option<f64>,
}

impl Resistor {
    /// What its card may give besides the value.
    pub const PARAMETERS: &'static [Parameter] = &[
        Parameter::new("NI", "dB", Range::Any, "noise index re 1 µV per volt per decade"),
        Parameter::new("TC1", "1/K", Range::Any, "linear temperature coefficient"),
        Parameter::new("TC2", "1/K²", Range::Any, "quadratic temperature coefficient"),
        Parameter::TEMP,
        Parameter::TOL,
    ];

    /// A plain resistor.
    pub fn new(nodes: [NodeId; 2], ohms: f64) -> Self {
        Self { nodes, ohms, tc1: 0.0, tc2: 0.0, celsius: None, excess: Excess::None, tolerance: None }
    }

    /// Resistance at a temperature, Ω.
    pub fn ohms_at(&self, at: Kelvin) -> f64 {
        let rise = at.celsius() - DEFAULT_CELSIUS;
        self.ohms * (1.0 + rise * (self.tc1 + rise * self.tc2))
    }

    /// Only excess noise follows the voltage.
    pub(super) fn steering_unknowns(&self) -> Option<[Unknown; 3]> {
        let [a, b] = self.nodes.map(Unknown::from);
        (self.excess != Excess::None).then_some([a, b, b])
    }

    fn siemens(&self, place: Place, x: &[f64]) -> f64 {
        1.0 / self.ohms_at(place.temperature(self.celsius, x))
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], equations: &mut BiasEquations) {
        let [a, b] = self.nodes.map(Into::into);
        equations.conductance(a, b, self.siemens(place, x), x);
    }

    pub(super) fn stamp_signal(&self, place: Place, x: &[f64], equations: &mut SignalEquations) {
        let [a, b] = self.nodes.map(Into::into);
        equations.admittance(a, b, self.siemens(place, x), 0.0);
    }

    pub(super) fn list_noise(&self, place: Place, x: &[f64], list: &mut NoiseList) {
        let [a, b] = self.nodes.map(Into::into);
        let siemens = self.siemens(place, x);
        list.add(Mechanism::Thermal, a, b, place.temperature(self.celsius, x).four_kt() * siemens, 0.0);
        let amps = siemens * (x[self.nodes[0].index()] - x[self.nodes[1].index()]);
        match self.excess {
            Excess::None => {}
            Excess::Index(db) => {
                let amps_per_decade = 10f64.powf(db / 20.0) * 1e-6 * amps;
                list.add(Mechanism::Excess, a, b, 0.0, amps_per_decade.powi(2) / std::f64::consts::LN_10);
            }
            Excess::Bridge { times, corner_hz } => {
                let shot = 2.0 * ELEMENTARY_CHARGE * amps.abs();
                list.add(Mechanism::BridgeExcess, a, b, shot * (times - 1.0), shot * times * corner_hz);
            }
        }
    }
}
