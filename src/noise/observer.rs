//! What looks at an output: its loading, and how it passes low frequencies.
//!
//! A probe Y = G + j2πfC between the two nodes of an output changes the density there from S to
//!
//! ```text
//!     (S + 4kT·G·|Z|²) / |1 + Y·Z|²         V²/Hz
//! ```
//!
//! with Z the impedance that the circuit shows there: Y's thermal current flows with the circuit's own short-circuit
//! current into Z in parallel with Y. The bias stays as it is, since hiss is read through a capacitor. AC coupling is a
//! high-pass of first order, |f/(f + j·fc)|² = f²/(f² + fc²).

use num_complex::Complex64;

use crate::mna::{LANES, LaneValue};
use crate::physics::Kelvin;

/// What looks at an output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observer {
    /// Conductance across the output, S.
    pub siemens: f64,
    /// Capacitance across the output, F.
    pub farads: f64,
    /// Temperature of the conductance, whose thermal noise is seen as well.
    pub temperature: Kelvin,
    /// Corner of the AC coupling, Hz; 0 for none.
    pub coupling_hz: f64,
}

impl Observer {
    /// Nothing there: the circuit as it is by itself.
    pub const NONE: Observer = Observer { siemens: 0.0, farads: 0.0, temperature: Kelvin(0.0), coupling_hz: 0.0 };

    /// Its admittance at a frequency, S.
    pub fn admittance(&self, hertz: f64) -> Complex64 {
        Complex64::new(self.siemens, std::f64::consts::TAU * hertz * self.farads)
    }

    /// Factor on power at a frequency by its coupling.
    pub fn coupling_power(&self, hertz: f64) -> f64 {
        if self.coupling_hz == 0.0 { 1.0 } else { 1.0 / (1.0 + (self.coupling_hz / hertz).powi(2)) }
    }

    /// Whether it loads what it looks at.
    pub(super) fn loads(&self) -> bool {
        self.siemens != 0.0 || self.farads != 0.0
    }
}

/// An output's change by what loads it, at each lane.
pub(crate) struct Loaded {
    /// 1/|1 + Y·Z|².
    pub division: [f64; LANES],
    /// The density that the probe itself adds before that division, V²/Hz.
    pub own: [f64; LANES],
    /// ln|1 + Y·Z|: what the probe adds to the logarithm of the determinant.
    pub guide: [f64; LANES],
}

impl Loaded {
    /// By an observer at an output of impedance `ohms`.
    pub fn by(observer: &Observer, ohms: &LaneValue, hertz: &[f64; LANES]) -> Self {
        let mut loaded = Self { division: [1.0; LANES], own: [0.0; LANES], guide: [0.0; LANES] };
        if !observer.loads() {
            return loaded;
        }
        for (at, &hertz) in hertz.iter().enumerate() {
            let z = Complex64::new(ohms.re[at], ohms.im[at]);
            let divided = (Complex64::new(1.0, 0.0) + observer.admittance(hertz) * z).norm_sqr();
            loaded.division[at] = 1.0 / divided;
            loaded.own[at] = observer.temperature.four_kt() * observer.siemens * z.norm_sqr();
            loaded.guide[at] = 0.5 * divided.ln();
        }
        loaded
    }
}
