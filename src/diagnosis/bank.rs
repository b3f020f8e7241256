//! The bank: what every test would read under every fault, as plain data that knows nothing of circuits.
//!
//! A component is one fault at one severity: a Gaussian over *all* tests jointly, in coordinates in which a reading errs by
//! N(0,1) (`coordinates.rs`). Its covariance Σ = J·D·Jᵀ comes from the tolerances that all readings of one unit share. It is
//! kept as its lower triangle, row by row, one block a component.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};
use thiserror::Error;

use super::coordinates::Scale;
use super::cost::Costs;
use super::other::{self, OtherSettings};

/// A part, by its place in [`Bank::parts`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct PartIndex(pub usize);

/// A hypothesis, by its place in [`Bank::hypotheses`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct HypothesisIndex(pub usize);

/// A test, by its place in [`Bank::tests`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TestIndex(pub usize);

/// One kind of fault of one part.
#[derive(Clone, Debug, PartialEq)]
pub struct Hypothesis {
    /// The part at fault; `None` for a fault that is not listed.
    pub part: Option<PartIndex>,
    /// What is wrong with it, as in `junction_leak`.
    pub kind: String,
    /// How often, in proportion to the others.
    pub weight: f64,
    /// Whether it moves DC volts at all.
    pub moves_dc: bool,
}

/// Something that can be read on the bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Test {
    /// How the caller calls it.
    pub label: String,
    /// Its coordinate.
    pub scale: Scale,
    /// What it costs, bench units.
    pub cost: f64,
    /// Whether something is unsoldered for it.
    pub unsolders: bool,
    /// Whether it is cheap enough to verify a verdict with.
    pub verifies: bool,
    /// Tests of one group tell much the same; only one of them is proposed at a time.
    pub group: usize,
    /// Parts whose replacement makes an earlier reading of it void.
    pub touched_by: Vec<PartIndex>,
}

/// A fault at one severity.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// Whose severity point it is.
    pub hypothesis: HypothesisIndex,
    /// Severity in the unit of the hypothesis; `None` where it has none.
    pub severity: Option<f64>,
    /// Share of this point in its hypothesis, 1/S for one of S points. Points that are left out keep their share to
    /// themselves: the hypothesis weighs that much less.
    pub share: f64,
    /// Mean of every test, in coordinates.
    pub mean: Vec<f64>,
}

/// Why a bank cannot be made.
#[derive(Clone, Debug, PartialEq, Error)]
#[non_exhaustive]
pub enum BankError {
    /// A mean or a covariance has not one entry a test.
    #[error("component {component} has {found} entries for {tests} tests")]
    Shape {
        /// In the order of adding.
        component: usize,
        /// Entries found.
        found: usize,
        /// Tests of the bank.
        tests: usize,
    },
    /// A number is not finite, or a weight negative, or a severity not above zero.
    #[error("component {component} holds a number that is not usable")]
    Number {
        /// In the order of adding.
        component: usize,
    },
    /// A part or hypothesis is named that the bank does not have.
    #[error("component {component} belongs to a part or hypothesis that does not exist")]
    Stranger {
        /// In the order of adding.
        component: usize,
    },
    /// No component carries any weight: nothing listed can cause the complaint.
    #[error("no listed fault can cause this complaint")]
    Empty,
}

/// Collects components; order of adding does not matter beyond ties of severity.
#[derive(Clone, Debug)]
pub struct BankBuilder {
    parts: Vec<String>,
    hypotheses: Vec<Hypothesis>,
    tests: Vec<Test>,
    components: Vec<(Component, Vec<f64>)>,
    fault: Option<BankError>,
}

/// All that diagnosis knows about a kind of amplifier, ready for readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Bank {
    /// Names of the parts.
    pub parts: Vec<String>,
    /// Faults; the last is the unlisted one.
    pub hypotheses: Vec<Hypothesis>,
    /// Tests.
    pub tests: Vec<Test>,
    /// What acting costs.
    pub costs: Costs,
    hypothesis: Vec<HypothesisIndex>,
    severity: Vec<Option<f64>>,
    weight: Vec<f64>,
    mean: Vec<f64>,
    covariance: Vec<f64>,
    /// Diagonals of the covariances once more, side by side.
    variance: Vec<f64>,
    /// Components of each part; the last range holds those of the unlisted fault.
    ranges: Vec<Range<usize>>,
}

