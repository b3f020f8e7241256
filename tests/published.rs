//! Published tables, each through the public path: netlist in, number out.
//!
//! The tables lie in `tests/published/`, with their sources and how each value was obtained on top. Columns and rows that
//! say nothing this program computes are passed over by name, so that a new row is not passed over in silence.

mod common;

use std::collections::HashMap;
use std::f64::consts::PI;
use std::fmt::Write;

use common::{Bench, K, Q, Row, close, table};
use hissmap::bench::{Point, find_source, read_source_resistance};
use hissmap::circuit::Change;
use hissmap::element::Mechanism;
use hissmap::noise::{DEFAULT_TOLERANCE, Weighting};
use hissmap::physics::NOISE_FIGURE_KELVIN;
use hissmap::report::{self, NoiseQuestion};
use nalgebra::{Matrix3, Vector3};
use num_complex::Complex64;

fn celsius(kelvin: f64) -> f64 {
    kelvin - 273.15
}

fn db(power: f64) -> f64 {
    10.0 * power.log10()
}

/// Colder than anything: a resistor at this temperature is silent to 1e-8 of one at room temperature.
const COLD: &str = "TEMP=-273.149999";

/// A band of relative width 1e-5 around a frequency: a curve is as good as straight there.
fn around(hertz: f64) -> [f64; 2] {
    [hertz * (1.0 - 5e-6), hertz * (1.0 + 5e-6)]
}

// Thermal and shot noise

#[test]
fn thermal_noise() {
    for row in table("thermal_noise") {
        let (case, value, unit) = (row.text("case"), row.number("value"), row.text("unit"));
        let temp = format!(".temp {:e}", celsius(row.number("t_k")));
        let volts = match (row.maybe("r_ohm"), row.maybe("b_hz")) {
            (Some(ohms), None) => Bench::of(&format!("R1 a 0 {ohms:e}\n{temp}")).density("a", 1e3).sqrt(),
            (Some(ohms), Some(width)) => Bench::of(&format!("R1 a 0 {ohms:e}\n{temp}")).rms("a", [1.0, 1.0 + width]),
            // All frequencies: the band reaches 1e9 times the corner frequency on both sides, less 6e-10 of the rms.
            (None, _) if case == "kT_over_C" => {
                let farads = row.number("c_farad");
                let corner = 1.0 / (2.0 * PI * 1e3 * farads);
                let bench = Bench::of(&format!("R1 a 0 1k\nC1 a 0 {farads:e}\n{temp}"));
                bench.rms("a", [1e-9 * corner, 1e9 * corner])
            }
            _ if case == "kT_over_L" => {
                let bench =
                    Bench::of(&format!("R1 a 0 1k\nL1 a b {}\nVi b 0 0\nH1 out 0 Vi 1\n{temp}", row.text("l_henry")));
                let corner = 1e3 / (2.0 * PI * row.number("l_henry"));
                bench.rms("out", [1e-9 * corner, 1e9 * corner])
            }
            _ => panic!("what is {:?}?", row.0),
        };
        let scale = match unit {
            "nV" | "nV/rtHz" => 1e9,
            "uV" => 1e6,
            "pA" => 1e12,
            other => panic!("unit {other}"),
        };
        // Eight to ten digits are written.
        close(volts * scale, value, row.rounding("value").max(1e-8), case);
        // Printed with k = 1.38e-23 and two or three digits: 2 %.
        if let Some(printed) = row.printed("note", unit) {
            close(volts * scale, printed, 0.02, case);
        }
    }
}

/// A diode whose whole reverse current is `amps`, its current as volts at `out`.
fn reverse_diode(amps: f64, kelvin: f64) -> Bench {
    Bench::of(&format!(
        "V1 v 0 50\nD1 a v M\nVi a 0 0\nH1 out 0 Vi 1\n.model M D(IS={amps:e} TNOM={0:e})\n.temp {0:e}",
        celsius(kelvin)
    ))
}

