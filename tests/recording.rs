//! Recordings: Welch's spectra, hum apart from hiss, weighting, how Gaussian it is, and every shape a scope's text has.

use std::f64::consts::{PI, SQRT_2};
use std::io::{Cursor, Write};
use std::process::{Command, Stdio};

use hissmap::bench::recording::{
    Analysis, CsvOptions, CsvReader, Measure, Misread, Recording, RecordingQuestion, WavReader, append_reading,
    reading_block, sheet_band,
};
use hissmap::noise::Weighting;
use hissmap::spectral::{Welch, third_octaves};
use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

const RATE_HZ: f64 = 48_000.0;

fn question(weighting: Weighting) -> RecordingQuestion {
    RecordingQuestion { band_hz: [20.0, 20e3], weighting, mains_hz: None }
}

fn record_weighted(samples: &[f64], weighting: Weighting) -> Recording {
    let mut analysis = Analysis::new(question(weighting));
    // Pieces of any size.
    samples.chunks(7777).for_each(|piece| analysis.push(piece, RATE_HZ));
    analysis.finish(RATE_HZ).expect("a recording")
}

fn record(samples: &[f64]) -> Recording {
    record_weighted(samples, Weighting::Flat)
}

fn white(rms: f64, seed: u64, seconds: f64) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut next = || -> f64 { StandardNormal.sample(&mut random) };
    (0..(RATE_HZ * seconds) as usize).map(|_| rms * next()).collect()
}

fn sine(volts: f64, hertz: f64, at: usize) -> f64 {
    volts * (2.0 * PI * hertz * at as f64 / RATE_HZ).sin()
}

fn read(text: &[u8], options: &CsvOptions, piece: usize) -> Result<(Vec<f64>, CsvReader), Misread> {
    let mut reader = CsvReader::new(options.clone());
    let mut volts = Vec::new();
    text.chunks(piece.max(1)).try_for_each(|piece| reader.feed(piece, &mut volts))?;
    reader.end(&mut volts)?;
    Ok((volts, reader))
}

/// Made with SciPy 1.17.1: `scipy.signal.welch(x, fs=1000, window='hann', nperseg=512, noverlap=256,
/// detrend='constant', scaling='density')` on the numbers made here, at the frequencies k·1000/512.
#[test]
fn welch_agrees_with_a_general_purpose_library() {
    let mut state: u64 = 12345;
    let samples: Vec<f64> = (0..4096)
        .map(|at| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            let uniform = (state >> 11) as f64 / 2f64.powi(53) - 0.5;
            uniform + 0.25 * (2.0 * PI * f64::from(at) * 37.0 / 512.0).sin() + 0.1
        })
        .collect();
    let check = |length: usize, rate_hz: f64, samples: &[f64], expected: &[(usize, f64)]| {
        let mut welch = Welch::new(length);
        samples.chunks(100).for_each(|piece| welch.push(piece));
        let spectrum = welch.spectrum(rate_hz);
        assert_eq!(spectrum.step_hz, rate_hz / length as f64);
        assert_eq!(spectrum.density.len(), length / 2 + 1);
        for &(k, density) in expected {
            let off = spectrum.density[k] / density - 1.0;
            assert!(off.abs() < 1e-10, "{k}: {} for {density}", spectrum.density[k]);
        }
    };
    check(
        512,
        1000.0,
        &samples,
        &[
            (0, 5.278470678474075e-05),
            (1, 0.00019691793966323759),
            (2, 0.0002637388902724705),
            (10, 0.00016658900521502367),
            (36, 0.0030354168218812497),
            (37, 0.011301619507640321),
            (38, 0.0027764289501918007),
            (39, 0.00017321488755015163),
            (100, 0.00018263704820741127),
            (200, 0.00012170574894593778),
            (255, 0.00013963305193316364),
            (256, 7.307196291305492e-05),
        ],
    );
    // fs=48000, nperseg=64 of the first thousand: the last samples fill no segment.
    let short = [
        (0, 7.814182214678071e-07),
        (1, 2.741750693312766e-06),
        (5, 3.11714406722662e-05),
        (17, 2.8946325707151452e-06),
        (32, 1.794187464075957e-06),
    ];
    check(64, 48_000.0, &samples[..1000], &short);
}

