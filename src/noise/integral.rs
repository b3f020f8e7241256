//! Adaptive integral over a band, of many functions at once, on the logarithm of frequency, with its own error estimate.
//!
//! Panels of ln f are integrated by the 15-point Kronrod rule; the difference to the 7-point Gauss rule it contains is
//! the panel's error estimate, which bounds that of the far better Kronrod value. Panels that carry too much of the
//! error are halved until every watched function meets its tolerance.
//!
//! Two rules that both look beside a narrow resonance agree, and would call the figure exact. So each sample brings a
//! guide that shows every resonance, whether it stands out at an output or not: the logarithm of the determinant of the
//! equations, which is Σ ln|jω − p| over the natural frequencies p and dips wherever one lies near the axis. Densities
//! have no other singularities. A panel in which the two rules disagree about the guide is halved.
//! Kronrod, Nodes and Weights of Quadrature Formulas, 1965; Piessens et al., Quadpack, Springer 1983.

use rayon::prelude::*;

/// Positive abscissas of the 15-point Kronrod rule on (-1, 1), outermost first; the odd ones are Gauss points.
pub(crate) const ABSCISSAS: [f64; 8] = [
    0.9914553711208126,
    0.9491079123427585,
    0.8648644233597691,
    0.7415311855993945,
    0.5860872354676911,
    0.4058451513773972,
    0.20778495500789848,
    0.0,
];
pub(crate) const KRONROD: [f64; 8] = [
    0.022935322010529224,
    0.06309209262997856,
    0.10479001032225019,
    0.14065325971552592,
    0.1690047266392679,
    0.19035057806478542,
    0.20443294007529889,
    0.20948214108472782,
];
pub(crate) const GAUSS: [f64; 4] = [0.1294849661688697, 0.27970539148927664, 0.3818300505051189, 0.4179591836734694];

/// Widest panel to begin with, in e-folds of frequency: a decade.
pub(crate) const WIDEST: f64 = std::f64::consts::LN_10;
/// Narrowest panel that is still halved: beyond it rounding, not the rule, is in charge.
pub(crate) const NARROWEST: f64 = 1e-9;
/// Rounds of halving at most.
pub(crate) const ROUNDS: usize = 40;
/// Difference of the two rules about the mean of the guide over a panel, in nepers, beyond which the panel is halved.
/// Over a decade a real natural frequency makes 2e-8 at most, so that fifty in one place cost nothing; a pair of quality
/// 1 makes up to 3e-4, one of quality 100 up to 0.4.
pub(crate) const GUIDE_TOLERANCE: f64 = 1e-6;
/// Panels at most.
pub(crate) const MOST_PANELS: usize = 400;

/// What the integral asks for.
pub(super) struct Request<'a> {
    /// Ends of the band, Hz, ascending, above zero.
    pub band_hz: [f64; 2],
    /// Which functions must meet the tolerance.
    pub watched: &'a [usize],
    /// Relative tolerance of each watched function.
    pub tolerance: f64,
}

/// What is known at a panel's frequencies.
pub(super) struct Batch {
    /// One value a function: the sum over the frequencies, each times its weight.
    pub sums: Vec<f64>,
    /// Each watched function at each frequency, without the weights.
    pub watched: Vec<Vec<f64>>,
    /// ln|determinant of the equations| at each frequency.
    pub guides: Vec<f64>,
}

/// Integrals over the band and the estimates of their errors.
pub(super) struct Integral {
    /// One value a function.
    pub values: Vec<f64>,
    /// Error estimate of each watched function, in the order of the request.
    pub errors: Vec<f64>,
    /// Frequencies computed.
    pub points: usize,
}

struct Panel {
    from: f64,
    to: f64,
    values: Vec<f64>,
    errors: Vec<f64>,
    /// Difference of the two rules about the guide's mean.
    guide_error: f64,
}

/// Integrates `functions`, which gives a batch for frequencies in hertz and their weights, over the band by frequency.
///
/// # Errors
/// The first one that `functions` gives, in order of frequency.
pub(super) fn integrate<E: Send>(
    request: &Request,
    functions: impl Fn(&[f64], &[f64]) -> Result<Batch, E> + Sync,
) -> Result<Integral, E> {
    let mut panels = compute(&first_panels(request), request.watched, &functions)?;
    let mut computed = panels.len();
    for _ in 0..ROUNDS {
        let excess = panels_to_halve(&panels, request);
        if excess.is_empty() || computed + 2 * excess.len() > MOST_PANELS {
            break;
        }
        let mut halves = Vec::new();
        let mut kept = Vec::new();
        for (at, panel) in panels.into_iter().enumerate() {
            if excess.binary_search(&at).is_ok() {
                let middle = 0.5 * (panel.from + panel.to);
                halves.extend([(panel.from, middle), (middle, panel.to)]);
            } else {
                kept.push(panel);
            }
        }
        computed += halves.len();
        kept.extend(compute(&halves, request.watched, &functions)?);
        kept.sort_by(|a, b| a.from.total_cmp(&b.from));
        panels = kept;
    }
    let (values, mut errors) = totals(&panels);
    // A panel that may still hide a resonance vouches for nothing.
    for panel in panels.iter().filter(|panel| hides(panel)) {
        errors.iter_mut().zip(request.watched).for_each(|(error, &function)| *error += panel.values[function].abs());
    }
    Ok(Integral { values, errors, points: computed * 15 })
}

