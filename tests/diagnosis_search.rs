//! The search for the part, over plain data: bounds no search can beat, published halving, and honest probabilities.

#[path = "common/synthetic.rs"]
#[allow(dead_code)]
mod synthetic;

use std::sync::Arc;

use hissmap::diagnosis::{Bank, Draw, OtherSettings, PartIndex, Posterior, Session, TestIndex, worth};
use synthetic::{CLOSED, Size, Unit, draw_unit, plain, point, random};

/// Coordinates of a yes and a no, so far apart that no doubt is left.
const YES: f64 = 400.0;
const NO: f64 = -400.0;

/// Parts with weights, and yes/no tests each of which is answered yes by a set of parts.
fn yes_no(weights: &[f64], sets: &[Vec<bool>]) -> Bank {
    let row = |part: usize| sets.iter().map(|set| if set[part] { YES } else { NO }).collect();
    let rows: Vec<(f64, Vec<f64>)> = weights.iter().enumerate().map(|(part, weight)| (*weight, row(part))).collect();
    // So cheap that testing goes on until one part is left.
    plain(&rows, 0.0, &vec![1e-4; sets.len()], &CLOSED)
}

/// Mean number of tests until one part is left, over all parts by their weight.
fn mean_tests(bank: &Bank, choose: impl Fn(&Session, &[hissmap::diagnosis::Reading]) -> Option<TestIndex>) -> f64 {
    let shared = Arc::new(bank.clone());
    let prior = bank.prior();
    (0..prior.len())
        .map(|truth| {
            let mut session = Session::new(Arc::clone(&shared));
            let mut readings = Vec::new();
            loop {
                let parts = Posterior::of(bank, &readings, &[]).parts(bank);
                if parts.iter().any(|probability| *probability > 1.0 - 1e-9) {
                    break;
                }
                let test = choose(&session, &readings).expect("one part is not left yet");
                let reading = point(test.0, bank.mean_of(truth)[test.0]);
                session.add(reading).expect("a reading");
                readings.push(reading);
            }
            prior[truth] * readings.len() as f64
        })
        .sum()
}

/// Mean length of the best yes/no search: Huffman, Proc. IRE 40 (1952) 1098. The two lightest are merged again and again.
fn huffman(weights: &[f64]) -> f64 {
    let mut left = weights.to_vec();
    let mut mean = 0.0;
    while left.len() > 1 {
        left.sort_by(|a, b| b.total_cmp(a));
        let merged = left.pop().expect("two are left") + left.pop().expect("two are left");
        mean += merged;
        left.push(merged);
    }
    mean
}

#[test]
fn no_search_by_yes_and_no_beats_entropy_or_huffman() {
    let mut draw = Draw::new(31, 0);
    for _ in 0..40 {
        let parts = 2 + (draw.uniform() * 9.0) as usize;
        let raw: Vec<f64> = (0..parts).map(|_| 1.0 + 4.0 * draw.uniform().powi(3)).collect();
        let total: f64 = raw.iter().sum();
        let weights: Vec<f64> = raw.iter().map(|weight| weight / total).collect();
        // Every part alone, so that the search can end, and as many random sets.
        let mut sets: Vec<Vec<bool>> = (0..parts).map(|own| (0..parts).map(|part| part == own).collect()).collect();
        sets.extend((0..2 * parts).map(|_| (0..parts).map(|_| draw.uniform() < 0.5).collect::<Vec<bool>>()));
        let bank = yes_no(&weights, &sets);
        let found = mean_tests(&bank, |session, _| session.answer().next.first().map(|proposal| proposal.test));
        let entropy: f64 = weights.iter().map(|weight| -weight * weight.log2()).sum();
        let best = huffman(&weights);
        assert!(best >= entropy - 1e-12 && best <= entropy + 1.0, "Huffman's own bounds");
        assert!(found >= best - 1e-9, "{found} tests, Huffman {best}, entropy {entropy}, {weights:?}");
        // One by one is the worst that asks nothing in vain: N − 1 tests.
        assert!(found <= (parts - 1) as f64 + 1e-9, "{found} tests for {parts} parts");
    }
}

