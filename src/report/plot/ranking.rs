//! Who makes the hiss at a point: a bar for each part, divided by mechanism; its share where all is healthy below it.

use maud::{Markup, html};

use super::{WIDTH, clipped, part_class, px, shown, svg};
use crate::element::Mechanism;
use crate::report::text::{hiss, percent};
use crate::report::{DeviceHiss, PointHiss, Report};

const LEFT: f64 = 84.0;
const RIGHT: f64 = WIDTH - 112.0;
const TOP: f64 = 42.0;
const ROW: f64 = 22.0;
const LETTERS: usize = 12;
/// Parts that are drawn, and the least share that is.
const MOST: usize = 12;
const LEAST_SHARE: f64 = 1e-3;

/// Families of mechanisms: class and name.
const FAMILIES: [(&str, &str); 6] = [
    ("thermal", "thermal"),
    ("shot", "shot"),
    ("flicker", "1/f"),
    ("leakage", "leakage"),
    ("excess", "excess"),
    ("channel", "channel"),
];

/// The family that a mechanism is coloured by.
pub fn family(mechanism: Mechanism) -> &'static str {
    match mechanism {
        Mechanism::Thermal
        | Mechanism::ThermalRb
        | Mechanism::ThermalRc
        | Mechanism::ThermalRe
        | Mechanism::ThermalRs
        | Mechanism::ThermalRd => "thermal",
        Mechanism::JunctionShot | Mechanism::CollectorShot | Mechanism::BaseShot | Mechanism::ReverseBaseShot => "shot",
        Mechanism::Flicker => "flicker",
        Mechanism::Leakage => "leakage",
        Mechanism::Excess | Mechanism::BridgeExcess => "excess",
        Mechanism::Channel => "channel",
    }
}

/// The ranking at a point; `healthy`: the same point of the healthy circuit, where another state is drawn.
pub fn ranking(report: &Report, point: &PointHiss, healthy: Option<&PointHiss>, name: &str) -> Markup {
    let drawn: Vec<&DeviceHiss> =
        point.devices.iter().filter(|device| device.share >= LEAST_SHARE).take(MOST).collect();
    let left_out = point.devices.len() - drawn.len();
    let rest: f64 = point.devices.iter().skip(drawn.len()).map(|device| device.share).sum();
    let height = TOP + ROW * (drawn.len() + usize::from(left_out > 0)) as f64 + 4.0;
    let share_before = |device: &DeviceHiss| {
        let before = healthy?.devices.iter().find(|before| before.name == device.name)?;
        Some(before.share)
    };
    let middle = |at: usize| TOP + ROW * (at as f64 + 0.5);
    let bars = html! {
        (legend(&drawn, healthy.is_some()))
        line class="grid" x1=(px(LEFT)) x2=(px(LEFT)) y1=(px(TOP)) y2=(px(height - 4.0)) {}
        @for (at, device) in drawn.iter().enumerate() {
            (bar(report, device, share_before(device), middle(at)))
        }
        @if left_out > 0 {
            text class="name quiet" x="4" y=(px(middle(drawn.len()) + 4.0)) { (left_out) " more" }
            text class="end figure quiet" x=(px(WIDTH - 2.0)) y=(px(middle(drawn.len()) + 4.0)) { (percent(rest)) }
        }
    };
    let title = format!("Who makes the hiss at {}", shown(name));
    let first = drawn.first().map(|device| sentence(device)).unwrap_or_default();
    svg("ranking", height, &title, &format!("{} in all. Most: {first}", hiss(point.rms_volts)), &bars)
}

fn legend(drawn: &[&DeviceHiss], before: bool) -> Markup {
    let there = |class: &str| {
        drawn
            .iter()
            .flat_map(|device| &device.mechanisms)
            .any(|one| one.share >= LEAST_SHARE && family(one.mechanism) == class)
    };
    let families: Vec<_> = FAMILIES.iter().filter(|(class, _)| there(class)).collect();
    html! {
        g class="legend" aria-hidden="true" {
            @for (at, (class, name)) in families.iter().enumerate() {
                rect class=(format!("share {class}")) x=(px(4.0 + 66.0 * at as f64)) y="6" width="12" height="9" {}
                text x=(px(20.0 + 66.0 * at as f64)) y="14" { (name) }
            }
            @if before {
                rect class="before" x="4" y="25" width="12" height="4" {}
                text x="20" y="31" { "where all is healthy" }
            }
            text class="end quiet" x=(px(WIDTH - 54.0)) y="31" { "V rms" }
            text class="end quiet" x=(px(WIDTH - 2.0)) y="31" { "share" }
        }
    }
}

fn bar(report: &Report, device: &DeviceHiss, before: Option<f64>, y: f64) -> Markup {
    let width = |share: f64| share.clamp(0.0, 1.0) * (RIGHT - LEFT);
    let mut from = LEFT;
    let pieces: Vec<_> = device
        .mechanisms
        .iter()
        .map(|one| {
            let piece = (from, width(one.share), one);
            from += width(one.share);
            piece
        })
        .filter(|(_, width, _)| *width >= 0.4)
        .collect();
    html! {
        g class=(format!("bar {}", part_class(report.part(&device.name)))) data-part=(shown(&device.name)) {
            title { (sentence(device)) }
            rect class="ground" x="0" y=(px(y - ROW / 2.0)) width=(px(WIDTH)) height=(px(ROW)) {}
            text class="name" x="4" y=(px(y + 4.0)) { (clipped(&device.name, LETTERS)) }
            @for (x, width, one) in pieces {
                rect class=(format!("share {}", family(one.mechanism))) x=(px(x)) y=(px(y - 6.5)) width=(px(width)) height="10" {
                    title { (shown(&device.name)) " " (mechanism(one.mechanism)) ": " (hiss(one.rms_volts)) ", " (percent(one.share)) }
                }
            }
            @if let Some(before) = before {
                rect class="before" x=(px(LEFT)) y=(px(y + 5.0)) width=(px(width(before))) height="3" {}
            }
            text class="end figure" x=(px(WIDTH - 54.0)) y=(px(y + 4.0)) { (hiss(device.rms_volts)) }
            text class="end figure" x=(px(WIDTH - 2.0)) y=(px(y + 4.0)) { (percent(device.share)) }
        }
    }
}

fn mechanism(mechanism: Mechanism) -> String {
    mechanism.name().replace('_', " ")
}

fn sentence(device: &DeviceHiss) -> String {
    let each = device.mechanisms.iter().filter(|one| one.share >= LEAST_SHARE);
    let each: Vec<String> = each.map(|one| format!("{} {}", mechanism(one.mechanism), percent(one.share))).collect();
    format!(
        "{}: {}, {} of the power; {}",
        shown(&device.name),
        hiss(device.rms_volts),
        percent(device.share),
        each.join(", ")
    )
}