#[test]
fn shot_noise() {
    for row in table("shot_noise") {
        let (case, value, unit) = (row.text("case"), row.number("value"), row.text("unit"));
        let kelvin = row.maybe("t_k").unwrap_or(300.0);
        let computed = match case {
            "density" => 1e12 * reverse_diode(row.number("i_a"), kelvin).density("out", 1e3).sqrt(),
            "worked_example" => {
                1e9 * reverse_diode(row.number("i_a"), kelvin).rms("out", [1.0, 1.0 + row.number("b_hz")])
            }
            // From memory, not seen. No volts: both flows of IS.
            "junction_zero_bias_equilibrium" => {
                let bench = reverse_diode(row.number("i_a"), kelvin);
                let rest = bench.changed(&[Change::Value { part: "V1".to_owned(), value: 0.0 }]);
                1e12 * rest.density("out", 1e3).sqrt()
            }
            // 2qI of a forward junction against 4kT/re, re its own resistance.
            "junction_shot_over_thermal_of_re" => {
                let amps = row.text("i_a");
                let text = format!("I1 0 a {amps}\nD1 a 0 M\n.model M D(IS=1e-20)\n.temp {:e}", celsius(kelvin));
                let bench = Bench::of(&text);
                let re = bench.impedance(bench.node("a"), 1e3).re;
                (bench.density("a", 1e3) / (4.0 * K * kelvin * re)).sqrt()
            }
            // The drop across a resistor whose thermal noise equals the shot noise of its current: their sum is twice
            // the one. The ratio of the two is proportional to the drop.
            "voltage_drop_where_shot_equals_thermal" => {
                let text = format!(
                    "V1 v 0 50\nD1 a v M\nR1 a 0 1k\n.model M D(IS={:e} TNOM={1:e})\n.temp {1:e}",
                    value * 1e-3 / 1e3,
                    celsius(kelvin)
                );
                let (bench, thermal) = (Bench::of(&text), 4.0 * K * kelvin * 1e3);
                value * (bench.density("a", 1e3) - thermal) / thermal
            }
            other => panic!("what is {other}?"),
        };
        // Eight to ten digits are written.
        close(computed, value, row.rounding("value").max(1e-8), case);
        // Three or four digits, rounded constants.
        if let Some(printed) = row.printed("note", unit) {
            close(computed, printed, 0.005, case);
        }
    }
}

#[test]
fn constants() {
    // A resistor of 1 Ω, and a forward junction: re·I is kT/q.
    let four_kt = |kelvin: f64| Bench::of(&format!("R1 a 0 1\n.temp {:e}", celsius(kelvin))).density("a", 1e3);
    let vt = |kelvin: f64| {
        let bench = Bench::of(&format!("I1 0 a 1m\nD1 a 0 M\n.model M D(IS=1e-20)\n.temp {:e}", celsius(kelvin)));
        1e-3 * bench.impedance(bench.node("a"), 1e3).re
    };
    let q = reverse_diode(1e-3, 300.0).density("out", 1e3) / (2.0 * 1e-3);
    for row in table("constants") {
        let computed = match row.text("name") {
            "boltzmann" => four_kt(300.0) / 1200.0,
            "elementary_charge" => q,
            "zero_celsius" => Bench::of("R1 a 0 1\n.temp 0").density("a", 1e3) / (4.0 * K),
            "noise_reference_temperature" => NOISE_FIGURE_KELVIN,
            "kT_over_q_25C" => vt(298.15),
            "kT_over_q_27C" => vt(300.15),
            "kT_over_q_290K" => vt(290.0),
            "kT_over_q_300K" => vt(300.0),
            "kT_over_q_20C" => vt(293.15),
            "four_kT_290K" => four_kt(290.0),
            "four_kT_298.15K" => four_kt(298.15),
            "four_kT_300K" => four_kt(300.0),
            "kT0_per_Hz_dBm" => db(four_kt(290.0) / 4.0 / 1e-3),
            "q_over_k" => 300.0 / vt(300.0),
            "q_over_2kT_290K" => 0.5 / vt(290.0),
            // No quantum noise at audio frequencies.
            "planck" => continue,
            other => panic!("what is {other}?"),
        };
        // One row is written with eight digits.
        close(computed, row.number("value"), row.rounding("value").clamp(1e-9, 1e-7), row.text("name"));
    }
}

// Networks

#[test]
fn equivalent_noise_bandwidth() {
    let corner = 1e3;
    for row in table("enbw") {
        let (kind, n) = (row.text("kind"), row.number("n") as usize);
        // White noise of one resistor, then filter sections of cold parts between ideal buffers.
        let mut text = "R0 n0 0 1k\nE0 o0 0 n0 0 1\n".to_owned();
        let mut scale = 1.0;
        let rate = 2.0 * PI * corner;
        match kind {
            "butterworth_order_n" => {
                // Pairs of poles at angles (2k−1)π/2n: Q = 1/(2 sin). An odd order has one real pole besides.
                for k in 1..=n / 2 {
                    let q = 0.5 / ((2 * k - 1) as f64 * PI / (2 * n) as f64).sin();
                    let _ = writeln!(text, "R{k} o{} m{k} 1k {COLD}\nL{k} m{k} n{k} {:e}", k - 1, q * 1e3 / rate);
                    let _ = writeln!(text, "C{k} n{k} 0 {:e}\nE{k} o{k} 0 n{k} 0 1", 1.0 / (q * 1e3 * rate));
                }
                if n % 2 == 1 {
                    let k = n / 2 + 1;
                    let _ = writeln!(
                        text,
                        "R{k} o{} n{k} 1k {COLD}\nC{k} n{k} 0 {:e}\nE{k} o{k} 0 n{k} 0 1",
                        k - 1,
                        1.0 / (1e3 * rate)
                    );
                }
            }
            "n_equal_poles_re_section_fc" | "n_equal_poles_re_overall_3dB" => {
                for k in 1..=n {
                    let _ = writeln!(
                        text,
                        "R{k} o{} n{k} 1k {COLD}\nC{k} n{k} 0 {:e}\nE{k} o{k} 0 n{k} 0 1",
                        k - 1,
                        1.0 / (1e3 * rate)
                    );
                }
                if kind.ends_with("3dB") {
                    // (1 + x²)^n = 2
                    scale = (2f64.powf(1.0 / n as f64) - 1.0).sqrt();
                }
            }
            other => panic!("what is {other}?"),
        }
        let bench = Bench::of(&text);
        let last = format!("o{}", if kind.starts_with("butterworth") { n.div_ceil(2) } else { n });
        let square = bench.rms(&last, [1e-8 * corner, 1e8 * corner]).powi(2);
        let computed = square / bench.density("o0", 1.0) / corner / scale;
        close(computed, row.number("value"), 1e-6, &format!("{kind} {n}"));
        // Four to six decimals.
        close(computed, row.number("printed"), 6e-5, &format!("{kind} {n}, printed"));
    }
}

