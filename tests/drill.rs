//! Drills: readings as algebra has them, dangerous acts stopped, the truth explained by the numbers, scores, scripts, lessons;
//! and that following diagnosis beats tracing front to back.
//!
//! `HISSMAP_DRILLS=200 cargo test --release --test drill following -- --nocapture` runs so many units of the pair.

use std::io::Write;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;

use hissmap::bench::reading::{Measure, Observed, Reading};
use hissmap::bench::sheet::Sheet;
use hissmap::bench::{Fault, FaultKind};
use hissmap::diagnosis::prepare::Prepared;
use hissmap::drill::{Action, Advice, Answer, BURNS_CELSIUS, Drill, HIGH_VOLTS, Level, seal, unseal};
use hissmap::netlist::{Fetched, IncludeRequest};
use hissmap::report::json::Score;
use hissmap::report::text;

/// 9 V over 10 kΩ and 20 kΩ.
const DIVIDER: &str = "Divider
V1 cc 0 9
R1 cc out 10k
R2 out 0 20k
.noise v(out) V1 dec 10 20 20k
";

/// No tolerance and next to no reading errors, instruments that load nothing.
const EXACT: &str = "circuit = \"unit.cir\"
[instrument.meter]
ohm = 1e12
farad = 0
floor = 1e-12
[instrument.dc_meter]
ohm = 1e12
[tolerance]
resistor = \"0 %\"
resistor_noise = [1e-9, 1.0000001e-9]
supply = \"0 %\"
ambient_c = [26.99999, 27.00001]
meter = \"0 %\"
[reading_error]
hiss = 1e-9
dc = 1e-9
dc_zero = 1e-12
change_db = 1e-9
";

/// The pair of the campaign of simulated repairs.
const PAIR: &str = "circuit = \"circuits/two-stage-germanium.cir\"
output = \"out\"
[control.volume]
range = [0, 1]
now = 1
[bench]
near = [[\"Q1\", \"Q2\"]]
";

fn sheet_of(text: &str, netlist: &str) -> Sheet {
    let read = Sheet::read("job.toml", text, &mut |_: &IncludeRequest<'_>| {
        Ok(Fetched { name: "unit.cir".to_owned(), text: netlist.to_owned() })
    });
    read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages)).0
}

fn sheet_file(name: &str, text: &str) -> Sheet {
    let read = Sheet::read(name, text, &mut |request: &IncludeRequest<'_>| {
        let path = match request.path.contains('/') {
            true => request.path.to_owned(),
            false => format!("circuits/{}", request.path),
        };
        let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
        Ok(Fetched { name: path, text })
    });
    read.unwrap_or_else(|unread| panic!("{:#?}", unread.messages)).0
}

fn act(drill: &mut Drill<'_>, typed: &str) -> Answer {
    let action = Action::read(typed).unwrap_or_else(|error| panic!("{typed}: {error:?}"));
    assert_eq!(Action::read(&action.text()), Ok(action.clone()), "{typed} reads back");
    drill.act(&action).unwrap_or_else(|error| panic!("{typed}: {error:?}"))
}

fn number(answer: Answer) -> f64 {
    let Answer::Read(Reading { value: Some(value), .. }) = answer else { panic!("{answer:?}") };
    match value.observed {
        Observed::Number(number) => number,
        Observed::Word(word) => panic!("{word:?}"),
    }
}

#[test]
fn readings_are_those_of_algebra_and_cost_what_the_sheet_says() {
    let text = format!("{EXACT}[cost]\ndc = 1.5\nhiss = 2.5\nwrong_part = 31\n");
    let sheet = sheet_of(&text, DIVIDER);
    let fault = Fault::new("R2", FaultKind::ResistorNoisy).with("uv_per_v", 10.0);
    let mut drill = Drill::chosen(&sheet, 1, &fault).expect("a drill");
    assert!((number(act(&mut drill, "dc out")) - 6.0).abs() < 1e-6);
    // IEC 60195: 10 µV a volt and decade, 6 V across, three decades; 10 kΩ of 30 kΩ of it at the tap. Nyquist: 4kTR beside.
    let excess = 10e-6 * 6.0 * 3f64.sqrt() / 3.0;
    let thermal = (4.0 * 1.380649e-23 * 300.15 * (20e3 / 3.0) * 19_980.0_f64).sqrt();
    let hiss = number(act(&mut drill, "meter out"));
    assert!((hiss / excess.hypot(thermal) - 1.0).abs() < 1e-3, "{hiss}");
    assert_eq!(drill.course().minutes(), 4.0);
    assert_eq!(act(&mut drill, "replace r1"), Answer::Replaced { part: "R1".to_owned(), cured: false });
    assert_eq!(drill.course().minutes(), 35.0);
    assert_eq!(act(&mut drill, "replace R2"), Answer::Replaced { part: "R2".to_owned(), cured: true });
    assert_eq!(drill.course().minutes(), 35.0, "the bad part had to be replaced anyway");
    assert_eq!(drill.course().first_right(), Some(false));
    assert_eq!(drill.course().wrong_parts(), ["R1"]);
    assert!(drill.is_over() && drill.act(&Action::Help).is_err());
}

