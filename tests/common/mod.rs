//! The public path from netlist text to numbers, and a generator of random numbers that is the same everywhere.

// Every test file compiles this for itself and uses a part of it.
#![allow(dead_code)]

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use hissmap::bench::sheet::Sheet;
use hissmap::bias::{self, BiasPoint};
use hissmap::circuit::{Change, Circuit};
use hissmap::mna::NodeId;
use hissmap::netlist::{self, Fetched, IncludeRequest};
use hissmap::noise::{self, NoiseRequest, OutputNoise, Weighting};
use hissmap::response::response;
use hissmap::smallsignal::{SmallSignal, Stimulus};
use num_complex::Complex64;

/// Boltzmann constant, J/K, and elementary charge, C: exact in the SI of 2019. Written here again so that a slip in the
/// library shows.
pub const K: f64 = 1.380649e-23;
pub const Q: f64 = 1.602176634e-19;
/// 27 °C in kelvin.
pub const T27: f64 = 300.15;

/// A circuit with its bias point, linearised.
pub struct Bench {
    pub circuit: Circuit,
    pub bias: BiasPoint,
    pub signal: SmallSignal,
}

impl Bench {
    /// Reads `lines` under a title; errors of the netlist end the test.
    #[track_caller]
    pub fn of(lines: &str) -> Self {
        let (netlist, mut problems) = netlist::read("test", &format!("title\n{lines}\n"), &mut |request| {
            Err(format!("there is no file {}", request.path))
        });
        problems.retain(|problem| problem.is_error());
        assert!(problems.is_empty(), "{problems:?} in\n{lines}");
        match Circuit::build(Arc::new(netlist)) {
            Ok((circuit, _)) => Self::at(circuit),
            Err(problems) => panic!("{problems:?} in\n{lines}"),
        }
    }

    /// The same circuit with changes.
    #[track_caller]
    pub fn changed(&self, changes: &[Change]) -> Self {
        Self::at(self.circuit.changed(changes).unwrap_or_else(|problems| panic!("{problems:?}")))
    }

    #[track_caller]
    fn at(circuit: Circuit) -> Self {
        let bias = bias::solve(&circuit).unwrap_or_else(|error| panic!("{error} in {circuit:?}"));
        let signal = SmallSignal::linearise(&circuit, &bias);
        Self { circuit, bias, signal }
    }

    #[track_caller]
    pub fn node(&self, name: &str) -> NodeId {
        self.circuit.find_node(name).unwrap_or_else(|problem| panic!("{problem:?}"))
    }

    /// `out`, or `plus,minus`.
    #[track_caller]
    pub fn output(&self, name: &str) -> (NodeId, NodeId) {
        match name.split_once(',') {
            Some((plus, minus)) => (self.node(plus), self.node(minus)),
            None => (self.node(name), NodeId::GROUND),
        }
    }

    #[track_caller]
    pub fn volts(&self, output: &str) -> f64 {
        let (plus, minus) = self.output(output);
        self.bias.volts(plus) - self.bias.volts(minus)
    }

    /// V²/Hz.
    #[track_caller]
    pub fn density(&self, output: &str, hertz: f64) -> f64 {
        let outputs = [self.output(output)];
        noise::spectra(&self.circuit, &self.signal, &outputs, &[hertz]).unwrap_or_else(|error| panic!("{error}"))[0][0]
    }

    /// Densities at all nodes in netlist order, with the sources of `signal`.
    #[track_caller]
    pub fn all_densities(&self, signal: &SmallSignal, hertz: f64) -> Vec<f64> {
        let outputs: Vec<_> = self.circuit.nodes().map(|(node, _)| (node, NodeId::GROUND)).collect();
        let spectra = noise::spectra(&self.circuit, signal, &outputs, &[hertz]);
        spectra.unwrap_or_else(|error| panic!("{error}")).into_iter().map(|curve| curve[0]).collect()
    }

    #[track_caller]
    pub fn stimulus(&self, source: &str) -> Stimulus {
        let part = self.circuit.find_part(source).unwrap_or_else(|problem| panic!("{problem:?}"));
        Stimulus::of(&self.circuit, part).unwrap_or_else(|| panic!("{source} is no source"))
    }

    #[track_caller]
    pub fn gain(&self, source: &str, output: &str, hertz: f64) -> Complex64 {
        let outputs = [self.output(output)];
        let gains = response(&self.circuit, &self.signal, &self.stimulus(source), &outputs, &[hertz]);
        gains.unwrap_or_else(|error| panic!("{error}"))[0][0]
    }

    /// Volts at all unknowns (ground first) from one ampere into a node: a column of Z.
    #[track_caller]
    pub fn column(&self, node: NodeId, hertz: f64) -> Vec<Complex64> {
        let factored = self.signal.factor(&self.circuit, hertz).unwrap_or_else(|error| panic!("{error}"));
        let mut right = vec![Complex64::default(); self.signal.equations.unknowns + 1];
        right[node.index()] = Complex64::new(1.0, 0.0);
        factored.solve(&right).unwrap_or_else(|error| panic!("{error:?}"))
    }