/// A chain of stages, one test behind each but the last: bad from the faulty stage on.
fn chain(stages: usize) -> Bank {
    let sets: Vec<Vec<bool>> = (0..stages - 1).map(|test| (0..stages).map(|faulty| faulty <= test).collect()).collect();
    yes_no(&vec![1.0; stages], &sets)
}

/// `tests/published/half_split.csv`: mean tests of an optimal halving of N equally likely stages.
#[test]
fn the_most_informative_test_halves_a_chain() {
    let text = std::fs::read_to_string("tests/published/half_split.csv").expect("the table");
    let table: String = text.lines().filter(|line| !line.starts_with('#')).map(|line| format!("{line}\n")).collect();
    let mut rows = 0;
    for row in csv::Reader::from_reader(table.as_bytes()).deserialize::<(usize, u32, f64, u32, f64, f64)>() {
        let (stages, worst, mean, ..) = row.expect("a row");
        if stages > 64 {
            continue;
        }
        rows += 1;
        let bank = chain(stages);
        let mut most = 0;
        let found = mean_tests(&bank, |_, readings| {
            let posterior = Posterior::of(&bank, readings, &[]);
            let tests: Vec<TestIndex> = (0..stages - 1).map(TestIndex).collect();
            let worth = worth(&bank, &posterior.predict(&bank, readings, &tests), &posterior.parts(&bank));
            worth.iter().max_by(|a, b| a.bits.total_cmp(&b.bits)).map(|worth| worth.test)
        });
        // The worst case is met by some stage: no search of two answers does with fewer than log2 N for all.
        for faulty in 0..stages {
            let (mut low, mut high, mut tests) = (0, stages, 0);
            while high - low > 1 {
                let middle = (low + high) / 2;
                if faulty < middle {
                    high = middle
                } else {
                    low = middle
                }
                tests += 1;
            }
            most = most.max(tests);
        }
        assert_eq!(most, worst, "the table's worst case is that of halving");
        // The table prints eight digits.
        assert!((found - mean).abs() < 1e-7, "{stages} stages: {found} for {mean}");
    }
    assert!(rows > 15, "only {rows} rows");
}

#[test]
fn bits_of_a_yes_no_test_are_the_entropy_of_its_answer() {
    // 16 stages: a test behind stage k says yes with k/16, and 64 strata hold 4k of these exactly.
    let bank = chain(16);
    let posterior = Posterior::of(&bank, &[], &[]);
    let tests: Vec<TestIndex> = (0..15).map(TestIndex).collect();
    for worth in worth(&bank, &posterior.predict(&bank, &[], &tests), &posterior.parts(&bank)) {
        let p = (worth.test.0 + 1) as f64 / 16.0;
        let entropy = -p * p.log2() - (1.0 - p) * (1.0 - p).log2();
        assert!((worth.bits - entropy).abs() < 1e-9, "{}: {} for {entropy}", worth.test.0, worth.bits);
    }
}

#[test]
fn a_test_that_tells_nothing_saves_nothing_and_is_not_proposed() {
    let rows = [(1.0, vec![0.0, 3.0]), (1.0, vec![8.0, 3.0]), (2.0, vec![16.0, 3.0])];
    let bank = plain(&rows, 0.4, &[1.0, 0.01], &CLOSED);
    let posterior = Posterior::of(&bank, &[], &[]);
    let tests = [TestIndex(0), TestIndex(1)];
    let worth = worth(&bank, &posterior.predict(&bank, &[], &tests), &posterior.parts(&bank));
    assert!(worth[1].saving < 1e-9 && worth[1].bits < 1e-9, "{:?}", worth[1]);
    assert!(worth[0].saving > 5.0 && worth[0].bits > 1.4, "{:?}", worth[0]);
    let next = Session::new(Arc::new(bank)).answer().next;
    assert_eq!(next.iter().map(|proposal| proposal.test).collect::<Vec<_>>(), [TestIndex(0)]);
    // Eight reading sd apart, each within √1.4: all three are told apart, and expected where they lie.
    assert_eq!(next[0].separates, [vec![PartIndex(0)], vec![PartIndex(1)], vec![PartIndex(2)]]);
    let first = &next[0].expect[0];
    assert_eq!(first.part, PartIndex(2));
    // 10 % and 90 % of a Gaussian lie 1.28155 sd away; one coordinate is 0.7 dB. Quantiles are found to 1e-3.
    for (found, expected) in [(first.value, 16.0), (first.low, 16.0 - 1.28155 * 1.4_f64.sqrt())] {
        assert!((found - 0.7 * expected).abs() < 2e-3, "{found}");
    }
}

