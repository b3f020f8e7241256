//! The acceptance list: limits against algebra and tables, verdicts against circuits solved one by one.

use std::process::Command;

use hissmap::bench::reading::{Measure, Observed, Reading, Value};
use hissmap::bench::sheet::Sheet;
use hissmap::bench::simulated::SimulatedUnit;
use hissmap::bench::tolerance::{adjustments, draw, stratified};
use hissmap::bias;
use hissmap::circuit::{Adjustment, Change, Circuit, Quantity, Shift};
use hissmap::netlist::{Fetched, IncludeRequest};
use hissmap::noise::Weighting;
use hissmap::operating::Operating;
use hissmap::repair::acceptance::{Acceptance, Draw, Item, Verdict, acceptance};
use hissmap::repair::clippings;
use hissmap::repair::swing::{SwingQuestion, load_across, swing};
use hissmap::response::response;
use hissmap::smallsignal::Stimulus;
use hissmap::variants::{Family, Variant};

/// 99 % of a normal distribution lie within so many sd, and 99 % below so many: Abramowitz and Stegun, table 26.5.
const TWO_SIDED: f64 = 2.575829;
const ONE_SIDED: f64 = 2.326348;

/// 9 V over 10 kΩ and 20 kΩ; a source that leads nowhere.
const DIVIDER: &str = "Divider
V1 cc 0 9
VIN in 0 AC 1
RIN in 0 1k
R1 cc out 10k
R2 out 0 20k
.noise v(out) VIN dec 10 20 20k
";

/// Next to no tolerance, and meters that load nothing.
const EXACT: &str = "circuit = \"unit.cir\"
[instrument.meter]
ohm = 1e12
farad = 0
floor = 1e-12
[instrument.dc_meter]
ohm = 1e12
[tolerance]
resistor = \"0 %\"
capacitor = [\"0 %\", \"0 %\"]
electrolytic = [\"0 %\", \"0 %\"]
resistor_noise = [1e-9, 1.0000001e-9]
beta = 1
icbo = 1
is = 0
rb = 0
rb_batch = 0
kf = 0
kf_batch = 0
supply = \"0 %\"
ambient_c = [25, 25]
meter = \"0 %\"
";

fn sheet(netlist: &str, text: &str) -> Sheet {
    let read = Sheet::read("job.toml", text, &mut |_: &IncludeRequest<'_>| {
        Ok(Fetched { name: "unit.cir".to_owned(), text: netlist.to_owned() })
    });
    read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages)).0
}

fn shipped(name: &str) -> Sheet {
    let path = format!("circuits/{name}.toml");
    let text = std::fs::read_to_string(&path).expect("a demo sheet");
    let read = Sheet::read(&path, &text, &mut |request: &IncludeRequest<'_>| {
        let name = format!("circuits/{}", request.path);
        std::fs::read_to_string(&name).map(|text| Fetched { name, text }).map_err(|error| error.to_string())
    });
    read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages)).0
}

fn list(sheet: &Sheet, units: usize) -> Acceptance {
    let draw = Draw { units, seed: 1 };
    acceptance(sheet, &sheet.circuit, &draw, &|_, _| {}).unwrap_or_else(|error| panic!("{error:?}"))
}

#[track_caller]
fn item<'a>(list: &'a Acceptance, name: &str, channel: Option<&str>) -> &'a Item {
    let found = list.items.iter().find(|item| item.name == name && item.channel.as_deref() == channel);
    found.unwrap_or_else(|| {
        panic!("no {name} of {channel:?} in {:?}", list.items.iter().map(|i| (&i.name, &i.channel)).collect::<Vec<_>>())
    })
}

#[track_caller]
fn near(found: Option<f64>, expected: f64, relative: f64) {
    let found = found.expect("a limit");
    assert!((found / expected - 1.0).abs() <= relative, "{found} instead of {expected}");
}

