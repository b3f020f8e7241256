//! What makes the command easy to take up: schemas that real output keeps, completions, manual pages.

use std::process::{Command, Output};

use hissmap::report::json::{COMMANDS, schema};
use serde_json::{Value, json};

const PAIR: &str = "circuits/two-stage-germanium.cir";
const SHEET: &str = "circuits/two-stage-germanium.toml";

fn hissmap(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hissmap")).args(arguments).output().expect("it runs")
}

fn printed(arguments: &[&str]) -> String {
    let output = hissmap(arguments);
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The schema as it is printed, every definition closed: a key that it does not declare is a fault too. Definitions whose keys
/// are merged into another's stay open.
fn closed(command: &str) -> Value {
    let mut schema: Value = serde_json::from_str(&printed(&["schema", command])).expect("JSON");
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    let definitions = schema["$defs"].as_object_mut().expect("definitions");
    let merged: Vec<String> = definitions
        .values()
        .flat_map(|definition| {
            let within = ["anyOf", "allOf", "oneOf"].into_iter().filter(|_| definition.get("properties").is_some());
            within.flat_map(|key| definition.get(key).and_then(Value::as_array).cloned().unwrap_or_default())
        })
        .filter_map(|part| Some(part.get("$ref")?.as_str()?.rsplit('/').next()?.to_owned()))
        .collect();
    for (name, definition) in definitions.iter_mut().filter(|(name, _)| !merged.contains(name)) {
        if let Some(object) = definition.as_object_mut().filter(|object| object.contains_key("properties")) {
            assert_eq!(object.get("type"), Some(&json!("object")), "{name}");
            object.insert("unevaluatedProperties".to_owned(), json!(false));
        }
    }
    schema
}

fn errors(schema: &Value, of: &Value) -> Vec<String> {
    let validator = jsonschema::validator_for(schema).expect("a schema");
    validator.iter_errors(of).map(|error| format!("{}: {error}", error.instance_path())).collect()
}

/// Arguments whose output shows as many keys as possible.
fn shown(command: &str, folder: &str) -> Vec<Vec<String>> {
    let of = |arguments: &[&str]| arguments.iter().map(|argument| (*argument).to_owned()).collect::<Vec<_>>();
    let healthy = format!("{folder}/healthy.wav");
    let score = format!("{folder}/score.json");
    match command {
        "check" => vec![of(&["check", PAIR]), of(&["check", SHEET]), of(&["check", "tests/bad/unknown-model.cir"])],
        "bias" => vec![
            of(&["bias", PAIR, "--dc-meter", "10MEG", "--healthy", "--leak", "Q2=20uA"]),
            of(&["bias", "circuits/jfet-input.cir"]),
        ],
        "response" => vec![
            of(&["response", PAIR, "--to", "out", "--control", "volume", "--swing"]),
            of(&[
                "response",
                "circuits/replay-amplifier.cir",
                "--to",
                "outL",
                "--from",
                "VL",
                "--twin",
                "VR:outR",
                "--balance",
                "balance",
            ]),
        ],
        "noise" => vec![of(&[
            "noise",
            PAIR,
            "--at",
            "out",
            "--rs",
            "RS",
            "--level",
            "0.775",
            "--meter",
            "--scope",
            "--spectrum",
            "--control",
            "volume",
            "--healthy",
            "--ripple",
            "VEE=50mV",
        ])],
        "compare" => vec![of(&["compare", PAIR, "--leak", "Q2=20uA,x=300", "--control", "volume"])],
        "symptoms" => vec![of(&["symptoms", PAIR])],
        "diagnose" => vec![of(&["diagnose", SHEET, "--explain"])],
        "drill" => vec![of(&["drill", "--merge", &score])],
        "spares" => vec![of(&["spares", SHEET, "Q2"]), of(&["spares", SHEET, "Q2", "--pulled"])],
        "verify" => vec![of(&["verify", SHEET])],
        "listen" => vec![of(&[
            "listen",
            PAIR,
            "--at",
            "out",
            "--seconds",
            "1",
            "--sequence",
            "--leak",
            "Q2=20uA",
            "-o",
            &format!("{folder}/fault.wav"),
        ])],
        "recording" => vec![of(&["recording", &healthy, "--full-scale", "1V", "--spectrum"])],
        other => panic!("how is {other} shown?"),
    }
}

#[test]
fn real_output_keeps_the_schema_of_its_command() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().to_str().expect("a path");
    let (healthy, score, script) =
        (format!("{path}/healthy.wav"), format!("{path}/score.json"), format!("{path}/script.txt"));
    printed(&["listen", PAIR, "--at", "out", "--seconds", "4", "-o", &healthy]);
    std::fs::write(&script, "meter out\nhint\nreplace Q1\n").expect("a script");
    printed(&["drill", SHEET, "--seed", "3", "--script", &script, "--score", &score]);
    for command in COMMANDS {
        let schema = closed(command);
        for mut arguments in shown(command, path) {
            arguments.push("--json".to_owned());
            let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
            let output = hissmap(&arguments);
            let result: Value = serde_json::from_slice(&output.stdout)
                .unwrap_or_else(|error| panic!("{arguments:?}: {error}, {}", String::from_utf8_lossy(&output.stderr)));
            assert_eq!(errors(&schema, &result), [] as [String; 0], "{arguments:?}");
            // A schema that takes anything would be none.
            for key in ["schema", "command", "warnings"] {
                let mut without = result.clone();
                without.as_object_mut().expect("an object").remove(key);
                assert!(!errors(&schema, &without).is_empty(), "{command} without {key}");
            }
            let mut more = result.clone();
            more.as_object_mut().expect("an object").insert("surprise".to_owned(), json!(1));
            assert!(!errors(&schema, &more).is_empty(), "{command} with a key too many");
        }
        let refused = match *command {
            "spares" => hissmap(&["spares", "nowhere.toml", "Q2", "--json"]),
            "drill" => hissmap(&["drill", "--json", "--merge", "nowhere.json"]),
            "recording" => hissmap(&["recording", "nowhere.wav", "--json"]),
            command => hissmap(&[command, "nowhere.cir", "--json"]),
        };
        assert_eq!(refused.status.code(), Some(2), "{command}");
        let refusal: Value = serde_json::from_slice(&refused.stdout)
            .unwrap_or_else(|error| panic!("{command}: {error}, {}", String::from_utf8_lossy(&refused.stdout)));
        assert_eq!(errors(&schema, &refusal), [] as [String; 0], "{command}: {refusal}");
    }
    let score: Value = serde_json::from_str(&std::fs::read_to_string(&score).expect("a score")).expect("JSON");
    assert_eq!(errors(&closed("drill"), &score), [] as [String; 0], "{score}");
}

