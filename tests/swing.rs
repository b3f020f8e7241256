//! How far an output swings, against hand calculation, closed forms and a solution stepped in time.

mod common;

use std::f64::consts::{PI, SQRT_2, TAU};

use common::{Bench, K, Q, Random, T27, close};
use hissmap::circuit::Circuit;
use hissmap::operating::Operating;
use hissmap::repair::swing::{ClipCause, Level, Swing, SwingError, SwingQuestion, swing};

/// Thermal voltage at 27 °C.
const VT: f64 = K * T27 / Q;

fn ask(lines: &str, input: &str, output: &str) -> (Result<Swing, SwingError>, Circuit) {
    let bench = Bench::of(lines);
    let operating = Operating::of(&bench.circuit).expect("a bias point");
    let input = bench.circuit.find_part(input).expect("the source");
    let question = SwingQuestion { input, output: bench.output(output), mid_hz: 1e3, load: None };
    (swing(&bench.circuit, &operating, &question), bench.circuit)
}

#[track_caller]
fn swing_of(lines: &str, output: &str) -> (Swing, Circuit) {
    let (swing, circuit) = ask(lines, "VIN", output);
    (swing.unwrap_or_else(|error| panic!("{error} in\n{lines}")), circuit)
}

fn device(circuit: &Circuit, clip: &Option<hissmap::repair::swing::Clip>) -> Option<(String, ClipCause)> {
    clip.as_ref()?.by.map(|(part, cause)| (circuit.part(part).name.clone(), cause))
}

/// The zero of a function that changes sign between two arguments.
fn bisect(mut a: f64, mut b: f64, f: impl Fn(f64) -> f64) -> f64 {
    let sign = f(a).signum();
    for _ in 0..200 {
        let middle = 0.5 * (a + b);
        if f(middle) * sign > 0.0 { a = middle } else { b = middle }
    }
    0.5 * (a + b)
}

/// Rms without the mean, total harmonic distortion over the whole, of one period of samples.
fn of_period(samples: &[f64]) -> (f64, f64) {
    let n = samples.len() as f64;
    let mean = samples.iter().sum::<f64>() / n;
    let part = |f: &dyn Fn(f64) -> f64| {
        2.0 / n * samples.iter().enumerate().map(|(at, y)| y * f(TAU * at as f64 / n)).sum::<f64>()
    };
    let (c, s) = (part(&f64::cos), part(&f64::sin));
    let whole = samples.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / n;
    let left = samples.iter().enumerate().map(|(at, y)| {
        let angle = TAU * at as f64 / n;
        (y - mean - c * angle.cos() - s * angle.sin()).powi(2)
    });
    (whole.sqrt(), (left.sum::<f64>() / n / whole).sqrt())
}

/// A stage of gain 10 behind 1 kΩ, held between two limits by diodes with an emission coefficient of `n`.
fn limited(n: f64, low: f64, high: f64, load: f64) -> String {
    format!(
        "VIN in 0 AC 1\nE1 x 0 in 0 10\nR1 x out 1k\nRL out 0 {load}\nVH h 0 {high}\nVL l 0 {low}\n\
         D1 out h LIMIT\nD2 l out LIMIT\n.model LIMIT D (IS=1e-14 N={n})"
    )
}

/// Total distortion and rms of a sine of amplitude `a` that is cut at ±`c`.
///
/// With k = c/a and p = asin k: b₁ = (2a/π)·(p + k·√(1 − k²)), mean square = (a²/π)·(p − k·√(1 − k²)) + c²·(1 − 2p/π).
fn hard_clipped(a: f64, c: f64) -> (f64, f64) {
    let k = c / a;
    let (p, edge) = (k.asin(), k * (1.0 - k * k).sqrt());
    let fundamental = 2.0 * a / PI * (p + edge);
    let square = a * a / PI * (p - edge) + c * c * (1.0 - 2.0 * p / PI);
    ((1.0 - 0.5 * fundamental * fundamental / square).sqrt(), square.sqrt())
}