#[test]
fn limits_without_reading_errors_are_quantiles_of_the_tolerances() {
    let text =
        format!("{EXACT}[reading_error]\ndc = 1e-9\ndc_zero = 1e-12\n").replace("supply = \"0 %\"", "supply = \"5 %\"");
    let list = list(&sheet(DIVIDER, &text), 400);
    let dc = item(&list, "dc at out", Some("out"));
    // 6 V times a factor even between 0.95 and 1.05: half a percent of sets lies below 6·(0.95 + 0.1·0.005) V. Stratified
    // draws put each 400th of them within its own slice, 1.5 mV wide.
    assert!((dc.low.expect("low") - 5.703).abs() < 1.6e-3, "{dc:?}");
    assert!((dc.high.expect("high") - 6.297).abs() < 1.6e-3, "{dc:?}");
}

#[test]
fn limits_without_tolerances_are_those_of_the_reading() {
    let text = format!("{EXACT}[acceptance]\nripple = \"V1=50mV\"\n");
    let list = list(&sheet(DIVIDER, &text), 40);
    let dc = item(&list, "dc at out", Some("out"));
    let sd = (0.012_f64 * 6.0).hypot(5e-3);
    near(dc.low, 6.0 - TWO_SIDED * sd, 1e-4);
    near(dc.high, 6.0 + TWO_SIDED * sd, 1e-4);
    // Nyquist 1928: 4kT·(10 kΩ beside 20 kΩ) from 20 Hz to 20 kHz at 25 °C; 12 % of error, and no hiss is too little.
    let rms = (4.0 * 1.380649e-23 * 298.15 * (20e3 / 3.0) * 19_980.0_f64).sqrt();
    let hiss = item(&list, "hiss", Some("out"));
    near(hiss.high, rms * (ONE_SIDED * 0.12).exp(), 1e-3);
    assert_eq!(hiss.low, None);
    // A sawtooth of p volts has harmonics of p/(πk), Gradshteyn and Ryzhik 1.441; two thirds of them stand at out.
    let sawtooth: f64 = (1..=200).map(|k| (0.05 / (std::f64::consts::PI * f64::from(k))).powi(2) / 2.0).sum();
    near(item(&list, "hum", Some("out")).high, sawtooth.sqrt() * 2.0 / 3.0 * (ONE_SIDED * 0.05).exp(), 1e-3);
    // No signal gets to the output: no gain, no response, no clipping is asked for.
    assert!(list.items.iter().all(|item| !item.name.starts_with("gain") && !item.name.starts_with("clip")));
}

#[test]
fn warm_and_cold_follow_the_doubling_of_leakage() {
    // 10 µA of collector-base leakage at 25 °C through 100 kΩ from 9 V, doubling every 10 °C; base and emitter grounded.
    let netlist = "Leak\nV1 cc 0 9\nVIN in 0 AC 1\nRIN in 0 1k\nRC cc out 100k\nQ1 out 0 0 LEAKY\n\
        .model LEAKY NPN (IS=1e-18 BF=50 ICBO=10u TDBL=10)\n.noise v(out) VIN dec 10 20 20k\n";
    let text = format!(
        "{EXACT}[acceptance]\nwarm_c = [45, 45]\ncold_c = [5, 5]\n[reading_error]\ndc = 1e-9\ndc_zero = 1e-9\n"
    );
    let list = list(&sheet(netlist, &text), 20);
    for (name, volts) in [("dc at out", 8.0), ("dc at out, warm", 5.0), ("dc at out, cold", 8.75)] {
        near(item(&list, name, Some("out")).low, volts, 1e-6);
    }
}

/// Two channels that divide by the position of one control; the right one gets half the signal.
const BALANCED: &str = "Balance
VL l 0 AC 1
VR r 0 AC 1
ER r2 0 r 0 0.5
.param balance=0.5
RL1 l outL {10k*balance+1}
RL2 outL 0 {10k*(1-balance)+1}
RR1 r2 outR {10k*(1-balance)+1}
RR2 outR 0 {10k*balance+1}
.noise v(outL) VL dec 10 20 20k
";

