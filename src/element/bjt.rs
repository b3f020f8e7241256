//! Bipolar transistor. Signs are those of an NPN; a PNP is mirrored.
//!
//! flows      Ibf = IS·(exp(Vbe/(NF·Vt)) − 1)      Ibr = IS·(exp(Vbc/(NR·Vt)) − 1)            A   [1]
//! base       q1 = 1/(1 − Vbc/VAF − Vbe/VAR)       q2 = Ibf/IKF + Ibr/IKR                         [1][2]
//!            qb = q1·(1 + √(1 + 4·q2))/2
//! currents   Icc = (Ibf − Ibr)/qb                 collector to emitter                        A
//!            Ibe = Ibf/BF + ISE·(exp(Vbe/(NE·Vt)) − 1)                                        A
//!            Ibc = Ibr/BR + ISC·(exp(Vbc/(NC·Vt)) − 1)                                        A
//!            leakage ICBO(T)·tanh(Vcb/(2·Vt)), collector to base, on top of the junction's own A   ours
//!            RB RE RC in series with the pins
//! charges    Qbe: depletion CJE VJE MJE, and TF·Ibf/qb, by Vbe and by Vbc                     C   [1]
//!            Qbc: depletion CJC VJC MJC, and TR·Ibr                                           C
//! heat       IS(T) = IS·r^XTI·exp((r−1)·EG/Vt), r = T/TNOM;  BF, BR · r^XTB                       [3]
//!            ISE(T) = ISE·(IS(T)/IS)^(1/NE)·r^−XTB, ISC likewise;  ICBO(T) = ICBO·2^((T−25 °C)/TDBL)
//!            with RTH the device sits at ambient + RTH·power
//! shot       collector 2q·Icc·coth(Vce/(2·Vt)), base 2q·I·coth(V/(2·Vt)) term by term      A²/Hz   [4]
//! leakage    2q·ICBO(T)·[1 + (LEAKM·(1 + LEAKFC/f) − 1)·tanh²(Vcb/(2·Vt))]                 A²/Hz   ours
//! flicker    KF·|Ib|^AF/f, Ib without the leakage                                          A²/Hz   [4]
//! AREA multiplies IS ISE ISC IKF IKR CJE CJC and the model's ICBO, divides RB RE RC.
//!
//! A germanium model with IS 2 µA and BR 1 leaks 2 µA by its own junction; ICBO is what surfaces add to that. Whether the
//! excess noise follows I or I² when the device cools is not known for a given fault: LEAKM is taken as constant.
//!
//! [1] Gummel and Poon, Bell Syst. Tech. J. 49 (1970) 827   [2] Early, Proc. IRE 40 (1952) 1401
//! [3] law of the intrinsic concentration: Sze, Physics of Semiconductor Devices, Wiley
//! [4] van der Ziel, Noise in Solid State Devices and Circuits, Wiley 1986; coth: see junction.rs

use super::junction::{Exponential, depletion_farads};
use super::{JunctionScale, JunctionVolts, Mechanism, NoiseList, Parameter, Place, parameter_set};
use crate::mna::{BiasEquations, NodeId, SignalEquations, Unknown};
use crate::physics::{
    DEFAULT_CELSIUS, ELEMENTARY_CHARGE, GERMANIUM_BELOW_EV, Kelvin, exp_continued, leakage_factor, saturation_factor,
};