/// White noise of density 2σ²/rate through y = a·y + x has the density 2σ²/rate/(1 - 2a·cos ω + a²).
#[test]
fn filtered_white_noise_has_the_closed_form() {
    let a = 0.9;
    let mut y = 0.0;
    let samples: Vec<f64> = white(1e-3, 11, 120.0)
        .into_iter()
        .map(|x| {
            y = a * y + x;
            y
        })
        .collect();
    let recorded = record(&samples);
    assert!(recorded.hum.is_none(), "{:?}", recorded.hum);
    let density = |hertz: f64| 2e-6 / RATE_HZ / (1.0 - 2.0 * a * (2.0 * PI * hertz / RATE_HZ).cos() + a * a);
    let integral = |[low, high]: [f64; 2]| {
        let step = (high - low) / 1000.0;
        (0..1000).map(|at| density(low + (f64::from(at) + 0.5) * step) * step).sum::<f64>()
    };
    for band in third_octaves([60.0, 20e3]) {
        let off = 10.0
            * (band.density(&recorded.spectrum) * (band.band_hz[1] - band.band_hz[0]) / integral(band.band_hz)).log10();
        assert!(off.abs() < 0.5, "{} Hz: {off} dB", band.centre_hz);
    }
    let off = recorded.hiss_rms_volts / integral([20.0, 20e3]).sqrt() - 1.0;
    assert!(off.abs() < 3.0 * recorded.statistical_error, "{off}, {}", recorded.statistical_error);
    assert!(recorded.gaussianity.expect("long enough").is_gaussian);
}

/// The stated errors are the scatter: 80 recordings of white noise of 2 s. Their standard deviation is itself known to
/// 1/sqrt(2·79), 8 %; three times that is allowed. And the textbook's 1/(2·sqrt(B·T)), with overlap's 2.7 % on top.
#[test]
fn stated_errors_are_the_scatter_of_many_recordings() {
    let recordings: Vec<Recording> = (0..80).map(|seed| record(&white(1.0, 100 + seed, 2.0))).collect();
    let scatter = |values: Vec<f64>| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        (mean, (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (values.len() - 1) as f64).sqrt())
    };
    let (mean, deviation) = scatter(recordings.iter().map(|one| one.hiss_rms_volts).collect());
    let stated = recordings[0].statistical_error;
    assert!((deviation / mean / stated - 1.0).abs() < 0.25, "{} for {stated}", deviation / mean);
    // Segments of 16384 fill 1.877 s of the two, and the ends of it weigh less.
    let textbook = 0.5 / (19_980.0 * 2.0f64).sqrt();
    assert!(stated > textbook && stated < 1.2 * textbook, "{stated}, {textbook}");
    // White noise of rms 1 has 1/24000 per hertz.
    assert!((mean / (19_980.0f64 / 24_000.0).sqrt() - 1.0).abs() < 3.0 * stated / 80f64.sqrt(), "{mean}");
    let judged: Vec<_> = recordings.iter().map(|one| one.gaussianity.as_ref().expect("long enough")).collect();
    let (kurtosis, deviation) = scatter(judged.iter().map(|one| one.kurtosis).collect());
    let stated = judged[0].kurtosis_error;
    assert!((deviation / stated - 1.0).abs() < 0.25, "{deviation} for {stated}");
    assert!((kurtosis - 3.0).abs() < 3.0 * stated / 80f64.sqrt(), "{kurtosis}");
    // Of 80 crests 4 lie outside a range of 95 %; more than 11 would come about once in a thousand times.
    let outside = judged.iter().filter(|one| one.crest < one.usual_crest[0] || one.crest > one.usual_crest[1]).count();
    assert!(outside <= 11, "{outside}");
    assert!(judged.iter().all(|one| one.is_gaussian && one.bursts.is_empty()));
}