#[test]
fn balance_and_its_position_follow_from_the_dividers() {
    let asked = "[acceptance]\ntwin_input = \"VR\"\ntwin_output = \"outR\"\n[control.balance]\n";
    let readings = "[[reading]]\nmeasure = \"balance\"\nvalue = \"5.9 dB\"\n\
        [[reading]]\nmeasure = \"balance\"\nvalue = 0\nwith = { balance = 0.66 }\n";
    let list = list(&sheet(BALANCED, &format!("{EXACT}{asked}{readings}")), 20);
    // In the middle both divide by two, so that half the signal is 6.02 dB less.
    let balance = item(&list, "balance", None);
    near(balance.low, 20.0 * 2f64.log10() - TWO_SIDED * 0.2, 1e-3);
    near(balance.high, 20.0 * 2f64.log10() + TWO_SIDED * 0.2, 1e-3);
    assert_eq!((balance.value, balance.verdict), (Some(5.9), Verdict::Pass));
    // 1 − b = b/2 at b = 2/3, but for 1 Ω; 3 % of the travel is what a knob is read to.
    let position = item(&list, "balance_position", None);
    near(position.low, 2.0 / 3.0 - TWO_SIDED * 0.03, 1e-3);
    near(position.high, 2.0 / 3.0 + TWO_SIDED * 0.03, 1e-3);
    assert_eq!((position.value, position.verdict), (Some(0.66), Verdict::Pass));
}

#[test]
fn power_is_volts_squared_over_ohms() {
    let watts = |text: &str| match Value::read(Measure::Watts, text).expect(text).observed {
        Observed::Number(watts) => watts,
        Observed::Word(word) => panic!("{word:?}"),
    };
    // IEC 60268-3: 6.0 V rms across 15 Ω are 2.4 W.
    for text in ["6.0 V into 15 ohm", "6 V rms into 15", "6000 mV into 0.015k", "2.4 W", "2400 mW", "2.4"] {
        assert!((watts(text) - 2.4).abs() < 1e-12, "{text}");
    }
    for text in ["6 V into 0 ohm", "-6 V into 15 ohm", "6 V into", "6 A into 15 ohm"] {
        assert!(Value::read(Measure::Watts, text).is_err(), "{text}");
    }
    // Two divisions at 5 V are 10 V, with the knob at 0.5 V and a ×10 probe likewise.
    for text in ["2 div at 5 V", "2 div at 0.5 V x10", "10 V"] {
        assert_eq!(Value::read(Measure::ClipUp, text).expect(text).observed, Observed::Number(10.0), "{text}");
    }
}

#[test]
fn signal_to_noise_refers_to_the_rated_output() {
    // 2.4 W into 15 Ω are 6 V; over 60 µV of hiss that is 100 dB.
    let netlist = STAGE.replace("RL out 0 10k", "RL out 0 15");
    let reading = "[acceptance]\nrated = \"2.4 W\"\n[[reading]]\nmeasure = \"hiss\"\nat = \"out\"\nvalue = \"60 uV\"\n";
    let list = list(&sheet(&netlist, &format!("{EXACT}{reading}")), 20);
    near(item(&list, "signal_to_noise", Some("out")).value, 100.0, 1e-12);
    near(list.rated_volts, 6.0, 1e-12);
}

/// A germanium stage.
const STAGE: &str = "Stage
VCC vcc 0 -9
VIN in 0 AC 1
RS in s 1k
C1 s b1 10u
R1 vcc b1 100k
R2 b1 0 22k
Q1 c1 b1 e1 OLD
RC1 vcc c1 4k7
RE1 e1 k1 100
RK1 k1 0 1k
CK1 0 k1 100u
C2 c1 out 10u
RL out 0 10k
.model OLD PNP (IS=2u BF=80 EG=0.67 CJC=20p CJE=30p TF=80n ICBO=2u)
.noise v(out) VIN dec 10 20 20k
";

