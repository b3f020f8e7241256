//! Three habits of the bench, on the same units with the same instruments: common practice, no source.

use hissmap::bench::reading::{How, Measure, Reading as Test};
use hissmap::bench::sheet::Sheet;
use hissmap::noise::Weighting;
use hissmap::operating::Operating;

use super::amplifiers::Amplifier;
use super::bench::Bench;

/// Hiss has appeared where it stands so many dB over that of a healthy unit. It is traced with the hiss meter: a scope shows
/// nothing at these levels before the last stage.
const APPEARED_DB: f64 = 5.0;

/// What a habit came to.
#[derive(Clone, Copy, Debug, Default)]
pub struct Came {
    pub right: bool,
    pub cost: f64,
}

pub const NAMES: [&str; 3] = ["tracing front to back", "half-split", "freezing all"];

/// What the meter shows of a healthy unit at every stage's output, V.
pub fn healthy(amplifier: &Amplifier) -> Vec<f64> {
    let sheet = &amplifier.sheet;
    let operating = Operating::of(&sheet.circuit).expect("the healthy circuit has a bias");
    let points: Vec<_> =
        amplifier.stages.iter().map(|(_, node)| sheet.find_point(node).expect("a node of the circuit")).collect();
    let meter = &sheet.instruments.meter;
    let rms = meter.hiss(&sheet.circuit, &operating, &points, (sheet.band_hz, Weighting::Flat), 1e-4);
    rms.expect("a solution").into_iter().map(|rms| meter.shows(rms)).collect()
}

/// What each habit comes to on a unit whose fault is in `guilty`.
pub fn all(amplifier: &Amplifier, healthy: &[f64], bench: &Bench<'_>, guilty: &str) -> [Came; 3] {
    let (sheet, stages) = (&amplifier.sheet, amplifier.stages);
    let costs = &sheet.costs;
    let appears = |bench: &mut Bench<'_>, stage: usize| {
        let shown = bench.number(&Test::test(Measure::Hiss, Some(stages[stage].1)));
        shown.is_some_and(|volts| volts > healthy[stage] * 10f64.powf(APPEARED_DB / 20.0))
    };
    // Front to back: the first stage at whose output it appears; the last where it appears nowhere before the output.
    let mut front = bench.clone();
    let mut looked = 0;
    let first = (0..stages.len()).find(|&stage| {
        looked += 1;
        appears(&mut front, stage)
    });
    let tracing = replace_on(sheet, stages, onwards(first.unwrap_or(stages.len() - 1), stages.len()), guilty);
    let tracing = Came { cost: tracing.cost + f64::from(looked) * costs.hiss, ..tracing };
    // Half-split: as before, but each look halves the stages that are left.
    let mut split = bench.clone();
    let (mut low, mut high, mut looked) = (0, stages.len() - 1, 0);
    while low < high {
        let middle = (low + high) / 2;
        looked += 1;
        if appears(&mut split, middle) { high = middle } else { low = middle + 1 }
    }
    let halved = replace_on(sheet, stages, onwards(low, stages.len()), guilty);
    let halved = Came { cost: halved.cost + f64::from(looked) * costs.hiss, ..halved };
    // Freezing: every transistor, then in the order of the change.
    let mut cold = bench.clone();
    let moved: Vec<f64> =
        stages.iter().map(|(part, _)| cold.number(&Test::change(How::Freeze, part)).map_or(0.0, f64::abs)).collect();
    let mut order: Vec<usize> = (0..stages.len()).collect();
    order.sort_by(|&a, &b| moved[b].total_cmp(&moved[a]));
    let frozen = replace_on(sheet, stages, order, guilty);
    let frozen = Came { cost: frozen.cost + stages.len() as f64 * costs.freeze, ..frozen };
    [tracing, halved, frozen]
}

/// A stage, then those beside it, the later one first.
fn onwards(first: usize, count: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by_key(|&stage| (stage.abs_diff(first), stage < first));
    order
}

/// Replaces transistors in an order; after the last one the rest is searched openly.
fn replace_on(sheet: &Sheet, stages: &[(&str, &str)], order: Vec<usize>, guilty: &str) -> Came {
    let wrong = order.iter().take_while(|&&stage| stages[stage].0 != guilty).count();
    let search = if wrong == order.len() { sheet.costs.open_search } else { 0.0 };
    Came { right: wrong == 0, cost: wrong as f64 * sheet.costs.wrong_part + search }
}
