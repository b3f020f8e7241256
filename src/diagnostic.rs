//! What is wrong, where, and what to type instead: plain data, drawn elsewhere.
//!
//! A [`Diagnostic`] never formats itself for a terminal. It points into [`Sources`] by [`Span`]s of bytes;
//! [`Sources::locate`] turns a span into file, line and column (both counted from 1, columns in characters).

use std::sync::Arc;

/// Which source text of a netlist: the file itself is 0, included files follow in order of inclusion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SourceId(pub u32);

/// A run of bytes in one source text, `start..end`, always on character boundaries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Span {
    /// The text the bytes are counted in.
    pub source: SourceId,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

/// One source text and the name it is called by in messages.
#[derive(Clone, Debug)]
pub struct Source {
    /// Name shown to the reader: a path as typed, or `-` for standard input.
    pub name: String,
    /// The whole text.
    pub text: Arc<str>,
    /// First byte of every line.
    line_starts: Vec<u32>,
    /// Number of the first line.
    first_line: usize,
}

/// All texts a netlist was read from.
#[derive(Clone, Debug, Default)]
pub struct Sources {
    files: Vec<Source>,
}

/// Where a span begins, as a person counts: both numbers from 1, the column in characters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Location {
    /// Name of the source text.
    pub file: String,
    /// Line number, the title being line 1.
    pub line: usize,
    /// Column in characters.
    pub column: usize,
    /// The whole physical line, without its end.
    pub text: String,
    /// How many characters of that line the span covers, at least 1.
    pub width: usize,
}

impl Sources {
    /// Adds a text and returns how to refer to it.
    pub fn add(&mut self, name: impl Into<String>, text: impl Into<Arc<str>>) -> SourceId {
        let id = SourceId(u32::try_from(self.files.len()).expect("fewer than 2^32 source texts"));
        let text: Arc<str> = text.into();
        // Places in texts are counted in 32 bits; a reader's limits lie far below.
        let starts = text.match_indices('\n').map(|(newline, _)| newline as u32 + 1);
        let line_starts = std::iter::once(0).chain(starts).collect();
        self.files.push(Source { name: name.into(), text, line_starts, first_line: 1 });
        id
    }

    /// Adds one line of a text too long to keep, and its number from 1.
    pub fn add_line(&mut self, name: impl Into<String>, text: impl Into<Arc<str>>, line: usize) -> SourceId {
        let id = self.add(name, text);
        self.files[id.0 as usize].first_line = line;
        id
    }

    /// The text behind an identifier handed out by [`Sources::add`].
    pub fn get(&self, id: SourceId) -> Option<&Source> {
        self.files.get(id.0 as usize)
    }

    /// All texts in order of their identifiers.
    pub fn iter(&self) -> impl Iterator<Item = &Source> {
        self.files.iter()
    }

    /// Line and column of the first byte of `span`; `None` when the span is not of these sources.
    pub fn locate(&self, span: Span) -> Option<Location> {
        let source = self.get(span.source)?;
        let text: &str = &source.text;
        text.get(..span.start as usize)?;
        let line = source.line_starts.partition_point(|&start| start <= span.start);
        let line_start = source.line_starts[line - 1] as usize;
        let line_end = text[line_start..].find('\n').map_or(text.len(), |length| line_start + length);
        let covered_end = (span.end as usize).clamp(span.start as usize, line_end.max(span.start as usize));
        let covered = text.get(span.start as usize..covered_end)?;
        Some(Location {
            file: source.name.clone(),
            line: source.first_line - 1 + line,
            column: text[line_start..span.start as usize].chars().count() + 1,
            text: text[line_start..line_end].trim_end_matches('\r').to_owned(),
            width: covered.chars().count().max(1),
        })
    }
}

/// Whether a message stops the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Nothing further can be computed.
    Error,
    /// Worth knowing; the work goes on.
    Warning,
}

/// A second place that belongs to a message, such as the line that defined a name first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Label {
    /// The place.
    pub span: Span,
    /// What it has to do with the message, in lower case: `first defined here`.
    pub note: String,
}

/// One message about the user's input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    /// Stable code of this kind of message.
    pub code: Code,
    /// Error or warning.
    pub severity: Severity,
    /// What is wrong: lower case, the bench's words, no full stop.
    pub message: String,
    /// What is marked; `None` for messages about a flag or the circuit as a whole.
    pub span: Option<Span>,
    /// The statement the marked text belongs to; its first line is the line that is reported.
    pub statement: Option<Span>,
    /// Further places.
    pub labels: Vec<Label>,
    /// One thing the reader can type.
    pub help: Option<String>,
}