/// rms of a sine is a/√2, its peaks 2a apart.
#[test]
fn a_sine_has_its_rms_and_is_hum_where_the_mains_are() {
    for (volts, hertz) in [(1.0, 50.0), (0.2, 60.0), (3e-3, 49.93), (1.0, 1000.0), (1e-6, 100.2)] {
        let samples: Vec<f64> = (0..480_000).map(|at| sine(volts, hertz, at) + 0.5 * volts).collect();
        let recorded = record(&samples);
        let close = |value: f64, expected: f64| (value / expected - 1.0).abs() < 2e-4;
        assert!(close(recorded.rms_volts, volts / SQRT_2), "{hertz} Hz: {}", recorded.rms_volts);
        assert!(close(recorded.peak_to_peak_volts, 2.0 * volts), "{hertz} Hz: {}", recorded.peak_to_peak_volts);
        assert!((recorded.dc_volts / volts - 0.5).abs() < 1e-3, "{hertz} Hz: {}", recorded.dc_volts);
        let hum = recorded.hum.expect("a line");
        assert!(close(hum.rms_volts, volts / SQRT_2), "{hertz} Hz: {hum:?}");
        assert!((hum.lines[0].hertz / hertz - 1.0).abs() < 1e-3, "{hertz} Hz: {hum:?}");
        assert!(recorded.hiss_rms_volts < 0.02 * recorded.rms_volts, "{hertz} Hz: {}", recorded.hiss_rms_volts);
    }
}

/// Hum of four harmonics, 20 dB over the hiss together: every line by itself, and the hiss as if it were not there.
#[test]
fn hum_is_taken_out_of_hiss_line_by_line() {
    let lines = [(1, 3e-3), (2, 10e-3), (3, 1e-3), (6, 2e-3)];
    for mains_hz in [50.0, 60.0, 50.07] {
        let mut samples = white(1e-3, 4, 30.0);
        for (at, sample) in samples.iter_mut().enumerate() {
            *sample += lines.iter().map(|&(n, volts)| sine(volts, f64::from(n) * mains_hz, at)).sum::<f64>();
        }
        let recorded = record(&samples);
        let hum = recorded.hum.as_ref().expect("lines");
        assert!((hum.mains_hz / mains_hz - 1.0).abs() < 1e-4, "{hum:?}");
        assert_eq!(hum.lines.iter().map(|line| line.harmonic).collect::<Vec<_>>(), [1, 2, 3, 6]);
        for (line, (_, volts)) in hum.lines.iter().zip(lines) {
            assert!((line.rms_volts / (volts / SQRT_2) - 1.0).abs() < 0.01, "{line:?}");
        }
        let hiss = 1e-3 * (19_980.0f64 / 24_000.0).sqrt();
        let off = recorded.hiss_rms_volts / hiss - 1.0;
        assert!(off.abs() < 3.0 * recorded.statistical_error, "{off}");
        let together = (hiss * hiss + lines.iter().map(|(_, volts)| volts * volts / 2.0).sum::<f64>()).sqrt();
        assert!((recorded.rms_volts / together - 1.0).abs() < 3e-3, "{}", recorded.rms_volts);
        assert!(recorded.gaussianity.expect("long enough").is_gaussian, "hum does not make hiss less Gaussian");
    }
}

/// IEC 61672-1, table 3, rounded there to 0.1 dB; ITU-R BS.468-4, table 1. Below 60 Hz the window's width is felt.
#[test]
fn weighting_follows_the_published_tables() {
    let check = |table: &str, columns: [&str; 2], weighting: Weighting, tolerance: f64| {
        let path = format!("{}/tests/published/{table}.csv", env!("CARGO_MANIFEST_DIR"));
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path).expect("the table is there");
        let headers = reader.headers().expect("a heading").clone();
        let place = columns.map(|column| headers.iter().position(|header| header == column).expect("the column"));
        let mut checked = 0;
        for row in reader.records() {
            let row = row.expect("a row");
            let [hertz, db] = place.map(|at| row[at].parse::<f64>().unwrap_or(f64::NAN));
            if !(60.0..19_000.0).contains(&hertz) {
                continue;
            }
            let samples: Vec<f64> = (0..240_000).map(|at| sine(SQRT_2, hertz, at)).collect();
            let found = 20.0 * record_weighted(&samples, weighting).rms_volts.log10();
            assert!((found - db).abs() < tolerance, "{hertz} Hz: {found} for {db}");
            checked += 1;
        }
        assert!(checked >= 15, "{checked} rows of {table}");
    };
    check("a_weighting", ["f_exact_hz", "a_table_db"], Weighting::A, 0.06);
    check("itu468", ["f_hz", "response_db"], Weighting::Itu468, 0.08);
}

