//! Derivatives of what elements write into the equations, by their own voltages and by their values: central differences
//! of the element's own stamps, so that no element needs further code.
//!
//! The stamps of an element do not change when all its nodes rise together, and the currents into its nodes add up to
//! nothing. So its nodes are counted from one of them: a resistor has one place instead of four, and no digit is lost in
//! differences of large contracted values.

use std::ops::Range;

use crate::circuit::Circuit;
use crate::element::{Element, NoiseList, NoiseSource, PartId, Place};
use crate::mna::{BiasEquations, SignalEquations, Unknown};

/// A derivative of the stamps of one or more elements: ranges of [`Derivatives`].
#[derive(Clone, Debug)]
pub(super) struct Terms {
    entries: Range<usize>,
    noise: Range<usize>,
    bias: Range<usize>,
}

/// All derivatives, and the places that they are written to.
#[derive(Debug, Default)]
pub(super) struct Derivatives {
    blocks: Vec<Block>,
    block_of: Vec<Option<usize>>,
    places: usize,
    pairs: Vec<(Unknown, Unknown)>,
    /// Place, derivative of g, derivative of c.
    entries: Vec<(u32, f64, f64)>,
    /// Pair, derivatives of the white part and of the part that falls as 1/f.
    noise: Vec<(u32, f64, f64)>,
    /// Equation, derivative of its residual.
    bias: Vec<(Unknown, f64)>,
}

/// Places of one element: every unknown of it with every other, rows first.
#[derive(Debug)]
pub(super) struct Block {
    /// Each unknown and what it is counted from (ground for a branch current).
    pub unknowns: Vec<(Unknown, Unknown)>,
    /// Number of the first place.
    pub first_place: usize,
    /// Equations that the element has bias terms in.
    equations: Vec<Unknown>,
    /// Noise sources by their ends, and the numbers of their pairs.
    pairs: Vec<(Unknown, Unknown, u32)>,
}

/// The factors that a figure has on every place and pair: its derivatives by g, by c, and by the densities there.
#[derive(Debug)]
pub(super) struct Factors {
    /// By place: of g and of c.
    pub places: Vec<(f64, f64)>,
    /// By pair: of the white part and of the part at 1 Hz.
    pub pairs: Vec<(f64, f64)>,
}

impl Derivatives {
    pub fn blocks(&self) -> &[Block] {
        &self.blocks
    }

    pub fn places(&self) -> usize {
        self.places
    }

    pub fn pairs(&self) -> &[(Unknown, Unknown)] {
        &self.pairs
    }

    /// What a figure gains by its own dependence on the stamps.
    pub fn contract(&self, terms: &Terms, factors: &Factors) -> f64 {
        let entries = self.entries[terms.entries.clone()].iter();
        let entries = entries.map(|&(place, g, c)| {
            let (by_g, by_c) = factors.places[place as usize];
            by_g * g + by_c * c
        });
        let noise = self.noise[terms.noise.clone()].iter();
        let noise = noise.map(|&(pair, white, flicker)| {
            let (by_white, by_flicker) = factors.pairs[pair as usize];
            by_white * white + by_flicker * flicker
        });
        entries.sum::<f64>() + noise.sum::<f64>()
    }

    /// What a figure loses by way of the bias: `adjoint` times the derivative of the bias equations.
    pub fn through_bias(&self, terms: &Terms, adjoint: &[f64]) -> f64 {
        self.bias[terms.bias.clone()].iter().map(|&(row, value)| adjoint[row.index()] * value).sum()
    }

    fn marks(&self) -> [usize; 3] {
        [self.entries.len(), self.noise.len(), self.bias.len()]
    }

    fn block(&mut self, circuit: &Circuit, id: PartId) -> usize {
        self.block_of.resize(circuit.parts().len(), None);
        if let Some(at) = self.block_of[id.index()] {
            return at;
        }
        let block = Block::of(circuit, id, self.places);
        self.places += block.unknowns.len().pow(2);
        self.blocks.push(block);
        self.block_of[id.index()] = Some(self.blocks.len() - 1);
        self.blocks.len() - 1
    }
}

impl Block {
    fn of(circuit: &Circuit, id: PartId, first_place: usize) -> Self {
        let layout = circuit.layout();
        let element = &circuit.part(id).element;
        let nodes: Vec<Unknown> = element.nodes().into_iter().map(Unknown::from).collect();
        let first = layout.first_inner[id.index()].0;
        let inner = (first..first + element.inner_unknowns()).map(Unknown);
        let rise = layout.temperature[id.index()];
        let equations = nodes.iter().copied().chain(inner.clone()).chain(rise).collect();

        let reference = match nodes.contains(&Unknown::GROUND) {
            // What is stamped into ground is dropped, so nothing else can be left out.
            true => Unknown::GROUND,
            false => nodes.first().copied().unwrap_or(Unknown::GROUND),
        };
        let others: Vec<Unknown> = match element {
            Element::Coupling(coupling) => {
                coupling.windings.iter().map(|&(part, _)| layout.first_inner[part.index()]).collect()
            }
            Element::Controlled(controlled) => controlled.controlling_branch(layout).into_iter().collect(),
            _ => Vec::new(),
        };
        let inner_are_nodes = matches!(element, Element::Diode(_) | Element::Bjt(_) | Element::Jfet(_));
        let from = |is_node: bool| if is_node { reference } else { Unknown::GROUND };
        let candidates = nodes.iter().map(|&node| (node, reference));
        let candidates = candidates.chain(inner.map(|unknown| (unknown, from(inner_are_nodes))));
        let mut unknowns: Vec<(Unknown, Unknown)> = Vec::new();
        for (unknown, from) in candidates.chain(others.into_iter().map(|branch| (branch, Unknown::GROUND))) {
            if unknown != reference && unknowns.iter().all(|&(known, _)| known != unknown) {
                unknowns.push((unknown, from));
            }
        }
        Self { unknowns, first_place, equations, pairs: Vec::new() }
    }
}

