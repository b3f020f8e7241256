//! `verify`: a row an item.

use super::{optional, table};
use crate::report::VerifyResult;

/// `verify`: a row an item, in the order of work; limits that there are none of are empty.
pub fn verify(result: &VerifyResult) -> String {
    let rows = result.acceptance.items.iter().map(|item| {
        let channel = item.channel.clone().unwrap_or_default();
        let [value, low, high] = [item.value, item.low, item.high].map(optional);
        let verdict = item.verdict.name().to_owned();
        [item.name.clone(), channel, value, low, high, item.unit.to_owned(), verdict, item.instruction()]
    });
    table(&["item", "channel", "value", "low", "high", "unit", "verdict", "how"], rows)
}