    /// Impedance of a node to ground.
    #[track_caller]
    pub fn impedance(&self, node: NodeId, hertz: f64) -> Complex64 {
        self.column(node, hertz)[node.index()]
    }

    #[track_caller]
    pub fn hiss(&self, output: &str, band_hz: [f64; 2], weighting: Weighting) -> OutputNoise {
        let request = NoiseRequest {
            outputs: vec![self.output(output)],
            band_hz,
            weighting,
            tolerance: noise::DEFAULT_TOLERANCE,
        };
        let figures = noise::noise(&self.circuit, &self.signal, None, &request);
        figures.unwrap_or_else(|error| panic!("{error}")).outputs.remove(0)
    }

    /// Flat rms over a band, worked for a relative error far below the tests' tolerances.
    #[track_caller]
    pub fn rms(&self, output: &str, band_hz: [f64; 2]) -> f64 {
        let request =
            NoiseRequest { outputs: vec![self.output(output)], band_hz, weighting: Weighting::Flat, tolerance: 1e-12 };
        let figures = noise::noise(&self.circuit, &self.signal, None, &request);
        figures.unwrap_or_else(|error| panic!("{error}")).outputs[0].rms_volts
    }
}

/// Fails unless `actual` lies within `relative` of `expected`, which is not zero.
#[track_caller]
pub fn close(actual: f64, expected: f64, relative: f64, what: &str) {
    let error = (actual - expected).abs() / expected.abs();
    // NaN fails too.
    assert!(error <= relative, "{what}: {actual:e} is not {expected:e} (off by {error:e}, allowed {relative:e})");
}

/// Random numbers by Steele, Lea and Flood's SplitMix64 (OOPSLA 2014): the same on every machine.
pub struct Random(pub u64);

impl Random {
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between 0 and 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly between two values.
    pub fn even(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    /// Evenly on a logarithmic scale.
    pub fn log(&mut self, from: f64, to: f64) -> f64 {
        from * (to / from).powf(self.unit())
    }

    /// A whole number below `count`.
    pub fn below(&mut self, count: usize) -> usize {
        (self.unit() * count as f64) as usize
    }

    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len())]
    }

    /// Puts `items` in another order.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for at in (1..items.len()).rev() {
            let other = self.below(at + 1);
            items.swap(at, other);
        }
    }
}

/// A row of a published table, its cells by column.
pub struct Row(pub HashMap<String, String>);

impl Row {
    /// A cell.
    #[track_caller]
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    pub fn maybe(&self, column: &str) -> Option<f64> {
        self.text(column).parse().ok()
    }

    #[track_caller]
    pub fn number(&self, column: &str) -> f64 {
        self.maybe(column).unwrap_or_else(|| panic!("{column} of {:?} is no number", self.0))
    }

    /// Half a unit of the last digit that is written, as a fraction of the number.
    pub fn rounding(&self, column: &str) -> f64 {
        let text = self.text(column);
        let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
        let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| decimals.len());
        let unit = 10f64.powi(exponent.parse::<i32>().expect("an exponent") - decimals as i32);
        0.5 * unit / self.number(column).abs()
    }

    /// What a note quotes: "printed 1.27 uV (k = 1.381e-23)" is 1.27 of the unit `uV`, here in units of `unit`.
    pub fn printed(&self, column: &str, unit: &str) -> Option<f64> {
        let mut words = self.text(column).split("printed ").nth(1)?.split(' ');
        let value: f64 = words.next()?.parse().ok()?;
        let factor = match (words.next()?, unit) {
            (from, to) if from == to => 1.0,
            ("uV", "nV") => 1e3,
            other => panic!("unit {other:?}"),
        };
        Some(value * factor)
    }
}

/// A table of `tests/published/`; lines of notes are passed over.
pub fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/tests/published/{name}.csv", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(&path).expect("the table is there");
    let rows: Vec<Row> = reader.deserialize().map(|row| Row(row.expect("the table is sound"))).collect();
    assert!(!rows.is_empty(), "{name} is empty");
    rows
}

/// A sheet in a file.
pub fn sheet_file(path: &str) -> Sheet {
    sheet(path, &std::fs::read_to_string(path).expect("a readable sheet"))
}

/// A sheet in a text; what it names lies beside the file of that name.
pub fn sheet(name: &str, text: &str) -> Sheet {
    let read = Sheet::read(name, text, &mut |request: &IncludeRequest<'_>| {
        let path = Path::new(request.from).parent().expect("a folder").join(request.path);
        let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
        Ok(Fetched { name: path.display().to_string(), text })
    });
    read.unwrap_or_else(|unread| panic!("{name}: {:#?}", unread.messages)).0
}
