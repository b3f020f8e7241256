//! The page of a job, and single plots: what it says is what the other commands say, and nothing on it comes from elsewhere.

use std::path::Path;
use std::process::{Command, Output};

use hissmap::units::engineering;
use serde_json::Value as Json;

const PAIR: &str = "circuits/two-stage-germanium.cir";
const SHEET: &str = "circuits/two-stage-germanium.toml";
const CHANNELS: &str = "circuits/replay-amplifier.toml";

fn hissmap(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hissmap")).args(arguments).output().expect("the command runs")
}

fn text(arguments: &[&str]) -> String {
    let ran = hissmap(arguments);
    assert!(ran.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&ran.stderr));
    String::from_utf8(ran.stdout).expect("text")
}

fn json(arguments: &[&str]) -> Json {
    serde_json::from_str(&text(arguments)).expect("JSON")
}

/// What follows the first `mark` behind `from`, up to `end`.
#[track_caller]
fn between<'t>(text: &'t str, from: &str, mark: &str, end: &str) -> &'t str {
    let start = text.find(from).unwrap_or_else(|| panic!("no {from}"));
    let start = start + text[start..].find(mark).unwrap_or_else(|| panic!("no {mark} behind {from}")) + mark.len();
    &text[start..start + text[start..].find(end).expect("an end")]
}

/// Tags of a page in order, each with what is between its angle brackets; what is inside style and script is left out. Fails
/// on a bracket that belongs to no tag: text has to be escaped.
fn tags(page: &str) -> Vec<&str> {
    let mut tags = Vec::new();
    let mut rest = page;
    while let Some(start) = rest.find('<') {
        assert!(!rest[..start].contains('>'), "a bracket in text: {}", &rest[..start]);
        let mut quoted = false;
        let length = rest[start..].find(|c| {
            quoted ^= c == '"';
            c == '>' && !quoted
        });
        let tag = &rest[start + 1..start + length.expect("a tag ends")];
        assert!(!tag.contains('<'), "a bracket in a tag: {tag}");
        tags.push(tag);
        rest = &rest[start + length.unwrap_or_default() + 1..];
        for raw in ["style", "script"] {
            if tag == raw {
                rest = &rest[rest.find(&format!("</{raw}>")).expect("it ends")..];
            }
        }
    }
    tags
}