#[test]
fn healthy_units_pass_at_the_share_that_is_promised() {
    // Nine in ten, so that a few dozen units tell; drawn by another seed, each reading with its error.
    let mut sheet = sheet(STAGE, "circuit = \"unit.cir\"\n[acceptance]\nshare = \"90 %\"\n");
    let tests = [
        Reading::test(Measure::Hiss, Some("out")),
        Reading::test(Measure::Dc, Some("c1")),
        Reading::test(Measure::Dc, Some("e1")),
    ];
    sheet.readings.clear();
    let list = list(&sheet, 200);
    const UNITS: u64 = 100;
    for (test, name) in tests.iter().zip(["hiss", "dc at c1", "dc at e1"]) {
        let item = list.items.iter().find(|item| item.name == name).expect(name);
        let outside = (0..UNITS).filter(|&unit| {
            let mut unit = SimulatedUnit::new(&sheet, &[], 77, unit).expect("a unit");
            match unit.read(test).expect("a reading").observed {
                Observed::Number(read) => {
                    item.low.is_some_and(|low| read < low) || item.high.is_some_and(|high| read > high)
                }
                Observed::Word(_) => false,
            }
        });
        // Binomial, 100 of probability 0.1: sd 3; the limits themselves, from 200 units, are uncertain by sd 2.1 more.
        let outside = outside.count();
        assert!((1..=21).contains(&outside), "{name}: {outside} of {UNITS} outside");
    }
}

/// Two of these stages on one supply.
fn two_channels() -> String {
    let inner: String =
        STAGE.lines().skip(3).take_while(|line| !line.starts_with(".model")).map(|line| format!("{line}\n")).collect();
    format!(
        "Two channels\nVCC vcc 0 -9\nVL inL 0 AC 1\nVR inR 0 AC 1\nXL inL outL vcc CHANNEL\nXR inR outR vcc CHANNEL\n\
         .subckt CHANNEL in out vcc\n{inner}.ends\n{}\n.noise v(outL) VL dec 10 20 20k\n",
        STAGE.lines().find(|line| line.starts_with(".model")).expect("a model")
    )
}

const TWO_CHANNELS: &str = "circuit = \"unit.cir\"
[acceptance]
twin_input = \"VR\"
twin_output = \"outR\"
[point.TP1]
node = \"XL.c1\"
twin = \"XR.c1\"
[point.TP2]
node = \"XL.b1\"
twin = \"XR.b1\"
";

/// What the bench reads on a circuit, each figure from its full solution by itself.
fn read_all(sheet: &Sheet, circuit: &Circuit) -> Vec<Reading> {
    let operating = Operating::of(circuit).expect("a bias");
    let band = (sheet.band_hz, Weighting::Flat);
    let (own, twin) = (sheet.output.clone().expect("an output"), sheet.acceptance.twin_output.clone());
    let points: Vec<_> = std::iter::once(own.clone()).chain(twin.clone()).collect();
    let meter = &sheet.instruments.meter;
    let rms = meter.hiss(circuit, &operating, &points, band, 1e-4).expect("hiss");
    let mut readings: Vec<Reading> = Vec::new();
    let mut add = |measure, at: &str, value: f64, hertz| {
        readings.push(Reading { value: Some(Value::number(value)), hertz, ..Reading::test(measure, Some(at)) });
    };
    points.iter().zip(&rms).for_each(|(point, &rms)| add(Measure::Hiss, &point.name, meter.shows(rms), None));
    for (node, name) in circuit.nodes().filter(|(_, name)| name.ends_with("c1") || name.ends_with("b1")) {
        let point = hissmap::bench::Point::of(circuit, node);
        let volts = sheet.instruments.dc_meter.read(circuit, &operating.bias, &point).expect("volts");
        add(Measure::Dc, name, volts, None);
    }
    for (point, source) in points.iter().zip([sheet.input, sheet.acceptance.twin_input]) {
        let stimulus = Stimulus::of(circuit, source.expect("a source")).expect("it drives");
        let hertz = [1e3, 100.0, 10e3];
        let gains =
            response(circuit, &operating.signal, &stimulus, &[(point.plus, point.minus)], &hertz).expect("gains");
        let db = |at: usize| 20.0 * gains[0][at].norm().log10();
        add(Measure::Gain, &point.name, db(0), Some(1e3));
        add(Measure::Response, &point.name, db(1) - db(0), Some(100.0));
        add(Measure::Response, &point.name, db(2) - db(0), Some(10e3));
    }
    readings
}