#[test]
fn equilibrium() {
    let ladder = Bench::of(
        "R1 n1 0 10k\nR2 n1 n2 22k\nR3 n2 n3 4.7k\nC1 n1 0 1n\nC2 n2 0 470p\nC3 n3 0 2.2n\nC4 n1 n3 330p\n.temp 26.85",
    );
    let series = Bench::of("R1 top m 1k\nL1 m s 0.1\nVi s 0 0\nC1 top 0 100n\nH1 i 0 Vi 1\n.temp 26.85");
    let all = [1e-7, 1e13];
    for row in table("equilibrium") {
        let (case, node, value) = (row.text("case"), row.text("node"), row.number("value"));
        let computed = match case {
            "rc_ladder_covariance" => {
                let (a, b) = node.split_once(',').expect("two nodes");
                let (square_a, square_b) = (ladder.rms(a, all).powi(2), ladder.rms(b, all).powi(2));
                if a == b {
                    square_a
                } else {
                    // ⟨ab⟩ = (⟨a²⟩ + ⟨b²⟩ − ⟨(a−b)²⟩)/2
                    let covariance = 0.5 * (square_a + square_b - ladder.rms(node, all).powi(2));
                    if value == 0.0 {
                        // What is left of three band integrals, each good to some 1e-9 over twenty decades.
                        assert!(covariance.abs() <= 1e-8 * (square_a * square_b).sqrt(), "{node}: {covariance:e}");
                        continue;
                    }
                    covariance
                }
            }
            "rc_ladder_rms" => 1e6 * ladder.rms(node, all),
            "rc_ladder_density" => 1e9 * ladder.density(node, row.number("f_hz")).sqrt(),
            "series_RL_parallel_C_density" => 1e9 * series.density(node, row.number("f_hz")).sqrt(),
            "series_RL_parallel_C_total" if node == "capacitor" => 1e6 * series.rms("top", all),
            "series_RL_parallel_C_total" => 1e12 * series.rms("i", all),
            other => panic!("what is {other}?"),
        };
        close(computed, value, 1e-6, &format!("{case} {node}"));
    }
}

// Weighting

/// What the curve does to white noise in a narrow band around a frequency, as a factor on power.
fn weight(weighting: Weighting, hertz: f64) -> f64 {
    let bench = Bench::of("R1 a 0 1k");
    let band = around(hertz);
    (bench.hiss("a", band, weighting).rms_volts / bench.hiss("a", band, Weighting::Flat).rms_volts).powi(2)
}

#[test]
fn a_weighting() {
    // The C columns are those of a curve that is not offered.
    for row in table("a_weighting") {
        let hertz = row.number("f_exact_hz");
        let computed = db(weight(Weighting::A, hertz));
        assert!((computed - row.number("a_exact_db")).abs() <= 1e-4, "{computed} dB at {hertz} Hz, exact curve");
        // The table is the curve rounded to 0.1 dB.
        assert!((computed - row.number("a_table_db")).abs() <= 0.051, "{computed} dB at {hertz} Hz, table");
    }
}

#[test]
fn itu468() {
    for row in table("itu468") {
        let hertz = row.number("f_hz");
        let computed = db(weight(Weighting::Itu468, hertz));
        assert!((computed - row.number("analytic_db")).abs() <= 0.001, "{computed} dB at {hertz} Hz, analytic");
        // The Recommendation rounds to 0.1 dB, and its network misses its table by up to 0.02 dB more.
        assert!((computed - row.number("response_db")).abs() <= 0.07, "{computed} dB at {hertz} Hz, table");
    }
}

