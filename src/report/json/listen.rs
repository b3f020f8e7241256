//! `listen` as JSON.

use serde::Serialize;

use super::Head;
use crate::report::ListenResult;

/// Of `listen`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Listen<'a> {
    #[serde(flatten)]
    head: Head,
    at: &'a str,
    band_hz: [f64; 2],
    file: &'a str,
    rate_hz: u32,
    bits: u16,
    full_scale_v: f64,
    db_full_scale_per_v: f64,
    seed: u64,
    clipped_samples: u64,
    parts: Vec<Part<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct Part<'a> {
    part: &'static str,
    changes: &'a [String],
    from_s: f64,
    samples: u64,
    rms_v: f64,
    heard_rms_v: f64,
}

impl<'a> Listen<'a> {
    /// From its result, and how it was written.
    pub fn new(head: Head, result: &'a ListenResult, file: &'a str, bits: u16, clipped_samples: u64) -> Self {
        let parts = result.parts.iter().map(|part| Part {
            part: part.name,
            changes: &part.changes,
            from_s: part.from_seconds,
            samples: part.samples,
            rms_v: part.rms_volts,
            heard_rms_v: part.heard_rms_volts,
        });
        Self {
            head,
            at: &result.at,
            band_hz: result.band_hz,
            file,
            rate_hz: result.rate_hz,
            bits,
            full_scale_v: result.full_scale_volts,
            db_full_scale_per_v: result.full_scale_db(1.0),
            seed: result.seed,
            clipped_samples,
            parts: parts.collect(),
        }
    }
}