/// A rule of HTML and of XML alike: what opens is closed in its turn, but for elements that hold nothing.
fn check_nesting(page: &str) {
    const EMPTY: [&str; 5] = ["meta", "input", "br", "link", "img"];
    let mut open: Vec<&str> = Vec::new();
    for tag in tags(page) {
        let name = tag.split_whitespace().next().expect("a tag has a name");
        if let Some(closed) = name.strip_prefix('/') {
            assert_eq!(open.pop(), Some(closed), "in {tag}");
        } else if !name.starts_with(['!', '?']) && !EMPTY.contains(&name) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{open:?} stay open");
}

/// Nothing that a browser would fetch, and no script but the page's own.
fn check_alone(page: &str, scripts: usize) {
    for tag in tags(page) {
        let name = tag.split_whitespace().next().expect("a tag has a name");
        let fetching = ["link", "img", "iframe", "object", "embed", "image", "use", "base", "form", "video", "audio"];
        assert!(!fetching.contains(&name), "{tag}");
        for attribute in [" src=", " srcset=", "xlink:", " action=", " on"] {
            assert!(!outside_quotes(tag).contains(attribute), "{tag}");
        }
        if let Some(target) = tag.split(" href=\"").nth(1) {
            assert!(target.starts_with('#'), "{tag}");
        }
    }
    assert_eq!(page.matches("<script").count(), scripts);
    let styles: String =
        page.split("<style>").skip(1).map(|style| style.split("</style>").next().expect("a style")).collect();
    assert!(!styles.contains("url(") && !styles.contains("@import"));
    // Addresses stand for nothing but the name of SVG's own namespace.
    assert!(!page.replace("http://www.w3.org/2000/svg", "").contains("://"), "an address");
}

/// A tag without the values of its attributes.
fn outside_quotes(tag: &str) -> String {
    tag.split('"').step_by(2).collect::<Vec<_>>().join("\"\"")
}

#[test]
fn the_ranking_is_that_of_noise() {
    let flags = [PAIR, "--leak", "Q2=20uA,x=300"];
    let page = text(&[&["report"], &flags[..]].concat());
    let noise = json(&[&["noise"], &flags[..], &["--at", "out", "--json"]].concat());
    let point = &noise["nodes"][0];
    assert!(page.contains("data-heard=\"out\""));
    let mut rest = &page[page.find("ranking-output").expect("the ranking")..];
    let rms = engineering(point["rms_v"].as_f64().expect("a number"), "V", 3);
    assert!(between(rest, "<figcaption>", "At out: ", "<").starts_with(&format!("{rms} rms")));
    for device in point["devices"].as_array().expect("a list").iter().take(4) {
        let (name, share) = (device["device"].as_str().expect("a name"), device["share"].as_f64().expect("a number"));
        let rms = engineering(device["rms_v"].as_f64().expect("a number"), "V", 3);
        assert_eq!(between(rest, "class=\"bar", "data-part=\"", "\""), name);
        let title = between(rest, "data-part", "<title>", "</title>");
        assert!(title.starts_with(&format!("{name}: {rms}, {:.1} % of the power", 100.0 * share)), "{title}");
        rest = &rest[rest.find("data-part").expect("a bar") + 9..];
    }
    // Every node has its row in the table behind the path.
    let all = json(&[&["noise"], &flags[..], &["--json"]].concat());
    let table = between(&page, "All nodes in figures", "<tbody>", "</tbody>");
    for node in all["nodes"].as_array().expect("a list") {
        let name = node["node"].as_str().expect("a name");
        let row = between(table, &format!("<th scope=\"row\">{name}</th>"), "<td", "</tr>");
        let rms = engineering(node["rms_v"].as_f64().expect("a number"), "V", 3);
        assert!(row.contains(&format!(">{rms}<")), "{name}: {rms} in {row}");
    }
}

#[test]
fn the_verdict_is_that_of_diagnose() {
    let page = text(&["report", SHEET, "--without", "symptoms"]);
    let diagnose = json(&["diagnose", SHEET, "--json"]);
    let mut rest = &page[page.find("class=\"suspects\"").expect("the suspects")..];
    // The page shows those of one in a thousand and more, six at most.
    let worth_showing =
        |suspect: &&Json| suspect["probability"].as_f64().is_some_and(|probability| probability >= 1e-3);
    for suspect in diagnose["suspects"].as_array().expect("a list").iter().filter(worth_showing).take(6) {
        assert_eq!(between(rest, "<li", "data-suspect=\"", "\""), suspect["part"].as_str().expect("a name"));
        let probability = format!("{:.1} %", 100.0 * suspect["probability"].as_f64().expect("a number"));
        assert_eq!(between(rest, "class=\"odds\"", "<span>", "<"), probability);
        rest = &rest[rest.find("data-suspect").expect("a suspect") + 12..];
    }
    for next in diagnose["next"].as_array().expect("a list") {
        let cost = format!(" costs {:.1}: ", next["cost"].as_f64().expect("a number"));
        assert!(page.contains(&cost), "{cost}");
    }
    // The likeliest fault is drawn: the readings of the sheet, 0.41 mV and 55 µV, lie within 2 dB of it.
    for (at, read) in [("out", 410e-6f64), ("TP1", 55e-6)] {
        let title = between(&page, "class=\"plot path\"", &format!("<title>{at}"), "</title>");
        let drawn = title.split("at hand ").nth(1).and_then(|rest| rest.split(';').next()).expect("a figure");
        let (number, unit) = drawn.split_once(' ').expect("a unit");
        let scale = if unit == "mV" { 1e-3 } else { 1e-6 };
        let volts: f64 = scale * number.parse::<f64>().expect("a number");
        assert!((20.0 * (volts / read).log10()).abs() < 2.0, "{at}: {drawn}");
    }
}

#[test]
fn the_page_of_two_channels_is_whole_and_below_a_megabyte() {
    let page = text(&["report", CHANNELS, "--without", "diagnosis,symptoms"]);
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    check_nesting(&page);
    check_alone(&page, 1);
    for heading in ["The path of the hiss", "Who makes the hiss", "Spectra", "DC volts", "Tone"] {
        assert!(page.contains(&format!(">{heading}</h2>")), "{heading}");
    }
    assert!(page.contains("discharge its capacitors"), "no cautions");
    // Each plot is told to those who do not see it.
    for plot in page.split("<svg class=\"plot").skip(1) {
        let head = &plot[..plot.find("</desc>").expect("a description")];
        assert!(head.contains("role=\"img\"") && !head.ends_with("<desc>") && head.contains("<title>"), "{head}");
    }
}

/// Names that would be markup are shown as text, on the page and in single plots.
#[test]
fn names_are_text_and_never_markup() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let netlist = "</title><script>alert(1)</script> \"a\" & 'b' <img src=x onerror=alert(2)>\n\
                   V\"1 in 0 DC 0 AC 1\nR<b>&amp in <script>alert</script> 10k\nC'\" <script>alert</script> \"><svg/onload> 1u\n\
                   R1 <script>alert</script> 0 1meg\nR2 \"><svg/onload> 0 100k\n.noise v(\"><svg/onload>) V\"1 dec 10 20 20k\n";
    std::fs::write(path("a.cir"), netlist).expect("a netlist");
    let sheet = "circuit = \"a.cir\"\ntitle = \"</style><script>alert(1)</script> & <img src=x onerror=alert(2)>\"\n\
                 [point.\"'\\\"><script>alert(3)</script>\"]\nnode = \"<script>alert</script>\"\n\
                 where = \"<img src=x onerror=alert(4)>\"\nprinted_dc = \"0 V\"\n\
                 [[reading]]\nmeasure = \"hiss\"\nat = \"'\\\"><script>alert(3)</script>\"\nvalue = \"12 uV\"\n";
    std::fs::write(path("a.toml"), sheet).expect("a sheet");
    let page = text(&["report", &path("a.toml")]);
    check_nesting(&page);
    check_alone(&page, 1);
    for shown in [
        "<h1>&lt;/style&gt;&lt;script&gt;alert(1)&lt;/script&gt; &amp; &lt;img src=x onerror=alert(2)&gt;</h1>",
        "R&lt;b&gt;&amp;amp",
        "&quot;&gt;&lt;svg/onload&gt;",
        "'&quot;&gt;&lt;script&gt;alert(3)&lt;/script&gt;",
        "&lt;img src=x onerror=alert(4)&gt;",
    ] {
        assert!(page.contains(shown), "{shown}");
    }
    for (command, flags) in [("noise", vec!["--at", "\"><svg/onload>"]), ("response", vec![])] {
        let drawn = path(&format!("{command}.svg"));
        text(&[&[command, &path("a.cir"), "--plot", &drawn], &flags[..]].concat());
        let plot = std::fs::read_to_string(&drawn).expect("the plot");
        check_nesting(&plot);
        check_alone(&plot, 0);
        assert!(plot.contains("&quot;&gt;&lt;svg/onload&gt;"), "{plot}");
    }
}

