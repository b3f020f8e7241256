//! Hiss at points, and who makes it.

use super::{Setting, decibels, gain_decibels};
use crate::bench::healthy::{Band, HealthyModel};
use crate::bench::instrument::{Meter, Scope, Trace};
use crate::bench::{Point, Ripple};
use crate::bias::SolveError;
use crate::circuit::{Circuit, PlotPoints};
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Mechanism, PartId};
use crate::netlist::Spacing;
use crate::noise::{self, DeviceShare, NoiseRequest, PEAK_TO_PEAK_PER_RMS, SourceResistance, Weighting, cautions};
use crate::operating::Operating;
use crate::response::{self, POINTS_PER_DECADE, plot_hertz};
use crate::smallsignal::Stimulus;
use crate::units::short;

/// What is asked about hiss.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseQuestion {
    /// Where; brought into signal order in the result.
    pub points: Vec<Point>,
    /// The source that gain and input figures refer to.
    pub input: Option<PartId>,
    /// Frequency of the gain, Hz.
    pub gain_hertz: f64,
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Weighting of the band figures.
    pub weighting: Weighting,
    /// Relative error of the rms figures to work for.
    pub tolerance: f64,
    /// Whether the spectrum is wanted as well.
    pub spectrum: bool,
    /// What a noise figure takes for the source's own resistance; `None` where no noise figure is wanted.
    pub source_resistance: Option<SourceResistance>,
    /// The signal that hiss is held against, V rms at each point; `None` where no ratio is wanted.
    pub level_volts: Option<f64>,
    /// The meter whose figures are wanted as well.
    pub meter: Option<Meter>,
    /// The scope whose traces are wanted as well.
    pub scope: Option<Scope>,
    /// The ripple whose hum is wanted as well.
    pub ripple: Option<Ripple>,
}

/// Hiss at points.
#[derive(Clone, Debug, PartialEq)]
pub struct NoiseResult {
    /// Conditions.
    pub setting: Setting,
    /// Name of the input source.
    pub from: Option<String>,
    /// Frequency of the gain, Hz.
    pub gain_hertz: f64,
    /// Ends of the band, Hz.
    pub band_hz: [f64; 2],
    /// Weighting.
    pub weighting: Weighting,
    /// What the noise figure takes for the source, in words; `None` where it was not asked for.
    pub source_resistance: Option<String>,
    /// The signal that hiss is held against, V rms; `None` where it was not asked for.
    pub level_volts: Option<f64>,
    /// The meter whose figures the points hold.
    pub meter: Option<Meter>,
    /// The scope whose traces the points hold.
    pub scope: Option<Scope>,
    /// Units that the healthy bands were drawn from, and of those that found a bias; `None` where they were not asked for.
    pub healthy_units: Option<[usize; 2]>,
    /// Frequencies at which the equations were solved for the band figures.
    pub frequencies: usize,
    /// The ripple whose hum the points hold, in words.
    pub ripple: Option<String>,
    /// Points in signal order.
    pub points: Vec<PointHiss>,
    /// What a reader should know.
    pub cautions: Vec<Diagnostic>,
}

/// Hiss at one point.
#[derive(Clone, Debug, PartialEq)]
pub struct PointHiss {
    /// Its name.
    pub name: String,
    /// DC, V.
    pub dc_volts: f64,
    /// Gain from the input in dB; `None` without input or gain.
    pub gain_db: Option<f64>,
    /// Weighted rms over the band, V.
    pub rms_volts: f64,
    /// Bound on its relative error.
    pub relative_error: f64,
    /// Peak-to-peak, V.
    pub peak_to_peak_volts: f64,
    /// Weighted rms referred to the input, V or A; `None` without input or gain.
    pub input_rms: Option<f64>,
    /// Noise figure over the band, dB; `None` where it was not asked for or the source makes no hiss here.
    pub noise_figure_db: Option<f64>,
    /// The signal level over the hiss, dB; `None` where it was not asked for or there is no hiss.
    pub snr_db: Option<f64>,
    /// What the meter shows, V; `None` where it was not asked for.
    pub meter_volts: Option<f64>,
    /// What the scope shows; `None` where it was not asked for.
    pub trace: Option<Trace>,
    /// Between which hiss most healthy units lie, V rms; `None` where it was not asked for.
    pub healthy: Option<Band>,
    /// Hum from the ripple, V rms over the same band with the same weighting; `None` where it was not asked for.
    pub hum_rms_volts: Option<f64>,
    /// Contributions by device, falling.
    pub devices: Vec<DeviceHiss>,
    /// Unweighted density over the band, where it was asked for.
    pub spectrum: Option<Spectrum>,
}

