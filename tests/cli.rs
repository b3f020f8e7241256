//! The command line: results, messages, exit codes, and the forms that other programs read.

use std::io::Write;
use std::process::{Command, Stdio};

use serde_json::Value;
use snapbox::{assert_data_eq, str};

/// A germanium stage behind a source of 1 kΩ.
const STAGE: &str = "\
One germanium stage
VCC vcc 0 -9
VIN in 0 AC 1
RS in s 1k
C1 s b1 10u
R1 vcc b1 100k
R2 b1 0 22k
Q1 c1 b1 e1 OLD
RC1 vcc c1 {rc}
RE1 e1 0 1k
CE1 e1 0 100u
C2 c1 out 10u
RL out 0 10k
.param rc=4k7
.model OLD PNP (IS=2u BF=80 EG=0.67 CJC=20p CJE=30p TF=80n ICBO=2u)
.model NEW PNP (IS=1e-14 BF=200 CJC=4p CJE=8p TF=1n)
.noise v(out) VIN dec 10 20 20k
";

/// The same without anything to advise about.
fn faultless() -> String {
    let unused = STAGE.lines().find(|line| line.starts_with(".model NEW")).expect("a second model");
    STAGE.replace(&format!("{unused}\n"), "").replace("CE1 e1 0 100u", "CE1 e1 0 470u")
}

/// 9 V over two equal resistors, and a capacitor at their middle.
const DIVIDER: &str = "Divider\nV1 in 0 9 AC 1\nR1 in mid 10k\nR2 mid 0 10k\nC1 mid 0 1n\n";

struct Ran {
    code: Option<i32>,
    out: String,
    err: String,
}

fn command() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    command.env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE").current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// Runs the command with `input` as its standard input, so `-` is the netlist.
fn run_bytes(arguments: &[&str], input: &[u8]) -> Ran {
    let mut command = command();
    command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("the command starts");
    // A command that refuses its flags does not read its input.
    let _ = child.stdin.take().expect("it is piped").write_all(input);
    let output = child.wait_with_output().expect("the command ends");
    let text = |bytes| String::from_utf8(bytes).expect("output is text");
    Ran { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
}

fn run(arguments: &str, netlist: &str) -> Ran {
    run_bytes(&arguments.split_whitespace().collect::<Vec<_>>(), netlist.as_bytes())
}

/// The JSON of a command that succeeds.
#[track_caller]
fn json(arguments: &str, netlist: &str) -> Value {
    let ran = run(&format!("{arguments} --json"), netlist);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    serde_json::from_str(&ran.out).expect("the result is JSON")
}

#[track_caller]
fn check_keys(value: &Value, expected: &str) {
    let mut keys: Vec<&str> = value.as_object().expect("an object").keys().map(String::as_str).collect();
    let mut expected: Vec<&str> = expected.split_whitespace().collect();
    keys.sort_unstable();
    expected.sort_unstable();
    assert_eq!(keys, expected);
}

/// Bad input: exit code 2, nothing but a message that holds all of `expected`.
#[track_caller]
fn check_refused(arguments: &str, netlist: &str, expected: &[&str]) {
    let ran = run(arguments, netlist);
    assert_eq!(ran.code, Some(2), "{arguments}: {}{}", ran.out, ran.err);
    assert_eq!(ran.out, "", "{arguments}");
    for expected in expected {
        assert!(ran.err.contains(expected), "{arguments}: {expected:?} is not in\n{}", ran.err);
    }
}

/// `value` is `expected` to 1e-9 of itself.
#[track_caller]
fn check_near(value: &Value, expected: f64) {
    let value = value.as_f64().expect("a number");
    assert!((value - expected).abs() <= 1e-9 * expected.abs(), "{value:e} is not {expected:e}");
}

/// The one of a list whose `key` has a value.
#[track_caller]
fn one<'a>(list: &'a Value, key: &str, value: &str) -> &'a Value {
    let list = list.as_array().expect("a list");
    list.iter().find(|item| item[key] == value).unwrap_or_else(|| panic!("no {key} {value}"))
}

// check