impl std::fmt::Display for Diagnostic {
    /// What is wrong and what to type, in a line; places and colours are for whoever draws it.
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.help {
            Some(help) => write!(formatter, "{}; {help}", self.message),
            None => write!(formatter, "{}", self.message),
        }
    }
}

impl std::error::Error for Diagnostic {}

impl Diagnostic {
    /// An error with nothing marked yet.
    pub fn error(code: Code, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Error, message)
    }

    /// A warning with nothing marked yet.
    pub fn warning(code: Code, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Warning, message)
    }

    fn new(code: Code, severity: Severity, message: impl Into<String>) -> Self {
        Self { code, severity, message: message.into(), span: None, statement: None, labels: Vec::new(), help: None }
    }

    /// Marks `span`.
    #[must_use]
    pub fn at(mut self, span: Span) -> Self {
        self.span = Some(span);
        self
    }

    /// Names the statement the marked text is part of.
    #[must_use]
    pub fn in_statement(mut self, statement: Span) -> Self {
        self.statement = Some(statement);
        self
    }

    /// Adds a further place.
    #[must_use]
    pub fn label(mut self, span: Span, note: impl Into<String>) -> Self {
        self.labels.push(Label { span, note: note.into() });
        self
    }

    /// Says what to type.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Whether this message stops the work.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }

    /// File, line and column that are reported: the first physical line of the statement; the column is that of the
    /// marked text where it stands on that line, else that of the statement's first character.
    pub fn location(&self, sources: &Sources) -> Option<Location> {
        let marked = self.span.and_then(|span| sources.locate(span));
        let statement = self.statement.and_then(|span| sources.locate(span));
        match (marked, statement) {
            (Some(marked), Some(statement)) if marked.line != statement.line => Some(statement),
            (Some(marked), _) => Some(marked),
            (None, statement) => statement,
        }
    }
}

/// Words longer than this are not slips of a finger, in bytes.
const LONGEST_MISSPELT: usize = 40;
/// How many known words a misspelt one is compared with.
const MOST_COMPARED: usize = 2000;