#[test]
fn weighting_poles() {
    let rows = table("weighting_poles");
    let of = |curve: &'static str, kind: &'static str| {
        rows.iter().filter(move |row| row.text("curve") == curve && row.text("kind") == kind)
    };
    for hertz in [10.0, 31.5, 200.0, 1e3, 3e3, 6.3e3, 12.5e3, 31.5e3] {
        let s = Complex64::new(0.0, 2.0 * PI * hertz);
        // |f|^8 over (f² + pole²)^multiplicity, f4^4 on top, and the norm.
        let mut power = hertz.powi(8);
        let mut highest: f64 = 0.0;
        for row in of("A", "pole_hz") {
            let pole = row.number("value_or_real");
            power /= (hertz * hertz + pole * pole).powi(row.number("multiplicity") as i32);
            highest = highest.max(pole);
        }
        power *= highest.powi(4);
        let norm = of("A", "norm_db").next().expect("it is there").number("value_or_real");
        close(weight(Weighting::A, hertz), power / 10f64.powf(norm / 10.0), 1e-9, &format!("A at {hertz} Hz"));

        let mut gain = of("468", "gain").next().expect("it is there").number("value_or_real") * s;
        for row in of("468", "pole_rad_s") {
            let pole = Complex64::new(row.number("value_or_real"), row.number("imag"));
            gain /= s - pole;
            if row.number("multiplicity") == 2.0 {
                gain /= s - pole.conj();
            }
        }
        // The table's poles came from component values: 1e-6.
        close(weight(Weighting::Itu468, hertz), gain.norm_sqr(), 1e-6, &format!("468 at {hertz} Hz"));
    }
}

#[test]
fn weighted_noise() {
    let white = Bench::of("R1 a 0 1k");
    // Excess noise only: a current source takes the volts, the resistor is cold.
    let pink = Bench::of(&format!("V1 v 0 10\nR1 v a 1k NI=0 {COLD}\nI1 a 0 10m"));
    for row in table("weighted_noise") {
        let weighting = match row.text("curve") {
            "A" => Weighting::A,
            "468_rms" => Weighting::Itu468,
            // Not offered.
            "C" => continue,
            other => panic!("what is {other}?"),
        };
        let bench = if row.text("spectrum") == "white" { &white } else { &pink };
        // 0 to infinity: the curves leave less than 1e-9 beyond.
        let band = match row.maybe("f_high_hz").filter(|high| high.is_finite()) {
            Some(high) => [row.number("f_low_hz"), high],
            None => [1e-2, 1e8],
        };
        let what = format!("{:?}", row.0);
        let square = bench.hiss("a", band, weighting).rms_volts.powi(2);
        if let Some(hertz) = row.maybe("enbw_hz") {
            // 0.01 dB is what the table asks; it is far better than that.
            close(square / white.density("a", 1e3), hertz, 1e-5, &what);
        }
        if let Some(change) = row.maybe("change_db") {
            let computed = db(square / bench.hiss("a", band, Weighting::Flat).rms_volts.powi(2));
            assert!((computed - change).abs() <= 1e-4, "{computed} dB, {what}");
        }
    }
}

// Transistors

/// What `noise --rs` prints about `out` around 1 kHz, dB.
fn noise_figure(bench: &Bench, source: &str, rs: &str) -> f64 {
    let input = find_source(&bench.circuit, source).expect("the source is there");
    let source_resistance = read_source_resistance(&bench.circuit, Some(input), rs).expect("a source resistance");
    let question = NoiseQuestion {
        points: vec![Point::of(&bench.circuit, bench.node("out"))],
        input: Some(input),
        gain_hertz: 1e3,
        band_hz: around(1e3),
        weighting: Weighting::Flat,
        tolerance: DEFAULT_TOLERANCE,
        spectrum: false,
        source_resistance: Some(source_resistance),
        level_volts: None,
        meter: None,
        scope: None,
        ripple: None,
    };
    let result = report::noise(&bench.circuit, &[], &question).expect("a solution");
    result.points[0].noise_figure_db.expect("a noise figure")
}

