//! What every semiconductor junction shares: exponential current, depletion charge, noise by detailed balance.
//!
//! current    i = IS·(exp(v/(N·Vt)) − 1)                     A        [1]
//! charge     c = CJ·(1 − v/VJ)^−M, below FC·VJ               F        [2]
//!            c = CJ·(1 − FC)^−(1+M)·(1 − FC·(1+M) + M·v/VJ)  above: continued along its tangent
//! shot       S = 2q·i·coth(v/(2·Vt))                    A²/Hz        [3]  4kT·g at v = 0, 2q|i| far from it
//!
//! [1] Shockley, Bell Syst. Tech. J. 28 (1949) 435   [2] abrupt and graded junctions: Sze, Physics of Semiconductor
//! Devices, Wiley   [3] both opposite flows carry full shot noise: van der Ziel, Noise in Solid State Devices and
//! Circuits, Wiley 1986; Nyquist's theorem at v = 0: Phys. Rev. 32 (1928) 110

use crate::physics::{ELEMENTARY_CHARGE, Kelvin, balanced_flow, exp_m1_continued};

/// One exponential current at a temperature.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Exponential {
    /// Saturation current, A.
    pub saturation: f64,
    /// Emission coefficient times thermal voltage, V.
    pub scale_volts: f64,
}

impl Exponential {
    /// Current and its derivative by voltage.
    pub fn at(self, volts: f64) -> (f64, f64) {
        if self.saturation == 0.0 {
            return (0.0, 0.0);
        }
        let (value, slope) = exp_m1_continued(volts / self.scale_volts);
        (self.saturation * value, self.saturation * slope / self.scale_volts)
    }

    /// Voltage at which the curve bends most: where step limiting sets in.
    pub fn critical_volts(self) -> f64 {
        if self.saturation == 0.0 {
            return f64::INFINITY;
        }
        self.scale_volts * (self.scale_volts / (std::f64::consts::SQRT_2 * self.saturation)).ln()
    }

    /// Density of the shot noise of both opposite flows, A²/Hz.
    pub fn shot_density(self, volts: f64, at: Kelvin) -> f64 {
        let vt = at.thermal_volts();
        2.0 * ELEMENTARY_CHARGE * self.saturation * balanced_flow(volts / vt, self.scale_volts / vt)
    }
}

/// Depletion capacitance of a junction, F, at `volts` forward.
pub(crate) fn depletion_farads(volts: f64, zero_bias: f64, potential: f64, grading: f64, fc: f64) -> f64 {
    if zero_bias == 0.0 {
        0.0
    } else if volts < fc * potential {
        zero_bias * (1.0 - volts / potential).powf(-grading)
    } else {
        zero_bias * (1.0 - fc).powf(-1.0 - grading) * (1.0 - fc * (1.0 + grading) + grading * volts / potential)
    }
}
