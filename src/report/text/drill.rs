//! A drill as text: its beginning, the answer to each action, the truth at the end, and two ways beside each other.

use super::diagnose::BENCH_CAUTIONS;
use super::{CAUTIONS, Rows, SHUNT_CAUTIONS, commas, filled, percent, printable};
use crate::bench::reading::{Measure, Observed, Reading, Value};
use crate::drill::{Advice, Answer, Came, Course, Drill, Hint, Points, VERBS};
use crate::units::{exact, short};

/// What a learner is told before anything is done.
pub fn drill_start(drill: &Drill<'_>) -> String {
    let sheet = drill.sheet();
    let title = sheet.title.clone().unwrap_or_else(|| sheet.circuit.title.clone());
    let level = match drill.level() {
        Some(level) => format!("seed {}, {}", drill.seed(), level.name()),
        None => format!("seed {}, the fault was chosen", drill.seed()),
    };
    let mut text = format!("{}\n", printable(&title));
    text += &format!("drill: one part of this unit is bad; all others are as far off as parts are ({level})\n");
    text += &goal(drill);
    text += &complaint(drill);
    text += &format!("\n{CAUTIONS}{BENCH_CAUTIONS}{SHUNT_CAUTIONS}\n");
    text + "points shows where to measure, help what can be done; minutes count until the bad part is replaced.\n"
}

/// What is to be learnt.
pub(super) fn goal(drill: &Drill<'_>) -> String {
    let goal = drill.sheet().lesson.as_ref().and_then(|lesson| lesson.goal.as_ref());
    goal.map_or_else(String::new, |goal| filled("goal:", "  ", words(&printable(goal))))
}

pub(super) fn complaint(drill: &Drill<'_>) -> String {
    let sheet = drill.sheet();
    let output = sheet.output.as_ref().map_or_else(String::new, |output| printable(&sheet.point_name(output)));
    let complaint = sheet.complaint.clone().unwrap_or_default();
    let of_setting = |setting: &Vec<(usize, f64)>| {
        let each = setting.iter().filter_map(|&(control, position)| {
            Some(format!("{} at {}", printable(&sheet.controls.get(control)?.name), exact(position)))
        });
        each.collect::<Vec<_>>().join(", ")
    };
    let settings: Vec<String> = complaint.settings.iter().map(of_setting).filter(|text| !text.is_empty()).collect();
    let when = if settings.is_empty() { String::new() } else { format!(", with {}", settings.join(" and with ")) };
    let least = short(complaint.hiss_db, "dB");
    // Only a teacher's own fault may fall short: those that are drawn cause the complaint.
    if drill.excess_db() < complaint.hiss_db {
        return format!(
            "complaint: hiss at {output}{when}; this fault, chosen by hand, makes less than {least} more of it\n"
        );
    }
    format!("complaint: at least {least} more hiss at {output} than it should have{when}\n")
}

/// The answer to an action, with the minutes so far.
pub fn drill_answer(drill: &Drill<'_>, answer: &Answer) -> String {
    let minutes = format!("[{} min]", minutes(drill.course().minutes()));
    let line = |text: String| filled("", "  ", words(&printable(&text)).chain([minutes.clone()]));
    match answer {
        Answer::Read(reading) => line(read(reading)),
        Answer::Nothing(why) => line(format!("nothing steady to read: {why}")),
        Answer::Stands { control, position, read: None } => line(format!("{control} stands at {}", exact(*position))),
        Answer::Stands { control, position, read: Some(reading) } => {
            line(format!("{}; {control} stands at {}", read(reading), exact(*position)))
        }
        Answer::Tapped { what, crackles: true } => line(format!("{what} crackles")),
        Answer::Tapped { what, crackles: false } => line(format!("tapping {what} changes nothing")),
        Answer::Stopped(why) => line(format!("STOPPED, not done: {why}")),
        Answer::Replaced { part, cured: true } => {
            line(format!("{part} replaced, set off and discharged: the hiss is gone. Cured"))
        }
        Answer::Replaced { part, cured: false } => {
            line(format!("{part} replaced, set off and discharged: it hisses as before; {part} was good"))
        }
        Answer::Lifted { part, guilty: true } => {
            line(format!("with a leg of {part} lifted the hiss is gone: it is {part}"))
        }
        Answer::Lifted { part, guilty: false } => line(format!("it is not {part}; the leg is back in")),
        Answer::Hint(hint) => line(advice(hint)),
        Answer::Points(points) => self::points(points),
        Answer::Log => course(drill.course()),
        Answer::Help => help(),
        Answer::GaveUp => line("given up".to_owned()),
    }
}

/// A reading as an instrument shows it, three digits.
pub(super) fn read(reading: &Reading) -> String {
    let mut shown = reading.clone();
    if let Some(Value { observed: Observed::Number(number), .. }) = shown.value
        && reading.measure != Measure::Change
    {
        let digits = if reading.measure == Measure::Dc { 3 } else { 2 };
        shown.value = Some(Value::number(format!("{number:.digits$e}").parse().unwrap_or(number)));
    }
    shown.text()
}