fn judged(sheet: &Sheet, readings: Vec<Reading>) -> Acceptance {
    let mut sheet = sheet.clone();
    let span = hissmap::diagnostic::Span { source: hissmap::diagnostic::SourceId(0), start: 0, end: 0 };
    sheet.readings = readings.into_iter().map(|reading| (reading, span)).collect();
    list(&sheet, 200)
}

#[test]
fn a_leak_fails_the_hiss_of_its_channel_and_nothing_else() {
    let sheet = sheet(&two_channels(), TWO_CHANNELS);
    let healthy = judged(&sheet, read_all(&sheet, &sheet.circuit));
    let failed = |list: &Acceptance| -> Vec<(String, Option<String>)> {
        let failed = list.items.iter().filter(|item| item.verdict == Verdict::Fail);
        failed.map(|item| (item.name.clone(), item.channel.clone())).collect()
    };
    assert_eq!(failed(&healthy), []);
    // Every reading found its item: two of hiss, four of DC, two gains and four responses; signal to noise follows from hiss.
    assert_eq!(healthy.count(Verdict::Pass), 14, "{healthy:#?}");
    // Half as much leakage again moves no volt by much, and is two thousand times as noisy as it should.
    let leak = Change::Leak {
        part: "XL.Q1".to_owned(),
        amps: 3e-6,
        times: Some(2000.0),
        corner_hz: None,
        doubling_celsius: None,
    };
    let leaking = sheet.circuit.changed(&[leak]).expect("it leaks");
    let left = || Some("outL".to_owned());
    let expected = [("hiss".to_owned(), left()), ("signal_to_noise".to_owned(), left())];
    assert_eq!(failed(&judged(&sheet, read_all(&sheet, &leaking))), expected);
}

#[test]
fn a_weak_spare_is_judged_as_circuits_solved_one_by_one_say() {
    let text = "circuit = \"unit.cir\"\n[point.TP1]\nnode = \"c1\"\n[point.TP2]\nnode = \"b1\"\n";
    let sheet = sheet(STAGE, text);
    // Independent of the list's own draws and lanes: other units, each by itself.
    let coordinates: Vec<_> = sheet.coordinates().into_iter().filter(|one| one.acts_on_circuit()).collect();
    let point = |name: &str| sheet.find_point(name).expect("a point");
    let read = |circuit: &Circuit, name: &str| {
        let at = bias::solve(circuit).expect("a bias");
        sheet.instruments.dc_meter.read(circuit, &at, &point(name)).expect("volts")
    };
    let mut unlike = 0;
    for factor in [1.0, 0.5, 0.15] {
        let part = sheet.circuit.find_part("Q1").expect("a transistor");
        let beta = Adjustment { part, quantity: Quantity::ForwardBeta, value: Shift::Factor(factor) };
        let weak = sheet.circuit.adjusted(&[beta]).expect("a spare");
        let readings = read_all(&sheet, &weak).into_iter().filter(|reading| reading.measure == Measure::Dc);
        let list = judged(&sheet, readings.collect());
        for (name, node) in [("dc at TP1", "c1"), ("dc at TP2", "b1")] {
            let mut healthy: Vec<f64> = (0..300)
                .map(|unit| draw(&coordinates, 4711, unit))
                .map(|z| read(&sheet.circuit.adjusted(&adjustments(&coordinates, &z)).expect("a unit"), node))
                .collect();
            healthy.sort_by(f64::total_cmp);
            let (reading, width) = (read(&weak, node), healthy[299] - healthy[0]);
            let verdict = list.items.iter().find(|item| item.name == name).expect(name).verdict;
            // Between the middle nine tenths and the outermost unit either verdict is one of chance.
            if (healthy[15]..=healthy[284]).contains(&reading) {
                assert_eq!(verdict, Verdict::Pass, "{name} at beta times {factor}: {reading}");
            } else if reading < healthy[0] - 0.1 * width || reading > healthy[299] + 0.1 * width {
                assert_eq!(verdict, Verdict::Fail, "{name} at beta times {factor}: {reading}");
                unlike += 1;
            }
        }
    }
    assert!(unlike > 0, "the weakest spare shows");
}

