//! Junction diode.
//!
//! bias       i = IS·(exp(v/(N·Vt)) − 1) − IBV·(exp(−(v+BV)/(N·Vt)) − exp(−BV/(N·Vt)))      A     [1]
//!            the second term only with BV; RS in series
//! charge     depletion CJO VJ M FC (see junction.rs), plus TT times the forward current      C
//! IS(T)      IS·r^(XTI/N)·exp((r−1)·EG/(N·Vt)), r = T/TNOM                                    A
//! shot       S = 2q·i·coth(v/(2·Vt)), each term of the current by itself                A²/Hz     [2]
//! flicker    S = KF·|i|^AF / f                                                           A²/Hz     [3]
//! AREA multiplies IS and CJO, divides RS. Avalanche breakdown is noisier than the shot noise given here.
//!
//! [1] Shockley, Bell Syst. Tech. J. 28 (1949) 435   [2] see junction.rs
//! [3] van der Ziel, Noise in Solid State Devices and Circuits, Wiley 1986

use super::junction::{Exponential, depletion_farads};
use super::{JunctionScale, JunctionVolts, Mechanism, NoiseList, Parameter, Place, parameter_set};
use crate::mna::{BiasEquations, NodeId, SignalEquations, Unknown};
use crate::physics::{
    DEFAULT_CELSIUS, ELEMENTARY_CHARGE, GERMANIUM_BELOW_EV, Kelvin, exp_continued, saturation_factor,
};

parameter_set! {
    /// Parameters of a diode model.
    DiodeModel {
        is = "IS", "A", 1e-14, Positive, "saturation current";
        n = "N", "", 1.0, Positive, "emission coefficient";
        rs = "RS", "Ω", 0.0, NonNegative, "series resistance";
        cjo = "CJO", "F", 0.0, NonNegative, "depletion capacitance at zero bias";
        vj = "VJ", "V", 1.0, Positive, "junction potential";
        m = "M", "", 0.5, BelowOne, "grading coefficient";
        tt = "TT", "s", 0.0, NonNegative, "transit time";
        eg = "EG", "eV", 1.11, Positive, "band gap; below 0.9 means germanium";
        xti = "XTI", "", 3.0, Any, "temperature exponent of IS";
        kf = "KF", "", 0.0, NonNegative, "flicker coefficient";
        af = "AF", "", 1.0, Positive, "flicker exponent";
        fc = "FC", "", 0.5, BelowOne, "start of the capacitance's tangent, as a fraction of VJ";
        bv = "BV", "V", 0.0, NonNegative, "breakdown voltage, 0 for none";
        ibv = "IBV", "A", 1e-3, Positive, "current at the breakdown voltage";
        tnom = "TNOM", "°C", DEFAULT_CELSIUS, Celsius, "temperature the parameters hold at";
    }
}

impl DiodeModel {
    /// Names of trade parameters that play no part here.
    pub const SKIPPED: &'static [&'static str] = &["LEVEL"];

    /// The parameters of `area` devices side by side.
    #[must_use]
    pub fn scaled(&self, area: f64) -> Self {
        Self { is: self.is * area, cjo: self.cjo * area, rs: self.rs / area, ..self.clone() }
    }
}

/// A diode.
#[derive(Clone, Debug, PartialEq)]
pub struct Diode {
    /// Anode and cathode.
    pub nodes: [NodeId; 2],
    /// Name of its model, as written.
    pub model_name: String,
    /// Its parameters, already scaled by its area.
    pub model: DiodeModel,
    /// How many devices side by side.
    pub area: f64,
    /// Its own temperature, °C; ambient if `None`.
    pub celsius: Option<f64>,
}

impl Diode {
    /// What its card may give besides the model.
    pub const PARAMETERS: &'static [Parameter] = &[Parameter::AREA, Parameter::TEMP];

    /// Whether it is made of germanium.
    pub fn is_germanium(&self) -> bool {
        self.model.eg < GERMANIUM_BELOW_EV
    }

    /// Its temperature.
    pub fn temperature(&self, place: Place, x: &[f64]) -> Kelvin {
        place.temperature(self.celsius, x)
    }

    /// Current into the anode at the bias point, A.
    pub fn amps(&self, place: Place, x: &[f64]) -> f64 {
        let at = self.temperature(place, x);
        let volts = self.junction_volts(place, x)[0];
        self.forward(at).at(volts).0 + self.breakdown(at, volts).0
    }

    /// Forward current of the junction alone, A.
    pub fn forward_amps(&self, place: Place, x: &[f64]) -> f64 {
        self.forward(self.temperature(place, x)).at(self.junction_volts(place, x)[0]).0
    }

    /// Power turned to heat in the diode and its series resistance, W.
    pub fn watts(&self, place: Place, x: &[f64]) -> f64 {
        self.amps(place, x) * (x[self.nodes[0].index()] - x[self.nodes[1].index()])
    }

