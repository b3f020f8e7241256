//! Plots as SVG: scales and ticks, curves over frequency, the path of the hiss, the ranking.
//!
//! Every plot is markup that stands by itself, drawn from a result value; colours are classes whose meaning `plot.css` gives,
//! for a page and for a single file alike. Colours: Okabe and Ito, Color Universal Design (2008), a palette made to be told
//! apart by people of every kind of colour vision; lines differ in their strokes and marks in their shapes besides.

mod axes;
mod curves;
mod gain;
mod path;
mod ranking;
mod scale;
mod spectrum;

use maud::{Markup, PreEscaped, html};

pub use curves::{Curves, Line, Ribbon};
pub use gain::{control, gain};
pub use path::path;
pub use ranking::{family, ranking};
pub use scale::{Scale, Tick};
pub use spectrum::{noise_spectrum, spectrum};

use super::text::printable;

/// What gives the classes of plots their looks.
pub const STYLE: &str = include_str!("plot/plot.css");

/// Width that plots are drawn in; they scale with the page, and letters of 11 stay legible on a phone.
const WIDTH: f64 = 400.0;

/// Text from outside, fit for markup: on one line, without characters that XML cannot hold. What would be markup is escaped
/// where it is put in.
pub fn shown(text: &str) -> String {
    printable(text).replace(['\u{fffe}', '\u{ffff}'], "·")
}

/// A plot as a file of its own.
pub fn file(plot: &Markup) -> String {
    let style = PreEscaped(format!("<style>{STYLE}</style>"));
    let drawn = plot.0.replacen("><title", &format!(">{}<title", style.0), 1);
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n",
        drawn.replacen("<svg ", "<svg xmlns=\"http://www.w3.org/2000/svg\" ", 1)
    )
}

/// The frame of a plot: its size, what it shows, for those who see it and those who hear it.
fn svg(class: &str, height: f64, title: &str, description: &str, drawn: &Markup) -> Markup {
    html! {
        svg class=(format!("plot {class}")) viewBox=(format!("0 0 {WIDTH} {}", px(height))) role="img" aria-label=(title) tabindex="0" {
            title { (title) }
            desc { (description) }
            (drawn)
        }
    }
}

/// A coordinate, to a tenth.
fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// The class of a part that can be chosen.
pub fn part_class(part: Option<usize>) -> String {
    part.map_or_else(String::new, |part| format!("part p{part}"))
}

/// A name no longer than fits, with dots in place of its end.
fn clipped(name: &str, most: usize) -> String {
    let name = shown(name);
    if name.chars().count() <= most { name } else { name.chars().take(most.saturating_sub(1)).chain(['…']).collect() }
}