fn advice(hint: &Hint) -> String {
    let mut text = match &hint.advice {
        Advice::Test { action, separates, verify } => {
            let groups: Vec<String> = separates.iter().map(|group| group.join(" or ")).collect();
            let why = match (*verify, groups.as_slice()) {
                (true, _) => ", which checks the verdict against a fault nobody listed".to_owned(),
                (false, [] | [_]) => ", which shifts the odds".to_owned(),
                (false, groups) => format!(", which tells {}", groups.join(" from ")),
            };
            format!("try: {}{why}", action.text())
        }
        Advice::Act(action) => format!("time to act: {}", action.text()),
        Advice::Search => "nothing listed fits: time to search openly".to_owned(),
    };
    if let Some((part, probability)) = &hint.leader {
        text += &format!("; {part} leads with {}", percent(*probability));
    }
    if hint.flag {
        text += "; no listed fault explains all readings";
    }
    let [used, unused] = hint.readings;
    if unused > 0 {
        text += &format!("; {unused} of {} readings are of no use to it", used + unused);
    }
    text
}

fn points(points: &Points) -> String {
    let printed = points.points.iter().any(|point| point.printed_volts.is_some());
    let placed = points.points.iter().any(|point| point.place.is_some());
    let mut heads = vec!["point", "node"];
    heads.extend(printed.then_some(">printed DC"));
    heads.extend(placed.then_some("where"));
    let mut rows = Rows::new(&heads);
    for point in &points.points {
        let mut cells = vec![point.name.clone(), point.node.clone()];
        cells.extend(printed.then(|| point.printed_volts.map_or_else(|| "-".to_owned(), |own| short(own, "V"))));
        cells.extend(placed.then(|| point.place.clone().unwrap_or_default()));
        rows.add(cells);
    }
    let control = |control: &crate::drill::ControlLine| {
        let [low, high] = control.range.map(exact);
        format!("{} at {} ({low} to {high})", printable(&control.name), exact(control.position))
    };
    let mut text = rows.text();
    let devices: Vec<String> = points.devices.iter().map(|name| printable(name)).collect();
    text += &filled("devices:", "  ", commas(&devices));
    let controls: Vec<String> = points.controls.iter().map(control).collect();
    if !controls.is_empty() {
        text += &filled("controls:", "  ", commas(&controls));
    }
    text
}

fn help() -> String {
    let mut rows = Rows::new(&["type", "what it does"]);
    for (_, form, meaning) in VERBS {
        rows.add([(*form).to_owned(), (*meaning).to_owned()]);
    }
    rows.text() + "a control may stand elsewhere for one reading: meter c2 volume=0\n"
}

/// Everything that was done, a line each.
pub(super) fn course(course: &Course) -> String {
    if course.steps.is_empty() {
        return "nothing was done yet\n".to_owned();
    }
    let mut rows = Rows::new(&[">minute", "done", "came"]);
    let mut reached = 0.0;
    for step in &course.steps {
        reached += step.minutes;
        rows.add([minutes(reached), step.action.text(), came(&step.came)]);
    }
    rows.text()
}

fn came(came: &Came) -> String {
    match came {
        Came::Read(reading) => {
            let text = read(reading);
            // The line says already what was read.
            text.rsplit_once(": ").map_or(text.clone(), |(_, value)| value.to_owned())
        }
        Came::Nothing(_) => "nothing steady".to_owned(),
        Came::Done => "done".to_owned(),
        Came::Tapped(true) => "crackles".to_owned(),
        Came::Tapped(false) => "nothing".to_owned(),
        Came::Stopped(_) => "STOPPED".to_owned(),
        Came::Replaced { cured: true, .. } => "cured".to_owned(),
        Came::Replaced { cured: false, .. } => "it was good".to_owned(),
        Came::Lifted { guilty: true, .. } => "it is bad".to_owned(),
        Came::Lifted { guilty: false, .. } => "it is good".to_owned(),
        Came::Hinted => "advice".to_owned(),
        Came::GaveUp => "given up".to_owned(),
    }
}

/// Two ways beside each other: the learner's, and the one that following diagnosis leads.
pub fn drill_courses(own: &Course, best: Option<&Course>) -> String {
    let mut text = format!("Your way, {}:\n\n{}", summary(own), course(own));
    if let Some(best) = best {
        text += &format!("\nFollowing diagnosis on the same unit, {}:\n\n{}", summary(best), course(best));
    }
    text
}

pub(super) fn summary(course: &Course) -> String {
    let tests = course.tests();
    let mut text = format!("{} min, {tests} test{}", minutes(course.minutes()), if tests == 1 { "" } else { "s" });
    text += &match course.wrong_parts().as_slice() {
        [] => ", no good part replaced".to_owned(),
        wrong => format!(", good parts replaced: {}", wrong.join(", ")),
    };
    for (count, what) in [(course.hints(), "hint"), (course.stopped(), "dangerous act")] {
        if count > 0 {
            text += &format!(", {count} {what}{}", if count == 1 { "" } else { "s" });
        }
    }
    if !course.is_cured() { text + ", not found" } else { text }
}

fn minutes(minutes: f64) -> String {
    format!("{minutes:.1}")
}

/// The words of a text; a number and its unit are one.
pub(super) fn words(text: &str) -> std::vec::IntoIter<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split(' ') {
        let is_unit = matches!(
            word.trim_end_matches([',', ';', '.', ':']),
            "%" | "dB" | "kHz" | "V" | "mV" | "µV" | "µA" | "min"
        );
        match words.last_mut() {
            Some(last) if is_unit => *last += &format!(" {word}"),
            _ => words.push(word.to_owned()),
        }
    }
    words.into_iter()
}