#[test]
fn an_ideal_stage_clips_at_its_limits() {
    // The knee is (N·Vt)·ln(I/IS) ≈ 7 mV wide at N = 0.01: 0.15 % of 5 V.
    let (swing, circuit) = swing_of(&limited(0.01, -5.0, 5.0, 1e9), "out");
    let clip = swing.up.as_ref().expect("it clips");
    close(clip.volts, 5.0, 2e-3, "upper limit");
    close(clip.input, 0.5, 2e-3, "input for it");
    close(swing.down.as_ref().expect("it clips").volts, -5.0, 2e-3, "lower limit");
    assert_eq!(swing.symmetrical(), Some(true));
    assert_eq!(device(&circuit, &swing.up), Some(("D1".to_owned(), ClipCause::Conducts)));
    assert_eq!(device(&circuit, &swing.down), Some(("D2".to_owned(), ClipCause::Conducts)));
    for (level, wanted) in [(swing.at_one_percent, 0.01), (swing.at_ten_percent, 0.10)] {
        let level = level.expect("it is distorted so far");
        let a = bisect(5.001, 10.0, |a| hard_clipped(a, 5.0).0 - wanted);
        close(level.total_distortion, wanted, 1e-6, "distortion");
        close(level.input_rms, a / 10.0 / SQRT_2, 3e-3, "input");
        close(level.output_rms_volts, hard_clipped(a, 5.0).1, 3e-3, "output");
    }
    let (swing, _) = swing_of(&limited(0.01, -5.0, 3.0, 1e9), "out");
    assert_eq!(swing.symmetrical(), Some(false));
    close(swing.onset.expect("it clips").output_rms_volts, 3.0 / SQRT_2, 3e-3, "the nearer side counts");
}

#[test]
fn six_volts_into_fifteen_ohms_are_2_4_watts() {
    // V²/R = 36/15. A sine of 6.0 V rms peaks at 6·√2, where this stage clips; R1 and the load divide.
    let peak = 6.0 * SQRT_2;
    let lines = limited(0.001, -peak, peak, 15.0).replace("R1 x out 1k", "R1 x out 1");
    let (swing, circuit) = swing_of(&lines, "out");
    let onset = swing.onset.expect("it clips");
    close(onset.output_rms_volts, 6.0, 1e-3, "volts");
    close(onset.watts.expect("there is a load"), 2.4, 2e-3, "watts");
    let (load, ohms) = swing.load.expect("there is a load");
    assert_eq!((circuit.part(load).name.as_str(), ohms), ("RL", 15.0));
    for level in &swing.levels {
        close(level.watts.expect("a load"), level.output_rms_volts.powi(2) / 15.0, 1e-14, "watts");
    }
}

#[test]
fn soft_limits_are_those_of_the_diode_equation() {
    // (e − y)/R = IS·(exp((y − 5)/Vt) − exp((−5 − y)/Vt)), solved here by bisection.
    let (swing, _) = swing_of(&limited(1.0, -5.0, 5.0, 1e9), "out");
    let amps = |y: f64| 1e-14 * (((y - 5.0) / VT).exp() - ((-5.0 - y) / VT).exp()) + y * 1e-9;
    let output = |e: f64| bisect(-7.0, 7.0, |y| 10.0 * e - y - 1e3 * amps(y));
    let slope = |e: f64| {
        let y = output(e);
        10.0 / (1.0 + 1e-6 + 1e3 * 1e-14 / VT * (((y - 5.0) / VT).exp() + ((-5.0 - y) / VT).exp()))
    };
    let clip = bisect(0.4, 0.7, |e| slope(e) - 0.5 * output(e) / e);
    let up = swing.up.as_ref().expect("it clips");
    close(up.input, clip, 1e-5, "input");
    close(up.volts, output(clip), 1e-5, "output");
    for level in swing.levels.iter().chain(&swing.onset).chain(&swing.at_ten_percent) {
        let amplitude = level.input_rms * SQRT_2;
        let samples: Vec<f64> = (0..4096).map(|at| output(amplitude * (TAU * f64::from(at) / 4096.0).sin())).collect();
        let (rms, distortion) = of_period(&samples);
        close(level.output_rms_volts, rms, 1e-6, "rms");
        if distortion > 1e-5 {
            close(level.total_distortion, distortion, 2e-4, "distortion");
        }
    }
}

