//! Rows of the table, each with its standard error.

use std::fmt::Write as _;

/// A figure and its standard error.
#[derive(Clone, Copy, Debug, Default)]
pub struct Figure {
    pub value: f64,
    pub error: f64,
    pub count: usize,
}

impl Figure {
    /// How often something was so.
    pub fn share(all: impl Iterator<Item = bool>) -> Self {
        Self::mean(all.map(f64::from))
    }

    pub fn mean(all: impl Iterator<Item = f64>) -> Self {
        let all: Vec<f64> = all.collect();
        let count = all.len();
        if count == 0 {
            return Self::default();
        }
        let value = all.iter().sum::<f64>() / count as f64;
        let spread = all.iter().map(|one| (one - value).powi(2)).sum::<f64>() / count as f64;
        Self { value, error: (spread / count as f64).sqrt(), count }
    }

    /// Whether it may still be as large as required: not below it by more than three standard errors of a binomial share
    /// that is just as large.
    pub fn may_reach(&self, required: f64) -> bool {
        self.count == 0 || self.value >= required - 3.0 * (required * (1.0 - required) / self.count as f64).sqrt()
    }

    pub fn text(&self, decimals: usize) -> String {
        if self.count == 0 {
            return "none".to_owned();
        }
        format!("{:.decimals$} ± {:.decimals$} of {}", self.value, self.error, self.count)
    }
}

/// Mean distance, over five bins of the probability that was said, of what was said from what was right.
pub fn calibration(said: &[(f64, bool)]) -> f64 {
    let mut error = 0.0;
    for bin in 0..5 {
        let inside = said.iter().filter(|(probability, _)| ((5.0 * probability) as usize).min(4) == bin);
        error += inside.map(|(probability, right)| probability - f64::from(*right)).sum::<f64>().abs();
    }
    error / said.len().max(1) as f64
}

/// Rows of a table in text.
#[derive(Default)]
pub struct Table(String);

impl Table {
    pub fn title(&mut self, title: &str) {
        let _ = writeln!(self.0, "\n{title}");
    }

    pub fn row(&mut self, measure: &str, value: &str, required: &str) {
        let _ = writeln!(self.0, "| {measure} | {value} | {required} |");
    }

    pub fn head(&mut self) {
        self.row("measure", "measured", "required");
        self.row("---", "---", "---");
    }

    pub fn text(&self) -> &str {
        &self.0
    }
}