#[test]
fn the_truth_is_that_of_algebra() {
    let sheet = sheet_of(EXACT, DIVIDER);
    let fault = Fault::new("R2", FaultKind::ResistorNoisy).with("uv_per_v", 10.0);
    let truth = Drill::chosen(&sheet, 1, &fault).expect("a drill").truth().expect("a bias");
    let out = &truth.points[truth.output];
    // An ampere across R2 meets R1 beside it.
    assert!((out.transfer_ohms.expect("a source") / (20e3 / 3.0) - 1.0).abs() < 1e-9);
    let excess = (10e-6 * 6.0 * 3f64.sqrt() / 3.0).powi(2);
    let four_kt = 4.0 * 1.380649e-23 * 300.15 * 19_980.0;
    // Of the thermal noise of both side by side, one third is that of the 20 kΩ: currents go with the conductances.
    let (thermal, own) = (four_kt * 20e3 / 3.0, four_kt * 20e3 / 3.0 / 3.0);
    assert!((out.own_share / ((excess + own) / (excess + thermal)) - 1.0).abs() < 1e-3, "{}", out.own_share);
    assert!((out.rms_volts[0] / thermal.sqrt() - 1.0).abs() < 1e-3);
    assert!((out.dc_volts[0] - 6.0).abs() < 1e-9 && (out.dc_volts[1] - 6.0).abs() < 1e-9);
    assert_eq!((truth.first, truth.misled_to), (Some(truth.output), None));
}

#[test]
fn a_part_of_a_value_gone_wrong_is_explained_by_what_it_does_to_others() {
    // R2 of 20 kΩ became 100 kΩ, and less of R1's hiss is lost across it.
    let sheet = sheet_of(EXACT, DIVIDER);
    let fault = Fault::new("R2", FaultKind::ValueHigh).with("factor", 5.0);
    let truth = Drill::chosen(&sheet, 1, &fault).expect("a drill").truth().expect("a bias");
    let raised = truth.raised.expect("R1 is heard more");
    assert_eq!(raised.part, "R1");
    // V of R1 at the tap: √(4kT·R1·B)·R2/(R1 + R2), 20/30 before and 100/110 after.
    let ratio = raised.rms_volts[1] / raised.rms_volts[0];
    assert!((ratio / ((100.0 / 110.0) / (20.0 / 30.0)) - 1.0).abs() < 1e-3, "{ratio}");
    let gains = truth.gain_db.expect("an input");
    assert!((gains[1] - gains[0] - 20.0 * ((100.0 / 110.0) / (20.0 / 30.0_f64)).log10()).abs() < 1e-6);
}