/// Modified Bessel function of the first kind by its series, Abramowitz & Stegun 9.6.10.
fn bessel_i(n: i32, x: f64) -> f64 {
    let mut term = (1..=n).fold(1.0, |product, k| product * 0.5 * x / f64::from(k));
    let mut sum = term;
    for k in 1..200 {
        term *= 0.25 * x * x / (f64::from(k) * f64::from(k + n));
        sum += term;
    }
    sum
}

#[test]
fn an_exponential_device_distorts_as_the_bessel_series() {
    // exp(x·cos θ) = I₀(x) + 2·Σ Iₙ(x)·cos nθ (Abramowitz & Stegun 9.6.34), x = amplitude over Vt: harmonics over the
    // fundamental are Iₙ/I₁; the mean of exp(2x·cos θ) is I₀(2x), so the mean square without the mean is I₀(2x) − I₀².
    let transistor = "VIN b 0 DC 0.6 AC 1\nQ1 c b 0 N\nVCC v 0 10\nRC v c 10\n.model N NPN (IS=1e-14 BF=100)";
    let diode = "VIN a 0 DC 0.55 AC 1\nD1 a 0 D\nF1 0 k VIN -1\nRK k 0 1k\n.model D D (IS=1e-14)";
    for (lines, output, device_amps) in
        [(transistor, "v,c", 10.0 * 1e-14 * (0.6 / VT).exp()), (diode, "k", 1e3 * 1e-14 * (0.55 / VT).exp())]
    {
        let (swing, _) = swing_of(lines, output);
        let mut largest: f64 = 0.0;
        for level in swing.levels.iter().chain(&swing.at_one_percent).chain(&swing.at_ten_percent) {
            let x = SQRT_2 * level.input_rms / VT;
            largest = largest.max(x);
            let whole = bessel_i(0, 2.0 * x) - bessel_i(0, x).powi(2);
            close(level.output_rms_volts, device_amps * whole.sqrt(), 1e-5, &format!("rms at {x} Vt"));
            let left = (1.0 - 2.0 * bessel_i(1, x).powi(2) / whole).sqrt();
            close(level.total_distortion, left, 1e-3, &format!("distortion at {x} Vt"));
            for (harmonic, ratio) in (2..).zip(level.harmonics) {
                let expected = bessel_i(harmonic, x) / bessel_i(1, x);
                if expected > 1e-6 {
                    close(ratio, expected, 1e-3, &format!("harmonic {harmonic} at {x} Vt"));
                }
            }
        }
        assert!(largest > 1.0, "levels end at {largest} Vt");
        // The slope is e^−x of that at rest, the mean slope (1 − e^−x)/x: half of it at x = 1.2564.
        let x = bisect(0.5, 3.0, |x| (-x).exp() - 0.5 * (1.0 - (-x).exp()) / x);
        let clip = swing.down.as_ref().expect("it is cut off");
        close(clip.input, -x * VT, 1e-5, "where the slope is half the mean");
        close(clip.volts, -device_amps * (1.0 - (-x).exp()), 1e-5, "and the output there");
    }
}

/// One silicon stage with everything around it.
struct Stage {
    vcc: f64,
    r1: f64,
    r2: f64,
    rs: f64,
    rc: f64,
    re: f64,
    /// Not bypassed.
    rf: f64,
    rl: f64,
}

const STAGE: Stage = Stage { vcc: 12.0, r1: 68e3, r2: 15e3, rs: 600.0, rc: 3.3e3, re: 1e3, rf: 47.0, rl: 10e3 };
/// Farads that hold their charge over any test.
const LARGE: f64 = 0.1;
const IS: f64 = 1e-14;
const BF: f64 = 120.0;

impl Stage {
    fn lines(&self) -> String {
        let Stage { vcc, r1, r2, rs, rc, re, rf, rl } = self;
        format!(
            "VCC v 0 {vcc}\nVIN s 0 AC 1\nRS s i {rs}\nC1 i b {LARGE}\nR1 v b {r1}\nR2 b 0 {r2}\nQ1 c b e N\nRC v c {rc}\n\
             RF e k {rf}\nRE k 0 {re}\nCE k 0 {LARGE}\nCO c out {LARGE}\nRL out 0 {rl}\n.model N NPN (IS={IS} BF={BF})"
        )
    }

