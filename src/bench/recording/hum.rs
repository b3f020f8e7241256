//! Lines of the mains and its harmonics in a spectrum, apart from the hiss between them.
//!
//! A line takes up the main lobe of the Hann window, two frequencies to either side. What stands in five to either side
//! above the floor is its power, but for a hundred-thousandth; the floor there is the geometric mean of the medians to the left and the right, each
//! corrected for the median of averaged squares lying 1/(9K) low three times over (Wilson and Hilferty, Proc. Natl.
//! Acad. Sci. 17 (1931) 684). A line is one whose peak stands above the floor as noise does once in many millions.

use crate::spectral::PowerSpectrum;

/// Mains frequencies of the world, Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// How far the mains may be off, as a fraction.
const MAINS_DRIFT: f64 = 0.01;
/// Harmonics looked at.
const HARMONICS: usize = 60;
/// Frequencies to either side that belong to a line, and between which the floor is looked for.
const REACH: usize = 5;
const FLOOR: std::ops::RangeInclusive<usize> = 8..=14;
/// Steps of the spectrum that harmonics must lie apart.
pub(super) const LEAST_STEPS: f64 = 20.0;
/// Standard deviations, on the cube root's scale, beyond which a peak is no noise.
const SURE: f64 = 6.0;
/// A peak lower than this over the floor is nothing to speak of, whatever the certainty.
const LEAST_RISE: f64 = 2.0;

/// Hum: the lines found.
#[derive(Clone, Debug, PartialEq)]
pub struct Hum {
    /// Frequency of the mains, Hz, as measured on the strongest line.
    pub mains_hz: f64,
    /// All lines together, V rms, unweighted.
    pub rms_volts: f64,
    /// Lines, ascending.
    pub lines: Vec<HumLine>,
}

/// One line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HumLine {
    /// Which multiple of the mains.
    pub harmonic: usize,
    /// Its frequency, Hz.
    pub hertz: f64,
    /// By itself, V rms.
    pub rms_volts: f64,
}

/// Whether a spectrum is fine enough to tell lines of the mains from what lies between.
pub(super) fn is_resolved(spectrum: &PowerSpectrum, mains_hz: Option<f64>) -> bool {
    mains_hz.unwrap_or(MAINS_HZ[0]) >= LEAST_STEPS * spectrum.step_hz
}

/// Lines within a band, and the spectrum without them; no lines where the spectrum is too coarse.
pub(super) fn separate(
    spectrum: &PowerSpectrum,
    band_hz: [f64; 2],
    mains_hz: Option<f64>,
) -> (Option<Hum>, PowerSpectrum) {
    let mut hiss = spectrum.clone();
    if !is_resolved(spectrum, mains_hz) {
        return (None, hiss);
    }
    let candidates = mains_hz.map_or(MAINS_HZ.to_vec(), |given| vec![given]);
    let power = |lines: &[Found]| lines.iter().map(|line| line.power).sum::<f64>();
    let found = candidates
        .into_iter()
        .filter_map(|nominal| Some(refined(spectrum, band_hz, nominal)).filter(|found| !found.1.is_empty()));
    let strongest = found.reduce(|best, next| if power(&next.1) > power(&best.1) { next } else { best });
    let Some((mains_hz, lines)) = strongest else { return (None, hiss) };
    for line in &lines {
        for k in line.peak.saturating_sub(REACH)..=(line.peak + REACH).min(hiss.density.len() - 1) {
            hiss.density[k] = hiss.density[k].min(line.floor);
        }
    }
    let of = |line: &Found| HumLine { harmonic: line.harmonic, hertz: line.hertz, rms_volts: line.power.sqrt() };
    let hum = Hum { mains_hz, rms_volts: power(&lines).sqrt(), lines: lines.iter().map(of).collect() };
    (Some(hum), hiss)
}

/// A line as found.
struct Found {
    harmonic: usize,
    peak: usize,
    hertz: f64,
    power: f64,
    floor: f64,
}

/// The mains by its strongest line near a nominal frequency, and all lines at its multiples.
fn refined(spectrum: &PowerSpectrum, band_hz: [f64; 2], nominal_hz: f64) -> (f64, Vec<Found>) {
    let rough = lines(spectrum, band_hz, nominal_hz, MAINS_DRIFT);
    let Some(strongest) = rough.iter().reduce(|best, next| if next.power > best.power { next } else { best }) else {
        return (nominal_hz, rough);
    };
    let mains_hz = strongest.hertz / strongest.harmonic as f64;
    (mains_hz, lines(spectrum, band_hz, mains_hz, 0.0))
}

fn lines(spectrum: &PowerSpectrum, band_hz: [f64; 2], mains_hz: f64, drift: f64) -> Vec<Found> {
    let mut found: Vec<Found> = Vec::new();
    for harmonic in 1..=HARMONICS {
        let hertz = harmonic as f64 * mains_hz;
        if hertz < band_hz[0] || hertz > band_hz[1] {
            continue;
        }
        // A quarter of the way to the next harmonic at most; the exact frequency may lie between two of the spectrum's.
        let wander = (hertz * drift).min(mains_hz / 4.0) / spectrum.step_hz;
        let line = line(spectrum, hertz, wander.ceil() as usize + 1).map(|line| Found { harmonic, ..line });
        found.extend(line.filter(|line| found.last().is_none_or(|last| last.peak + REACH < line.peak)));
    }
    found
}

/// A line within some steps of a frequency.
fn line(spectrum: &PowerSpectrum, hertz: f64, wander: usize) -> Option<Found> {
    let density = &spectrum.density;
    let middle = (hertz / spectrum.step_hz).round() as usize;
    let reach = wander + FLOOR.end();
    if middle < reach + 1 || middle + reach + 1 >= density.len() {
        return None;
    }
    let peak = (middle - wander..=middle + wander).max_by(|&a, &b| density[a].total_cmp(&density[b]))?;
    let cube = 1.0 - spectrum.density_variance() / 9.0;
    let median = |side: &dyn Fn(usize) -> usize| {
        let mut values: Vec<f64> = FLOOR.map(|away| density[side(away)]).collect();
        values.sort_by(f64::total_cmp);
        0.5 * (values[values.len() / 2 - 1] + values[values.len() / 2]) / cube.powi(3)
    };
    let floor = (median(&|away| peak - away) * median(&|away| peak + away)).sqrt();
    let sure = (cube + SURE * spectrum.density_variance().sqrt() / 3.0).powi(3).max(LEAST_RISE);
    let covered: f64 = density[peak - REACH..=peak + REACH].iter().sum();
    let power = (covered - (2 * REACH + 1) as f64 * floor) * spectrum.step_hz;
    // Of the neighbours of the peak the larger one says where between the two the line lies, by the window's lobe.
    let (side, neighbour) =
        if density[peak + 1] > density[peak - 1] { (1.0, density[peak + 1]) } else { (-1.0, density[peak - 1]) };
    let ratio = (neighbour / density[peak]).sqrt();
    let between = side * ((2.0 * ratio - 1.0) / (ratio + 1.0)).max(0.0);
    let hertz = (peak as f64 + between) * spectrum.step_hz;
    (density[peak] > sure * floor && power > 0.0).then_some(Found { harmonic: 0, peak, hertz, power, floor })
}