parameter_set! {
    /// Parameters of a bipolar transistor model.
    BjtModel {
        is = "IS", "A", 1e-16, Positive, "transport saturation current";
        bf = "BF", "", 100.0, Positive, "forward current gain";
        nf = "NF", "", 1.0, Positive, "forward emission coefficient";
        vaf = "VAF", "V", 0.0, NonNegative, "forward Early voltage, 0 for none";
        ikf = "IKF", "A", 0.0, NonNegative, "forward knee current, 0 for none";
        ise = "ISE", "A", 0.0, NonNegative, "base-emitter leakage saturation current";
        ne = "NE", "", 1.5, Positive, "base-emitter leakage emission coefficient";
        br = "BR", "", 1.0, Positive, "reverse current gain";
        nr = "NR", "", 1.0, Positive, "reverse emission coefficient";
        var = "VAR", "V", 0.0, NonNegative, "reverse Early voltage, 0 for none";
        ikr = "IKR", "A", 0.0, NonNegative, "reverse knee current, 0 for none";
        isc = "ISC", "A", 0.0, NonNegative, "base-collector leakage saturation current";
        nc = "NC", "", 2.0, Positive, "base-collector leakage emission coefficient";
        rb = "RB", "Ω", 0.0, NonNegative, "base resistance";
        re = "RE", "Ω", 0.0, NonNegative, "emitter resistance";
        rc = "RC", "Ω", 0.0, NonNegative, "collector resistance";
        cje = "CJE", "F", 0.0, NonNegative, "base-emitter depletion capacitance at zero bias";
        vje = "VJE", "V", 0.75, Positive, "base-emitter junction potential";
        mje = "MJE", "", 0.33, BelowOne, "base-emitter grading coefficient";
        cjc = "CJC", "F", 0.0, NonNegative, "base-collector depletion capacitance at zero bias";
        vjc = "VJC", "V", 0.75, Positive, "base-collector junction potential";
        mjc = "MJC", "", 0.33, BelowOne, "base-collector grading coefficient";
        fc = "FC", "", 0.5, BelowOne, "start of the capacitances' tangents, as a fraction of the potential";
        tf = "TF", "s", 0.0, NonNegative, "forward transit time";
        tr = "TR", "s", 0.0, NonNegative, "reverse transit time";
        eg = "EG", "eV", 1.11, Positive, "band gap; below 0.9 means germanium";
        xti = "XTI", "", 3.0, Any, "temperature exponent of IS";
        xtb = "XTB", "", 0.0, Any, "temperature exponent of BF and BR";
        kf = "KF", "", 0.0, NonNegative, "flicker coefficient";
        af = "AF", "", 1.0, Positive, "flicker exponent";
        tnom = "TNOM", "°C", DEFAULT_CELSIUS, Celsius, "temperature the parameters hold at";
        icbo = "ICBO", "A", 0.0, NonNegative, "excess collector-base leakage at 25 °C";
        tdbl = "TDBL", "°C", 10.0, Positive, "rise in temperature that doubles ICBO";
        leakm = "LEAKM", "", 1.0, NonNegative, "noise of the leakage as a multiple of shot noise";
        leakfc = "LEAKFC", "Hz", 0.0, NonNegative, "corner below which the leakage noise rises as 1/f";
        ptot = "PTOT", "W", 0.0, NonNegative, "rated dissipation, 0 if unknown";
        vceo = "VCEO", "V", 0.0, NonNegative, "rated collector-emitter voltage, 0 if unknown";
        icm = "ICM", "A", 0.0, NonNegative, "rated peak collector current, 0 if unknown";
        rth = "RTH", "°C/W", 0.0, NonNegative, "thermal resistance to ambient, 0 for no self-heating";
    }
}

impl BjtModel {
    /// Names of trade parameters that play no part here.
    pub const SKIPPED: &'static [&'static str] =
        &["VTF", "XTF", "ITF", "PTF", "IRB", "RBM", "XCJC", "CJS", "VJS", "MJS", "LEVEL"];
    /// Parameters that an instance may give for itself; they are not scaled by its area.
    pub const INSTANCE: &'static [&'static str] = &["ICBO", "TDBL", "LEAKM", "LEAKFC", "PTOT", "VCEO", "ICM", "RTH"];

    /// The parameters of `area` devices side by side.
    #[must_use]
    pub fn scaled(&self, area: f64) -> Self {
        Self {
            is: self.is * area,
            ise: self.ise * area,
            isc: self.isc * area,
            ikf: self.ikf * area,
            ikr: self.ikr * area,
            cje: self.cje * area,
            cjc: self.cjc * area,
            icbo: self.icbo * area,
            rb: self.rb / area,
            re: self.re / area,
            rc: self.rc / area,
            ..self.clone()
        }
    }
}

/// Which way round the junctions are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Polarity {
    /// NPN, or N-channel.
    N,
    /// PNP, or P-channel.
    P,
}

impl Polarity {
    /// 1 for N, -1 for P: the factor on voltages and currents.
    pub fn sign(self) -> f64 {
        match self {
            Polarity::N => 1.0,
            Polarity::P => -1.0,
        }
    }
}

/// How a transistor is biased.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum BjtRegion {
    /// No collector current to speak of.
    Off,
    /// Base-collector junction more forward than base-emitter.
    Reversed,
    /// Base-collector junction conducting.
    Saturated,
    /// As an amplifier wants it.
    Active,
}

