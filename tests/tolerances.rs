//! How healthy units differ, and the band they lie in: against the definitions of the distributions and algebra beside them.

mod common;

use common::{Bench, close};
use hissmap::bench::Point;
use hissmap::bench::healthy::{Band, HealthyModel, HealthyQuestion, healthy};
use hissmap::bench::sheet::Sheet;
use hissmap::bench::sheet::settings::{Surroundings, Tolerances};
use hissmap::bench::tolerance::{Coordinate, Effect, Law, adjustments, draw, normal_quantile, stratified};
use hissmap::circuit::{Change, Circuit, Quantity};
use hissmap::element::Element;
use hissmap::netlist::{Fetched, IncludeRequest};
use hissmap::noise::Weighting;

const STAGE: &str = "VIN in 0 AC 1\nVCC cc 0 9\nC1 in b 1u\nC2 c out 47n TOL=0.1\nRL out 0 100k\nR1 cc b 470k TOL=0.02
RC cc c 2k2\nQ1 c b 0 M\nD1 0 out D\n.model M NPN(BF=100 RB=100 KF=1e-15 ICBO=2u EG=0.67 IS=1u)\n.model D D";

fn coordinates(bench: &Bench) -> Vec<Coordinate> {
    let input = bench.circuit.find_part("VIN").ok();
    Tolerances::default().coordinates(&bench.circuit, input, &Surroundings::default())
}

#[track_caller]
fn law(all: &[Coordinate], name: &str) -> Law {
    all.iter().find(|one| one.name == name).unwrap_or_else(|| panic!("no {name} among {all:#?}")).law
}

#[test]
fn quantiles_of_the_normal_distribution_are_the_tabulated_ones() {
    // Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.5, and to more digits by any library.
    for (u, z) in [
        (0.5, 0.0),
        (0.75, 0.674489750196082),
        (0.95, 1.644853626951472),
        (0.975, 1.959963984540054),
        (0.999, 3.090232306167813),
        (0.999999, 4.753424308822899),
    ] {
        assert!((normal_quantile(u) - z).abs() < 1e-9, "{u}: {}", normal_quantile(u));
        assert!((normal_quantile(1.0 - u) + z).abs() < 1e-9, "{u}, below");
    }
    close(normal_quantile(1e-15), -7.941345326170997, 1e-12, "far out");
}

#[test]
fn laws_have_the_mean_and_spread_they_promise() {
    // Of a distribution even between a and b: mean (a + b)/2, sd (b − a)/√12; a z of ±√3 is an end.
    let even = Law::Uniform { low: 0.9, high: 1.1 };
    close(even.sd(), 0.1 / 3f64.sqrt(), 1e-14, "R ±10 %");
    close(even.at(3f64.sqrt()), 1.1, 1e-14, "upper end");
    close(even.at(-(3f64.sqrt())), 0.9, 1e-14, "lower end");
    // -20/+50 %: mean of the logarithm +0.09, sd 0.18.
    let capacitor = Law::LogUniform { low: 0.8, high: 1.5 };
    assert!((capacitor.at(0.0).ln() - 0.09).abs() < 0.005 && (capacitor.sd() - 0.18).abs() < 0.005);
    // Over a whole ratio r the sd of the logarithm is ln r/√12.
    let beta = Law::LogUniform { low: 0.5f64.sqrt(), high: 2f64.sqrt() };
    close(beta.sd(), 2f64.ln() / 12f64.sqrt(), 1e-14, "beta 2:1");
    close(Law::LogNormal { sd: 0.3 }.at(-2.0), (-0.6f64).exp(), 1e-14, "normal");
}

#[test]
fn a_circuit_has_the_coordinates_of_its_parts() {
    let all = coordinates(&Bench::of(STAGE));
    let names: Vec<&str> = all.iter().map(|one| one.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "C1",
            "C2",
            "RL",
            "excess noise of RL",
            "R1",
            "excess noise of R1",
            "RC",
            "excess noise of RC",
            "beta of Q1",
            "ICBO of Q1",
            "IS of Q1",
            "KF of Q1",
            "RB of Q1",
            "IS of D1",
            "RB of the batch",
            "KF of the batch",
            "supply",
            "ambient",
            "scale of the meter",
            "freezing",
            "cooling",
            "finger",
            "heating",
            "law of leakage noise",
        ]
    );
    // TOL of a part stands over the tolerance of its kind.
    assert_eq!(law(&all, "R1"), Law::Uniform { low: 0.98, high: 1.02 });
    assert_eq!(law(&all, "C2"), Law::Uniform { low: 0.9, high: 1.1 });
    assert_eq!(law(&all, "RC"), Law::Uniform { low: 0.9, high: 1.1 });
    assert_eq!(law(&all, "ambient"), Law::Uniform { low: 18.0, high: 30.0 });
    // Cooled to 0…+5 °C, about the 2.5 °C of the bench.
    assert_eq!(law(&all, "cooling"), Law::Uniform { low: -2.5, high: 2.5 });
}

