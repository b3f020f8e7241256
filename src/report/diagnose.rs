//! Which part, how sure, what next: the answer to readings in the words of the bench.

use crate::bench::reading::Reading;
use crate::bench::{FaultKind, ListedFault};
use crate::diagnosis::prepare::Prepared;
use crate::diagnosis::{Act, Conversation, Proposal, Reply, Severity};

/// The answer, every index a name.
#[derive(Clone, Debug, PartialEq)]
pub struct DiagnoseResult {
    /// Title of the sheet, else of the netlist.
    pub title: String,
    /// By falling probability, those left out that are impossible.
    pub suspects: Vec<SuspectRow>,
    /// Probability that the fault is none of those listed.
    pub unknown_probability: f64,
    /// The smallest set that reaches 90 %; `None` in it stands for a fault that is not listed.
    pub smallest_set: Vec<Option<String>>,
    /// Whether no single listed fault explains the readings.
    pub flag: bool,
    /// Sets that no test tells apart.
    pub inseparable: Vec<Vec<String>>,
    /// If flagged, the reading to repeat first.
    pub most_surprising: Option<Reading>,
    /// Readings that nothing can give, with the reason.
    pub set_aside: Vec<(Reading, String)>,
    /// Tests worth doing, best first.
    pub next: Vec<NextTest>,
    /// Acting now: parts in order, whether a leg is lifted first.
    pub plan: Vec<(String, bool)>,
    /// What that is expected to cost, bench units.
    pub plan_cost: f64,
    /// How many readings count.
    pub readings: usize,
    /// Whether a second fault is there.
    pub second_fault: bool,
    /// Whether the last replacement cured the unit.
    pub cured: bool,
    /// Parts none of whose listed faults can cause the complaint.
    pub cleared: Vec<String>,
    /// What was assumed where models do not say.
    pub assumed: Vec<String>,
}

/// A part under suspicion.
#[derive(Clone, Debug, PartialEq)]
pub struct SuspectRow {
    /// Which.
    pub part: String,
    /// How likely, at most 0.99.
    pub probability: f64,
    /// What may be wrong with it.
    pub kinds: Vec<KindRow>,
}

/// One kind of fault.
#[derive(Clone, Debug, PartialEq)]
pub struct KindRow {
    /// Its word.
    pub fault: FaultKind,
    /// How likely.
    pub probability: f64,
    /// How bad, in the unit of the kind's first number.
    pub severity: Option<Severity>,
}

/// A test that is worth doing.
#[derive(Clone, Debug, PartialEq)]
pub struct NextTest {
    /// Which.
    pub test: Reading,
    /// What it tells, bits.
    pub bits: f64,
    /// What it saves later on, bench units.
    pub saving: f64,
    /// What it costs.
    pub cost: f64,
    /// Whether it is to verify before anything is unsoldered.
    pub verify: bool,
    /// Why, in a line.
    pub why: String,
    /// What to expect, by falling probability of the suspects.
    pub expect: Vec<ExpectRow>,
}

/// The reading to expect if a part is at fault.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectRow {
    /// Which part.
    pub part: String,
    /// Median, V or dB.
    pub value: f64,
    /// One in ten lies below.
    pub low: f64,
    /// One in ten lies above.
    pub high: f64,
}

/// What one reading did.
#[derive(Clone, Debug, PartialEq)]
pub struct ExplainRow {
    /// The reading.
    pub reading: Reading,
    /// The leading part after it and those before it, with its probability.
    pub leader: Option<(String, f64)>,
    /// By how many bits it speaks for the part that leads in the end; below zero against it.
    pub bits: f64,
    /// Probability of a reading at least as far out, given the others.
    pub surprise: f64,
}

/// Probability below which a part is not shown to a person.
const LEAST_SHOWN: f64 = 1e-3;

impl DiagnoseResult {
    /// The suspects that are worth showing to a person; all of them and the unlisted fault add up to one.
    pub fn shown(&self) -> impl Iterator<Item = &SuspectRow> {
        self.suspects.iter().filter(|suspect| suspect.probability >= LEAST_SHOWN)
    }
}