/// Density over frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Hz.
    pub hertz: Vec<f64>,
    /// V/√Hz.
    pub volts_per_root_hertz: Vec<f64>,
}

/// What a device contributes at a point.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceHiss {
    /// Its name.
    pub name: String,
    /// Fraction of the mean square.
    pub share: f64,
    /// By itself, V rms.
    pub rms_volts: f64,
    /// By mechanism, falling.
    pub mechanisms: Vec<MechanismHiss>,
}

/// What a mechanism contributes at a point.
#[derive(Clone, Debug, PartialEq)]
pub struct MechanismHiss {
    /// Which.
    pub mechanism: Mechanism,
    /// Fraction of the mean square.
    pub share: f64,
    /// By itself, V rms.
    pub rms_volts: f64,
}

/// Computes the hiss. `changes` are the what-ifs that made the circuit, a line each.
///
/// # Errors
/// [`SolveError`] names what did not settle or what nothing determines.
pub fn noise(circuit: &Circuit, changes: &[String], question: &NoiseQuestion) -> Result<NoiseResult, SolveError> {
    let operating = Operating::of(circuit)?;
    let Operating { bias, signal, .. } = &operating;
    let points = Point::in_signal_order(circuit, question.input, &question.points);
    let outputs: Vec<_> = points.iter().map(|point| (point.plus, point.minus)).collect();
    let stimulus = question.input.and_then(|part| Stimulus::of(circuit, part));
    let gains = match &stimulus {
        Some(stimulus) => response::response(circuit, signal, stimulus, &outputs, &[question.gain_hertz])?,
        None => Vec::new(),
    };
    let request = NoiseRequest {
        outputs: outputs.clone(),
        band_hz: question.band_hz,
        weighting: question.weighting,
        tolerance: question.tolerance,
    };
    let figures = noise::noise(circuit, signal, stimulus.as_ref(), &request)?;
    let frequencies = figures.points;
    let factors = match question.source_resistance {
        Some(source) => noise::noise_factors(circuit, bias, source, &request, &figures)?,
        None => vec![None; outputs.len()],
    };
    let (band, tolerance) = ((question.band_hz, question.weighting), question.tolerance);
    let metered = question.meter.map(|meter| meter.hiss(circuit, &operating, &points, band, tolerance)).transpose()?;
    let scoped = question.scope.map(|scope| scope.hiss(circuit, &operating, &points, tolerance)).transpose()?;
    let (band_hz, weighting) = band;
    let hum = question.ripple.map(|ripple| ripple.hum_volts(circuit, signal, &outputs, band_hz, weighting));
    let hum = hum.transpose()?;
    let hertz = spectrum_hertz(circuit, question);
    let mut spectra = noise::spectra(circuit, signal, &outputs, &hertz)?.into_iter();

    let mut cautions = cautions(circuit, bias, question.band_hz[1]);
    cautions.extend(operating.cautions(circuit));
    let points = points.into_iter().zip(figures.outputs).enumerate().map(|(position, (point, hiss))| {
        cautions.extend(inaccurate("hiss", &point.name, hiss.relative_error, question.tolerance));
        let input = "hiss referred to the input";
        cautions.extend(inaccurate(input, &point.name, hiss.input_relative_error, question.tolerance));
        PointHiss {
            name: point.name,
            dc_volts: bias.volts(point.plus) - bias.volts(point.minus),
            gain_db: gains.get(position).and_then(|gains| gain_decibels(gains.first()?.norm())),
            rms_volts: hiss.rms_volts,
            relative_error: hiss.relative_error,
            peak_to_peak_volts: PEAK_TO_PEAK_PER_RMS * hiss.rms_volts,
            input_rms: hiss.input_rms,
            noise_figure_db: factors[position].and_then(|factor| decibels(factor.sqrt())),
            snr_db: question.level_volts.and_then(|level| decibels(level / hiss.rms_volts)),
            meter_volts: question.meter.zip(metered.as_ref()).map(|(meter, rms)| meter.shows(rms[position])),
            trace: question.scope.zip(scoped.as_ref()).map(|(scope, rms)| scope.trace(rms[position])),
            healthy: None,
            hum_rms_volts: hum.as_ref().map(|hum| hum[position]),
            devices: hiss.devices.iter().map(|device| named(circuit, device)).collect(),
            spectrum: spectra.next().filter(|_| question.spectrum).map(|density| Spectrum {
                hertz: hertz.clone(),
                volts_per_root_hertz: density.into_iter().map(f64::sqrt).collect(),
            }),
        }
    });
    Ok(NoiseResult {
        setting: Setting::of(circuit, changes),
        from: question.input.map(|part| circuit.part(part).name.clone()),
        gain_hertz: question.gain_hertz,
        band_hz: question.band_hz,
        weighting: question.weighting,
        source_resistance: question.source_resistance.map(|source| in_words(circuit, source)),
        level_volts: question.level_volts,
        meter: question.meter,
        scope: question.scope,
        healthy_units: None,
        frequencies,
        ripple: question.ripple.map(|ripple| ripple.text(circuit)),
        points: points.collect(),
        cautions,
    })
}