/// Pops of a millisecond, twelve times the rms, four of them: told, with their times, where the hiss is Gaussian otherwise.
#[test]
fn pops_are_told_and_counted() {
    let mut samples = white(1e-3, 8, 20.0);
    let when = [2.5, 7.0, 7.5, 16.25];
    for (number, seconds) in when.into_iter().enumerate() {
        let begin = (seconds * RATE_HZ) as usize;
        let sign = if number % 2 == 0 { 1.0 } else { -1.0 };
        samples[begin..begin + 48].iter_mut().for_each(|sample| *sample += sign * 12e-3);
    }
    let found = record(&samples).gaussianity.expect("long enough");
    assert!(!found.is_gaussian);
    assert_eq!(found.bursts.len(), 4, "{:?}", found.bursts);
    for (burst, seconds) in found.bursts.iter().zip(when) {
        assert!((burst.seconds - seconds).abs() < 2e-3, "{burst:?}");
    }
    assert!(found.bursts[0].volts > 8e-3 && found.bursts[1].volts < -8e-3);
    // A tone is not Gaussian either: its kurtosis is 3/2. This one is no harmonic of the mains.
    let tone: Vec<f64> = (0..480_000).map(|at| sine(1.0, 1234.5, at)).collect();
    let found = record(&tone).gaussianity;
    assert!(found.is_none_or(|found| !found.is_gaussian && (found.kurtosis - 1.5).abs() < 0.01));
}

#[test]
fn what_is_too_short_or_too_slow_is_said() {
    let finish = |samples: &[f64], rate_hz: f64| {
        let mut analysis = Analysis::new(question(Weighting::Flat));
        analysis.push(samples, rate_hz);
        analysis.finish(rate_hz)
    };
    for (samples, rate_hz) in [(vec![], 1e3), (vec![1.0; 15], 1e3), (vec![1.0; 1000], 0.0), (vec![1.0; 1000], f64::NAN)]
    {
        assert_eq!(finish(&samples, rate_hz).expect_err("too little").code.as_str(), "W03");
    }
    // 1 µs holds nothing up to 20 kHz; a sample a second nothing from 20 Hz.
    assert_eq!(finish(&vec![0.5; 1000], 1e9).expect_err("too short").code.as_str(), "W03");
    assert_eq!(finish(&vec![0.5; 1000], 1.0).expect_err("too slow").code.as_str(), "W03");
    let codes = |recorded: Recording| recorded.cautions.iter().map(|one| one.code.as_str()).collect::<Vec<_>>();
    assert_eq!(codes(finish(&white(1.0, 1, 0.1), RATE_HZ).expect("some of the band")), ["W04", "W04"]);
    assert_eq!(codes(finish(&white(1.0, 1, 10.0), RATE_HZ).expect("all of the band")), Vec::<&str>::new());
}

