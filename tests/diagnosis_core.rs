//! Posterior and conversation over plain data: the rules taken literally, and what must hold whatever is read.

#[path = "common/synthetic.rs"]
#[allow(dead_code)]
mod synthetic;

use std::sync::Arc;

use hissmap::diagnosis::normal::quantile;
use hissmap::diagnosis::{
    Draw, Observed, OtherSettings, Outcome, PartIndex, Posterior, Reading, Session, SessionError, TestIndex,
    inseparable,
};
use nalgebra::{DMatrix, DVector};
use synthetic::{CLOSED, Size, draw_unit, integrated, plain, point, random};

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found:e} for {expected:e}");
}

fn between(test: usize, low: f64, high: f64) -> Reading {
    Reading { test: TestIndex(test), observed: Observed::Between { low, high } }
}

#[test]
fn two_hypotheses_and_one_reading_by_hand() {
    let bank = plain(&[(3.0, vec![0.0]), (1.0, vec![2.0])], 0.7, &[1.0], &CLOSED);
    let posterior = Posterior::of(&bank, &[point(0, 1.3)], &[]);
    // Likelihood of the rule: v = Σ + 1 = 1.7; (0.99 e^(−d²/2v) + 0.0025 e^(−d²/32v))/√v, d = 1.3 and −0.7.
    let likelihood = |d: f64| 0.99 * (-d * d / 3.4).exp() + 0.0025 * (-d * d / 54.4).exp();
    let (a, b) = (0.75 * likelihood(1.3), 0.25 * likelihood(-0.7));
    close(posterior.weights[0], a / (a + b), 1e-12);
    close(posterior.weights[1], b / (a + b), 1e-12);
    close(posterior.squares[0], 1.69 / 1.7, 1e-12);
    // Gaussian conditioning: mean 0 + 0.7/1.7·1.3, variance 0.7 − 0.7²/1.7.
    let prediction = posterior.predict(&bank, &[point(0, 1.3)], &[TestIndex(0)]);
    close(prediction.means(0)[0], 0.7 / 1.7 * 1.3, 1e-12);
    close(prediction.variances(0)[0], 0.7 / 1.7, 1e-12);
}

/// The rules of the update taken literally, with a full covariance and integrals by Simpson's rule.
fn literal(
    mean: &DVector<f64>,
    covariance: &DMatrix<f64>,
    readings: &[Reading],
) -> (f64, f64, DVector<f64>, DMatrix<f64>) {
    let (mut mean, mut covariance, mut ln_weight, mut square) = (mean.clone(), covariance.clone(), 0.0, 0.0);
    for reading in readings {
        let j = reading.test.0;
        let v = covariance[(j, j)] + 1.0;
        let column = covariance.column(j).into_owned();
        let g = &column / v;
        match reading.observed {
            Observed::Point(y) => {
                let d = y - mean[j];
                let tail = 0.99 * (-d * d / (2.0 * v)).exp() + 0.0025 * (-d * d / (32.0 * v)).exp();
                ln_weight += -0.5 * v.ln() + tail.ln();
                square += d * d / v;
                mean += &g * d;
                covariance -= &g * column.transpose();
            }
            Observed::Between { low, high } => {
                let (alpha, beta) = ((low - mean[j]) / v.sqrt(), (high - mean[j]) / v.sqrt());
                let (p, m, k) = integrated(alpha.max(-9.0), beta.min(9.0));
                let (p4, ..) = integrated((alpha / 4.0).max(-9.0), (beta / 4.0).min(9.0));
                ln_weight += (0.99 * p + 0.01 * p4).ln();
                let outside = 0.0_f64.max(low - mean[j]).max(mean[j] - high);
                square += outside * outside / v;
                mean += &g * (v.sqrt() * m);
                covariance -= &g * column.transpose() * (1.0 - k);
            }
        }
    }
    (ln_weight, square, mean, covariance)
}

