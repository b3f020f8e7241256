//! Junction field-effect transistor. Signs are those of an N-channel; a P-channel is mirrored. VTO is negative for
//! depletion in both.
//!
//! channel    Vov = Vgs − VTO
//!            Id = BETA·(1 + LAMBDA·Vds)·Vds·(2·Vov − Vds)     for Vds < Vov                      A   [1]
//!            Id = BETA·(1 + LAMBDA·Vds)·Vov²                  beyond; none for Vov ≤ 0
//!            drain and source exchange for Vds < 0; RD RS in series with the pins
//! gate       IS·(exp(v/Vt) − 1) to source and to drain; IS(T) = IS·exp((r−1)·1.11/Vt)            A
//! charge     depletion CGS, CGD with PB and grading 0.5 (see junction.rs)                       C
//! noise      S = 4kT·(2/3)·gs·(1 + a + a²)/(1 + a), a = 1 − Vds/Vov (0 beyond pinch-off),   A²/Hz   [2]
//!            gs = 2·BETA·Vov·(1 + LAMBDA·Vds)
//! shot       2q·i·coth(v/(2·Vt)) of each gate junction;  flicker KF·|Id|^AF/f              A²/Hz
//! AREA multiplies BETA IS CGS CGD, divides RD RS.
//!
//! [1] Shichman and Hodges, IEEE J. Solid-State Circuits 3 (1968) 285
//! [2] van der Ziel, Proc. IRE 50 (1962) 1808; at Vds = 0 it is 4kT times the channel's conductance

use super::junction::{Exponential, depletion_farads};
use super::{JunctionScale, JunctionVolts, Mechanism, NoiseList, Parameter, Place, Polarity, parameter_set};
use crate::mna::{BiasEquations, NodeId, SignalEquations, Unknown};
use crate::physics::{DEFAULT_CELSIUS, Kelvin, saturation_factor};

parameter_set! {
    /// Parameters of a junction field-effect transistor model.
    JfetModel {
        beta = "BETA", "A/V²", 1e-4, Positive, "transconductance parameter";
        vto = "VTO", "V", -2.0, Any, "threshold voltage, negative for depletion";
        lambda = "LAMBDA", "1/V", 0.0, NonNegative, "channel-length modulation";
        is = "IS", "A", 1e-14, Positive, "gate junction saturation current";
        rd = "RD", "Ω", 0.0, NonNegative, "drain resistance";
        rs = "RS", "Ω", 0.0, NonNegative, "source resistance";
        cgs = "CGS", "F", 0.0, NonNegative, "gate-source capacitance at zero bias";
        cgd = "CGD", "F", 0.0, NonNegative, "gate-drain capacitance at zero bias";
        pb = "PB", "V", 1.0, Positive, "gate junction potential";
        fc = "FC", "", 0.5, BelowOne, "start of the capacitances' tangents, as a fraction of PB";
        kf = "KF", "", 0.0, NonNegative, "flicker coefficient";
        af = "AF", "", 1.0, Positive, "flicker exponent";
        tnom = "TNOM", "°C", DEFAULT_CELSIUS, Celsius, "temperature the parameters hold at";
    }
}

impl JfetModel {
    /// Names of trade parameters that play no part here.
    pub const SKIPPED: &'static [&'static str] = &["LEVEL"];

    /// The parameters of `area` devices side by side.
    #[must_use]
    pub fn scaled(&self, area: f64) -> Self {
        Self {
            beta: self.beta * area,
            is: self.is * area,
            cgs: self.cgs * area,
            cgd: self.cgd * area,
            rd: self.rd / area,
            rs: self.rs / area,
            ..self.clone()
        }
    }
}

/// Band gap of the gate junction's temperature law, eV.
const GATE_EV: f64 = 1.11;

/// How a field-effect transistor is biased.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum JfetRegion {
    /// Channel pinched off everywhere.
    Off,
    /// Channel open from end to end.
    Ohmic,
    /// Channel pinched off at the drain, as an amplifier wants it.
    PinchedOff,
}

/// A junction field-effect transistor.
#[derive(Clone, Debug, PartialEq)]
pub struct Jfet {
    /// Drain, gate, source.
    pub nodes: [NodeId; 3],
    /// N- or P-channel.
    pub polarity: Polarity,
    /// Name of its model, as written.
    pub model_name: String,
    /// Its parameters, already scaled by its area.
    pub model: JfetModel,
    /// How many devices side by side.
    pub area: f64,
    /// Its own temperature, °C; ambient if `None`.
    pub celsius: Option<f64>,
}

