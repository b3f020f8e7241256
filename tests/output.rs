//! Result files are written whole or not at all; and texts arrive in every shape that editors give them.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

const DIVIDER: &str = "Divider\nV1 in 0 9\nR1 in out 10k\nR2 out 0 10k\n";

fn hissmap(folder: &Path, arguments: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    command.args(arguments.split_whitespace()).current_dir(folder).output().expect("the command runs")
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("amp.cir"), DIVIDER).expect("a netlist");
    folder
}

fn read(folder: &Path, name: &str) -> String {
    fs::read_to_string(folder.join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("the folder is there");
    let mut names: Vec<String> =
        entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

#[track_caller]
fn check_refused(ran: &Output, words: &str) {
    let error = String::from_utf8_lossy(&ran.stderr);
    assert_eq!(ran.status.code(), Some(2), "{error}");
    assert!(error.contains("(F07)") && error.contains(words), "{error}");
    assert!(ran.stdout.is_empty());
}

#[test]
fn a_result_goes_to_a_file_and_nothing_else_is_left() {
    let folder = folder();
    let folder = folder.path();
    let printed = hissmap(folder, "bias amp.cir").stdout;
    for (flags, file) in [("-o bias.txt", "bias.txt"), ("--output deep/bias.txt", "deep/bias.txt")] {
        fs::create_dir_all(folder.join("deep")).expect("a folder");
        let ran = hissmap(folder, &format!("bias amp.cir {flags}"));
        assert_eq!((ran.status.code(), ran.stdout.as_slice()), (Some(0), &b""[..]));
        assert_eq!(read(folder, file).as_bytes(), printed);
    }
    assert_eq!(names(folder), ["amp.cir", "bias.txt", "deep"]);
    for command in ["check amp.cir", "noise amp.cir --csv", "response amp.cir --from V1 --to out --json", "why N03"] {
        let ran = hissmap(folder, &format!("{command} -o result --force"));
        assert_eq!(ran.status.code(), Some(0), "{}", String::from_utf8_lossy(&ran.stderr));
        assert_eq!(read(folder, "result").as_bytes(), hissmap(folder, command).stdout);
    }
}

#[test]
fn a_file_that_exists_stays_without_force() {
    let folder = folder();
    let folder = folder.path();
    fs::write(folder.join("old"), "measured").expect("a file");
    check_refused(&hissmap(folder, "bias amp.cir -o old"), "--force");
    assert_eq!(read(folder, "old"), "measured");
    assert_eq!(hissmap(folder, "bias amp.cir -o old --force").status.code(), Some(0));
    assert!(read(folder, "old").contains("4.500 V"));
    // The netlist itself is never replaced, forced or not.
    check_refused(&hissmap(folder, "bias amp.cir -o amp.cir --force"), "what was read");
    assert_eq!(names(folder), ["amp.cir", "old"]);
}

#[test]
fn a_refusal_writes_no_file() {
    let folder = folder();
    let folder = folder.path();
    fs::write(folder.join("bad.cir"), "Bad\nR1 a 0 4,7k\n").expect("a netlist");
    fs::write(folder.join("old"), "measured").expect("a file");
    let ran = hissmap(folder, "bias bad.cir --json -o old --force");
    assert_eq!(ran.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&ran.stdout).contains("N06"));
    assert_eq!(read(folder, "old"), "measured");
}

#[test]
fn what_is_no_plain_file_is_not_replaced() {
    let folder = folder();
    let folder = folder.path();
    check_refused(&hissmap(folder, "bias amp.cir -o . --force"), "no plain file");
    check_refused(&hissmap(folder, "bias amp.cir -o nowhere/bias.txt"), "cannot be written");
    #[cfg(unix)]
    {
        check_refused(&hissmap(folder, "bias amp.cir -o /dev/null --force"), "no plain file");
        // Through a link the file behind it is replaced, and the link stays.
        fs::write(folder.join("real"), "measured").expect("a file");
        std::os::unix::fs::symlink("real", folder.join("link")).expect("a link");
        assert_eq!(hissmap(folder, "bias amp.cir -o link --force").status.code(), Some(0));
        assert!(fs::symlink_metadata(folder.join("link")).expect("the link").is_symlink());
        assert!(read(folder, "real").contains("4.500 V"));
    }
}

#[test]
fn a_dash_is_standard_output_and_makes_no_file() {
    let folder = folder();
    let folder = folder.path();
    assert_eq!(hissmap(folder, "bias amp.cir -o -").stdout, hissmap(folder, "bias amp.cir").stdout);
    let refused = hissmap(folder, "listen amp.cir --at out -o -");
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("-o hiss.wav"));
    assert_eq!(names(folder), ["amp.cir"]);
}