#[test]
fn readings_repeated_and_in_words_follow_the_rules_literally() {
    let size = Size { parts: 3, kinds: 1, points: 2, tests: 5, tolerances: 4, contrast: 8.0 };
    let bank = random(&size, &CLOSED, 3);
    // In canonical order: test, then value.
    let readings = [
        point(0, -1.0),
        point(0, 0.5),
        between(1, -2.0, 1.0),
        point(1, 0.2),
        between(3, 1.5, f64::INFINITY),
        between(3, 2.0, 4.0),
        point(4, 3.0),
    ];
    let posterior = Posterior::of(&bank, &readings, &[]);
    let tests: Vec<TestIndex> = (0..5).map(TestIndex).collect();
    let prediction = posterior.predict(&bank, &readings, &tests);
    let by_rule: Vec<_> = (0..bank.len())
        .map(|component| {
            let mean = DVector::from_column_slice(bank.mean_of(component));
            literal(&mean, &bank.covariance_matrix(component), &readings)
        })
        .collect();
    let weights: Vec<f64> = (0..bank.len()).map(|c| bank.weight_of(c) * by_rule[c].0.exp()).collect();
    let total: f64 = weights.iter().sum();
    assert!(prediction.components.len() > 1);
    for (component, rule) in by_rule.iter().enumerate().take(bank.ranges()[3].start) {
        close(posterior.weights[component], weights[component] / total, 1e-9);
        close(posterior.squares[component], rule.1, 1e-9);
    }
    for (at, &component) in prediction.components.iter().enumerate() {
        for test in 0..5 {
            let (mean, variance) = (by_rule[component].2[test], by_rule[component].3[(test, test)]);
            assert!((prediction.means(test)[at] - mean).abs() < 1e-9);
            close(prediction.variances(test)[at], variance, 1e-9);
        }
    }
}

fn session(bank: &hissmap::diagnosis::Bank) -> Session {
    Session::new(Arc::new(bank.clone()))
}

fn small() -> hissmap::diagnosis::Bank {
    random(
        &Size { parts: 6, kinds: 2, points: 6, tests: 12, tolerances: 8, contrast: 8.0 },
        &OtherSettings::default(),
        11,
    )
}

#[test]
fn the_order_of_readings_changes_no_byte() {
    let bank = small();
    let mut draw = Draw::new(12, 0);
    let unit = draw_unit(&bank, &mut draw);
    let mut readings: Vec<Reading> = (0..6).map(|test| point(2 * test, unit.readings[2 * test])).collect();
    readings.push(point(4, unit.readings[4] + 0.3));
    readings.push(between(5, unit.readings[5] - 1.0, unit.readings[5] + 2.0));
    let answer = |order: &[Reading]| {
        let mut session = session(&bank);
        order.iter().for_each(|reading| session.add(*reading).expect("a reading"));
        format!("{:?}", session.answer())
    };
    let first = answer(&readings);
    for _ in 0..30 {
        for at in (1..readings.len()).rev() {
            readings.swap(at, (draw.uniform() * (at + 1) as f64) as usize);
        }
        assert_eq!(answer(&readings), first);
    }
}

#[test]
fn one_thread_and_two_give_the_same_bytes() {
    let bank = small();
    let unit = draw_unit(&bank, &mut Draw::new(13, 0));
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| {
            let mut session = session(&bank);
            session.add(point(3, unit.readings[3])).expect("a reading");
            let tests: Vec<TestIndex> = (0..bank.tests.len()).map(TestIndex).collect();
            format!("{:?} {:?}", session.answer(), inseparable(&bank, &tests, 8, 1))
        })
    };
    assert_eq!(on(1), on(2));
}

#[test]
fn a_repeated_reading_sharpens_and_a_contradiction_raises_the_misfit() {
    let bank = plain(&[(1.0, vec![0.0, 0.0]), (1.0, vec![3.0, 3.0])], 0.5, &[1.0, 1.0], &OtherSettings::default());
    let mut talk = session(&bank);
    let mut probability = 0.5;
    for _ in 0..4 {
        talk.add(point(0, 0.2)).expect("a reading");
        let answer = talk.answer();
        assert_eq!(answer.verdict.suspects[0].part, PartIndex(0));
        assert!(answer.verdict.suspects[0].probability >= probability);
        assert!(!answer.flag);
        probability = answer.verdict.suspects[0].probability;
    }
    assert!(probability > 0.9);
    let fits = talk.answer().fit;
    // Ten reading sd away from the four others.
    talk.add(point(0, 10.2)).expect("a reading");
    let answer = talk.answer();
    assert!(answer.fit < 0.2 * fits, "{} after {fits}", answer.fit);
    assert_eq!(answer.flag, answer.fit < 0.05 || answer.verdict.unknown_probability > 0.5);
    assert!(answer.flag);
    assert_eq!(answer.most_surprising, Some(point(0, 10.2)));
    // Step by step the four speak for the part, the fifth does not.
    let explained = talk.explain();
    assert!(explained[4].surprise < 1e-3 && explained[0].surprise > 0.1);
}

