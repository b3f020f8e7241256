//! Weighting curves for hiss.
//!
//! A      IEC 61672-1: four zeros at the origin, poles at f1 f1 f2 f3 f4 f4, normalised to exactly 0 dB at 1 kHz.
//!        f1² + f4² and f1²·f4² follow from the -3 dB points 10^1.5 and 10^3.9 Hz, f2 and f3 from 10^2.45 Hz.
//! 468    ITU-R BS.468-4: one zero at the origin and the six poles of the network of its figure 1a,
//!        normalised to +12.2 dB at 6.3 kHz, the point of no tolerance; 1 kHz then lies at -0.017 dB.

use num_complex::Complex64;

/// How a band figure weights frequencies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[non_exhaustive]
pub enum Weighting {
    /// All alike.
    #[default]
    Flat,
    /// The A curve.
    A,
    /// The curve of ITU-R BS.468, read in rms.
    Itu468,
}

/// Pole frequencies of the A curve, Hz: IEC 61672-1 with 10^1.5, 10^2.45 and 10^3.9 Hz, fr = 1 kHz.
const A_POLES: [f64; 4] = [20.598997057568145, 107.65264864304628, 737.8622307362899, 12194.217147998012];

/// Poles of the 468 network, rad/s: two real ones and two conjugate pairs.
const ITU_REAL: [f64; 2] = [-25903.70104781628, -62675.1700584679];
const ITU_PAIRS: [(f64, f64); 2] = [(-23615.53521363528, 36379.90893732929), (-18743.74669072136, 62460.15645250649)];
const ITU_REFERENCE_HZ: f64 = 6300.0;
const ITU_REFERENCE_DB: f64 = 12.2;

impl Weighting {
    /// The curve's name on the command line and in results.
    pub fn name(self) -> &'static str {
        match self {
            Weighting::Flat => "flat",
            Weighting::A => "a",
            Weighting::Itu468 => "468",
        }
    }

    /// The factor on power at a frequency.
    pub fn power(self, hertz: f64) -> f64 {
        match self {
            Weighting::Flat => 1.0,
            Weighting::A => a_power(hertz) / a_power(1000.0),
            Weighting::Itu468 => itu_power(hertz) / itu_power(ITU_REFERENCE_HZ) * 10f64.powf(ITU_REFERENCE_DB / 10.0),
        }
    }
}

fn a_power(hertz: f64) -> f64 {
    let [f1, f2, f3, f4] = A_POLES.map(|pole| pole * pole);
    let f = hertz * hertz;
    let amplitude = f4 * f * f / ((f + f1) * ((f + f2) * (f + f3)).sqrt() * (f + f4));
    amplitude * amplitude
}

fn itu_power(hertz: f64) -> f64 {
    let s = Complex64::new(0.0, std::f64::consts::TAU * hertz);
    let real = ITU_REAL.iter().map(|&pole| s - pole);
    let pairs = ITU_PAIRS.iter().flat_map(|&(re, im)| [s - Complex64::new(re, im), s - Complex64::new(re, -im)]);
    // Each factor in units of the reference keeps the product in range.
    let scale = std::f64::consts::TAU * ITU_REFERENCE_HZ;
    real.chain(pairs).fold(s / scale, |gain, factor| gain / (factor / scale)).norm_sqr()
}