    /// Currents into collector and base by the equations of Ebers and Moll (BR = 1, no ohmic parts).
    fn device(vbe: f64, vbc: f64) -> (f64, f64) {
        let (forward, reverse) = (IS * ((vbe / VT).exp() - 1.0), IS * ((vbc / VT).exp() - 1.0));
        (forward - 2.0 * reverse, forward / BF + reverse)
    }

    /// Kirchhoff's residuals at base, collector, emitter, bypass node and output, each capacitor a current by its volts.
    fn residuals(&self, input: f64, v: &[f64; 5], caps: impl Fn([f64; 3]) -> [f64; 3]) -> [f64; 5] {
        let [b, c, e, k, out] = *v;
        let (ic, ib) = Self::device(b - e, b - c);
        // Volts of C1 behind RS are eliminated: its current makes the drop in RS.
        let [i1, ik, io] = caps([input - b, k, c - out]);
        [
            -i1 + (b - self.vcc) / self.r1 + b / self.r2 + ib,
            ic + (c - self.vcc) / self.rc + io,
            -ic - ib + (e - k) / self.rf,
            (k - e) / self.rf + k / self.re + ik,
            -io + out / self.rl,
        ]
    }

    /// Newton's iteration with a numerical Jacobian and short steps.
    fn solve(&self, input: f64, start: [f64; 5], caps: impl Fn([f64; 3]) -> [f64; 3] + Copy) -> [f64; 5] {
        let mut v = start;
        for _ in 0..500 {
            let f = self.residuals(input, &v, caps);
            let mut rows = [[0.0; 6]; 5];
            for column in 0..5 {
                let mut w = v;
                w[column] += 1e-7;
                let g = self.residuals(input, &w, caps);
                (0..5).for_each(|row| rows[row][column] = (g[row] - f[row]) / 1e-7);
            }
            (0..5).for_each(|row| rows[row][5] = -f[row]);
            let mut step = eliminate(rows);
            let largest = step.iter().fold(0.0, |most: f64, one| most.max(one.abs()));
            let scale = (0.05 / largest).min(1.0);
            step.iter_mut().zip(&mut v).for_each(|(step, v)| *v += scale * *step);
            if largest < 1e-12 {
                break;
            }
        }
        v
    }

    /// The output over the second of two periods of a sine, by the trapezoidal rule: i' = 2C/h·(u' − u) − i.
    fn stepped(&self, amplitude: f64, hertz: f64, steps: usize) -> Vec<f64> {
        // At rest no capacitor carries current.
        let mut v = self.solve(0.0, [2.0, 7.0, 1.4, 1.3, 0.0], |_| [0.0; 3]);
        let h = 1.0 / (hertz * steps as f64);
        let mut volts = [-v[0], v[3], v[1] - v[4]];
        let mut amps = [0.0; 3];
        let mut outputs = Vec::new();
        for step in 1..=2 * steps {
            let input = amplitude * (TAU * step as f64 / steps as f64).sin();
            let siemens = 2.0 * LARGE / h;
            let (old_volts, old_amps) = (volts, amps);
            let rs = self.rs;
            let caps = move |u: [f64; 3]| {
                let rest = |at: usize| siemens * old_volts[at] + old_amps[at];
                // C1 and RS in series: u = uC + RS·i, i = G·uC − rest.
                let first = (siemens * u[0] - rest(0)) / (1.0 + siemens * rs);
                [first, siemens * u[1] - rest(1), siemens * u[2] - rest(2)]
            };
            v = self.solve(input, v, caps);
            amps = caps([input - v[0], v[3], v[1] - v[4]]);
            volts = [input - v[0] - rs * amps[0], v[3], v[1] - v[4]];
            if step > steps {
                outputs.push(v[4]);
            }
        }
        outputs
    }
}

