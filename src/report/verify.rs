//! The acceptance list of a repaired set, with the conditions it holds under.

use super::Setting;
use crate::bench::sheet::Sheet;
use crate::circuit::Circuit;
use crate::repair::acceptance::{Acceptance, AcceptanceError, Draw, Verdict, acceptance};

/// The list with its verdicts.
#[derive(Clone, Debug, PartialEq)]
pub struct VerifyResult {
    /// Conditions; the title is that of the sheet, if it has one.
    pub setting: Setting,
    /// The list.
    pub acceptance: Acceptance,
}

impl VerifyResult {
    /// Whether any item failed.
    pub fn fails(&self) -> bool {
        self.acceptance.count(Verdict::Fail) > 0
    }
}

/// Judges a sheet's readings. `circuit` is the sheet's with what-ifs, `changes` are these, a line each; `progress` hears of
/// every state of the set that is done, and how many there are.
///
/// # Errors
/// [`AcceptanceError`].
pub fn verify(
    sheet: &Sheet,
    circuit: &Circuit,
    changes: &[String],
    progress: &dyn Fn(usize, usize),
) -> Result<VerifyResult, AcceptanceError> {
    let acceptance = acceptance(sheet, circuit, &Draw::default(), progress)?;
    let setting = Setting::of(circuit, changes);
    let title = sheet.title.clone().unwrap_or_else(|| setting.title.clone());
    Ok(VerifyResult { setting: Setting { title, ..setting }, acceptance })
}