#[test]
fn what_hurts_or_destroys_is_stopped_and_told_why() {
    // 200 V over 10 kΩ and 10 kΩ: 100 V in the middle, 1 W in each resistor. Q1: 29.3 V over 5 kΩ and
    // 51 times 20 Ω make 4.9 mA of base current, 0.25 A at 25 V: 6 W.
    let netlist = "High volts
V1 cc 0 200
R1 cc mid 10k
R2 mid 0 10k
V2 lo 0 30
R3 lo b 5k
Q1 lo b e POWER
R4 e a 10
R5 a 0 10
R6 mid tap 1MEG
R7 tap 0 10k
.model POWER NPN (IS=1e-12 BF=50 RTH=20 PTOT=10)
.noise v(e) V2 dec 10 20 20k
";
    let sheet = sheet_of("circuit = \"unit.cir\"", netlist);
    let fault = Fault::new("R5", FaultKind::ResistorNoisy).with("uv_per_v", 100.0);
    let mut drill = Drill::chosen(&sheet, 1, &fault).expect("a drill");
    assert!((50.0..=120.0).contains(&HIGH_VOLTS) && (48.0..=60.0).contains(&BURNS_CELSIUS));
    let mut why = |typed: &str| match act(&mut drill, typed) {
        Answer::Stopped(why) => Some(why),
        _ => None,
    };
    let refused = |why: Option<String>, of: &str| why.is_some_and(|why| why.contains(of));
    assert!(refused(why("finger R1"), "R1 stands at 2"), "about 200 V");
    assert!(refused(why("freeze R2"), "R2 stands at"), "about 100 V");
    assert!(refused(why("shunt mid"), "kills"));
    assert!(refused(why("finger Q1"), "burnt"), "20 °C/W times 6 W over 27 °C");
    assert!(refused(why("scope e,lo"), "at earth"));
    assert!(refused(why("shunt lo"), "a source holds it"));
    assert_eq!(why("meter tap"), None, "a volt is harmless");
    assert_eq!(why("finger R7"), None);
    assert_eq!(drill.course().stopped(), 6);
    assert_eq!(drill.course().minutes(), 2.0, "what is stopped takes no time");
}

#[test]
fn a_control_stays_where_it_was_turned() {
    let sheet = sheet_file("pair.toml", PAIR);
    let fault = Fault::new("Q2", FaultKind::JunctionLeak).with("icbo", 60e-6).with("x", 100.0);
    let mut drill = Drill::chosen(&sheet, 5, &fault).expect("a drill");
    let loud = number(act(&mut drill, "meter out"));
    let Answer::Stands { position, read: Some(read), .. } = act(&mut drill, "turn volume 0") else {
        panic!("it stands")
    };
    assert_eq!((position, read.measure), (0.0, Measure::Change));
    // 10 Ω of end resistance below 10 kΩ: some 60 dB less, and the meter's own 3 µV are left.
    assert!(matches!(act(&mut drill, "meter out"), Answer::Read(Reading { value: Some(value), .. })
        if !matches!(value.observed, Observed::Number(volts) if volts > 0.1 * loud)));
    let again = number(act(&mut drill, "meter out volume=1"));
    assert!((again / loud).ln().abs() < 1.0, "{again} against {loud}: the same but for two errors of 12 %");
    assert!(drill.act(&Action::read("turn volume 2").expect("an action")).is_err());
    // 1 + 0.5 + 1 + (1 and a turn of 0.5).
    assert_eq!(drill.course().minutes(), 4.0);
}

#[test]
fn the_trap_of_the_direct_coupled_pair_is_explained() {
    let text = std::fs::read_to_string("circuits/lesson-pair.toml").expect("the lesson");
    let sheet = sheet_file("circuits/lesson-pair.toml", &text);
    let lesson = sheet.lesson.clone().expect("a lesson");
    let drill = Drill::drawn(&sheet, lesson.seed.expect("a seed"), lesson.level.expect("a level")).expect("a drill");
    let truth = drill.truth().expect("a bias");
    assert_eq!((truth.fault.part.as_str(), truth.misled_to.as_deref()), ("Q2", Some("Q1")));
    let told = text::drill_truth(&truth);
    assert!(told.contains("the output of Q1") && told.contains("Q1 is good"), "{told}");
    // The source's transfer goes with its mean square: what it makes at two points stands as the squares of both, as long as
    // its spectrum is that of 1 kHz at both (the band is wide, so within 20 %).
    let of = |name: &str| truth.points.iter().find(|point| point.name == name).expect("a point");
    let (first, out) = (of("TP1"), of("out"));
    let made = |point: &hissmap::drill::TruthPoint| point.rms_volts[1] * point.own_share.sqrt();
    let by_transfer = first.transfer_ohms.expect("a source") / out.transfer_ohms.expect("a source");
    assert!((made(first) / made(out) / by_transfer - 1.0).abs() < 0.2);
}

