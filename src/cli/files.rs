//! Reading netlists and bench sheets: files, standard input, and what they include.

use std::collections::HashMap;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::{fs, str};

use hissmap::bench::sheet::{Sheet, Unread, looks_like_sheet};
use hissmap::diagnostic::{Code, Diagnostic};
use hissmap::netlist::{self, Fetched, IncludeRequest, Limits, Netlist};

/// What stands for standard input.
pub const STANDARD_INPUT: &str = "-";

/// What a file holds.
pub enum Input {
    /// A netlist with the messages of its text.
    Netlist(Box<Netlist>, Vec<Diagnostic>),
    /// A bench sheet with its warnings, or what is wrong with it.
    Sheet(Box<Result<(Sheet, Vec<Diagnostic>), Unread>>),
}

/// Reads a netlist or a bench sheet and all that it names.
pub fn read(file: &str) -> Result<Input, Diagnostic> {
    let text = read_text(file).map_err(|reason| unreadable(&reason))?;
    let mut names = Names::default();
    names.of(Path::new(file));
    let mut fetch = |request: &IncludeRequest<'_>| fetch(&mut names, request);
    if looks_like_sheet(file, &text) {
        return Ok(Input::Sheet(Box::new(Sheet::read(file, &text, &mut fetch))));
    }
    let (netlist, messages) = netlist::read(file, &text, &mut fetch);
    Ok(Input::Netlist(Box::new(netlist), messages))
}

/// Reads a file of parts as a netlist would include it: from its first line on, without a title.
pub fn read_parts(file: &str) -> (Netlist, Vec<Diagnostic>) {
    let mut names = Names::default();
    let text = format!("parts\n.include \"{file}\"\n");
    netlist::read("", &text, &mut |request| fetch(&mut names, request))
}

/// Reads a bench sheet; a netlist becomes one that says nothing more.
pub fn read_as_sheet(file: &str) -> Result<Result<(Sheet, Vec<Diagnostic>), Unread>, Diagnostic> {
    let text = read_text(file).map_err(|reason| unreadable(&reason))?;
    let mut names = Names::default();
    names.of(Path::new(file));
    if looks_like_sheet(file, &text) {
        return Ok(Sheet::read(file, &text, &mut |request| fetch(&mut names, request)));
    }
    let around = format!("{file} as a sheet");
    let mut netlist = Some(Fetched { name: file.to_owned(), text });
    Ok(Sheet::read(&around, "circuit = \"it\"\n", &mut |request| match netlist.take() {
        // The first text that is asked for is the circuit.
        Some(netlist) => Ok(netlist),
        None => fetch(&mut names, request),
    }))
}

fn unreadable(reason: &str) -> Diagnostic {
    let error = Diagnostic::error(Code::CannotRead, format!("this file cannot be read: {reason}"));
    error.help("name a netlist or a bench sheet, or - for standard input")
}

fn fetch(names: &mut Names, request: &IncludeRequest<'_>) -> Result<Fetched, String> {
    let directory = Path::new(request.from).parent().unwrap_or(Path::new(""));
    let path = directory.join(request.path);
    let text = decode(read_limited(fs::File::open(&path)).map_err(|error| reason(&error))?);
    Ok(Fetched { name: names.of(&path), text })
}

/// One name for each file, however it is reached: circles of files are found by it.
#[derive(Default)]
struct Names {
    by_file: HashMap<PathBuf, String>,
}

impl Names {
    fn of(&mut self, path: &Path) -> String {
        let file = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        self.by_file.entry(file).or_insert_with(|| path.display().to_string()).clone()
    }
}

pub fn read_text(file: &str) -> Result<String, String> {
    let bytes = if file == STANDARD_INPUT { read_limited(Ok(io::stdin())) } else { read_limited(fs::File::open(file)) };
    bytes.map(decode).map_err(|error| reason(&error))
}

/// Reads one byte more than a netlist may have, so that a longer text is seen to be too long.
fn read_limited(source: io::Result<impl Read>) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    source?.take(Limits::default().text_bytes as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// UTF-8, else Latin-1, in which every byte is the character of its number.
fn decode(bytes: Vec<u8>) -> String {
    String::from_utf8(bytes).unwrap_or_else(|error| error.into_bytes().into_iter().map(char::from).collect())
}

pub fn reason(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "there is no such file".to_owned(),
        io::ErrorKind::PermissionDenied => "its permissions do not allow it".to_owned(),
        io::ErrorKind::IsADirectory => "it is a directory".to_owned(),
        _ => error.to_string(),
    }
}