fn eliminate(mut rows: [[f64; 6]; 5]) -> [f64; 5] {
    for at in 0..5 {
        let pivot = (at..5).max_by(|&a, &b| rows[a][at].abs().total_cmp(&rows[b][at].abs())).expect("rows");
        rows.swap(at, pivot);
        for below in at + 1..5 {
            let factor = rows[below][at] / rows[at][at];
            (at..6).for_each(|column| rows[below][column] -= factor * rows[at][column]);
        }
    }
    let mut x = [0.0; 5];
    for at in (0..5).rev() {
        let known: f64 = (at + 1..5).map(|column| rows[at][column] * x[column]).sum();
        x[at] = (rows[at][5] - known) / rows[at][at];
    }
    x
}

#[test]
fn a_stage_swings_as_it_does_step_by_step_in_time() {
    let (swing, _) = swing_of(&STAGE.lines(), "out");
    let names = ["small", "onset", "one percent", "ten percent"];
    let levels: [Level; 4] = [
        swing.levels[1],
        swing.onset.expect("it clips"),
        swing.at_one_percent.expect("it distorts"),
        swing.at_ten_percent.expect("it distorts"),
    ];
    for (name, level) in names.into_iter().zip(levels) {
        let (rms, distortion) = of_period(&STAGE.stepped(level.input_rms * SQRT_2, 1e3, 400));
        // What the capacitors move in a period, 1/(2πf·C·600 Ω) = 3e-6, and the steps of 0.9 degrees.
        close(level.output_rms_volts, rms, 1e-4, name);
        close(level.total_distortion, distortion, 2e-3, name);
    }
}

#[test]
fn a_stage_clips_at_the_ends_of_its_load_line() {
    // Published load-line construction: towards cut-off the output moves by I_C·(R_C ∥ R_L), towards saturation by
    // V_CE − V_CE(sat), less what R_F takes: 5 % for V_CE(sat). Cut-off is gradual: R_F is two Vt/I_C, and the slope has
    // halved well before the end.
    let (swing, circuit) = swing_of(&STAGE.lines(), "out");
    let bench = Bench::of(&STAGE.lines());
    let ac_ohms = 1.0 / (1.0 / STAGE.rc + 1.0 / STAGE.rl);
    let ic = (STAGE.vcc - bench.volts("c")) / STAGE.rc;
    close(swing.reached_volts[0], ic * ac_ohms, 0.01, "cut-off");
    let clipped = swing.up.as_ref().expect("clips").volts / (ic * ac_ohms);
    assert!((0.8..1.0).contains(&clipped), "{clipped}");
    let room = (bench.volts("c,e") - 0.15) * ac_ohms / (ac_ohms + STAGE.rf);
    close(swing.down.as_ref().expect("clips").volts, -room, 0.05, "saturation");
    assert_eq!(device(&circuit, &swing.up), Some(("Q1".to_owned(), ClipCause::CutOff)));
    assert_eq!(device(&circuit, &swing.down), Some(("Q1".to_owned(), ClipCause::Saturates)));
    // Gain of the stage: −α·(R_C ∥ R_L)/(V_T/I_E + R_F), divided by R_S and the bias divider at the input.
    let ie = ic * (1.0 + 1.0 / BF);
    let base = (BF + 1.0) * (VT / ie + STAGE.rf);
    let input = 1.0 / (1.0 / STAGE.r1 + 1.0 / STAGE.r2 + 1.0 / base);
    let gain = -BF / (BF + 1.0) * ac_ohms / (VT / ie + STAGE.rf) * input / (input + STAGE.rs);
    close(swing.static_gain, gain, 1e-4, "gain");
}