#[test]
fn undo_and_reset_restore_exactly() {
    let bank = small();
    let unit = draw_unit(&bank, &mut Draw::new(14, 0));
    let mut talk = session(&bank);
    let mut answers = vec![talk.answer()];
    for test in [5, 0, 9, 5] {
        talk.add(point(test, unit.readings[test])).expect("a reading");
        answers.push(talk.answer());
    }
    talk.menu(vec![TestIndex(1), TestIndex(2)]).expect("a menu");
    assert!(talk.answer().next.iter().all(|proposal| [1, 2].contains(&proposal.test.0)));
    talk.replaced(PartIndex(2), Outcome::NotCured).expect("a part");
    talk.undo(2).expect("two were said");
    for answer in answers.iter().rev() {
        assert_eq!(talk.answer(), *answer);
        let more = talk.undo(1);
        assert_eq!(more.is_err(), *answer == answers[0]);
    }
    assert_eq!(talk.undo(1), Err(SessionError::NothingToUndo { asked: 1, said: 0 }));
    talk.add(point(1, 0.0)).expect("a reading");
    talk.reset();
    assert_eq!(talk.answer(), answers[0]);
}

#[test]
fn what_is_no_reading_is_refused_and_changes_nothing() {
    let bank = small();
    let mut talk = session(&bank);
    let before = talk.answer();
    assert_eq!(talk.add(point(0, f64::NAN)), Err(SessionError::NotANumber));
    assert_eq!(talk.add(point(0, f64::INFINITY)), Err(SessionError::NotANumber));
    assert_eq!(talk.add(between(0, 2.0, 1.0)), Err(SessionError::NotANumber));
    assert_eq!(talk.add(between(0, f64::NAN, 1.0)), Err(SessionError::NotANumber));
    assert_eq!(talk.add(point(99, 0.0)), Err(SessionError::UnknownTest(TestIndex(99))));
    assert_eq!(talk.menu(vec![TestIndex(99)]), Err(SessionError::UnknownTest(TestIndex(99))));
    assert_eq!(talk.replaced(PartIndex(99), Outcome::Cured), Err(SessionError::UnknownPart(PartIndex(99))));
    assert_eq!(talk.answer(), before);
}

#[test]
fn readings_beyond_anything_are_flagged_at_once_and_stay_finite() {
    let bank = small();
    for reading in [point(1, 1e300), point(0, -1e9), between(2, 1e200, f64::INFINITY), between(1, -1e301, -1e300)] {
        let mut talk = session(&bank);
        talk.add(reading).expect("a number");
        let answer = talk.answer();
        assert_eq!(answer.outside.len(), 1);
        assert!(answer.flag, "{reading:?}");
        assert!(answer.verdict.suspects.iter().all(|suspect| suspect.probability.is_finite()));
        assert!(answer.next.iter().all(|proposal| proposal.saving.is_finite() && proposal.bits.is_finite()));
    }
}

#[test]
fn thousands_of_readings_are_borne() {
    let bank = small();
    let unit = draw_unit(&bank, &mut Draw::new(15, 0));
    let mut talk = session(&bank);
    for count in 0..3000 {
        talk.add(point(count % 12, unit.readings[count % 12])).expect("a reading");
    }
    let answer = talk.answer();
    assert!(answer.fit.is_finite() && answer.next.is_empty());
    assert!(answer.verdict.suspects[0].probability.is_finite());
}