#[test]
fn units_clip_together_where_each_clips_by_itself() {
    let sheet = shipped("two-stage-germanium");
    let coordinates: Vec<_> = sheet.coordinates().into_iter().filter(|one| one.acts_on_circuit()).collect();
    let draws = stratified(&coordinates, 5, 6);
    let circuits: Vec<Circuit> =
        draws.iter().map(|z| sheet.circuit.adjusted(&adjustments(&coordinates, z)).expect("a unit")).collect();
    let operating = Operating::of(&sheet.circuit).expect("a bias");
    let output = sheet.output.clone().expect("an output");
    let output = (output.plus, output.minus);
    let load = load_across(&sheet.circuit, output).map(|(part, _)| part);
    let question = SwingQuestion { input: sheet.input.expect("a source"), output, mid_hz: 1e3, load };
    let nominal = swing(&sheet.circuit, &operating, &question).expect("it clips");
    let family = Family::new(&sheet.circuit).expect("a family");
    let solved = family.solve(&circuits);
    let units: Vec<&Variant> = solved.iter().flatten().collect();
    let together = clippings(&sheet.circuit, &operating, &question, &nominal, &units, None).expect("they clip");
    for (circuit, found) in circuits.iter().zip(together) {
        let alone = swing(circuit, &Operating::of(circuit).expect("a bias"), &question).expect("it clips");
        let found = found.expect("a solution");
        near(found.up_volts, alone.up.expect("up").volts, 0.01);
        near(found.down_volts, alone.down.expect("down").volts, 0.01);
        let watts = |level: Option<hissmap::repair::swing::Level>| level.and_then(|level| level.watts);
        near(watts(found.level), watts(alone.onset).expect("watts"), 0.03);
    }
}

/// Runs `verify` on a sheet of the divider with these readings.
fn run(readings: &str, flags: &[&str]) -> (Option<i32>, String, String) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("unit.cir"), DIVIDER).expect("a netlist");
    std::fs::write(folder.path().join("job.toml"), format!("{EXACT}{readings}")).expect("a sheet");
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    let ran = command.args(["verify", "job.toml"]).args(flags).current_dir(folder.path()).output().expect("it runs");
    let text = |bytes| String::from_utf8(bytes).expect("output is text");
    (ran.status.code(), text(ran.stdout), text(ran.stderr))
}

fn reading(measure: &str, value: &str) -> String {
    format!("[[reading]]\nmeasure = \"{measure}\"\nat = \"out\"\nvalue = \"{value}\"\n")
}