#[test]
fn a_plot_is_an_svg_file_of_its_own() {
    let folder = folder();
    let folder = folder.path();
    let refused = hissmap(folder, "noise amp.cir --at out --plot hiss.png");
    let error = String::from_utf8_lossy(&refused.stderr);
    assert!(refused.status.code() == Some(2) && error.contains("--plot hiss.svg"), "{error}");
    check_refused(
        &hissmap(folder, "noise amp.cir --at out --plot a.svg -o a.svg --force"),
        "both the plot and the figures",
    );
    assert_eq!(names(folder), ["amp.cir"]);
    assert_eq!(hissmap(folder, "noise amp.cir --at out --plot A.SVG -o a.txt").status.code(), Some(0));
    assert_eq!(names(folder), ["A.SVG", "a.txt", "amp.cir"]);
}

#[test]
fn a_message_without_a_file_names_no_place() {
    let folder = folder();
    for command in ["why N99", "schema bais", "man bais"] {
        let error = String::from_utf8(hissmap(folder.path(), command).stderr).expect("UTF-8");
        assert!(error.starts_with(|first: char| first.is_ascii_lowercase()), "{error}");
    }
}

#[test]
fn who_names_a_part_for_a_point_is_told_its_nodes() {
    let ran = hissmap(folder().path(), "noise amp.cir --at r2");
    let error = String::from_utf8_lossy(&ran.stderr);
    assert!(error.contains("no node is called r2") && error.contains("its nodes: out, 0"), "{error}");
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let folder = folder();
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    command.arg("why").current_dir(folder.path()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("the command starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("the command ends");
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), &b""[..]));
}

/// The same divider in the shapes that editors and old discs give it.
#[test]
fn every_encoding_gives_the_same_volts() {
    let folder = folder();
    let folder = folder.path();
    let shapes: [(&str, Vec<u8>); 8] = [
        ("carriage returns", DIVIDER.replace('\n', "\r\n").into_bytes()),
        ("a mark at the beginning", [b"\xef\xbb\xbf", DIVIDER.as_bytes()].concat()),
        ("tabs", DIVIDER.replace(' ', "\t").into_bytes()),
        ("no end of the last line", DIVIDER.trim_end().as_bytes().to_vec()),
        ("old letters in comments", [DIVIDER.as_bytes(), b"* gr\xfcn \xb5\nR3 out 0 1e12 ; caf\xe9\n"].concat()),
        ("old letters in the title", [b"Verst\xe4rker", &DIVIDER.as_bytes()[7..]].concat()),
        ("blank lines", DIVIDER.replace('\n', "\n\n \t\n").into_bytes()),
        ("all at once", [b"\xef\xbb\xbf".to_vec(), DIVIDER.trim_end().replace('\n', "\r\n\t").into_bytes()].concat()),
    ];
    for (shape, bytes) in shapes {
        fs::write(folder.join("shaped.cir"), bytes).expect("a netlist");
        let ran = hissmap(folder, "bias shaped.cir");
        assert_eq!(ran.status.code(), Some(0), "{shape}: {}", String::from_utf8_lossy(&ran.stderr));
        assert!(String::from_utf8_lossy(&ran.stdout).contains("out   4.500 V"), "{shape}: {:?}", ran.stdout);
    }
    for empty in ["", "\n", "\u{feff}", "\r\n\r\n", " "] {
        fs::write(folder.join("shaped.cir"), empty).expect("a netlist");
        let ran = hissmap(folder, "bias shaped.cir");
        let error = String::from_utf8_lossy(&ran.stderr);
        assert!(ran.status.code() == Some(2) && error.contains("(C07)"), "{empty:?}: {error}");
    }
}
