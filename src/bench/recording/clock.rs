//! The time column of a recording: uniform but for jitter, or refused.

use super::misread::Misread;
use crate::diagnostic::Code;

/// Steps of time from whose median the first gaps are told.
const FIRST_STEPS: usize = 64;
/// What a step may be of the usual one: a sample left out makes two.
const USUAL: std::ops::RangeInclusive<f64> = 0.5..=1.5;

/// The time column so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Clock {
    /// Rows that wait for enough steps to judge them by.
    first: Vec<(f64, usize, String)>,
    begun: f64,
    last: f64,
    ticks: usize,
}

impl Clock {
    /// The time of the next row.
    pub fn tick(&mut self, seconds: f64, line: usize, text: &str) -> Result<(), Misread> {
        let before = std::mem::replace(&mut self.last, seconds);
        self.ticks += 1;
        if self.ticks == 1 {
            self.begun = seconds;
        }
        if self.ticks <= FIRST_STEPS + 1 {
            self.first.push((seconds, line, text.to_owned()));
            return if self.ticks == FIRST_STEPS + 1 { self.check_first() } else { Ok(()) };
        }
        let mean = (before - self.begun) / (self.ticks - 2) as f64;
        check_step(seconds - before, mean, line, text)
    }

    /// The waiting rows against the median of their steps, once there are enough of them or no more come.
    pub fn check_first(&mut self) -> Result<(), Misread> {
        let first = std::mem::take(&mut self.first);
        let mut steps: Vec<f64> = first.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
        steps.sort_by(f64::total_cmp);
        let Some(&median) = steps.get(steps.len() / 2) else { return Ok(()) };
        first.windows(2).try_for_each(|pair| check_step(pair[1].0 - pair[0].0, median, pair[1].1, &pair[1].2))
    }

    /// Samples per second so far.
    pub fn rate_hz(&self) -> Option<f64> {
        let rate = self.ticks.checked_sub(1)? as f64 / (self.last - self.begun);
        Some(rate).filter(|rate| rate.is_finite() && *rate > 0.0)
    }
}

fn check_step(step: f64, usual: f64, line: usize, text: &str) -> Result<(), Misread> {
    let message = match step / usual {
        ratio if usual > 0.0 && USUAL.contains(&ratio) => return Ok(()),
        _ if step < 0.0 => "time runs backwards here".to_owned(),
        _ if step == 0.0 => "time stands still here".to_owned(),
        ratio if ratio > 1.0 && usual > 0.0 => {
            format!("there is a gap before this line, {ratio:.1} times the usual step")
        }
        _ => "this step of time is not like the others".to_owned(),
    };
    let help = "export it whole and with all digits; where the rows are equally spaced, --rate 48k says so";
    Err(Misread::at(Code::UnevenTime, line, text, message, help))
}
