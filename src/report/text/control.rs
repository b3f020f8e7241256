//! Which hiss moves with a control, as text.

use super::{Rows, hiss, percent};
use crate::report::{ControlResult, ControlledDevice, ControlledPoint};
use crate::units::exact;

/// Devices that a list names.
const NAMED: usize = 3;
/// Shares below this are not named.
const SMALLEST_SHARE: f64 = 0.01;

/// A table of the points between the ends of the control, and what it means. In `compare` `before` is the same before the
/// change.
pub fn control(result: &ControlResult, before: Option<&ControlResult>) -> String {
    let name = &result.control.name;
    let [low, high] = result.control.ends.map(|end| format!(">at {}", exact(end)));
    let mut columns = vec!["node", &low, &high, ">change"];
    columns.extend(before.map(|_| ">before"));
    columns.extend(["moves", "stays"]);
    let mut rows = Rows::new(&columns);
    for point in &result.points {
        let was = before.map(|before| {
            let same = before.points.iter().find(|before| before.name == point.name);
            change(same.and_then(|before| before.change_db))
        });
        let [at_low, at_high] = point.rms_volts.map(hiss);
        let head = [point.name.clone(), at_low, at_high, change(point.change_db)];
        rows.add(head.into_iter().chain(was).chain([moving(point), staying(point)]));
    }
    format!(
        "\n{}: what moves, in shares of the louder end; what stays, of the quieter one\n\n{}\n\
         A complaint that {name} takes away lies in what moves, before the control or in it.\n\
         One that stays with {name} at its quiet end lies in what stays, behind it.\n",
        result.control.text(),
        rows.text()
    )
}

/// What moves, in shares of the louder end.
fn moving(point: &ControlledPoint) -> String {
    list(point, true, point.louder())
}

/// What stays, in shares of the quieter end, where it is heard best.
fn staying(point: &ControlledPoint) -> String {
    list(point, false, 1 - point.louder())
}

/// `55.3 %: Q1 35.2 %, RE1 20.1 %`
fn list(point: &ControlledPoint, moves: bool, end: usize) -> String {
    let mut all: Vec<&ControlledDevice> = point.devices.iter().filter(|device| device.moves == moves).collect();
    all.sort_by(|a, b| b.shares[end].total_cmp(&a.shares[end]));
    let share: f64 = all.iter().map(|device| device.shares[end]).sum();
    let named = all.iter().filter(|device| device.shares[end] >= SMALLEST_SHARE).take(NAMED);
    let named: Vec<String> = named.map(|device| format!("{} {}", device.name, percent(device.shares[end]))).collect();
    match (named.is_empty(), share > 0.0) {
        (false, _) => format!("{}: {}", percent(share), named.join(", ")),
        (true, true) => percent(share),
        (true, false) => "-".to_owned(),
    }
}

fn change(db: Option<f64>) -> String {
    db.map_or_else(|| "-".to_owned(), |db| format!("{db:+.1} dB"))
}