/// A bipolar transistor.
#[derive(Clone, Debug, PartialEq)]
pub struct Bjt {
    /// Collector, base, emitter.
    pub nodes: [NodeId; 3],
    /// NPN or PNP.
    pub polarity: Polarity,
    /// Name of its model, as written.
    pub model_name: String,
    /// Its parameters: the model's scaled by its area, then what the instance gives for itself.
    pub model: BjtModel,
    /// How many devices side by side.
    pub area: f64,
    /// Its own temperature, °C; if `None`, ambient plus self-heating.
    pub celsius: Option<f64>,
}

/// A quantity and its derivatives by Vbe and Vbc.
type Sloped = (f64, [f64; 2]);

/// The parameters at one temperature.
struct Warm {
    kelvin: Kelvin,
    forward: Exponential,
    reverse: Exponential,
    emitter_leak: Exponential,
    collector_leak: Exponential,
    bf: f64,
    br: f64,
    icbo: f64,
}

/// Everything the equations on top of the file give at one pair of junction voltages.
struct Flows {
    ibf: Sloped,
    qb: Sloped,
    icc: Sloped,
    ibe: (f64, f64),
    ibc: (f64, f64),
    leak: (f64, f64),
}

impl Flows {
    /// Current into the inner collector, with slopes by Vbe and Vbc.
    fn collector(&self) -> Sloped {
        let (icc, [by_vbe, by_vbc]) = self.icc;
        (icc - self.ibc.0 + self.leak.0, [by_vbe, by_vbc - self.ibc.1 + self.leak.1])
    }

    /// Current into the inner base, with slopes by Vbe and Vbc.
    fn base(&self) -> Sloped {
        (self.ibe.0 + self.ibc.0 - self.leak.0, [self.ibe.1, self.ibc.1 - self.leak.1])
    }
}

/// Below this the Early term's denominator goes on as a tangent of its inverse: no real bias gets there.
const LEAST_EARLY: f64 = 0.02;
/// Step to either side of the difference that gives the derivatives by temperature, K. Its error is of second order,
/// about 1e-9.
const KELVIN_STEP: f64 = 1e-3;

impl Bjt {
    /// What its card may give besides the model, and besides [`BjtModel::INSTANCE`].
    pub const PARAMETERS: &'static [Parameter] = &[Parameter::AREA, Parameter::TEMP];

    /// Whether it is made of germanium.
    pub fn is_germanium(&self) -> bool {
        self.model.eg < GERMANIUM_BELOW_EV
    }

    /// Whether its temperature is solved with the bias.
    pub fn heats_itself(&self) -> bool {
        self.model.rth > 0.0 && self.celsius.is_none()
    }

    /// Its temperature.
    pub fn temperature(&self, place: Place, x: &[f64]) -> Kelvin {
        place.temperature(self.celsius, x)
    }

    /// Currents into the collector and base pins at the bias point, A; negative for a conducting PNP.
    pub fn pin_amps(&self, place: Place, x: &[f64]) -> (f64, f64) {
        let flows = self.flows(&self.warm(self.temperature(place, x)), self.junction_volts(place, x));
        let sign = self.polarity.sign();
        (sign * flows.collector().0, sign * flows.base().0)
    }

    /// Power turned to heat, ohmic parts included, W.
    pub fn watts(&self, place: Place, x: &[f64]) -> f64 {
        let (ic, ib) = self.pin_amps(place, x);
        let [c, b, e] = self.nodes.map(|node| x[node.index()]);
        ic * (c - e) + ib * (b - e)
    }

    /// How it is biased.
    pub fn region(&self, place: Place, x: &[f64]) -> BjtRegion {
        let warm = self.warm(self.temperature(place, x));
        let volts = self.junction_volts(place, x);
        let flows = self.flows(&warm, volts);
        if flows.collector().0.abs() < 1e-9 + 2.0 * warm.icbo {
            BjtRegion::Off
        } else if volts[1] > volts[0] {
            BjtRegion::Reversed
        } else if flows.ibc.0 > 0.01 * flows.base().0.abs() {
            BjtRegion::Saturated
        } else {
            BjtRegion::Active
        }
    }

    /// Capacitances at the bias point, F: the base-collector depletion one, and the derivative of the base-emitter
    /// charge by Vbc, an artefact of the charge model that high-frequency figures rest on where it is the larger.
    pub fn collector_farads(&self, place: Place, x: &[f64]) -> (f64, f64) {
        let volts = self.junction_volts(place, x);
        let flows = self.flows(&self.warm(self.temperature(place, x)), volts);
        (self.collector_depletion(volts[1]), self.diffusion_farads(&flows)[1])
    }

