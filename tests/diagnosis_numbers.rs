//! The numbers of diagnosis, piece by piece: against algebra shown beside them, published tables and integration.

#[path = "common/synthetic.rs"]
#[allow(dead_code)]
mod synthetic;

use std::f64::consts::PI;

use hissmap::diagnosis::normal::{chi_square_survival, cumulative, quantile, truncated};
use hissmap::diagnosis::{
    Act, BankBuilder, BankError, Component, Costs, Draw, HypothesisIndex, Linearised, Observed, OtherSettings,
    Posterior, Scale, TestIndex, Word, misfit, plan, refine, share_out, verdict,
};
use nalgebra::{DMatrix, DVector};
use synthetic::{CLOSED, hypothesis, integrated, test};

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found:e} for {expected:e}");
}

/// ln P, mean and variance of N(0,1) truncated to an interval; mpmath 1.3.0 with 60 digits, from erfc.
const TRUNCATED: [(f64, f64, f64, f64, f64); 15] = [
    (-1.0, 2.0, -0.2001662943244626, 0.22963717909132897, 0.5197625392115339),
    (0.5, f64::INFINITY, -1.1759117615936185, 1.1410777703680646, 0.26848040715587895),
    (3.9, 5.0, -9.948282168191053, 4.124033052542145, 0.041874011898881305),
    (5.0, 6.0, -15.068446096529453, 5.183147090477173, 0.029452430768483057),
    (10.0, f64::INFINITY, -53.23128515051247, 10.098093233962512, 0.009445377825656262),
    (40.0, 41.0, -804.6084420137538, 40.02496884720726, 0.0006226683785913863),
    (100.0, f64::INFINITY, -5005.524208694205, 100.00999800099926, 9.994004994826346e-05),
    (1000.0, 1000.5, -500007.82669481216, 1000.000999998, 9.999940000499995e-07),
    (-0.01, 0.02, -4.425546429024687, 0.004999625011250021, 7.499774993973974e-05),
    (f64::NEG_INFINITY, -7.0, -27.384307498811076, -7.137545613226504, 0.01826191169662223),
    (2.0, 2.0001, -12.129378905178662, 2.000049998333292, 8.333333313923227e-10),
    (-50.0, 60.0, 0.0, 0.0, 1.0),
    (100000.0, f64::INFINITY, -5000000012.431864, 100000.00001, 9.999999994e-11),
    (3.5, 4.25, -8.413100990056401, 3.7170496621044595, 0.03196083637595091),
    (-4.5, -4.0, -10.473583157636277, -4.168079589578314, 0.016768643013079645),
];

#[test]
fn moments_of_an_interval_hold_far_out_and_in_narrow_ones() {
    for (alpha, beta, ln_probability, mean, variance) in TRUNCATED {
        let found = truncated(alpha, beta);
        // 1e-11: below the 1e-10 that the moments are used to.
        close(found.ln_probability, ln_probability, 1e-11);
        close(found.mean, mean, 1e-11);
        close(found.variance, variance, 1e-11);
    }
}

#[test]
fn moments_of_an_interval_agree_with_integration() {
    let mut draw = Draw::new(5, 0);
    for _ in 0..60 {
        let alpha = 6.0 * draw.normal();
        let beta = alpha + 8.0 * draw.uniform() + 1e-3;
        let (mass, mean, variance) = integrated(alpha, beta);
        let found = truncated(alpha, beta);
        close(found.ln_probability.exp(), mass, 1e-10);
        assert!((found.mean - mean).abs() < 1e-10, "{alpha} {beta}: {} for {mean}", found.mean);
        close(found.variance, variance, 1e-10);
    }
}

/// Quantiles of N(0,1): Abramowitz and Stegun 1964, tables 26.5 and 26.6; the last by mpmath 1.3.0.
#[test]
fn quantiles_of_the_normal_distribution() {
    for (probability, x) in [(0.5, 0.0), (0.9, 1.28155), (0.975, 1.95996), (0.999, 3.09023), (0.025, -1.95996)] {
        assert!((quantile(probability) - x).abs() < 6e-6, "{probability}");
    }
    close(quantile(1e-12), -7.034_483_825_301_132, 1e-13);
    for step in 1..200 {
        close(cumulative(quantile(f64::from(step) / 200.0)), f64::from(step) / 200.0, 1e-13);
    }
}