/// The nearest of `known` to a misspelt `word`, ignoring case; `None` when nothing is close.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if word.len() > LONGEST_MISSPELT {
        return None;
    }
    let word = word.to_lowercase();
    let allowed = word.chars().count().div_ceil(3).max(1);
    known
        .into_iter()
        .take(MOST_COMPARED)
        .filter(|candidate| candidate.len() <= 2 * LONGEST_MISSPELT)
        .map(|candidate| (strsim::damerau_levenshtein(&word, &candidate.to_lowercase()), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// A section for every code, headed by `== CODE`. The tests run every example and compare what is printed.
const LESSONS: &str = include_str!("diagnostic/lessons.txt");

/// Declares the codes once: variant, text, what kind of message it is.
macro_rules! codes {
    ($($variant:ident = $text:literal, $meaning:literal;)*) => {
        /// Stable code of a kind of message. `N` is about the text, `C` about the circuit, `F` about a flag or what-if,
        /// `S` about the solution, `A` is advice, `B` is about the bench sheet, `W` about a recording or a sound. The letters
        /// and numbers never change their meaning.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[non_exhaustive]
        pub enum Code { $(#[doc = $meaning] $variant,)* }

        impl Code {
            /// Every code, in the order of declaration.
            pub const ALL: &'static [Code] = &[$(Code::$variant,)*];

            /// The code as printed.
            pub fn as_str(self) -> &'static str {
                match self { $(Code::$variant => $text,)* }
            }

            /// What it means, a worked example that provokes it, the message as printed, and the mend.
            pub fn lesson(self) -> &'static str {
                let heading = |section: &&str| section.starts_with(self.as_str());
                let section = LESSONS.split("\n== ").find(heading).unwrap_or_default();
                section.split_once("\n").map_or("", |(_, text)| text.trim_start())
            }

            /// What kind of message it is, in a line.
            pub fn meaning(self) -> &'static str {
                match self { $(Code::$variant => $meaning,)* }
            }
        }
    };
}

codes! {
    UnknownElement = "N01", "a line begins with a letter that stands for no element";
    UnknownStatement = "N02", "a statement that is not known";
    UnknownModel = "N03", "a model that is defined nowhere";
    UnknownSubcircuit = "N04", "a sub-circuit that is defined nowhere";
    FieldCount = "N05", "too few or too many fields";
    BadNumber = "N06", "a number that cannot be read";
    BadExpression = "N07", "an expression that cannot be read or computed";
    UnknownParameter = "N08", "a parameter that is not known here";
    DuplicateName = "N09", "a name that is used twice";
    DefinitionCycle = "N10", "definitions that go round in a circle";
    IncludeFailed = "N11", "an included file that cannot be read";
    IncludeCycle = "N12", "a file that includes itself";
    UnclosedSubcircuit = "N13", "a sub-circuit without end, or an end without beginning";
    WrongModelType = "N14", "a model of another kind than the element needs";
    StatementSkipped = "N15", "a statement without meaning here, skipped";
    ModelParameterSkipped = "N16", "model parameters without meaning here, skipped";
    AmbiguousScale = "N17", "a scale letter that may not mean what was intended";
    WaveformIgnored = "N18", "a transient waveform, which plays no part here";
    RepeatedStatement = "N19", "a statement that is given more than once";
    TextAfterEnd = "N20", "text after the end";
    LimitExceeded = "N21", "a limit on size or depth was reached";
    BadCharacter = "N22", "bytes or characters that cannot be read";
    ValueOutOfRange = "C01", "a value that no real part can have";
    NoGround = "C02", "nothing is connected to ground";
    FloatingNode = "C03", "nodes with no DC path to ground";
    SourceLoop = "C04", "a loop of voltage sources and windings";
    BadCoupling = "C05", "couplings that no windings can have";
    UnknownReference = "C06", "a reference to a part or node that does not exist";
    EmptyCircuit = "C07", "there is no part to compute";
    UnknownNode = "F01", "a node that is not in the circuit";
    UnknownPart = "F02", "a part that is not in the circuit";
    UnfitPart = "F03", "a what-if that does not fit the part";
    BadFlag = "F04", "a flag value that cannot be read";
    MissingInput = "F05", "something a command needs is not given";
    CannotRead = "F06", "a file that cannot be read";
    CannotWrite = "F07", "a file that cannot be written";
    NoBias = "S01", "no bias solution was found";
    Singular = "S02", "the equations have no single solution";
    DiffusionArtefact = "S03", "a charge term of the model outweighs the depletion capacitance";
    BandUnlimited = "S04", "only missing device capacitances would limit the noise in this band";
    Unstable = "S05", "the circuit does not stay at this bias point";
    NotJudged = "S06", "stability was not judged";
    AccuracyLimited = "S07", "a band figure is less certain than asked for";
    DeviceHot = "S08", "a device runs hot or beyond its rating";
    OtherSolution = "S09", "the bias equations have more than one solution";
    SwingLimited = "S10", "the static curve of a large signal holds with a limit";
    Unbalanced = "S11", "no setting of a control makes the channels equally loud";
    BadRecording = "W01", "a recording that cannot be read, or only in part";
    UnevenTime = "W02", "a time axis with gaps, or one that runs backwards";
    RecordingShort = "W03", "a recording that is too short";
    BandCut = "W04", "a band that reaches beyond what the recording or the sound holds";
    Clipped = "W05", "volts that are cut off at full scale";
    Silent = "W06", "a point without hiss";
    TitleMissing = "A01", "a first line that looks like a part, and is taken as the title";
    DefinitionUnused = "A02", "a model or sub-circuit that nothing uses";
    LoneNode = "A03", "a node with one connection";
    OutputUnreached = "A04", "an output with no path from the input";
    NoEquilibrium = "A05", "a transistor model whose NF and NR differ";
    ElectrolyticReversed = "A06", "an electrolytic the wrong way round";
    DeviceOff = "A07", "a transistor that conducts no current";
    DeviceSaturated = "A08", "a transistor that is saturated or works backwards";
    BypassInBand = "A09", "a bypass capacitor that cuts the bass inside the band";
    SheetSyntax = "B01", "a bench sheet whose text is not TOML";
    UnknownKey = "B02", "a key that is not known in this place of a sheet";
    BadSheetValue = "B03", "a value of a sheet that cannot be read, or cannot be";
    MissingKey = "B04", "a key that is needed and not there";
    BadReading = "B05", "a reading whose parts do not fit together";
    SheetReference = "B06", "a name in a sheet that stands for nothing in the circuit";
    PrintedDisagrees = "B07", "a printed voltage that the circuit as typed does not give";
}