/// A recording of white noise is laid over the spectrum where the density of white noise is: e rms over bandwidth B has
/// e/√B everywhere.
#[test]
fn a_recording_is_laid_over_the_spectrum() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let hiss = path("hiss.wav");
    // The hiss of 10 kΩ at 27 °C: white, √(4kTR) = 12.87 nV/√Hz (Nyquist 1928).
    std::fs::write(path("r.cir"), "r\nV1 in 0 AC 1\nR1 in out 10k\n.noise v(out) V1 dec 10 20 20k\n")
        .expect("a netlist");
    text(&["listen", &path("r.cir"), "--full-scale", "20u", "-o", &hiss]);
    let page = text(&["report", &path("r.cir"), "--recording", &hiss, "--full-scale", "20u", "--at", "out"]);
    check_nesting(&page);
    let table = between(&page, "<caption>Recorded: ", "<tbody>", "</tbody>");
    let rows: Vec<&str> = table.split("<tr>").skip(1).collect();
    assert!(rows.len() >= 20, "{}", rows.len());
    let white = (4.0 * 1.380649e-23 * 300.15 * 1e4f64).sqrt();
    for row in rows {
        let cells: Vec<&str> = row.split(['<', '>']).filter(|cell| cell.contains("V/√Hz")).collect();
        let nanovolts: f64 = cells[0].trim_end_matches(" nV/√Hz").parse().unwrap_or_else(|_| panic!("{row}"));
        let hertz: &str =
            row.split("scope=\"row\">").nth(1).and_then(|rest| rest.split('<').next()).expect("a frequency");
        // In ten seconds a cell of width 0.115·f holds n = 10·0.115·f independent values, and its amplitude has a standard
        // deviation of 1/(2√n): 10 % at 21 Hz, 1.5 % at 1 kHz. Five of them are allowed.
        let allowed = if hertz.ends_with(" kHz") { 0.075 } else { 0.5 };
        assert!((nanovolts * 1e-9 / white - 1.0).abs() < allowed, "{hertz}: {nanovolts} nV/√Hz");
    }
    let missing = hissmap(&["report", &path("r.cir"), "--recording", &hiss, "--at", "out"]);
    assert!(String::from_utf8_lossy(&missing.stderr).contains("--full-scale"));
    let many = hissmap(&["report", &path("r.cir"), "--recording", &hiss, "--at", "out", "--at", "in"]);
    assert!(String::from_utf8_lossy(&many.stderr).contains("more points than recordings"));
}

#[test]
fn a_page_that_exists_is_kept_before_anything_is_computed() {
    let folder = tempfile::tempdir().expect("a folder");
    let page = folder.path().join("job.html");
    std::fs::write(&page, "mine").expect("a file");
    let name = page.display().to_string();
    let ran = hissmap(&["report", PAIR, "-o", &name]);
    assert_eq!(ran.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&ran.stderr).contains("--force"));
    assert_eq!(std::fs::read_to_string(&page).expect("it is there"), "mine");
    text(&["report", PAIR, "-o", &name, "--without", "symptoms", "--force"]);
    assert!(std::fs::read_to_string(&page).expect("it is there").starts_with("<!DOCTYPE html>"));
    let ran = hissmap(&["report", PAIR, "-o", PAIR, "--force"]);
    assert!(String::from_utf8_lossy(&ran.stderr).contains("what was read") && Path::new(PAIR).exists());
}

#[test]
fn the_same_job_gives_the_same_bytes_on_any_number_of_threads() {
    let run = |threads: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hissmap"));
        command.env("RAYON_NUM_THREADS", threads).args(["report", PAIR, "--leak", "Q2=20uA,x=300"]);
        command.output().expect("the command runs").stdout
    };
    let one = run("1");
    assert!(one.len() > 50_000 && one == run("3"));
}
