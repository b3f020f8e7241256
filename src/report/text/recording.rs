//! `recording` as text.

use super::{Rows, band, frequency, hiss, printable};
use crate::bench::recording::{Gaussianity, Hum};
use crate::report::RecordingResult;
use crate::spectral::third_octaves;
use crate::units::{engineering, short};

/// Lines of hum and bursts that are listed.
const SHOWN: usize = 8;

/// Figures, hum by line, whether it is hiss at all; with `spectrum` a table of third octaves.
pub fn recording(result: &RecordingResult, spectrum: bool) -> String {
    let figures = &result.figures;
    let seconds = figures.samples as f64 / figures.rate_hz;
    let channel = result.channel.as_ref().map(|channel| format!(", channel {}", printable(channel)));
    let mut text = format!(
        "{}{}: {} at {}\n{}\n\n",
        printable(&result.name),
        channel.unwrap_or_default(),
        short(rounded(seconds), "s"),
        short(rounded(figures.rate_hz), "Hz"),
        band(figures.band_hz.map(rounded), figures.weighting)
    );
    let mut rows = Rows::new(&["", ">", ""]);
    let mut row = |what: &str, value: String, note: String| rows.add([what.to_owned(), value, note]);
    // Two standard deviations: 95 times of 100.
    let sure = format!("rms, ±{:.1} % by chance; hum taken out", 200.0 * figures.statistical_error);
    row("hiss", hiss(figures.hiss_rms_volts), sure);
    match &figures.hum {
        Some(hum) => row("hum", hiss(hum.rms_volts), format!("rms, {}", lines(hum))),
        None => row("hum", "-".to_owned(), "no lines of the mains stand out".to_owned()),
    }
    row("together", hiss(figures.rms_volts), "rms, what a meter reads".to_owned());
    row("peak to peak", hiss(figures.peak_to_peak_volts), "of all that was recorded".to_owned());
    row("mean", super::volts(figures.dc_volts), String::new());
    // The columns have no headings.
    text += rows.text().trim_start_matches('\n');
    text += &match &figures.gaussianity {
        Some(found) => gaussian(found),
        None => "\ntoo little to say whether it is Gaussian\n".to_owned(),
    };
    if spectrum {
        let mut rows = Rows::new(&[">third octave", ">hiss", ">with hum"]);
        for third in third_octaves(figures.band_hz) {
            let root = |density: f64| engineering(density.sqrt(), "V/√Hz", 3);
            let (alone, all) = (third.density(&figures.hiss_spectrum), third.density(&figures.spectrum));
            rows.add([frequency(third.centre_hz), root(alone), root(all)]);
        }
        text += &format!("\n{}", rows.text());
    }
    text
}

fn lines(hum: &Hum) -> String {
    let shown = hum.lines.iter().take(SHOWN).map(|line| format!("{} {}", frequency(line.hertz), hiss(line.rms_volts)));
    let more = hum.lines.len().saturating_sub(SHOWN);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    shown.collect::<Vec<_>>().join(", ") + &more
}

fn gaussian(found: &Gaussianity) -> String {
    let verdict = if found.is_gaussian { "Gaussian, as hiss is" } else { "not Gaussian: hiss alone does not do this" };
    let mut text = format!(
        "\n{verdict}\nkurtosis {:.3} (3 ± {:.3} expected), crest {:.2} ({:.2} to {:.2} usual)\n",
        found.kurtosis,
        2.0 * found.kurtosis_error,
        found.crest,
        found.usual_crest[0],
        found.usual_crest[1]
    );
    if !found.bursts.is_empty() {
        let shown = found.bursts.iter().take(SHOWN);
        let shown: Vec<String> =
            shown.map(|burst| format!("{} at {}", hiss(burst.volts), short(rounded(burst.seconds), "s"))).collect();
        let count = found.bursts.len();
        let more = if count > SHOWN { " …" } else { "" };
        let bursts = if count == 1 { "burst" } else { "bursts" };
        text += &format!("{count} {bursts}, as a bad junction or contact pops: {}{more}\n", shown.join(", "));
    }
    text
}

/// To five digits, as a person reads them.
fn rounded(value: f64) -> f64 {
    format!("{value:.4e}").parse().unwrap_or(value)
}
