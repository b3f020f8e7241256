//! Figures to findings: against the place, the healthy bands, the ratings, the other channel.

use super::candidate::plain_pinout;
use super::finding::{Finding, When, widths_outside};
use super::heat::limit_celsius;
use super::{Bands, COMPLAINT_DB, Candidate, Readings, SparesQuestion, Trial};
use crate::bench::healthy::Band;
use crate::bias::{DeviceBias, DeviceCurrents, Region, SolveError};
use crate::element::{Bjt, BjtRegion};
use crate::smallsignal::LEAST_GAIN;
use crate::stability::Stability;
use crate::units::engineering;

/// What spares are judged by.
pub(super) struct Bench<'a> {
    pub question: &'a SparesQuestion<'a>,
    pub original: &'a Bjt,
    pub reference: &'a Trial,
    pub bands: &'a Bands,
    pub twin: Option<&'a (String, Readings)>,
}

/// Heat and current from this part of a rating on are remarked upon: half of PTOT as for every device called hot, the same
/// for ICM by common practice, no source.
const RATING_REMARK: f64 = 0.5;
/// Heat of a driven stage that is more than that at rest by this factor is spoken of as such.
const DRIVEN_MORE: f64 = 1.01;
/// Fewer healthy sets than this make no band.
const FEWEST_UNITS: usize = 20;
/// A thermal loop from here on is remarked upon. Common practice, no source.
const LOOP_REMARK: f64 = 0.5;
/// A -3 dB limit that moves in by more than this factor is remarked upon. Common practice, no source.
const LIMIT_MOVES: f64 = 1.25;
/// A junction from here on is called hot, °C: germanium, silicon, as for every device.
const HOT_CELSIUS: [f64; 2] = [60.0, 100.0];
/// A part of healthy sets in which a transistor stops amplifying, from here on remarked upon: the sets that the healthy bands
/// leave out on one side.
const LOST_REMARK: f64 = 0.05;
/// Shifts that no meter shows are none, V.
const LEAST_SHIFT_VOLTS: f64 = 1e-3;