impl BankBuilder {
    /// A bank of these parts, hypotheses and tests, without components.
    pub fn new(parts: Vec<String>, hypotheses: Vec<Hypothesis>, tests: Vec<Test>) -> Self {
        Self { parts, hypotheses, tests, components: Vec::new(), fault: None }
    }

    /// Adds a component. `factor`: tests × tolerances, J·√D, the change of every coordinate by one sd of each tolerance.
    pub fn add(&mut self, component: Component, factor: &DMatrix<f64>) {
        if factor.nrows() != self.tests.len() {
            return self.refuse(BankError::Shape {
                component: self.components.len(),
                found: factor.nrows(),
                tests: self.tests.len(),
            });
        }
        let covariance = factor * factor.transpose();
        self.add_with_covariance(component, &covariance);
    }

    /// Adds a component by its covariance, tests × tests, of which the lower triangle is read.
    pub fn add_with_covariance(&mut self, component: Component, covariance: &DMatrix<f64>) {
        let (tests, index) = (self.tests.len(), self.components.len());
        for found in [component.mean.len(), covariance.nrows(), covariance.ncols()] {
            if found != tests {
                return self.refuse(BankError::Shape { component: index, found, tests });
            }
        }
        let listed = self.hypotheses.get(component.hypothesis.0).and_then(|hypothesis| hypothesis.part);
        if listed.is_none_or(|part| part.0 >= self.parts.len()) {
            return self.refuse(BankError::Stranger { component: index });
        }
        let packed: Vec<f64> =
            (0..tests).flat_map(|row| (0..=row).map(move |column| covariance[(row, column)])).collect();
        let finite = component.mean.iter().chain(&packed).all(|number| number.is_finite());
        let weighs = component.share.is_finite() && component.share >= 0.0;
        let severe = component.severity.is_none_or(|severity| severity.is_finite() && severity > 0.0);
        if !(finite && weighs && severe) {
            return self.refuse(BankError::Number { component: index });
        }
        self.components.push((component, packed));
    }

    fn refuse(&mut self, error: BankError) {
        self.fault.get_or_insert(error);
    }

    /// The bank, with the components of the unlisted fault.
    ///
    /// # Errors
    /// The first component that did not fit; [`BankError::Empty`] if none has weight.
    pub fn finish(self, costs: Costs, other: &OtherSettings) -> Result<Bank, BankError> {
        if let Some(error) = self.fault {
            return Err(error);
        }
        let Self { parts, mut hypotheses, tests, mut components, .. } = self;
        let part_of = |component: &Component| hypotheses[component.hypothesis.0].part;
        components.sort_by(|(a, _), (b, _)| {
            let severities = |component: &Component| component.severity.unwrap_or(0.0);
            (part_of(a), a.hypothesis).cmp(&(part_of(b), b.hypothesis)).then(severities(a).total_cmp(&severities(b)))
        });
        let mut weight: Vec<f64> = components
            .iter()
            .map(|(component, _)| hypotheses[component.hypothesis.0].weight.max(0.0) * component.share)
            .collect();
        let total: f64 = weight.iter().sum();
        if !(total > 0.0 && total.is_finite()) {
            return Err(BankError::Empty);
        }
        weight.iter_mut().for_each(|weight| *weight *= (1.0 - other.probability) / total);
        let mut ranges = Vec::with_capacity(parts.len() + 1);
        let mut start = 0;
        for part in 0..parts.len() {
            let inside = components[start..]
                .iter()
                .take_while(|(component, _)| part_of(component) == Some(PartIndex(part)))
                .count();
            ranges.push(start..start + inside);
            start += inside;
        }
        let mut bank = Bank {
            hypothesis: components.iter().map(|(component, _)| component.hypothesis).collect(),
            severity: components.iter().map(|(component, _)| component.severity).collect(),
            mean: components.iter().flat_map(|(component, _)| component.mean.iter().copied()).collect(),
            covariance: components.iter().flat_map(|(_, packed)| packed.iter().copied()).collect(),
            variance: Vec::new(),
            weight,
            ranges,
            costs,
            parts,
            tests,
            hypotheses: Vec::new(),
        };
        let moves_dc: Vec<bool> = bank.hypothesis.iter().map(|hypothesis| hypotheses[hypothesis.0].moves_dc).collect();
        let broad = other::components(&bank, &moves_dc, other);
        hypotheses.push(Hypothesis { part: None, kind: "other".into(), weight: other.probability, moves_dc: true });
        bank.hypotheses = hypotheses;
        bank.add_other(&broad, other.probability);
        Ok(bank)
    }
}