/// Percentage points of chi-square: Abramowitz and Stegun 1964, table 26.8, to the digits printed there.
#[test]
fn chi_square_as_tabulated() {
    for (degrees, survival, square, unit) in [
        (1, 0.05, 3.84146, 1e-5),
        (2, 0.05, 5.99147, 1e-5),
        (5, 0.05, 11.0705, 1e-4),
        (10, 0.05, 18.3070, 1e-4),
        (30, 0.05, 43.7730, 1e-4),
        (1, 0.01, 6.63490, 1e-5),
        (2, 0.01, 9.21034, 1e-5),
        (5, 0.01, 15.0863, 1e-4),
        (10, 0.01, 23.2093, 1e-4),
        (30, 0.01, 50.8922, 1e-4),
        (5, 0.95, 1.145476, 1e-6),
        (10, 0.995, 2.15585, 1e-5),
        (100, 0.10, 118.498, 1e-3),
    ] {
        // Within one unit of the last printed digit lies the survival of the table.
        assert!(chi_square_survival(square + unit, degrees) <= survival, "{degrees} {survival}");
        assert!(chi_square_survival(square - unit, degrees) >= survival, "{degrees} {survival}");
    }
    // Far out and of many degrees: mpmath 1.3.0, the incomplete gamma function with 30 digits.
    close(chi_square_survival(200.0, 100), 1.1784500720979422e-08, 1e-11);
    close(chi_square_survival(1500.0, 1400), 0.03150372098939239, 1e-10);
    close(chi_square_survival(1.0, 7), 0.9948285365165155, 1e-13);
    assert_eq!(chi_square_survival(0.0, 0), 1.0);
}

#[test]
fn severities_are_quantiles_on_a_logarithmic_scale() {
    // Nine points of equal weight, decades 1e0 to 1e8; the middle of point i lies at (i + 1/2)/9, so that the quantile p
    // lies at the decade 9p − 1/2: 10 % at 10^0.4, the median at 10^4, 90 % at 10^7.6.
    let mut builder = BankBuilder::new(vec!["Q1".into()], vec![hypothesis(0, 1.0)], vec![test(0, 1.0)]);
    for decade in (0..9).rev() {
        let component = Component {
            hypothesis: HypothesisIndex(0),
            severity: Some(10f64.powi(decade)),
            share: 1.0 / 9.0,
            mean: vec![0.0],
        };
        builder.add(component, &DMatrix::zeros(1, 1));
    }
    let bank = builder.finish(Costs::default(), &CLOSED).expect("a bank");
    let found = verdict(&bank, &Posterior::of(&bank, &[], &[]));
    let severity = found.suspects[0].kinds[0].severity.expect("a severity");
    close(severity.p10, 10f64.powf(0.4), 1e-9);
    close(severity.median, 1e4, 1e-9);
    close(severity.p90, 10f64.powf(7.6), 1e-9);
}

