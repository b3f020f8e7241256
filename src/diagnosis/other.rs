//! The fault that nobody listed: two broad components made from all the listed ones.
//!
//! With µ and Σ the mean and covariance of a mixture of components, between them and inside them:
//!
//! ```text
//! first    µ and Σ of the faults that do not move DC volts; the other tests at twice the variance
//! second   µ and Σ of all; everything three times as wide, and DC at least 15 reading sd
//! ```
//!
//! Scaling rows and columns alike keeps Σ a covariance.

use nalgebra::{DMatrix, DVector};

use super::bank::Bank;

/// How broad the unlisted fault is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OtherSettings {
    /// Its prior probability, below 1.
    pub probability: f64,
    /// Factor on the variance of tests other than DC in the first component.
    pub first_variance: f64,
    /// Factor on the sd of everything in the second component.
    pub second_sd: f64,
    /// Least sd of DC tests in the second component, in reading sd.
    pub least_dc_sd: f64,
}

impl Default for OtherSettings {
    fn default() -> Self {
        Self { probability: 0.03, first_variance: 2.0, second_sd: 3.0, least_dc_sd: 15.0 }
    }
}

/// Mean and covariance of the two components. `moves_dc`: one a component of the bank.
pub(super) fn components(
    bank: &Bank,
    moves_dc: &[bool],
    settings: &OtherSettings,
) -> Vec<(DVector<f64>, DMatrix<f64>)> {
    let quiet = |component: usize| !moves_dc[component];
    let (first_mean, first) = moments(bank, quiet).unwrap_or_else(|| everything(bank));
    let (second_mean, second) = everything(bank);
    let is_dc: Vec<bool> = bank.tests.iter().map(|test| test.scale.is_dc()).collect();
    let widen = DVector::from_fn(is_dc.len(), |test, _| if is_dc[test] { 1.0 } else { settings.first_variance.sqrt() });
    let wider = DVector::from_fn(is_dc.len(), |test, _| {
        let sd = settings.second_sd * second[(test, test)].max(0.0).sqrt();
        // A test that no listed fault moves has no width to scale; it gets its own below.
        if is_dc[test] && sd > 0.0 {
            settings.second_sd * (settings.least_dc_sd / sd).max(1.0)
        } else {
            settings.second_sd
        }
    });
    let mut second = scaled(second, &wider);
    for test in (0..is_dc.len()).filter(|&test| is_dc[test]) {
        let missing = settings.least_dc_sd * settings.least_dc_sd - second[(test, test)];
        second[(test, test)] += missing.max(0.0);
    }
    vec![(first_mean, scaled(first, &widen)), (second_mean, second)]
}

fn everything(bank: &Bank) -> (DVector<f64>, DMatrix<f64>) {
    moments(bank, |_| true).expect("a bank has weight")
}

/// Mean and covariance of the mixture of the components that `belongs` picks; `None` if they have no weight.
fn moments(bank: &Bank, belongs: impl Fn(usize) -> bool) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let tests = bank.tests.len();
    let picked: Vec<usize> = (0..bank.len()).filter(|&component| belongs(component)).collect();
    let total: f64 = picked.iter().map(|&component| bank.weight_of(component)).sum();
    if total <= 0.0 {
        return None;
    }
    let mut mean = DVector::zeros(tests);
    for &component in &picked {
        let weight = bank.weight_of(component) / total;
        mean.iter_mut().zip(bank.mean_of(component)).for_each(|(sum, mean)| *sum += weight * mean);
    }
    let mut packed = vec![0.0; tests * (tests + 1) / 2];
    for &component in &picked {
        let weight = bank.weight_of(component) / total;
        packed.iter_mut().zip(bank.packed(component)).for_each(|(sum, entry)| *sum += weight * entry);
        let away: Vec<f64> = bank.mean_of(component).iter().zip(&mean).map(|(own, mean)| own - mean).collect();
        let mut at = 0;
        for (row, of_row) in away.iter().enumerate() {
            for of_column in &away[..=row] {
                packed[at] += weight * of_row * of_column;
                at += 1;
            }
        }
    }
    let covariance = DMatrix::from_fn(tests, tests, |row, column| packed[super::bank::place(row, column)]);
    Some((mean, covariance))
}

fn scaled(mut covariance: DMatrix<f64>, by: &DVector<f64>) -> DMatrix<f64> {
    for row in 0..by.len() {
        for column in 0..by.len() {
            covariance[(row, column)] *= by[row] * by[column];
        }
    }
    covariance
}
