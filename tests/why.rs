//! What `hissmap why` teaches: every worked example provokes its code and no other, prints what is shown, and is mended.

use std::fs;
use std::path::Path;
use std::process::Command;

use hissmap::diagnostic::Code;

/// One run of an example: files of its folder, the arguments, what is printed.
#[derive(Clone, Default)]
struct Run {
    files: Vec<(String, String)>,
    arguments: Vec<String>,
    shown: String,
}

/// The example and the mended one. Blocks are headed by `NAME:` or `$ hissmap …`, and indented by four.
fn runs(lesson: &str) -> (Run, Run) {
    enum Block {
        None,
        File(usize),
        Shown,
    }
    let (mut example, mut run, mut block) = (None, Run::default(), Block::None);
    for line in lesson.lines() {
        if let Some(content) = line.strip_prefix("    ") {
            match block {
                Block::None => panic!("indented for no reason: {line}"),
                Block::File(at) => run.files[at].1 += &format!("{content}\n"),
                Block::Shown => run.shown += &format!("{content}\n"),
            }
            continue;
        }
        let mended = line.strip_prefix("mended");
        if mended.is_some() && example.is_none() {
            example = Some(run.clone());
            run.shown.clear();
        }
        let name = mended.map_or(line, |rest| rest.trim_start_matches([',', ' ']));
        if let Some(arguments) = line.strip_prefix("$ hissmap ") {
            run.arguments = arguments.split_whitespace().map(str::to_owned).collect();
            block = Block::Shown;
        } else if let Some(file) = name.strip_suffix(':').filter(|file| !file.is_empty() && !file.contains(' ')) {
            let at = run.files.iter().position(|(known, _)| known == file).unwrap_or(run.files.len());
            match run.files.get_mut(at) {
                Some((_, text)) => text.clear(),
                None => run.files.push((file.to_owned(), String::new())),
            }
            block = Block::File(at);
        }
    }
    (example.expect("the lesson has a mended example"), run)
}

/// Exit code and what is said on standard error.
fn outcome(run: &Run) -> (Option<i32>, String) {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in &run.files {
        fs::write(folder.path().join(name), text).expect("a file");
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    let ran = command.args(&run.arguments).current_dir(folder.path()).output().expect("the command runs");
    (ran.status.code(), String::from_utf8(ran.stderr).expect("text"))
}

/// Codes at the ends of lines, each once.
fn codes(messages: &str) -> Vec<&str> {
    let ends = messages.lines().filter_map(|line| line.strip_suffix(')')?.rsplit_once("  (").map(|(_, code)| code));
    let mut codes: Vec<&str> = ends.collect();
    codes.sort_unstable();
    codes.dedup();
    codes
}

#[test]
fn every_example_provokes_its_code_and_is_mended() {
    for &code in Code::ALL {
        let (example, mended) = runs(code.lesson());
        let (_, messages) = outcome(&example);
        assert_eq!(codes(&messages), [code.as_str()], "{messages}");
        assert_eq!(messages, example.shown, "{}", code.as_str());
        assert_eq!(outcome(&mended), (Some(0), String::new()), "mended {}", code.as_str());
    }
}

#[test]
fn why_prints_the_lesson_of_a_code_in_either_case() {
    let why = |code: &str| {
        let ran = Command::new(env!("CARGO_BIN_EXE_hissmap")).args(["why", code]).output().expect("the command runs");
        (ran.status.code(), String::from_utf8(ran.stdout).expect("text"), String::from_utf8(ran.stderr).expect("text"))
    };
    let (code, text, _) = why("n03");
    assert_eq!(code, Some(0));
    assert!(text.starts_with("N03: a model that is defined nowhere\n\n") && text.contains("\nmended"), "{text}");
    let (code, text, error) = why("N99");
    assert_eq!((code, text.as_str()), (Some(2), ""));
    assert!(error.contains("no message has the code N99") && error.contains("(F04)"), "{error}");
}

#[test]
fn why_without_a_code_lists_all() {
    let ran = Command::new(env!("CARGO_BIN_EXE_hissmap")).arg("why").output().expect("the command runs");
    let text = String::from_utf8(ran.stdout).expect("text");
    assert_eq!(text.lines().count(), Code::ALL.len());
    for code in Code::ALL {
        assert!(text.contains(&format!("{}  {}\n", code.as_str(), code.meaning())), "{}", code.as_str());
    }
}

#[test]
fn lessons_fit_the_page() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/diagnostic/lessons.txt");
    let text = fs::read_to_string(file).expect("the lessons are there");
    assert_eq!(text.matches("\n== ").count(), Code::ALL.len());
    // What is printed may be longer, as messages are.
    for line in text.lines().filter(|line| !line.starts_with("    ")) {
        assert!(line.chars().count() <= 100, "{line}");
    }
}