#[test]
fn class_a_stages_keep_the_textbook_limits_of_efficiency() {
    // A sine in a class A stage: at most 25 % of V_CC·I_C where the load carries the direct current, 50 % where a
    // transformer keeps it out (Terman, Radio Engineering, 3rd ed. 1947). At 1 % of distortion the peaks are no more than
    // some per cent flatter than those of a sine.
    const SLACK: f64 = 1.05;
    let mut random = Random(7);
    let mut best = [0.0; 2];
    for case in 0..60 {
        let vcc = random.even(6.0, 40.0);
        let load = random.log(10.0, 2e3);
        let share = random.even(0.15, 0.85);
        let ic = share * vcc / load;
        let re = 0.05 * vcc / ic;
        // The base is held by a source, so that the emitter resistor alone sets the current.
        let base = re * ic + 0.75;
        let common =
            format!("VCC v 0 {vcc}\nVIN b 0 DC {base} AC 1\nRE e 0 {re}\nQ1 c b e N\n.model N NPN (IS=1e-13 BF=100)\n");
        let ratio = random.even(0.7, 8.0);
        let transformer = format!(
            "L1 v c 1000\nL2 s 0 {}\nK1 L1 L2 0.99999\nRL s 0 {}",
            1000.0 / ratio.powi(2),
            load / ratio.powi(2) * random.even(0.5, 2.0)
        );
        for (kind, (lines, output, limit)) in
            [(format!("RL v c {load}"), "v,c", 0.25), (transformer, "s", 0.5)].into_iter().enumerate()
        {
            let lines = common.clone() + &lines;
            let bench = Bench::of(&lines);
            let supply = vcc * -branch_amps(&bench, "VCC");
            let (swing, _) = swing_of(&lines, output);
            for level in
                [swing.onset, swing.at_one_percent].into_iter().flatten().filter(|level| level.total_distortion < 0.011)
            {
                let efficiency = level.watts.expect("a load") / supply;
                assert!(efficiency <= limit * SLACK, "case {case}: {efficiency} of {limit}\n{lines}");
                best[kind] = f64::max(best[kind], efficiency);
            }
        }
    }
    // The limits are approached: else nothing was tested.
    assert!(best[0] > 0.16 && best[1] > 0.33, "{best:?}");
}

fn branch_amps(bench: &Bench, source: &str) -> f64 {
    let part = bench.circuit.find_part(source).expect("the source");
    bench.bias.x[bench.circuit.layout().first_inner[part.index()].index()]
}

#[test]
fn a_capacitor_that_shapes_the_tone_leaves_the_gain_as_it_is() {
    // A low-pass at its corner passes 1/√2; a coupling at its corner as well.
    let c = 1.0 / (TAU * 1e3 * 1e4);
    for network in [format!("R1 x out 10k\nC1 out 0 {c}"), format!("C1 x out {c}\nR1 out 0 10k")] {
        let (swing, circuit) = swing_of(
            &format!(
                "VIN in 0 AC 1\nE1 y 0 in 0 1\nR9 y x 1m\nD1 x 0 D\nD2 0 x D\nRB out 0 1g\n{network}\n.model D D (IS=1e-14)"
            ),
            "out",
        );
        close(swing.static_gain.abs(), 0.5f64.sqrt(), 1e-3, &network);
        let shaping: Vec<&str> = swing.shaping.iter().map(|&part| circuit.part(part).name.as_str()).collect();
        assert_eq!(shaping, ["C1"]);
        assert!(swing.cautions.is_empty(), "{:?}", swing.cautions);
    }
}

#[test]
fn capacitors_hold_or_are_open() {
    let lines = STAGE.lines() + "\nCT c 0 10p\nCX b 0 1p\nCV v 0 100u";
    let (swing, circuit) = swing_of(&lines, "out");
    let names = |parts: &[hissmap::element::PartId]| -> Vec<String> {
        parts.iter().map(|&part| circuit.part(part).name.clone()).collect()
    };
    assert_eq!(names(&swing.holding), ["C1", "CE", "CO"]);
    // What lies across an ideal supply changes nothing.
    assert_eq!(names(&swing.open), ["CT", "CX", "CV"]);
}

#[test]
fn a_choke_holds_its_current_and_a_head_is_a_short() {
    // Choke-fed diode clipper: the choke of 1 H is 6 kΩ at 1 kHz against 100 Ω, that of 1 µH is nothing.
    let lines = |henries: &str| {
        format!("VIN in 0 AC 1\nR1 in x 100\nL1 x m {henries}\nRW m 0 1\nD1 x y D\nR2 y 0 1k\n.model D D (IS=1e-9)")
    };
    let (held, _) = swing_of(&lines("1"), "x");
    close(held.static_gain, 1.0, 1e-3, "nothing through the choke");
    let (short, _) = swing_of(&lines("1u"), "x");
    close(short.static_gain, 1.0 / 101.0, 1e-3, "all through the winding's resistance");
}

