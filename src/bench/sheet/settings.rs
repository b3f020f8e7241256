//! What a sheet may set, with its defaults: common practice, no source, unless a line says otherwise.

use crate::bench::instrument::{DcMeter, Meter, Scope};
use crate::bench::reading::{How, Measure, Reading, named};
use crate::bench::{Point, Ripple, Temperatures};
use crate::element::PartId;

/// How healthy units differ. Fractions are of the value; pairs run from low to high.
#[derive(Clone, Debug, PartialEq)]
pub struct Tolerances {
    /// Of resistors, evenly between the two ends.
    pub resistor: [f64; 2],
    /// Healthy excess noise of resistors, µV/V, even in its logarithm.
    pub resistor_noise_uv: [f64; 2],
    /// Of capacitors that are no electrolytics, even in the logarithm of the value.
    pub capacitor: [f64; 2],
    /// Of electrolytics.
    pub electrolytic: [f64; 2],
    /// Of windings, evenly.
    pub inductor: [f64; 2],
    /// Largest over smallest current gain, even in its logarithm.
    pub beta_ratio: f64,
    /// Largest over smallest ICBO, even in its logarithm.
    pub icbo_ratio: f64,
    /// sd of ln IS.
    pub is_sd: f64,
    /// sd of ln RB that all devices share.
    pub rb_batch_sd: f64,
    /// sd of ln RB of each device.
    pub rb_sd: f64,
    /// sd of ln KF that all devices share.
    pub kf_batch_sd: f64,
    /// sd of ln KF of each device.
    pub kf_sd: f64,
    /// Of all supplies together, evenly.
    pub supply: [f64; 2],
    /// Temperature inside the set, °C, evenly.
    pub ambient_celsius: [f64; 2],
    /// Scale of the hiss meter, 1 sd.
    pub meter_sd: f64,
    /// Of the temperature of a frozen part, ° either way, evenly.
    pub freeze_celsius: f64,
    /// Temperature of a cooled part, °C, evenly.
    pub cool_celsius: [f64; 2],
    /// Of the temperature under a finger, ° either way, evenly.
    pub finger_celsius: f64,
    /// Of the temperature of a heated part, ° either way, evenly.
    pub heat_celsius: f64,
    /// Fraction of a swing that reaches parts that are near, evenly.
    pub spill: [f64; 2],
    /// Power of the current that the excess noise of a leak follows with temperature, evenly.
    pub leak_exponent: [f64; 2],
}

impl Default for Tolerances {
    fn default() -> Self {
        Self {
            resistor: [-0.1, 0.1],
            resistor_noise_uv: [0.05, 0.5],
            capacitor: [-0.2, 0.5],
            electrolytic: [-0.2, 0.5],
            inductor: [0.0, 0.0],
            beta_ratio: 2.0,
            icbo_ratio: 3.0,
            is_sd: 0.3,
            rb_batch_sd: 0.25,
            rb_sd: 0.2,
            kf_batch_sd: 0.5,
            kf_sd: 0.4,
            supply: [-0.05, 0.05],
            ambient_celsius: [18.0, 30.0],
            meter_sd: 0.05,
            freeze_celsius: 6.0,
            cool_celsius: [0.0, 5.0],
            finger_celsius: 3.0,
            heat_celsius: 6.0,
            spill: [0.0, 0.15],
            leak_exponent: [1.0, 2.0],
        }
    }
}

/// How far readings scatter, 1 sd.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadingErrors {
    /// Of hiss in rms, a fraction.
    pub hiss: f64,
    /// Of hiss peak to peak, a fraction.
    pub peak_to_peak: f64,
    /// Of the observer's eye, a fraction common to all scope readings.
    pub observer: f64,
    /// Of DC, a fraction.
    pub dc: f64,
    /// Of DC at zero, V.
    pub dc_zero_volts: f64,
    /// Of a change, dB.
    pub change_db: f64,
    /// Of hum, a fraction.
    pub hum: f64,
    /// Of a gain, or of one against that at 1 kHz, dB.
    pub gain_db: f64,
    /// Of a gain of one channel against the other, dB.
    pub balance_db: f64,
    /// Of volts at which a sine flattens, a fraction.
    pub clip: f64,
    /// Of power, a fraction.
    pub watts: f64,
    /// Of the temperature of a case, °C.
    pub temperature_celsius: f64,
    /// Of where a control stands, a fraction of its travel.
    pub position: f64,
}

impl Default for ReadingErrors {
    fn default() -> Self {
        Self {
            hiss: 0.12,
            peak_to_peak: 0.2,
            observer: 0.15,
            dc: 0.012,
            dc_zero_volts: 5e-3,
            change_db: 0.7,
            hum: 0.05,
            gain_db: 0.3,
            balance_db: 0.2,
            clip: 0.05,
            watts: 0.1,
            temperature_celsius: 2.0,
            position: 0.03,
        }
    }
}

impl ReadingErrors {
    /// sd of a reading of so many DC volts.
    pub fn dc_sd_volts(&self, volts: f64) -> f64 {
        (self.dc * volts).hypot(self.dc_zero_volts)
    }
}

