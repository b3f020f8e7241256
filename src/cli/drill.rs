//! `drill`: teach me.

mod class;
mod lines;
mod session;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use hissmap::bench::Fault;
use hissmap::bench::reading::{How, Measure, Reading};
use hissmap::bench::sheet::Sheet;
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::drill::{Action, Answer, Drill, Level, Points, seal, unseal};
use hissmap::report::{json, text};

use super::answer::{Outcome, Refusal, answer, line};
use super::circuit::{load_as_sheet, named};
use super::files::STANDARD_INPUT;
use super::flags::Format;
use super::output::Output;
use lines::Lines;
use session::{Session, best_course};

/// Teach me: a unit with a hidden fault lies on the bench, I probe, and the minutes count.
///
/// The fault and every tolerance are drawn from the seed; readings come from that unit through the instruments, with their
/// errors. What would hurt somebody or destroy something is stopped with the reason. At the end it says what was wrong, why
/// the hiss appeared where it did, and how following diagnosis would have gone on the same unit.
#[derive(Debug, Args)]
#[command(after_help = "Examples: hissmap drill circuits/lesson-pair.toml\n          \
                        hissmap drill circuits/two-stage-germanium.toml --seed 7 --level hard\n          \
                        hissmap drill circuits/lesson-pair.toml --script class.txt --score anna.json --name Anna\n          \
                        hissmap drill --merge anna.json ben.json")]
pub struct Flags {
    /// Bench sheet or netlist
    #[arg(value_name = "FILE", required_unless_present = "merge")]
    file: Option<String>,
    /// Number from which fault, tolerances and reading errors are drawn [default: that of the sheet, else by the clock]
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    /// How hard [default: that of the sheet, else fair]
    #[arg(long, value_name = "LEVEL", ignore_case = true)]
    level: Option<Difficulty>,
    /// The fault, chosen by the teacher: Q2=junction_leak,icbo=20uA
    #[arg(long, value_name = "PART=KIND[,key=value..]", conflicts_with = "level")]
    fault: Option<String>,
    /// Print the chosen fault as a sealed word for the [drill] table of a sheet, and do nothing else
    #[arg(long, requires = "fault")]
    seal: bool,
    /// Take what is done from a file, an action a line, instead of standard input
    #[arg(long, value_name = "FILE")]
    script: Option<PathBuf>,
    /// Write how it went to a new file, as JSON
    #[arg(long, value_name = "FILE")]
    score: Option<PathBuf>,
    /// Whose score it is
    #[arg(long, requires = "score")]
    name: Option<String>,
    /// Leave out the way of diagnosis at the end, which takes a second for a pair of transistors and minutes for a whole set
    #[arg(long)]
    no_best: bool,
    /// Print the points with blanks to fill in, instead of a drill
    #[arg(long, conflicts_with_all = ["script", "score"])]
    worksheet: bool,
    /// With --worksheet: write its answers to a new file
    #[arg(long, value_name = "FILE", requires = "worksheet")]
    key: Option<PathBuf>,
    /// Merge scores into the table of a class
    #[arg(long, value_name = "SCORE", num_args = 1.., conflicts_with_all = ["file", "seed", "level", "fault", "script", "score", "worksheet"])]
    merge: Vec<PathBuf>,
    /// With --merge: as JSON
    #[arg(long, requires = "merge", conflicts_with = "csv")]
    json: bool,
    /// With --merge: as comma-separated values
    #[arg(long, requires = "merge")]
    csv: bool,
    #[command(flatten)]
    output: Output,
}

/// How hard a drill is.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Difficulty {
    /// Loud, and tracing leads to the bad part
    Easy,
    /// As faults come
    Fair,
    /// Tracing leads to a good part, or the bad one is no device
    Hard,
}

impl From<Difficulty> for Level {
    fn from(level: Difficulty) -> Self {
        match level {
            Difficulty::Easy => Level::Easy,
            Difficulty::Fair => Level::Fair,
            Difficulty::Hard => Level::Hard,
        }
    }
}

/// Runs the drill; it talks while it runs.
pub fn run(flags: &Flags) -> ExitCode {
    let format = Format::of(flags.json, flags.csv);
    let outcome = try_run(flags, format).unwrap_or_else(|refusal| refusal.outcome("drill", format));
    outcome.deliver(&flags.output)
}

