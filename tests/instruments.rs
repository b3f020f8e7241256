//! What meters and scopes show: loading, floors, responses, against published corrections and algebra shown beside them.

mod common;

use std::f64::consts::PI;
use std::sync::Arc;

use common::{Bench, K, Row, close, table};
use hissmap::bench::Point;
use hissmap::bench::instrument::{
    DcMeter, Loading, Meter, Probe, Responds, Scope, read_dc_meter, read_meter, read_probe,
};
use hissmap::circuit::Circuit;
use hissmap::netlist;
use hissmap::noise::{self, Observer, Weighting};
use hissmap::operating::Operating;
use hissmap::physics::Kelvin;

/// A direct-coupled pair and a high-impedance follower: nodes from milliohms to megohms, parts of every kind of hiss.
const AMPLIFIER: &str = "VIN src 0 AC 1\nRS src in 2k2\nC1 in b1 1u\nVCC cc 0 12\nRF e2 b1 47k\nRB b1 0 100k\nRC1 cc c1 22k
Q1 c1 b1 e1 NS\nRE1 e1 0 470\nQ2 c2 c1 e2 NS ICBO=2u LEAKM=20 LEAKFC=500\nRC2 cc c2 3k3\nRE2 e2 0 1k2\nC2 c2 g 4n7\nRG g 0 2.2MEG
J1 cc g s NJ\nRSS s 0 3k3\nL1 c2 t 0.2\nCT t 0 2n2\nRT t 0 100k
.model NS NPN(BF=180 IS=1e-14 VAF=60 RB=120 RE=0.5 CJE=12p CJC=6p TF=1n KF=2e-15)
.model NJ NJF(BETA=1m VTO=-2 LAMBDA=5m CGS=5p CGD=3p KF=1e-17)";

fn operating(lines: &str) -> (Circuit, Operating) {
    let (netlist, problems) = netlist::read("test", &format!("title\n{lines}\n"), &mut |_| Err("no file".to_owned()));
    assert!(problems.is_empty(), "{problems:?}");
    let (circuit, _) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|problems| panic!("{problems:?}"));
    let operating = Operating::of(&circuit).unwrap_or_else(|error| panic!("{error}"));
    (circuit, operating)
}

fn density(bench: &Bench, node: &str, hertz: f64, observer: &Observer) -> f64 {
    let outputs = [bench.output(node)];
    let spectra = noise::observed_spectra(&bench.circuit, &bench.signal, &outputs, &[hertz], observer);
    spectra.unwrap_or_else(|error| panic!("{error}"))[0][0]
}

/// Fails unless the hiss over the band at a node by the formula is that of a netlist with the probe's parts, written by
/// `parts` for the name of the node, its ohms and farads, within `relative`.
#[track_caller]
fn loading_is_that_of_parts(node: &str, relative: f64, parts: impl Fn(&str, f64, f64) -> String) {
    let (circuit, plain) = operating(AMPLIFIER);
    let rms = |meter: Meter, circuit: &Circuit, operating: &Operating| {
        let point = [Point::read(circuit, node).expect("a node")];
        let band = ([20.0, 20e3], Weighting::Flat);
        meter.hiss(circuit, operating, &point, band, 1e-11).unwrap_or_else(|error| panic!("{error}"))[0]
    };
    for Probe { loading, .. } in [Probe::TIMES_1, Probe::TIMES_10, Probe::BARE] {
        let Loading { ohms, farads } = loading;
        let (with_parts, loaded) = operating(&format!("{AMPLIFIER}\n{}", parts(node, ohms, farads)));
        let meter = Meter { loading, ..Meter::default() };
        let by_itself = Meter { loading: Loading::NONE, ..meter };
        let formula = rms(meter, &circuit, &plain);
        assert_ne!(formula, rms(by_itself, &circuit, &plain), "{node} is loaded");
        close(formula, rms(by_itself, &with_parts, &loaded), relative, &format!("{node} with {ohms} ohm"));
    }
}

