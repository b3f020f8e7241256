//! Curves over frequency with bands behind them, and a strip for every frequency that tells its exact values.

use maud::{Markup, html};

use super::scale::Scale;
use super::{WIDTH, axes, part_class, px, svg};

/// Between two curves.
#[derive(Clone, Debug, PartialEq)]
pub struct Ribbon {
    /// Its class.
    pub class: &'static str,
    /// Its name in the legend.
    pub name: String,
    /// Frequency, lower and upper value.
    pub points: Vec<(f64, f64, f64)>,
}

/// A curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its class.
    pub class: &'static str,
    /// Its name in the legend; none where it has no place there.
    pub name: Option<String>,
    /// What it is, for who points at it.
    pub title: String,
    /// The part that it is of, where it can be chosen.
    pub part: Option<usize>,
    /// Frequency and value.
    pub points: Vec<(f64, f64)>,
}

/// A plot over frequency.
#[derive(Clone, Debug)]
pub struct Curves {
    /// What it shows.
    pub title: String,
    /// The same at length.
    pub description: String,
    /// Unit on top of the vertical axis.
    pub unit: String,
    /// Ends of the band, Hz.
    pub band_hz: [f64; 2],
    /// Whether values are on a logarithmic axis; else it is linear.
    pub is_logarithmic: bool,
    /// What the written values are divided by.
    pub divisor: f64,
    /// Behind everything.
    pub ribbons: Vec<Ribbon>,
    /// From the back to the front.
    pub lines: Vec<Line>,
    /// Exact values: frequency, and a line of text.
    pub strips: Vec<(f64, String)>,
}

const LEFT: f64 = 44.0;
const RIGHT: f64 = WIDTH - 8.0;
const PLOT_HEIGHT: f64 = 190.0;
/// Width of a letter of the legend, about.
const LETTER: f64 = 6.0;
const LEGEND_LINE: f64 = 15.0;

impl Curves {
    /// Draws it.
    pub fn draw(&self) -> Markup {
        let (legend, rows) = self.legend();
        let top = 8.0 + LEGEND_LINE * rows as f64 + 17.0;
        let bottom = top + PLOT_HEIGHT;
        let x = Scale::frequencies(self.band_hz, [LEFT, RIGHT]);
        let values = self
            .lines
            .iter()
            .filter(|line| line.part.is_none())
            .flat_map(|line| line.points.iter().map(|point| point.1));
        let values = values
            .chain(self.ribbons.iter().flat_map(|ribbon| ribbon.points.iter().flat_map(|point| [point.1, point.2])));
        let y = match self.is_logarithmic {
            true => Scale::logarithmic(values, [bottom, top]),
            false => Scale::linear(values, [bottom, top]),
        };
        let drawn = html! {
            (legend)
            (axes::horizontal(&x, [top, bottom], "Hz"))
            (axes::vertical(&y, [LEFT, RIGHT], |value| number(value / self.divisor)))
            text class="unit" x="2" y=(px(top - 11.0)) aria-hidden="true" { (self.unit) }
            @for ribbon in &self.ribbons {
                path class=(ribbon.class) d=(outline(&x, &y, &ribbon.points)) { title { (ribbon.name) } }
            }
            // Curves end where the plot does.
            svg x=(px(LEFT)) y=(px(top)) width=(px(RIGHT - LEFT)) height=(px(PLOT_HEIGHT)) viewBox=(format!("{} {} {} {}", px(LEFT), px(top), px(RIGHT - LEFT), px(PLOT_HEIGHT))) {
                @for line in &self.lines {
                    @for run in runs(&x, &y, &line.points) {
                        path class=(format!("line {} {}", line.class, part_class(line.part)).trim()) d=(run) { title { (line.title) } }
                    }
                }
            }
            (strips(&x, [top, bottom], &self.strips))
        };
        svg("curves", bottom + 20.0, &self.title, &self.description, &drawn)
    }

    /// The legend and how many rows it takes.
    fn legend(&self) -> (Markup, usize) {
        let ribbons = self.ribbons.iter().map(|ribbon| (ribbon.class, ribbon.name.as_str(), true));
        let lines = self.lines.iter().filter_map(|line| Some((line.class, line.name.as_deref()?, false)));
        let (mut placed, mut x, mut row) = (Vec::new(), LEFT, 0);
        for (class, name, is_area) in ribbons.chain(lines) {
            let width = 26.0 + LETTER * name.chars().count() as f64 + 8.0;
            if x + width > RIGHT + 8.0 && x > LEFT {
                (x, row) = (LEFT, row + 1);
            }
            placed.push((class, name, is_area, x, 14.0 + LEGEND_LINE * row as f64));
            x += width;
        }
        let markup = html! {
            g class="legend" aria-hidden="true" {
                @for &(class, name, is_area, x, y) in &placed {
                    @if is_area {
                        rect class=(class) x=(px(x)) y=(px(y - 8.0)) width="20" height="9" {}
                    } @else {
                        path class=(format!("line {class}")) d=(format!("M{} {}h20", px(x), px(y - 3.5))) {}
                    }
                    text x=(px(x + 25.0)) y=(px(y)) { (name) }
                }
            }
        };
        (markup, row + 1)
    }
}

/// A number on an axis, as short as it is.
fn number(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    // A true minus is as wide as a plus.
    text.replace('-', "−")
}

/// Pieces of a curve; where it has no value it breaks off.
fn runs(x: &Scale, y: &Scale, points: &[(f64, f64)]) -> Vec<String> {
    let pieces = points.split(|(_, value)| !value.is_finite()).filter(|piece| !piece.is_empty());
    pieces.map(|piece| polyline(piece.iter().map(|&(hertz, value)| (x.at(hertz), y.beyond(value))))).collect()
}

fn outline(x: &Scale, y: &Scale, points: &[(f64, f64, f64)]) -> String {
    let there = points.iter().map(|&(hertz, _, high)| (x.at(hertz), y.at(high)));
    let back = points.iter().rev().map(|&(hertz, low, _)| (x.at(hertz), y.at(low)));
    polyline(there.chain(back)) + "Z"
}

fn polyline(places: impl Iterator<Item = (f64, f64)>) -> String {
    let each = places.enumerate().map(|(at, (x, y))| format!("{}{} {}", if at == 0 { "M" } else { "L" }, px(x), px(y)));
    each.collect()
}

/// A strip for each frequency, as wide as up to the middle between neighbours.
fn strips(x: &Scale, [top, bottom]: [f64; 2], strips: &[(f64, String)]) -> Markup {
    let places: Vec<f64> = strips.iter().map(|(hertz, _)| x.at(*hertz)).collect();
    let edge = |at: usize| match at {
        0 => places[0],
        at if at == places.len() => places[at - 1],
        at => 0.5 * (places[at - 1] + places[at]),
    };
    html! {
        g class="strips" {
            @for (at, (_, text)) in strips.iter().enumerate() {
                g class="strip" data-at=(px(places[at])) {
                    rect x=(px(edge(at))) y=(px(top)) width=(px((edge(at + 1) - edge(at)).max(0.5))) height=(px(bottom - top)) {}
                    line x1=(px(places[at])) x2=(px(places[at])) y1=(px(top)) y2=(px(bottom)) {}
                    title { (text) }
                }
            }
        }
    }
}
