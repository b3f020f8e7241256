//! One simulated repair: advice is followed until something is unsoldered, and on until the unit is cured.

use std::collections::BTreeSet;

use hissmap::bench::reading::{How, Reading};
use hissmap::diagnosis::prepare::Prepared;
use hissmap::diagnosis::{Act, Answer, Conversation, Outcome, PartIndex};

use super::bench::Bench;

/// Tests of one repair, at most; parts replaced, at most, before the rest is searched openly.
const MOST_TESTS: usize = 40;
const MOST_PARTS: usize = 4;

/// What was said when advice came to unsolder something.
#[derive(Clone, Debug, Default)]
pub struct Advice {
    /// The leading part, and how likely it was said to be.
    pub part: String,
    pub probability: f64,
    /// The smallest set that reaches 90 %, and whether the unlisted fault belongs to it.
    pub set: Vec<String>,
    pub set_has_unknown: bool,
    pub flag: bool,
    pub readings: usize,
    /// Cost of the tests so far.
    pub cost: f64,
    /// Readings in words, and the leading suspects, for whoever looks into a miss.
    pub trail: Vec<String>,
}

/// What a repair came to.
#[derive(Clone, Debug, Default)]
pub struct Repair {
    /// At the first advice to act, before verifying tests.
    pub first: Advice,
    /// After the verifying tests.
    pub verified: Advice,
    /// Whether the first part acted on, without verifying, was the right one.
    pub right: bool,
    /// Cost of tests and work until the unit was cured, without verifying.
    pub cost: f64,
}

/// Who holds the iron.
pub struct Technician<'p, 's> {
    pub prepared: &'p Prepared<'s>,
    /// Whether a large capacitor is at hand.
    pub shunts: bool,
}

/// A conversation and its unit.
#[derive(Clone)]
struct Course<'p, 's> {
    conversation: Conversation<'p, 's>,
    bench: Bench<'s>,
    /// Tests that show nothing on this unit.
    without: BTreeSet<usize>,
    cost: f64,
    trail: Vec<String>,
}

impl<'p, 's> Technician<'p, 's> {
    /// Repairs a unit whose fault lies in one of `guilty`.
    pub fn repair(&self, bench: Bench<'s>, guilty: &[String]) -> Repair {
        let mut course = self.begin(bench);
        let first = self.advised(&mut course, false);
        let mut verifying = course.clone();
        let verified = self.advised(&mut verifying, true);
        let right = guilty.contains(&first.part);
        let cost = self.work(course, guilty);
        Repair { first, verified, right, cost }
    }

    /// The answer to every test that is prepared.
    pub fn read_all(&self, bench: Bench<'s>) -> Answer {
        let mut course = self.begin(bench);
        for test in self.prepared.tests() {
            if let Some(reading) = course.bench.read(test) {
                course.conversation.read(&reading).expect("a prepared test");
            }
        }
        course.conversation.reply().answer
    }

    fn begin(&self, bench: Bench<'s>) -> Course<'p, 's> {
        let without = self.prepared.tests().enumerate().filter(|(_, test)| !self.shunts && is_shunt(test));
        let without = without.map(|(at, _)| at).collect();
        let conversation = Conversation::new(self.prepared);
        let mut course = Course { conversation, bench, without, cost: 0.0, trail: Vec::new() };
        self.limit(&mut course);
        course
    }

    /// Says which tests are possible.
    fn limit(&self, course: &mut Course<'p, 's>) {
        let all = self.prepared.tests().enumerate().filter(|(at, _)| !course.without.contains(at));
        let menu: Vec<Reading> = all.map(|(_, test)| test.clone()).collect();
        course.conversation.menu(&menu).expect("prepared tests");
    }

    /// Makes a test; one that shows nothing on this unit is not asked for again.
    fn read(&self, course: &mut Course<'p, 's>, test: usize) {
        let planned = self.prepared.tests().nth(test).expect("a test of the bank");
        course.cost += self.prepared.bank.tests[test].cost;
        match course.bench.read(planned) {
            Some(reading) => {
                course.trail.push(reading.text());
                course.conversation.read(&reading).expect("a prepared test");
            }
            None => {
                course.trail.push(format!("{}: nothing", planned.text()));
                course.without.insert(test);
                self.limit(course);
            }
        }
    }

    /// Follows advice until it says to act, with the verifying tests or up to them.
    fn advised(&self, course: &mut Course<'p, 's>, verifies: bool) -> Advice {
        let mut answer = course.conversation.reply().answer;
        for _ in 0..MOST_TESTS {
            match answer.next.first() {
                Some(best) if verifies || !best.verify => self.read(course, best.test.0),
                _ => break,
            }
            answer = course.conversation.reply().answer;
        }
        self.advice(course, &answer)
    }

    fn advice(&self, course: &Course<'p, 's>, answer: &Answer) -> Advice {
        let name = |part: PartIndex| self.prepared.bank.parts[part.0].clone();
        let mut trail = course.trail.clone();
        for suspect in answer.verdict.suspects.iter().take(4) {
            let kinds = suspect.kinds.iter().filter(|kind| kind.probability > 0.01).map(|kind| {
                let of = &self.prepared.bank.hypotheses[kind.hypothesis.0].kind;
                format!("{of} {:.2}", kind.probability)
            });
            let kinds = kinds.collect::<Vec<_>>().join(", ");
            trail.push(format!("= {} {:.3} ({kinds})", name(suspect.part), suspect.probability));
        }
        trail.push(format!("= unknown {:.3}, fit {:.3}", answer.verdict.unknown_probability, answer.fit));
        let leading = answer.verdict.suspects.first();
        Advice {
            part: leading.map_or_else(String::new, |suspect| name(suspect.part)),
            probability: leading.map_or(0.0, |suspect| suspect.probability),
            set: answer.verdict.smallest_set.iter().map(|&part| name(part)).collect(),
            set_has_unknown: answer.verdict.set_has_unknown,
            flag: answer.flag,
            readings: answer.readings,
            cost: course.cost,
            trail,
        }
    }

    /// Acts, goes on with the tests that are advised after a part was found good, and searches openly in the end.
    fn work(&self, mut course: Course<'p, 's>, guilty: &[String]) -> f64 {
        let costs = &self.prepared.sheet().costs;
        for _ in 0..MOST_PARTS {
            let answer = course.conversation.reply().answer;
            let Some(step) = answer.plan.steps.first() else { break };
            if answer.plan.cost >= costs.open_search {
                break;
            }
            let part = &self.prepared.bank.parts[step.part.0];
            let right = guilty.contains(part);
            course.cost += match (step.act, right) {
                (Act::Lift, _) => costs.lift,
                (Act::Replace, true) => 0.0,
                (Act::Replace, false) => costs.wrong_part,
            };
            if right {
                return course.cost;
            }
            course.conversation.replaced(part, Outcome::NotCured).expect("a part of the bank");
            self.advised(&mut course, false);
        }
        course.cost + costs.open_search
    }
}

fn is_shunt(test: &Reading) -> bool {
    test.act.as_ref().is_some_and(|act| act.how == How::Shunt)
}
