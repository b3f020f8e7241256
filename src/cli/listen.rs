//! `listen`: let me hear it.

use std::io::{BufWriter, Write};

use clap::{Args, ValueEnum};
use hissmap::bench::{Action, Point, WhatIf, read_hertz, read_level};
use hissmap::circuit::Circuit;
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::report::{ListenPart, ListenQuestion, ListenResult, json, listen, text};
use hissmap::sound::{Bits, MOST_BYTES, write_wav};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{Loaded, load, named};
use super::flags::{Format, WhatIfs};
use super::output::Output;

/// Sampling rates that a WAV player takes, Hz.
const RATES_HZ: [f64; 2] = [1e3, 768e3];

/// Let me hear it: the hiss at a point as a WAV file.
///
/// Gaussian noise with the computed spectrum over the band; the same seed gives the same file. With --sequence the circuit as
/// written, then with the what-ifs, then with the part frozen or heated, all at one calibration. --output names the WAV file;
/// what is printed says what full scale of it stands for.
#[derive(Debug, Args)]
#[command(mut_arg("output", |arg| arg.help("The WAV file to write; what is heard when is printed")))]
#[command(after_help = "Examples:\n  hissmap listen circuits/two-stage-germanium.cir --at out -o hiss.wav\n  \
                        hissmap listen circuits/two-stage-germanium.cir --at out --sequence --leak Q2=20uA,x=300 \
                        --freeze Q2 -o fault.wav")]
pub struct Flags {
    /// Netlist, or - for standard input
    #[arg(value_name = "FILE")]
    file: String,
    /// A node, or two for the difference (A,B) [default: the output of .noise]
    #[arg(long, value_name = "NODE")]
    at: Option<String>,
    /// Band of the hiss in Hz [default: that of .noise, else 20:20k]
    #[arg(long, value_name = "LOW:HIGH")]
    band: Option<String>,
    /// Healthy, then with the what-ifs, then frozen (cooled, heated): one after the other
    #[arg(long)]
    sequence: bool,
    /// Duration in seconds, of each part
    #[arg(long, value_name = "SECONDS", default_value_t = 10.0)]
    seconds: f64,
    /// Silence between parts in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 0.5)]
    gap: f64,
    /// Samples per second
    #[arg(long, value_name = "HZ", default_value = "48k")]
    rate: String,
    /// Bits of a sample
    #[arg(long, value_enum, default_value = "24")]
    bits: BitsFlag,
    /// Volts at full scale [default: the next of 1, 2, 5, 10 … above seven times the loudest rms]
    #[arg(long, value_name = "VOLTS")]
    full_scale: Option<String>,
    /// What the noise is drawn from
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Write what is heard when as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    output: Output,
    #[command(flatten)]
    what_ifs: WhatIfs,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum BitsFlag {
    #[value(name = "16")]
    Sixteen,
    #[value(name = "24")]
    TwentyFour,
}

pub fn run(flags: &Flags) -> Outcome {
    let format = if flags.json { Format::Json } else { Format::Text };
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("listen", format))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let loaded = load(&flags.file, &flags.what_ifs)?;
    let Some(file) = flags.output.name() else {
        return Err(Refusal::missing(&loaded, "a sound needs a file", "name one: -o hiss.wav"));
    };
    let question = question(flags, &loaded)?;
    let bits = match flags.bits {
        BitsFlag::Sixteen => Bits::Sixteen,
        BitsFlag::TwentyFour => Bits::TwentyFour,
    };
    let circuits = circuits(flags, &loaded).map_err(|errors| Refusal::flags(&loaded, errors))?;
    let parts: Vec<_> = circuits
        .iter()
        .map(|(name, circuit, changes)| ListenPart { name, circuit, changes: changes.clone() })
        .collect();
    let mut result =
        listen(&parts, &question).map_err(|error| Refusal::unsolved(&loaded, &error).blaming_changes(&loaded))?;
    require_hearable(&result, bits).map_err(|error| Refusal::flags(&loaded, vec![error]))?;
    let inputs = loaded.sources().iter().map(|source| source.name.as_str());
    let written = flags.output.write_bytes(inputs, |file| {
        let mut file = BufWriter::new(file);
        let beyond = write_wav(&mut file, result.samples(), result.rate_hz, bits, result.full_scale_volts)?;
        file.flush().map(|()| beyond)
    });
    let clipped = written.unwrap_or(Ok(0)).map_err(|error| Refusal::flags(&loaded, vec![error]))?;
    if clipped > 0 {
        let message = format!("{clipped} of {} samples are cut off at full scale", result.length());
        let help = "leave --full-scale out, or give more volts";
        result.cautions.push(Diagnostic::warning(Code::Clipped, message).help(help));
    }
    let touched = loaded.what_ifs.iter().any(WhatIf::is_touch);
    Ok(answer(loaded, &result.cautions, |warnings| match flags.json {
        true => {
            let head = json::Head::new("listen", warnings);
            line(&json::Listen::new(head, &result, &file, bits.count(), clipped))
        }
        false if touched => format!("{}\n{}", text::listen(&result, &file, bits.count()), text::CAUTIONS),
        false => text::listen(&result, &file, bits.count()),
    }))
}

