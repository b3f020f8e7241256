//! Spares and the pulled part, as other programs read them. Lists named after a unit run along `points`.

use serde::Serialize;

use super::Head;
use crate::bias::DeviceCurrents;
use crate::repair::spares::{Hot, Readings, Tester, Trial, Tried, Verdict, Weight};
use crate::report::spares::{Place, PulledResult, SparesResult, ends, polarity, words};

/// Of `spares`.
#[derive(Clone, Debug, Serialize)]
pub struct SparesForm<'a> {
    #[serde(flatten)]
    head: Head,
    title: &'a str,
    ambient_c: f64,
    hottest_c: f64,
    changes: &'a [String],
    place: PlaceForm<'a>,
    output: &'a str,
    band_hz: [f64; 2],
    tester: TesterForm,
    points: &'a [String],
    healthy: HealthyForm,
    original: TrialForm<'a>,
    twin: Option<TwinForm<'a>>,
    candidates: Vec<CandidateForm<'a>>,
}

#[derive(Clone, Debug, Serialize)]
struct PlaceForm<'a> {
    part: &'a str,
    kind: &'static str,
    germanium: bool,
    model: &'a str,
}

#[derive(Clone, Debug, Serialize)]
struct TesterForm {
    volts: f64,
    base_a: f64,
    drop_a: f64,
    room_c: f64,
}

#[derive(Clone, Debug, Serialize)]
struct HealthyForm {
    drawn: usize,
    solved: usize,
    dc_v: Vec<Option<[f64; 2]>>,
    rms_v: Option<[f64; 2]>,
    gain: Option<[f64; 2]>,
}

#[derive(Clone, Debug, Serialize)]
struct TwinForm<'a> {
    part: &'a str,
    readings: ReadingsForm,
}

/// What a tester reads; null where a junction is open, or the device finds no rest on it.
#[derive(Clone, Debug, Serialize)]
struct ReadingsForm {
    iceo_a: Option<f64>,
    hfe: Option<f64>,
    gain: Option<f64>,
    emitter_drop_v: Option<f64>,
    collector_drop_v: Option<f64>,
}

#[derive(Clone, Debug, Serialize)]
struct CandidateForm<'a> {
    spare: &'a str,
    individual: bool,
    kind: &'static str,
    model: &'a str,
    case: Option<&'a str>,
    pinout: Option<&'a str>,
    note: Option<&'a str>,
    verdict: Verdict,
    findings: Vec<FindingForm>,
    bf: f64,
    icbo_a: f64,
    readings: ReadingsForm,
    figures: Option<TrialForm<'a>>,
}

#[derive(Clone, Debug, Serialize)]
struct FindingForm {
    finding: &'static str,
    weight: Weight,
    words: String,
}

/// A device in the place; changes are against the original.
#[derive(Clone, Debug, Serialize)]
struct TrialForm<'a> {
    region: &'static str,
    ic_a: Option<f64>,
    vce_v: Option<f64>,
    power_w: f64,
    temperature_c: f64,
    cut_off_v: Option<f64>,
    rms_v: f64,
    hiss_db: Option<f64>,
    gain: Option<f64>,
    gain_db: Option<f64>,
    half_power_hz: [Option<f64>; 2],
    dc_v: Vec<f64>,
    shift_v: Vec<f64>,
    driven: Option<DrivenForm>,
    /// Sets drawn in which a transistor that should amplify does not, and all that were drawn.
    lost_units: [usize; 2],
    hot: Option<HotForm>,
    hot_failure: Option<&'a str>,
}

/// Up to the onset of clipping.
#[derive(Clone, Debug, Serialize)]
struct DrivenForm {
    peak_a: f64,
    peak_v: f64,
    power_w: f64,
}

#[derive(Clone, Debug, Serialize)]
struct HotForm {
    ambient_c: f64,
    junction_c: f64,
    power_w: f64,
    leakage_a: Option<f64>,
    rth: Option<f64>,
    rth_assumed: bool,
    thermal_loop: Option<f64>,
}

impl<'a> SparesForm<'a> {
    /// From its result.
    pub fn new(head: Head, result: &'a SparesResult) -> Self {
        let bands = &result.spares.bands;
        Self {
            head,
            title: &result.setting.title,
            ambient_c: result.setting.ambient_celsius,
            hottest_c: result.hottest_celsius,
            changes: &result.setting.changes,
            place: PlaceForm::of(&result.place),
            output: &result.output,
            band_hz: result.band_hz,
            tester: TesterForm::of(&result.tester),
            points: &result.points,
            healthy: HealthyForm {
                drawn: bands.units[0],
                solved: bands.units[1],
                dc_v: bands.dc_volts.iter().map(|band| ends(*band)).collect(),
                rms_v: ends(bands.hiss_volts),
                gain: ends(bands.gain),
            },
            original: TrialForm::of(&result.spares.original),
            twin: result
                .spares
                .twin
                .as_ref()
                .map(|(part, readings)| TwinForm { part, readings: ReadingsForm::of(readings) }),
            candidates: result.spares.tried.iter().map(CandidateForm::of).collect(),
        }
    }
}

impl<'a> PlaceForm<'a> {
    fn of(place: &'a Place) -> Self {
        let kind = if polarity(place.polarity) == "NPN" { "npn" } else { "pnp" };
        Self { part: &place.part, kind, germanium: place.germanium, model: &place.model }
    }
}

