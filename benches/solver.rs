//! Time of the linear solver alone, on a system in the exchange format of `hissmap equations`.
//!
//! `HISSMAP_SYSTEM=system.txt cargo bench --bench solver` prints the median time per frequency of writing values,
//! factoring, one transposed solution and the density at the first observed unknown; then of the same with all observed
//! unknowns; each with a checksum, the mean of ln(density) over all (frequency, observed unknown) above 1e-36. So anyone
//! can compare with another library on the same matrices. Without the variable it takes the shipped replay amplifier.

use std::time::Instant;

use hissmap::mna::{LANES, LanePairs, LaneScratch, LaneSolver, LaneWork, SignalEquations, Unknown};

/// Runs over all frequencies whose median is taken, and the seconds after which fewer have to do.
const RUNS: usize = 41;
const SECONDS: f64 = 5.0;
const LEAST_DENSITY: f64 = 1e-36;

struct System {
    equations: SignalEquations,
    sources: LanePairs,
    hertz: Vec<f64>,
    observed: Vec<Unknown>,
}

fn main() {
    let text = match std::env::var("HISSMAP_SYSTEM") {
        Ok(path) => std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}")),
        Err(_) => shipped(),
    };
    let system = read(&text);
    let highest = system.hertz.iter().copied().fold(0.0, f64::max);
    let lowest = system.hertz.iter().copied().fold(f64::INFINITY, f64::min);
    let solver =
        LaneSolver::new(&system.equations, [lowest, (lowest * highest).sqrt(), highest]).expect("a pivot order");
    report("one node", &system, &solver, &system.observed[..1]);
    report("all nodes", &system, &solver, &system.observed);
}

fn report(name: &str, system: &System, solver: &LaneSolver, observed: &[Unknown]) {
    let mut times = Vec::with_capacity(RUNS);
    let mut checksum = 0.0;
    let mut memory = (LaneWork::default(), LaneScratch::default());
    while times.len() < RUNS && times.iter().sum::<f64>() < SECONDS {
        let start = Instant::now();
        checksum = sweep(system, solver, observed, &mut memory);
        times.push(start.elapsed().as_secs_f64());
    }
    times.sort_by(f64::total_cmp);
    let microseconds = 1e6 * times[times.len() / 2] / system.hertz.len() as f64;
    println!("{name}: {microseconds:.3} us per frequency, checksum {checksum:.12}");
}

/// Densities at all frequencies and observed unknowns; their checksum.
fn sweep(system: &System, solver: &LaneSolver, observed: &[Unknown], memory: &mut (LaneWork, LaneScratch)) -> f64 {
    let (mut sum, mut count) = (0.0, 0usize);
    for few in system.hertz.chunks(LANES) {
        let hertz: [f64; LANES] = std::array::from_fn(|at| few[at.min(few.len() - 1)]);
        let work = std::mem::take(&mut memory.0);
        let factored = solver.factor_in(work, hertz).expect("regular at every frequency");
        for &unknown in observed {
            let transfer = factored.adjoint_in(unknown, Unknown::GROUND, &mut memory.1).expect("an accurate solution");
            let densities = system.sources.totals(transfer, hertz.map(f64::recip));
            for density in densities[..few.len()].iter().filter(|density| **density > LEAST_DENSITY) {
                sum += density.ln();
                count += 1;
            }
        }
        memory.0 = factored.into_work();
    }
    sum / count.max(1) as f64
}

/// Reads the exchange format: sections headed by name and count, `#` begins a comment line.
fn read(text: &str) -> System {
    let mut tokens = text.lines().filter(|line| !line.trim_start().starts_with('#')).flat_map(str::split_whitespace);
    let mut section = |name: &str, columns: usize| -> (usize, Vec<Vec<f64>>) {
        assert_eq!(tokens.next(), Some(name), "the section {name} is missing");
        let mut number = || tokens.next().and_then(|token| token.parse::<f64>().ok()).expect("a number");
        let count = number() as usize;
        let rows = if columns == 0 { 0 } else { count };
        (count, (0..rows).map(|_| (0..columns).map(|_| number()).collect()).collect())
    };
    let unknown = |number: f64| Unknown((number as i64 + 1) as u32);
    let (n, _) = section("n", 0);
    let mut equations = SignalEquations::new(n);
    for row in section("triplets", 4).1 {
        equations.add(unknown(row[0]), unknown(row[1]), row[2], row[3]);
    }
    equations.settle();
    let sources = section("sources", 4).1;
    let sources = LanePairs::new(sources.iter().map(|row| (unknown(row[0]), unknown(row[1]), row[2], row[3])));
    let hertz = section("freqs", 1).1.into_iter().flatten().collect();
    let observed = section("observe", 1).1.into_iter().flatten().map(unknown).collect();
    System { equations, sources, hertz, observed }
}

/// The equations of the shipped replay amplifier at 64 frequencies of the audio band.
fn shipped() -> String {
    use hissmap::netlist::Fetched;
    let path = std::path::Path::new("circuits/replay-amplifier.cir");
    let text = std::fs::read_to_string(path).expect("the shipped circuit");
    let (netlist, _) = hissmap::netlist::read("replay-amplifier.cir", &text, &mut |request| {
        let text = std::fs::read_to_string(path.with_file_name(request.path)).map_err(|error| error.to_string())?;
        Ok(Fetched { name: request.path.to_owned(), text })
    });
    let (circuit, _) = hissmap::circuit::Circuit::build(std::sync::Arc::new(netlist)).expect("a sound netlist");
    let hertz: Vec<f64> = (0..64).map(|step| 20.0 * 1000f64.powf(f64::from(step) / 63.0)).collect();
    hissmap::report::equations(&circuit, &[], &[], &hertz).expect("equations").text
}
