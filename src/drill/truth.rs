//! What was wrong, and why the hiss appeared where it did: the unit beside the same unit without its fault.
//!
//! At each point, by the nonlinear bias and the adjoint network, the tolerances of this unit in both, no instrument there:
//!
//! ```text
//! rms            ∫ Σ |z_a − z_b|²·S df over all sources, with and without the fault             V²
//! of the part    the same sum over the sources of the bad part and of what its fault put in     fraction
//! transfer       |z_a − z_b| at 1 kHz of the part's strongest source: volts there per ampere    Ω
//! ```

use super::hidden::{Hidden, TOLERANCE, ends_at, first_risen, hiss};
use crate::bench::sheet::Sheet;
use crate::bench::touch::Touch;
use crate::bench::{Fault, Point};
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::{Element, Mechanism, PartId, Pin};
use crate::mna::NodeId;
use crate::noise::{NoiseRequest, OutputNoise, Weighting, noise};
use crate::operating::Operating;
use crate::response::response;
use crate::smallsignal::Stimulus;

/// Where transfers and gains are given, Hz.
const AT_HERTZ: f64 = 1e3;

/// The truth about a unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// What was wrong.
    pub fault: Fault,
    /// The points, in signal order.
    pub points: Vec<TruthPoint>,
    /// Which of them is where the complaint is heard.
    pub output: usize,
    /// The first of them where the meter shows the hiss 3 dB up.
    pub first: Option<usize>,
    /// The device whose output that is, if it is a good one: tracing ends there.
    pub misled_to: Option<String>,
    /// The source of the bad part that counts most at the output; `None` for a part that makes no hiss of its own.
    pub strongest: Option<Strongest>,
    /// The source of another part whose hiss at the output rose most, if any rose.
    pub raised: Option<Raised>,
    /// Gain from the input to the output at 1 kHz without the fault and with it, dB; `None` without an input.
    pub gain_db: Option<[f64; 2]>,
    /// What freezing does: the bad part, if it is a device, and the good one that tracing ends at.
    pub frozen: Vec<Frozen>,
}

/// One point with and without the fault.
#[derive(Clone, Debug, PartialEq)]
pub struct TruthPoint {
    /// What it is called.
    pub name: String,
    /// Hiss without and with the fault, V rms.
    pub rms_volts: [f64; 2],
    /// Fraction of the mean square, with the fault, that the bad part makes.
    pub own_share: f64,
    /// Volts there per ampere of the part's strongest source, Ω, at 1 kHz.
    pub transfer_ohms: Option<f64>,
    /// DC without and with the fault, V.
    pub dc_volts: [f64; 2],
}

/// The strongest noise source of the bad part.
#[derive(Clone, Debug, PartialEq)]
pub struct Strongest {
    /// What causes it.
    pub mechanism: Mechanism,
    /// The pins and nodes between which its current flows.
    pub between: [(String, String); 2],
}

/// A source of a good part that is heard more than before.
#[derive(Clone, Debug, PartialEq)]
pub struct Raised {
    /// Whose.
    pub part: String,
    /// What it makes at the output without the fault and with it, V rms.
    pub rms_volts: [f64; 2],
    /// Its fraction of the mean square at the output, with the fault.
    pub share: f64,
}

/// What freezing a device does at the output.
#[derive(Clone, Debug, PartialEq)]
pub struct Frozen {
    /// Which device.
    pub part: String,
    /// Change of the hiss, dB.
    pub change_db: f64,
    /// Change of the gain from the input, dB.
    pub gain_db: Option<f64>,
}

/// A circuit with all that is asked about it.
struct Solved<'c> {
    circuit: &'c Circuit,
    operating: Operating,
    figures: Vec<OutputNoise>,
}