impl Bench<'_> {
    /// All findings; `outcome` is `None` for one that was not tried.
    pub fn judge(
        &self,
        candidate: &Candidate,
        device: &Bjt,
        readings: &Readings,
        outcome: &Option<Result<Trial, SolveError>>,
    ) -> Vec<Finding> {
        let mut findings = self.kind(candidate, device);
        let Some(outcome) = outcome else { return findings };
        match outcome {
            Err(error) => findings.push(Finding::NoBias { why: error.to_string() }),
            Ok(trial) => {
                findings.extend(self.at_rest(trial));
                findings.extend(self.signal(trial));
                findings.extend(self.ratings(device, trial));
                findings.extend(self.heat(device, trial));
            }
        }
        findings.extend(self.match_with_twin(readings));
        findings
    }

    /// What can be seen before it is tried.
    fn kind(&self, candidate: &Candidate, device: &Bjt) -> Vec<Finding> {
        let mut findings = Vec::new();
        if device.polarity != self.original.polarity {
            findings.push(Finding::WrongPolarity { wanted: self.original.polarity });
        }
        if device.is_germanium() != self.original.is_germanium() {
            findings.push(Finding::OtherMaterial { wanted_germanium: self.original.is_germanium() });
        }
        let differ = |wanted: &Option<String>, own: &Option<String>, plain: fn(&str) -> String| {
            let (wanted, own) = (wanted.clone()?, own.clone()?);
            (plain(&wanted) != plain(&own)).then_some((wanted, own))
        };
        let pinout = differ(&self.question.original_pinout, &candidate.pinout, plain_pinout);
        findings.extend(pinout.map(|(wanted, own)| Finding::OtherPinout { wanted, own }));
        let case = differ(&self.question.original_case, &candidate.case, |case| case.trim().to_lowercase());
        findings.extend(case.map(|(wanted, own)| Finding::OtherCase { wanted, own }));
        findings
    }

    fn at_rest(&self, trial: &Trial) -> Vec<Finding> {
        let mut findings = Vec::new();
        if let (Stability::Unstable(roots), false) =
            (&trial.stability, matches!(self.reference.stability, Stability::Unstable(_)))
        {
            let swings = roots.first().filter(|root| root.im > root.re);
            let what = swings.map_or("leaves its bias point by itself".to_owned(), |root| {
                format!("oscillates near {}", engineering(root.im / std::f64::consts::TAU, "Hz", 2))
            });
            findings.push(Finding::Unstable { what });
        }
        findings.extend(self.disabled(&trial.devices, &self.reference.devices, false));
        findings.extend(self.outside(trial));
        findings.extend((self.bands.units[1] < FEWEST_UNITS).then_some(Finding::NoBands));
        let [lost, units] = trial.lost_units;
        let [lost_before, units_before] = self.reference.lost_units;
        let more = lost as f64 / units.max(1) as f64 - lost_before as f64 / units_before.max(1) as f64;
        if more > LOST_REMARK {
            findings.push(Finding::LostInUnits { lost, units, lost_before });
        }
        findings
    }

    /// Transistors that amplify with the original and do not with the spare.
    fn disabled(&self, now: &[DeviceBias], before: &[DeviceBias], hot: bool) -> Vec<Finding> {
        let amplifies = |device: &DeviceBias| device.region == Region::Bjt(BjtRegion::Active);
        let lost = now
            .iter()
            .zip(before)
            .filter(|(now, before)| matches!(now.region, Region::Bjt(_)) && !amplifies(now) && amplifies(before));
        let name = |device: &DeviceBias| self.question.circuit.part(device.part).name.clone();
        lost.map(|(now, _)| Finding::Disabled { device: name(now), region: now.region.name(), hot }).collect()
    }

    /// Points outside the band of healthy units, the farthest by its own width named.
    fn outside(&self, trial: &Trial) -> Option<Finding> {
        let points = self.question.points.iter().zip(&trial.points).zip(&self.bands.dc_volts);
        let outside = points.filter_map(|((point, now), band)| {
            let band = band.map(|Band { low, high }| [low, high])?;
            // Where the original itself lies outside, as with a what-if, only what the spare adds counts.
            let before = widths_outside(now.volts - now.shift_volts, band);
            let widths = widths_outside(now.volts, band);
            let counts = widths > before && now.shift_volts.abs() >= LEAST_SHIFT_VOLTS;
            counts.then_some((widths, &point.name, now.volts, band))
        });
        let outside: Vec<_> = outside.collect();
        let (_, worst, volts, band) = outside.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
        Some(Finding::OutsideBand { count: outside.len(), worst: (*worst).clone(), volts: *volts, band: *band })
    }

    fn signal(&self, trial: &Trial) -> Vec<Finding> {
        let mut findings = Vec::new();
        let decibels = |ratio: f64| 20.0 * ratio.log10();
        // With a control turned down there may be no gain to lose.
        let before = self.reference.gain.filter(|gain| *gain >= LEAST_GAIN);
        if let (Some(before), Some(Band { low, high })) = (before, self.bands.gain) {
            let band_db = [low, high].map(|end| decibels(end / before));
            match trial.gain_db {
                None => findings.push(Finding::NoGain),
                Some(change_db) if change_db < band_db[0].min(0.0) || change_db > band_db[1].max(0.0) => {
                    findings.push(Finding::Gain { change_db, band_db });
                }
                Some(_) => {}
            }
        }
        for upper in [false, true] {
            let [before, after] = [self.reference, trial].map(|trial| trial.half_power_hz[usize::from(upper)]);
            let moves = |before: f64, after: f64| if upper { before / after } else { after / before };
            if let (Some(before_hz), Some(after_hz)) = (before, after)
                && moves(before_hz, after_hz) > LIMIT_MOVES
            {
                let [low, high] = self.question.band_hz;
                let passes = |hertz: f64| if upper { hertz >= high } else { hertz <= low };
                let cuts = passes(before_hz) && !passes(after_hz);
                findings.push(Finding::Bandwidth { upper, before_hz, after_hz, cuts });
            }
        }
        if let (Some(change_db), Some(Band { high, .. })) = (trial.hiss_db, self.bands.hiss_volts)
            && change_db > decibels(high / self.reference.hiss_volts).clamp(0.0, COMPLAINT_DB)
        {
            findings.push(Finding::Hiss { change_db, gain_db: trial.gain_db, complaint_db: COMPLAINT_DB });
        }
        findings
    }

    fn ratings(&self, device: &Bjt, trial: &Trial) -> Vec<Finding> {
        let mut findings = Vec::new();
        let model = &device.model;
        let DeviceCurrents::Bjt { ic_a, vce_v, .. } = trial.own.currents else { return findings };
        // The worse of rest and drive.
        let driven = trial.driven;
        let (watts, when) = match driven {
            Some(driven) if driven.watts > trial.own.watts * DRIVEN_MORE => (driven.watts, When::Driven),
            _ => (trial.own.watts, When::AtRest),
        };
        if model.ptot > 0.0 && watts > RATING_REMARK * model.ptot {
            findings.push(Finding::Dissipation { watts, rated: model.ptot, when });
        }
        if model.vceo > 0.0 {
            let asked = [
                (Some(vce_v.abs()), When::AtRest),
                (driven.map(|driven| driven.peak_volts), When::Driven),
                (trial.cut_off_volts, When::CutOff),
            ];
            let beyond = asked.into_iter().find_map(|(volts, when)| Some((volts.filter(|v| *v > model.vceo)?, when)));
            findings.extend(beyond.map(|(volts, when)| Finding::Volts { volts, rated: model.vceo, when }));
        }
        let (amps, when) = match driven {
            Some(driven) if driven.peak_amps > model.icm => (driven.peak_amps, When::Driven),
            _ => (ic_a.abs(), When::AtRest),
        };
        if model.icm > 0.0 && amps > RATING_REMARK * model.icm {
            findings.push(Finding::Current { amps, rated: model.icm, when });
        }
        if driven.is_none() {
            let original = &self.original.model;
            let ratings = [("PTOT", "W", model.ptot, original.ptot), ("ICM", "A", model.icm, original.icm)];
            let less = ratings.iter().filter(|(_, _, own, original)| *own > 0.0 && *own < RATING_REMARK * original);
            findings.extend(less.map(|&(which, unit, own, original)| Finding::RatedLess {
                which,
                own,
                original,
                unit,
            }));
        }
        let given = [("PTOT", model.ptot), ("VCEO", model.vceo), ("ICM", model.icm)];
        let which: Vec<&str> = given.iter().filter(|(_, rating)| *rating == 0.0).map(|(letters, _)| *letters).collect();
        if !which.is_empty() {
            findings.push(Finding::RatingsUnknown { which });
        }
        findings
    }

    fn heat(&self, device: &Bjt, trial: &Trial) -> Vec<Finding> {
        let mut findings = Vec::new();
        let hot = match &trial.hot {
            Ok(hot) => hot,
            Err(why) => {
                let ambient_celsius = self.question.hottest_celsius;
                return vec![Finding::NoBiasHot { why: why.clone(), ambient_celsius }];
            }
        };
        let (rated, ambient_celsius) = (device.model.ptot, hot.ambient_celsius);
        if rated > 0.0 && hot.watts > RATING_REMARK * rated && trial.own.watts <= RATING_REMARK * rated {
            findings.push(Finding::Dissipation { watts: hot.watts, rated, when: When::Hot });
        }
        if hot.junction_celsius > HOT_CELSIUS[usize::from(!device.is_germanium())] {
            let (celsius, limit_celsius) = (hot.junction_celsius, limit_celsius(device));
            findings.push(Finding::HotJunction { celsius, ambient_celsius, limit_celsius });
        }
        if let Some(thermal_loop) = hot.thermal_loop.filter(|thermal_loop| *thermal_loop > LOOP_REMARK) {
            findings.push(Finding::Runaway { thermal_loop, ambient_celsius });
        }
        if let Ok(reference) = &self.reference.hot {
            let device = |finding: &Finding| match finding {
                Finding::Disabled { device, .. } => Some(device.clone()),
                _ => None,
            };
            let cold = self.disabled(&trial.devices, &self.reference.devices, false);
            let cold: Vec<_> = cold.iter().map(device).collect();
            let hot = self.disabled(&hot.devices, &reference.devices, true);
            findings.extend(hot.into_iter().filter(|finding| !cold.contains(&device(finding))));
        }
        findings
    }

    /// Against what the other channel's device reads on the same tester.
    fn match_with_twin(&self, readings: &Readings) -> Vec<Finding> {
        let Some((twin, of_twin)) = self.twin else { return Vec::new() };
        let pairs = [
            ("current gain", readings.gain, of_twin.gain, self.question.healthy_ratios[0]),
            ("leakage", readings.iceo_amps, of_twin.iceo_amps, self.question.healthy_ratios[1]),
        ];
        let apart = pairs.into_iter().filter_map(|(what, own, other, healthy_ratio)| {
            let ratio = own? / other?;
            let beyond = ratio.is_finite() && ratio > 0.0 && f64::max(ratio, 1.0 / ratio) > healthy_ratio;
            beyond.then(|| Finding::Mismatch { twin: twin.clone(), what, ratio, healthy_ratio })
        });
        apart.collect()
    }
}