/// Drain current, its slopes by Vgs and Vgd, and what the noise needs.
struct Channel {
    amps: f64,
    by_vgs: f64,
    by_vgd: f64,
    /// 2·BETA·Vov·(1 + LAMBDA·Vds)
    source_siemens: f64,
    /// 1 − Vds/Vov, 0 beyond pinch-off.
    openness: f64,
}

impl Jfet {
    /// What its card may give besides the model.
    pub const PARAMETERS: &'static [Parameter] = &[Parameter::AREA, Parameter::TEMP];

    /// Its temperature.
    pub fn temperature(&self, place: Place, x: &[f64]) -> Kelvin {
        place.temperature(self.celsius, x)
    }

    /// Currents into the drain and gate pins at the bias point, A.
    pub fn pin_amps(&self, place: Place, x: &[f64]) -> (f64, f64) {
        let volts = self.junction_volts(place, x);
        let gate = self.gate(self.temperature(place, x));
        let (to_source, to_drain) = (gate.at(volts[0]).0, gate.at(volts[1]).0);
        let sign = self.polarity.sign();
        (sign * (self.channel(volts).amps - to_drain), sign * (to_source + to_drain))
    }

    /// Power turned to heat, ohmic parts included, W.
    pub fn watts(&self, place: Place, x: &[f64]) -> f64 {
        let (id, ig) = self.pin_amps(place, x);
        let [d, g, s] = self.nodes.map(|node| x[node.index()]);
        id * (d - s) + ig * (g - s)
    }

    /// How it is biased.
    pub fn region(&self, place: Place, x: &[f64]) -> JfetRegion {
        let [vgs, vgd] = self.junction_volts(place, x);
        let (vov, vds) = (vgs.max(vgd) - self.model.vto, (vgs - vgd).abs());
        if vov <= 0.0 {
            JfetRegion::Off
        } else if vds < vov {
            JfetRegion::Ohmic
        } else {
            JfetRegion::PinchedOff
        }
    }

    pub(super) fn inner_unknowns(&self) -> u32 {
        u32::from(self.model.rd > 0.0) + u32::from(self.model.rs > 0.0)
    }

    /// Inner drain, gate, inner source.
    pub(super) fn terminals(&self, place: Place) -> [Unknown; 3] {
        let [d, g, s] = self.nodes.map(Unknown::from);
        let inner_source = u32::from(self.model.rd > 0.0);
        [
            if self.model.rd > 0.0 { place.inner(0) } else { d },
            g,
            if self.model.rs > 0.0 { place.inner(inner_source) } else { s },
        ]
    }

    /// Ohmic parts: pin, inner node, ohms, mechanism.
    fn ohmic(&self, place: Place) -> impl Iterator<Item = (Unknown, Unknown, f64, Mechanism)> {
        let [d, _, s] = self.nodes.map(Unknown::from);
        let [di, _, si] = self.terminals(place);
        [(d, di, self.model.rd, Mechanism::ThermalRd), (s, si, self.model.rs, Mechanism::ThermalRs)]
            .into_iter()
            .filter(|&(_, _, ohms, _)| ohms > 0.0)
    }

    fn gate(&self, at: Kelvin) -> Exponential {
        let factor = saturation_factor(at, Kelvin::from_celsius(self.model.tnom), 0.0, GATE_EV, 1.0);
        Exponential { saturation: self.model.is * factor, scale_volts: at.thermal_volts() }
    }

    fn channel(&self, [vgs, vgd]: JunctionVolts) -> Channel {
        let m = &self.model;
        // Seen from the end that acts as the source.
        let forward = vgs >= vgd;
        let (near, far) = if forward { (vgs, vgd) } else { (vgd, vgs) };
        let (vov, vds) = (near - m.vto, near - far);
        if vov <= 0.0 {
            return Channel { amps: 0.0, by_vgs: 0.0, by_vgd: 0.0, source_siemens: 0.0, openness: 0.0 };
        }
        let longer = 1.0 + m.lambda * vds;
        let (shape, shape_by_vov, shape_by_vds) = if vds < vov {
            (vds * (2.0 * vov - vds), 2.0 * vds, 2.0 * (vov - vds))
        } else {
            (vov * vov, 2.0 * vov, 0.0)
        };
        let amps = m.beta * longer * shape;
        let by_vds = m.beta * (longer * shape_by_vds + m.lambda * shape);
        let by_near = m.beta * longer * shape_by_vov + by_vds;
        let source_siemens = 2.0 * m.beta * vov * longer;
        let openness = (1.0 - vds / vov).max(0.0);
        if forward {
            Channel { amps, by_vgs: by_near, by_vgd: -by_vds, source_siemens, openness }
        } else {
            Channel { amps: -amps, by_vgs: by_vds, by_vgd: -by_near, source_siemens, openness }
        }
    }