impl Truth {
    pub(super) fn of(sheet: &Sheet, hidden: &Hidden<'_>) -> Result<Self, Diagnostic> {
        let Some(output) = &sheet.output else {
            return Err(Diagnostic::error(Code::MissingInput, "the sheet does not say where the complaint is heard"));
        };
        let healthy_circuit = hidden.unit.healthy_circuit().map_err(super::head)?;
        let faulty_circuit = hidden.unit.circuit();
        let culprit = sheet.circuit.find_part(&hidden.fault.part)?;
        let points = points(sheet, output, &sheet.circuit.part(culprit).element);
        let healthy = Solved::of(sheet, &healthy_circuit, &points)?;
        let faulty = Solved::of(sheet, faulty_circuit, &points)?;
        let place = points.iter().position(|point| point == output).unwrap_or_default();
        let own = own_parts(&healthy_circuit, faulty_circuit, &hidden.fault.part);
        let strongest = faulty.strongest(place, &own);
        let transfers = match strongest {
            Some((part, mechanism)) => faulty.transfers(&points, part, mechanism)?,
            None => vec![None; points.len()],
        };
        let shown = [&healthy_circuit, faulty_circuit].map(|circuit| hiss(sheet, circuit, &points));
        let [before, after] = shown;
        let first = first_risen(&before?, &after?);
        let misled_to = first.and_then(|first| ends_at(&sheet.circuit, &points[first], &hidden.fault.part));
        let gain = |solved: &Solved<'_>| solved.gain_db(sheet, output);
        let touched = [Some(hidden.fault.part.clone()), misled_to.clone()];
        let frozen = touched.into_iter().flatten().filter_map(|part| faulty.frozen(sheet, output, &part)).collect();
        let of_point = |(at, point): (usize, &Point)| TruthPoint {
            name: sheet.point_name(point),
            rms_volts: [healthy.figures[at].rms_volts, faulty.figures[at].rms_volts],
            own_share: faulty.share(at, &own),
            transfer_ohms: transfers[at],
            dc_volts: [&healthy, &faulty].map(|solved| solved.dc(point)),
        };
        Ok(Self {
            fault: hidden.fault.clone(),
            output: place,
            first,
            misled_to,
            strongest: strongest.and_then(|(part, mechanism)| described(faulty_circuit, part, mechanism)),
            raised: raised(&healthy, &faulty, place, &own),
            gain_db: gain(&healthy).zip(gain(&faulty)).map(|(before, after)| [before, after]),
            frozen,
            points: points.iter().enumerate().map(of_point).collect(),
        })
    }
}

/// The sheet's points, else every node; those of the bad part in any case, and the output.
fn points(sheet: &Sheet, output: &Point, culprit: &Element) -> Vec<Point> {
    let held = sheet.circuit.held_groups();
    let is_fixed = |point: &Point| held[point.plus.index()] == held[point.minus.index()];
    let all = Point::all(&sheet.circuit, sheet.input).into_iter().filter(|point| !is_fixed(point));
    let mut kept: Vec<Point> = match sheet.points.is_empty() {
        true => all.collect(),
        false => {
            let at_culprit = all.filter(|point| culprit.nodes().contains(&point.plus));
            sheet.points.iter().map(|named| named.point.clone()).chain(at_culprit).collect()
        }
    };
    kept.push(output.clone());
    Point::in_signal_order(&sheet.circuit, sheet.input, &kept)
}

/// The bad part, and what its fault put in.
fn own_parts(healthy: &Circuit, faulty: &Circuit, part: &str) -> Vec<PartId> {
    let own = faulty.parts().filter(|(_, known)| known.name == part || healthy.find_part(&known.name).is_err());
    own.map(|(id, _)| id).collect()
}

impl<'c> Solved<'c> {
    fn of(sheet: &Sheet, circuit: &'c Circuit, points: &[Point]) -> Result<Self, Diagnostic> {
        let operating = Operating::of(circuit).map_err(|error| error.diagnostic())?;
        let request = NoiseRequest {
            outputs: points.iter().map(|point| (point.plus, point.minus)).collect(),
            band_hz: sheet.band_hz,
            weighting: Weighting::Flat,
            tolerance: TOLERANCE,
        };
        let figures = noise(circuit, &operating.signal, None, &request).map_err(|error| error.diagnostic())?;
        Ok(Self { circuit, operating, figures: figures.outputs })
    }

    fn dc(&self, point: &Point) -> f64 {
        self.operating.bias.volts(point.plus) - self.operating.bias.volts(point.minus)
    }

    fn share(&self, at: usize, own: &[PartId]) -> f64 {
        let devices = self.figures[at].devices.iter().filter(|device| own.contains(&device.part));
        devices.map(|device| device.share).sum()
    }

    fn strongest(&self, at: usize, own: &[PartId]) -> Option<(PartId, Mechanism)> {
        let own = self.figures[at].devices.iter().filter(|device| own.contains(&device.part));
        let each = own.flat_map(|device| device.mechanisms.iter().map(|one| (device.part, one)));
        let most = each.max_by(|(_, a), (_, b)| a.share.total_cmp(&b.share))?;
        Some((most.0, most.1.mechanism))
    }

    fn transfers(&self, points: &[Point], part: PartId, mechanism: Mechanism) -> Result<Vec<Option<f64>>, Diagnostic> {
        let signal = &self.operating.signal;
        let known = signal.sources.iter().find(|source| (source.part, source.mechanism) == (part, mechanism));
        let Some(source) = known else { return Ok(vec![None; points.len()]) };
        let unsolved = |error: crate::bias::SolveError| error.diagnostic();
        let factored = signal.factor(self.circuit, AT_HERTZ).map_err(unsolved)?;
        let stimulus = Stimulus::current(source.from, source.to);
        let volts = signal.forward(self.circuit, &factored, &stimulus, AT_HERTZ).map_err(unsolved)?;
        let at = |point: &Point| Some((volts[point.plus.index()] - volts[point.minus.index()]).norm());
        Ok(points.iter().map(at).collect())
    }

