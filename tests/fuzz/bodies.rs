//! What must hold for any input. The fuzz targets run these bodies on what the fuzzer finds, and `cargo test` on the
//! seeds and on random input (`tests/fuzzing.rs`, `tests/hostile.rs`): the same laws in both places.

// Every target and test compiles this for itself and uses a part of it.
#![allow(dead_code)]

use std::sync::Arc;

use hissmap::bench::instrument::{DcMeter, Meter, Scope};
use hissmap::bench::{Action, Point, Temperatures, what_ifs};
use hissmap::bias::DeviceCurrents;
use hissmap::circuit::Circuit;
use hissmap::diagnostic::{Diagnostic, SourceId, Sources, Span};
use hissmap::netlist::{self, Expression, Fetched, Netlist};
use hissmap::noise::{SourceResistance, Weighting};
use hissmap::report::{self, BiasQuestion, NoiseQuestion};
use hissmap::units::{Quantity, engineering, exact, read_number, short};

/// Longer inputs say nothing new and take their time.
const LONGEST_BYTES: usize = 16 << 10;
/// Unknowns beyond which a circuit is not solved: many small circuits say more than a few large ones.
const MOST_UNKNOWNS: usize = 40;

/// Netlist text to circuit: no message points outside the text, and every error says something.
pub fn netlist(data: &[u8]) {
    if data.len() <= LONGEST_BYTES {
        build(&String::from_utf8_lossy(data));
    }
}

/// An expression is read, or refused with a place inside it; its value is finite, or an error with a place inside it.
pub fn expression(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    // An offset, as behind the brace of a card.
    const START: u32 = 7;
    let inside = |span: Span| {
        let (start, end) = (span.start as usize, span.end as usize);
        let (start, end) = (start.checked_sub(START as usize), end.checked_sub(START as usize));
        let covered = start.zip(end).and_then(|(start, end)| text.get(start..end));
        assert!(covered.is_some(), "{span:?} lies outside {text:?}");
    };
    match Expression::parse(&text, SourceId(0), START) {
        Ok(expression) => {
            expression.names().for_each(|(_, span)| inside(span));
            // A name is as long as it is; one that begins with u is not known.
            let mut lookup = |name: &str| (!name.starts_with('u')).then_some(name.len() as f64);
            match expression.evaluate(&mut lookup) {
                Ok(value) => assert!(value.is_finite(), "{text:?} is {value}"),
                Err(error) => {
                    inside(error.span());
                    assert!(!error.to_string().is_empty());
                }
            }
        }
        Err(error) => {
            inside(error.span);
            assert!(!error.to_string().is_empty());
        }
    }
}