#[test]
fn loading_by_the_formula_is_that_of_the_probes_parts_behind_one_farad() {
    let behind = |node: &str, ohms: f64, farads: f64| {
        format!("CBLOCK {node} tip 1\nRPROBE tip 0 {ohms}\nCPROBE tip 0 {farads:e}")
    };
    for node in ["in", "b1", "e1", "e2", "s"] {
        loading_is_that_of_parts(node, 1e-9, behind);
    }
    // One farad and some picofarads in the same entry of a matrix: what double precision rounds off, 1.1e-16 F, is up to
    // 5e-8 of the 2.2 nF at t and of the transistors' own at c1 and c2.
    for node in ["c1", "c2", "t"] {
        loading_is_that_of_parts(node, 1e-8, behind);
    }
}

#[test]
fn loading_by_the_formula_is_that_of_the_probes_parts_where_there_is_no_dc() {
    // Without DC to block the parts can hang on the node itself, however high its impedance.
    for node in ["in", "g"] {
        loading_is_that_of_parts(node, 1e-10, |node, ohms, farads| {
            format!("RPROBE {node} 0 {ohms}\nCPROBE {node} 0 {farads:e}")
        });
    }
}

#[test]
fn loss_by_a_probe_is_the_published_one() {
    // A source resistance with a probe that is cold, and so adds no noise of its own.
    let db = |power: f64| 10.0 * power.log10();
    for row in table("scope_loading") {
        let (ohms, farads, source) = (row.number("rin_ohm"), row.number("cin_farad"), row.number("rs_ohm"));
        let bench = Bench::of(&format!("R1 a 0 {source}"));
        let cold = Observer { siemens: 1.0 / ohms, farads, temperature: Kelvin(0.0), coupling_hz: 0.0 };
        let ratio = |hertz| density(&bench, "a", hertz, &cold) / bench.density("a", hertz);
        let name = row.text("input");
        close(ratio(1e-6).sqrt(), row.number("dc_ratio"), 1e-7, name);
        close(db(ratio(1e-6)), row.number("dc_loss_db"), 1e-6, name);
        close(ratio(row.number("f3db_hz")) / ratio(1e-6), 0.5, 1e-7, name);
        assert!((db(ratio(20e3)) - row.number("loss_20khz_db")).abs() < 1e-6, "{name}");
    }
}

#[test]
fn a_probe_shows_its_own_thermal_noise() {
    // The table's rows are at 300 K; a teraohm stands for the open input, at the same temperature.
    let shown = |source: &str, loading: Loading, band_hz| {
        let (circuit, operating) = operating(&format!("R1 a 0 {source}\n.temp 26.85"));
        let point = [Point::read(&circuit, "a").expect("a node")];
        let meter = Meter { loading, ..Meter::default() };
        let rms = meter.hiss(&circuit, &operating, &point, (band_hz, Weighting::Flat), 1e-9);
        1e6 * rms.unwrap_or_else(|error| panic!("{error}"))[0]
    };
    let mut compared = 0;
    for row in
        table("scope_probe").iter().filter(|row| row.text("kind") == "computed" && row.text("unit").starts_with("uV"))
    {
        let item = row.text("item");
        let rms = match item {
            "thermal noise of 1 Mohm || 20 pF, open input, 300 K" => shown("1T", Loading::BARE, [1e-4, 1e12]),
            "same, x10 probe: 10 Mohm || 12 pF at the tip" => {
                shown("1T", Loading { ohms: 10e6, farads: 12e-12 }, [1e-4, 1e12])
            }
            "20 kHz-band thermal noise of 1 Mohm shunted by 10 kohm source, 300 K" => {
                shown("10k", Loading { ohms: 1e6, farads: 0.0 }, [1e-4, 20e3])
            }
            other => panic!("what is {other}?"),
        };
        // A band of sixteen decades leaves out less than 1e-8 of the first two.
        close(rms, row.number("value"), 1e-7, item);
        compared += 1;
    }
    assert_eq!(compared, 3);
}

/// The row of a case, by its parameter where it has one.
fn case<'a>(rows: &'a [Row], case: &str, n: &str) -> &'a Row {
    let found = rows.iter().find(|row| row.text("case") == case && row.text("n") == n);
    found.unwrap_or_else(|| panic!("no row {case} {n}"))
}