/// The same 40 samples at 1 ms as scopes and spreadsheets write them.
#[test]
fn every_shape_of_csv_gives_the_same_volts() {
    let expected: Vec<f64> = (0..40).map(|at| f64::from((at * 7) % 11) / 1000.0 - 0.005).collect();
    let rows = |head: &str, row: &dyn Fn(usize, f64) -> String| {
        let rows: String = expected.iter().enumerate().map(|(at, volts)| row(at, *volts) + "\n").collect();
        format!("{head}{rows}")
    };
    let comma = |number: f64| number.to_string().replace('.', ",");
    let time = |at: usize| at as f64 / 1000.0;
    let with = |change: &dyn Fn(&mut CsvOptions)| {
        let mut options = CsvOptions::default();
        change(&mut options);
        options
    };
    let plain = CsvOptions::default();
    let shapes: Vec<(String, CsvOptions)> = vec![
        (rows("", &|at, v| format!("{},{v}", time(at))), plain.clone()),
        (rows("time,ch1\n", &|at, v| format!("{},{v:e}", time(at))), plain.clone()),
        (rows("Time (ms),CH1 (mV)\n", &|at, v| format!("{at},{}", v * 1e3)), plain.clone()),
        (rows("x,1\nms,mV\n", &|at, v| format!("{at}, {}", v * 1e3)), plain.clone()),
        (rows("\u{feff}t;A\n(s);(mV)\n\n", &|at, v| format!("{};{}", comma(time(at)), comma(v * 1e3))), plain.clone()),
        (rows("t\tA [uV]\r\n", &|at, v| format!("{}\t{}\r", comma(time(at)), comma(v * 1e6))), plain.clone()),
        (rows("Record,2500,,\nSource,A,,\n2024\n", &|at, v| format!("{},{v},,", time(at))), plain.clone()),
        (rows("", &|at, v| format!("  {}   {v}", time(at))), plain.clone()),
        (rows("", &|at, v| format!("\"{}\",\"{}\"", comma(time(at)), comma(v))), plain.clone()),
        (rows("", &|_, v| v.to_string()), with(&|options| options.rate_hz = Some(1000.0))),
        (rows("", &|at, v| format!("{at},{v}")), with(&|options| options.rate_hz = Some(1000.0))),
        (
            rows("", &|_, v| comma(v)),
            with(&|options| {
                options.rate_hz = Some(1000.0);
                options.decimal_comma = Some(true);
            }),
        ),
        (
            rows("", &|_, v| format!("{v},1")),
            with(&|options| {
                options.rate_hz = Some(1000.0);
                options.no_time = true;
            }),
        ),
        (
            rows("t,left (mV),right (V)\n", &|at, v| format!("{},9,{v}", time(at))),
            with(&|options| options.channel = Some("Right".into())),
        ),
        (
            rows("t,left,right\n", &|at, v| format!("{},9,{v}", time(at))),
            with(&|options| options.channel = Some("2".into())),
        ),
        (
            rows("", &|at, v| format!("{at};{}", v * 1e3)),
            with(&|options| {
                options.time_scale = Some(1e-3);
                options.volts_scale = Some(1e-3);
            }),
        ),
        // Jitter of a fifth of a step.
        (rows("", &|at, v| format!("{},{v}", time(at) + 2e-4 * f64::from(at as u32 % 2))), plain.clone()),
    ];
    for (text, options) in shapes {
        for piece in [1, 7, 100_000] {
            let (volts, reader) =
                read(text.as_bytes(), &options, piece).unwrap_or_else(|error| panic!("{error:?} in\n{text}"));
            assert_eq!(volts.len(), 40, "{text}");
            let apart = volts.iter().zip(&expected).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(apart < 1e-15, "{apart} in\n{text}");
            let rate = reader.rate_hz().expect("a rate");
            assert!((rate / 1000.0 - 1.0).abs() < 6e-3, "{rate} in\n{text}");
        }
    }
    // Latin-1: µ in one byte.
    let latin =
        [b"t (\xb5s),A (\xb5V)\n".to_vec(), rows("", &|at, v| format!("{},{}", at * 1000, v * 1e6)).into_bytes()]
            .concat();
    let (volts, reader) = read(&latin, &plain, 64).expect("rows");
    assert!((volts[3] - expected[3]).abs() < 1e-15 && (reader.rate_hz().expect("a rate") - 1000.0).abs() < 1e-6);
}