#[test]
fn a_line_of_a_conversation_keeps_the_schema() {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    command
        .args(["diagnose", SHEET, "--lines"])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped());
    let mut child = command.spawn().expect("it starts");
    let typed = b"dc c2 -5.1\nnonsense\n{\"measure\":\"hiss\",\"at\":\"out\",\"with\":{\"volume\":0},\"value\":\"not visible\"}\n";
    std::io::Write::write_all(&mut child.stdin.take().expect("a pipe"), typed).expect("it listens");
    let output = child.wait_with_output().expect("it ends");
    let schema = closed("diagnose");
    let lines: Vec<Value> = String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}")))
        .collect();
    assert_eq!(lines.len(), 3);
    for line in &lines {
        assert_eq!(errors(&schema, line), [] as [String; 0], "{line}");
    }
}

/// Names of the commands, from the help.
fn commands() -> Vec<String> {
    let help = printed(&["--help"]);
    let (_, list) = help.split_once("Commands:\n").expect("a list of commands");
    let names = list
        .lines()
        .take_while(|line| !line.trim().is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    names.filter_map(|line| line.split_whitespace().next()).filter(|name| *name != "help").map(str::to_owned).collect()
}

#[test]
fn every_command_with_json_has_a_schema() {
    let commands = commands();
    assert!(commands.len() > 12, "{commands:?}");
    for command in &commands {
        let help = printed(&[command, "--help"]);
        // `equations` shares its flags with others and refuses --json.
        let takes = help.lines().any(|line| line.trim_start().starts_with("--json"));
        let has_json = takes && command != "equations";
        assert_eq!(schema(command).is_some(), has_json, "{command}");
    }
    let unknown = hissmap(&["schema", "nois"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("try noise"));
}

#[test]
fn completions_know_every_command_and_the_shell_takes_them() {
    let commands = commands();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = printed(&["completions", shell]);
        for command in &commands {
            assert!(script.contains(command.as_str()), "{shell} does not know {command}");
        }
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("hissmap.bash");
    std::fs::write(&path, printed(&["completions", "bash"])).expect("a script");
    // Where there is no bash nothing is to be asked of it.
    if let Ok(read) = Command::new("bash").arg("-n").arg(&path).output() {
        assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    }
    assert_eq!(hissmap(&["completions", "tcl"]).status.code(), Some(2));
}

#[test]
fn the_manual_has_a_page_for_every_command_with_all_its_flags() {
    let whole = printed(&["man"]).replace('\\', "");
    for command in commands() {
        assert!(whole.contains(&format!("hissmap-{command}(1)")), "{command}");
        let page = printed(&["man", &command]).replace('\\', "");
        assert!(page.contains(".SH NAME") && page.contains(".SH OPTIONS"), "{command}");
        let help = printed(&[&command, "--help"]);
        let flags =
            help.split_whitespace().filter(|word| word.starts_with("--") && help.contains(&format!("  {word}")));
        for flag in flags.map(|flag| flag.trim_matches(|c: char| !c.is_alphanumeric() && c != '-')) {
            assert!(page.contains(flag), "{command}: {flag}");
        }
    }
    assert_eq!(hissmap(&["man", "nois"]).status.code(), Some(2));
}