#[test]
fn the_exit_code_says_whether_an_item_fails() {
    // 6 V ± 0.19 V, and 1.55 µV of hiss.
    let (code, text, _) = run("", &[]);
    assert_eq!(code, Some(0), "what is still to do fails nothing");
    assert!(text.contains("nothing read yet: "), "{text}");
    assert_eq!(run(&reading("dc", "6.1 V"), &[]).0, Some(0));
    assert_eq!(run(&reading("dc", "5.5 V"), &[]).0, Some(1));
    assert_eq!(run(&reading("hiss", "1.5 uV"), &[]).0, Some(0));
    assert_eq!(run(&reading("hiss", "15 uV"), &[]).0, Some(1));
    // Of two readings of one item the later one holds.
    let (code, text, _) = run(&format!("{}{}", reading("dc", "5.5 V"), reading("dc", "6000 mV")), &[]);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("dummy load") && text.contains("licensed person") && text.contains("capacitors"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    let (code, out, error) = run("[[reading]]\nmeasure = \"dc\"\nat = \"out\"\nvalue = 6\nwhen = \"tepid\"\n", &[]);
    assert_eq!((code, out.as_str()), (Some(2), ""));
    assert!(error.contains("\"warm\" or \"cold\""), "{error}");
}

#[test]
fn results_are_one_json_object_with_an_item_for_everything() {
    let readings = reading("dc", "5.5 V") + &reading("hiss", "not visible");
    let (code, out, _) = run(&readings, &["--json"]);
    assert_eq!(code, Some(1));
    let result: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    assert_eq!((result["schema"].as_u64(), result["command"].as_str()), (Some(1), Some("verify")));
    assert!(result["warnings"].is_array());
    let items = result["items"].as_array().expect("items");
    let keys = ["item", "channel", "value", "low", "high", "unit", "verdict", "how"];
    for item in items {
        let object = item.as_object().expect("an object");
        assert_eq!(object.len(), keys.len());
        assert!(keys.iter().all(|key| object.contains_key(*key)), "{object:?}");
        assert!(["pass", "fail", "to_do"].contains(&item["verdict"].as_str().expect("a verdict")));
        assert!(item["how"].as_str().expect("how").len() > 10);
    }
    let of = |name: &str| items.iter().find(|item| item["item"] == name).unwrap_or_else(|| panic!("{name} in {out}"));
    assert_eq!((of("dc at out")["verdict"].as_str(), of("dc at out")["value"].as_f64()), (Some("fail"), Some(5.5)));
    assert_eq!(of("dc at out")["unit"], "V");
    // A meter without noise of its own that sees nothing sees less than a healthy set has.
    assert_eq!((of("hiss")["verdict"].as_str(), of("hiss")["value"].as_f64()), (Some("pass"), None));
    for missing in ["hum", "hiss_a", "hiss, warm", "hiss, cold", "dc at cc", "dc at out, warm"] {
        if missing == "dc at cc" {
            // A node that a source holds tells nothing.
            assert!(items.iter().all(|item| item["item"] != missing));
            continue;
        }
        assert_eq!(of(missing)["verdict"], "to_do", "{missing}");
        assert!(of(missing)["value"].is_null());
    }
    let (_, csv, _) = run(&readings, &["--csv"]);
    assert_eq!(csv.lines().count(), items.len() + 1);
    assert!(csv.starts_with("item,channel,value,low,high,unit,verdict,how\n"));
}

#[test]
fn a_netlist_alone_is_no_set_to_judge() {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    let ran = command.args(["verify", "circuits/two-stage-germanium.cir"]).output().expect("it runs");
    assert_eq!(ran.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&ran.stderr).contains("--new-sheet"));
}

#[test]
fn a_channel_that_the_netlist_does_not_hold_is_another_unit_of_the_batch() {
    let readings = "[[reading]]\nmeasure = \"balance\"\nvalue = 0\n\
        [[reading]]\nmeasure = \"dc\"\nat = \"c1\"\ntwin = true\nvalue = \"-5.4 V\"\n";
    let list = list(&sheet(STAGE, &format!("circuit = \"unit.cir\"\n{readings}")), 200);
    // Two units of one batch differ either way alike, by more than the reading errs.
    let balance = item(&list, "balance", None);
    let (low, high) = (balance.low.expect("low"), balance.high.expect("high"));
    assert!(low < -TWO_SIDED * 0.2 && high > TWO_SIDED * 0.2, "{balance:?}");
    assert!((0.6..1.7).contains(&(-low / high)), "{balance:?}");
    // It has the limits of any unit.
    let (other, own) = (item(&list, "dc at c1", Some("other than out")), item(&list, "dc at c1", None));
    assert_eq!((other.low, other.high), (own.low, own.high));
    assert_eq!(own.verdict, Verdict::ToDo);
    assert_ne!(other.verdict, Verdict::ToDo);
}

#[test]
fn what_cannot_be_accepted_is_refused_with_its_place() {
    for (key, says) in [
        ("twin_input = \"VX\"", "no source is called VX"),
        ("twin_output = \"nowhere\"", "nowhere"),
        ("load = \"V1\"", "V1 is no resistor"),
        ("distortion = \"5 %\"", "1 % or at 10 %"),
        ("share = \"40 %\"", "50 to 99.9 %"),
        ("warm_c = [50, 40]", "does not ascend"),
        ("ripple = \"R1=50mV\"", "R1 is no voltage source"),
        ("response_hz = 100", "not a list"),
        ("response_hz = [0]", "above zero"),
        ("balance = \"volume\"", "no control is called volume"),
        ("twin_inptu = \"VIN\"", "no key twin_inptu"),
    ] {
        let (code, _, error) = run(&format!("[acceptance]\n{key}\n"), &[]);
        assert_eq!(code, Some(2), "{key}: {error}");
        assert!(error.contains(says) && error.contains("job.toml, line "), "{key}: {error}");
    }
    for (fields, says) in [
        ("measure = \"dc\"\nat = \"out\"\nweight = \"a\"", "dc has no weighting"),
        ("measure = \"hiss\"\nat = \"out\"\nweight = \"b\"", "no weighting is called b"),
        ("freeze = \"R1\"\nwhen = \"cold\"", "a change is made at the temperature of the bench"),
    ] {
        let (code, _, error) = run(&format!("[[reading]]\n{fields}\n"), &[]);
        assert_eq!(code, Some(2), "{fields}: {error}");
        assert!(error.contains(says), "{fields}: {error}");
    }
}

