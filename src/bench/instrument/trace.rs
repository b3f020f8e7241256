//! What hiss looks like on a screen.

use super::Scope;
use crate::noise::PEAK_TO_PEAK_PER_RMS;
use crate::units::short;

/// Hiss as a scope shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trace {
    /// V rms at the tip, the scope's own noise included.
    pub rms_volts: f64,
    /// V peak to peak at the tip, 6.6 times that.
    pub peak_to_peak_volts: f64,
    /// How it stands out; `None` where the hiss is below the scope's own noise.
    pub shown: Option<Shown>,
    /// The finest step of the knob, V per division at the tip.
    pub finest_volts: f64,
}

/// How high a trace stands on the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    /// Height in divisions.
    pub divisions: f64,
    /// V per division at the tip.
    pub volts_per_division: f64,
}

/// So many divisions a trace needs to stand out.
const STANDS_OUT_DIVISIONS: f64 = 2.0;

impl Scope {
    /// The trace of hiss of `rms_volts` over the scope's band, its loading considered.
    ///
    /// The step of the knob is the coarsest of the sequence 1-2-5 at which the trace is two divisions high, or the finest.
    pub fn trace(&self, rms_volts: f64) -> Trace {
        let floor = self.floor_volts * self.probe.division;
        let seen = rms_volts.hypot(floor);
        let peak_to_peak_volts = PEAK_TO_PEAK_PER_RMS * seen;
        let finest_volts = self.finest_volts * self.probe.division;
        let step = step_at_most(peak_to_peak_volts / STANDS_OUT_DIVISIONS).max(finest_volts);
        let shown = Shown { divisions: peak_to_peak_volts / step, volts_per_division: step };
        let shown = (rms_volts >= floor && rms_volts > 0.0).then_some(shown);
        Trace { rms_volts: seen, peak_to_peak_volts, shown, finest_volts }
    }
}

/// The largest step of the sequence 1-2-5 that is not above `volts`; 0 where there is none.
fn step_at_most(volts: f64) -> f64 {
    if !(volts > 0.0 && volts.is_finite()) {
        return 0.0;
    }
    let decade = volts.log10().floor() as i32;
    // Powers of ten as decimal text gives them, so that 5 mV is 5e-3 to the last bit.
    let steps = [(decade + 1, 1), (decade, 5), (decade, 2), (decade, 1), (decade - 1, 5)];
    let steps = steps.map(|(decade, digit)| format!("{digit}e{decade}").parse().unwrap_or(0.0));
    steps.into_iter().find(|step: &f64| *step <= volts * (1.0 + 1e-12)).unwrap_or(0.0)
}

impl Trace {
    /// `2.4 divisions at 5 mV per division`, or `not visible below 2 mV per division`.
    pub fn words(&self) -> String {
        match self.shown {
            Some(Shown { divisions, volts_per_division }) => {
                format!("{divisions:.1} divisions at {} per division", short(volts_per_division, "V"))
            }
            None => format!("not visible below {} per division", short(self.finest_volts, "V")),
        }
    }
}