    pub(super) fn junction_volts(&self, place: Place, x: &[f64]) -> JunctionVolts {
        let [d, g, s] = self.terminals(place).map(|unknown| x[unknown.index()]);
        let sign = self.polarity.sign();
        [sign * (g - s), sign * (g - d)]
    }

    pub(super) fn junction_scales(&self, place: Place, x: &[f64]) -> [Option<JunctionScale>; 2] {
        let gate = self.gate(self.temperature(place, x));
        let scale = JunctionScale {
            scale_volts: gate.scale_volts,
            critical_volts: gate.critical_volts(),
            breakdown_volts: None,
        };
        [Some(scale); 2]
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], at: JunctionVolts, equations: &mut BiasEquations) {
        for (pin, inner, ohms, _) in self.ohmic(place) {
            equations.conductance(pin, inner, 1.0 / ohms, x);
        }
        let sign = self.polarity.sign();
        let [d, g, s] = self.terminals(place);
        let now = self.junction_volts(place, x);
        let beyond = [now[0] - at[0], now[1] - at[1]];
        let channel = self.channel(at);
        let amps = channel.amps + channel.by_vgs * beyond[0] + channel.by_vgd * beyond[1];
        let slopes = [(g, channel.by_vgs + channel.by_vgd), (s, -channel.by_vgs), (d, -channel.by_vgd)];
        equations.current(d, s, sign * amps, &slopes);
        let gate = self.gate(self.temperature(place, x));
        for (end, nth) in [(s, 0), (d, 1)] {
            let (amps, slope) = gate.at(at[nth]);
            equations.current(g, end, sign * (amps + slope * beyond[nth]), &[(g, slope), (end, -slope)]);
        }
    }

    pub(super) fn stamp_signal(&self, place: Place, x: &[f64], equations: &mut SignalEquations) {
        let m = &self.model;
        for (pin, inner, ohms, _) in self.ohmic(place) {
            equations.ohmic(pin, inner, 1.0 / ohms);
        }
        let [d, g, s] = self.terminals(place);
        let volts = self.junction_volts(place, x);
        let channel = self.channel(volts);
        equations.transadmittance(d, s, g, s, channel.by_vgs, 0.0);
        equations.transadmittance(d, s, g, d, channel.by_vgd, 0.0);
        let gate = self.gate(self.temperature(place, x));
        for (end, volts, farads) in [(s, volts[0], m.cgs), (d, volts[1], m.cgd)] {
            equations.admittance(g, end, gate.at(volts).1, depletion_farads(volts, farads, m.pb, 0.5, m.fc));
        }
    }

    pub(super) fn list_noise(&self, place: Place, x: &[f64], list: &mut NoiseList) {
        let m = &self.model;
        let kelvin = self.temperature(place, x);
        for (pin, inner, ohms, mechanism) in self.ohmic(place) {
            list.add(mechanism, pin, inner, kelvin.four_kt() / ohms, 0.0);
        }
        let [d, g, s] = self.terminals(place);
        let volts = self.junction_volts(place, x);
        let channel = self.channel(volts);
        let a = channel.openness;
        let shape = 2.0 / 3.0 * (1.0 + a + a * a) / (1.0 + a);
        list.add(Mechanism::Channel, d, s, kelvin.four_kt() * shape * channel.source_siemens, 0.0);
        let gate = self.gate(kelvin);
        list.add(Mechanism::JunctionShot, g, s, gate.shot_density(volts[0], kelvin), 0.0);
        list.add(Mechanism::JunctionShot, g, d, gate.shot_density(volts[1], kelvin), 0.0);
        let flicker = if m.kf > 0.0 { m.kf * channel.amps.abs().powf(m.af) } else { 0.0 };
        list.add(Mechanism::Flicker, d, s, 0.0, flicker);
    }
}