impl Bank {
    /// How many components there are.
    pub fn len(&self) -> usize {
        self.weight.len()
    }

    /// Whether there are none, which [`BankBuilder::finish`] does not allow.
    pub fn is_empty(&self) -> bool {
        self.weight.is_empty()
    }

    /// Components of each part, in the order of the parts; the last range is the unlisted fault's.
    pub fn ranges(&self) -> &[Range<usize>] {
        &self.ranges
    }

    /// Whose severity point a component is.
    pub fn hypothesis_of(&self, component: usize) -> HypothesisIndex {
        self.hypothesis[component]
    }

    /// Severity of a component.
    pub fn severity_of(&self, component: usize) -> Option<f64> {
        self.severity[component]
    }

    /// Prior probability of a component.
    pub fn weight_of(&self, component: usize) -> f64 {
        self.weight[component]
    }

    /// Means of all tests under a component.
    pub fn mean_of(&self, component: usize) -> &[f64] {
        let tests = self.tests.len();
        &self.mean[component * tests..][..tests]
    }

    /// Variances of all tests under a component, the reading errors not in them.
    pub fn variances_of(&self, component: usize) -> &[f64] {
        let tests = self.tests.len();
        &self.variance[component * tests..][..tests]
    }

    /// Covariance of two tests under a component, the reading errors not in it.
    pub fn covariance_of(&self, component: usize, a: TestIndex, b: TestIndex) -> f64 {
        self.packed(component)[place(a.0, b.0)]
    }

    /// The whole covariance of a component.
    pub fn covariance_matrix(&self, component: usize) -> DMatrix<f64> {
        let packed = self.packed(component);
        DMatrix::from_fn(self.tests.len(), self.tests.len(), |row, column| packed[place(row, column)])
    }

    /// Prior probability of every part; what is missing to 1 is the unlisted fault.
    pub fn prior(&self) -> Vec<f64> {
        self.ranges[..self.parts.len()].iter().map(|range| self.weight[range.clone()].iter().sum()).collect()
    }

    pub(super) fn packed(&self, component: usize) -> &[f64] {
        let size = place(self.tests.len(), 0);
        &self.covariance[component * size..][..size]
    }

    fn add_other(&mut self, broad: &[(DVector<f64>, DMatrix<f64>)], probability: f64) {
        let start = self.len();
        for (mean, covariance) in broad {
            self.hypothesis.push(HypothesisIndex(self.hypotheses.len() - 1));
            self.severity.push(None);
            self.weight.push(probability / broad.len() as f64);
            self.mean.extend(mean.iter());
            for row in 0..mean.len() {
                self.covariance.extend((0..=row).map(|column| covariance[(row, column)]));
            }
        }
        self.ranges.push(start..self.len());
        let size = place(self.tests.len(), 0);
        let tests = self.tests.len();
        let diagonal = |packed: &[f64]| (0..tests).map(|test| packed[place(test, test)]).collect::<Vec<f64>>();
        self.variance =
            if tests == 0 { Vec::new() } else { self.covariance.chunks_exact(size).flat_map(diagonal).collect() };
    }
}

/// Where the entry of a row and a column lies in a packed triangle.
pub(super) fn place(row: usize, column: usize) -> usize {
    let (row, column) = if row < column { (column, row) } else { (row, column) };
    row * (row + 1) / 2 + column
}