/// Writes derivatives: differences of stamps are gathered element by element, then kept.
pub(super) struct Writer<'a> {
    circuit: &'a Circuit,
    signal: SignalEquations,
    sources: Vec<NoiseSource>,
    equations: BiasEquations,
    places: Vec<(f64, f64)>,
    pairs: Vec<(f64, f64)>,
    residuals: Vec<f64>,
    pub derivatives: Derivatives,
}

/// One side of a difference: an element at a point, and the factor on what it writes.
pub(super) struct Side<'a> {
    pub element: &'a Element,
    pub place: Place<'a>,
    pub x: &'a [f64],
    pub factor: f64,
}

impl<'a> Writer<'a> {
    pub fn new(circuit: &'a Circuit) -> Self {
        Self {
            circuit,
            signal: SignalEquations::new(circuit.layout().electrical),
            sources: Vec::new(),
            equations: BiasEquations::new(circuit.layout().with_temperatures),
            places: Vec::new(),
            pairs: Vec::new(),
            residuals: Vec::new(),
            derivatives: Derivatives::default(),
        }
    }

    /// What `write` keeps, as one derivative.
    pub fn terms(&mut self, write: impl FnOnce(&mut Self)) -> Terms {
        let from = self.derivatives.marks();
        write(self);
        let to = self.derivatives.marks();
        let range = |nth: usize| from[nth]..to[nth];
        Terms { entries: range(0), noise: range(1), bias: range(2) }
    }

    /// Adds one side of a difference of a part's stamps to what is gathered; of the bias equations only if `with_bias`.
    pub fn gather(&mut self, part: PartId, side: &Side, with_bias: bool) {
        let at = self.derivatives.block(self.circuit, part);
        let block = &self.derivatives.blocks[at];
        self.places.resize(block.unknowns.len().pow(2), (0.0, 0.0));
        self.pairs.resize(block.pairs.len(), (0.0, 0.0));
        self.residuals.resize(block.equations.len(), 0.0);
        self.write_signal(at, side);
        self.write_noise(at, side);
        if with_bias {
            self.write_bias(at, side);
        }
    }

    /// Keeps what was gathered of a part, and forgets it.
    pub fn keep(&mut self, part: PartId) {
        let at = self.derivatives.block(self.circuit, part);
        let Derivatives { blocks, entries, noise, bias, .. } = &mut self.derivatives;
        let block = &blocks[at];
        for (at, (g, c)) in self.places.drain(..).enumerate() {
            if g != 0.0 || c != 0.0 {
                entries.push((short(block.first_place + at), g, c));
            }
        }
        for (&(_, _, number), (white, flicker)) in block.pairs.iter().zip(self.pairs.drain(..)) {
            if white != 0.0 || flicker != 0.0 {
                noise.push((number, white, flicker));
            }
        }
        for (&row, value) in block.equations.iter().zip(self.residuals.drain(..)) {
            if value != 0.0 && row != Unknown::GROUND {
                bias.push((row, value));
            }
        }
    }

    fn write_signal(&mut self, at: usize, side: &Side) {
        let block = &self.derivatives.blocks[at];
        self.signal.clear();
        side.element.stamp_signal(side.place, side.x, &mut self.signal);
        let size = block.unknowns.len();
        let local = |unknown: Unknown| block.unknowns.iter().position(|&(known, _)| known == unknown);
        let places = &mut self.places;
        let mut add = |row: Unknown, column: Unknown, g: f64, c: f64| {
            if let (Some(row), Some(column)) = (local(row), local(column)) {
                let place = &mut places[row * size + column];
                place.0 += side.factor * g;
                place.1 += side.factor * c;
            }
        };
        for entry in &self.signal.entries {
            add(entry.row, entry.column, entry.g, entry.c);
        }
        for &(inner, pin, siemens) in self.signal.ohmic_parts() {
            for (row, column, sign) in [(inner, inner, 1.0), (pin, pin, 1.0), (inner, pin, -1.0), (pin, inner, -1.0)] {
                add(row, column, sign * siemens, 0.0);
            }
        }
    }

    fn write_noise(&mut self, at: usize, side: &Side) {
        let block = &mut self.derivatives.blocks[at];
        self.sources.clear();
        side.element.list_noise(side.place, side.x, &mut NoiseList::new(side.place.part, &mut self.sources));
        for source in &self.sources {
            let known = block.pairs.iter().position(|&(from, to, _)| (from, to) == (source.from, source.to));
            let at = known.unwrap_or_else(|| {
                let number = short(self.derivatives.pairs.len());
                self.derivatives.pairs.push((source.from, source.to));
                block.pairs.push((source.from, source.to, number));
                self.pairs.push((0.0, 0.0));
                block.pairs.len() - 1
            });
            self.pairs[at].0 += side.factor * source.white;
            self.pairs[at].1 += side.factor * source.flicker;
        }
    }

    fn write_bias(&mut self, at: usize, side: &Side) {
        let block = &self.derivatives.blocks[at];
        let junctions = side.element.junction_volts(side.place, side.x);
        self.equations.jacobian.clear();
        side.element.stamp_bias(side.place, side.x, junctions, &mut self.equations);
        for (sum, row) in self.residuals.iter_mut().zip(&block.equations) {
            // Taken and put back to zero, so that a row that is listed twice counts once.
            *sum += side.factor * std::mem::take(&mut self.equations.residual[row.index()]);
        }
    }
}

fn short(number: usize) -> u32 {
    u32::try_from(number).expect("the number of places is limited by that of parts, far below 2^32")
}