#[test]
fn meters_and_scopes_show_gaussian_noise_as_published() {
    let rows = table("crest_factor");
    let average = Meter { responds: Responds::Average, floor_volts: 0.0, loading: Loading::NONE };
    let ratio = case(&rows, "avg_meter_reading_over_true_rms", "").number("value");
    close(average.shows(1.0), ratio, 1e-11, "average-responding");
    let db = case(&rows, "avg_meter_correction_db", "").number("value");
    close(-20.0 * average.shows(1.0).log10(), db, 1e-9, "correction");
    close(average.rms_behind(ratio).expect("no floor"), 1.0, 1e-11, "undone");
    // 6.6 times rms is the peak to peak that 99.9 % of the time stays inside.
    let inside = case(&rows, "pp_in_sigmas", "6.6").number("inside_percent");
    assert!((inside - 99.9).abs() < 0.01);
    let quiet = Scope { floor_volts: 0.0, ..Scope::default() };
    close(quiet.trace(1.0).peak_to_peak_volts, 6.6, 1e-15, "peak to peak");
}

#[test]
fn a_meters_own_noise_is_taken_away_as_published() {
    let floor = 3e-6;
    let meter = Meter { floor_volts: floor, ..Meter::default() };
    for row in table("system_noise_correction") {
        let over = row.number("t_minus_s_db");
        let shown = floor * 10f64.powf(over / 20.0);
        let behind = meter.rms_behind(shown).expect("above the floor");
        let correction = 20.0 * (shown / behind).log10();
        assert!((correction - row.number("f_formula_db")).abs() < 1e-4, "{over} dB");
        // The printed column is known to be 0.1 dB low in places.
        assert!((correction - row.number("f_printed_db")).abs() < 0.13, "{over} dB");
        close(meter.shows(behind), shown, 1e-14, "and back");
    }
    assert_eq!(meter.rms_behind(floor), None);
}

#[test]
fn a_scope_adds_up_its_own_band_and_floor() {
    // White noise 4kTR from f0 to fb behind a high-pass of first order fc:
    // ∫ f²/(f² + fc²) df = (fb − f0) − fc·(atan(fb/fc) − atan(f0/fc))
    let (circuit, operating) = operating("R1 a 0 100k");
    let point = [Point::read(&circuit, "a").expect("a node")];
    let probe = Probe { loading: Loading::NONE, division: 10.0 };
    let scope = Scope { probe, bandwidth_hz: 5e3, coupling_hz: 40.0, ..Scope::default() };
    let rms = scope.hiss(&circuit, &operating, &point, 1e-9).unwrap_or_else(|error| panic!("{error}"))[0];
    let (f0, fb, fc): (f64, f64, f64) = (0.4, 5e3, 40.0);
    let hertz = (fb - f0) - fc * ((fb / fc).atan() - (f0 / fc).atan());
    let expected = (4.0 * K * 300.15 * 1e5 * hertz).sqrt();
    close(rms, expected, 1e-9, "rms");
    // The floor of 0.2 mV counts ten times at the tip: 2 mV.
    let trace = scope.trace(rms);
    close(trace.rms_volts, (expected * expected + 4e-6f64).sqrt(), 1e-9, "with its floor");
    close(trace.peak_to_peak_volts, 6.6 * (expected * expected + 4e-6f64).sqrt(), 1e-9, "peak to peak");
    assert_eq!(trace.shown, None);
    assert_eq!(trace.words(), "not visible below 20 mV per division");
}