/// Cost to go, worked by hand: each part adds min(30(rem − p), 15 rem), stopping adds 60 rem.
#[test]
fn the_cost_to_go_by_hand() {
    let costs = Costs::default();
    let cost = |probabilities: &[f64]| plan(&costs, probabilities).cost;
    // Certain: nothing can go wrong.
    close(cost(&[1.0]) + 1.0, 1.0, 1e-15);
    // 30·0.1 = 3, then the other one is certain.
    close(cost(&[0.1, 0.9]), 3.0, 1e-12);
    // 30·0.5 = 15·1 = 15, then certain.
    close(cost(&[0.5, 0.5]), 15.0, 1e-12);
    // 15 + 15·0.75 + min(30·0.25, 15·0.5) + 0 = 33.75.
    close(cost(&[0.25; 4]), 33.75, 1e-12);
    // One part at least: 15 + 60·0.8.
    close(cost(&[0.2]), 63.0, 1e-12);
    // 12, 15·0.4 = 6, 15·0.3 = 4.5, then the open search 60·0.2: 34.5; stopping before costs 36 either way.
    close(cost(&[0.1, 0.6, 0.1]), 34.5, 1e-12);
    // 30·0.1 = 3 and 60·0.1 = 6; a second of 0.001 would add 15·0.1 for 0.06.
    let stops = plan(&costs, &[0.9, 0.001]);
    close(stops.cost, 9.0, 1e-12);
    assert_eq!((stops.steps.len(), stops.steps[0].act), (1, Act::Replace));
    assert_eq!(plan(&costs, &[0.25; 4]).steps[0].act, Act::Lift);
    // Nothing listed: the open search at once.
    assert_eq!((cost(&[]), plan(&costs, &[]).steps.len()), (60.0, 0));
}

#[test]
fn coordinates_have_unit_error_and_come_back() {
    // dx/dV = 1/σ(V): hiss 12 %, DC √((5 mV)² + (1.2 %)²), change 0.7 dB.
    let cases: [(Scale, f64, f64); 6] = [
        (Scale::RMS, 3e-3, 0.12 * 3e-3),
        (Scale::PEAK_TO_PEAK, 0.2, 0.2 * 0.2),
        (Scale::DC, 0.0, 5e-3),
        (Scale::DC, -9.0, (25e-6_f64 + (0.012 * 9.0_f64).powi(2)).sqrt()),
        (Scale::DC, 0.4, (25e-6_f64 + (0.012 * 0.4_f64).powi(2)).sqrt()),
        (Scale::CHANGE, -9.0, 0.7),
    ];
    for (scale, value, error) in cases {
        let at = |value: f64| scale.coordinate(value).expect("a coordinate");
        let step = 1e-4 * error;
        // 1e-6: central differences.
        close((at(value + step) - at(value - step)) / (2.0 * step), 1.0 / error, 1e-6);
        assert!((scale.value(at(value)) - value).abs() <= 1e-12 * value.abs().max(1e-3));
    }
    for scale in [Scale::RMS, Scale::DC, Scale::CHANGE] {
        assert_eq!(scale.coordinate(f64::NAN), None);
        assert_eq!(scale.point(f64::INFINITY), None);
    }
    assert_eq!((Scale::RMS.coordinate(0.0), Scale::RMS.coordinate(-1.0)), (None, None));
}

#[test]
fn words_are_intervals() {
    let interval = |low: f64, high: f64| Some(Observed::Between { low, high });
    let word = |word| Scale::CHANGE.word(word, None);
    assert_eq!(word(Word::Same), interval(-1.0 / 0.7, 1.0 / 0.7));
    assert_eq!(word(Word::Less), interval(-6.0 / 0.7, -1.0 / 0.7));
    assert_eq!(word(Word::MuchLess), interval(-12.0 / 0.7, -6.0 / 0.7));
    assert_eq!(word(Word::Gone), interval(f64::NEG_INFINITY, -12.0 / 0.7));
    assert_eq!(word(Word::More), interval(1.0 / 0.7, f64::INFINITY));
    // Down to the floor that lies 9 dB below: as far as this unit can fall.
    assert_eq!(Scale::CHANGE.word(Word::Gone, Some(-9.0)), interval(f64::NEG_INFINITY, -9.0 / 0.7));
    // Hiss as large as the floor reads √2 of it: powers add.
    let Some(Observed::Between { low, high }) = Scale::RMS.word(Word::NotVisible, Some(1e-3)) else { panic!() };
    assert_eq!(low, f64::NEG_INFINITY);
    close(high, (2f64.sqrt() * 1e-3).ln() / 0.12, 1e-12);
    assert_eq!(Scale::RMS.word(Word::NotVisible, None), None);
    assert_eq!(Scale::DC.word(Word::Same, None), None);
    assert_eq!(Scale::CHANGE.word(Word::NotVisible, Some(1.0)), None);
}