#[test]
fn a_malformed_recording_names_its_line() {
    let good: Vec<String> = (0..200).map(|at| format!("{},0.5", f64::from(at) / 1000.0)).collect();
    let with = |line: usize, text: &str| {
        let mut lines = good.clone();
        lines[line - 1] = text.to_owned();
        lines.join("\n")
    };
    let without = |line: usize| [&good[..line - 1], &good[line..]].concat().join("\n");
    let check = |text: &str, code: &str, line: Option<usize>| {
        let error = read(text.as_bytes(), &CsvOptions::default(), 50).expect_err(text);
        assert_eq!((error.code.as_str(), error.line.map(|(line, _)| line)), (code, line), "{}", error.message);
        assert!(!error.message.is_empty() && !error.help.is_empty());
    };
    for line in [3, 20, 150, 200] {
        for bad in ["0.1,", "0.1,overload", "0.1,inf", "0.1,NaN", "oops", "0.1", "0.1,1e999"] {
            check(&with(line, bad), "W01", Some(line));
        }
        check(&with(line, "-7,0.5"), "W02", Some(line));
        check(&with(line, &good[line - 2]), "W02", Some(line));
    }
    for line in [2, 20, 66, 150] {
        // The line behind the gap takes the place of the one that is missing.
        check(&without(line), "W02", Some(line));
    }
    check("", "W01", None);
    check("hello\nworld\n", "W01", None);
    check("1\n2\n3\n", "W01", None);
    check(&"words\n".repeat(2000), "W01", None);
    check(&format!("0,1\n1,2\n{}", "9".repeat(100_000)), "W01", Some(3));
    let channel = CsvOptions { channel: Some("CH3".into()), ..CsvOptions::default() };
    let error = read(b"t,CH1,CH2\n0,1,2\n1,2,3\n", &channel, 9).expect_err("no such channel");
    assert!(error.help.contains("CH1") || error.help.contains("CH2"), "{}", error.help);
}

fn wav(bits: u16, format: hound::SampleFormat, channels: u16) -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let spec = hound::WavSpec { channels, sample_rate: 48_000, bits_per_sample: bits, sample_format: format };
    let mut writer = hound::WavWriter::new(&mut file, spec).expect("a header");
    for at in 0..2000 {
        for channel in 0..channels {
            let value = (f64::from(channel) + 1.0) * sine(0.25, 1000.0, at);
            match format {
                hound::SampleFormat::Float => writer.write_sample(value as f32),
                hound::SampleFormat::Int => writer.write_sample((value * 2f64.powi(i32::from(bits) - 1)) as i32),
            }
            .expect("a sample");
        }
    }
    writer.finalize().expect("a file");
    file.into_inner()
}

fn read_wav(bytes: &[u8], channel: usize) -> Result<(Vec<f64>, bool), Misread> {
    let mut reader = WavReader::new(bytes, channel)?;
    let mut fractions = Vec::new();
    loop {
        let before = fractions.len();
        reader.feed(333, &mut fractions)?;
        if fractions.len() == before {
            return Ok((fractions, reader.is_incomplete()));
        }
    }
}

#[test]
fn wav_files_of_every_kind_are_read() {
    use hound::SampleFormat::{Float, Int};
    for (bits, format) in [(8, Int), (16, Int), (24, Int), (32, Int), (32, Float)] {
        for channel in [1, 2] {
            let bytes = wav(bits, format, 2);
            let (fractions, incomplete) = read_wav(&bytes, channel).expect("a WAV file");
            assert_eq!((fractions.len(), incomplete), (2000, false));
            let largest = fractions.iter().copied().fold(0.0, f64::max);
            let rounding = 2f64.powi(1 - i32::from(bits)) + 1e-7;
            assert!((largest - 0.25 * channel as f64).abs() < rounding, "{bits} bits: {largest}");
            // A recorder that stopped early: what is there counts, and it is said.
            let (some, incomplete) = read_wav(&bytes[..bytes.len() - 1000], channel).expect("most of a WAV file");
            assert!(some.len() < 2000 && !some.is_empty() && incomplete);
        }
        assert_eq!(read_wav(&wav(bits, format, 1), 2).expect_err("one channel").code.as_str(), "W01");
    }
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..2000), piece in 1usize..300) {
        let _ = read(&bytes, &CsvOptions::default(), piece);
        let _ = read_wav(&bytes, 1);
        let header = wav(16, hound::SampleFormat::Int, 1);
        let mut mixed = header[..40.min(header.len())].to_vec();
        mixed.extend(&bytes);
        let _ = read_wav(&mixed, 1);
    }

    #[test]
    fn no_text_like_a_recording_panics(
        text in "([0-9eE+.,;\t \"\n\r-]|time|V|mV|inf|nan|µ|\u{feff}){0,400}",
        rate in proptest::option::of(1.0..1e6f64),
        no_time in any::<bool>(),
    ) {
        let options = CsvOptions { rate_hz: rate, no_time, ..CsvOptions::default() };
        let whole = read(text.as_bytes(), &options, 100_000);
        let pieces = read(text.as_bytes(), &options, 3);
        prop_assert_eq!(whole.as_ref().map(|read| &read.0), pieces.as_ref().map(|read| &read.0));
        if let Ok((volts, reader)) = whole {
            prop_assert!(volts.iter().all(|volts| volts.is_finite()));
            let mut analysis = Analysis::new(question(Weighting::A));
            analysis.push(&volts, reader.rate_hz().unwrap_or_default());
            let _ = analysis.finish(reader.rate_hz().unwrap_or_default());
        }
    }

    #[test]
    fn a_spoilt_wav_header_never_panics(at in 0usize..60, byte in any::<u8>(), bits in prop::sample::select(vec![8u16, 16, 24, 32])) {
        let mut bytes = wav(bits, hound::SampleFormat::Int, 2);
        bytes[at] = byte;
        if let Ok((fractions, _)) = read_wav(&bytes, 2) {
            prop_assert!(fractions.iter().all(|fraction| fraction.is_finite()));
        }
    }

    #[test]
    fn any_volts_at_any_rate_give_figures_or_a_refusal(
        volts in proptest::collection::vec(prop_oneof![Just(0.0), -1e300..1e300f64, -1.0..1.0f64], 0..600),
        rate in prop_oneof![1e-3..1e9f64, Just(1e4)],
    ) {
        let mut analysis = Analysis::new(question(Weighting::Flat));
        analysis.push(&volts, rate);
        let _ = analysis.finish(rate);
    }
}