/// A stage whose load and input stand behind a part that nobody needs.
const BEHIND: &str = "A stage
RX 0 out 100meg
V1 cc 0 9
VIN in 0 AC 1
CI in b 10u
R1 cc b 330k
Q1 c b 0 N
RC cc c 2.2k
CO c out 10u
RL out 0 22k
.model N NPN(IS=1e-14 BF=100)
.noise v(out) VIN dec 10 20 20k
";

#[test]
fn a_part_taken_out_leaves_the_list_of_the_set_without_it() {
    // A law: taken out is not there. What was wrong: the parts behind it moved, and the sheet's input and load did not.
    let asked = "circuit = \"unit.cir\"\n[acceptance]\nload = \"RL\"\nripple = \"V1=50mV\"\n[[reading]]\nmeasure = \"temperature\"\nat = \"Q1\"\nvalue = 30\n";
    let with = sheet(BEHIND, asked);
    let without = sheet(&BEHIND.replace("RX 0 out 100meg\n", ""), asked);
    let lifted = with.circuit.changed(&[Change::Lift { part: "RX".to_owned() }]).expect("RX is not needed");
    let draw = Draw { units: 40, seed: 1 };
    let [lifted, without] = [(&with, &lifted), (&without, &without.circuit)]
        .map(|(sheet, circuit)| acceptance(sheet, circuit, &draw, &|_, _| {}).expect("a list"));
    // What is judged by the input, by the load and by the supply is among it.
    for name in ["gain at 1 kHz", "signal_to_noise", "hum"] {
        let limited = |item: &&Item| item.low.is_some() || item.high.is_some();
        assert!(without.items.iter().filter(limited).any(|item| item.name == name), "{name}: {without:#?}");
    }
    let told = |list: &Acceptance| {
        list.items.iter().map(|item| (item.name.clone(), item.value, item.low, item.high)).collect::<Vec<_>>()
    };
    assert_eq!(told(&lifted), told(&without));
}

#[test]
fn a_part_taken_out_leaves_the_gain_from_the_input_of_the_sheet() {
    // 20 kΩ of 30 kΩ: 20·lg(2/3) = −3.5218 dB. What was wrong: the gain was shown from the part behind the input.
    let netlist = "Divider\nRX cc out 100meg\nV1 cc 0 9\nVIN in 0 AC 1\nR1 in out 10k\nR2 out 0 20k\n";
    let folder = tempfile::tempdir().expect("a folder");
    let sheet = "circuit = \"unit.cir\"\ninput = \"VIN\"\noutput = \"out\"\n";
    std::fs::write(folder.path().join("unit.cir"), netlist).expect("a netlist");
    std::fs::write(folder.path().join("job.toml"), sheet).expect("a sheet");
    let ran = Command::new(env!("CARGO_BIN_EXE_hissmap"))
        .args(["noise", "job.toml", "--lift", "RX", "--json"])
        .current_dir(folder.path())
        .output()
        .expect("the command runs");
    let result: serde_json::Value = serde_json::from_slice(&ran.stdout).expect("JSON");
    let out = result["nodes"].as_array().expect("nodes").iter().find(|node| node["node"] == "out").expect("out");
    assert!((out["gain_db"].as_f64().expect("a gain") - 20.0 * (2.0f64 / 3.0).log10()).abs() < 1e-9, "{out}");
}