#[test]
fn adjustments_act_on_the_values_they_name() {
    let bench = Bench::of(STAGE);
    let all = coordinates(&bench);
    let mut z = vec![0.0; all.len()];
    let at = |name: &str| all.iter().position(|one| one.name == name).expect("it is there");
    for (name, value) in [("RC", 1.0), ("RB of Q1", 1.0), ("RB of the batch", -2.0), ("supply", 0.5), ("ambient", 1.0)]
    {
        z[at(name)] = value;
    }
    let drawn = bench.circuit.adjusted(&adjustments(&all, &z)).expect("all can be");
    let part = |name: &str| &drawn.part(drawn.find_part(name).expect("it is there")).element;
    let Element::Resistor(rc) = part("RC") else { panic!() };
    close(rc.ohms, 2200.0 * (1.0 + 0.1 / 3f64.sqrt()), 1e-12, "RC one sd up");
    let Element::Bjt(q1) = part("Q1") else { panic!() };
    // The batch and the device's own multiply.
    close(q1.model.rb, 100.0 * (0.2f64 - 2.0 * 0.25).exp(), 1e-12, "RB");
    let Element::Source(vcc) = part("VCC") else { panic!() };
    close(vcc.dc, 9.0 * (1.0 + 0.5 * 0.05 / 3f64.sqrt()), 1e-12, "supply");
    close(drawn.ambient.celsius(), 24.0 + 6.0 / 3f64.sqrt(), 1e-12, "ambient");
    let Element::Source(vin) = part("VIN") else { panic!() };
    assert_eq!(vin.dc, 0.0);
}

#[test]
fn draws_depend_on_seed_and_number_alone() {
    let all = coordinates(&Bench::of(STAGE));
    assert_eq!(draw(&all, 7, 3), draw(&all, 7, 3));
    assert_ne!(draw(&all, 7, 3), draw(&all, 7, 4));
    assert_ne!(draw(&all, 7, 3), draw(&all, 8, 3));
    assert_eq!(stratified(&all, 7, 10), stratified(&all, 7, 10));
}

#[test]
fn draws_have_mean_zero_and_spread_one() {
    let all = coordinates(&Bench::of(STAGE));
    let moments = |units: &[Vec<f64>], at: usize| {
        let mean = units.iter().map(|z| z[at]).sum::<f64>() / units.len() as f64;
        let square = units.iter().map(|z| z[at] * z[at]).sum::<f64>() / units.len() as f64;
        (mean, square)
    };
    let random: Vec<Vec<f64>> = (0..4000).map(|unit| draw(&all, 1, unit)).collect();
    let even = stratified(&all, 1, 400);
    for (at, coordinate) in all.iter().enumerate() {
        // The mean of 4000 scatters by 0.016, its square by at most 0.022: four of these.
        let (mean, square) = moments(&random, at);
        assert!(mean.abs() < 0.064 && (square - 1.0).abs() < 0.09, "{}: {mean} {square}", coordinate.name);
        // One in each slice of 1/400: within half a slice times the slope, and for the tails of a normal one a little more.
        let (mean, square) = moments(&even, at);
        assert!(mean.abs() < 5e-3 && (square - 1.0).abs() < 0.05, "{}: {mean} {square}", coordinate.name);
    }
    // Two coordinates go their own ways: a correlation of 4000 scatters by 0.016.
    let product = random.iter().map(|z| z[0] * z[1]).sum::<f64>() / 4000.0;
    assert!(product.abs() < 0.064, "{product}");
}

#[test]
fn the_healthy_band_is_that_of_a_divider() {
    // One resistor of ±10 %, even: the volts fall as it grows, so 5 % of units lie below those of its 95 % quantile, +9 %.
    let bench = Bench::of("V1 top 0 10\nR1 top mid 1k TOL=0\nR2 mid 0 1k");
    let r2 = bench.circuit.find_part("R2").expect("a part");
    let coordinates = [Coordinate {
        name: "R2".to_owned(),
        law: Law::Uniform { low: 0.9, high: 1.1 },
        effect: Effect::Factor(Quantity::Resistance, vec![r2]),
        shared: false,
    }];
    let points = vec![Point::read(&bench.circuit, "mid").expect("a node")];
    let hiss = Some(([20.0, 20e3], Weighting::Flat));
    let question = HealthyQuestion { points, hiss, units: 400, seed: 5 };
    let found = healthy(&bench.circuit, &coordinates, &question).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!((found.drawn, found.solved), (400, 400));
    let volts = |r2: f64| 10.0 * r2 / (1000.0 + r2);
    let Band { low, high } = found.points[0].dc_volts;
    // A quantile of 400 even slices is known to 1/400 of the width of 0.2 kΩ: 2.5e-4 of the volts.
    close(low, volts(910.0), 3e-4, "low");
    close(high, volts(1090.0), 3e-4, "high");
    let rms = |r2: f64| (4.0 * common::K * 300.15 * (1000.0 * r2 / (1000.0 + r2)) * 19_980.0).sqrt();
    let hiss = found.points[0].hiss_volts.expect("it was asked for");
    close(hiss.low, rms(910.0), 1e-3, "low");
    close(hiss.high, rms(1090.0), 1e-3, "high");
}

