//! What is tried: a part of the drawer, or a model card that stands for parts of its kind.

use super::finding::Finding;
use super::tester::{Beyond, Measured, Tester};
use crate::bench::FaultKind;
use crate::bench::sheet::Spare;
use crate::circuit::{Circuit, Model};
use crate::element::{Bjt, BjtModel, Element, Polarity};

/// A transistor that might take the place.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// What it is called.
    pub name: String,
    /// Whether it is one part that can be taken in the hand; else a model card.
    pub individual: bool,
    /// NPN or PNP.
    pub polarity: Polarity,
    /// Name of its model.
    pub model_name: String,
    /// Its model, as on the card.
    pub model: BjtModel,
    /// Whether that model was assumed, because nothing names one.
    pub model_assumed: bool,
    /// What was measured on it.
    pub measured: Measured,
    /// Its case.
    pub case: Option<String>,
    /// Order of its pins.
    pub pinout: Option<String>,
    /// Remark.
    pub note: Option<String>,
}

impl Candidate {
    /// A model card; `None` for one of no bipolar transistor.
    pub fn card(name: &str, model: &Model) -> Option<Self> {
        let Model::Bjt(polarity, model) = model else { return None };
        Some(Self {
            name: name.to_owned(),
            individual: false,
            polarity: *polarity,
            model_name: name.to_owned(),
            model: model.clone(),
            model_assumed: false,
            measured: Measured::default(),
            case: None,
            pinout: None,
            note: None,
        })
    }

    /// A part of the drawer. Its model is that of the circuit which it names, else that of the device it would replace;
    /// `None` where it names one of no bipolar transistor.
    pub fn individual(spare: &Spare, circuit: &Circuit, original: &Bjt) -> Option<Self> {
        let named = spare.model.as_deref().map(|name| Some((name, circuit.model(name)?)));
        let card = match named {
            Some(named) => {
                let (name, model) = named?;
                Self::card(name, model)?
            }
            None => {
                let model = circuit.model(&original.model_name).cloned();
                let own = || Model::Bjt(original.polarity, original.model.clone());
                let card = Self::card(&original.model_name, &model.unwrap_or_else(own))?;
                Self { model_assumed: true, ..card }
            }
        };
        Some(Self {
            name: spare.name.clone(),
            individual: true,
            measured: Measured { beta: spare.beta, iceo: spare.iceo, icbo_amps: spare.icbo_amps },
            case: spare.case.clone(),
            pinout: spare.pinout.clone(),
            note: spare.note.clone(),
            ..card
        })
    }

    /// The device in the place of `original`, and what has to be said about how it was found. The thermal resistance and an
    /// area belong to the place, unless the model brings a thermal resistance of its own.
    pub(super) fn fitted(&self, original: &Bjt, tester: &Tester) -> (Bjt, Vec<Finding>) {
        let mut model = self.model.scaled(original.area);
        if model.rth == 0.0 {
            model.rth = original.model.rth;
        }
        let polarity = self.polarity;
        let device = Bjt { polarity, model, model_name: self.model_name.clone(), ..original.clone() };
        let mut findings = Vec::new();
        if self.model_assumed {
            findings.push(Finding::ModelAssumed { model: self.model_name.clone() });
        }
        if !self.individual {
            return (device, findings);
        }
        let measured = &self.measured;
        if measured.beta.is_none() {
            findings.push(Finding::NotMeasured { what: "current gain" });
        }
        if measured.iceo.is_none() && measured.icbo_amps.is_none() {
            findings.push(Finding::NotMeasured { what: "leakage" });
        }
        let fit = tester.fit(&device, measured);
        findings.extend(fit.beyond.iter().map(|beyond| match beyond {
            Beyond::Beta => Finding::BeyondModel { what: "current gain", model: self.model_name.clone() },
            Beyond::Unsolved => Finding::BeyondModel { what: "leakage", model: self.model_name.clone() },
            Beyond::Leakage(amps) => Finding::LeaksLess { model: self.model_name.clone(), amps: *amps },
        }));
        findings.extend(leaky(&device, fit.device.model.icbo));
        (fit.device, findings)
    }
}

/// Whether a leak is one that the list of faults has, from its mild end on.
fn leaky(card: &Bjt, amps: f64) -> Option<Finding> {
    let from = FaultKind::JunctionLeak.prior(&Element::Bjt(card.clone()))?.ranges.first()?.mild;
    (amps >= from).then_some(Finding::Leaky { amps, from })
}

/// The order of pins without what does not count: `E-B-C` is `EBC`.
pub(super) fn plain_pinout(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_uppercase).collect()
}