#[test]
fn every_lesson_has_a_goal_and_tells_nobody_its_fault() {
    let mut seen = 0;
    for entry in std::fs::read_dir("circuits").expect("circuits/") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        if !(name.starts_with("lesson-") && name.ends_with(".toml")) {
            continue;
        }
        seen += 1;
        let text = std::fs::read_to_string(&path).expect("a lesson");
        let sheet = sheet_file(&path.display().to_string(), &text);
        let lesson = sheet.lesson.clone().unwrap_or_else(|| panic!("{name} has no [drill]"));
        assert!(lesson.goal.is_some() && lesson.seed.is_some(), "{name}");
        for kind in FaultKind::ALL {
            assert!(!text.contains(kind.name()), "{name} names {}", kind.name());
        }
    }
    assert!(seen >= 3, "{seen} lessons");
}

#[test]
fn a_sealed_fault_opens_to_itself_and_tells_nothing() {
    let sheet = sheet_file("pair.toml", PAIR);
    let fault = Fault::new("Q2", FaultKind::JunctionLeak).with("icbo", 60e-6).with("x", 100.0).with("corner", 300.0);
    let fault = fault.checked(&sheet.circuit).expect("it fits");
    let words: Vec<String> = (0..=255).map(|salt| seal(&fault, salt)).collect();
    for word in &words {
        assert_eq!(unseal(&sheet.circuit, word), Ok(fault.clone()));
        let bytes: Vec<u8> =
            (0..word.len() / 2).map(|at| u8::from_str_radix(&word[2 * at..2 * at + 2], 16).expect("hex")).collect();
        assert!(!String::from_utf8_lossy(&bytes).contains("Q2"));
    }
    let open = Fault::new("Q1", FaultKind::Open).at(&[hissmap::element::Pin::Base]);
    assert_eq!(unseal(&sheet.circuit, &seal(&open, 7)), Ok(open));
    for wrong in ["", "0", "zz", "00", "ffff", "é0", &"0".repeat(100_000), &words[3][..20]] {
        assert!(unseal(&sheet.circuit, wrong).is_err(), "{wrong}");
    }
}

/// A learner who traces: the first transistor at whose output the meter shows 5 dB over the healthy model, the others after
/// it, then the search.
fn trace_front_to_back(drill: &mut Drill<'_>, healthy: &[(&str, &str, f64)]) {
    let mut order: Vec<&str> = healthy.iter().map(|(part, ..)| *part).collect();
    for (place, (_, node, volts)) in healthy.iter().enumerate() {
        if number(act(drill, &format!("meter {node}"))) > volts * 10f64.powf(5.0 / 20.0) {
            order.rotate_left(place);
            break;
        }
    }
    for part in order {
        if !drill.is_over() {
            act(drill, &format!("replace {part}"));
        }
    }
    if !drill.is_over() {
        act(drill, "give up");
    }
}

/// A learner who types what the hint says, the checks before unsoldering left out.
fn follow_hints(drill: &mut Drill<'_>) {
    for _ in 0..60 {
        let Answer::Hint(hint) = act(drill, "hint") else { panic!("a hint") };
        let typed = match hint.advice {
            Advice::Test { action, verify: false, .. } | Advice::Act(action) => action.text(),
            Advice::Test { .. } => {
                let (part, _) = hint.leader.expect("a leader");
                format!("replace {part}")
            }
            Advice::Search => "give up".to_owned(),
        };
        act(drill, &typed);
        if drill.is_over() {
            return;
        }
    }
    act(drill, "give up");
}