/// The answer to all that was said.
pub fn diagnose(prepared: &Prepared<'_>, conversation: &Conversation<'_, '_>) -> DiagnoseResult {
    let Reply { answer, most_surprising, set_aside, readings } = conversation.reply();
    let bank = &prepared.bank;
    let part = |index: crate::diagnosis::PartIndex| bank.parts[index.0].clone();
    let suspects = answer.verdict.suspects.iter().filter(|suspect| suspect.probability > 0.0).map(|suspect| {
        let kinds = suspect.kinds.iter().filter(|kind| kind.probability > 0.0).filter_map(|kind| {
            let fault = FaultKind::named(&bank.hypotheses[kind.hypothesis.0].kind)?;
            Some(KindRow { fault, probability: kind.probability, severity: kind.severity })
        });
        SuspectRow { part: part(suspect.part), probability: suspect.probability, kinds: kinds.collect() }
    });
    let mut smallest_set: Vec<Option<String>> =
        answer.verdict.smallest_set.iter().map(|&index| Some(part(index))).collect();
    smallest_set.extend(answer.verdict.set_has_unknown.then_some(None));
    let sheet = prepared.sheet();
    let listed = sheet.listed_faults();
    DiagnoseResult {
        title: sheet.title.clone().unwrap_or_else(|| sheet.circuit.title.clone()),
        suspects: suspects.collect(),
        unknown_probability: answer.verdict.unknown_probability,
        smallest_set,
        flag: answer.flag,
        inseparable: prepared.inseparable.clone(),
        most_surprising,
        set_aside,
        next: answer.next.iter().map(|proposal| next_test(prepared, proposal)).collect(),
        plan: answer.plan.steps.iter().map(|step| (part(step.part), step.act == Act::Lift)).collect(),
        plan_cost: answer.plan.cost,
        readings: readings.len(),
        second_fault: answer.second_fault,
        cured: answer.cured,
        cleared: cleared(prepared, &listed),
        assumed: assumed(&listed),
    }
}

/// Reading by reading, in the order of entry.
pub fn explain(prepared: &Prepared<'_>, conversation: &Conversation<'_, '_>) -> Vec<ExplainRow> {
    let each = conversation.explain().into_iter().map(|(reading, explained)| {
        let listed = &explained.parts[..prepared.bank.parts.len()];
        let leader = listed.iter().enumerate().max_by(|(a, p), (b, q)| p.total_cmp(q).then(b.cmp(a)));
        ExplainRow {
            leader: leader.map(|(at, probability)| (prepared.bank.parts[at].clone(), probability.min(0.99))),
            bits: explained.bits_for_leader,
            surprise: explained.surprise,
            reading,
        }
    });
    each.collect()
}

fn next_test(prepared: &Prepared<'_>, proposal: &Proposal) -> NextTest {
    let bank = &prepared.bank;
    let name = |index: &crate::diagnosis::PartIndex| bank.parts[index.0].clone();
    let groups: Vec<String> =
        proposal.separates.iter().map(|group| group.iter().map(name).collect::<Vec<_>>().join(" or ")).collect();
    let why = match (proposal.verify, groups.as_slice()) {
        (true, _) => "checks the verdict against a fault that nobody listed, before anything is unsoldered".to_owned(),
        (false, [] | [_]) => "shifts the odds; the suspects' readings overlap".to_owned(),
        (false, groups) => format!("tells {}", groups.join(" from ")),
    };
    NextTest {
        test: prepared.tests().nth(proposal.test.0).cloned().expect("every test of the bank was planned"),
        bits: proposal.bits,
        saving: proposal.saving,
        cost: proposal.cost,
        verify: proposal.verify,
        why,
        expect: proposal
            .expect
            .iter()
            .map(|expect| ExpectRow {
                part: name(&expect.part),
                value: expect.value,
                low: expect.low,
                high: expect.high,
            })
            .collect(),
    }
}

/// Parts none of whose faults can cause the complaint, in netlist order.
fn cleared(prepared: &Prepared<'_>, listed: &[ListedFault]) -> Vec<String> {
    let mut cleared: Vec<String> = Vec::new();
    for fault in listed {
        let at = prepared.bank.parts.iter().position(|part| *part == fault.name);
        let empty = at.is_none_or(|at| prepared.bank.ranges()[at].is_empty());
        if empty && !cleared.contains(&fault.name) {
            cleared.push(fault.name.clone());
        }
    }
    cleared
}

fn assumed(listed: &[ListedFault]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for assumed in listed.iter().filter_map(|fault| fault.prior.assumed.as_ref()) {
        if !all.contains(assumed) {
            all.push(assumed.clone());
        }
    }
    all
}