impl NoiseResult {
    /// Adds between which hiss healthy units lie.
    ///
    /// # Errors
    /// [`SolveError`] where hardly any healthy unit finds a bias.
    pub fn add_healthy(&mut self, model: &HealthyModel) -> Result<(), SolveError> {
        let found = |point: &PointHiss| Point::read(&model.circuit, &point.name).ok();
        let points: Vec<Option<Point>> = self.points.iter().map(found).collect();
        let known: Vec<Point> = points.iter().flatten().cloned().collect();
        let healthy = model.at(&known, Some((self.band_hz, self.weighting)))?;
        let mut bands = healthy.points.iter();
        for (point, _) in self.points.iter_mut().zip(points).filter(|(_, point)| point.is_some()) {
            point.healthy = bands.next().and_then(|point| point.hiss_volts);
        }
        self.healthy_units = Some([healthy.drawn, healthy.solved]);
        Ok(())
    }
}

/// The plot points of the netlist over the band of the question; none where no spectrum is wanted.
fn spectrum_hertz(circuit: &Circuit, question: &NoiseQuestion) -> Vec<f64> {
    if !question.spectrum {
        return Vec::new();
    }
    let (spacing, count) = match &circuit.noise {
        Some(noise) => (noise.points.spacing, noise.points.count),
        None => (Spacing::Decade, POINTS_PER_DECADE),
    };
    plot_hertz(&PlotPoints { spacing, count, band_hz: question.band_hz })
}

fn in_words(circuit: &Circuit, source: SourceResistance) -> String {
    match source {
        SourceResistance::Resistor(part) => circuit.part(part).name.clone(),
        SourceResistance::Added { input, ohms } => format!("{} at {}", short(ohms, "Ω"), circuit.part(input).name),
    }
}

fn inaccurate(figure: &str, point: &str, relative_error: f64, tolerance: f64) -> Option<Diagnostic> {
    (relative_error > tolerance).then(|| {
        let message = format!("the {figure} at {point} is only certain to {relative_error:.1e} of its value");
        Diagnostic::warning(Code::AccuracyLimited, message).help("ask for less: --tolerance 1e-3, or a narrower --band")
    })
}

fn named(circuit: &Circuit, device: &DeviceShare) -> DeviceHiss {
    DeviceHiss {
        name: circuit.part(device.part).name.clone(),
        share: device.share,
        rms_volts: device.rms_volts,
        mechanisms: device
            .mechanisms
            .iter()
            .map(|one| MechanismHiss { mechanism: one.mechanism, share: one.share, rms_volts: one.rms_volts })
            .collect(),
    }
}
