//! Grid lines and their labels.

use maud::{Markup, html};

use super::px;
use super::scale::{Scale, written};

/// Marks of a horizontal axis between two heights, labels below.
pub fn horizontal(scale: &Scale, [top, bottom]: [f64; 2], unit: &str) -> Markup {
    let [from, to] = scale.places();
    html! {
        g aria-hidden="true" {
            @for tick in scale.ticks() {
                line class=(if tick.is_labelled { "grid" } else { "hair" }) x1=(px(tick.place)) x2=(px(tick.place)) y1=(px(top)) y2=(px(bottom)) {}
                @if tick.is_labelled {
                    text class=(anchor(tick.place, from, to)) x=(px(tick.place)) y=(px(bottom + 13.0)) { (written(tick.value, unit)) }
                }
            }
        }
    }
}

/// Marks of a vertical axis between two places, labels to the left.
pub fn vertical(scale: &Scale, [left, right]: [f64; 2], label: impl Fn(f64) -> String) -> Markup {
    html! {
        g aria-hidden="true" {
            @for tick in scale.ticks() {
                line class=(if tick.is_labelled { "grid" } else { "hair" }) x1=(px(left)) x2=(px(right)) y1=(px(tick.place)) y2=(px(tick.place)) {}
                @if tick.is_labelled {
                    text class="end" x=(px(left - 5.0)) y=(px(tick.place + 3.5)) { (label(tick.value)) }
                }
            }
        }
    }
}

/// Labels at the ends of an axis stay inside the plot.
fn anchor(place: f64, from: f64, to: f64) -> &'static str {
    match place {
        place if place > to - 12.0 => "end",
        place if place < from + 2.0 => "start",
        _ => "middle",
    }
}