#[test]
fn bjt_noise() {
    let kelvin = 300.0;
    let vt = K * kelvin / Q;
    for row in table("bjt_noise") {
        let (ic, beta, rb, icbo) = (row.number("ic_a"), row.number("beta"), row.number("rb_ohm"), row.number("icbo_a"));
        // F of the stage with a source resistance at the stage's temperature. The collector is held, its current observed.
        // With leakage the table's gm is that of the transport current, without the leakage.
        let stage = |rs: f64, card: &str, base: &str| {
            let is = 1e-19;
            let vbe = vt * (ic / is).ln_1p();
            let vs = vbe + (ic / beta - icbo) * (rs + rb);
            Bench::of(&format!(
                "Vs s 0 {vs:.17e}\n{card}\nQ1 c {base} 0 M ICBO={:.17e}\nVc c 0 5\nH1 out 0 Vc 1\n\
                 .model M NPN(IS={is} BF={beta} BR=1000 RB={rb} TNOM=26.85)\n.temp 26.85",
                icbo / f64::exp2((26.85 - 25.0) / 10.0)
            ))
        };
        let factor = |rs: f64| {
            let bench = stage(rs, &format!("Rs s b {rs:.17e}"), "b");
            bench.density("out", 1e3) / (bench.gain("Vs", "out", 1e3).norm_sqr() * 4.0 * K * kelvin * rs)
        };
        let what = format!("{:?}", row.0);
        for (rs, column) in [(1e3, "nf_db_rs_1k"), (1e4, "nf_db_rs_10k")] {
            let computed = db(factor(rs));
            assert!((computed - row.number(column)).abs() <= 1e-6, "{computed} dB, {what}");
            // The noise figure of the command counts the source as though it were at 290 K: F − 1 grows by 300/290.
            let expected = db(1.0 + (10f64.powf(row.number(column) / 10.0) - 1.0) * kelvin / NOISE_FIGURE_KELVIN);
            let drawn = stage(rs, &format!("Rs s b {rs}"), "b");
            // Named, and by its ohms.
            for asked in ["Rs", &format!("{rs}")] {
                let computed = noise_figure(&drawn, "Vs", asked);
                assert!((computed - expected).abs() <= 1e-6, "{computed} dB is not {expected}, --rs {asked}, {what}");
            }
            // The base driven through nothing, and the source resistance added.
            let computed = noise_figure(&stage(0.0, "", "s"), "Vs", &format!("{rs}"));
            assert!((computed - expected).abs() <= 1e-6, "{computed} dB is not {expected}, added, {what}");
        }
        // F = a + b·Rs + c/Rs through three values around √β/gm: least at √(c/b), there a + 2√(bc).
        let guess = beta.sqrt() * vt / ic;
        let at = [guess / 4.0, guess, guess * 4.0];
        let system = Matrix3::from_fn(|row, column| [1.0, at[row] / guess, guess / at[row]][column]);
        let fit = system.lu().solve(&Vector3::from(at.map(factor))).expect("three different values");
        close(guess * (fit[2] / fit[1]).sqrt(), row.number("ropt_ohm"), 1e-6, &what);
        let least = db(fit[0] + 2.0 * (fit[1] * fit[2]).sqrt());
        assert!((least - row.number("nfmin_db")).abs() <= 1e-6, "{least} dB, {what}");
        // For rb = 0 and large β the textbook limits; they differ by 1/β and by terms of 1/β in F.
        if let (Some(ropt), Some(nf)) = (row.maybe("approx_ropt_ohm"), row.maybe("approx_nfmin_db")) {
            close(row.number("ropt_ohm"), ropt, 1.0 / beta, &what);
            assert!((least - nf).abs() <= 5.0 / beta, "{least} dB, {what}");
        }
    }
}

/// The values of one case by item.
fn case(rows: &[Row], case: &str) -> HashMap<String, f64> {
    let of_case = rows.iter().filter(|row| row.text("case") == case);
    of_case.map(|row| (row.text("item").to_owned(), row.number("value"))).collect()
}

#[test]
fn noise_budget_of_a_common_emitter_stage() {
    let rows = table("noise_budget");
    let case = case(&rows, "ce_stage_coursework");
    let given = |item: &str| case[&format!("in:{item}")];
    let (rs, rbias, rl, ib, beta, rbb) =
        (given("Rs"), given("RB"), given("RL"), given("IB"), given("beta"), given("rbb"));
    let vt = K * 300.0 / Q;
    let vbe = vt * (ib * beta / 1e-16).ln_1p();
    // The source is coupled by a farad.
    let stage = |source: &str| {
        Bench::of(&format!(
            "{source}\nRB vb b {rbias}\nVb vb 0 {:e}\nQ1 c b 0 M\nRL vc c {rl}\nVc vc 0 {:e}\n\
             .model M NPN(IS=1e-16 BF={beta} BR=1000 RB={rbb} TNOM=26.85)\n.temp 26.85",
            vbe + ib * (rbb + rbias),
            5.0 + ib * beta * rl
        ))
    };
    let hertz = 1e3;
    let bench = stage(&format!("Vs s 0 0\nRs s a {rs}\nCs a b 1"));
    let referred = |bench: &Bench, source: &str| bench.density("c", hertz) / bench.gain(source, "c", hertz).norm_sqr();
    let total = referred(&bench, "Vs");
    let shorted = stage("Vs s 0 0\nRs s a 1u\nCs a b 1");
    let open = stage("Is 0 b 0");
    let hiss = bench.hiss("c", around(hertz), Weighting::Flat);
    let share = |part: &str, mechanism: Option<Mechanism>| {
        let device =
            hiss.devices.iter().find(|device| bench.circuit.part(device.part).name == part).expect("it hisses");
        match mechanism {
            None => device.share,
            Some(wanted) => device.mechanisms.iter().find(|found| found.mechanism == wanted).expect("it hisses").share,
        }
    };
    // Density of a source by itself, A²/Hz.
    let source = |part: &str, mechanism: Mechanism| {
        let wanted = bench.circuit.find_part(part).expect("it is there");
        let found = bench.signal.sources.iter().find(|found| found.part == wanted && found.mechanism == mechanism);
        found.expect("it hisses").white
    };
    for (item, &value) in &case {
        let computed = match item.as_str() {
            item if item.starts_with("in:") => continue,
            "gm" => ib * beta * shorted.gain("Vs", "c", hertz).norm() / (ib * beta * rl) * (1.0 + rbb * ib / vt),
            "rpi" => (open.impedance(open.node("b"), hertz).inv() - 1.0 / rbias).inv().re - rbb,
            "S_vRs" => source("Rs", Mechanism::Thermal) * rs * rs,
            "S_iRB" => source("RB", Mechanism::Thermal),
            "S_vrbb" => source("Q1", Mechanism::ThermalRb) * rbb * rbb,
            "S_ib" => source("Q1", Mechanism::BaseShot),
            "S_ic" => source("Q1", Mechanism::CollectorShot),
            "S_iRL" => source("RL", Mechanism::Thermal),
            "share:Rs" => share("Rs", None),
            "share:RB" => share("RB", None),
            "share:rbb" => share("Q1", Some(Mechanism::ThermalRb)),
            "share:base shot" => share("Q1", Some(Mechanism::BaseShot)),
            "share:collector shot" => share("Q1", Some(Mechanism::CollectorShot)),
            "share:RL" => share("RL", None),
            "S_vin_total_at_source" => total,
            "V_in_rms_100kHz" => 1e6 * (total * 1e5).sqrt(),
            "S_vin_at_base_node_b" => referred(&shorted, "Vs"),
            "S_iin_at_base_node_b" => referred(&open, "Is"),
            "S_out_voltage" => bench.density("c", hertz),
            "voltage_gain_source_to_collector" => bench.gain("Vs", "c", hertz).norm(),
            other => panic!("what is {other}?"),
        };
        // The source calculates with VT = 26 mV (25.85), k = 1.38e-23 and q = 1.6e-19: VT alone is 0.6 % off, and its
        // square enters the collector's shot noise and the load's: 1.5 % there, 1 % elsewhere.
        let squared = matches!(item.as_str(), "share:collector shot" | "share:RL");
        close(computed, value, if squared { 0.015 } else { 0.01 }, item);
    }
}