#[test]
fn the_healthy_band_does_not_depend_on_the_number_of_threads() {
    let bench = Bench::of(STAGE);
    let model = HealthyModel { units: 40, ..HealthyModel::of_circuit(&bench.circuit, None) };
    let points = Point::all(&bench.circuit, None);
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        pool.install(|| model.at(&points, Some(([20.0, 20e3], Weighting::Flat))))
    };
    assert_eq!(with(1), with(3));
    let healthy = with(2).unwrap_or_else(|error| panic!("{error}"));
    // The nominal circuit lies inside where tolerances act at all.
    for (point, band) in points.iter().zip(&healthy.points) {
        let volts = bench.volts(&point.name);
        assert!(band.dc_volts.low <= volts + 1e-9 && volts <= band.dc_volts.high + 1e-9, "{}: {band:?}", point.name);
    }
}

/// 9 V over 100 kΩ into the leakage of a transistor whose base and emitter are grounded; no part differs from another.
fn leaking(bench_and_tolerance: &str) -> Sheet {
    let text = format!(
        "circuit = \"leak.cir\"\n{bench_and_tolerance}\nresistor = \"0 %\"\nbeta = 1\nicbo = 1\nis = 0\nsupply = \"0 %\"\n"
    );
    let netlist = "leak\nVCC cc 0 9\nRC cc c 100k\nQ1 c 0 0 M\n.model M NPN(IS=1e-20 ICBO=2u TDBL=10)\n";
    let read = Sheet::read("job.toml", &text, &mut |_: &IncludeRequest<'_>| {
        Ok(Fetched { name: "leak.cir".to_owned(), text: netlist.to_owned() })
    });
    read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages)).0
}

#[track_caller]
fn healthy_volts(sheet: &Sheet, circuit: &Circuit) -> Band {
    let point = Point::read(circuit, "c").expect("the collector");
    HealthyModel::of_sheet(sheet, circuit).at(&[point], None).expect("a bias").points[0].dc_volts
}

#[test]
fn healthy_units_are_as_warm_as_the_sheet_says() {
    // Ohm's law: 9 V − ICBO(T)·100 kΩ, where ICBO is 2 µA at 25 °C and doubles every 10 °C. What was wrong: a range of no
    // width left the netlist's 27 °C, where it is 2.297 µA; and the temperature of the bench was drawn over.
    let volts = |celsius: f64| 9.0 - 0.2 * ((celsius - 25.0) / 10.0).exp2();
    for (celsius, text) in [
        (25.0, "[tolerance]\nambient_c = [25, 25]"),
        (35.0, "[tolerance]\nambient_c = [35, 35]"),
        (45.0, "[bench]\nambient_c = 45\n[tolerance]"),
        (15.0, "[bench]\nambient_c = 45\n[tolerance]\nambient_c = [15, 15]"),
    ] {
        let sheet = leaking(text);
        let band = healthy_volts(&sheet, &sheet.circuit);
        close(band.low, volts(celsius), 1e-9, text);
        close(band.high, volts(celsius), 1e-9, text);
    }
    // A what-if on the temperature inside the set stands over the sheet.
    let sheet = leaking("[tolerance]");
    let warm = sheet.circuit.changed(&[Change::Ambient { celsius: 40.0 }]).expect("a warmer set");
    let band = healthy_volts(&sheet, &warm);
    close(band.low, volts(40.0), 1e-9, "warmer");
    close(band.high, volts(40.0), 1e-9, "warmer");
    // And without a sheet, by the defaults: the supply of 5 % and the resistor of 10 % remain.
    let band = HealthyModel::of_circuit(&warm, None).at(&[Point::read(&warm, "c").expect("c")], None).expect("a bias");
    let [low, high] = [band.points[0].dc_volts.low, band.points[0].dc_volts.high];
    assert!(low < volts(40.0) && volts(40.0) < high, "{low} to {high}");
}

#[test]
fn a_tolerance_that_is_the_same_for_all_still_moves_them() {
    // Every supply 5 % high: 9.45 V less 2 µA·100 kΩ at 25 °C.
    let mut sheet = leaking("[tolerance]\nambient_c = [25, 25]");
    sheet.tolerances.supply = [0.05, 0.05];
    let band = healthy_volts(&sheet, &sheet.circuit);
    close(band.low, 9.45 - 0.2, 1e-9, "supply");
    close(band.high, 9.45 - 0.2, 1e-9, "supply");
}
