//! What each action does to the unit, and what it takes.

use super::safety::Safety;
use super::{Action, Answer, Came, Drill, Step, first, head, refused};
use crate::bench::FaultKind;
use crate::bench::reading::{How, Measure, Reading};
use crate::circuit::Change;
use crate::diagnostic::Diagnostic;
use crate::element::PartId;

impl Drill<'_> {
    pub(super) fn test(&mut self, action: &Action, test: &Reading) -> Result<Answer, Diagnostic> {
        let test = self.as_stands(test)?;
        let resolved = self.sheet.resolve(&test).map_err(first)?;
        let minutes = self.sheet.costs.of(&Reading { with: self.turned_for(&test.with), ..test.clone() });
        if let Some(why) = self.safety.refuses(self.sheet, &test, &resolved) {
            return Ok(self.stopped(action, why));
        }
        Ok(self.read(action, &test, minutes))
    }

    fn read(&mut self, action: &Action, test: &Reading, minutes: f64) -> Answer {
        match self.unit.read(test) {
            Ok(value) => {
                let read = Reading { value: Some(value), ..test.clone() };
                self.step(action, Came::Read(read.clone()), minutes);
                Answer::Read(read)
            }
            Err(error) => {
                self.step(action, Came::Nothing(test.clone()), minutes);
                Answer::Nothing(error.message)
            }
        }
    }

    pub(super) fn set(&mut self, action: &Action, name: &str, position: f64) -> Result<Answer, Diagnostic> {
        let index = self.sheet.find_control(name)?;
        let control = &self.sheet.controls[index];
        let [low, high] = control.range;
        if !(low..=high).contains(&position) {
            let error = refused(&format!("{} cannot stand at {position}", control.name));
            return Err(error.help(format!("it goes from {low} to {high}")));
        }
        let minutes = self.sheet.costs.turn;
        let down = position == low && self.stands(index) != low;
        let answer = match down {
            true => {
                let test = self.as_stands(&Reading::change(How::Turn, &control.name))?;
                Some(self.read(action, &test, minutes))
            }
            false => {
                self.step(action, Came::Done, minutes);
                None
            }
        };
        self.positions.retain(|(other, _)| *other != index);
        if position != control.now {
            self.positions.push((index, position));
            self.positions.sort_by_key(|(control, _)| *control);
        }
        let read = match answer {
            Some(Answer::Read(read)) => Some(read),
            Some(other) => return Ok(other),
            None => None,
        };
        Ok(Answer::Stands { control: control.name.clone(), position, read })
    }

    pub(super) fn tap(&mut self, action: &Action, what: &str) -> Result<Answer, Diagnostic> {
        let test = Reading::change(How::Tap, what);
        let resolved = self.sheet.resolve(&test).map_err(first)?;
        let fault = &self.hidden.fault;
        let is_contact = fault.kind == FaultKind::Contact;
        let shaken = resolved.act.as_ref().map(|(_, target)| self.sheet.shaken_by(target)).unwrap_or_default();
        let moved = shaken.iter().any(|&part| self.sheet.circuit.part(part).name == fault.part);
        if let Some(why) = self.safety.refuses(self.sheet, &test, &resolved) {
            return Ok(self.stopped(action, why));
        }
        let crackles = is_contact && moved && !self.course.is_over();
        self.step(action, Came::Tapped(crackles), self.sheet.costs.tap);
        Ok(Answer::Tapped { what: what.to_owned(), crackles })
    }

    pub(super) fn replace(&mut self, action: &Action, name: &str) -> Result<Answer, Diagnostic> {
        let (id, part) = self.part(name)?;
        let cured = part == self.hidden.fault.part;
        let left: &[Change] = if cured { &[] } else { &self.hidden.changes };
        self.replaced += 1;
        self.unit = self.unit.with_new_part(id, left, self.seed, self.replaced).map_err(head)?;
        self.safety = Safety::of(self.sheet, self.unit.circuit())?;
        let minutes = if cured { 0.0 } else { self.sheet.costs.wrong_part };
        self.step(action, Came::Replaced { part: part.clone(), cured }, minutes);
        Ok(Answer::Replaced { part, cured })
    }

    pub(super) fn lift(&mut self, action: &Action, name: &str) -> Result<Answer, Diagnostic> {
        let (_, part) = self.part(name)?;
        let guilty = part == self.hidden.fault.part;
        self.step(action, Came::Lifted { part: part.clone(), guilty }, self.sheet.costs.lift);
        Ok(Answer::Lifted { part, guilty })
    }

    fn part(&self, name: &str) -> Result<(PartId, String), Diagnostic> {
        let id = self.sheet.circuit.find_part(name)?;
        Ok((id, self.sheet.circuit.part(id).name.clone()))
    }

    fn stopped(&mut self, action: &Action, why: String) -> Answer {
        self.step(action, Came::Stopped(why.clone()), 0.0);
        Answer::Stopped(why)
    }

    pub(super) fn step(&mut self, action: &Action, came: Came, minutes: f64) {
        self.course.steps.push(Step { action: action.clone(), came, minutes });
    }

    fn stands(&self, control: usize) -> f64 {
        let moved = self.positions.iter().find(|(moved, _)| *moved == control);
        moved.map_or(self.sheet.controls[control].now, |(_, position)| *position)
    }

    /// The test with controls where they stand, unless it says otherwise; names as the sheet has them.
    fn as_stands(&self, test: &Reading) -> Result<Reading, Diagnostic> {
        let mut said: Vec<(usize, f64)> = Vec::new();
        for (name, position) in &test.with {
            said.push((self.sheet.find_control(name)?, *position));
        }
        let standing = self.positions.iter().filter(|(control, _)| !said.iter().any(|(other, _)| other == control));
        let mut with: Vec<(usize, f64)> = standing.copied().collect();
        with.extend(said.iter().filter(|(control, position)| self.sheet.controls[*control].now != *position));
        with.sort_by_key(|(control, _)| *control);
        let with = with.into_iter().map(|(control, position)| (self.sheet.controls[control].name.clone(), position));
        let at = match (&test.at, test.measure) {
            // A change is read at the output.
            (None, measure) if measure != Measure::Change => {
                self.sheet.output.as_ref().map(|out| self.sheet.point_name(out))
            }
            (at, _) => at.clone(),
        };
        Ok(Reading { with: with.collect(), at, ..test.clone() })
    }

    /// Controls that have to be turned for a test from where they stand.
    fn turned_for(&self, with: &[(String, f64)]) -> Vec<(String, f64)> {
        let wanted = self.sheet.controls.iter().map(|control| {
            let said = with.iter().find(|(name, _)| *name == control.name);
            (control.name.clone(), said.map_or(control.now, |(_, position)| *position))
        });
        wanted.enumerate().filter(|(at, (_, position))| self.stands(*at) != *position).map(|(_, moved)| moved).collect()
    }
}