#[test]
fn a_trace_is_told_in_divisions_of_the_sequence() {
    let quiet = Scope { probe: Probe::TIMES_1, floor_volts: 0.0, ..Scope::default() };
    let words = |scope: Scope, peak_to_peak: f64| scope.trace(peak_to_peak / 6.6).words();
    // The coarsest step of 1-2-5 at which it is two divisions high.
    assert_eq!(words(quiet, 12e-3), "2.4 divisions at 5 mV per division");
    assert_eq!(words(quiet, 10e-3), "2.0 divisions at 5 mV per division");
    assert_eq!(words(quiet, 9.9e-3), "5.0 divisions at 2 mV per division");
    assert_eq!(words(quiet, 0.5), "2.5 divisions at 200 mV per division");
    assert_eq!(words(quiet, 43.0), "2.1 divisions at 20 V per division");
    // Less than two divisions at the finest step.
    assert_eq!(words(quiet, 1e-3), "0.5 divisions at 2 mV per division");
    assert_eq!(words(quiet, 0.0), "not visible below 2 mV per division");
    let tenfold = Scope { probe: Probe::TIMES_10, ..quiet };
    assert_eq!(words(tenfold, 12e-3), "0.6 divisions at 20 mV per division");
    assert_eq!(words(tenfold, 120e-3), "2.4 divisions at 50 mV per division");
    // Hiss is not visible below the scope's own noise, 0.2 mV rms; above it the two powers add: 6.6·√(0.3² + 0.2²) mV.
    let real = Scope { floor_volts: 0.2e-3, ..quiet };
    assert_eq!(real.trace(0.19e-3).words(), "not visible below 2 mV per division");
    assert_eq!(real.trace(0.3e-3).words(), format!("{:.1} divisions at 2 mV per division", 6.6 * 0.13f64.sqrt() / 2.0));
}

#[test]
fn a_dc_meter_reads_what_it_leaves_of_the_volts() {
    let (circuit, operating) = operating("V1 top 0 10\nR1 top mid 1MEG\nR2 mid 0 1MEG");
    let mid = Point::read(&circuit, "mid").expect("a node");
    let read = |meter: DcMeter| meter.read(&circuit, &operating.bias, &mid).unwrap_or_else(|error| panic!("{error}"));
    // 10 V behind 500 kΩ at half: 5 V · R/(R + 500 kΩ)
    let behind = |ohms: f64| 5.0 * ohms / (ohms + 5e5);
    close(read(DcMeter::default()), behind(10e6), 1e-9, "10 MΩ");
    // 5 V need the range of 10 V.
    let moving_coil = read_dc_meter("20k/V").expect("a meter");
    close(read(moving_coil), behind(200e3), 1e-9, "20 kΩ/V");
    close(read(read_dc_meter("20k/V@50").expect("a meter")), behind(1e6), 1e-9, "on 50 V");
    assert!(DcMeter::disturbs(read(moving_coil), 5.0) && DcMeter::disturbs(behind(10e6), 5.0));
    assert!(!DcMeter::disturbs(behind(1e9), 5.0));
    let across = Point::read(&circuit, "top,mid").expect("two nodes");
    close(DcMeter::Ohms(1e6).read(&circuit, &operating.bias, &across).expect("a bias"), behind(1e6), 1e-9, "across R1");
}

#[test]
fn instruments_are_read_from_text() {
    assert_eq!(read_probe("X10").expect("a probe"), Probe::TIMES_10);
    assert_eq!(read_probe("×1").expect("a probe"), Probe::TIMES_1);
    let own = Probe { loading: Loading { ohms: 1e6, farads: 110e-12 }, division: 1.0 };
    assert_eq!(read_probe("1MEG, 110p").expect("a probe"), own);
    let meter = read_meter("average,2MEG,50p").expect("a meter");
    assert_eq!((meter.responds, meter.loading), (Responds::Average, Loading { ohms: 2e6, farads: 50e-12 }));
    for (text, error) in [
        ("x100", "no probe is called x100"),
        ("1M,100p", "1M is read as milliohms"),
        ("1MEG,-3p", "a capacitance must be above zero, not -3p"),
    ] {
        assert_eq!(read_probe(text).expect_err(text).message, error);
    }
    assert_eq!(read_meter("peak").expect_err("no such meter").message, "no meter is called peak");
    assert_eq!(read_dc_meter("20k/A").expect_err("no volts").message, "20k/A is no resistance of a meter");
}

#[test]
fn coupling_halves_the_power_at_its_corner() {
    let observer = Observer { coupling_hz: 10.0, ..Observer::NONE };
    close(observer.coupling_power(10.0), 0.5, 1e-15, "the corner");
    close(observer.admittance(1.0).im + 1.0, 1.0, 1e-15, "no capacitance");
    let loaded = Observer { farads: 1.0 / (2.0 * PI), ..observer };
    close(loaded.admittance(3.0).im, 3.0, 1e-15, "2πfC");
}
