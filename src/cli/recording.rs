//! `recording`: a scope's CSV or a sound card's WAV to readings.

mod flags;

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use hissmap::bench::DEFAULT_BAND_HZ;
use hissmap::bench::recording::{
    Analysis, CsvReader, Measure, Misread, Recording, WavReader, append_reading, reading_block, sheet_band,
};
use hissmap::diagnostic::{Code, Diagnostic, Severity, Sources};
use hissmap::report::{Message, RecordingResult, csv, json, text};

use super::answer::{Outcome, Refusal, line};
use super::circuit::named;
use super::files::{self, Input, STANDARD_INPUT};
use super::flags::Format;
use super::output;

pub use flags::{Asked, Flags, Source};

/// Bytes, and samples of a WAV file, that are read at a time.
const PIECE: usize = 64 << 10;

pub fn run(flags: &Flags) -> Outcome {
    try_run(flags).unwrap_or_else(|refusal| refusal.outcome("recording", flags.format()))
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    let refuse = |errors: Vec<Diagnostic>| {
        let mut sources = Sources::default();
        sources.add(flags.file.as_str(), "");
        Refusal::of(errors, sources)
    };
    let sheet = flags.append.as_deref().map(|path| read_sheet(path, flags.at.as_deref())).transpose()?;
    let band = sheet.as_ref().and_then(|(_, band)| *band).unwrap_or(DEFAULT_BAND_HZ);
    let asked = flags.asked(band).map_err(refuse)?;
    let (channel, figures) = read(&flags.file, &asked)?;
    let measures = flags.measures();
    let mut messages = figures.cautions.clone();
    let result = RecordingResult { name: flags.file.clone(), channel, figures };
    let mut readings = String::new();
    if let Some(at) = &flags.at {
        let blocks = measures.iter().map(|&one| reading_block(one, &result.figures, at, &result.name));
        readings = blocks.collect::<Vec<_>>().join("\n");
        if let (Some(path), Some((sheet, _))) = (&flags.append, sheet) {
            append(path, sheet, &measures, &result, at).map_err(|error| refuse(vec![error]))?;
        }
        if measures.contains(&Measure::Hum) && result.figures.hum.is_none() {
            let message = "no lines of the mains stand out: the reading of hum is zero";
            messages.push(Diagnostic::warning(Code::BandCut, message).help("leave hum out of --measure"));
        }
    }
    let mut sources = Sources::default();
    sources.add(flags.file.as_str(), "");
    let warnings = Message::all(&messages, Severity::Warning, &sources);
    let drawn = match flags.format() {
        Format::Json => line(&json::Recorded::new(json::Head::new("recording", warnings), &result, flags.spectrum)),
        Format::Csv => csv::recording(&result),
        // The blocks alone, so that they can go into a sheet as they are.
        Format::Text if flags.at.is_some() => readings,
        Format::Text => text::recording(&result, flags.spectrum),
    };
    Ok(Outcome { result: drawn, messages, sources, code: 0 })
}

/// A sheet's text and band; refused where it has no such point, for nobody finds that slip once the reading stands there.
fn read_sheet(path: &str, at: Option<&str>) -> Result<(String, Option<[f64; 2]>), Refusal> {
    let unread = |reason: String| {
        let error = Diagnostic::error(Code::CannotRead, format!("this sheet cannot be read: {reason}"));
        Refusal::unread(path, error.help("name a bench sheet that exists: --append job.toml"))
    };
    let text = files::read_text(path).map_err(unread)?;
    let mut own = Sources::default();
    own.add(path, text.as_str());
    let band = sheet_band(&text).map_err(|error| Refusal::of(vec![error], own.clone()))?;
    match files::read(path).map_err(|error| Refusal::unread(path, error))? {
        Input::Sheet(sheet) => match (*sheet, at) {
            (Err(unread), _) => return Err(Refusal::of(unread.messages, unread.sources)),
            (Ok((sheet, _)), Some(at)) => {
                named("at", at, sheet.find_point(at)).map_err(|error| Refusal::of(vec![error], own))?;
            }
            (Ok(_), None) => {}
        },
        Input::Netlist(..) => return Err(unread("it is no bench sheet".to_owned())),
    }
    Ok((text, band))
}

