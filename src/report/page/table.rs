//! Tables that scroll sideways where the page is narrow.

use maud::{Markup, html};

use crate::report::plot::shown;

/// A row: its class, and its cells; the first one heads it.
pub struct Row {
    pub class: String,
    pub cells: Vec<Markup>,
}

/// A table. Columns headed `>NAME` hold figures.
pub fn table(caption: &str, columns: &[&str], rows: &[Row]) -> Markup {
    let figure = |column: usize| columns.get(column).is_some_and(|name| name.starts_with('>')).then_some("figure");
    html! {
        div class="wide" tabindex="0" role="region" aria-label=(caption) {
            table {
                caption { (caption) }
                thead { tr {
                    @for (at, column) in columns.iter().enumerate() {
                        th scope="col" class=[figure(at)] { (shown(column.trim_start_matches('>'))) }
                    }
                } }
                tbody {
                    @for row in rows {
                        tr class=[Some(&row.class).filter(|class| !class.is_empty())] {
                            @for (at, cell) in row.cells.iter().enumerate() {
                                @if at == 0 { th scope="row" { (cell) } }
                                @else { td class=[figure(at)] { (cell) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Text as a cell.
pub fn cell(text: impl AsRef<str>) -> Markup {
    html! { (shown(text.as_ref())) }
}

/// Exact figures behind a plot.
pub fn behind(summary: &str, content: &Markup) -> Markup {
    html! {
        details { summary { (summary) } (content) }
    }
}