#[test]
fn the_unlisted_fault_is_as_broad_as_told() {
    let mut tests = vec![test(0, 1.0), test(1, 1.0)];
    tests[0].scale = Scale::DC;
    let mut hypotheses = vec![hypothesis(0, 1.0), hypothesis(0, 1.0)];
    hypotheses[1].moves_dc = true;
    let mut builder = BankBuilder::new(vec!["Q1".into()], hypotheses, tests);
    for (at, mean) in [(0, vec![0.0, 2.0]), (1, vec![40.0, 4.0])] {
        let component = Component { hypothesis: HypothesisIndex(at), severity: None, share: 1.0, mean };
        builder.add(component, &DMatrix::from_row_slice(2, 1, &[2.0, 1.0]));
    }
    let bank = builder.finish(Costs::default(), &OtherSettings::default()).expect("a bank");
    let (dc, other) = (TestIndex(0), TestIndex(1));
    let range = bank.ranges()[1].clone();
    close(range.clone().map(|component| bank.weight_of(component)).sum(), 0.03, 1e-12);
    // First: the component that does not move DC, Σ = (4 2; 2 1), the other test at twice the variance.
    let first = range.start;
    assert_eq!(bank.mean_of(first), [0.0, 2.0]);
    close(bank.covariance_of(first, dc, dc), 4.0, 1e-12);
    close(bank.covariance_of(first, other, other), 2.0, 1e-12);
    close(bank.covariance_of(first, dc, other), 2.0 * 2f64.sqrt(), 1e-12);
    // Second: means 20 and 3, variances 20² + 4 and 1² + 1, covariance 20·1 + 2, all three times as wide.
    let second = first + 1;
    close(bank.mean_of(second)[0], 20.0, 1e-12);
    close(bank.covariance_of(second, dc, dc), 9.0 * 404.0, 1e-12);
    close(bank.covariance_of(second, other, other), 9.0 * 2.0, 1e-12);
    close(bank.covariance_of(second, dc, other), 9.0 * 22.0, 1e-12);
}

#[test]
fn dc_of_the_unlisted_fault_is_never_narrow() {
    let mut tests = vec![test(0, 1.0), test(1, 1.0)];
    (tests[0].scale, tests[1].scale) = (Scale::DC, Scale::DC);
    let mut builder = BankBuilder::new(vec!["Q1".into()], vec![hypothesis(0, 1.0)], tests);
    let component = Component { hypothesis: HypothesisIndex(0), severity: None, share: 1.0, mean: vec![0.0, 0.0] };
    builder.add(component, &DMatrix::from_row_slice(2, 1, &[2.0, 0.0]));
    let bank = builder.finish(Costs::default(), &OtherSettings::default()).expect("a bank");
    for test in [TestIndex(0), TestIndex(1)] {
        close(bank.covariance_of(bank.ranges()[1].start + 1, test, test), 225.0, 1e-12);
    }
}

#[test]
fn a_bank_that_does_not_fit_is_refused() {
    let build = |component: Component, factor: &DMatrix<f64>| {
        let mut builder = BankBuilder::new(vec!["Q1".into()], vec![hypothesis(0, 1.0)], vec![test(0, 1.0)]);
        builder.add(component, factor);
        builder.finish(Costs::default(), &OtherSettings::default()).map(|_| ())
    };
    let good = Component { hypothesis: HypothesisIndex(0), severity: None, share: 1.0, mean: vec![0.0] };
    let one = DMatrix::identity(1, 1);
    assert_eq!(build(good.clone(), &one), Ok(()));
    let wrong = Component { mean: vec![0.0, 1.0], ..good.clone() };
    assert_eq!(build(wrong, &one), Err(BankError::Shape { component: 0, found: 2, tests: 1 }));
    let wrong = Component { mean: vec![f64::NAN], ..good.clone() };
    assert_eq!(build(wrong, &one), Err(BankError::Number { component: 0 }));
    let wrong = Component { hypothesis: HypothesisIndex(3), ..good.clone() };
    assert_eq!(build(wrong, &one), Err(BankError::Stranger { component: 0 }));
    assert_eq!(build(Component { share: 0.0, ..good.clone() }, &one), Err(BankError::Empty));
    assert_eq!(build(good, &DMatrix::zeros(3, 1)), Err(BankError::Shape { component: 0, found: 3, tests: 1 }));
}