fn append(
    path: &str,
    sheet: String,
    measures: &[Measure],
    result: &RecordingResult,
    at: &str,
) -> Result<(), Diagnostic> {
    let append = |sheet: String, &measure| append_reading(&sheet, measure, &result.figures, at, &result.name);
    let sheet = measures.iter().try_fold(sheet, append)?;
    output::replace(Path::new(path), &sheet)
}

/// The channel's name, where there are several, and the figures.
pub fn read(path: &str, asked: &Asked) -> Result<(Option<String>, Recording), Refusal> {
    let misread = |misread: Misread| {
        let mut sources = Sources::default();
        let error = misread.diagnostic(path, &mut sources);
        Refusal::of(vec![error], sources)
    };
    let unread = |error: &io::Error| {
        let reason = files::reason(error);
        let error = Diagnostic::error(Code::CannotRead, format!("this file cannot be read: {reason}"));
        Refusal::unread(path, error.help("name a CSV or WAV file, or - for standard input"))
    };
    let mut file: Box<dyn Read> = match path {
        STANDARD_INPUT => Box::new(io::stdin().lock()),
        path => Box::new(File::open(path).map_err(|error| unread(&error))?),
    };
    let mut head = Vec::new();
    file.by_ref().take(4).read_to_end(&mut head).map_err(|error| unread(&error))?;
    let is_wav = head == b"RIFF";
    let all = io::Cursor::new(head).chain(file);
    if is_wav {
        let Some(full_scale_volts) = asked.full_scale_volts else {
            let message = "how many volts are full scale of this WAV file?";
            let help = "record a sine of known volts, and give what 1.0 stands for: --full-scale 1.2";
            return Err(Refusal::unread(path, Diagnostic::error(Code::MissingInput, message).help(help)));
        };
        return read_wav(all, asked, full_scale_volts).map_err(misread);
    }
    read_csv(all, asked).map_err(|problem| match problem {
        Problem::Misread(problem) => misread(problem),
        Problem::Unread(error) => unread(&error),
    })
}

enum Problem {
    Misread(Misread),
    Unread(io::Error),
}

impl From<Misread> for Problem {
    fn from(misread: Misread) -> Self {
        Problem::Misread(misread)
    }
}

fn read_csv(mut file: impl Read, asked: &Asked) -> Result<(Option<String>, Recording), Problem> {
    let mut reader = CsvReader::new(asked.csv.clone());
    let mut analysis = Analysis::new(asked.question.clone());
    let (mut bytes, mut volts) = (vec![0; PIECE], Vec::new());
    loop {
        let count = match file.read(&mut bytes) {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            count => count.map_err(Problem::Unread)?,
        };
        match count {
            0 => reader.end(&mut volts)?,
            count => reader.feed(&bytes[..count], &mut volts)?,
        }
        volts.iter_mut().for_each(|volts| *volts *= asked.probe);
        analysis.push(&volts, reader.rate_hz().unwrap_or_default());
        volts.clear();
        if count == 0 {
            break;
        }
    }
    let several = reader.channels().len() > 1;
    let channel = reader.channel().filter(|_| several).map(str::to_owned);
    Ok((channel, analysis.finish(reader.rate_hz().unwrap_or_default())?))
}

fn read_wav(file: impl Read, asked: &Asked, full_scale_volts: f64) -> Result<(Option<String>, Recording), Misread> {
    let channel = asked.wav_channel;
    let mut reader = WavReader::new(io::BufReader::new(file), channel)?;
    let mut analysis = Analysis::new(asked.question.clone());
    let mut volts = Vec::new();
    loop {
        reader.feed(PIECE, &mut volts)?;
        if volts.is_empty() {
            break;
        }
        volts.iter_mut().for_each(|volts| *volts *= full_scale_volts * asked.probe);
        analysis.push(&volts, reader.rate_hz());
        volts.clear();
    }
    let mut recording = analysis.finish(reader.rate_hz())?;
    if reader.cut_off() > 0 {
        let message = format!(
            "{} of {} samples stand at full scale: louder ones are cut off",
            reader.cut_off(),
            recording.samples
        );
        let help = "turn the input down and record again";
        recording.cautions.push(Diagnostic::warning(Code::Clipped, message).help(help));
    }
    if reader.is_incomplete() {
        let message = "the file ends before its header says; what is there was used";
        recording.cautions.push(Diagnostic::warning(Code::BadRecording, message).help("record it again to be sure"));
    }
    Ok(((reader.channels() > 1).then(|| channel.to_string()), recording))
}
