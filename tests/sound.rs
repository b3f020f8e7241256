//! Sound has the computed spectrum: what is listened to, recorded again, gives the figures it was made from.

mod common;

use std::f64::consts::PI;
use std::fs;
use std::path::Path;
use std::process::Command;

use common::{Bench, K, T27};
use hissmap::bench::recording::{Analysis, Recording, RecordingQuestion};
use hissmap::noise::{self, NoiseRequest, Weighting};
use hissmap::sound::{Density, Hiss};
use hissmap::spectral::third_octaves;
use serde_json::Value;

const RATE_HZ: f64 = 48_000.0;
const BAND_HZ: [f64; 2] = [20.0, 20e3];

fn question() -> RecordingQuestion {
    RecordingQuestion { band_hz: BAND_HZ, weighting: Weighting::Flat, mains_hz: None }
}

fn record(samples: impl Iterator<Item = f64>) -> Recording {
    let mut analysis = Analysis::new(question());
    samples.collect::<Vec<_>>().chunks(10_000).for_each(|piece| analysis.push(piece, RATE_HZ));
    analysis.finish(RATE_HZ).expect("a recording")
}

/// Runs the command in a folder and returns what it says as JSON.
fn hissmap(folder: &Path, arguments: &str) -> Value {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    let ran = command.args(arguments.split(' ')).current_dir(folder).output().expect("the command runs");
    assert!(ran.status.success(), "{arguments}: {}", String::from_utf8_lossy(&ran.stderr));
    serde_json::from_slice(&ran.stdout).unwrap_or(Value::Null)
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// `listen`, then `recording` of its file: the rms within its statistical error, third octaves within 0.5 dB of the band
/// figures that `noise` gives for them. In five minutes the lowest third octave, 5.8 Hz wide, is uncertain by 0.1 dB.
#[test]
fn what_is_heard_and_recorded_is_what_was_computed() {
    let folder = tempfile::tempdir().expect("a folder");
    let netlist = format!("{}/circuits/two-stage-germanium.cir", env!("CARGO_MANIFEST_DIR"));
    let faulty = "--leak Q2=20uA,x=300,corner=2k";
    let heard = hissmap(
        folder.path(),
        &format!("listen {netlist} --at c1 {faulty} --seconds 300 --seed 5 --band 20:20k --json -o hiss.wav"),
    );
    let full_scale = number(&heard["full_scale_v"]);
    assert_eq!(number(&heard["db_full_scale_per_v"]), -20.0 * full_scale.log10());
    let recorded = hissmap(folder.path(), &format!("recording hiss.wav --full-scale {full_scale} --spectrum --json"));
    let computed = |band: &str| {
        let noise = hissmap(folder.path(), &format!("noise {netlist} --at c1 {faulty} --band {band} --json"));
        number(&noise["nodes"][0]["rms_v"])
    };
    let (rms, error) = (number(&recorded["hiss_rms_v"]), number(&recorded["statistical_error"]));
    // A quarter of a percent is the most that five minutes of so much 1/f leave open.
    assert!(error > 0.0 && error < 2.5e-3, "{error}");
    let off = rms / computed("20:20000") - 1.0;
    assert!(off.abs() < 3.0 * error, "{off} is more than three times {error}");
    assert!(recorded["hum"].is_null() && recorded["gaussian"]["is_gaussian"] == true, "{recorded:?}");
    let spectrum = &recorded["spectrum"];
    let list = |key: &str| spectrum[key].as_array().expect("a list").iter().map(number).collect::<Vec<_>>();
    let (hertz, density) = (list("hz"), list("v_per_rthz"));
    let step = hertz[1];
    let bands = third_octaves([20.0, 20e3]);
    assert_eq!(bands.len(), 29, "25 Hz to 16 kHz");
    for band in bands {
        let [low, high] = band.band_hz;
        // Cells of the spectrum, cut at the band's ends: summed here without the library.
        let cell = |at: usize| (hertz[at] + step / 2.0).min(high) - (hertz[at] - step / 2.0).max(low);
        let sum: f64 = (0..hertz.len()).map(|at| density[at].powi(2) * cell(at).max(0.0)).sum();
        let off = 20.0 * (sum.sqrt() / computed(&format!("{low}:{high}"))).log10();
        assert!(off.abs() < 0.5, "{} Hz: {off} dB", band.centre_hz);
    }
}

/// Nyquist: 4kTR behind a pole at f₀ = 1/(2πRC); its integral is 4kTR·f₀·(atan(f₂/f₀) - atan(f₁/f₀)).
#[test]
fn a_resistor_with_a_capacitor_sounds_as_the_closed_form() {
    let bench = Bench::of("R1 a 0 100k\nC1 a 0 1n\n");
    let node = bench.circuit.find_node("a").expect("the node is there");
    let output = (node, hissmap::mna::NodeId::GROUND);
    let pole = 1.0 / (2.0 * PI * 1e5 * 1e-9);
    let closed = |[low, high]: [f64; 2]| 4.0 * K * T27 * 1e5 * pole * ((high / pole).atan() - (low / pole).atan());
    let density = Density::of(&bench.circuit, &bench.signal, output, BAND_HZ).expect("the circuit is sound");
    assert!((density.power() / closed(BAND_HZ) - 1.0).abs() < 1e-4);
    let hiss = Hiss::new(&density, RATE_HZ, 3, 0);
    // What the smoothed ends of the band cost.
    assert!((hiss.rms_volts() / closed(BAND_HZ).sqrt() - 1.0).abs() < 1e-4);
    let recorded = record(hiss.take(RATE_HZ as usize * 60));
    let off = recorded.hiss_rms_volts / closed(BAND_HZ).sqrt() - 1.0;
    assert!(off.abs() < 3.0 * recorded.statistical_error, "{off}, {}", recorded.statistical_error);
    for band in third_octaves([200.0, 20e3]) {
        let mean = closed(band.band_hz) / (band.band_hz[1] - band.band_hz[0]);
        let off = 10.0 * (band.density(&recorded.spectrum) / mean).log10();
        assert!(off.abs() < 0.5, "{} Hz: {off} dB", band.centre_hz);
    }
    // Nothing below the band, and nothing above it.
    let outside = recorded.spectrum.power([2.0, 15.0], |_| 1.0) + recorded.spectrum.power([20_010.0, 24e3], |_| 1.0);
    assert!(outside < 1e-6 * closed(BAND_HZ), "{outside}");
}

/// 1/f down to the band's edge: equal power in every octave, h·ln 2.
#[test]
fn flicker_noise_has_the_same_power_in_every_octave() {
    let hertz = vec![20.0, 20e3];
    let density = Density::new(hertz.clone(), hertz.iter().map(|hertz| 1e-12 / hertz).collect()).expect("a density");
    assert!((density.power() - 1e-12 * 1e3f64.ln()).abs() < 1e-24);
    let hiss = Hiss::new(&density, RATE_HZ, 1, 0);
    // The kernel smooths over a 64th of the band's lower end: a ten-thousandth of the mean square here.
    assert!((hiss.rms_volts().powi(2) / density.power() - 1.0).abs() < 3e-4);
    let recorded = record(hiss.take(RATE_HZ as usize * 200));
    for octave in 1..9 {
        let low = 20.0 * f64::from(1 << octave);
        let off = 10.0 * (recorded.spectrum.power([low, 2.0 * low], |_| 1.0) / (1e-12 * 2f64.ln())).log10();
        // 40 Hz of band in 200 s: 1.1 %, 0.05 dB.
        assert!(off.abs() < 0.25, "from {low} Hz: {off} dB");
    }
}

#[test]
fn one_seed_gives_the_same_bytes_and_another_gives_others() {
    let folder = tempfile::tempdir().expect("a folder");
    let netlist = format!("{}/circuits/two-stage-silicon.cir", env!("CARGO_MANIFEST_DIR"));
    let bytes = |flags: &str| {
        hissmap(folder.path(), &format!("listen {netlist} {flags} -o hiss.wav --force"));
        fs::read(folder.path().join("hiss.wav")).expect("the sound is there")
    };
    let first = bytes("--seconds 1 --seed 1");
    assert_eq!(first.len(), 48_000 * 3 + 68, "24 bits of a second, and the header");
    assert!(bytes("--seconds 1 --bits 24") == first);
    assert!(bytes("--seconds 1 --seed 2") != first);
    assert_eq!(bytes("--seconds 1 --bits 16").len(), 48_000 * 2 + 44);
    // A longer sound begins as the shorter one does.
    assert!(bytes("--seconds 2")[68..][..1000] == first[68..][..1000]);
}

/// Healthy, faulty, frozen at one calibration: each part of the file has the rms that `noise` gives for it.
#[test]
fn a_sequence_holds_its_parts_at_one_calibration() {
    let folder = tempfile::tempdir().expect("a folder");
    let netlist = format!("{}/circuits/two-stage-germanium.cir", env!("CARGO_MANIFEST_DIR"));
    let heard = hissmap(
        folder.path(),
        &format!(
            "listen {netlist} --at out --sequence --leak Q2=20uA,x=300 --freeze Q2 --seconds 4 --gap 1 --json -o all.wav"
        ),
    );
    let mut reader = hound::WavReader::open(folder.path().join("all.wav")).expect("a WAV file");
    assert_eq!((reader.spec().channels, reader.spec().sample_rate, reader.spec().bits_per_sample), (1, 48_000, 24));
    let volts = number(&heard["full_scale_v"]) / f64::from(1 << 23);
    let samples: Vec<f64> = reader.samples::<i32>().map(|one| f64::from(one.expect("a sample")) * volts).collect();
    assert_eq!(samples.len(), 48_000 * 14);
    let parts = heard["parts"].as_array().expect("parts");
    let what_ifs = ["", "--leak Q2=20uA,x=300", "--leak Q2=20uA,x=300 --freeze Q2"];
    for (number_of, name) in ["healthy", "faulty", "frozen"].into_iter().enumerate() {
        assert_eq!(parts[number_of]["part"], name);
        let begin = 48_000 * 5 * number_of;
        let rms = (samples[begin..][..48_000 * 4].iter().map(|volts| volts * volts).sum::<f64>() / 192e3).sqrt();
        let flags = format!("noise {netlist} --at out --json {}", what_ifs[number_of]);
        let computed = number(&hissmap(folder.path(), flags.trim_end())["nodes"][0]["rms_v"]);
        // Four seconds of 20 kHz are uncertain by 0.2 %; of mostly 1/f by a little more.
        assert!((rms / computed - 1.0).abs() < 0.01, "{name}: {rms}, {computed}");
        if number_of > 0 {
            assert!(samples[begin - 48_000..begin].iter().all(|volts| *volts == 0.0), "a silent gap before {name}");
        }
    }
}

#[test]
fn a_density_is_a_power_of_frequency_between_its_points() {
    let density = Density::new(vec![10.0, 1000.0], vec![1e-12, 1e-16]).expect("a density");
    // f^-2 by the two ends, so a hundredth at ten times the frequency.
    assert!((density.at(100.0) / 1e-14 - 1.0).abs() < 1e-12);
    assert_eq!((density.at(9.9), density.at(1001.0)), (0.0, 0.0));
    // ∫1e-10/f² df from 10 to 1000.
    assert!((density.power() / (1e-10 * (0.1 - 0.001)) - 1.0).abs() < 1e-12);
    for (hertz, densities) in [
        (vec![1.0], vec![1.0]),
        (vec![2.0, 1.0], vec![1.0, 1.0]),
        (vec![0.0, 1.0], vec![1.0, 1.0]),
        (vec![1.0, 2.0], vec![1.0, f64::NAN]),
        (vec![1.0, 2.0], vec![-1.0, 1.0]),
        (vec![1.0, f64::INFINITY], vec![1.0, 1.0]),
        (vec![1.0, 2.0], vec![1.0]),
    ] {
        assert_eq!(Density::new(hertz, densities), None);
    }
}

/// The refinement sees a resonance that lies between the points it begins with.
#[test]
fn a_sharp_resonance_is_refined() {
    // Q = 1000: 1 Hz wide at 1007 Hz.
    let bench = Bench::of("V1 s 0 0\nR1 s x 1\nL1 x a 158.05m\nC1 a 0 158.05n\n");
    let node = bench.circuit.find_node("a").expect("the node is there");
    let output = (node, hissmap::mna::NodeId::GROUND);
    let request = NoiseRequest { outputs: vec![output], band_hz: BAND_HZ, weighting: Weighting::Flat, tolerance: 1e-6 };
    let figures = noise::noise(&bench.circuit, &bench.signal, None, &request).expect("the circuit is sound");
    let power = figures.outputs[0].rms_volts.powi(2);
    let density = Density::of(&bench.circuit, &bench.signal, output, BAND_HZ).expect("the circuit is sound");
    assert!((density.power() / power - 1.0).abs() < 1e-3, "{} of {power}", density.power());
}