#[test]
fn following_diagnosis_pulls_the_right_part_first_and_tracing_does_worse() {
    let units: u64 = std::env::var("HISSMAP_DRILLS").map_or(12, |text| text.parse().expect("a number"));
    let sheet = sheet_file("pair.toml", PAIR);
    let prepared = Arc::new(Prepared::of(&sheet, &|_, _| {}).expect("a bank"));
    // The healthy model at 27 °C, as the netlist's own comments print it: 10 µV at c1; 68 µV at out is 68 µV at c2, to which
    // the control at its upper end adds nothing.
    let healthy = [("Q1", "c1", 10.1e-6), ("Q2", "c2", 68e-6)];
    let (mut right, mut traced_right, mut own, mut traced) = (0u64, 0u64, 0.0, 0.0);
    for seed in 0..units {
        let drill = Drill::drawn(&sheet, 0x6c65_6172_6e00 + seed, Level::Fair).expect("a drill");
        let mut drill = drill.advised_by(Arc::clone(&prepared));
        let mut tracing = drill.afresh();
        follow_hints(&mut drill);
        trace_front_to_back(&mut tracing, &healthy);
        let best = drill.best_course().expect("a way");
        let [hinted, naive] = [&drill, &tracing].map(|drill| Score::of(drill, None, Some(&best)));
        right += u64::from(hinted.first_part_right == Some(true));
        traced_right += u64::from(naive.first_part_right == Some(true));
        own += hinted.minutes;
        traced += naive.minutes;
        assert_eq!(hinted.part, naive.part);
        // One way is the other without the asking.
        let asked = hinted.steps.iter().find(|step| step.action != "hint").map(|step| &step.action);
        assert_eq!(asked, best.steps.first().map(|step| step.action.text()).as_ref(), "seed {seed}");
    }
    let count = units as f64;
    println!(
        "first part right: {:.3} following diagnosis, {:.3} tracing; minutes {:.1} against {:.1}, {units} units",
        right as f64 / count,
        traced_right as f64 / count,
        own / count,
        traced / count
    );
    // Required of diagnosis on a direct-coupled pair: 0.94; three standard errors of a binomial share at that number.
    let required: f64 = 0.94;
    assert!(
        right as f64 / count >= required - 3.0 * (required * (1.0 - required) / count).sqrt(),
        "{right} of {units}"
    );
    assert!(traced_right < right && traced > 2.0 * own, "{traced_right} against {right}; {traced} against {own}");
}

// The command.

fn hissmap(arguments: &[&str], typed: &[u8], threads: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
    command.args(arguments).env("RAYON_NUM_THREADS", threads);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it starts");
    let mut input = child.stdin.take().expect("a pipe");
    let typed = typed.to_vec();
    // What ends the drill may come before all is read.
    let writer = std::thread::spawn(move || drop(input.write_all(&typed)));
    let output = child.wait_with_output().expect("it ends");
    writer.join().expect("all is written");
    output
}

