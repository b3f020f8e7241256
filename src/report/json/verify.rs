//! Of `verify`.

use serde::Serialize;

use super::Head;
use crate::repair::acceptance::{Item, Verdict};
use crate::report::VerifyResult;

/// Of `verify`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verify<'a> {
    #[serde(flatten)]
    head: Head,
    items: Vec<VerifyItem<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
struct VerifyItem<'a> {
    item: &'a str,
    channel: Option<&'a str>,
    value: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    unit: &'static str,
    verdict: Verdict,
    how: String,
}

impl<'a> Verify<'a> {
    /// From its result.
    pub fn new(head: Head, result: &'a VerifyResult) -> Self {
        Self { head, items: result.acceptance.items.iter().map(item).collect() }
    }
}

fn item(item: &Item) -> VerifyItem<'_> {
    VerifyItem {
        item: &item.name,
        channel: item.channel.as_deref(),
        value: item.value,
        low: item.low,
        high: item.high,
        unit: item.unit,
        verdict: item.verdict,
        how: item.instruction(),
    }
}