    pub(super) fn inner_unknowns(&self) -> u32 {
        [self.model.rc, self.model.rb, self.model.re].iter().map(|&ohms| u32::from(ohms > 0.0)).sum()
    }

    /// Inner collector, base and emitter; the pin itself where no resistance lies between.
    pub(super) fn terminals(&self, place: Place) -> [Unknown; 3] {
        let mut next = 0;
        let mut inner = |ohms: f64, pin: NodeId| {
            if ohms > 0.0 {
                next += 1;
                place.inner(next - 1)
            } else {
                pin.into()
            }
        };
        let [c, b, e] = self.nodes;
        [inner(self.model.rc, c), inner(self.model.rb, b), inner(self.model.re, e)]
    }

    /// Ohmic parts: pin, inner node, ohms, mechanism.
    fn ohmic(&self, place: Place) -> impl Iterator<Item = (Unknown, Unknown, f64, Mechanism)> {
        let [c, b, e] = self.nodes.map(Unknown::from);
        let [ci, bi, ei] = self.terminals(place);
        [
            (c, ci, self.model.rc, Mechanism::ThermalRc),
            (b, bi, self.model.rb, Mechanism::ThermalRb),
            (e, ei, self.model.re, Mechanism::ThermalRe),
        ]
        .into_iter()
        .filter(|&(_, _, ohms, _)| ohms > 0.0)
    }

    fn warm(&self, kelvin: Kelvin) -> Warm {
        let m = &self.model;
        let nominal = Kelvin::from_celsius(m.tnom);
        let vt = kelvin.thermal_volts();
        let gain = (kelvin.0 / nominal.0).powf(m.xtb);
        let factor = |n: f64| saturation_factor(kelvin, nominal, m.xti, m.eg, n);
        let exponential = |saturation: f64, n: f64| Exponential { saturation, scale_volts: n * vt };
        let is = m.is * factor(1.0);
        Warm {
            kelvin,
            forward: exponential(is, m.nf),
            reverse: exponential(is, m.nr),
            emitter_leak: exponential(m.ise * factor(m.ne) / gain, m.ne),
            collector_leak: exponential(m.isc * factor(m.nc) / gain, m.nc),
            bf: m.bf * gain,
            br: m.br * gain,
            icbo: m.icbo * leakage_factor(kelvin, m.tdbl),
        }
    }

    fn flows(&self, warm: &Warm, [vbe, vbc]: JunctionVolts) -> Flows {
        let inverse = |value: f64| if value > 0.0 { 1.0 / value } else { 0.0 };
        let m = &self.model;
        let (ibf, gbf) = warm.forward.at(vbe);
        let (ibr, gbr) = warm.reverse.at(vbc);

        let early = 1.0 - vbc * inverse(m.vaf) - vbe * inverse(m.var);
        let (q1, q1_slope) = if early > LEAST_EARLY {
            (1.0 / early, 1.0 / (early * early))
        } else {
            ((2.0 - early / LEAST_EARLY) / LEAST_EARLY, 1.0 / (LEAST_EARLY * LEAST_EARLY))
        };
        let q2 = ibf * inverse(m.ikf) + ibr * inverse(m.ikr);
        let root = (1.0 + 4.0 * q2).max(f64::MIN_POSITIVE).sqrt();
        let qb = q1 * (1.0 + root) / 2.0;
        let qb_slopes = [
            q1_slope * inverse(m.var) * (1.0 + root) / 2.0 + q1 * gbf * inverse(m.ikf) / root,
            q1_slope * inverse(m.vaf) * (1.0 + root) / 2.0 + q1 * gbr * inverse(m.ikr) / root,
        ];

        let icc = (ibf - ibr) / qb;
        let icc_slopes = [(gbf - icc * qb_slopes[0]) / qb, (-gbr - icc * qb_slopes[1]) / qb];
        let (ise, gse) = warm.emitter_leak.at(vbe);
        let (isc, gsc) = warm.collector_leak.at(vbc);
        let two_vt = 2.0 * warm.kelvin.thermal_volts();
        let tanh = (-vbc / two_vt).tanh();
        Flows {
            ibf: (ibf, [gbf, 0.0]),
            qb: (qb, qb_slopes),
            icc: (icc, icc_slopes),
            ibe: (ibf / warm.bf + ise, gbf / warm.bf + gse),
            ibc: (ibr / warm.br + isc, gbr / warm.br + gsc),
            leak: (warm.icbo * tanh, -warm.icbo * (1.0 - tanh * tanh) / two_vt),
        }
    }

