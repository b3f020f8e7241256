//! `drill`: teach me.

mod lines;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use hissmap::bench::Fault;
use hissmap::bench::sheet::Sheet;
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::drill::{Action, Drill, Level, unseal};
use hissmap::report::text;

use super::answer::{Outcome, Refusal, answer};
use super::circuit::{load_as_sheet, named};
use super::diagnose::Progress;
use super::files::STANDARD_INPUT;
use super::flags::Format;
use super::output::Output;
use lines::Lines;

/// Teach me: a unit with a hidden fault lies on the bench, I probe, and the minutes count.
///
/// The fault and every tolerance are drawn from the seed; readings come from that unit through the instruments, with their
/// errors. What would hurt somebody or destroy something is stopped with the reason. At the end it says what was wrong, why
/// the hiss appeared where it did, and how following diagnosis would have gone on the same unit.
#[derive(Debug, Args)]
#[command(after_help = "Examples: hissmap drill circuits/two-stage-germanium.toml --seed 7 --level hard\n          \
                        hissmap drill circuits/two-stage-germanium.toml --seed 7 --script class.txt --score anna.json")]
pub struct Flags {
    /// Bench sheet or netlist
    #[arg(value_name = "FILE")]
    file: String,
    /// Number from which fault, tolerances and reading errors are drawn [default: that of the sheet, else by the clock]
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    /// How hard [default: that of the sheet, else fair]
    #[arg(long, value_name = "LEVEL", ignore_case = true)]
    level: Option<Difficulty>,
    /// The fault, chosen by the teacher: Q2=junction_leak,icbo=20uA
    #[arg(long, value_name = "PART=KIND[,key=value..]", conflicts_with = "level")]
    fault: Option<String>,
    /// Take what is done from a file, a line each, instead of standard input
    #[arg(long, value_name = "FILE")]
    script: Option<PathBuf>,
    /// Leave out the way of diagnosis at the end, which takes a second for a pair of transistors and minutes for a whole set
    #[arg(long)]
    no_best: bool,
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
    let outcome = try_run(flags).unwrap_or_else(|refusal| refusal.outcome("drill", Format::Text));
    outcome.deliver(&Output::default())
}

fn try_run(flags: &Flags) -> Result<Outcome, Refusal> {
    if flags.file == STANDARD_INPUT && flags.script.is_none() {
        let error = Diagnostic::error(Code::BadFlag, "standard input cannot be both the circuit and what is done");
        return Err(Refusal::unread(&flags.file, error.help("take what is done from a file: --script FILE")));
    }
    let loaded = load_as_sheet(&flags.file)?;
    let refuse = |error: Diagnostic| Refusal::flags(&loaded, vec![error]);
    let sheet = loaded.sheet.as_ref().expect("it was read as a sheet");
    let drill = drill(flags, sheet).map_err(refuse)?;
    let lines = Lines::of(flags.script.as_deref()).map_err(refuse)?;
    // Nobody listens any more: no failure.
    let _ = Session { drill, lines }.run(flags);
    Ok(answer(loaded, &[], |_| String::new()))
}

fn drill<'s>(flags: &Flags, sheet: &'s Sheet) -> Result<Drill<'s>, Diagnostic> {
    let lesson = sheet.lesson.clone().unwrap_or_default();
    let seed = flags.seed.or(lesson.seed).unwrap_or_else(by_the_clock);
    if let Some(text) = &flags.fault {
        let fault = named("fault", text, Fault::read(&sheet.circuit, text))?;
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

/// A seed for whoever gives none: any will do, and it is shown.
fn by_the_clock() -> u64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    now.map_or(1, |now| now.as_millis() as u64 % 100_000)
}

/// A drill and whoever does it.
struct Session<'s> {
    drill: Drill<'s>,
    lines: Lines,
}

impl Session<'_> {
    fn run(mut self, flags: &Flags) -> std::io::Result<()> {
        let goal = self.drill.sheet().lesson.as_ref().and_then(|lesson| lesson.goal.clone());
        say(&text::drill_start(&self.drill, goal.as_deref()))?;
        while !self.drill.is_over() {
            let Some(line) = self.lines.next() else {
                // Whoever stops here has not found it.
                let _ = self.drill.act(&Action::GiveUp);
                break;
            };
            // `#` begins a remark in a script.
            let line = line.split('#').next().unwrap_or_default().trim().to_owned();
            if line.is_empty() {
                continue;
            }
            if !self.lines.is_person() {
                say(&format!("\n> {}\n", text::printable(&line)))?;
            }
            say(&self.answer(&line))?;
        }
        self.end(flags)
    }

    fn answer(&mut self, line: &str) -> String {
        let answered = Action::read(line).and_then(|action| {
            if action == Action::Hint {
                self.prepare();
            }
            self.drill.act(&action)
        });
        match answered {
            Ok(answer) => text::drill_answer(&self.drill, &answer),
            Err(error) => {
                let help = error.help.map(|help| format!("; {help}")).unwrap_or_default();
                text::printable(&format!("{}{help}", error.message)) + "\n"
            }
        }
    }

    fn end(&mut self, flags: &Flags) -> std::io::Result<()> {
        match self.drill.truth() {
            Ok(truth) => say(&format!("\n{}\n", text::drill_truth(&truth)))?,
            Err(error) => say(&format!("\n{}\n", text::printable(&error.message)))?,
        }
        let best = match flags.no_best {
            true => None,
            false => {
                self.prepare();
                self.drill.best_course().ok()
            }
        };
        say(&text::drill_courses(self.drill.course(), best.as_ref()))
    }

    /// Prepares diagnosis where that has not been done, telling a person how far it is; what hinders it is told by whoever
    /// asks diagnosis next.
    fn prepare(&mut self) {
        if !self.drill.is_prepared() {
            let progress = Progress::new();
            let _ = self.drill.prepare(&|done, all| progress.tell(done, all));
        }
    }
}

fn say(text: &str) -> std::io::Result<()> {
    let mut output = std::io::stdout().lock();
    output.write_all(text.as_bytes())?;
    output.flush()
}
