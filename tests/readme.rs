//! What README.md shows is what the program prints.

use std::process::Command;

/// The commands of the console blocks that run `hissmap` itself, each with the text printed below it.
fn shown_commands(readme: &str) -> Vec<(String, String)> {
    let mut commands: Vec<(String, String)> = Vec::new();
    let mut inside = false;
    for line in readme.lines() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if let Some(command) = line.strip_prefix("$ ").filter(|_| inside) {
            commands.push((command.to_owned(), String::new()));
        } else if inside {
            let (_, shown) = commands.last_mut().expect("a command comes first");
            *shown += line;
            shown.push('\n');
        }
    }
    commands.retain(|(command, _)| command.starts_with("hissmap "));
    commands
}

#[test]
fn the_readme_shows_what_is_printed() {
    let readme = std::fs::read_to_string("README.md").expect("README.md is there");
    let shown = shown_commands(&readme);
    assert!(shown.len() >= 5, "only {} commands found", shown.len());
    // In a folder of their own, in order: one writes the file that the next one reads.
    let folder = tempfile::tempdir().expect("a folder");
    let circuits = folder.path().join("circuits");
    std::fs::create_dir(&circuits).expect("a folder");
    for file in std::fs::read_dir("circuits").expect("the circuits are there") {
        let file = file.expect("a file");
        std::fs::copy(file.path(), circuits.join(file.file_name())).expect("a copy");
    }
    for (command, printed) in shown {
        let arguments = command.split_whitespace().skip(1);
        let mut hissmap = Command::new(env!("CARGO_BIN_EXE_hissmap"));
        let ran = hissmap.args(arguments).current_dir(folder.path()).output().expect("the command runs");
        assert!(ran.status.success(), "{command}: {}", String::from_utf8_lossy(&ran.stderr));
        assert_eq!(String::from_utf8_lossy(&ran.stdout), printed, "{command}");
    }
}