fn printed(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

const TYPED: &str = "points\nmeter TP1\ndc TP2\nfreeze Q2\nturn volume 0\nshunt neg\nlog\nreplace Q1\n";
const PAIR_LESSON: &str = "circuits/lesson-pair.toml";

#[test]
fn the_same_seed_gives_the_same_bytes_however_it_is_typed() {
    let folder = tempfile::tempdir().expect("a folder");
    let script = folder.path().join("class.txt");
    std::fs::write(&script, format!("# what the class does\n\n{TYPED}")).expect("a script");
    let script = script.to_str().expect("a path");
    let piped = hissmap(&["drill", PAIR_LESSON, "--no-best"], TYPED.as_bytes(), "1");
    let scripted = hissmap(&["drill", PAIR_LESSON, "--no-best", "--script", script], b"", "2");
    assert_eq!(printed(&piped), printed(&scripted));
    let other = hissmap(&["drill", PAIR_LESSON, "--no-best", "--seed", "77"], TYPED.as_bytes(), "1");
    assert_ne!(printed(&piped), printed(&other));
    assert_eq!(printed(&piped).matches("Before your hands go in").count(), 1, "cautions once");
    assert!(printed(&piped).lines().all(|line| line.chars().count() <= 100), "{}", printed(&piped));
}

#[test]
fn nothing_tells_the_fault_before_the_end() {
    let fault = "RE1=resistor_noisy,uv_per_v=50";
    let run = hissmap(&["drill", PAIR_LESSON, "--no-best", "--seed", "5", "--fault", fault], TYPED.as_bytes(), "1");
    let told = printed(&run);
    let (before, after) = told.split_once("The bad part: ").expect("the truth at the end");
    assert!(!before.contains("RE1") && !before.contains("noisy") && after.starts_with("RE1 resistor_noisy"), "{told}");
    let sheet = hissmap(&["drill", PAIR_LESSON, "--worksheet", "--seed", "5", "--fault", fault], b"", "1");
    assert!(!printed(&sheet).contains("RE1") && printed(&sheet).contains("TP2"));
    let sealed = hissmap(&["drill", PAIR_LESSON, "--seal", "--seed", "5", "--fault", fault], b"", "1");
    assert!(!printed(&sealed).contains("RE1") && printed(&sealed).contains("sealed = \""));
}

#[test]
fn a_sealed_lesson_is_the_chosen_one() {
    let fault = "Q2=junction_leak,icbo=60uA,x=100,corner=300";
    let sealed = printed(&hissmap(&["drill", PAIR_LESSON, "--seal", "--seed", "9", "--fault", fault], b"", "1"));
    let text = std::fs::read_to_string(PAIR_LESSON).expect("the lesson");
    let (before, rest) = text.split_once("[drill]").expect("a lesson");
    let (_, after) = rest.split_once("\n\n").expect("another table");
    let folder = tempfile::tempdir().expect("a folder");
    for file in ["two-stage-germanium.cir", "parts.inc", "pots.inc"] {
        std::fs::copy(format!("circuits/{file}"), folder.path().join(file)).expect("a copy");
    }
    let path = folder.path().join("sealed.toml");
    std::fs::write(&path, format!("{before}{sealed}\n{after}")).expect("a sheet");
    let path = path.to_str().expect("a path");
    let opened = printed(&hissmap(&["drill", path, "--no-best"], TYPED.as_bytes(), "1"));
    let chosen = hissmap(&["drill", PAIR_LESSON, "--no-best", "--seed", "9", "--fault", fault], TYPED.as_bytes(), "1");
    let without_goal = |text: String| text.replace("\n\n", "\n").lines().skip(5).map(str::to_owned).collect::<Vec<_>>();
    let (opened, chosen) = (without_goal(opened), without_goal(printed(&chosen)));
    assert_eq!(opened[opened.len() - 40..], chosen[chosen.len() - 40..]);
}

#[test]
fn a_chosen_fault_that_makes_no_complaint_is_not_said_to() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("unit.toml");
    std::fs::write(folder.path().join("unit.cir"), DIVIDER).expect("a netlist");
    std::fs::write(&path, EXACT).expect("a sheet");
    let path = path.to_str().expect("a path");
    let drill = |fault: &str, more: &[&str]| {
        let arguments = [&["drill", path, "--no-best", "--seed", "1", "--fault", fault], more].concat();
        printed(&hissmap(&arguments, b"", "1"))
    };
    // The output's resistance falls from 20/3 kΩ to 5 kΩ, and its thermal noise by 1.2 dB.
    assert!(drill("R2=value_low,factor=0.5", &[]).contains("makes less than 5 dB more of it"));
    assert!(
        drill("R2=value_low,factor=0.5", &["--seal"]).contains("# -1 dB over the healthy model, less than the 5 dB")
    );
    // 100 µV/V of 6 V over three decades is 1 mV at R2; healthy, all of the thermal noise is 1.5 µV.
    assert!(drill("R2=resistor_noisy,uv_per_v=100", &[]).contains("at least 5 dB more hiss at out"));
}

#[test]
fn scores_are_written_once_and_merge_into_a_class() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).to_str().expect("a path").to_owned();
    let (anna, ben) = (path("anna.json"), path("ben.json"));
    let of = |file: &str, name: &str, typed: &str| {
        let arguments = ["drill", PAIR_LESSON, "--no-best", "--score", file, "--name", name];
        hissmap(&arguments, typed.as_bytes(), "1")
    };
    printed(&of(&anna, "Anna", "meter TP1\nshunt c1\nreplace Q2\n"));
    printed(&of(&ben, "Ben", "meter TP1\nreplace Q1\nfinger Q2\nreplace RC1\n"));
    let kept = std::fs::read_to_string(&anna).expect("a score");
    let again = of(&anna, "Anna", "give up\n");
    assert_eq!(again.status.code(), Some(2));
    assert!(again.stdout.is_empty(), "it is told before the work");
    assert_eq!(std::fs::read_to_string(&anna).expect("a score"), kept);
    let score: serde_json::Value = serde_json::from_str(&kept).expect("JSON");
    assert_eq!((&score["schema"], &score["found"], &score["minutes"]), (&1.into(), &true.into(), &2.0.into()));
    let ben_score: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(&ben).expect("a score")).expect("JSON");
    // 1 and 1 for the tests, 30 for each good part, 60 for the search.
    assert_eq!(ben_score["minutes"], 122.0);
    assert_eq!(ben_score["wrong_parts"], serde_json::json!(["Q1", "RC1"]));
    let class = printed(&hissmap(&["drill", "--merge", &anna, &ben], b"", "1"));
    assert!(class.contains("Anna") && class.contains("found 50.0 %") && class.contains("62.0 min each"), "{class}");
    let json = printed(&hissmap(&["drill", "--merge", &anna, &ben, "--json"], b"", "1"));
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["scores"].as_array().map(Vec::len), Some(2));
    let csv = printed(&hissmap(&["drill", "--merge", &ben, "--csv"], b"", "1"));
    assert_eq!(csv.lines().count(), 2);
    let hostile = path("hostile.json");
    for text in
        ["", "{}", "[1]", "{\"schema\":2,\"command\":\"drill\"}", "{\"schema\":1,\"command\":\"drill\",\"seed\":-1}"]
    {
        std::fs::write(&hostile, text).expect("a file");
        let refused = hissmap(&["drill", "--merge", &anna, &hostile], b"", "1");
        assert_eq!(refused.status.code(), Some(2), "{text}");
        assert!(String::from_utf8_lossy(&refused.stderr).contains("hostile.json"));
    }
}