/// A sheet keeps what stands in it, and the reading reads back.
#[test]
fn a_reading_goes_into_a_sheet_that_is_kept() {
    let recorded = record(&white(1e-3, 2, 2.0));
    let sheet = "# my job\ncircuit = \"amp.cir\"   # as drawn\nband = [30, 15000.0]\n\n[[reading]] # first\nmeasure = 'dc'\nat = \"TP1\"\nvalue = \"1 V\"\n\n[bench]\nfreeze_c = -25\n";
    let appended = append_reading(sheet, Measure::Hiss, &recorded, "TP \"4\"", "take\n1.wav").expect("a sheet");
    for line in sheet.lines() {
        assert!(appended.contains(line), "{line} in\n{appended}");
    }
    let document: toml_edit::DocumentMut = appended.parse().expect("a sheet");
    let readings = document["reading"].as_array_of_tables().expect("readings");
    assert_eq!(readings.len(), 2);
    let new = readings.get(1).expect("the new one");
    assert_eq!((new["measure"].as_str(), new["at"].as_str()), (Some("hiss"), Some("TP \"4\"")));
    let value = new["value"].as_str().expect("a text").strip_suffix(" µV").expect("microvolts");
    let volts = value.parse::<f64>().expect("a number") * 1e-6;
    assert!((volts / recorded.flat_hiss_rms_volts - 1.0).abs() < 1e-3);
    assert_eq!(sheet_band(&appended), Ok(Some([30.0, 15e3])));
    assert_eq!(sheet_band("band = [5, 1]"), Ok(None));
    // The block by itself is the same reading.
    let block: toml_edit::DocumentMut =
        reading_block(Measure::Hiss, &recorded, "TP \"4\"", "take\n1.wav").parse().expect("a block");
    let alone = block["reading"].as_array_of_tables().expect("a reading").get(0).expect("one");
    for key in ["measure", "at", "value"] {
        assert_eq!(alone[key].as_str(), new[key].as_str());
    }
    let error = append_reading("circuit = amp", Measure::Hiss, &recorded, "TP4", "a").expect_err("no TOML");
    assert!(error.span.is_some());
    append_reading("reading = 3", Measure::Hiss, &recorded, "TP4", "a").expect_err("no tables");
}