#[test]
fn a_transformer_steps_by_its_turns_and_keeps_direct_current_out() {
    // 4:1 into 10 Ω looks like 160 Ω; the diode clips the secondary. The source sees 160 in series with 40 Ω.
    let (swing, _) = swing_of(
        "VIN in 0 DC 1 AC 1\nR1 in p 40\nL1 p 0 16\nL2 s 0 1\nK1 L1 L2 0.9999\nRL s 0 10\nD1 s k D\nVK k 0 2\n.model D D (IS=1e-14 N=0.1)",
        "s",
    );
    close(swing.static_gain, 0.25 * 160.0 / 200.0, 1e-3, "gain");
    close(swing.rest_volts.abs() + 1.0, 1.0, 1e-9, "nothing at rest");
    close(swing.up.as_ref().expect("the diode").volts, 2.0 + 0.1 * VT * (0.2f64 / 1e-14).ln(), 0.03, "the diode");
    assert!(swing.down.is_none(), "{:?}", swing.down);
}

#[test]
fn feedback_straightens_a_curve_by_its_loop_gain() {
    // An exponential stage in a loop: distortion of small signals falls by 1 + T, the second harmonic by (1 + T)² of the
    // input, hence at the same output by 1 + T (Black, Bell Syst. Tech. J. 13 (1934) 1).
    let stage = |feedback: f64| {
        format!(
            "VIN in 0 AC 1\nE1 x 0 in f 1\nVB b x 0.6\nQ1 c b 0 N\nVCC v 0 100\nRC v c 1k\nE2 f 0 v c {feedback}\n\
             .model N NPN (IS=1e-14 BF=1e6)"
        )
    };
    // Bias moves with the direct feedback; the gain at that bias is I_C·R_C/Vt.
    let (with, _) = swing_of(&stage(0.05), "v,c");
    let bench = Bench::of(&stage(0.05));
    let forward = bench.volts("v,c") / VT;
    let loop_gain = 0.05 * forward;
    close(with.static_gain, forward / (1.0 + loop_gain), 1e-6, "closed loop");
    // Without feedback a₂/a₁ = I₂(x)/I₁(x) ≈ x/4 at output amplitude x·Vt·forward.
    let level = with.levels[0];
    let x = SQRT_2 * level.output_rms_volts / (VT * forward);
    close(level.harmonics[0], x / 4.0 / (1.0 + loop_gain), 0.01, "second harmonic");
}

#[test]
fn a_circuit_that_latches_says_that_its_output_jumps() {
    // Two transistors with a common emitter resistor (Schmitt): the output switches at some input.
    let (swing, _) = swing_of(
        "VCC v 0 12\nVIN b1 0 DC 3.7 AC 1\nRC1 v c1 4.7k\nQ1 c1 b1 e N\nRE e 0 470\nR1 c1 b2 22k\nR2 b2 0 22k\nRC2 v c2 1k\n\
         Q2 c2 b2 e N\n.model N NPN (IS=1e-14 BF=200)",
        "c2",
    );
    let said =
        swing.cautions.iter().any(|caution| caution.message.contains("jumps") || caution.message.contains("ends"));
    assert!(said, "{:?}", swing.cautions);
}

#[test]
fn what_cannot_swing_is_said() {
    let (linear, _) = ask("VIN in 0 AC 1\nR1 in out 1k\nR2 out 0 1k", "VIN", "out");
    assert_eq!(linear, Err(SwingError::NothingBends));
    let apart = "VIN in 0 AC 1\nR1 in 0 1k\nV2 a 0 1\nR2 a out 1k\nD1 out 0 D\n.model D D";
    let (apart, _) = ask(apart, "VIN", "out");
    assert!(matches!(apart, Err(SwingError::NoPath { .. })), "{apart:?}");
}