    /// Derivatives of the diffusion charge TF·Ibf/qb by Vbe and Vbc, F.
    fn diffusion_farads(&self, flows: &Flows) -> [f64; 2] {
        let (qb, qb_slopes) = flows.qb;
        let (ibf, ibf_slopes) = flows.ibf;
        [0, 1].map(|by| self.model.tf * (ibf_slopes[by] - ibf * qb_slopes[by] / qb) / qb)
    }

    fn collector_depletion(&self, vbc: f64) -> f64 {
        let m = &self.model;
        depletion_farads(vbc, m.cjc, m.vjc, m.mjc, m.fc)
    }

    pub(super) fn junction_volts(&self, place: Place, x: &[f64]) -> JunctionVolts {
        let [c, b, e] = self.terminals(place).map(|unknown| x[unknown.index()]);
        let sign = self.polarity.sign();
        [sign * (b - e), sign * (b - c)]
    }

    pub(super) fn junction_scales(&self, place: Place, x: &[f64]) -> [Option<JunctionScale>; 2] {
        let warm = self.warm(self.temperature(place, x));
        [warm.forward, warm.reverse].map(|junction| {
            Some(JunctionScale {
                scale_volts: junction.scale_volts,
                critical_volts: junction.critical_volts(),
                breakdown_volts: None,
            })
        })
    }

    pub(super) fn stamp_bias(&self, place: Place, x: &[f64], at: JunctionVolts, equations: &mut BiasEquations) {
        for (pin, inner, ohms, _) in self.ohmic(place) {
            equations.conductance(pin, inner, 1.0 / ohms, x);
        }
        let sign = self.polarity.sign();
        let [c, b, e] = self.terminals(place);
        let kelvin = self.temperature(place, x);
        let flows = self.flows(&self.warm(kelvin), at);
        let now = self.junction_volts(place, x);
        let beyond = [now[0] - at[0], now[1] - at[1]];
        // Along the tangent from the voltages of evaluation to those of the trial point.
        let along = |(amps, slopes): Sloped| (amps + slopes[0] * beyond[0] + slopes[1] * beyond[1], slopes);
        let by_node = |[by_vbe, by_vbc]: [f64; 2]| [(b, by_vbe + by_vbc), (e, -by_vbe), (c, -by_vbc)];
        let (ic, ic_slopes) = along(flows.collector());
        let (ib, ib_slopes) = along(flows.base());
        equations.current(c, e, sign * ic, &by_node(ic_slopes));
        equations.current(b, e, sign * ib, &by_node(ib_slopes));

        if let Some(rise) = place.temperature_unknown() {
            let stepped = |step: f64| self.flows(&self.warm(Kelvin(kelvin.0 + step)), at);
            let (warmer, cooler) = (stepped(KELVIN_STEP), stepped(-KELVIN_STEP));
            let by_kelvin = |warmer: Sloped, cooler: Sloped| (warmer.0 - cooler.0) / (2.0 * KELVIN_STEP);
            let ic_by_kelvin = by_kelvin(warmer.collector(), cooler.collector());
            let ib_by_kelvin = by_kelvin(warmer.base(), cooler.base());
            for (from, by_kelvin) in [(c, ic_by_kelvin), (b, ib_by_kelvin)] {
                equations.slope(from, rise, sign * by_kelvin);
                equations.slope(e, rise, -sign * by_kelvin);
            }

            // rise/RTH − power = 0, in watts.
            let heat = equations.heat_scale;
            equations.term(rise, x[rise.index()] / self.model.rth);
            let (vce, vbe) = (now[0] - now[1], now[0]);
            equations.term(rise, -heat * (ic * vce + ib * vbe));
            let by_rise = 1.0 / self.model.rth - heat * (ic_by_kelvin * vce + ib_by_kelvin * vbe);
            equations.slope(rise, rise, by_rise);
            let by_vbe = ic_slopes[0] * vce + ib_slopes[0] * vbe + ic + ib;
            let by_vbc = ic_slopes[1] * vce + ib_slopes[1] * vbe - ic;
            for (node, slope) in by_node([by_vbe, by_vbc]) {
                equations.slope(rise, node, -heat * sign * slope);
            }
            for (pin, inner, ohms, _) in self.ohmic(place) {
                let volts = x[pin.index()] - x[inner.index()];
                equations.term(rise, -heat * volts * volts / ohms);
                equations.slope(rise, pin, -heat * 2.0 * volts / ohms);
                equations.slope(rise, inner, heat * 2.0 * volts / ohms);
            }
        }
    }