#[test]
fn refinement_of_what_is_linear_is_exact() {
    // y = J·x + a, x of N(0,1), errors of N(0,1): evidence of N(a, JJᵀ + 1), less the (2π)^(−n/2) that all share.
    let slopes = DMatrix::from_row_slice(3, 2, &[1.0, 0.5, -0.3, 2.0, 0.7, 0.1]);
    let offset = DVector::from_row_slice(&[0.2, -1.0, 3.0]);
    let y = DVector::from_row_slice(&[1.0, 0.5, 2.0]);
    let spread = &slopes * slopes.transpose() + DMatrix::identity(3, 3);
    let away = &y - &offset;
    let square = away.dot(&(spread.clone().try_inverse().expect("regular") * &away));
    let exact = -0.5 * square - 0.5 * f64::ln(spread.determinant());
    let observed: Vec<Observed> = y.iter().map(|value| Observed::Point(*value)).collect();
    let linearise = |x: &DVector<f64>| Some(Linearised { mean: &offset + &slopes * x, slopes: slopes.clone() });
    let found = refine(&DVector::zeros(2), &observed, 2, linearise).expect("a solution");
    close(found.ln_evidence, exact, 1e-12);
    close(found.square, square, 1e-12);
    assert_eq!(refine(&DVector::zeros(2), &observed, 2, |_| None), None);
}

#[test]
fn refinement_bends_along_and_evidence_is_laplaces() {
    // One reading of f(x) = 4·e^(0.1x), y = 5: mode where (y − f)·f' = x; evidence of the integral ∫ φ(x)·e^(−(y−f)²/2) dx.
    let f = |x: f64| 4.0 * (0.1 * x).exp();
    let linearise = |x: &DVector<f64>| {
        Some(Linearised { mean: DVector::from_element(1, f(x[0])), slopes: DMatrix::from_element(1, 1, 0.1 * f(x[0])) })
    };
    let found = refine(&DVector::zeros(1), &[Observed::Point(5.0)], 6, linearise).expect("a solution");
    let x = found.parameters[0];
    assert!(((5.0 - f(x)) * 0.1 * f(x) - x).abs() < 1e-4);
    let steps = 200_000;
    let integral: f64 = (0..steps)
        .map(|step| {
            let x = -10.0 + 20.0 * (f64::from(step) + 0.5) / f64::from(steps);
            (-0.5 * x * x - 0.5 * (5.0 - f(x)).powi(2)).exp() * 20.0 / f64::from(steps)
        })
        .sum::<f64>()
        / (2.0 * PI).sqrt();
    // Laplace's method leaves the third derivative out: about a hundredth here.
    assert!((found.ln_evidence - integral.ln()).abs() < 0.02, "{} for {}", found.ln_evidence, integral.ln());
    let shared = share_out(&[0.2, 0.4], &[1.0, 3.0], &[2f64.ln(), 0.0]);
    close(shared[0], 0.6 * 2.0 / 5.0, 1e-12);
    close(shared[1], 0.6 * 3.0 / 5.0, 1e-12);
}

#[test]
fn the_threshold_is_the_quantile_of_sound_cases() {
    // Order statistics 0, 0.01, … 1: the 5 % point of 101 equally spaced values is 0.05.
    let values: Vec<f64> = (0..=100).rev().map(|step| f64::from(step) / 100.0).collect();
    close(misfit::threshold(&values, 0.05), 0.05, 1e-12);
    close(misfit::threshold(&values, 0.055), 0.055, 1e-12);
    assert_eq!(misfit::threshold(&[], 0.05), misfit::DEFAULT_THRESHOLD);
}