#[test]
fn never_more_than_99_per_cent_in_any_part() {
    let bank = plain(&[(1.0, vec![0.0]), (1.0, vec![90.0])], 0.5, &[1.0], &CLOSED);
    let mut talk = session(&bank);
    (0..3).for_each(|_| talk.add(point(0, 0.0)).expect("a reading"));
    let found = talk.answer().verdict;
    assert_eq!(found.suspects[0].probability, 0.99);
    close(found.unknown_probability, 0.01, 1e-9);
    close(found.suspects[0].kinds[0].probability, 0.99, 1e-12);
    assert_eq!((found.smallest_set.as_slice(), found.set_has_unknown), ([PartIndex(0)].as_slice(), false));
}

#[test]
fn a_replaced_part_is_healthy_and_what_it_touches_starts_afresh() {
    let mut bank = small();
    bank.tests[3].touched_by = vec![PartIndex(0)];
    let mut talk = session(&bank);
    talk.add(point(3, 1.0)).expect("a reading");
    talk.add(point(6, 0.0)).expect("a reading");
    talk.replaced(PartIndex(0), Outcome::NotCured).expect("a part");
    let after = talk.answer();
    assert_eq!(after.readings, 1);
    let of_first = after.verdict.suspects.iter().find(|suspect| suspect.part == PartIndex(0)).expect("still listed");
    assert_eq!(of_first.probability, 0.0);
    // Nothing else is in the answer than the other reading, with the part left out.
    let mut fresh = session(&bank);
    fresh.replaced(PartIndex(0), Outcome::NotCured).expect("a part");
    fresh.add(point(6, 0.0)).expect("a reading");
    assert_eq!(fresh.answer(), after);
    talk.replaced(PartIndex(1), Outcome::StillTooStrong).expect("a part");
    assert!(talk.answer().second_fault);
    talk.replaced(PartIndex(2), Outcome::Cured).expect("a part");
    assert!(talk.answer().cured && talk.answer().next.is_empty());
}

#[test]
fn with_every_part_replaced_and_nothing_unlisted_no_number_is_lost() {
    let bank = plain(&[(1.0, vec![0.0]), (1.0, vec![3.0])], 0.5, &[1.0], &CLOSED);
    let mut talk = session(&bank);
    for part in 0..2 {
        talk.replaced(PartIndex(part), Outcome::NotCured).expect("a part");
    }
    let answer = talk.answer();
    assert!(answer.next.is_empty());
    assert!(answer.verdict.suspects.iter().all(|suspect| suspect.probability == 0.0));
}

#[test]
fn parts_that_read_alike_are_announced_together() {
    // Two alike in every test, one half a reading sd away from a fourth, one far from all.
    let rows = [
        (10.0, vec![0.0, 5.0, 1.0]),
        (0.3, vec![0.0, 5.0, 1.0]),
        (1.0, vec![20.0, 0.0, 0.0]),
        (1.0, vec![20.5, 0.0, 0.0]),
        (1.0, vec![-40.0, 9.0, 9.0]),
    ];
    let bank = plain(&rows, 0.2, &[1.0; 3], &OtherSettings::default());
    let tests: Vec<TestIndex> = (0..3).map(TestIndex).collect();
    let sets = inseparable(&bank, &tests, 64, 4);
    assert_eq!(sets, [vec![PartIndex(0), PartIndex(1)], vec![PartIndex(2), PartIndex(3)]]);
}

#[test]
fn mutual_posteriors_agree_with_integration() {
    // Two Gaussians of one variance a distance δ apart, in sd of the reading: E[1/(1 + e^(δz + δ²/2))] over z of N(0,1).
    let (delta, variance) = (1.5, 0.44);
    let bank = plain(&[(1.0, vec![0.0]), (5.0, vec![delta * 1.2])], variance, &[1.0], &OtherSettings::default());
    let steps = 4000;
    let exact: f64 = (0..steps)
        .map(|step| {
            let z = quantile((f64::from(step) + 0.5) / f64::from(steps));
            1.0 / (1.0 + (delta * z + 0.5 * delta * delta).exp())
        })
        .sum::<f64>()
        / f64::from(steps);
    let found = hissmap::diagnosis::mutual_posteriors(&bank, &[TestIndex(0)], 4000, 7)[0][1];
    // 8000 draws of numbers between 0 and 1 with an sd below 0.3: 0.0034 is one sd.
    assert!((found - exact).abs() < 0.014, "{found} for {exact}");
}