#[test]
fn noise_budget_of_a_feedback_amplifier() {
    let rows = table("noise_budget");
    let case = case(&rows, "noninverting_feedback_amplifier");
    let given = |item: &str| case[&format!("in:{item}")];
    let four_kt = 4.0 * K * given("T");
    // en: a resistor before an input that takes no current. in: resistors' noise as currents by G sources.
    let en_ohms = given("en").powi(2) / four_kt;
    let in_siemens = given("in") / (four_kt * 1e3).sqrt();
    let bench = Bench::of(&format!(
        "Vs s 0 0\nRs s p {}\nRen p q {en_ohms:e}\nE1 out 0 q m 1e10\nR1 m 0 {}\nR2 out m {}\n\
         Rinp x 0 1k\nGp 0 p x 0 {in_siemens:e}\nRinm y 0 1k\nGm 0 m y 0 {in_siemens:e}\n.temp {:e}",
        given("Rs"),
        given("R1"),
        given("R2"),
        celsius(given("T"))
    ));
    let hiss = bench.hiss("out", around(1e3), Weighting::Flat);
    let total = 1e9 * bench.density("out", 1e3).sqrt();
    let part = |part: &str| {
        let device =
            hiss.devices.iter().find(|device| bench.circuit.part(device.part).name == part).expect("it hisses");
        total * device.share.sqrt()
    };
    for (item, &value) in &case {
        let computed = match item.as_str() {
            item if item.starts_with("in:") => continue,
            "part:en" => part("Ren"),
            "part:R1" => part("R1"),
            "part:R2" => part("R2"),
            "part:Rs" => part("Rs"),
            "part:in_R2" => part("Rinm"),
            "part:in_Rs" => part("Rinp"),
            "total_output" => total,
            "total_input_referred" => total / bench.gain("Vs", "out", 1e3).norm(),
            other => panic!("what is {other}?"),
        };
        close(computed, value, 1e-6, item);
    }
    // The third case, inverting_op_amp_exam, shows no component values: arithmetic on readings, nothing to compute.
    let known = ["ce_stage_coursework", "noninverting_feedback_amplifier", "inverting_op_amp_exam"];
    assert!(rows.iter().all(|row| known.contains(&row.text("case"))));
}

