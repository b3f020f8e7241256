//! Pins of parts, as a person at the bench calls them.

use super::Element;
use crate::mna::NodeId;

/// A pin, lead or terminal of a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pin {
    /// First lead of a part of two alike; the positive one of an electrolytic or a source.
    First,
    /// Second lead.
    Second,
    /// Anode of a diode.
    Anode,
    /// Cathode of a diode.
    Cathode,
    /// Collector.
    Collector,
    /// Base.
    Base,
    /// Emitter.
    Emitter,
    /// Drain.
    Drain,
    /// Gate.
    Gate,
    /// Source.
    Source,
}

impl Pin {
    /// Its word: `base`; leads of a part of two alike are `1` and `2`.
    pub fn name(self) -> &'static str {
        match self {
            Pin::First => "1",
            Pin::Second => "2",
            Pin::Anode => "anode",
            Pin::Cathode => "cathode",
            Pin::Collector => "collector",
            Pin::Base => "base",
            Pin::Emitter => "emitter",
            Pin::Drain => "drain",
            Pin::Gate => "gate",
            Pin::Source => "source",
        }
    }

    /// The pin of a part that a word or letter names: `base`, `b`, `1`.
    pub fn named(word: &str, of: &Element) -> Option<Self> {
        let means = |pin: &&Pin| word.eq_ignore_ascii_case(pin.name()) || word.eq_ignore_ascii_case(pin.letter());
        of.pins().iter().find(means).copied()
    }

    /// Its letter: `b`.
    pub fn letter(self) -> &'static str {
        match self {
            // Diodes are marked with a k.
            Pin::Cathode => "k",
            other => &other.name()[..1],
        }
    }
}

impl Element {
    /// The pins of the part, in the order of its card; none for couplings and controlled sources, which are no parts that
    /// somebody can touch.
    pub fn pins(&self) -> &'static [Pin] {
        match self {
            Element::Resistor(_) | Element::Capacitor(_) | Element::Inductor(_) | Element::Source(_) => {
                &[Pin::First, Pin::Second]
            }
            Element::Diode(_) => &[Pin::Anode, Pin::Cathode],
            Element::Bjt(_) => &[Pin::Collector, Pin::Base, Pin::Emitter],
            Element::Jfet(_) => &[Pin::Drain, Pin::Gate, Pin::Source],
            Element::Coupling(_) | Element::Controlled(_) => &[],
        }
    }

    /// What it is, in the trade's words: `a resistor`.
    pub fn words(&self) -> &'static str {
        match self {
            Element::Resistor(_) => "a resistor",
            Element::Capacitor(_) => "a capacitor",
            Element::Inductor(_) => "a winding",
            Element::Coupling(_) => "a coupling of windings",
            Element::Source(_) => "a source",
            Element::Controlled(_) => "a controlled source",
            Element::Diode(_) => "a diode",
            Element::Bjt(_) => "a bipolar transistor",
            Element::Jfet(_) => "a field-effect transistor",
        }
    }

    /// The node a pin is connected to; `None` for a pin the part does not have.
    pub fn pin_node(&self, pin: Pin) -> Option<NodeId> {
        let at = self.pins().iter().position(|&own| own == pin)?;
        self.nodes().get(at).copied()
    }

    /// Connects a pin to another node; a pin the part does not have stays where it is not.
    pub(crate) fn connect(&mut self, pin: Pin, node: NodeId) {
        let Some(at) = self.pins().iter().position(|&own| own == pin) else { return };
        match self {
            Element::Resistor(e) => e.nodes[at] = node,
            Element::Capacitor(e) => e.nodes[at] = node,
            Element::Inductor(e) => e.nodes[at] = node,
            Element::Source(e) => e.nodes[at] = node,
            Element::Diode(e) => e.nodes[at] = node,
            Element::Bjt(e) => e.nodes[at] = node,
            Element::Jfet(e) => e.nodes[at] = node,
            Element::Coupling(_) | Element::Controlled(_) => {}
        }
    }
}
