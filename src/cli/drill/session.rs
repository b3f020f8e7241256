//! A drill while it runs: a line in, an answer out.

use std::io::Write;

use hissmap::drill::{Action, Course, Drill};
use hissmap::report::text;

use super::super::progress::Bar;
use super::lines::Lines;

/// A drill and whoever does it.
pub struct Session<'s> {
    pub drill: Drill<'s>,
    pub lines: Lines,
}

impl Session<'_> {
    /// Runs it to its end; the way of diagnosis at the end where `best` asks for it.
    ///
    /// # Errors
    /// Nobody reads any more.
    pub fn run(&mut self, best: bool) -> std::io::Result<Option<Course>> {
        say(&text::drill_start(&self.drill))?;
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
        match self.drill.truth() {
            Ok(truth) => say(&format!("\n{}\n", text::drill_truth(&truth)))?,
            Err(error) => say(&format!("\n{}\n", text::printable(&error.message)))?,
        }
        let best = best.then(|| best_course(&mut self.drill)).flatten();
        say(&text::drill_courses(self.drill.course(), best.as_ref()))?;
        Ok(best)
    }

    fn answer(&mut self, line: &str) -> String {
        let answered = Action::read(line).and_then(|action| {
            if action == Action::Hint {
                prepare(&mut self.drill);
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
}

/// The way of diagnosis; `None` where none can be prepared.
pub fn best_course(drill: &mut Drill<'_>) -> Option<Course> {
    prepare(drill);
    drill.best_course().ok()
}

/// Prepares diagnosis where that has not been done, telling a person how far it is; what hinders it is told by whoever asks
/// diagnosis next.
fn prepare(drill: &mut Drill<'_>) {
    if !drill.is_prepared() {
        let bar = Bar::new();
        let _ = drill.prepare(&|done, all| bar.show("faults", done, all));
    }
}

fn say(text: &str) -> std::io::Result<()> {
    let mut output = std::io::stdout().lock();
    output.write_all(text.as_bytes())?;
    output.flush()
}