#[test]
fn a_worksheet_keeps_its_answers_apart() {
    let folder = tempfile::tempdir().expect("a folder");
    let key = folder.path().join("key.txt").to_str().expect("a path").to_owned();
    let arguments = ["drill", PAIR_LESSON, "--worksheet", "--key", &key, "--no-best"];
    let sheet = printed(&hissmap(&arguments, b"", "1"));
    let answers = std::fs::read_to_string(&key).expect("the key");
    assert!(sheet.contains("____") && !sheet.contains("The bad part:"));
    assert!(answers.contains("The bad part: Q2") && answers.contains("dc at TP2:") && answers.contains("by freeze Q1"));
    assert_eq!(hissmap(&arguments, b"", "1").status.code(), Some(2), "it replaces nothing");
}

#[test]
fn whatever_is_typed_is_answered_and_nothing_breaks() {
    let mut typed: Vec<u8> = Vec::new();
    for line in [
        "meter",
        "meter nowhere",
        "meter c1,c1",
        "dc 0",
        "freeze C1",
        "freeze V1",
        "shunt 0",
        "shunt c1,c2",
        "turn",
        "turn volume NaN",
        "turn volume 1e999",
        "turn nothing 0",
        "replace",
        "replace XVOL",
        "replace VIN",
        "lift Q9",
        "meter out twin twin",
        "meter out volume=",
        "meter out volume=7",
        "tap volume",
        "tap Q1",
        "give",
        "give in",
        "\u{1b}[2J",
        "meter \u{202e}c1",
        "hint hint",
        "scope out",
        "quit now",
        "temperature Q1",
        "change",
        "gain out",
    ] {
        typed.extend(line.as_bytes());
        typed.push(b'\n');
    }
    typed.extend(b"\xff\xfe\0\n");
    typed.extend([b'x'; 200_000]);
    typed.extend(b"\r\nlog");
    let run = hissmap(&["drill", PAIR_LESSON, "--no-best"], &typed, "1");
    let told = printed(&run);
    assert!(told.contains("no point or node is called nowhere"), "{told}");
    assert!(!told.chars().any(|c| c.is_control() && c != '\n'), "nothing steers the terminal");
    for (arguments, code) in [
        (vec!["drill", "nowhere.toml"], 2),
        (vec!["drill", PAIR_LESSON, "--fault", "Q9=open"], 2),
        (vec!["drill", PAIR_LESSON, "--script", "nowhere.txt"], 2),
        (vec!["drill", "-"], 2),
        (vec!["drill"], 2),
        (vec!["drill", PAIR_LESSON, "-o", "x.txt"], 2),
    ] {
        assert_eq!(hissmap(&arguments, b"", "1").status.code(), Some(code), "{arguments:?}");
    }
}

#[test]
fn a_netlist_is_drilled_as_a_sheet_that_says_nothing_more() {
    let run =
        hissmap(&["drill", "circuits/two-stage-silicon.cir", "--seed", "3", "--no-best"], b"dc c1\ngive up\n", "1");
    assert!(printed(&run).contains("dc at c1: "), "{}", printed(&run));
}
