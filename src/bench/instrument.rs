//! Instruments: what a meter or scope shows when it is clipped to a point, its loading, floor and response included.
//!
//! loading    S → (S + 4kT·G·|Z|²)/|1 + Y·Z|², Y = G + j2πfC of the probe, at ambient        V²/Hz   noise/observer
//! floor      shown² = true² + floor²: the instrument's own noise is independent              V²      \[1]
//! average    a meter that averages and is marked in sine rms shows √π/2 = 0.886 of the rms of Gaussian noise,
//!            1.05 dB low: √(2/π) mean over rms, π/(2·√2) mark                                         \[2]
//! scope      peak to peak 6.6·rms, exceeded 0.1 % of the time                                V       \[2]
//!            AC coupling of first order, the limit of its bandwidth steep
//! DC         the bias solved again with the meter's resistance in place: 10 MΩ, or Ω/V times the range
//!
//! \[1] powers of independent noises add: MIL-STD-202-308, correction for system noise
//! \[2] integrals of the Gaussian distribution; Bennett, Electrical Noise, McGraw-Hill 1960
//!
//! Loading by ×1 and ×10 probes, floors and the finest step of the knob: common practice, no source; all can be changed.

mod reading;
mod trace;

use crate::bench::Point;
use crate::bias::{self, BiasPoint, SolveError};
use crate::circuit::{Change, Circuit};
use crate::element::Excess;
use crate::mna::NodeId;
use crate::noise::{self, NoiseFigures, NoiseRequest, Observer, Weighting};
use crate::operating::Operating;

pub use reading::{read_dc_meter, read_meter, read_probe};
pub use trace::{Shown, Trace};

/// What an instrument puts across the point it is clipped to: a resistance and a capacitance side by side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loading {
    /// Ω; infinite for none.
    pub ohms: f64,
    /// F.
    pub farads: f64,
}

impl Loading {
    /// An instrument that loads nothing.
    pub const NONE: Loading = Loading { ohms: f64::INFINITY, farads: 0.0 };
    /// A ×1 probe, or an instrument's own lead: input and cable.
    pub const TIMES_1: Loading = Loading { ohms: 1e6, farads: 100e-12 };
    /// A ×10 probe.
    pub const TIMES_10: Loading = Loading { ohms: 10e6, farads: 15e-12 };
    /// The input without a cable.
    pub const BARE: Loading = Loading { ohms: 1e6, farads: 20e-12 };

    pub(in crate::bench) fn observer(self, circuit: &Circuit, coupling_hz: f64) -> Observer {
        let Loading { ohms, farads } = self;
        Observer { siemens: 1.0 / ohms, farads, temperature: circuit.ambient, coupling_hz }
    }
}

/// A probe: what it puts across the point, and by how much it divides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// At the tip.
    pub loading: Loading,
    /// 1 or 10: floor and volts per division count so many times at the tip.
    pub division: f64,
}

impl Probe {
    /// ×1.
    pub const TIMES_1: Probe = Probe { loading: Loading::TIMES_1, division: 1.0 };
    /// ×10.
    pub const TIMES_10: Probe = Probe { loading: Loading::TIMES_10, division: 10.0 };
    /// No cable.
    pub const BARE: Probe = Probe { loading: Loading::BARE, division: 1.0 };
}

/// How a meter for alternating voltage makes its figure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Responds {
    /// To the mean square.
    #[default]
    TrueRms,
    /// To the average, its scale marked in rms of a sine.
    Average,
}

impl Responds {
    /// What it shows of Gaussian noise of 1 V rms, V.
    pub fn to_gaussian(self) -> f64 {
        match self {
            Responds::TrueRms => 1.0,
            Responds::Average => std::f64::consts::PI.sqrt() / 2.0,
        }
    }
}

/// A meter for hiss, in the band that is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meter {
    /// What it puts across the point.
    pub loading: Loading,
    /// Its own noise, V rms.
    pub floor_volts: f64,
    /// How it makes its figure.
    pub responds: Responds,
}

impl Default for Meter {
    fn default() -> Self {
        Self { loading: Loading::TIMES_1, floor_volts: 3e-6, responds: Responds::TrueRms }
    }
}

impl Meter {
    /// What it shows where the hiss, its loading considered, is `rms_volts`.
    pub fn shows(&self, rms_volts: f64) -> f64 {
        self.responds.to_gaussian() * rms_volts.hypot(self.floor_volts)
    }

    /// The true rms of the hiss behind what it shows; `None` where that is no more than the meter's own noise.
    pub fn rms_behind(&self, shown_volts: f64) -> Option<f64> {
        let seen = shown_volts / self.responds.to_gaussian();
        let power = (seen - self.floor_volts) * (seen + self.floor_volts);
        (power > 0.0).then(|| power.sqrt())
    }