    pub(super) fn stamp_signal(&self, place: Place, x: &[f64], equations: &mut SignalEquations) {
        let m = &self.model;
        for (pin, inner, ohms, _) in self.ohmic(place) {
            equations.ohmic(pin, inner, 1.0 / ohms);
        }
        let [c, b, e] = self.terminals(place);
        let volts = self.junction_volts(place, x);
        let flows = self.flows(&self.warm(self.temperature(place, x)), volts);
        for (pin, (_, [by_vbe, by_vbc])) in [(c, flows.collector()), (b, flows.base())] {
            equations.transadmittance(pin, e, b, e, by_vbe, 0.0);
            equations.transadmittance(pin, e, b, c, by_vbc, 0.0);
        }
        let [diffusion_by_vbe, diffusion_by_vbc] = self.diffusion_farads(&flows);
        let emitter = depletion_farads(volts[0], m.cje, m.vje, m.mje, m.fc) + diffusion_by_vbe;
        let collector = self.collector_depletion(volts[1]) + m.tr * self.reverse_slope(place, x);
        equations.admittance(b, e, 0.0, emitter);
        equations.transadmittance(b, e, b, c, 0.0, diffusion_by_vbc);
        equations.admittance(b, c, 0.0, collector);
    }

    fn reverse_slope(&self, place: Place, x: &[f64]) -> f64 {
        self.warm(self.temperature(place, x)).reverse.at(self.junction_volts(place, x)[1]).1
    }

    pub(super) fn list_noise(&self, place: Place, x: &[f64], list: &mut NoiseList) {
        let m = &self.model;
        let kelvin = self.temperature(place, x);
        for (pin, inner, ohms, mechanism) in self.ohmic(place) {
            list.add(mechanism, pin, inner, kelvin.four_kt() / ohms, 0.0);
        }
        let [c, b, e] = self.terminals(place);
        let [vbe, vbc] = self.junction_volts(place, x);
        let warm = self.warm(kelvin);
        let flows = self.flows(&warm, [vbe, vbc]);
        list.add(Mechanism::CollectorShot, c, e, self.collector_shot(&warm, &flows, [vbe, vbc]), 0.0);

        let ideal =
            |junction: Exponential, gain: f64| Exponential { saturation: junction.saturation / gain, ..junction };
        let base = ideal(warm.forward, warm.bf).shot_density(vbe, kelvin) + warm.emitter_leak.shot_density(vbe, kelvin);
        let reverse =
            ideal(warm.reverse, warm.br).shot_density(vbc, kelvin) + warm.collector_leak.shot_density(vbc, kelvin);
        list.add(Mechanism::BaseShot, b, e, base, 0.0);
        list.add(Mechanism::ReverseBaseShot, b, c, reverse, 0.0);
        let ib = flows.ibe.0 + flows.ibc.0;
        list.add(Mechanism::Flicker, b, e, 0.0, if m.kf > 0.0 { m.kf * ib.abs().powf(m.af) } else { 0.0 });

        let shot = 2.0 * ELEMENTARY_CHARGE * warm.icbo;
        let driven = (-vbc / (2.0 * kelvin.thermal_volts())).tanh().powi(2);
        let white = shot * (1.0 + (m.leakm - 1.0) * driven);
        list.add(Mechanism::Leakage, c, b, white, shot * m.leakm * m.leakfc * driven);
    }

    fn collector_shot(&self, warm: &Warm, flows: &Flows, [vbe, vbc]: JunctionVolts) -> f64 {
        let m = &self.model;
        let q = ELEMENTARY_CHARGE;
        let vt = warm.kelvin.thermal_volts();
        let forward = || exp_continued(vbe / (m.nf * vt)).0;
        let reverse = exp_continued(vbc / (m.nr * vt)).0;
        let u = (vbe - vbc) / vt;
        if m.nf != m.nr {
            2.0 * q * warm.forward.saturation * (forward() + reverse) / flows.qb.0
        } else if u.abs() < 1e-4 {
            // The product Icc·coth(u/2) by its limit: two equal flows.
            let flow = warm.forward.saturation * reverse / flows.qb.0;
            2.0 * q * flow * crate::physics::balanced_flow(u, m.nf)
        } else {
            2.0 * q * flows.icc.0 / (u / 2.0).tanh()
        }
    }
}