#[test]
fn friis() {
    let source = 1e3;
    // Stages of noise factor F and gain G between equal resistances: a resistor of (F − 1)·Rs in series with an input that
    // takes no current, then an amplifier of √G. Everything at 290 K.
    let cascade = |stages: &[(f64, f64)]| {
        let mut text = format!("Vs s 0 0\nRs s o0 {source}\n.temp {:e}\n", celsius(290.0));
        for (at, (factor, gain)) in stages.iter().enumerate() {
            // A noiseless stage keeps a resistor too small to matter.
            let ohms = ((factor - 1.0) * source).max(1e-9);
            let _ = writeln!(text, "R{at} o{at} i{at} {ohms:.17e}\nE{at} o{} 0 i{at} 0 {:.17e}", at + 1, gain.sqrt());
        }
        let bench = Bench::of(&text);
        let out = format!("o{}", stages.len());
        let gain = bench.gain("Vs", &out, 1e3).norm_sqr();
        let text = format!("{text}\nEout out 0 {out} 0 1");
        let figure = noise_figure(&Bench::of(&text), "Vs", "Rs");
        (figure, bench.density(&out, 1e3) / gain / (4.0 * K * 290.0 * source), db(gain))
    };
    for row in table("friis") {
        let (case, value) = (row.text("case"), row.number("F"));
        match case {
            // Ratios of readings, nothing to compute.
            "snr_degradation" | "signal_method" => continue,
            // 100 µA of shot noise in 1 kΩ against the thermal noise of 290 K: q/(2kT0) = 20.008, which the method rounds
            // to 20 per volt: 5e-4.
            "noise_diode_method" => {
                let bench = Bench::of(&format!(
                    "V1 v 0 50\nD1 a v M\nRs a 0 1k\n.model M D(IS=100u TNOM=16.85)\n.temp {:e}",
                    celsius(290.0)
                ));
                let thermal = 4.0 * K * 290.0 * 1e3;
                close((bench.density("a", 1e3) - thermal) / thermal, value, 5e-4, case);
            }
            // The first stage that a total of 70 K leaves room for: gains of 10, 20 and 15 dB, 3 and 6 dB behind it.
            "max_first_stage_nf" => {
                let (_, total, gain) =
                    cascade(&[(value, 10.0), (10f64.powf(0.3), 1e2), (10f64.powf(0.6), 10f64.powf(1.5))]);
                close(total, 1.0 + row.number("te_k") / 290.0, 1e-6, case);
                close(gain, row.number("gain_db"), 1e-9, case);
            }
            _ => {
                let stages: Vec<(f64, f64)> = row
                    .text("stages")
                    .split("; ")
                    .map(|stage| stage.split_once('/').expect("F/G"))
                    .map(|(factor, gain)| (factor.parse().expect("a number"), gain.parse().expect("a number")))
                    .collect();
                let (figure, total, gain) = cascade(&stages);
                // What the command prints: everything is at 290 K here.
                assert!((figure - db(value)).abs() <= 1e-5, "{case}: {figure} dB");
                close(total, value, 1e-6, case);
                close(290.0 * (total - 1.0), row.number("te_k"), 1e-6, case);
                assert!((db(total) - row.number("nf_db")).abs() <= 1e-6, "{case}: {} dB", db(total));
                assert!((gain - row.number("gain_db")).abs() <= 1e-6, "{case}: {gain} dB");
            }
        }
    }
}

// Excess noise and leakage

#[test]
fn resistor_excess_noise() {
    for row in table("resistor_excess_noise") {
        let kind = row.text("kind");
        let given: HashMap<&str, f64> = row
            .text("item")
            .split(';')
            .filter_map(|field| field.split_once('='))
            .filter_map(|(name, value)| Some((name, value.parse().ok()?)))
            .collect();
        let bench = |more: &str| {
            let (volts, ohms) = (given["v_dc"], given.get("r").copied().unwrap_or(1e3));
            Bench::of(&format!(
                "V1 v 0 {volts}\nR1 v a {ohms} NI={} {more}\nI1 a 0 {:e}\n.temp 26.85",
                given["ni_db"],
                volts / ohms
            ))
        };
        let computed = match kind {
            "worked_band" => 1e6 * bench(COLD).rms("a", [given["f_low"], given["f_high"]]),
            "worked_density" => 1e9 * bench(COLD).density("a", given["f"]).sqrt(),
            // Where excess equals thermal: excess falls as 1/f, so this is its ratio to thermal at 1 Hz.
            "worked_corner" => {
                let thermal = 4.0 * K * given["t_k"] * given["r"];
                (bench("").density("a", 1.0) - thermal) / thermal
            }
            // 0 dB is 1 µV per volt in a decade.
            "definition" => {
                1e6 * Bench::of(&format!("V1 v 0 1\nR1 v a 1k NI=0 {COLD}\nI1 a 0 1m")).rms("a", [50.0, 500.0])
            }
            // What kinds of resistors are like, and how they are measured: nothing to compute.
            "range_handbook" | "range_maker" | "comparison" | "mil_202_index" | "mil_202_table1_dc_volts" => continue,
            other => panic!("what is {other}?"),
        };
        close(computed, row.number("value"), 1e-8, row.text("item"));
    }
}

/// Current of a reverse-biased junction at a temperature, from IS given at another, A.
fn reverse_amps(gap: f64, n: f64, nominal: f64, kelvin: f64) -> f64 {
    Bench::of(&format!(
        "V1 v 0 50\nD1 a v M\nVi a 0 0\nH1 out 0 Vi -1\n.model M D(IS=1u EG={gap} N={n} TNOM={:e})\n.temp {:e}",
        celsius(nominal),
        celsius(kelvin)
    ))
    .volts("out")
    .abs()
}