    /// True rms of the hiss at each point with the meter there, in order, before its floor and its way of responding.
    ///
    /// # Errors
    /// [`SolveError`] as of [`noise::noise`].
    pub fn hiss(
        &self,
        circuit: &Circuit,
        operating: &Operating,
        points: &[Point],
        (band_hz, weighting): ([f64; 2], Weighting),
        tolerance: f64,
    ) -> Result<Vec<f64>, SolveError> {
        let outputs = points.iter().map(|point| (point.plus, point.minus)).collect();
        let request = NoiseRequest { outputs, band_hz, weighting, tolerance };
        let observer = self.loading.observer(circuit, 0.0);
        Ok(rms(noise::observed(circuit, &operating.signal, None, &request, &observer)?))
    }
}

/// A scope with its probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scope {
    /// The probe.
    pub probe: Probe,
    /// Upper end of its bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Corner of its AC coupling, Hz.
    pub coupling_hz: f64,
    /// Its own noise at its input, V rms.
    pub floor_volts: f64,
    /// The finest step of its knob, V per division.
    pub finest_volts: f64,
}

impl Default for Scope {
    fn default() -> Self {
        Self { probe: Probe::TIMES_10, bandwidth_hz: 20e3, coupling_hz: 10.0, floor_volts: 0.2e-3, finest_volts: 2e-3 }
    }
}

/// So far below the corner of its AC coupling the scope's band begins: what lies below adds 1e-4 of the corner's density
/// times the corner.
const BELOW_CORNER: f64 = 100.0;

impl Scope {
    /// The band over which its trace adds up, Hz.
    pub fn band_hz(&self) -> [f64; 2] {
        [(self.coupling_hz / BELOW_CORNER).max(self.bandwidth_hz * 1e-7), self.bandwidth_hz]
    }

    /// True rms of the hiss at each point with the probe there, in order, over the scope's band, before its floor.
    ///
    /// # Errors
    /// [`SolveError`] as of [`noise::noise`].
    pub fn hiss(
        &self,
        circuit: &Circuit,
        operating: &Operating,
        points: &[Point],
        tolerance: f64,
    ) -> Result<Vec<f64>, SolveError> {
        let outputs = points.iter().map(|point| (point.plus, point.minus)).collect();
        let request = NoiseRequest { outputs, band_hz: self.band_hz(), weighting: Weighting::Flat, tolerance };
        let observer = self.probe.loading.observer(circuit, self.coupling_hz);
        Ok(rms(noise::observed(circuit, &operating.signal, None, &request, &observer)?))
    }
}

fn rms(figures: NoiseFigures) -> Vec<f64> {
    figures.outputs.into_iter().map(|output| output.rms_volts).collect()
}

/// A meter for DC volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DcMeter {
    /// The same resistance on every range.
    Ohms(f64),
    /// A moving coil: so many ohms for each volt of the range.
    OhmsPerVolt {
        /// Ω/V.
        ohms_per_volt: f64,
        /// The range, V; `None` for the least of [`DcMeter::RANGES`] that holds the volts.
        range_volts: Option<f64>,
    },
}

impl Default for DcMeter {
    fn default() -> Self {
        Self::Ohms(10e6)
    }
}

impl DcMeter {
    /// Ranges of a moving-coil meter, V: common practice, no source.
    pub const RANGES: [f64; 8] = [0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0];
    /// A reading that the meter moves by more than this and this part of it is disturbed, V: one sd of reading it.
    pub const DISTURBED: (f64, f64) = (5e-3, 0.012);

    /// Its resistance where it is to read `volts`.
    pub fn ohms(&self, volts: f64) -> f64 {
        match *self {
            DcMeter::Ohms(ohms) => ohms,
            DcMeter::OhmsPerVolt { ohms_per_volt, range_volts } => {
                let [.., largest] = Self::RANGES;
                let held = Self::RANGES.into_iter().find(|range| *range >= volts.abs()).unwrap_or(largest);
                ohms_per_volt * range_volts.unwrap_or(held)
            }
        }
    }

    /// What it reads at a point of a circuit whose bias without it is known.
    ///
    /// # Errors
    /// [`SolveError`] where the circuit finds no bias with the meter in place.
    pub fn read(&self, circuit: &Circuit, without: &BiasPoint, point: &Point) -> Result<f64, SolveError> {
        let between = |bias: &BiasPoint| bias.volts(point.plus) - bias.volts(point.minus);
        let name = |node: NodeId| circuit.node_name(node).to_owned();
        let ohms = self.ohms(between(without));
        let bridge = Change::Bridge { nodes: [name(point.plus), name(point.minus)], ohms, excess: Excess::None };
        match circuit.changed(&[bridge]) {
            Ok(loaded) => Ok(between(&bias::solve_from(&loaded, without)?)),
            // A meter of no resistance that counts, or across one node, reads what is there.
            Err(_) => Ok(between(without)),
        }
    }

    /// Whether a meter that reads `shown` where `true_volts` stand without it misleads.
    pub fn disturbs(shown: f64, true_volts: f64) -> bool {
        let (volts, part) = Self::DISTURBED;
        (shown - true_volts).abs() > volts + part * true_volts.abs()
    }
}
