//! A circuit as its static transfer at mid-band sees it: capacitors hold their charge or are open
//! ([`capacitors`](super::capacitors)), windings their ampere-turns ([`windings`](super::windings)), devices their
//! temperatures.

use super::capacitors::{Judged, Verdict, judge_capacitors};
use super::network::{Groups, Measured};
use super::windings::{Winding, WindingGroup, winding_groups};
use crate::bias::SolveError;
use crate::circuit::{Circuit, Rewiring};
use crate::element::{Bjt, Control, Controlled, Coupling, Drive, Element, PartId, Resistor, Source, SourceKind};
use crate::mna::NodeId;
use crate::operating::Operating;

/// The circuit that stands for another at mid-band.
#[derive(Clone, Debug)]
pub(super) struct MidBand {
    /// Parts and nodes have the numbers that they have in the circuit itself.
    pub circuit: Circuit,
    /// The bias point, as its unknowns.
    pub x: Vec<f64>,
    /// Capacitors that hold their charge, in netlist order.
    pub holding: Vec<PartId>,
    /// Capacitors that are open, in netlist order.
    pub open: Vec<PartId>,
    /// Capacitors that do neither, in netlist order.
    pub shaping: Vec<PartId>,
}

impl MidBand {
    /// Decides at a bias point and frequency what holds.
    ///
    /// # Errors
    /// [`SolveError::Singular`] where the linearised circuit has no single solution.
    pub fn of(circuit: &Circuit, operating: &Operating, measured: &Measured) -> Result<Self, SolveError> {
        let judged = judge_capacitors(circuit, operating, measured)?;
        Self::with(circuit, operating, measured.hertz, &judged)
    }

    /// The same where it is known what capacitors do: those of another unit of the same circuit.
    ///
    /// # Errors
    /// As [`MidBand::of`].
    pub fn with(circuit: &Circuit, operating: &Operating, hertz: f64, judged: &[Judged]) -> Result<Self, SolveError> {
        let mut change =
            Changes { circuit, operating, rewiring: Rewiring::default(), volts: Vec::new(), amps: Vec::new() };
        let mut rigid = Groups::new(circuit.nodes().len() + 1);
        for (id, part) in circuit.parts() {
            if let Element::Bjt(transistor) = &part.element {
                change.hold_temperature(id, transistor);
            }
            if let Some([a, b]) = held_apart(&part.element) {
                rigid.join(a, b);
            }
        }
        for group in winding_groups(circuit) {
            let modes = group.held_modes(circuit, operating, hertz)?;
            if modes.is_empty() {
                group.windings.iter().for_each(|winding| rigid.join(winding.nodes[0], winding.nodes[1]));
            } else {
                change.hold_windings(&group, &modes);
            }
        }
        let mut by_size: Vec<&Judged> = judged.iter().filter(|one| one.verdict == Verdict::Holds).collect();
        by_size.sort_by(|a, b| b.farads.total_cmp(&a.farads).then(a.part.cmp(&b.part)));
        for one in by_size {
            let [a, b] = one.nodes;
            // Where others already hold these nodes apart, this one has no say.
            if !rigid.joined(a, b) {
                rigid.join(a, b);
                change.hold_charge(one.part, [a, b]);
            }
        }
        for one in judged {
            if let Verdict::Shapes { ohms } = one.verdict {
                change.hold_charge_behind(one.part, one.nodes, ohms);
            }
        }
        let chosen = |wanted: &dyn Fn(Verdict) -> bool| -> Vec<PartId> {
            judged.iter().filter(|one| wanted(one.verdict)).map(|one| one.part).collect()
        };
        let holding = chosen(&|verdict| verdict == Verdict::Holds);
        let open = chosen(&|verdict| verdict == Verdict::Open);
        let shaping = chosen(&|verdict| matches!(verdict, Verdict::Shapes { .. }));
        let (circuit, x) = change.done();
        Ok(Self { circuit, x, holding, open, shaping })
    }
}

/// What keeps the volts between two nodes whatever the signal.
fn held_apart(element: &Element) -> Option<[NodeId; 2]> {
    match element {
        Element::Source(Source { kind: SourceKind::Voltage, nodes, .. })
        | Element::Controlled(Controlled { drive: Drive::Voltage, nodes, .. }) => Some(*nodes),
        Element::Source(_)
        | Element::Controlled(_)
        | Element::Resistor(_)
        | Element::Capacitor(_)
        | Element::Inductor(_)
        | Element::Coupling(_)
        | Element::Diode(_)
        | Element::Bjt(_)
        | Element::Jfet(_) => None,
    }
}

/// The rewiring under construction, and the values at rest of what it adds.
struct Changes<'a> {
    circuit: &'a Circuit,
    operating: &'a Operating,
    rewiring: Rewiring,
    /// Volts of added nodes.
    volts: Vec<f64>,
    /// Branch current of each added part, if it has one.
    amps: Vec<Option<f64>>,
}