fn first_panels(request: &Request) -> Vec<(f64, f64)> {
    let [from, to] = request.band_hz.map(f64::ln);
    let pieces = ((to - from) / WIDEST).ceil().max(1.0) as usize;
    let width = (to - from) / pieces as f64;
    let end = |piece: usize| if piece == pieces { to } else { from + width * piece as f64 };
    (0..pieces).map(|piece| (end(piece), end(piece + 1))).collect()
}

fn compute<E: Send>(
    spans: &[(f64, f64)],
    watched: &[usize],
    functions: &(impl Fn(&[f64], &[f64]) -> Result<Batch, E> + Sync),
) -> Result<Vec<Panel>, E> {
    // Collected in order, so that neither values nor the first error depend on the number of threads.
    spans.par_iter().map(|&(from, to)| panel(from, to, watched, functions)).collect::<Vec<_>>().into_iter().collect()
}

/// Points of the Kronrod rule.
pub(crate) const POINTS: usize = 15;

fn panel<E>(
    from: f64,
    to: f64,
    watched: &[usize],
    functions: &impl Fn(&[f64], &[f64]) -> Result<Batch, E>,
) -> Result<Panel, E> {
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    let at = |position: usize| position.min(POINTS - 1 - position);
    let offset = |position: usize| if position < 8 { -ABSCISSAS[at(position)] } else { ABSCISSAS[at(position)] };
    let hertz: [f64; POINTS] = std::array::from_fn(|position| (middle + half * offset(position)).exp());
    // df = f · d(ln f)
    let weights: [f64; POINTS] = std::array::from_fn(|position| half * hertz[position] * KRONROD[at(position)]);
    let batch = functions(&hertz, &weights)?;
    // The odd points are those of the Gauss rule.
    let gauss = || (1..POINTS).step_by(2).map(|position| (position, GAUSS[at(position) / 2]));
    let errors = watched.iter().zip(&batch.watched).map(|(&function, values)| {
        let kronrod = batch.sums[function];
        let gauss: f64 = gauss().map(|(position, weight)| half * hertz[position] * weight * values[position]).sum();
        // Rounding of fifteen terms is added, so that a smooth function does not claim to be exact.
        (kronrod - gauss).abs() + 4.0 * f64::EPSILON * kronrod.abs()
    });
    let errors = errors.collect();
    // Half the sums of the weights, so that the error is that of a mean.
    let kronrod: f64 =
        batch.guides.iter().enumerate().map(|(position, guide)| 0.5 * KRONROD[at(position)] * guide).sum();
    let gauss: f64 = gauss().map(|(position, weight)| 0.5 * weight * batch.guides[position]).sum();
    Ok(Panel { from, to, errors, values: batch.sums, guide_error: (kronrod - gauss).abs() })
}

fn totals(panels: &[Panel]) -> (Vec<f64>, Vec<f64>) {
    let sum = |of: fn(&Panel) -> &[f64]| {
        let mut total = vec![0.0; panels.first().map_or(0, |panel| of(panel).len())];
        for panel in panels {
            total.iter_mut().zip(of(panel)).for_each(|(sum, value)| *sum += value);
        }
        total
    };
    (sum(|panel| &panel.values), sum(|panel| &panel.errors))
}

/// Whether a resonance may hide between the panel's samples.
fn hides(panel: &Panel) -> bool {
    panel.guide_error.is_nan() || panel.guide_error > GUIDE_TOLERANCE
}

/// Positions of the panels that may hide a resonance, or carry more than their share of the error of a function over
/// tolerance, ascending.
fn panels_to_halve(panels: &[Panel], request: &Request) -> Vec<usize> {
    let (values, errors) = totals(panels);
    let allowed: Vec<f64> =
        request.watched.iter().map(|&function| request.tolerance * values[function].abs()).collect();
    let over: Vec<usize> = (0..allowed.len()).filter(|&at| errors[at] > allowed[at]).collect();
    let share = 1.0 / panels.len() as f64;
    (0..panels.len())
        .filter(|&at| {
            let panel = &panels[at];
            panel.to - panel.from > NARROWEST
                && (hides(panel)
                    || over.iter().any(|&function| panel.errors[function] > 0.5 * share * allowed[function]))
        })
        .collect()
}