#[test]
fn a_sound_netlist_is_said_to_be_sound() {
    let ran = run("check - --strict", &faultless());
    assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""));
    assert_data_eq!(
        ran.out,
        str![[r#"
One germanium stage
sound: 12 parts, 1 of them transistors and diodes, 7 nodes besides ground

"#]]
    );
    let result = json("check -", STAGE);
    check_keys(&result, "schema command warnings sound errors");
    assert_eq!(result["schema"], 1);
    assert_eq!(result["command"], "check");
    assert_eq!(result["sound"], true);
}

#[test]
fn all_errors_are_shown_with_their_lines_and_what_to_type() {
    let netlist = "Faulty\nVCC vcc 0 9\nRC vcc c 4,7k\nQ1 c b 0 NS2\nRB vcc b\n+ 100k TOLL=5\n\
                   \tRB c 0 1k\n.model NS2A NPN (BF=100)\n";
    let ran = run("check -", netlist);
    assert_eq!((ran.code, ran.out.as_str()), (Some(2), ""));
    assert_data_eq!(
        ran.err,
        str![[r#"
-, line 3, column 10: 4,7k has a comma in it  (N06)
    RC vcc c 4,7k
             ~~~~
    write 4.7k; `hissmap why N06` tells more
-, line 4, column 10: no model is called NS2  (N03)
    Q1 c b 0 NS2
             ~~~
    defined here, line 8
    try NS2A; `hissmap why N03` tells more
-, line 5, column 1: TOLL is no parameter here  (N08)
    line 6: + 100k TOLL=5
                   ~~~~
    try TOL; `hissmap why N08` tells more
-, line 7, column 2: another part is called RB already  (N09)
     RB c 0 1k
     ~~
    the first one, line 5
    give one of them another name; `hissmap why N09` tells more

"#]]
    );
}

#[test]
fn an_unsound_netlist_is_a_result_of_check_in_json() {
    let ran = run("check - --json", "Faulty\nR1 a 0\n");
    assert_eq!(ran.code, Some(2));
    let result: Value = serde_json::from_str(&ran.out).expect("JSON");
    check_keys(&result, "schema command warnings sound errors");
    assert_eq!(result["sound"], false);
    check_keys(&result["errors"][0], "code severity message file line column help");
    assert_eq!(result["errors"][0]["severity"], "error");
    assert_eq!(result["errors"][0]["line"], 2);
    assert!(ran.err.starts_with("-, line 2, column "), "{}", ran.err);
}

#[test]
fn warnings_fail_only_a_strict_check() {
    let netlist = format!("{DIVIDER}.tran 1u 1m\n");
    let ran = run("check -", &netlist);
    assert_eq!(ran.code, Some(0));
    assert!(ran.err.contains("-, line 6, column 1: warning: "), "{}", ran.err);
    assert_eq!(run("check - --strict", &netlist).code, Some(1));
    assert_eq!(run("check - --strict", DIVIDER).code, Some(0));
    let warning = &json("check -", &netlist)["warnings"][0];
    assert_eq!((&warning["code"], &warning["severity"]), (&"N15".into(), &"warning".into()));
}

// bias

#[test]
fn bias_in_json_has_its_keys() {
    let netlist = format!("{STAGE}D1 vcc a DD\nRD a 0 1k\n.model DD D\nJ1 c1 0 sj JJ\nRJ sj 0 1k\n.model JJ PJF\n");
    let result = json("bias -", &netlist);
    check_keys(&result, "schema command warnings title ambient_c nodes devices");
    assert_eq!(result["title"], "One germanium stage");
    check_keys(&result["nodes"][0], "node dc_v");
    let common = "device kind region power_w temperature_c";
    let device = |name| one(&result["devices"], "device", name);
    check_keys(device("Q1"), &format!("{common} ic_a ib_a vbe_v vce_v"));
    check_keys(device("D1"), &format!("{common} i_a v_v"));
    check_keys(device("J1"), &format!("{common} id_a ig_a vgs_v vds_v"));
    assert_eq!((&device("Q1")["kind"], &device("Q1")["region"]), (&"pnp".into(), &"active".into()));
    assert_eq!(device("D1")["kind"], "diode");
    assert_eq!(device("J1")["kind"], "pjf");
}

#[test]
fn nodes_come_in_signal_order() {
    let result = json("bias -", STAGE);
    let nodes: Vec<&str> =
        result["nodes"].as_array().expect("a list").iter().filter_map(|node| node["node"].as_str()).collect();
    // in, s, b1 by steps; c1 and e1 from the base in netlist order; the supply is cut and comes last.
    assert_eq!(nodes, ["in", "s", "b1", "c1", "e1", "out", "vcc"]);
}

#[test]
fn bias_as_text_fits_the_page() {
    let ran = run("bias -", STAGE);
    assert_data_eq!(
        ran.out,
        str![[r#"
One germanium stage
DC with no meter attached; ambient 27 °C

node        DC
in         0 V
s          0 V
b1    -1.421 V
c1    -3.153 V
e1    -1.255 V
out        0 V
vcc   -9.000 V

device  kind  region  currents into pins        volts between pins            heat       at
Q1      pnp   active  C -1.244 mA, B -11.17 µA  BE -166.3 mV, CE -1.898 V  2.36 mW  27.0 °C

"#]]
    );
}

#[test]
fn a_current_of_femtoamperes_is_shown_and_rounding_is_not() {
    // A reverse gate carries its IS of 1e-14 A twice, by gate-source and gate-drain.
    let gate = "Gate\nVD d 0 10\nVG g 0 -1\nJ1 d g 0 M\n.model M NJF(IS=1e-14)\n";
    let text = run("bias -", gate).out;
    assert!(text.contains("G -20.00 fA"), "{text}");
    // A saturated collector on nothing carries nothing.
    let hanging = "Hanging\nVB x 0 1\nRB x b 10k\nQ1 c b 0 M\nCC c 0 1u\n.model M NPN\n";
    let text = run("bias -", hanging).out;
    assert!(text.contains("C 0 A, B "), "{text}");
}

#[test]
fn a_hot_device_is_warned_about() {
    let netlist = "Hot\nVCC c 0 20\nRB c b 10k\nQ1 c b 0 P PTOT=0.3\n.model P NPN (BF=50)\n";
    let result = json("bias -", netlist);
    assert_eq!(result["warnings"][0]["code"], "S08");
    assert_eq!(result["warnings"][0]["line"], 4);
}

#[test]
fn a_circuit_that_does_not_stay_is_warned_about() {
    // A negative resistance of 500 Ω across 1 kΩ and 1 µF grows.
    let netlist = "Grows\nV1 in 0 0\nRS in a 1k\nC1 a 0 1u\nG1 0 a a 0 2m\n";
    for arguments in ["bias -", "noise -", "response - --from V1 --to a", "compare - --ambient 40"] {
        let result = json(arguments, netlist);
        let warnings = result["warnings"].as_array().expect("a list");
        assert_eq!(warnings.iter().filter(|warning| warning["code"] == "S05").count(), 1, "{arguments}");
    }
}

#[test]
fn without_a_bias_the_exit_code_is_3() {
    // At 20 V germanium on so poor a heat sink runs away: more heat, more current.
    let netlist = "Runs away\nVCC c 0 20\nRB c b 10k\nQ1 c b 0 P RTH=1000\n.model P NPN (BF=50 EG=0.67 IS=2u)\n";
    let ran = run("noise - --json", netlist);
    assert_eq!(ran.code, Some(3));
    let result: Value = serde_json::from_str(&ran.out).expect("JSON");
    check_keys(&result, "schema command errors warnings");
    assert_eq!(result["errors"][0]["code"], "S01");
    assert!(ran.err.contains("(S01)"), "{}", ran.err);
    let ran = run("compare - --value VCC=20", &netlist.replace("0 20", "0 1"));
    assert_eq!((ran.code, ran.out.as_str()), (Some(3), ""));
    assert!(ran.err.contains("with the what-ifs: Q1 runs away"), "{}", ran.err);
}

// response

#[test]
fn response_in_json_has_its_keys_and_numbers() {
    let result = json("response - --from V1 --to mid --hz 1k,1MEG", DIVIDER);
    check_keys(&result, "schema command warnings from mid_hz outputs");
    assert_eq!(result["from"], "V1");
    let output = &result["outputs"][0];
    check_keys(output, "to points half_power_hz");
    assert_eq!(output["to"], "mid");
    check_keys(&output["points"][1], "hz re im db phase_deg");
    // Half of a low-pass of 5 kΩ and 1 nF: 0.5/(1 + jωRC).
    let wrc = std::f64::consts::TAU * 1e6 * 5e3 * 1e-9;
    check_near(&output["points"][1]["hz"], 1e6);
    check_near(&output["points"][1]["re"], 0.5 / (1.0 + wrc * wrc));
    check_near(&output["points"][1]["im"], -0.5 * wrc / (1.0 + wrc * wrc));
    check_near(&output["points"][1]["db"], 20.0 * 0.5f64.log10() - 10.0 * (1.0 + wrc * wrc).log10());
    check_near(&output["points"][1]["phase_deg"], -wrc.atan().to_degrees());
}

#[test]
fn response_takes_its_defaults_from_the_netlist() {
    let result = json("response -", STAGE);
    assert_eq!((&result["from"], &result["outputs"][0]["to"]), (&"VIN".into(), &"out".into()));
    // Ten points a decade over three decades, both ends included.
    assert_eq!(result["outputs"][0]["points"].as_array().map(Vec::len), Some(31));
    let result = json("response -", &format!("{STAGE}.ac lin 3 100 300\n"));
    assert_eq!(result["outputs"][0]["points"][1]["hz"], 200.0);
    let result = json("response - --from v1 --to mid", DIVIDER);
    assert_eq!(result["outputs"][0]["points"].as_array().map(Vec::len), Some(61));
}

#[test]
fn response_of_several_nodes_and_a_difference() {
    for arguments in ["response - --to c1 OUT c1,e1", "response - --to c1 --to OUT --to c1,e1"] {
        let result = json(arguments, STAGE);
        let to: Vec<&Value> = (0..3).map(|at| &result["outputs"][at]["to"]).collect();
        assert_eq!(to, ["c1", "out", "c1,e1"]);
    }
}

#[test]
fn response_asks_for_what_is_missing() {
    check_refused("response - --to mid", DIVIDER, &["(F05)", "--from VIN"]);
    check_refused("response - --from V1", DIVIDER, &["(F05)", "--to out"]);
}

#[test]
fn response_tells_swing_channels_and_controls_in_json() {
    let result = json("response - --swing --load 10k", STAGE);
    let swing = &result["swing"];
    check_keys(
        swing,
        "to method input_unit rest_v static_gain mid_gain load load_ohm holding open shaping clips symmetrical onset \
         one_percent ten_percent levels",
    );
    check_keys(&swing["clips"]["up"], "v input device cause");
    check_keys(&swing["onset"], "input_rms output_rms_v power_w distortion harmonics");
    // Watts are V²/R.
    let volts = swing["onset"]["output_rms_v"].as_f64().expect("volts");
    check_near(&swing["onset"]["power_w"], volts * volts / swing["load_ohm"].as_f64().expect("ohms"));
    let result = json("response - --twin VIN:c1 --hz 1k", STAGE);
    check_keys(&result["twin"], "from to points half_power_hz channels");
    check_keys(
        &result["twin"]["channels"][0],
        "hz difference_db difference_deg crosstalk_to_twin_db crosstalk_from_twin_db",
    );
}

#[test]
fn swing_asks_for_what_it_needs() {
    check_refused("response - --from V1 --to mid --swing", DIVIDER, &["(F05)", "nothing in this circuit clips"]);
    check_refused("response - --swing --load XYZ", STAGE, &["--load XYZ"]);
    check_refused("response - --twin VIN", STAGE, &["(F04)", "--twin VR:outR"]);
    check_refused("response - --csv --swing --twin VIN:c1", STAGE, &["(F04)", "one table"]);
}

#[test]
fn response_as_text() {
    let ran = run("response - --hz 20,1k,20k --to out", STAGE);
    assert_data_eq!(
        ran.out,
        str![[r#"
One germanium stage
gain from VIN; ambient 27 °C

frequency      out    phase
    20 Hz  29.8 dB  -108.4°
    1 kHz  39.3 dB  -178.1°
   20 kHz  38.5 dB   155.5°
3 dB below the gain at 1 kHz: 56.1 Hz and 44.2 kHz

"#]]
    );
}

// noise

#[test]
fn noise_in_json_has_its_keys() {
    let result = json("noise -", STAGE);
    check_keys(&result, "schema command warnings band_hz weight points nodes");
    assert_eq!(result["weight"], "flat");
    // Fifteen to a panel of the Kronrod rule, three decades at least.
    let points = result["points"].as_u64().expect("a number");
    assert!(points >= 45 && points.is_multiple_of(15), "{points}");
    let node = one(&result["nodes"], "node", "out");
    let keys = "node dc_v gain_db rms_v relative_error peak_to_peak_v input_rms_v devices";
    check_keys(node, keys);
    check_keys(&node["devices"][0], "device share rms_v mechanisms");
    check_keys(&node["devices"][0]["mechanisms"][0], "mechanism share rms_v");
    let with_spectrum = json("noise - --at out --spectrum", STAGE);
    check_keys(&with_spectrum["nodes"][0], &format!("{keys} spectrum"));
    let spectrum = &with_spectrum["nodes"][0]["spectrum"];
    check_keys(spectrum, "hz v_per_rthz");
    assert_eq!(spectrum["hz"].as_array().map(Vec::len), Some(31));
    assert_eq!(spectrum["v_per_rthz"].as_array().map(Vec::len), Some(31));
}

#[test]
fn noise_of_a_divider_is_that_of_its_resistance() {
    let result = json("noise - --band 100:10k --from V1 --hz 1", DIVIDER);
    let node = one(&result["nodes"], "node", "mid");
    // Density 4kTR/(1 + (ωRC)²), R = 5 kΩ, T = 300.15 K; its integral over the band by the arc tangent.
    let (r, c, kt) = (5e3, 1e-9, 1.380649e-23 * 300.15);
    let angle = |hertz: f64| (std::f64::consts::TAU * hertz * r * c).atan();
    let mean_square = 4.0 * kt * r * (angle(10e3) - angle(100.0)) / (std::f64::consts::TAU * r * c);
    check_near(&node["rms_v"], mean_square.sqrt());
    check_near(&node["peak_to_peak_v"], 6.6 * mean_square.sqrt());
    check_near(&node["dc_v"], 4.5);
    // Both resistors are alike, and each has one mechanism.
    for device in ["R1", "R2"] {
        check_near(&one(&node["devices"], "device", device)["share"], 0.5);
    }
    // At the input the supply shorts everything: no hiss, and no devices.
    let input = one(&result["nodes"], "node", "in");
    assert_eq!((&input["rms_v"], &input["devices"]), (&0.0.into(), &Value::Array(vec![])));
    assert_eq!(input["gain_db"], 0.0);
}

#[test]
fn without_an_input_there_is_no_gain() {
    let result = json("noise - --at mid", DIVIDER);
    assert_eq!((&result["nodes"][0]["gain_db"], &result["nodes"][0]["input_rms_v"]), (&Value::Null, &Value::Null));
    assert_eq!(result["band_hz"], serde_json::json!([20.0, 20e3]));
}

#[test]
fn shares_fall_and_add_up() {
    let result = json("noise -", STAGE);
    for node in result["nodes"].as_array().expect("a list") {
        let shares: Vec<f64> =
            node["devices"].as_array().expect("a list").iter().filter_map(|d| d["share"].as_f64()).collect();
        assert!(shares.is_sorted_by(|a, b| a >= b), "{shares:?}");
        assert!(shares.is_empty() || (shares.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{shares:?}");
    }
}

#[test]
fn a_flag_stands_over_the_netlist() {
    let result = json("noise - --band 100:1k --weight a --at c1,e1 --at OUT --at out", STAGE);
    assert_eq!(result["band_hz"], serde_json::json!([100.0, 1000.0]));
    assert_eq!(result["weight"], "a");
    let nodes: Vec<&Value> = result["nodes"].as_array().expect("a list").iter().map(|node| &node["node"]).collect();
    assert_eq!(nodes, ["c1,e1", "out"]);
    let volts = json("bias -", STAGE);
    let dc = |name| one(&volts["nodes"], "node", name)["dc_v"].as_f64().expect("a number");
    assert_eq!(result["nodes"][0]["dc_v"], dc("c1") - dc("e1"));
    assert_eq!(json("noise - --weight 468 --at out", STAGE)["weight"], "468");
}

#[test]
fn hiss_needs_a_band() {
    let netlist = STAGE.replace("20 20k", "1k 1k");
    check_refused("noise -", &netlist, &["(F05)", "--band 20:20k"]);
    check_refused("compare - --freeze Q1", &netlist, &["(F05)", "--band 20:20k"]);
    assert_eq!(run("noise - --band 20:20k", &netlist).code, Some(0));
}

#[test]
fn a_noise_figure_and_a_ratio_of_signal_to_noise_are_there_where_asked_for() {
    let plain = "node dc_v gain_db rms_v relative_error peak_to_peak_v input_rms_v devices";
    let result = json("noise - --at out --rs RS --level 0.5", STAGE);
    let node = &result["nodes"][0];
    check_keys(node, &format!("{plain} noise_figure_db snr_db"));
    // Total over what RS makes, RS as though it were at 290 K and not at 300.15 K.
    let rms = node["rms_v"].as_f64().expect("a number");
    let own = one(&node["devices"], "device", "RS")["share"].as_f64().expect("a number");
    check_near(&node["noise_figure_db"], 10.0 * (1.0 + (1.0 - own) / (own * 290.0 / 300.15)).log10());
    check_near(&node["snr_db"], 20.0 * (0.5 / rms).log10());
    // The same by its ohms, which RS in series with VIN has; another value is added to it, and 1 kΩ of the 2.5 kΩ is then
    // the amplifier's.
    assert_eq!(json("noise - --at out --rs 1k", STAGE)["nodes"][0]["noise_figure_db"], node["noise_figure_db"]);
    let added = json("noise - --at out --rs 1.5k", STAGE);
    let behind = STAGE.replace("RS in s 1k", "RX in i 1.5k TEMP=16.85\nRS i s 1k");
    let drawn = json("noise - --at out --rs RX", &behind);
    check_near(&added["nodes"][0]["noise_figure_db"], drawn["nodes"][0]["noise_figure_db"].as_f64().expect("a number"));
    check_keys(&added["nodes"][0], &format!("{plain} noise_figure_db"));
    // Where a source holds the node nothing can be told.
    let held = json("noise - --at vcc --rs RS --level 0.5", STAGE);
    assert_eq!((&held["nodes"][0]["noise_figure_db"], &held["nodes"][0]["snr_db"]), (&Value::Null, &Value::Null));
    // A current source of 1 mA a volt with 1 kΩ across it is the same source.
    let current = STAGE.replace("VIN in 0 AC 1\nRS in s 1k", "IIN 0 s AC 1\nRS 0 s 1k").replace("VIN", "IIN");
    let by_ohms = json("noise - --at out --rs 1k", &current);
    check_near(&by_ohms["nodes"][0]["noise_figure_db"], node["noise_figure_db"].as_f64().expect("a number"));
    let across = STAGE.replace("VIN in 0 AC 1\nRS in s 1k", "IIN 0 s AC 1\nRX s 0 1e15").replace("VIN", "IIN");
    let by_ohms = json("noise - --at out --rs 1k", &across);
    check_near(&by_ohms["nodes"][0]["noise_figure_db"], node["noise_figure_db"].as_f64().expect("a number"));
}

#[test]
fn a_source_resistance_that_is_none_is_refused() {
    check_refused("noise - --rs Q1", STAGE, &["(F03)", "--rs Q1: Q1 is no resistor"]);
    check_refused("noise - --rs R47", STAGE, &["(F02)", "no part is called R47"]);
    check_refused("noise - --rs 0", STAGE, &["(F04)", "a resistance must be above zero"]);
    check_refused("noise - --rs 10M", STAGE, &["(F04)", "milliohms", "10MEG"]);
    check_refused("noise - --rs 1,5k", STAGE, &["(F04)", "1.5k"]);
    check_refused("noise - --rs 1k", DIVIDER, &["(F05)", "--from"]);
    check_refused("noise - --level 0", STAGE, &["(F04)", "--level 0: a signal level must be above zero"]);
    check_refused("noise - --level loud", STAGE, &["(F04)", "0.775"]);
}

#[test]
fn noise_as_text() {
    assert_data_eq!(
        run("noise -", STAGE).out,
        str![[r#"
One germanium stage
hiss from 20 Hz to 20 kHz, unweighted, from 45 frequencies; gain from VIN at 1 kHz; ambient 27 °C

node        DC      gain      rms  peak to peak  most of it from   share
in         0 V    0.0 dB      0 V           0 V  -
s          0 V   -4.3 dB   406 nV       2.68 µV  RS thermal       69.6 %
b1    -1.421 V   -4.4 dB   405 nV       2.68 µV  RS thermal       69.5 %
c1    -3.153 V   39.3 dB  62.6 µV        413 µV  RS thermal       67.8 %
e1    -1.255 V  -26.6 dB  34.3 nV        226 nV  RS thermal       67.0 %
out        0 V   39.3 dB  62.6 µV        413 µV  RS thermal       67.8 %
vcc   -9.000 V         -      0 V           0 V  -

"#]]
    );
    assert_data_eq!(
        run("noise - --at out --leak Q1=20uA,x=300", STAGE).out,
        str![[r#"
One germanium stage
hiss from 20 Hz to 20 kHz, unweighted, from 45 frequencies; gain from VIN at 1 kHz; ambient 27 °C
what if: leak Q1 20 µA ×300

out: 83.3 µV rms, 550 µV peak to peak; DC 0 V; gain 22.3 dB

device      rms   share                                  by mechanism
Q1      82.9 µV  99.1 %  ==============================  leakage 98.8 %
                                                         base shot 0.3 %
RS      7.49 µV   0.8 %                                  thermal 0.8 %
5 more  1.77 µV   0.0 %

Before your hands go in: unplug the set, discharge its capacitors and check them with the meter.
A live-chassis set belongs on an isolation transformer; in a live set use one hand. Parts may be
hot, freeze spray leaves water that must dry. Local codes and licensed practice come first.

"#]]
    );
}

#[test]
fn no_table_is_wider_than_the_page() {
    let mut netlist =
        "Deep, and a title that goes on for longer than a page is wide, as some people like them\n".to_owned();
    netlist += ".subckt a_stage_with_a_long_name in out vcc\nRC vcc out 4k7\nRB out base_of_the_transistor 100k\n\
                CB in base_of_the_transistor 1u\nQ_the_transistor_in_question out base_of_the_transistor 0 N\n\
                .ends\n.model N NPN (BF=100 KF=1e-14)\nVCC vcc 0 9\nVIN in 0 AC 1\n\
                X_the_first_one_of_two in middle_of_it_all vcc a_stage_with_a_long_name\n\
                X_the_second_one_of_two middle_of_it_all out vcc a_stage_with_a_long_name\n.noise v(out) VIN dec 10 20 20k\n";
    let touch = "--freeze X_the_first_one_of_two.Q_the_transistor_in_question";
    for arguments in [
        "bias -",
        "noise -",
        "noise - --rs 1k --level 1",
        "noise - --at out",
        "response -",
        "response - --swing",
        "response - --twin VIN:out",
        &format!("compare - {touch}"),
    ] {
        let ran = run(arguments, &netlist);
        assert_eq!(ran.code, Some(0), "{}", ran.err);
        for line in ran.out.lines() {
            assert!(line.chars().count() <= 100, "{arguments}: {line}");
        }
    }
}

// compare and what-ifs

#[test]
fn compare_in_json_has_its_keys() {
    let result = json("compare - --freeze Q1", STAGE);
    check_keys(&result, "schema command warnings changes nodes");
    assert_eq!(result["changes"], serde_json::json!(["freeze Q1 -30 °C"]));
    let node = one(&result["nodes"], "node", "out");
    check_keys(node, "node before_rms_v after_rms_v change_db before_dc_v after_dc_v");
    let number = |key: &str| node[key].as_f64().expect("a number");
    let db = 20.0 * (number("after_rms_v") / number("before_rms_v")).log10();
    check_near(&node["change_db"], db);
    // Silent before and after.
    assert_eq!(one(&result["nodes"], "node", "in")["change_db"], Value::Null);
}

#[test]
fn compare_works_for_the_error_that_is_asked_for() {
    // A sharp resonance in the band takes more frequencies the smaller the error.
    let tank = "Tank\nR1 a 0 1k\nLX a y 1\nCX y 0 25.33n\n";
    let asked = "compare - --value R1=2k --at y";
    let exact = json(asked, tank);
    let rough = json(&format!("{asked} --tolerance 1e-2"), tank);
    let after = |result: &Value| result["nodes"][0]["after_rms_v"].as_f64().expect("a number");
    assert!((after(&exact) - after(&rough)).abs() <= 1e-2 * after(&exact));
    check_refused("compare - --value R1=2k --tolerance 2", tank, &["(F04)", "--tolerance 2: it must lie between"]);
}

#[test]
fn an_input_figure_that_is_uncertain_is_warned_about() {
    // A trap without loss: at its resonance nothing comes through, and the noise behind it is infinite at the input.
    let trap = "Trap\nVIN in 0 AC 1\nR1 in a 1k\nL1 a b 1\nC1 b 0 25.33n\nE1 o 0 a 0 1\nR2 o x 1k\n";
    let result = json("noise - --from VIN --at x", trap);
    let warning = one(&result["warnings"], "code", "S07");
    let message = warning["message"].as_str().expect("text");
    assert!(message.starts_with("the hiss referred to the input at x is only certain to"), "{message}");
    assert_eq!(result["warnings"].as_array().map(Vec::len), Some(1));
}

#[test]
fn compare_without_a_what_if_shows_one() {
    check_refused("compare -", STAGE, &["(F05)", "--freeze Q1"]);
}

#[test]
fn compare_as_text() {
    assert_data_eq!(
        run("compare - --freeze q1 --value c2=1u", STAGE).out,
        str![[r#"
One germanium stage
hiss from 20 Hz to 20 kHz, unweighted; ambient 27 °C
what if: freeze Q1 -30 °C
what if: value C2 1 µF

node  hiss before    after   change     gain  DC before     after
in            0 V      0 V        -  +0.0 dB        0 V       0 V
s          406 nV   377 nV  -0.6 dB  -0.3 dB        0 V       0 V
b1         405 nV   376 nV  -0.7 dB  -0.3 dB   -1.421 V  -1.378 V
c1        62.6 µV  62.9 µV  +0.0 dB  +0.5 dB   -3.153 V  -3.869 V
e1        34.3 nV  33.8 nV  -0.1 dB  +0.5 dB   -1.255 V  -1.105 V
out       62.6 µV  62.9 µV  +0.0 dB  +0.5 dB        0 V       0 V
vcc           0 V      0 V        -        -   -9.000 V  -9.000 V

Before your hands go in: unplug the set, discharge its capacitors and check them with the meter.
A live-chassis set belongs on an isolation transformer; in a live set use one hand. Parts may be
hot, freeze spray leaves water that must dry. Local codes and licensed practice come first.

"#]]
    );
    // Nobody reaches into the set for another value.
    assert!(!run("compare - --value C2=1u", STAGE).out.contains("unplug"));
}

/// What a what-if is called in results, and a number of `bias --json` that it leads to.
#[track_caller]
fn check_what_if(flags: &str, text: &str) -> Value {
    assert_eq!(json(&format!("compare - {flags}"), STAGE)["changes"], serde_json::json!([text]), "{flags}");
    json(&format!("bias - {flags}"), STAGE)
}

#[test]
fn temperatures_of_a_part() {
    for (flags, text, celsius) in [
        ("--freeze Q1", "freeze Q1 -30 °C", -30.0),
        ("--cool q1", "cool Q1 2.5 °C", 2.5),
        ("--finger Q1", "finger Q1 33 °C", 33.0),
        ("--heat Q1", "heat Q1 45 °C", 45.0),
        ("--temp Q1=-12.5", "temp Q1 -12.5 °C", -12.5),
        // The last one holds.
        ("--freeze Q1 --temp q1=5 --heat Q1", "heat Q1 45 °C", 45.0),
        ("--heat Q1 --freeze Q1", "freeze Q1 -30 °C", -30.0),
    ] {
        check_near(&check_what_if(flags, text)["devices"][0]["temperature_c"], celsius);
    }
    check_what_if("--heat RC1", "heat RC1 60 °C");
    // Silicon is heated more, also where it has just been swapped in.
    let swapped = json("bias - --heat Q1 --swap Q1=new", STAGE);
    check_near(&swapped["devices"][0]["temperature_c"], 60.0);
}

#[test]
fn ambient_may_be_below_zero() {
    let result = check_what_if("--ambient -5", "ambient -5 °C");
    check_near(&result["ambient_c"], -5.0);
    check_near(&result["devices"][0]["temperature_c"], -5.0);
}

#[test]
fn values_and_parameters() {
    let node = |result: &Value, name: &str| one(&result["nodes"], "node", name)["dc_v"].as_f64().expect("a number");
    let before = node(&json("bias -", STAGE), "c1");
    let by_value = check_what_if("--value RC1=1k", "value RC1 1 kΩ");
    let by_parameter = check_what_if("--set RC=1000", "set rc 1000");
    assert_eq!(node(&by_value, "c1"), node(&by_parameter, "c1"));
    assert!(node(&by_value, "c1") < before);
    check_what_if("--value C2=4u7", "value C2 4.7 µF");
    check_what_if("--value VCC=-12", "value VCC -12 V");
    let result = json("bias - --value R2=30k --value R2=90k", DIVIDER);
    check_near(&one(&result["nodes"], "node", "mid")["dc_v"], 8.1);
}

#[test]
fn a_bridge_and_its_noise() {
    let bridge = |flags: &str| json(&format!("noise - --at mid {flags}"), DIVIDER)["nodes"][0].clone();
    let plain = bridge("--bridge MID,0=10k");
    // Three resistors of 10 kΩ at one node.
    check_near(&plain["dc_v"], 3.0);
    check_near(&one(&plain["devices"], "device", "bridge MID,0")["share"], 1.0 / 3.0);
    let mechanisms = |node: &Value| {
        let device = one(&node["devices"], "device", "bridge MID,0");
        let list = device["mechanisms"].as_array().expect("a list");
        list.iter().filter(|one| one["share"] != 0.0).map(|one| one["mechanism"].clone()).collect::<Vec<_>>()
    };
    assert_eq!(mechanisms(&plain), ["thermal"]);
    assert_eq!(mechanisms(&bridge("--bridge MID,0=10k,x=300,corner=1k")), ["bridge_excess", "thermal"]);
    assert_eq!(mechanisms(&bridge("--bridge MID,0=10k,ni=60")), ["excess", "thermal"]);
    check_what_if("--bridge b1,c1=100k,x=3,corner=1k", "bridge b1,c1 100 kΩ ×3, corner 1 kHz");
    check_what_if("--bridge b1,c1=4k7,ni=-10", "bridge b1,c1 4.7 kΩ, noise index -10 dB");
}

#[test]
fn a_leak_and_its_noise() {
    check_what_if("--leak Q1=20uA,x=300,corner=1k,double=8", "leak Q1 20 µA ×300, corner 1 kHz, doubling every 8 °C");
    // The later leak holds alone, without the settings of the earlier one.
    check_what_if("--leak Q1=20uA,x=300 --leak Q1=5u", "leak Q1 5 µA");
    let result = json("noise - --at out --leak Q1=20uA,x=3000", STAGE);
    let first = &result["nodes"][0]["devices"][0];
    assert_eq!((&first["device"], &first["mechanisms"][0]["mechanism"]), (&"Q1".into(), &"leakage".into()));
}

#[test]
fn a_swap() {
    let result = check_what_if("--swap Q1=new", "swap Q1 NEW");
    // Silicon needs more than half a volt where germanium has less.
    let vbe = |result: &Value| result["devices"][0]["vbe_v"].as_f64().expect("a number");
    assert!(vbe(&result) < -0.5 && vbe(&json("bias -", STAGE)) > -0.3);
}

#[test]
fn misspelt_flags_name_what_is_known() {
    for (arguments, expected) in [
        ("noise - --at ouy", ["(F01)", "try out"]),
        ("noise - --at c1,e2", ["(F01)", "no node is called e2"]),
        ("noise - --at out,OUT", ["(F04)", "c1,c2"]),
        ("noise - --at 0", ["(F04)", "c1,c2"]),
        ("noise - --from VIM", ["(F02)", "try VIN"]),
        ("noise - --from R1", ["(F03)", "sources are VCC, VIN"]),
        ("noise - --band 20", ["(F04)", "20:20k"]),
        ("noise - --band 20k:20", ["(F04)", "does not ascend"]),
        ("noise - --band 0:20", ["(F04)", "above zero"]),
        ("noise - --hz 1,5k", ["(F04)", "write 1.5k"]),
        ("noise - --tolerance 2", ["(F04)", "--tolerance 1e-4"]),
        ("noise - --weight b", ["weight", "468"]),
        ("response - --hz 20,x", ["(F04)", "x is not a number"]),
        ("bias - --freeze Q3", ["--freeze Q3: no part is called Q3  (F02)", "try Q1"]),
        ("bias - --freeze Q1=-40", ["(F04)", "--temp Q1=-30"]),
        ("bias - --freeze C1", ["(F03)", "freeze or heat a resistor, diode or transistor"]),
        ("bias - --temp Q1", ["(F04)", "--temp Q2=-30"]),
        ("bias - --temp Q1=-300", ["(C01)", "above absolute zero"]),
        ("bias - --leak R1=1u", ["(F03)", "--leak Q2=20uA"]),
        ("bias - --leak Q1=1u,cornr=3", ["(F04)", "try corner="]),
        ("bias - --leak Q1=", ["(F04)", "--leak Q2=20uA,x=300,corner=1k"]),
        ("bias - --leak Q1=-1u", ["(C01)", "zero or above"]),
        ("bias - --value RC1=4,7k", ["(F04)", "write 4.7k"]),
        ("bias - --value Q1=3", ["(F03)", "--swap Q2=MODEL"]),
        ("bias - --value RC1=0", ["(C01)", "above zero"]),
        ("bias - --bridge b1=1k", ["(F04)", "two ends"]),
        ("bias - --bridge b1,b3=1k", ["(F01)", "try b1"]),
        ("bias - --bridge b1,B1=1k", ["(F03)", "two different nodes"]),
        ("bias - --bridge b1,c1=1k,x=0.5", ["(F04)", "x must be 1 or above"]),
        ("bias - --bridge b1,c1=1k,corner=-1", ["(F04)", "corner must be zero or above"]),
        ("bias - --bridge b1,c1=1k,x=2,ni=3", ["(F04)", "in place of x and corner"]),
        ("noise - --bridge b1,c1=1k,ni=1e5", ["(C01)", "the hiss of bridge b1,c1 is too large"]),
        ("bias - --swap Q1=NEE", ["(N03)", "try NEW"]),
        ("bias - --swap R1=NEW", ["(F03)", "of another type"]),
        ("bias - --set rd=3", ["(N08)", "try rc"]),
        ("bias - --set rc", ["(F04)", "--set vol=0.3"]),
        ("bias - --ambient warm", ["(F04)", "--ambient 35"]),
    ] {
        check_refused(arguments, STAGE, &expected);
    }
}

#[test]
fn all_bad_what_ifs_are_named_at_once() {
    check_refused(
        "bias - --freeze Q3 --temp Q1=x --swap Q1=NEE",
        STAGE,
        &["--freeze Q3", "--temp Q1=x", "--swap Q1=NEE"],
    );
}

#[test]
fn a_number_that_may_not_mean_what_was_intended_is_warned_about() {
    let warning = &json("compare - --value RC1=1M", STAGE)["warnings"][0];
    assert_eq!((&warning["code"], &warning["help"]), (&"N17".into(), &"write 1MEG for megohms".into()));
}

// reading and writing

#[test]
fn usage_errors_are_2_and_have_a_json_form() {
    let ran = run("noise - --frost Q1 --json", STAGE);
    assert_eq!(ran.code, Some(2));
    let result: Value = serde_json::from_str(&ran.out).expect("JSON");
    check_keys(&result, "schema command errors warnings");
    assert_eq!(result["command"], "noise");
    check_keys(&result["errors"][0], "code severity message file line column help");
    assert!(ran.err.contains("--frost"), "{}", ran.err);
    assert_eq!(run("", "").code, Some(2));
    assert_eq!(run("--help", "").code, Some(0));
}

#[test]
fn errors_have_a_json_form_and_a_text_form() {
    let ran = run("noise - --at ouy --json", STAGE);
    assert_eq!(ran.code, Some(2));
    let result: Value = serde_json::from_str(&ran.out).expect("JSON");
    check_keys(&result, "schema command errors warnings");
    let error = &result["errors"][0];
    assert_eq!((&error["code"], &error["line"], &error["column"]), (&"F01".into(), &Value::Null, &Value::Null));
    assert_eq!(error["file"], "-");
    assert!(ran.err.contains("(F01)"));
}

#[test]
fn every_command_writes_csv() {
    for (arguments, header) in [
        ("check -", "code,severity,message,file,line,column,help"),
        (
            "bias -",
            "item,name,kind,region,dc_v,ic_a,ib_a,vbe_v,vce_v,i_a,v_v,id_a,ig_a,vgs_v,vds_v,power_w,temperature_c",
        ),
        ("response - --to c1,e1", "to,hz,re,im,db,phase_deg"),
        ("response - --twin VIN:c1", "hz,difference_db,difference_deg,crosstalk_to_twin_db,crosstalk_from_twin_db"),
        (
            "response - --swing",
            "level,input_rms,output_rms_v,power_w,distortion,harmonic_2,harmonic_3,harmonic_4,harmonic_5",
        ),
        (
            "noise -",
            "node,dc_v,gain_db,node_rms_v,relative_error,peak_to_peak_v,input_rms_v,device,mechanism,share,rms_v",
        ),
        (
            "noise - --rs RS --level 1",
            "node,dc_v,gain_db,node_rms_v,relative_error,peak_to_peak_v,input_rms_v,device,mechanism,share,rms_v,\
             noise_figure_db,snr_db",
        ),
        ("noise - --spectrum", "node,hz,v_per_rthz"),
        ("compare - --freeze Q1", "node,before_rms_v,after_rms_v,change_db,before_dc_v,after_dc_v"),
    ] {
        let ran = run(&format!("{arguments} --csv"), &faultless());
        assert_eq!(ran.code, Some(0), "{}", ran.err);
        assert_eq!(ran.out.lines().next(), Some(header));
        // The reader refuses rows of unequal length.
        let rows: Result<Vec<_>, _> = csv::Reader::from_reader(ran.out.as_bytes()).into_records().collect();
        assert_eq!(rows.expect("CSV").is_empty(), arguments == "check -");
    }
}

#[test]
fn csv_and_json_agree_to_the_last_digit() {
    let json = json("response - --hz 440", STAGE);
    let csv = run("response - --hz 440 --csv", STAGE).out;
    let row: Vec<f64> =
        csv.lines().nth(1).expect("a row").split(',').skip(1).map(|cell| cell.parse().expect("a number")).collect();
    let point = &json["outputs"][0]["points"][0];
    let expected: Vec<f64> =
        ["hz", "re", "im", "db", "phase_deg"].iter().filter_map(|key| point[*key].as_f64()).collect();
    assert_eq!(row, expected);
}

#[test]
fn an_old_text_is_read_byte_by_byte() {
    // Latin-1: é is E9, µ is B5.
    let netlist = b"Pr\xe9amplificateur\nV1 in 0 1\nR1 in a\xe9 1k\nR2 a\xe9 0 1k\nC1 a\xe9 0 1\xb5\n";
    let ran = run_bytes(&["noise", "-", "--json"], netlist);
    let result: Value = serde_json::from_str(&ran.out).expect("JSON");
    assert_eq!(result["nodes"][1]["node"], "aé");
    // A mark at the beginning of UTF-8 is no part of the title.
    let ran = run_bytes(&["bias", "-"], "\u{feff}Préampli\nV1 in 0 1\nR1 in 0 1k\n".as_bytes());
    assert!(ran.out.starts_with("Préampli\n"), "{}", ran.out);
}

#[test]
fn included_files_are_found_beside_the_including_one() {
    let directory = tempfile::tempdir().expect("a directory");
    let write = |name: &str, text: &str| {
        let path = directory.path().join(name);
        std::fs::create_dir_all(path.parent().expect("it has one")).expect("it can be made");
        std::fs::write(path, text).expect("it can be written");
    };
    write("amp.cir", "Amp\nV1 in 0 9\n.include parts/load.inc\n");
    write("parts/load.inc", "R1 in 0 1k\n.include 'more.inc'\n");
    write("parts/more.inc", "R2 in 0 TEN\n");
    let file = directory.path().join("amp.cir");
    let ran = run(&format!("check {}", file.display()), "");
    assert_eq!(ran.code, Some(2));
    let place = format!("{}, line 1, column 9: ", directory.path().join("parts/more.inc").display());
    assert!(ran.err.starts_with(&place), "{}", ran.err);
    write("parts/more.inc", "R2 in 0 1k\n.include ../parts/more.inc\n");
    check_refused(&format!("check {}", file.display()), "", &["(N12)", "more.inc includes itself"]);
    write("parts/more.inc", "R2 in 0 1k\n.include ../../amp.cir\n");
    check_refused(&format!("check {}", file.display()), "", &["(N11)", "there is no such file"]);
    write("parts/more.inc", "R2 in 0 1k\n.include ../amp.cir\n");
    check_refused(&format!("check {}", file.display()), "", &["(N12)", "amp.cir includes itself"]);
}

#[test]
fn a_file_that_cannot_be_read_is_named() {
    check_refused("noise no/such.cir", "", &["no/such.cir: ", "there is no such file  (F06)"]);
    check_refused("noise /", "", &["/: ", "it is a directory  (F06)"]);
}

#[test]
fn a_closed_pipe_is_no_error() {
    for arguments in [&["noise", "-", "--json"][..], &["--help"], &["noise", "--help"]] {
        let (reader, writer) = std::io::pipe().expect("a pipe");
        drop(reader);
        let mut child = command()
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(writer)
            .stderr(Stdio::piped())
            .spawn()
            .expect("the command starts");
        let _ = child.stdin.take().expect("it is piped").write_all(STAGE.as_bytes());
        let output = child.wait_with_output().expect("the command ends");
        assert_eq!((output.status.code(), String::from_utf8_lossy(&output.stderr).as_ref()), (Some(0), ""));
    }
}

#[test]
fn colours_are_for_terminals_only() {
    let colours = |name: &str, value: &str| {
        let output = command().args(["noise", "no.cir"]).env(name, value).output().expect("it runs");
        output.stderr.contains(&0x1b)
    };
    assert!(!colours("NO_COLOR", "1"));
    assert!(!colours("TERM", "xterm"));
    assert!(colours("CLICOLOR_FORCE", "1"));
    let both = command().args(["noise", "no.cir"]).env("CLICOLOR_FORCE", "1").env("NO_COLOR", "1").output();
    assert!(!both.expect("it runs").stderr.contains(&0x1b));
}

#[test]
fn text_of_a_netlist_cannot_steer_the_terminal() {
    let ran = run("check -", "Red \u{1b}[31m\nR1 a 0 \u{1b}[31m1k\nR2 a\u{9b}31m 0 1k\nX\u{202e} a\n");
    assert!(!ran.err.contains(['\u{1b}', '\u{9b}', '\u{202e}']), "{:?}", ran.err);
    let ran = run("bias -", "Red \u{1b}[31m\nV1 a 0 1\nR1 a 0 1k\n");
    assert!(!ran.out.contains('\u{1b}'), "{:?}", ran.out);
}

#[test]
fn the_examples_of_the_help_run() {
    for command in ["check", "bias", "response", "noise", "compare", "spares"] {
        let help = run(&format!("{command} --help"), "").out;
        let examples = help.lines().filter_map(|line| line.split_once("hissmap ")).map(|(_, example)| example);
        let examples: Vec<&str> = examples.filter(|example| example.contains(".cir")).collect();
        assert!(!examples.is_empty(), "{help}");
        for example in examples {
            let ran = run(example, "");
            assert_eq!(ran.code, Some(0), "{example}: {}", ran.err);
        }
    }
}

// Mends of what a first user met

#[test]
fn temperatures_are_plain_degrees() {
    let netlist = "Cold\nV1 a 0 1\nR1 a 0 1k\nR2 a b 1k\nR3 b 0 1k\n";
    let ambient = |text: &str| run(&format!("bias - --ambient {text} --json"), netlist);
    // 95F was read as 95 femto.
    for refused in ["95F", "300K", "1e-3k", "warm"] {
        let ran = ambient(refused);
        assert_eq!(ran.code, Some(2), "{refused}");
        assert!(ran.err.contains("F04"), "{}", ran.err);
    }
    for taken in ["35", "35C", "35°C", "-5"] {
        assert_eq!(ambient(taken).code, Some(0), "{taken}");
    }
}

#[test]
fn what_was_read_is_never_replaced() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("set.cir");
    std::fs::write(&path, "Set\nV1 a 0 1\nR1 a 0 1k\n").expect("written");
    let path = path.to_str().expect("a plain path");
    let ran = run_bytes(&["bias", path, "-o", path, "--force"], b"");
    assert_eq!(ran.code, Some(2));
    assert!(ran.err.contains("F07"), "{}", ran.err);
    assert!(std::fs::read_to_string(path).expect("still there").starts_with("Set\n"));
}

#[test]
fn a_bottomed_stage_shows_that_its_gain_is_gone() {
    let pair = "circuits/two-stage-germanium.cir";
    let ran = run(&format!("compare {pair} --leak Q1=100uA,x=300 --at out"), "");
    let row = ran.out.lines().find(|line| line.starts_with("out")).expect("a row");
    let changes: Vec<f64> = row.split("dB").filter_map(|cell| cell.split_whitespace().last()?.parse().ok()).collect();
    // Emitter resistors set the healthy gain to 40 dB; a bottomed transistor has next to none, and passes little hiss on.
    assert!(changes[0] < 0.0 && changes[1] < -20.0, "{row}");
}

#[test]
fn a_balanced_point_has_no_gain_and_no_warning_about_it() {
    // Both halves are exactly alike, so the middle stands still.
    let bridge =
        "Balanced\nVIN i 0 AC 1\nRS i a 1k\nE1 b 0 0 a 1\nR1 a m 10k\nR2 m b 10k\n.noise v(m) VIN dec 5 20 20k\n";
    let result = json("noise -", bridge);
    let middle = result["nodes"].as_array().expect("nodes").iter().find(|node| node["node"] == "m").expect("m");
    assert_eq!(middle["gain_db"], Value::Null);
    assert_eq!(middle["input_rms_v"], Value::Null);
    assert_eq!(result["warnings"].as_array().map(Vec::len), Some(0), "{}", result["warnings"]);
}

#[test]
fn a_rated_voltage_behind_a_value_is_left_out() {
    let ran = run("check -", "Rated\nV1 a 0 1\nR1 a b 1k\nC1 b 0 10uF/25V\nR2 b 0 1k\n");
    assert!(ran.err.contains("write 10uF: the rated voltage is not entered"), "{}", ran.err);
}

#[test]
fn a_misspelt_node_is_asked_about_before_a_resistor_is_added() {
    let ran = run("check -", "Typo\nV1 a 0 1\nR1 a col1 1k\nR2 col1 0 1k\nC1 co1l out 1u\nR3 out 0 1k\n");
    assert!(ran.err.contains("is col1 meant?"), "{}", ran.err);
}

// Faults, parts taken out, controls, hum

#[test]
fn faults_and_parts_taken_out_go_with_every_command_that_computes() {
    check_what_if("--fault Q1=junction_leak,icbo=20uA,x=30", "fault Q1 junction_leak: icbo 20 µA, x 30");
    check_what_if("--fault Q1=ohmic_leak,ohm=220k", "fault Q1 ohmic_leak: ohm 220 kΩ");
    check_what_if("--fault C2=cap_dried,factor=0.05,ohm=100", "fault C2 cap_dried: factor 0.05, ohm 100 Ω");
    check_what_if("--lift ce1", "lift CE1");
    for command in ["noise -", "response - --to out --hz 1k", "equations -"] {
        for flags in ["--fault Q1=open,pin=emitter", "--lift CE1"] {
            let ran = run(&format!("{command} {flags}"), STAGE);
            assert_eq!(ran.code, Some(0), "{command} {flags}: {}", ran.err);
        }
    }
    // An inserted resistor is a device with a name, and the pin behind it a node.
    let contact = json("noise - --at c1 --fault Q1=contact,pin=base,ohm=10k,uv_per_v=1000", STAGE);
    one(&contact["nodes"][0]["devices"], "device", "series Q1 base");
    let points = json("noise - --fault Q1=contact,pin=base,ohm=10k", STAGE);
    one(&points["nodes"], "node", "Q1 base");
    // The points of a comparison are the same nodes before and after, also where a part before them is taken out.
    let lifted = json("compare - --lift RS --bridge in,s=1k", STAGE);
    for node in lifted["nodes"].as_array().expect("a list") {
        check_near(&node["after_dc_v"], node["before_dc_v"].as_f64().expect("a number"));
    }
}

#[test]
fn a_part_taken_out_that_leaves_a_node_floating_is_refused() {
    for (flags, code, words) in [
        ("--lift R2", "(C03)", ["with R2 taken out node mid", "--fault R2=open"]),
        ("--lift R9", "(F02)", ["R9", "try R1"]),
        ("--lift R2=1k", "(F04)", ["takes a part alone", "--value"]),
        ("--fault R2=flicker", "(F03)", ["a fault of a diode or transistor", "resistor_noisy"]),
    ] {
        let ran =
            run(&format!("bias - {flags}"), "Divider\nV1 in 0 9\nR1 in a 10k\nC1 a mid 1n\nR3 a 0 1k\nR2 mid 0 10k\n");
        assert_eq!(ran.code, Some(2), "{flags}");
        assert!(ran.err.contains(code) && words.iter().all(|word| ran.err.contains(word)), "{flags}: {}", ran.err);
    }
}

#[test]
fn a_unit_of_another_quantity_is_refused() {
    for flags in [
        "--leak Q1=20uV",
        "--leak Q1=20uA,corner=1V",
        "--leak Q1=20uA,x=3kHz",
        "--value RC1=5uH",
        "--value RC1=1F",
        "--value C2=10ohm",
        "--value VCC=9A",
        "--bridge b1,c1=100V",
        "--fault Q1=ohmic_leak,ohm=3V",
        "--fault Q1=junction_leak,icbo=3ohm",
        "--fault Q1=flicker,factor=3Hz",
    ] {
        let ran = run(&format!("bias - {flags}"), STAGE);
        assert_eq!(ran.code, Some(2), "{flags}");
        assert!(ran.err.contains("(F04)") && ran.err.contains("belongs here"), "{flags}: {}", ran.err);
    }
    for flags in [
        "--leak Q1=20uA,corner=1kHz,double=8",
        "--leak Q1=20u",
        "--value RC1=4.7kohm",
        "--value RC1=4k7Ω",
        "--value C2=10uF",
        "--value VCC=-9V",
        "--bridge b1,c1=100k,ni=3dB",
        "--fault Q1=ohmic_leak,ohm=220kohm",
    ] {
        let ran = run(&format!("bias - {flags}"), STAGE);
        assert_eq!(ran.code, Some(0), "{flags}: {}", ran.err);
    }
}

#[test]
fn compare_says_which_transistor_no_longer_works() {
    for (flags, words) in [
        // Silicon without a base current; the old germanium transistor would go on by its leakage.
        ("--lift R1 --swap Q1=NEW", "after the change Q1 conducts no current  (A07)"),
        ("--fault R2=open", "after the change Q1 is saturated  (A08)"),
        ("--value VCC=9", "after the change Q1 "),
    ] {
        let ran = run(&format!("compare - {flags}"), STAGE);
        assert!(ran.err.contains(words), "{flags}: {}", ran.err);
    }
    assert!(!run("compare - --value C2=1u", STAGE).err.contains("after the change"));
}

/// The stage with a volume control behind it.
fn stage_with_volume() -> String {
    let more = "RL out 0 10k\nRV1 out w {25k*(1-volume)+10}\nRV2 w 0 {25k*volume+10}\n.param volume=0.5";
    STAGE.replace("RL out 0 10k", more)
}

#[test]
fn a_control_says_what_moves_and_what_stays() {
    let stage = stage_with_volume();
    let result = json("noise - --at w --control volume", &stage);
    let control = &result["controls"][0];
    assert_eq!((&control["control"], &control["ends"]), (&"volume".into(), &serde_json::json!([0.0, 1.0])));
    let node = one(&control["nodes"], "node", "w");
    assert!(node["change_db"].as_f64().expect("a number") > 20.0);
    assert_eq!(one(&node["devices"], "device", "Q1")["moves"], true);
    let text = run("noise - --control volume", &stage).out;
    assert!(text.contains("volume from 0 to 1: what moves, in shares of the louder end"), "{text}");
    assert!(text.contains("A complaint that volume takes away lies in what moves"), "{text}");
    let compared = json("compare - --leak Q1=20uA --at w --control VOLUME=0.1:1", &stage);
    assert_eq!(compared["controls"][0]["ends"], serde_json::json!([0.1, 1.0]));
    one(&compared["controls"][0]["before_nodes"], "node", "w");
    assert!(run("noise - --control rc", &stage).err.contains("turns no potentiometer  (F05)"));
    assert!(json("noise -", &stage).get("controls").is_none());
}

#[test]
fn hum_stands_beside_hiss() {
    let result = json("noise - --at mid --ripple V1=2mV", DIVIDER);
    // A sawtooth of 2 mV peak to peak is 0.577 mV rms; half of its 200 harmonics up to 20 kHz arrives (RC 5 kΩ·1 nF: 32 kHz,
    // which takes next to nothing of the lowest). Those beyond 20 kHz hold 1/200 of 6/π² of the power.
    let hum = result["nodes"][0]["hum_rms_v"].as_f64().expect("a number");
    let sum: f64 = (1..=200)
        .map(|k| {
            let hertz = 100.0 * f64::from(k);
            let filter = 1.0 + (std::f64::consts::TAU * hertz * 5e3 * 1e-9).powi(2);
            (1e-3 / (std::f64::consts::PI * f64::from(k))).powi(2) / 2.0 / filter
        })
        .sum();
    check_near(&hum.into(), sum.sqrt());
    let text = run("noise - --ripple V1=2mV,hz=120", DIVIDER).out;
    assert!(text.contains("hum: rms over the same band, of a sawtooth of 2 mV peak to peak at 120 Hz on V1"), "{text}");
    assert!(text.lines().any(|line| line.starts_with("node") && line.ends_with("hum")), "{text}");
    assert!(json("noise -", DIVIDER)["nodes"][0].get("hum_rms_v").is_none());
    assert!(run("noise - --ripple R1=2mV", DIVIDER).err.contains("--ripple R1=2mV: R1 is no voltage source  (F03)"));
}

#[test]
fn a_sheet_stands_in_for_its_netlist() {
    // Its points have names, its instruments hold, and the healthy band is there without asking; 5 % lie on either side.
    let noise = json("noise circuits/two-stage-germanium.toml --at TP1 --scope x1 --meter", "");
    let node = &noise["nodes"][0];
    assert_eq!(node["node"], "c1");
    let number = |value: &Value| value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    let (low, rms, high) = (number(&node["low"]), number(&node["rms_v"]), number(&node["high"]));
    assert!(low < rms && rms < high, "{low} {rms} {high}");
    assert_eq!((&node["scope"]["visible"], &node["scope"]["divisions"]), (&Value::Bool(false), &Value::Null));
    // The meter of 3 µV, whose loading takes less than 3 µV away: √(rms² + 3²) at most.
    assert!(number(&node["meter_v"]) <= rms.hypot(3e-6), "{node}");
    let without = json("noise circuits/two-stage-germanium.toml --at TP1 --healthy no", "");
    assert_eq!(without["nodes"][0].get("low"), None);
    let bias = json("bias circuits/two-stage-germanium.toml --dc-meter", "");
    let c1 = bias["nodes"].as_array().expect("nodes").iter().find(|node| node["node"] == "c1").expect("c1");
    assert!(number(&c1["low"]) < number(&c1["dc_v"]) && number(&c1["dc_v"]) < number(&c1["high"]));
    assert!(number(&c1["meter_v"]).abs() < number(&c1["dc_v"]).abs(), "the meter loads: {c1}");
}

#[test]
fn a_sheet_is_checked_against_its_printed_volts() {
    let check = json("check circuits/replay-amplifier.toml", "");
    assert_eq!(check["sound"], Value::Bool(true));
    let printed = check["printed"].as_array().expect("a list");
    assert_eq!(printed.len(), 20);
    assert!(printed.iter().all(|point| point["disagrees"] == Value::Bool(false)));
    assert_eq!(check["explanations"], serde_json::json!([]));
}

#[test]
fn a_starter_can_be_checked_at_once() {
    let started = run("check circuits/two-stage-germanium.cir --new-sheet", "");
    assert_eq!(started.code, Some(0), "{}", started.err);
    let sheet = started.out.replace("circuit = \"two", "circuit = \"circuits/two");
    let checked = run("check -", &sheet);
    assert_eq!((checked.code, checked.err.as_str()), (Some(0), ""), "{}", checked.out);
}