fn question(flags: &Flags, loaded: &Loaded) -> Result<ListenQuestion, Refusal> {
    let refuse = |error| Refusal::flags(loaded, vec![error]);
    let bad = |message: String, help: &str| refuse(Diagnostic::error(Code::BadFlag, message).help(help));
    let circuit = &loaded.changed;
    let point = match (&flags.at, &circuit.noise) {
        (Some(text), _) => named("at", text, Point::read(circuit, text)).map_err(refuse)?,
        (None, Some(noise)) => Point::between(circuit, noise.output.0, noise.output.1),
        (None, None) => return Err(Refusal::missing(loaded, "where shall I listen?", "name a node: --at out")),
    };
    let rate = named("rate", &flags.rate, read_hertz(&flags.rate)).map_err(refuse)?;
    if !(RATES_HZ[0]..=RATES_HZ[1]).contains(&rate) || rate.fract() != 0.0 {
        let message = format!("--rate {}: a rate is a whole number from 1 kHz to 768 kHz", flags.rate);
        return Err(bad(message, "write --rate 48k"));
    }
    let band_hz = loaded.band_hz(flags.band.as_ref()).map_err(refuse)?;
    if band_hz[0] >= rate / 2.0 {
        let message = format!("--rate {}: the band begins above half of it", flags.rate);
        return Err(bad(message, "sample faster, or name a lower band: --rate 96k"));
    }
    for (flag, seconds, least) in [("seconds", flags.seconds, 1.0 / rate), ("gap", flags.gap, 0.0)] {
        if !(seconds >= least && seconds.is_finite()) {
            return Err(bad(format!("--{flag} {seconds}: this is no duration"), "write seconds: 10"));
        }
    }
    let read_volts = |text: &String| named("full-scale", text, read_level(text));
    Ok(ListenQuestion {
        point,
        input: loaded.input(),
        band_hz,
        rate_hz: rate as u32,
        seconds: flags.seconds,
        gap_seconds: flags.gap,
        full_scale_volts: flags.full_scale.as_ref().map(read_volts).transpose().map_err(refuse)?,
        seed: flags.seed,
    })
}

/// What is heard in order: name, circuit, what-ifs.
type Heard = (&'static str, Circuit, Vec<String>);

fn circuits(flags: &Flags, loaded: &Loaded) -> Result<Vec<Heard>, Vec<Diagnostic>> {
    let with = |name, holds: &dyn Fn(&WhatIf) -> bool| {
        let held = || loaded.what_ifs.iter().filter(|one| holds(one));
        let changes: Vec<_> = held().flat_map(|one| one.changes.clone()).collect();
        let lines = held().map(|one| one.text.clone()).collect();
        loaded.written.changed(&changes).map(|circuit| (name, circuit, lines))
    };
    if !flags.sequence {
        let name = if loaded.what_ifs.is_empty() { "as written" } else { "what if" };
        return Ok(vec![(name, loaded.changed.clone(), loaded.changes())]);
    }
    // Controls and the room stand as they are asked for throughout.
    let setting = |one: &WhatIf| matches!(one.action, Action::Set | Action::Ambient);
    let touches: Vec<&WhatIf> = loaded.what_ifs.iter().filter(|one| one.is_touch()).collect();
    let faulty = loaded.what_ifs.iter().any(|one| !setting(one) && !one.is_touch());
    if touches.is_empty() && !faulty {
        let error = Diagnostic::error(Code::MissingInput, "a sequence of what?");
        return Err(vec![error.help("say what if: --leak Q1=20uA,x=300, and --freeze Q1")]);
    }
    let all = |action| touches.iter().all(|one| one.action == action);
    let touched = match () {
        () if all(Action::Freeze) => "frozen",
        () if all(Action::Heat) => "heated",
        () => "touched",
    };
    let mut heard = vec![with("healthy", &setting)?];
    if faulty {
        heard.push(with("faulty", &|one| !one.is_touch())?);
    }
    if !touches.is_empty() {
        heard.push(with(touched, &|_| true)?);
    }
    Ok(heard)
}

fn require_hearable(result: &ListenResult, bits: Bits) -> Result<(), Diagnostic> {
    if result.is_silent() {
        let message = format!("there is no hiss at {}: a source or ground holds it", result.at);
        return Err(Diagnostic::error(Code::Silent, message).help("name a point behind a resistor: --at out"));
    }
    let bytes = u64::from(bits.count() / 8);
    if result.length().saturating_mul(bytes) > MOST_BYTES {
        let most = MOST_BYTES / bytes / u64::from(result.rate_hz);
        let message = format!("a WAV file holds {most} seconds at most");
        return Err(Diagnostic::error(Code::BadFlag, message).help("make it shorter: --seconds 60"));
    }
    Ok(())
}
