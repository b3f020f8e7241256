//! A chosen fault as a word that nobody reads at a glance, for a lesson's sheet. It keeps the fault from the eye of a learner,
//! not from somebody who takes the program apart.

use crate::bench::Fault;
use crate::bench::tolerance::Stream;
use crate::circuit::Circuit;
use crate::diagnostic::{Code, Diagnostic};
use crate::element::Pin;

/// The stream that the letters are mixed with.
const SEED: u64 = 0x0064_7269_6c6c;
/// Longer words seal nothing.
const LONGEST: usize = 2000;

/// Seals a fault; each salt gives another word.
pub fn seal(fault: &Fault, salt: u8) -> String {
    let plain = written(fault);
    let check = plain.bytes().fold(salt, u8::wrapping_add);
    let bytes = [check].into_iter().chain(plain.bytes());
    std::iter::once(salt).chain(mixed(bytes, salt)).map(|byte| format!("{byte:02x}")).collect()
}

/// The fault behind a sealed word.
///
/// # Errors
/// [`Code::BadSheetValue`] for a word that seals nothing; a fault that does not fit the circuit.
pub fn unseal(circuit: &Circuit, word: &str) -> Result<Fault, Diagnostic> {
    let opened = open(word.trim()).ok_or_else(|| {
        let error = Diagnostic::error(Code::BadSheetValue, "this word seals no fault");
        error.help("seal one: hissmap drill SHEET --fault Q2=junction_leak --seal")
    })?;
    Fault::read(circuit, &opened)
}

fn open(word: &str) -> Option<String> {
    if word.len() > LONGEST || !word.len().is_multiple_of(2) || !word.is_ascii() {
        return None;
    }
    let bytes = (0..word.len() / 2).map(|at| u8::from_str_radix(&word[2 * at..2 * at + 2], 16).ok());
    let bytes: Vec<u8> = bytes.collect::<Option<_>>()?;
    let (&salt, rest) = bytes.split_first()?;
    let plain: Vec<u8> = mixed(rest.iter().copied(), salt).collect();
    let (check, text) = plain.split_first()?;
    let whole = text.iter().copied().fold(salt, u8::wrapping_add) == *check;
    whole.then(|| String::from_utf8(text.to_vec()).ok()).flatten()
}

fn mixed(bytes: impl Iterator<Item = u8>, salt: u8) -> impl Iterator<Item = u8> {
    let mut stream = Stream::new(SEED, u64::from(salt));
    bytes.map(move |byte| byte ^ (stream.uniform() * 256.0) as u8)
}

/// As `--fault` takes it.
fn written(fault: &Fault) -> String {
    let mut text = format!("{}={}", fault.part, fault.kind.name());
    let pins: Vec<&str> = fault.pins.iter().map(|pin: &Pin| pin.name()).collect();
    match pins.as_slice() {
        [] => {}
        [pin] => text += &format!(",pin={pin}"),
        pins => text += &format!(",pins={}", pins.join("-")),
    }
    for (key, value) in &fault.values {
        text += &format!(",{key}={value:e}");
    }
    text
}
