//! Simulated units against algebra: what a meter shows of a divider, and what is drawn.

use hissmap::bench::reading::{How, Measure, Observed, Reading};
use hissmap::bench::sheet::Sheet;
use hissmap::bench::simulated::SimulatedUnit;
use hissmap::circuit::Change;
use hissmap::netlist::{Fetched, IncludeRequest};

/// 9 V over 10 kΩ and 20 kΩ, and a resistor that carries nothing.
const NETLIST: &str = "Divider
V1 cc 0 9
R1 cc out 10k
R2 out 0 20k
R3 cc 0 1meg
.noise v(out) V1 dec 10 20 20k
";

/// No tolerance and next to no reading errors.
const EXACT: &str = "circuit = \"unit.cir\"
[instrument.meter]
ohm = 1e12
farad = 0
floor = 1e-12
[instrument.dc_meter]
ohm = 30e3
[tolerance]
resistor = \"0 %\"
resistor_noise = [1e-9, 1.0000001e-9]
supply = \"0 %\"
ambient_c = [26.99999, 27.00001]
meter = \"0 %\"
[reading_error]
hiss = 1e-9
dc = 1e-9
dc_zero = 1e-12
change_db = 1e-9
";

fn sheet(text: &str) -> Sheet {
    let read = Sheet::read("job.toml", text, &mut |_: &IncludeRequest<'_>| {
        Ok(Fetched { name: "unit.cir".to_owned(), text: NETLIST.to_owned() })
    });
    read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages)).0
}

fn number(unit: &mut SimulatedUnit<'_>, test: &Reading) -> f64 {
    match unit.read(test).expect("a reading").observed {
        Observed::Number(number) => number,
        Observed::Word(word) => panic!("{word:?}"),
    }
}

#[test]
fn a_unit_without_tolerances_reads_as_algebra_says() {
    let sheet = sheet(EXACT);
    let mut unit = SimulatedUnit::new(&sheet, &[], 1, 1).expect("a unit");
    // 10 kΩ against 20 kΩ beside the meter's 30 kΩ, 12 kΩ: 9 V · 12/22.
    let volts = number(&mut unit, &Reading::test(Measure::Dc, Some("out")));
    assert!((volts - 9.0 * 12.0 / 22.0).abs() < 1e-6, "{volts}");
    // Nyquist: 4kT·(10 kΩ beside 20 kΩ) over 20 Hz to 20 kHz; excess noise of 1e-9 µV/V is nothing.
    let rms = (4.0 * 1.380649e-23 * 300.15 * (20e3 / 3.0) * 19_980.0_f64).sqrt();
    let hiss = number(&mut unit, &Reading::test(Measure::Hiss, Some("out")));
    assert!((hiss / rms - 1.0).abs() < 1e-4, "{hiss} {rms}");
    // One pole at 1/(2π·RC) = 0.24 Hz: of white noise of density S over the band from f1 to f2 far above it there is left
    // S·fp²·(1/f1 − 1/f2).
    let pole = 1.0 / (std::f64::consts::TAU * 20e3 / 3.0 * 100e-6);
    let left = pole * ((1.0 / 20.0 - 1.0 / 20e3) / 19_980.0_f64).sqrt();
    let change = number(&mut unit, &Reading::change(How::Shunt, "out"));
    assert!((change - 20.0 * left.log10()).abs() < 0.01, "{change}");
}

#[test]
fn a_resistor_that_is_noisy_by_fault_keeps_its_noise() {
    let sheet = sheet(EXACT);
    let noisy = Change::Excess { part: "R2".to_owned(), excess: hissmap::element::Excess::Index(20.0) };
    let mut unit = SimulatedUnit::new(&sheet, &[noisy], 1, 1).expect("a unit");
    // 10 µV per volt and decade, 6 V across it, three decades; two thirds of the EMF fall across the 10 kΩ side.
    let excess: f64 = 10e-6 * 6.0 * 3f64.sqrt() * (10.0 / 30.0);
    let thermal = (4.0 * 1.380649e-23 * 300.15 * (20e3 / 3.0) * 19_980.0_f64).sqrt();
    let hiss = number(&mut unit, &Reading::test(Measure::Hiss, Some("out")));
    assert!((hiss / excess.hypot(thermal) - 1.0).abs() < 1e-3, "{hiss} {}", excess.hypot(thermal));
}

#[test]
fn units_differ_by_their_number_and_not_by_chance() {
    let sheet = sheet("circuit = \"unit.cir\"");
    let volts = |unit| {
        let mut unit = SimulatedUnit::new(&sheet, &[], 7, unit).expect("a unit");
        [0, 1].map(|_| number(&mut unit, &Reading::test(Measure::Dc, Some("out"))))
    };
    assert_eq!(volts(3), volts(3));
    let [first, second] = volts(3);
    assert!(first != second, "two readings of one point err apart");
    assert!((first - volts(4)[0]).abs() > 1e-6, "tolerances differ from unit to unit");
    // The healthy channel of a netlist that holds one only: another unit of the batch.
    let mut unit = SimulatedUnit::new(&sheet, &[], 7, 3).expect("a unit");
    let twin = Reading { twin: true, ..Reading::test(Measure::Dc, Some("out")) };
    assert!((number(&mut unit, &twin) - 6.0).abs() < 1.5);
}