/// A text through a pipe: what is kept does not grow with it. Linux tells the most memory that a process had.
#[cfg(target_os = "linux")]
#[test]
fn a_long_recording_takes_no_more_memory_than_a_shorter_one() {
    let most_kilobytes = |megabytes: usize| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
        command.args(["recording", "-", "--rate", "48k", "--no-time"]);
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        let mut input = child.stdin.take().expect("it is piped");
        let piece: String = white(1.0, 1, 2.0).iter().map(|volts| format!("{volts:.6}\n")).collect();
        let mut written = 0;
        while written < megabytes << 20 {
            input.write_all(piece.as_bytes()).expect("it reads");
            written += piece.len();
        }
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).expect("it runs");
        let line = status.lines().find(|line| line.starts_with("VmHWM")).expect("a line of it");
        let kilobytes: usize = line.split_whitespace().nth(1).expect("a figure").parse().expect("a number");
        drop(input);
        let output = child.wait_with_output().expect("it ends");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        kilobytes
    };
    // A million samples, some 9 MB of text, are kept at first.
    let (shorter, longer) = (most_kilobytes(15), most_kilobytes(40));
    assert!(longer < shorter + 2048, "{shorter} kB of 15 MB, {longer} kB of 40 MB");
    assert!(longer < 100 << 10, "{longer} kB");
}

/// The command: what it needs and is not given, and a reading appended to a sheet in the sheet's own band.
#[test]
fn the_command_appends_in_the_sheets_band_and_says_what_it_needs() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name);
    let rows: String = white(1e-3, 6, 2.0).iter().map(|volts| format!("{volts}\n")).collect();
    std::fs::write(path("take.csv"), rows).expect("a recording");
    std::fs::write(path("take.wav"), wav(16, hound::SampleFormat::Int, 1)).expect("a recording");
    std::fs::write(path("amp.cir"), "amplifier\nR1 out 0 1k\nV1 in 0 1\nR2 in out 1k\n").expect("a netlist");
    let sheet = "circuit = \"amp.cir\" # mine\nband = [100, 5000]\n\n[point.TP4]\nnode = \"out\"\n";
    std::fs::write(path("job.toml"), sheet).expect("a sheet");
    let run = |arguments: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
        let ran = command.args(arguments.split(' ')).current_dir(folder.path()).output().expect("the command runs");
        let text = |bytes| String::from_utf8(bytes).expect("text");
        (ran.status.code(), text(ran.stdout), text(ran.stderr))
    };
    let check = |arguments: &str, words: &str| {
        let (code, _, error) = run(arguments);
        assert!(code == Some(2) && error.contains(words), "{arguments}: {error}");
    };
    check("recording take.wav", "--full-scale");
    check("recording take.csv", "--rate 48k");
    check("recording nothing.csv", "there is no such file");
    check("recording take.csv --rate 48k --at TP4 --append nothing.toml", "there is no such file");
    check("recording take.csv --rate 48k --probe 0", "--probe");
    // A slip in the name of a point is found before the reading stands in the sheet.
    check("recording take.csv --rate 48k --at TP5 --append job.toml", "TP4");
    assert_eq!(std::fs::read_to_string(path("job.toml")).expect("the sheet is there"), sheet);
    check("recording take.csv --rate 48k --at out --append amp.cir", "no bench sheet");
    let (code, block, error) = run("recording take.csv --rate 48k --at TP4 --append job.toml");
    assert_eq!((code, error.as_str()), (Some(0), ""));
    let appended = std::fs::read_to_string(path("job.toml")).expect("the sheet is there");
    assert!(appended.starts_with(sheet) && appended.contains(block.trim_end()), "{appended}");
    // White noise of 1 mV over 24 kHz: 4.9 kHz of it have 452 µV.
    let value = block.lines().last().and_then(|line| line.split('"').nth(1)).and_then(|value| value.split(' ').next());
    let microvolts: f64 = value.expect("a value").parse().expect("a number");
    assert!((microvolts / (1e3 * (4900.0f64 / 24_000.0).sqrt()) - 1.0).abs() < 0.02, "{block}");
    // Ten times by the probe, ten times by nothing else.
    let (_, probed, _) = run("recording take.csv --rate 48k --band 100:5000 --probe 10 --at TP4");
    assert!(probed.contains(" mV\""), "{probed}");
}