impl Changes<'_> {
    /// Thermal time constants lie below the band.
    fn hold_temperature(&mut self, part: PartId, transistor: &Bjt) {
        if transistor.heats_itself() {
            let celsius = transistor.temperature(self.circuit.place(part), &self.operating.bias.x).celsius();
            self.rewiring.replace(part, Element::Bjt(Bjt { celsius: Some(celsius), ..transistor.clone() }));
        }
    }

    fn hold_charge(&mut self, part: PartId, nodes: [NodeId; 2]) {
        let bias = &self.operating.bias;
        self.rewiring.replace(part, source(nodes, SourceKind::Voltage, bias.volts(nodes[0]) - bias.volts(nodes[1])));
    }

    /// Holds its charge behind a resistance.
    fn hold_charge_behind(&mut self, part: PartId, nodes: [NodeId; 2], ohms: f64) {
        let name = self.circuit.part(part).name.clone();
        // No current at rest: the inner node sits at the volts of the far end.
        let bias = &self.operating.bias;
        let inside = self.node(format!("inside {name}"), bias.volts(nodes[1]));
        let volts = bias.volts(nodes[0]) - bias.volts(nodes[1]);
        self.rewiring.replace(part, source([nodes[0], inside], SourceKind::Voltage, volts));
        self.add(format!("reactance of {name}"), Element::Resistor(Resistor::new([inside, nodes[1]], ohms)), None);
    }

    fn hold_windings(&mut self, group: &WindingGroup, modes: &[Vec<f64>]) {
        let amps =
            |winding: &Winding| self.operating.bias.x[self.circuit.layout().first_inner[winding.part.index()].index()];
        let at_rest: Vec<f64> = group.windings.iter().map(amps).collect();
        if modes.len() == group.windings.len() {
            for (winding, amps) in group.windings.iter().zip(at_rest) {
                self.rewiring.replace(winding.part, source(winding.nodes, SourceKind::Current, amps));
            }
            return;
        }
        let largest = group.windings.iter().map(|winding| winding.henries).fold(0.0, f64::max);
        let name = self.circuit.part(group.windings[0].part).name.clone();
        // The volts of a mode, against ground: one node each, at which its ampere-turns add up.
        let fluxes: Vec<NodeId> =
            (0..modes.len()).map(|mode| self.node(format!("flux {} of {name}", mode + 1), 0.0)).collect();
        for (winding, &rest) in group.windings.iter().zip(&at_rest) {
            let name = self.circuit.part(winding.part).name.clone();
            let position = group.windings.iter().position(|other| other.part == winding.part).unwrap_or_default();
            let turns = (winding.henries / largest).sqrt();
            let mut from = winding.nodes[0];
            for (mode, &flux) in fluxes.iter().enumerate() {
                let last = mode + 1 == modes.len();
                let to = if last {
                    winding.nodes[1]
                } else {
                    self.node(format!("inside {} of {name}", mode + 1), self.operating.bias.volts(winding.nodes[1]))
                };
                let gain = turns * modes[mode][position];
                let volts = Controlled {
                    nodes: [from, to],
                    control: Control::Voltage([flux, NodeId::GROUND]),
                    drive: Drive::Voltage,
                    gain,
                };
                match mode {
                    0 => self.rewiring.replace(winding.part, Element::Controlled(volts)),
                    _ => self.add(format!("volts {} of {name}", mode + 1), Element::Controlled(volts), Some(rest)),
                }
                let turns = Controlled {
                    nodes: [flux, NodeId::GROUND],
                    control: Control::Current(winding.part, winding.nodes),
                    drive: Drive::Current,
                    gain,
                };
                self.add(format!("turns {} of {name}", mode + 1), Element::Controlled(turns), None);
                let magnetising = source([flux, NodeId::GROUND], SourceKind::Current, -gain * rest);
                self.add(format!("rest {} of {name}", mode + 1), magnetising, None);
                from = to;
            }
        }
    }

    fn node(&mut self, name: String, volts: f64) -> NodeId {
        self.volts.push(volts);
        self.rewiring.node(self.circuit, name)
    }

    fn add(&mut self, name: String, element: Element, amps: Option<f64>) {
        self.amps.push(amps);
        self.rewiring.add(name, element);
    }

    fn done(self) -> (Circuit, Vec<f64>) {
        let (before, old) = (self.circuit, &self.operating.bias.x);
        let mut rewiring = self.rewiring;
        for (id, part) in before.parts() {
            if let Element::Coupling(coupling) = &part.element {
                // Its windings are no unknowns any more.
                rewiring.replace(id, Element::Coupling(Coupling { windings: Vec::new(), ..coupling.clone() }));
            }
        }
        let after = before.rewired(rewiring);
        let mut x = vec![0.0; after.layout().with_temperatures + 1];
        let nodes = before.nodes().len() + 1;
        x[..nodes].copy_from_slice(&old[..nodes]);
        x[nodes..nodes + self.volts.len()].copy_from_slice(&self.volts);
        for ((id, part), (_, was)) in after.parts().zip(before.parts()) {
            let inner = part.element.inner_unknowns();
            if inner == was.element.inner_unknowns() {
                let [to, from] = [&after, before].map(|circuit| circuit.layout().first_inner[id.index()].index());
                x[to..to + inner as usize].copy_from_slice(&old[from..from + inner as usize]);
            }
        }
        for ((id, _), amps) in after.parts().skip(before.parts().len()).zip(self.amps) {
            if let Some(amps) = amps {
                x[after.layout().first_inner[id.index()].index()] = amps;
            }
        }
        (after, x)
    }
}

fn source(nodes: [NodeId; 2], kind: SourceKind, dc: f64) -> Element {
    Element::Source(Source { nodes, kind, dc, ac: (0.0, 0.0) })
}