    fn gain_db(&self, sheet: &Sheet, output: &Point) -> Option<f64> {
        gain_db(sheet, self.circuit, &self.operating, output)
    }

    /// What freezing a device does to hiss and gain at the output.
    fn frozen(&self, sheet: &Sheet, output: &Point, part: &str) -> Option<Frozen> {
        let id = self.circuit.find_part(part).ok()?;
        if !matches!(self.circuit.part(id).element, Element::Bjt(_) | Element::Jfet(_) | Element::Diode(_)) {
            return None;
        }
        let middle = |[low, high]: [f64; 2]| 0.5 * (low + high);
        let touch = Touch {
            part: id,
            celsius: sheet.surroundings.temperatures.freeze_celsius,
            near: sheet.near(id),
            spill: middle(sheet.tolerances.spill),
            leak_exponent: middle(sheet.tolerances.leak_exponent),
        };
        let cold = self.circuit.adjusted(&touch.adjustments(self.circuit, &self.operating.bias)).ok()?;
        let operating = Operating::of(&cold).ok()?;
        let hiss = |circuit: &Circuit, operating: &Operating| {
            let meter = &sheet.instruments.meter;
            let at = std::slice::from_ref(output);
            let rms = meter.hiss(circuit, operating, at, (sheet.band_hz, Weighting::Flat), TOLERANCE).ok()?;
            rms.first().map(|rms| meter.shows(*rms))
        };
        let (before, after) = (hiss(self.circuit, &self.operating)?, hiss(&cold, &operating)?);
        let gains = self.gain_db(sheet, output).zip(gain_db(sheet, &cold, &operating, output));
        Some(Frozen {
            part: part.to_owned(),
            change_db: 20.0 * (after / before).log10(),
            gain_db: gains.map(|(before, after)| after - before),
        })
    }
}

fn gain_db(sheet: &Sheet, circuit: &Circuit, operating: &Operating, output: &Point) -> Option<f64> {
    let stimulus = Stimulus::of(circuit, sheet.input?)?;
    let outputs = [(output.plus, output.minus)];
    let gains = response(circuit, &operating.signal, &stimulus, &outputs, &[AT_HERTZ]).ok()?;
    Some(20.0 * gains.first()?.first()?.norm().log10()).filter(|db| db.is_finite())
}

/// Of good parts, the one whose hiss at the output rose by the largest mean square.
fn raised(healthy: &Solved<'_>, faulty: &Solved<'_>, at: usize, own: &[PartId]) -> Option<Raised> {
    let before = |name: &str| {
        let devices = &healthy.figures[at].devices;
        let same = devices.iter().find(|device| healthy.circuit.part(device.part).name == name);
        same.map_or(0.0, |device| device.rms_volts)
    };
    let others = faulty.figures[at].devices.iter().filter(|device| !own.contains(&device.part));
    let each = others.map(|device| {
        let part = faulty.circuit.part(device.part).name.clone();
        let rms_volts = [before(&part), device.rms_volts];
        Raised { part, rms_volts, share: device.share }
    });
    let rise = |raised: &Raised| raised.rms_volts[1].powi(2) - raised.rms_volts[0].powi(2);
    each.max_by(|a, b| rise(a).total_cmp(&rise(b))).filter(|raised| rise(raised) > 0.0)
}

/// The pins between which a source's current flows, by the table of sources in the documentation of each element.
fn described(circuit: &Circuit, part: PartId, mechanism: Mechanism) -> Option<Strongest> {
    let known = circuit.part(part);
    let pins = match (&known.element, mechanism) {
        (Element::Bjt(_), Mechanism::Leakage | Mechanism::ReverseBaseShot) => [Pin::Collector, Pin::Base],
        (Element::Bjt(_), Mechanism::CollectorShot) => [Pin::Collector, Pin::Emitter],
        (Element::Bjt(_), Mechanism::Flicker | Mechanism::BaseShot) => [Pin::Base, Pin::Emitter],
        (Element::Jfet(_), Mechanism::JunctionShot) => [Pin::Gate, Pin::Source],
        (Element::Jfet(_), _) => [Pin::Drain, Pin::Source],
        (Element::Diode(_), _) => [Pin::Anode, Pin::Cathode],
        (Element::Resistor(_), _) => [Pin::First, Pin::Second],
        _ => return None,
    };
    let node = |pin: Pin| {
        let node: NodeId = known.element.pin_node(pin)?;
        Some((pin.name().to_owned(), circuit.node_name(node).to_owned()))
    };
    Some(Strongest { mechanism, between: [node(pins[0])?, node(pins[1])?] })
}