fn try_run(flags: &Flags, format: Format) -> Result<Outcome, Refusal> {
    let Some(file) = &flags.file else { return class::merge(&flags.merge, format) };
    let asks = flags.worksheet || flags.seal;
    if file == STANDARD_INPUT && flags.script.is_none() && !asks {
        let error = Diagnostic::error(Code::BadFlag, "standard input cannot be both the circuit and what is done");
        return Err(Refusal::unread(file, error.help("take what is done from a file: --script FILE")));
    }
    if flags.output.name().is_some() && !asks {
        let error = Diagnostic::error(Code::BadFlag, "a drill is a conversation, and --output is for its worksheet");
        return Err(Refusal::unread(file, error.help("write --score FILE for how it went")));
    }
    let loaded = load_as_sheet(file)?;
    let refuse = |error: Diagnostic| Refusal::flags(&loaded, vec![error]);
    let sheet = loaded.sheet.as_ref().expect("it was read as a sheet");
    if flags.seal {
        let word = sealed(flags, sheet).map_err(refuse)?;
        return Ok(answer(loaded, &[], |_| word));
    }
    let mut drill = drill(flags, sheet).map_err(refuse)?;
    if flags.worksheet {
        let worksheet = text::worksheet(&drill);
        if let Some(path) = &flags.key {
            if path.exists() {
                return Err(refuse(taken(path)));
            }
            let key = key(&mut drill, !flags.no_best).map_err(refuse)?;
            Output::new_file(path).write(&key, std::iter::empty()).map_err(refuse)?;
        }
        return Ok(answer(loaded, &[], |_| worksheet));
    }
    // Better told before the work than after it.
    if let Some(path) = flags.score.as_deref().filter(|path| path.exists()) {
        return Err(refuse(taken(path)));
    }
    let lines = Lines::of(flags.script.as_deref()).map_err(refuse)?;
    let mut session = Session { drill, lines };
    // Nobody listening any more is no failure; there is no score then.
    if let Ok(best) = session.run(!flags.no_best)
        && let Some(path) = &flags.score
    {
        let score = json::Score::of(&session.drill, flags.name.as_deref(), best.as_ref());
        let text = line(&json::DrillScore::new(json::Head::new("drill", Vec::new()), &score));
        Output::new_file(path).write(&text, std::iter::empty()).map_err(refuse)?;
    }
    Ok(answer(loaded, &[], |_| String::new()))
}

fn drill<'s>(flags: &Flags, sheet: &'s Sheet) -> Result<Drill<'s>, Diagnostic> {
    let lesson = sheet.lesson.clone().unwrap_or_default();
    let seed = flags.seed.or(lesson.seed).unwrap_or_else(by_the_clock);
    if let Some(fault) = chosen(flags, sheet)? {
        return Drill::chosen(sheet, seed, &fault);
    }
    match (flags.level, &lesson.sealed) {
        (None, Some(word)) => Drill::chosen(sheet, seed, &unseal(&sheet.circuit, word)?),
        (level, _) => {
            let level = level.map(Level::from).or(lesson.level).unwrap_or(Level::Fair);
            Drill::drawn(sheet, seed, level)
        }
    }
}

fn chosen(flags: &Flags, sheet: &Sheet) -> Result<Option<Fault>, Diagnostic> {
    flags.fault.as_ref().map(|text| named("fault", text, Fault::read(&sheet.circuit, text))).transpose()
}

/// The line for a sheet that seals the chosen fault, after seeing that it can be drilled.
fn sealed(flags: &Flags, sheet: &Sheet) -> Result<String, Diagnostic> {
    let Some(fault) = chosen(flags, sheet)? else { return Ok(String::new()) };
    let seed = flags.seed.unwrap_or(1);
    let drill = Drill::chosen(sheet, seed, &fault)?;
    let word = seal(&fault, seed as u8);
    let (excess, asked) = (drill.excess_db(), sheet.complaint.clone().unwrap_or_default().hiss_db);
    let short = if excess < asked {
        format!(", less than the {asked} dB of the complaint: make it worse")
    } else {
        String::new()
    };
    Ok(format!("[drill]\nseed = {seed}\nsealed = \"{word}\"   # {excess:.0} dB over the healthy model{short}\n"))
}

/// The answers to a worksheet: every blank read once on the unit.
fn key(drill: &mut Drill<'_>, best: bool) -> Result<String, Diagnostic> {
    let points = Points::of(drill.sheet(), &[]);
    let at = |measure| points.points.iter().map(move |point| Reading::test(measure, Some(&point.name)));
    let by = |how| points.devices.iter().map(move |device| Reading::change(how, device));
    let turned = points.controls.iter().map(|control| Reading::change(How::Turn, &control.name));
    let tests = at(Measure::Dc).chain(at(Measure::Hiss)).chain(by(How::Freeze)).chain(by(How::Finger)).chain(turned);
    let mut readings = Vec::new();
    let mut asked = drill.afresh();
    for test in tests {
        if let Answer::Read(reading) = asked.act(&Action::Test(test))? {
            readings.push(reading);
        }
    }
    let truth = drill.truth()?;
    let best = best.then(|| best_course(drill)).flatten();
    Ok(text::answer_key(drill, &readings, &truth, best.as_ref()))
}

fn taken(path: &Path) -> Diagnostic {
    let error = Diagnostic::error(Code::CannotWrite, format!("{} exists already", path.display()));
    error.help("name another file")
}

/// A seed for whoever gives none: any will do, and it is shown.
fn by_the_clock() -> u64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    now.map_or(1, |now| now.as_millis() as u64 % 100_000)
}
