//! Where a result goes: standard output, or a file that is written whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use hissmap::diagnostic::{Code, Diagnostic};

/// Where the result goes.
#[derive(Clone, Debug, Default, Args)]
pub struct Output {
    /// Write the result to a file instead of standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Let a file that exists be replaced
    #[arg(long)]
    force: bool,
}

/// A single plot for a document.
#[derive(Clone, Debug, Default, Args)]
pub struct Plot {
    /// Draw it as an SVG file as well
    #[arg(long, value_name = "FILE.svg")]
    plot: Option<PathBuf>,
}

impl Plot {
    /// Whether there is one to draw.
    pub fn is_asked_for(&self) -> bool {
        self.plot.is_some()
    }

    /// Writes the plot where one is asked for, under the rules of a result's own file.
    pub fn write<'a>(
        &self,
        output: &Output,
        inputs: impl Iterator<Item = &'a str>,
        draw: impl FnOnce() -> String,
    ) -> Result<(), Diagnostic> {
        let Some(path) = &self.plot else { return Ok(()) };
        if !path.extension().is_some_and(|kind| kind.eq_ignore_ascii_case("svg")) {
            let message = format!("--plot {}: a plot is an SVG file", path.display());
            let help = format!("name it so: --plot {}", path.with_extension("svg").display());
            return Err(Diagnostic::error(Code::BadFlag, message).help(help));
        }
        if output.file() == Some(path) {
            let message = format!("{} cannot hold both the plot and the figures", path.display());
            return Err(Diagnostic::error(Code::CannotWrite, message).help("name another file after --output"));
        }
        output.write_file(path, inputs, |file| file.write_all(draw().as_bytes()))
    }
}

impl Output {
    /// A file that must not exist yet.
    pub fn new_file(path: &Path) -> Self {
        Self { output: Some(path.to_owned()), force: false }
    }

    /// Writes a result. A reader of standard output that goes away early is no failure.
    /// A file that was read, one of `inputs`, is never replaced.
    pub fn write<'a>(&self, result: &str, inputs: impl Iterator<Item = &'a str>) -> Result<(), Diagnostic> {
        match self.file() {
            Some(path) => self.write_file(path, inputs, |file| file.write_all(result.as_bytes())),
            None => to_standard_output(result),
        }
    }

    /// Writes what is no text into the file that is asked for, or refuses as [`Output::write`] does; `None` where no file is
    /// asked for.
    pub fn write_bytes<'a, T>(
        &self,
        inputs: impl Iterator<Item = &'a str>,
        fill: impl FnOnce(&mut fs::File) -> io::Result<T>,
    ) -> Option<Result<T, Diagnostic>> {
        self.file().map(|path| self.write_file(path, inputs, fill))
    }

    /// Refuses what [`Output::write`] would refuse, before anything is computed for it.
    pub fn check<'a>(&self, inputs: impl Iterator<Item = &'a str>) -> Result<(), Diagnostic> {
        self.file().map_or(Ok(()), |path| self.target(path, inputs).map(|_| ()))
    }

    /// The file asked for, as typed.
    pub fn name(&self) -> Option<String> {
        self.file().map(|path| path.display().to_string())
    }

    /// The file asked for; none where it is standard output, written `-` as in a command's arguments.
    fn file(&self) -> Option<&Path> {
        self.output.as_deref().filter(|path| *path != Path::new("-"))
    }

    /// The file behind a path; refused where it was read, is no file, or exists without --force.
    fn target<'a>(&self, path: &Path, mut inputs: impl Iterator<Item = &'a str>) -> Result<PathBuf, Diagnostic> {
        let real = |path: &Path| fs::canonicalize(path).ok();
        if real(path).is_some_and(|path| inputs.any(|input| real(Path::new(input)).as_ref() == Some(&path))) {
            let message = format!("{} is what was read, and is not replaced", path.display());
            return Err(Diagnostic::error(Code::CannotWrite, message).help("name another file"));
        }
        // Through a link the file behind it is meant.
        let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        match fs::metadata(&target) {
            Ok(found) if !found.is_file() => {
                let message = format!("{} is no plain file", path.display());
                Err(Diagnostic::error(Code::CannotWrite, message).help("name a file, or leave --output out"))
            }
            Ok(_) if !self.force => Err(exists(path)),
            _ => Ok(target),
        }
    }

    /// All goes to a file beside the one asked for, which then takes its name: a crash or an interrupt in between
    /// leaves the old file, or none, but never half a file.
    fn write_file<'a, T>(
        &self,
        path: &Path,
        inputs: impl Iterator<Item = &'a str>,
        fill: impl FnOnce(&mut fs::File) -> io::Result<T>,
    ) -> Result<T, Diagnostic> {
        let failed = |error: &io::Error| {
            let message = format!("{} cannot be written: {error}", path.display());
            Diagnostic::error(Code::CannotWrite, message).help("name another file, or leave --output out")
        };
        let target = self.target(path, inputs)?;
        let directory = target.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut draft = new_file(directory).map_err(|error| failed(&error))?;
        let filled = fill(draft.as_file_mut()).map_err(|error| failed(&error))?;
        draft.as_file().sync_all().map_err(|error| failed(&error))?;
        let kept = if self.force { draft.persist(&target) } else { draft.persist_noclobber(&target) };
        match kept {
            Ok(_) => Ok(filled),
            Err(problem) if problem.error.kind() == io::ErrorKind::AlreadyExists => Err(exists(path)),
            Err(problem) => Err(failed(&problem.error)),
        }
    }
}

/// Puts a new text in the place of a file that exists, whole or not at all; its permissions stay.
pub fn replace(path: &Path, text: &str) -> Result<(), Diagnostic> {
    let failed = |error: &io::Error| {
        let message = format!("{} cannot be written: {error}", path.display());
        Diagnostic::error(Code::CannotWrite, message).help("check its permissions, and those of its folder")
    };
    let target = fs::canonicalize(path).map_err(|error| failed(&error))?;
    let directory = target.parent().unwrap_or(Path::new("."));
    let write = || {
        let mut draft = new_file(directory)?;
        draft.write_all(text.as_bytes())?;
        draft.as_file().set_permissions(fs::metadata(&target)?.permissions())?;
        draft.as_file().sync_all()?;
        draft.persist(&target).map_err(|problem| problem.error)
    };
    write().map(|_| ()).map_err(|error| failed(&error))
}

fn exists(path: &Path) -> Diagnostic {
    let message = format!("{} exists already", path.display());
    Diagnostic::error(Code::CannotWrite, message).help("add --force to replace it, or name another file")
}

/// A draft with the permissions of any new file.
fn new_file(directory: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".hissmap-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(directory)
}

fn to_standard_output(result: &str) -> Result<(), Diagnostic> {
    let mut output = io::stdout().lock();
    match output.write_all(result.as_bytes()).and_then(|()| output.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(Diagnostic::error(Code::CannotWrite, format!("the result cannot be written: {error}")))
        }
        _ => Ok(()),
    }
}