/// Collector current of a silicon-like transistor with leakage, in microamperes; `base` says where its base goes.
fn leaking(icbo: f64, tdbl: f64, beta: f64, celsius: f64, base: &str) -> f64 {
    let bench = Bench::of(&format!(
        "Vc c 0 6\nH1 out 0 Vc -1\nQ1 c b 0 M ICBO={icbo:.17e} TDBL={tdbl}\n{base}\n.model M NPN(IS=1e-22 BF={beta})\n.temp {celsius}"
    ));
    1e6 * bench.volts("out")
}

#[test]
fn leakage_and_temperature() {
    const SHORTED: &str = "Vb b 0 0";
    for row in table("leakage_temperature") {
        let (kind, input) = (row.text("kind"), row.text("input"));
        let gap = || if row.text("material") == "Ge" { 0.66 } else { 1.12 };
        let computed = match (kind, input) {
            ("law_check", _) => reverse_amps(gap(), 1.0, 298.15, 328.15) / reverse_amps(gap(), 1.0, 298.15, 298.15),
            ("worked", input) if input.ends_with("300 K to 400 K") => {
                reverse_amps(gap(), 1.0, 300.0, 400.0) / reverse_amps(gap(), 1.0, 300.0, 300.0)
            }
            // d(ln I)/dT by a central difference of 0.2 K; its h² error is 1e-7. The generation law, from memory and not
            // seen, is that of an emission coefficient of 2.
            ("doubling_local", input) => {
                let kelvin: f64 =
                    input.split("T = ").nth(1).and_then(|text| text.split(' ').next()?.parse().ok()).expect("T");
                let n = if input.starts_with("generation") { 2.0 } else { 1.0 };
                let [below, above] = [-0.1, 0.1].map(|step| reverse_amps(gap(), n, 298.15, kelvin + step));
                0.2 * 2f64.ln() / (above / below).ln()
            }
            ("worked", "ICBO 5 uA, beta 40, IC 2 mA, 25 to 55 C, doubles per 10 C") => {
                leaking(5e-6, 10.0, 40.0, 55.0, "")
            }
            ("worked", "ICBO 0.1 uA, same stage") => leaking(0.1e-6, 10.0, 40.0, 55.0, ""),
            ("worked", "alpha 0.99, IE 1 mA, ICBO 0.02 uA, 27 to 57 C, doubles per 6 C") => {
                // Given at 27 °C. Alpha 0.99 is beta 99. The base's current is what its source of 0 V delivers.
                let bench = Bench::of(&format!(
                    "Vc c 0 6\nVb b 0 0\nH1 out 0 Vb -1\nQ1 c b e M ICBO={:.17e} TDBL=6\nIe e 0 1m\n.model M NPN(IS=1e-22 BF=99)\n.temp 57",
                    0.02e-6 / f64::exp2(2.0 / 6.0)
                ));
                1e6 * bench.volts("out")
            }
            ("worked", "ICBO 2 uA at 25 C to 80 C, doubles per 10 C") => leaking(2e-6, 10.0, 40.0, 80.0, SHORTED),
            ("worked", "1.5 uA at 0 C to 104 C, doubles per 13 C") => {
                leaking(1.5e-6 * f64::exp2(25.0 / 13.0), 13.0, 40.0, 104.0, SHORTED)
            }
            // A rule of two steps that is not the program's.
            ("worked", "IS 5 nA, 25 to 100 C: 7 doublings then 1.07^5") => continue,
            // Rules of thumb, material constants, a reading of one transistor, an after-effect: nothing to compute.
            ("rule" | "bandgap" | "law" | "measured" | "effect", _) => continue,
            other => panic!("what is {other:?}?"),
        };
        close(computed, row.number("value"), 1e-6, input);
        // Printed with rounded constants: 1 %.
        if let Some(printed) =
            row.text("how").split("printed ").nth(1).and_then(|text| text.split(')').next()?.parse().ok())
        {
            close(computed, printed, 0.01, input);
        }
    }
}

#[test]
fn freezing_and_heating_a_leak() {
    for row in table("freeze_factor") {
        let (delta, doubling) = (row.number("delta_c"), row.number("doubling_c"));
        // Nothing but the leakage flows and hisses here.
        let bench = Bench::of(&format!(
            "Vc c 0 6\nH1 out 0 Vc -1\nQ1 c 0 0 M ICBO=10u TDBL={doubling}\n.model M NPN(IS=1e-22)\n.temp 25"
        ));
        let other = bench.changed(&[Change::Ambient { celsius: 25.0 + delta }]);
        let what = format!("{delta} °C, doubling every {doubling} °C");
        close(other.volts("out") / bench.volts("out"), row.number("current_ratio"), 1e-9, &what);
        let power = other.density("out", 1e3) / bench.density("out", 1e3);
        close(power.sqrt(), row.number("shot_density_ratio"), 1e-9, &what);
        // Six or seven digits are printed.
        assert!((db(power) - row.number("shot_change_db")).abs() <= 1e-5, "{what}: {} dB", db(power));
    }
}