impl TesterForm {
    fn of(tester: &Tester) -> Self {
        Self { volts: tester.volts, base_a: tester.base_amps, drop_a: tester.drop_amps, room_c: tester.celsius }
    }
}

impl ReadingsForm {
    fn of(readings: &Readings) -> Self {
        Self {
            iceo_a: readings.iceo_amps,
            hfe: readings.hfe,
            gain: readings.gain,
            emitter_drop_v: readings.emitter_drop_volts,
            collector_drop_v: readings.collector_drop_volts,
        }
    }
}

impl<'a> CandidateForm<'a> {
    fn of(tried: &'a Tried) -> Self {
        let candidate = &tried.candidate;
        let findings = tried.findings.iter().map(|finding| FindingForm {
            finding: finding.name(),
            weight: finding.weight(),
            words: words(finding),
        });
        Self {
            spare: &candidate.name,
            individual: candidate.individual,
            kind: if polarity(candidate.polarity) == "NPN" { "npn" } else { "pnp" },
            model: &candidate.model_name,
            case: candidate.case.as_deref(),
            pinout: candidate.pinout.as_deref(),
            note: candidate.note.as_deref(),
            verdict: tried.verdict,
            findings: findings.collect(),
            bf: tried.device.model.bf,
            icbo_a: tried.device.model.icbo,
            readings: ReadingsForm::of(&tried.readings),
            figures: tried.trial.as_ref().map(TrialForm::of),
        }
    }
}

impl<'a> TrialForm<'a> {
    fn of(trial: &'a Trial) -> Self {
        let (ic_a, vce_v) = match trial.own.currents {
            DeviceCurrents::Bjt { ic_a, vce_v, .. } => (Some(ic_a), Some(vce_v)),
            DeviceCurrents::Diode { .. } | DeviceCurrents::Jfet { .. } => (None, None),
        };
        Self {
            region: trial.own.region.name(),
            ic_a,
            vce_v,
            power_w: trial.own.watts,
            temperature_c: trial.own.celsius,
            cut_off_v: trial.cut_off_volts,
            rms_v: trial.hiss_volts,
            hiss_db: trial.hiss_db,
            gain: trial.gain,
            gain_db: trial.gain_db,
            half_power_hz: trial.half_power_hz,
            dc_v: trial.points.iter().map(|point| point.volts).collect(),
            shift_v: trial.points.iter().map(|point| point.shift_volts).collect(),
            driven: trial.driven.map(|driven| DrivenForm {
                peak_a: driven.peak_amps,
                peak_v: driven.peak_volts,
                power_w: driven.watts,
            }),
            lost_units: trial.lost_units,
            hot: trial.hot.as_ref().ok().map(HotForm::of),
            hot_failure: trial.hot.as_ref().err().map(String::as_str),
        }
    }
}

impl HotForm {
    fn of(hot: &Hot) -> Self {
        Self {
            ambient_c: hot.ambient_celsius,
            junction_c: hot.junction_celsius,
            power_w: hot.watts,
            leakage_a: hot.leakage_amps,
            rth: hot.rth,
            rth_assumed: hot.rth_assumed,
            thermal_loop: hot.thermal_loop,
        }
    }
}

/// Of `spares --pulled`.
#[derive(Clone, Debug, Serialize)]
pub struct PulledForm<'a> {
    #[serde(flatten)]
    head: Head,
    title: &'a str,
    changes: &'a [String],
    place: PlaceForm<'a>,
    tester: TesterForm,
    nominal: ReadingsForm,
    /// Both ends of the middle nine tenths.
    good: GoodForm,
    guilty: Vec<GuiltyForm<'a>>,
}

#[derive(Clone, Debug, Serialize)]
struct GoodForm {
    iceo_a: Option<[f64; 2]>,
    hfe: Option<[f64; 2]>,
    gain: Option<[f64; 2]>,
    emitter_drop_v: Option<[f64; 2]>,
    collector_drop_v: Option<[f64; 2]>,
}

#[derive(Clone, Debug, Serialize)]
struct GuiltyForm<'a> {
    fault: &'a str,
    case: Option<&'static str>,
    readings: ReadingsForm,
    told_by: &'a [&'static str],
}

impl<'a> PulledForm<'a> {
    /// From its result.
    pub fn new(head: Head, result: &'a PulledResult) -> Self {
        let good = &result.pulled.good;
        let guilty = result.pulled.guilty.iter().map(|guilty| GuiltyForm {
            fault: &guilty.text,
            case: guilty.case.map(|case| case.name()),
            readings: ReadingsForm::of(&guilty.readings),
            told_by: &guilty.told_by,
        });
        Self {
            head,
            title: &result.setting.title,
            changes: &result.setting.changes,
            place: PlaceForm::of(&result.place),
            tester: TesterForm::of(&result.tester),
            nominal: ReadingsForm::of(&result.pulled.nominal),
            good: GoodForm {
                iceo_a: ends(good.iceo_amps),
                hfe: ends(good.hfe),
                gain: ends(good.gain),
                emitter_drop_v: ends(good.emitter_drop_volts),
                collector_drop_v: ends(good.collector_drop_volts),
            },
            guilty: guilty.collect(),
        }
    }
}