/// What is asked of a repaired set.
#[derive(Clone, Debug, PartialEq)]
pub struct AcceptanceSettings {
    /// Source of the other channel.
    pub twin_input: Option<PartId>,
    /// Output of the other channel, where it is no twin of a named point.
    pub twin_output: Option<Point>,
    /// Resistor that takes the power, of this channel and of the other.
    pub loads: [Option<PartId>; 2],
    /// The control that makes both channels equally loud, by index.
    pub balance: Option<usize>,
    /// Rated output, W.
    pub rated_watts: Option<f64>,
    /// Distortion at which watts are read, 0.01 or 0.1; `None` for the onset of clipping.
    pub distortion: Option<f64>,
    /// Ripple that makes the hum.
    pub ripple: Option<Ripple>,
    /// Where the gain is set against that at 1 kHz, Hz.
    pub response_hz: Vec<f64>,
    /// Inside the closed cabinet after 30 minutes, °C, evenly.
    pub warm_celsius: [f64; 2],
    /// Of a cold set, °C, evenly.
    pub cold_celsius: [f64; 2],
    /// Share of healthy units that pass each item.
    pub share: f64,
}

impl Default for AcceptanceSettings {
    fn default() -> Self {
        Self {
            twin_input: None,
            twin_output: None,
            loads: [None; 2],
            balance: None,
            rated_watts: None,
            distortion: None,
            ripple: None,
            response_hz: vec![100.0, 10e3],
            warm_celsius: [40.0, 50.0],
            cold_celsius: [5.0, 15.0],
            share: 0.99,
        }
    }
}

/// What tests and work cost, in bench units.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TestCosts {
    /// Tap or work a control, joint or socket.
    pub tap: f64,
    /// A control end to end.
    pub turn: f64,
    /// Hiss at a point.
    pub hiss: f64,
    /// DC volts.
    pub dc: f64,
    /// The healthy channel's same point.
    pub twin: f64,
    /// A finger.
    pub finger: f64,
    /// A shunt.
    pub shunt: f64,
    /// Gentle cooling.
    pub cool: f64,
    /// Freeze spray.
    pub freeze: f64,
    /// Warm air.
    pub heat: f64,
    /// A leg lifted.
    pub lift: f64,
    /// A part replaced that was good.
    pub wrong_part: f64,
    /// Nothing listed fits.
    pub open_search: f64,
}

impl Default for TestCosts {
    fn default() -> Self {
        Self {
            tap: 0.3,
            turn: 0.5,
            hiss: 1.0,
            dc: 1.0,
            twin: 1.0,
            finger: 1.0,
            shunt: 1.0,
            cool: 2.0,
            freeze: 2.0,
            heat: 2.0,
            lift: 15.0,
            wrong_part: 30.0,
            open_search: 60.0,
        }
    }
}

impl TestCosts {
    /// What a test costs, the controls that are turned for it included.
    pub fn of(&self, test: &Reading) -> f64 {
        let own = match (&test.act, test.measure) {
            _ if test.twin => self.twin,
            (Some(act), _) => match act.how {
                How::Freeze => self.freeze,
                How::Cool => self.cool,
                How::Finger => self.finger,
                How::Heat => self.heat,
                How::Shunt => self.shunt,
                How::Turn => self.turn,
                How::Tap => self.tap,
            },
            (None, Measure::Dc) => self.dc,
            (None, _) => self.hiss,
        };
        own + test.with.len() as f64 * self.turn
    }
}

/// What lies on the bench.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Instruments {
    /// For hiss.
    pub meter: Meter,
    /// The scope.
    pub scope: Scope,
    /// For DC.
    pub dc_meter: DcMeter,
}

/// What things at hand do to parts.
#[derive(Clone, Debug, PartialEq)]
pub struct Surroundings {
    /// Temperatures they bring a part to.
    pub temperatures: Temperatures,
    /// The highest temperature inside the closed cabinet, °C.
    pub hottest_celsius: f64,
    /// Capacitor for shunting, F.
    pub shunt_farads: f64,
    /// Parts side by side, by name: spray on one spills over to the others.
    pub near: Vec<Vec<String>>,
}

impl Default for Surroundings {
    fn default() -> Self {
        Self { temperatures: Temperatures::default(), hottest_celsius: 45.0, shunt_farads: 100e-6, near: Vec::new() }
    }
}

named! {
    /// How hard a drill is.
    Level {
        /// Loud, and tracing leads to the bad part.
        Easy = "easy",
        /// As faults come.
        Fair = "fair",
        /// Tracing leads to a good part, or the bad one is no device.
        Hard = "hard",
    }
}

/// A lesson.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lesson {
    /// What is to be learnt.
    pub goal: Option<String>,
    /// Number that fault, tolerances and reading errors are drawn from.
    pub seed: Option<u64>,
    /// How hard.
    pub level: Option<Level>,
    /// A chosen fault, sealed.
    pub sealed: Option<String>,
}

/// What a sheet says about a kind of fault; what it does not say stays as it is by default.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultSettings {
    /// The kind, by name: `junction_leak`; `other` for what is not listed.
    pub kind: String,
    /// Weights by key: `weight`, for junctions `weight_germanium` and `weight_silicon`.
    pub weights: Vec<(String, f64)>,
    /// Ranges from mild to severe by key: `factor`, `ohm`, `uv_per_v`, `times_germanium` …
    pub ranges: Vec<(String, [f64; 2])>,
}
