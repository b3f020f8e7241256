//! Constants, thermal voltage and the temperature laws that several elements share.
//!
//! k, q: exact by definition of the SI since 2019. 0 °C = 273.15 K by definition.

/// Boltzmann constant, J/K (exact).
pub const BOLTZMANN: f64 = 1.380649e-23;
/// Elementary charge, C (exact).
pub const ELEMENTARY_CHARGE: f64 = 1.602176634e-19;
/// 0 °C in kelvin (exact).
pub const ZERO_CELSIUS: f64 = 273.15;
/// Ambient and nominal temperature unless given, °C.
pub const DEFAULT_CELSIUS: f64 = 27.0;
/// Temperature at which leakage currents are given on data sheets, °C.
pub const LEAKAGE_CELSIUS: f64 = 25.0;
/// Source temperature that noise figures refer to, K (exact by convention).
pub const NOISE_FIGURE_KELVIN: f64 = 290.0;
/// Band gap below which a device counts as germanium, eV.
pub const GERMANIUM_BELOW_EV: f64 = 0.9;

/// Absolute temperature.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Kelvin(pub f64);

impl Kelvin {
    /// From degrees Celsius.
    pub fn from_celsius(celsius: f64) -> Self {
        Kelvin(celsius + ZERO_CELSIUS)
    }

    /// In degrees Celsius.
    pub fn celsius(self) -> f64 {
        self.0 - ZERO_CELSIUS
    }

    /// Thermal voltage kT/q, V.
    pub fn thermal_volts(self) -> f64 {
        BOLTZMANN * self.0 / ELEMENTARY_CHARGE
    }

    /// 4kT, J: the density of a conductance's thermal noise is this times its siemens.
    pub fn four_kt(self) -> f64 {
        4.0 * BOLTZMANN * self.0
    }
}

/// Arguments beyond which the exponential goes on along its tangent, so that a wild Newton step stays finite.
/// e^80 is 5e34: no junction of this program reaches it at an answer.
const EXPONENT_LIMIT: f64 = 80.0;

/// e^x, continued along its tangent beyond a large argument. Returns the value and its derivative.
pub fn exp_continued(x: f64) -> (f64, f64) {
    let edge = x.min(EXPONENT_LIMIT).exp();
    (edge * (1.0 + (x - EXPONENT_LIMIT).max(0.0)), edge)
}

/// e^x − 1, exact near zero and continued as [`exp_continued`]. Returns the value and its derivative.
pub fn exp_m1_continued(x: f64) -> (f64, f64) {
    let (value, slope) = exp_continued(x);
    (if x.abs() < 1.0 { x.exp_m1() } else { value - 1.0 }, slope)
}

/// (e^{u/n} − 1)·coth(u/2): the factor that turns a saturation current into the sum of its two opposite flows, as
/// detailed balance demands; e^u + 1 for n = 1, and 2/n at u = 0.
pub fn balanced_flow(u: f64, n: f64) -> f64 {
    if u.abs() < 1e-4 {
        // Second-order series of both factors; the next term is of order u³ ≈ 1e-12 of the first.
        let a = 1.0 / n;
        2.0 * a * (1.0 + 0.5 * a * u + u * u * (a * a / 6.0 + 1.0 / 12.0))
    } else {
        exp_m1_continued(u / n).0 / (0.5 * u).tanh()
    }
}

/// Law of a saturation current between two temperatures, as a factor:
/// (T/Tnom)^(xti/n) · exp((T/Tnom − 1)·EG/(n·Vt)), with `eg_ev` in eV.
pub fn saturation_factor(at: Kelvin, nominal: Kelvin, xti: f64, eg_ev: f64, n: f64) -> f64 {
    let r = at.0 / nominal.0;
    (((r - 1.0) * eg_ev / at.thermal_volts() + xti * r.ln()) / n).exp()
}

/// Leakage current at a temperature as a factor on its value at 25 °C: doubles every `doubling_celsius`.
pub fn leakage_factor(at: Kelvin, doubling_celsius: f64) -> f64 {
    ((at.celsius() - LEAKAGE_CELSIUS) / doubling_celsius).exp2()
}