    pub(super) fn inner_unknowns(&self) -> u32 {
        u32::from(self.model.rs > 0.0)
    }

    fn terminals(&self, place: Place) -> [Unknown; 2] {
        let [anode, cathode] = self.nodes.map(Into::into);
        [if self.model.rs > 0.0 { place.inner(0) } else { anode }, cathode]
    }

    pub(super) fn steering_unknowns(&self, place: Place) -> [Unknown; 3] {
        let [anode, cathode] = self.terminals(place);
        [anode, cathode, cathode]
    }

    fn forward(&self, at: Kelvin) -> Exponential {
        let m = &self.model;
        let saturation = m.is * saturation_factor(at, Kelvin::from_celsius(m.tnom), m.xti, m.eg, m.n);
        Exponential { saturation, scale_volts: m.n * at.thermal_volts() }
    }

    /// Breakdown current and its slope.
    fn breakdown(&self, at: Kelvin, volts: f64) -> (f64, f64) {
        let m = &self.model;
        if m.bv == 0.0 {
            return (0.0, 0.0);
        }
        let scale = m.n * at.thermal_volts();
        let (flow, slope) = exp_continued(-(volts + m.bv) / scale);
        (-m.ibv * (flow - (-m.bv / scale).exp()), m.ibv * slope / scale)
    }

    pub(super) fn junction_volts(&self, place: Place, x: &[f64]) -> JunctionVolts {
        let [anode, cathode] = self.terminals(place);
        [x[anode.index()] - x[cathode.index()], 0.0]
    }

    pub(super) fn junction_scales(&self, place: Place, x: &[f64]) -> [Option<JunctionScale>; 2] {
        let forward = self.forward(self.temperature(place, x));
        let scale = JunctionScale {
            scale_volts: forward.scale_volts,
            critical_volts: forward.critical_volts(),
            breakdown_volts: (self.model.bv > 0.0).then_some(self.model.bv),
        };
        [Some(scale), None]
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], at: JunctionVolts, equations: &mut BiasEquations) {
        let temperature = self.temperature(place, x);
        let [anode, cathode] = self.terminals(place);
        if self.model.rs > 0.0 {
            equations.conductance(self.nodes[0].into(), anode, 1.0 / self.model.rs, x);
        }
        let (forward, forward_slope) = self.forward(temperature).at(at[0]);
        let (breakdown, breakdown_slope) = self.breakdown(temperature, at[0]);
        let slope = forward_slope + breakdown_slope;
        let beyond = self.junction_volts(place, x)[0] - at[0];
        let amps = forward + breakdown + slope * beyond;
        equations.current(anode, cathode, amps, &[(anode, slope), (cathode, -slope)]);
    }

    pub(super) fn stamp_signal(&self, place: Place, x: &[f64], equations: &mut SignalEquations) {
        let m = &self.model;
        let temperature = self.temperature(place, x);
        let [anode, cathode] = self.terminals(place);
        if m.rs > 0.0 {
            equations.ohmic(self.nodes[0].into(), anode, 1.0 / m.rs);
        }
        let volts = self.junction_volts(place, x)[0];
        let forward_slope = self.forward(temperature).at(volts).1;
        let siemens = forward_slope + self.breakdown(temperature, volts).1;
        let farads = depletion_farads(volts, m.cjo, m.vj, m.m, m.fc) + m.tt * forward_slope;
        equations.admittance(anode, cathode, siemens, farads);
    }

    pub(super) fn list_noise(&self, place: Place, x: &[f64], list: &mut NoiseList) {
        let m = &self.model;
        let temperature = self.temperature(place, x);
        let [anode, cathode] = self.terminals(place);
        if m.rs > 0.0 {
            list.add(Mechanism::ThermalRs, self.nodes[0].into(), anode, temperature.four_kt() / m.rs, 0.0);
        }
        let volts = self.junction_volts(place, x)[0];
        let vt = temperature.thermal_volts();
        let (breakdown, breakdown_slope) = self.breakdown(temperature, volts);
        // At v = 0 the product i·coth(v/2Vt) becomes 2Vt times the slope of the current.
        let breakdown_flow =
            if volts.abs() < 1e-7 * vt { 2.0 * vt * breakdown_slope } else { breakdown / (volts / (2.0 * vt)).tanh() };
        let shot =
            self.forward(temperature).shot_density(volts, temperature) + 2.0 * ELEMENTARY_CHARGE * breakdown_flow;
        list.add(Mechanism::JunctionShot, anode, cathode, shot, 0.0);
        let flicker = if m.kf > 0.0 { m.kf * self.amps(place, x).abs().powf(m.af) } else { 0.0 };
        list.add(Mechanism::Flicker, anode, cathode, 0.0, flicker);
    }
}