/// What reads as a number is written so that it reads as the very same number; so is any number by its bits. What a
/// technician is shown of it reads as a number nearby.
pub fn number(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    for quantity in [Quantity::Resistance, Quantity::Capacitance, Quantity::Other] {
        match read_number(&text, quantity) {
            Ok(reading) => {
                assert!(reading.value.is_finite(), "{text:?} is {}", reading.value);
                round_trip(reading.value);
            }
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
    if let Some(bits) = data.first_chunk() {
        let value = f64::from_bits(u64::from_le_bytes(*bits));
        let shown = [engineering(value, "V", 4), short(value, "V")];
        assert!(shown.iter().all(|shown| !shown.is_empty()));
        if value.is_finite() {
            round_trip(value);
        }
    }
}

fn round_trip(value: f64) {
    let written = exact(value);
    for quantity in [Quantity::Resistance, Quantity::Capacitance, Quantity::Other] {
        let again = read_number(&written, quantity).unwrap_or_else(|error| panic!("{written:?}: {error}"));
        assert_eq!(again.value.to_bits(), value.to_bits(), "{value:e} is written {written:?}");
        assert_eq!(again.warning, None, "{written:?}");
    }
    // Rounded to four digits the largest numbers are beyond all.
    if value.abs() > 1.797e308 {
        return;
    }
    let shown = engineering(value, "", 4).replace(' ', "").replace('M', "MEG");
    let again = read_number(&shown, Quantity::Other).unwrap_or_else(|error| panic!("{shown:?}: {error}"));
    assert!((again.value - value).abs() <= 0.51e-3 * value.abs(), "{value:e} is shown as {shown:?}");
}

/// From netlist text to hiss: errors, or figures that are finite.
pub fn pipeline(data: &[u8]) {
    if data.len() <= LONGEST_BYTES {
        whole_run(&String::from_utf8_lossy(data), &[]);
    }
}

/// Runs everything with what-if `flags`; panics on a figure that is not finite, and on a message that points outside the
/// text.
pub fn whole_run(text: &str, flags: &[(Action, String)]) {
    let Some(circuit) = build(text) else { return };
    let Ok((what_ifs, _)) = what_ifs(&circuit, &Temperatures::default(), flags) else { return };
    let changes: Vec<_> = what_ifs.into_iter().flat_map(|what_if| what_if.changes).collect();
    let Ok(circuit) = circuit.changed(&changes) else { return };
    if circuit.layout().with_temperatures > MOST_UNKNOWNS {
        return;
    }
    let Ok(bias) = report::bias(&circuit, &[], &BiasQuestion { dc_meter: Some(DcMeter::default()), input: None })
    else {
        return;
    };
    for node in &bias.nodes {
        assert!(node.volts.is_finite(), "{} V at {}", node.volts, node.name);
    }
    for device in &bias.devices {
        let figures = match device.bias.currents {
            DeviceCurrents::Bjt { ic_a, ib_a, vbe_v, vce_v } => [ic_a, ib_a, vbe_v, vce_v],
            DeviceCurrents::Diode { i_a, v_v } => [i_a, v_v, 0.0, 0.0],
            DeviceCurrents::Jfet { id_a, ig_a, vgs_v, vds_v } => [id_a, ig_a, vgs_v, vds_v],
        };
        let own = [device.bias.watts, device.bias.celsius];
        assert!(figures.iter().chain(&own).all(|figure| figure.is_finite()), "{device:?}");
    }
    let input = circuit.noise.as_ref().map(|noise| noise.source);
    let question = NoiseQuestion {
        points: Point::all(&circuit, input),
        input,
        gain_hertz: 1e3,
        band_hz: circuit.noise.as_ref().map_or([900.0, 1000.0], |noise| noise.points.band_hz),
        weighting: Weighting::Flat,
        tolerance: 0.1,
        spectrum: false,
        source_resistance: input.map(|input| SourceResistance::Added { input, ohms: 1e3 }),
        level_volts: Some(1.0),
        meter: Some(Meter::default()),
        scope: Some(Scope::default()),
        ripple: None,
    };
    let Ok(noise) = report::noise(&circuit, &[], &question) else { return };
    for point in &noise.points {
        let optional = [point.gain_db, point.input_rms, point.noise_figure_db, point.snr_db].into_iter().flatten();
        let own = [point.rms_volts, point.relative_error, point.peak_to_peak_volts, point.dc_volts];
        let shares = point.devices.iter().flat_map(|device| [device.share, device.rms_volts]);
        for figure in own.into_iter().chain(optional).chain(shares) {
            assert!(figure.is_finite(), "{point:?}");
        }
    }
}

/// Reads and builds; `None` where there is an error.
fn build(text: &str) -> Option<Circuit> {
    let (netlist, mut messages) = read(text);
    let sources = netlist.sources.clone();
    let circuit = match Circuit::build(Arc::new(netlist)) {
        Ok((circuit, warnings)) => {
            messages.extend(warnings);
            Some(circuit)
        }
        Err(problems) => {
            assert!(problems.iter().any(Diagnostic::is_error), "refused without a reason: {problems:?}");
            messages.extend(problems);
            None
        }
    };
    messages.iter().for_each(|message| check_places(message, &sources));
    circuit.filter(|_| !messages.iter().any(Diagnostic::is_error))
}

/// The text may hold several files, parted by form feeds: the netlist, and those it can include as `1`, `2` and so on.
pub fn read(text: &str) -> (Netlist, Vec<Diagnostic>) {
    let mut files = text.split('\u{c}');
    let main = files.next().unwrap_or_default();
    let others: Vec<&str> = files.collect();
    netlist::read("hostile.cir", main, &mut |request| {
        let number: usize = request.path.parse().map_err(|_| "there is no such file".to_owned())?;
        let text = number.checked_sub(1).and_then(|at| others.get(at)).ok_or("there is no such file")?;
        Ok(Fetched { name: number.to_string(), text: (*text).to_owned() })
    })
}

fn check_places(message: &Diagnostic, sources: &Sources) {
    assert!(!message.message.is_empty(), "{message:?}");
    let labels = message.labels.iter().map(|label| &label.span);
    for place in message.span.iter().chain(&message.statement).chain(labels) {
        assert!(sources.locate(*place).is_some(), "{message:?}");
        let text = sources.get(place.source).map(|source| &source.text);
        let covered = text.and_then(|text| text.get(place.start as usize..place.end as usize));
        assert!(covered.is_some(), "{message:?}");
    }
}