#[test]
fn two_kinds_of_one_part_are_never_told_apart_at_a_cost() {
    let size = Size { parts: 1, kinds: 3, points: 5, tests: 6, tolerances: 3, contrast: 8.0 };
    let answer = Session::new(Arc::new(random(&size, &CLOSED, 8))).answer();
    assert!(answer.next.is_empty(), "one part only: {:?}", answer.next);
}

#[test]
fn a_verdict_on_few_readings_is_verified_first() {
    let rows = [(1.0, vec![0.0; 10]), (1.0, vec![30.0; 10])];
    let bank = Arc::new(plain(&rows, 0.4, &[1.0; 10], &OtherSettings::default()));
    let mut session = Session::new(bank);
    session.add(point(0, 0.1)).expect("a reading");
    let mut asked = 0;
    loop {
        let next = session.answer().next;
        let Some(first) = next.first() else { break };
        assert!(next.len() <= 4 && next.iter().all(|proposal| proposal.verify));
        session.add(point(first.test.0, -0.1)).expect("a reading");
        asked += 1;
    }
    // Eight readings are enough.
    assert_eq!(asked, 7);
    assert_eq!(session.answer().plan.steps[0].part, PartIndex(0));
}

/// Follows the advice on one unit; probability of the first suspect at the end, and whether it is right.
fn repaired(bank: &Arc<Bank>, unit: &Unit) -> (f64, bool, usize) {
    let mut session = Session::new(Arc::clone(bank));
    loop {
        let answer = session.answer();
        match answer.next.iter().find(|proposal| !proposal.verify) {
            Some(proposal) => session.add(point(proposal.test.0, unit.readings[proposal.test.0])).expect("a reading"),
            None => {
                let first = &answer.verdict.suspects[0];
                return (first.probability, first.part.0 == unit.part, answer.readings);
            }
        }
    }
}

/// Where the truth is drawn from the bank itself, Bayes' rule says what is right: of answers given p, a share p is true.
#[test]
fn probabilities_are_honest_where_the_bank_is_the_truth() {
    let size = Size { parts: 10, kinds: 1, points: 8, tests: 8, tolerances: 8, contrast: 2.5 };
    let bank = Arc::new(random(&size, &OtherSettings::default(), 21));
    let mut draw = Draw::new(22, 0);
    let outcomes: Vec<(f64, bool, usize)> = (0..600).map(|_| repaired(&bank, &draw_unit(&bank, &mut draw))).collect();
    let sure: Vec<_> = outcomes.iter().filter(|(probability, ..)| *probability >= 0.9).collect();
    assert!(sure.len() > 100 && sure.len() < 550, "only {} answers are sure", sure.len());
    let right = sure.iter().filter(|(_, right, _)| *right).count() as f64 / sure.len() as f64;
    let said = sure.iter().map(|(probability, ..)| probability).sum::<f64>() / sure.len() as f64;
    let error = (said * (1.0 - said) / sure.len() as f64).sqrt();
    assert!(right >= said - 2.5 * error, "{right} right where {said} was said, of {}", sure.len());
    // Calibration error over five bins; 600 units leave about 0.02 of chance.
    let mut gap = 0.0;
    for bin in 0..5 {
        let (from, to) = (f64::from(bin) / 5.0, f64::from(bin + 1) / 5.0);
        let inside: Vec<_> = outcomes.iter().filter(|(p, ..)| *p >= from && *p < to).collect();
        let right = inside.iter().filter(|(_, right, _)| *right).count() as f64;
        gap += (inside.iter().map(|(p, ..)| p).sum::<f64>() - right).abs() / outcomes.len() as f64;
    }
    assert!(gap < 0.04, "calibration error {gap}");
    println!("{} of 600 sure, {right:.3} right for {said:.3} said; calibration error {gap:.3}", sure.len());
}
