//! What netlist text means, and what is said about text that means nothing.

use hissmap::diagnostic::{Code, Diagnostic, SourceId, Span};
use hissmap::netlist::{
    Body, Card, EvaluationError, Expression, Fetched, IncludeRequest, ModelKind, Netlist, Scope, Spacing, Value, Word,
    read,
};
use hissmap::units::exact;
use proptest::prelude::*;

fn no_includes(request: &IncludeRequest<'_>) -> Result<Fetched, String> {
    Err(format!("there is no file {}", request.path))
}

/// The messages about `text`, each as `line:column code message -> help`.
fn messages(netlist: &Netlist, diagnostics: &[Diagnostic]) -> Vec<String> {
    let shown = diagnostics.iter().map(|diagnostic| {
        let place = diagnostic.location(&netlist.sources).map_or_else(
            || "-".to_owned(),
            |place| match place.file.as_str() {
                "test" => format!("{}:{}", place.line, place.column),
                file => format!("{file} {}:{}", place.line, place.column),
            },
        );
        let help = diagnostic.help.as_ref().map_or(String::new(), |help| format!(" -> {help}"));
        format!("{place} {} {}{help}", diagnostic.code.as_str(), diagnostic.message)
    });
    shown.collect()
}

/// Reading `lines` under a title gives exactly the messages `expected`.
#[track_caller]
fn check(lines: &str, expected: &[&str]) {
    let (netlist, diagnostics) = read("test", &format!("title\n{lines}"), &mut no_includes);
    assert_eq!(messages(&netlist, &diagnostics), expected, "for\n{lines}");
}

/// The netlist of `lines` under a title, which must give no message.
#[track_caller]
fn sound(lines: &str) -> Netlist {
    let (netlist, diagnostics) = read("test", &format!("title\n{lines}"), &mut no_includes);
    assert_eq!(messages(&netlist, &diagnostics), Vec::<String>::new(), "for\n{lines}");
    netlist
}

/// Reads `main` with the files `others` at hand.
fn with_files(main: &str, others: &[(&str, &str)]) -> (Netlist, Vec<Diagnostic>) {
    read("test", main, &mut |request| {
        let file = others.iter().find(|(name, _)| *name == request.path).ok_or("no such file")?;
        Ok(Fetched { name: file.0.to_owned(), text: file.1.to_owned() })
    })
}

#[track_caller]
fn only_card(lines: &str) -> Card {
    let mut netlist = sound(lines);
    assert_eq!(netlist.top.cards.len(), 1);
    netlist.top.cards.remove(0)
}

fn number(value: &Value) -> f64 {
    match value {
        Value::Number(number, _) => *number,
        Value::Expression(expression, _) => expression.evaluate(&mut |_| None).unwrap(),
    }
}

fn texts(words: &[Word]) -> Vec<&str> {
    words.iter().map(|word| word.text.as_str()).collect()
}

fn names(scope: &Scope) -> Vec<&str> {
    scope.cards.iter().map(|card| card.name.text.as_str()).collect()
}

fn slice(netlist: &Netlist, span: Span) -> &str {
    &netlist.sources.get(span.source).unwrap().text[span.start as usize..span.end as usize]
}

// Lines

#[test]
fn the_first_line_is_the_title() {
    let (netlist, diagnostics) = read("test", "\u{feff}  R1 a b 1k \r\nR2 a b 1k", &mut no_includes);
    assert_eq!((netlist.title.as_str(), diagnostics.len()), ("R1 a b 1k", 0));
    assert_eq!(names(&netlist.top), ["R2"]);
}

#[test]
fn an_empty_file_is_an_empty_netlist() {
    for text in ["", "\n", "title", "title\r\n", "\u{feff}"] {
        let (netlist, diagnostics) = read("test", text, &mut no_includes);
        assert!(netlist.top.cards.is_empty() && diagnostics.is_empty(), "{text:?}");
    }
}

#[test]
fn comments_and_blank_lines_are_passed_over() {
    let netlist = sound("* a comment {\n\n  * another\nR1 a b 1k ; trailing }\n;\n\t \nR2 b 0 1k;close");
    assert_eq!(names(&netlist.top), ["R1", "R2"]);
}

#[test]
fn a_plus_continues_the_statement_over_comments() {
    let netlist = sound("R1 a\n* in between\n\n +b ; why not\r\n+\t1k TC1\n+ = 1m\nR2 a b 2k");
    let card = &netlist.top.cards[0];
    assert_eq!(texts(&card.nodes), ["a", "b"]);
    assert_eq!(number(&card.parameters[0].value), 1e-3);
    assert!(slice(&netlist, card.span).starts_with("R1 a\n*") && slice(&netlist, card.span).ends_with("= 1m"));
    assert_eq!(slice(&netlist, card.nodes[1].span), "b");
}

#[test]
fn a_plus_without_statement_continues_nothing() {
    let help = "remove the +, or put the statement it belongs to above it";
    check("+ b 1k\nR1 a b 1k", &[&format!("2:1 N01 the line continues nothing -> {help}")]);
}

#[test]
fn a_message_in_a_continued_line_names_the_first_line() {
    check("\n  R1 a b\n+ 4,7k", &["3:3 N06 4,7k has a comma in it -> write 4.7k"]);
}

#[test]
fn text_after_the_end_is_warned_about_and_not_read() {
    let help = "move .end to the last line, or remove it";
    check("R1 a b 1k\n.END\n\n* comment\n%$ what", &[&format!("6:1 N20 what follows .end is not read -> {help}")]);
    check("R1 a b 1k\n.end\n* only a comment", &[]);
}

#[test]
fn every_problem_of_a_file_is_reported_in_one_run() {
    check(
        "R1 a b 4,7k\nC1 a\nM1 a b c d\n.foo\nR2 a b",
        &[
            "2:8 N06 4,7k has a comma in it -> write 4.7k",
            "3:1 N05 C1 lacks its second node -> write C1 NODE NODE FARADS",
            "4:1 N01 no part begins like M1 -> the parts are R C L K V I E G F H D Q J X; a comment begins with *",
            "5:1 N02 no statement is called .foo -> the statements are .model .subckt .ends .param .include .temp .op \
             .ac .noise .end",
            "6:1 N05 R2 lacks its resistance -> write R2 NODE NODE OHMS [TC1=…]",
        ],
    );
}

#[test]
fn characters_that_nobody_sees_are_refused() {
    check("R1 a\u{7}b c 1k", &["2:5 N22 the character '\\u{7}' cannot be read -> remove it"]);
}

#[test]
fn unmatched_braces_are_named() {
    check("R1 a b {2*r", &["2:8 N07 the brace is never closed -> add }"]);
    check("R1 a b 2*r}", &["2:11 N07 the brace was never opened -> add {"]);
}

// Numbers, through the reader

#[test]
fn published_letter_codes_are_read_exactly() {
    let mut codes = csv::ReaderBuilder::new().comment(Some(b'#')).from_path("tests/published/rkm_codes.csv").unwrap();
    let mut count = 0;
    for record in codes.records() {
        let record = record.unwrap();
        let (code, letter, expected) = (&record[0], &record[1], &record[2]);
        let card = only_card(&format!("{letter}1 a b {code}"));
        let (Body::Resistor(value) | Body::Capacitor(value)) = &card.body else { panic!("{card:?}") };
        assert_eq!(number(value), expected.parse::<f64>().unwrap(), "{code}");
        count += 1;
    }
    assert_eq!(count, 23);
}

#[test]
fn codes_that_are_none_are_refused() {
    for code in ["K", "4K7K", "4.7K7"] {
        let (_, diagnostics) = read("test", &format!("title\nR1 a b {code}"), &mut no_includes);
        assert_eq!(diagnostics.iter().map(|problem| problem.code).collect::<Vec<_>>(), [Code::BadNumber], "{code}");
    }
}

#[test]
fn a_comma_in_a_number_shows_the_point() {
    check("R1 a b 4,7k", &["2:8 N06 4,7k has a comma in it -> write 4.7k"]);
    check(".model T NPN (BF=100,5 IS=1e-14)", &["2:18 N06 100,5 has a comma in it -> write 100.5"]);
    check("K1 L1 L2 0,9", &["2:10 N06 0,9 has a comma in it -> write 0.9"]);
}

#[test]
fn a_capital_m_on_a_resistor_is_warned_about() {
    check("R1 a b 2.2M", &["2:8 N17 2.2M is read as milliohms -> write 2.2MEG for megohms"]);
    check("R1 a b 2M2\nR2 a b 1m\nL1 a b 1M", &[]);
}

#[test]
fn a_farad_is_warned_about() {
    check("C1 a b 1F", &["2:8 N17 1F is read as femtofarads -> write 1 for farads"]);
    check("C1 a b 10uF", &[]);
}

#[test]
fn a_parameter_without_braces_shows_the_braces() {
    check("R1 a b rload", &["2:8 N06 rload is not a number -> write {rload} for a parameter or an expression"]);
    check(".param a=2*b", &["2:10 N06 2*b is not a number -> write {2*b} for a parameter or an expression"]);
    check(".param a=2 * b", &["2:12 N07 .param computes without braces -> write an expression in braces, like {2*a}"]);
}

#[test]
fn a_card_with_a_bad_value_keeps_its_name_and_nodes() {
    let (netlist, diagnostics) = read("test", "title\nR1 a b x*\n.model T NPN (BF=x IS=y)", &mut no_includes);
    assert_eq!(diagnostics.len(), 3);
    assert_eq!(texts(&netlist.top.cards[0].nodes), ["a", "b"]);
    assert_eq!(netlist.top.models[0].name.text, "T");
}

// Parts

#[test]
fn passive_parts_have_two_nodes_and_a_value() {
    let card = only_card("R1 a b 4k7 TC1=1m NI = -10");
    assert_eq!(card.body, Body::Resistor(Value::Number(4700.0, card.body_span())));
    assert_eq!(card.parameters.iter().map(|p| number(&p.value)).collect::<Vec<_>>(), [1e-3, -10.0]);
    assert!(matches!(only_card("c1 a b 2n2 POL=1").body, Body::Capacitor(Value::Number(value, _)) if value == 2.2e-9));
    assert!(matches!(only_card("Lx a b {2*1m}").body, Body::Inductor(Value::Expression(..))));
    assert!(matches!(only_card("R1 a b R=10").body, Body::Resistor(Value::Number(value, _)) if value == 10.0));
}

trait BodySpan {
    fn body_span(&self) -> Span;
}

impl BodySpan for Card {
    fn body_span(&self) -> Span {
        match &self.body {
            Body::Resistor(value) => value.span(),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn a_coupling_names_two_or_more_windings() {
    let Body::Coupling(windings, value) = only_card("K1 L1 L2 L3 0.98").body else { panic!() };
    assert_eq!((texts(&windings), number(&value)), (vec!["L1", "L2", "L3"], 0.98));
    check("K1 L1 0.9", &["2:1 N05 K1 lacks its coupling -> write K1 L1 L2 COUPLING"]);
}

#[test]
fn a_source_gives_dc_and_ac_in_either_order() {
    let cases = [
        ("5", Some(5.0), None, None),
        ("DC 5", Some(5.0), None, None),
        ("dc=5 ac=1", Some(5.0), Some(1.0), None),
        ("AC 2 90", None, Some(2.0), Some(90.0)),
        ("AC", None, Some(1.0), None),
        ("AC DC 5", Some(5.0), Some(1.0), None),
        ("AC 1 DC {2+3}", Some(5.0), Some(1.0), None),
        ("-1m AC {2} {45}", Some(-1e-3), Some(2.0), Some(45.0)),
        ("", None, None, None),
    ];
    for (text, dc, magnitude, phase) in cases {
        let Body::VoltageSource(values) = only_card(&format!("V1 a 0 {text}")).body else { panic!() };
        let found = [&values.dc, &values.ac_magnitude, &values.ac_phase_degrees].map(|v| v.as_ref().map(number));
        assert_eq!(found, [dc, magnitude, phase], "{text}");
    }
    assert!(matches!(only_card("I1 a 0 1m").body, Body::CurrentSource(_)));
    check(
        "V1 a 0 5 DC 6",
        &["2:10 N05 V1 has two DC values -> write V1 NODE NODE [DC] VOLTS [AC MAGNITUDE [DEGREES]]"],
    );
}

#[test]
fn a_waveform_is_ignored_with_a_warning() {
    let help = "the source rests at its DC value, 0 unless written: DC 5";
    for (text, column, name) in [
        ("DC 5 AC 1 SIN(0 1 1k)", 18, "SIN"),
        ("sin ( 0, 1, 1k ) AC 1 5", 8, "SIN"),
        ("PULSE 0 1 1u AC 1 DC 5", 8, "PULSE"),
        ("5 PWL(0,0 1m,{v}) AC 1", 10, "PWL"),
    ] {
        let (netlist, diagnostics) = read("test", &format!("t\nV1 a 0 {text}"), &mut no_includes);
        let expected = format!("2:{column} N18 the waveform {name} plays no part here -> {help}");
        assert_eq!(messages(&netlist, &diagnostics), [expected], "{text}");
        let Body::VoltageSource(values) = &netlist.top.cards[0].body else { panic!() };
        assert_eq!((values.ac_magnitude.as_ref().map(number)), Some(1.0), "{text}");
    }
    check(
        "V1 a 0 SIN(0 1",
        &["2:8 N05 the bracket after SIN is never closed -> write V1 NODE NODE [DC] VOLTS [AC MAGNITUDE [DEGREES]]"],
    );
}

#[test]
fn controlled_sources_have_a_plain_gain() {
    let card = only_card("E1 out 0 a b 10");
    assert_eq!(texts(&card.nodes), ["out", "0", "a", "b"]);
    assert!(matches!(card.body, Body::VoltageByVoltage(_)));
    assert!(matches!(only_card("G1 out 0 a b {1m}").body, Body::CurrentByVoltage(_)));
    let Body::CurrentByCurrent(source, gain) = only_card("F1 out 0 VS {2*5}").body else { panic!() };
    assert_eq!((source.text.as_str(), number(&gain)), ("VS", 10.0));
    assert!(matches!(only_card("H1 out 0 VS 1k").body, Body::VoltageByCurrent(..)));
}

#[test]
fn polynomials_and_formulas_are_refused_by_name() {
    for text in ["E1 a 0 POLY(1) b 0 0 1", "E1 a 0 poly 1 b 0 0 1", "E1 a 0 VALUE={v(b)*2}", "E1 a 0 VALUE {2}"] {
        let message = "E1 is not a plain gain; polynomials and formulas are not known here";
        check(text, &[&format!("2:8 N05 {message} -> write E1 OUT+ OUT- IN+ IN- GAIN")]);
    }
}

#[test]
fn a_transistor_takes_an_area_and_parameters() {
    for (text, area) in [
        ("Q1 c b e MODEL", None),
        ("Q1 c b e 2X3904", None),
        ("Q1 c b e MODEL 2", Some(2.0)),
        ("Q1 c b e 2X3904 1.5e0 TEMP=60", Some(1.5)),
        ("Q1 c b e MODEL 500m", Some(0.5)),
        ("Q1 c b e MODEL {1+1} ICBO=2u", Some(2.0)),
    ] {
        let card = only_card(text);
        let Body::Bjt(_, found) = &card.body else { panic!() };
        assert_eq!(found.as_ref().map(number), area, "{text}");
        assert_eq!(texts(&card.nodes), ["c", "b", "e"], "{text}");
    }
    assert!(matches!(only_card("D1 a k 1X4148 2").body, Body::Diode(_, Some(_))));
    assert!(matches!(only_card("J1 d g s J310").body, Body::Jfet(_, None)));
}

#[test]
fn a_substrate_node_is_an_error_that_says_so() {
    for (text, help) in [
        ("Q1 c b e 0 MODEL", "write Q1 c b e MODEL"),
        ("Q1 c b e s MODEL 2", "write Q1 c b e MODEL"),
        ("Q1 c b e [s] 2X3904", "write Q1 c b e 2X3904"),
        ("Q1 c b e s 2X3904 AREA=2", "write Q1 c b e 2X3904"),
    ] {
        check(text, &[&format!("2:10 N05 Q1 has a substrate node, which is not modelled -> {help}")]);
    }
}

#[test]
fn too_many_fields_are_named() {
    check("R1 a b 1k 2k", &["2:11 N05 R1 has no use for 2k here -> write R1 NODE NODE OHMS [TC1=…]"]);
    check("D1 a k DX 1 OFF", &["2:13 N05 D1 has no use for OFF here -> write D1 ANODE CATHODE MODEL [AREA]"]);
    check("R1 a b 1k TC1=", &["2:1 N05 R1 lacks its value of TC1 -> write R1 NODE NODE OHMS [TC1=…]"]);
    check("R1 a,b c 1k", &["2:5 N05 R1 lacks its second node before , -> write R1 NODE NODE OHMS [TC1=…]"]);
}

#[test]
fn a_call_takes_nodes_a_name_and_parameters() {
    for text in ["X1 a b c AMP g=2 h={3}", "X1 a b c AMP PARAMS: g=2 h = 3", "x1 a b c AMP params:g=2, h=3"] {
        let card = only_card(text);
        assert_eq!(texts(&card.nodes), ["a", "b", "c"], "{text}");
        assert!(matches!(&card.body, Body::Call(name) if name.text == "AMP"), "{text}");
        assert_eq!(card.parameters.iter().map(|p| number(&p.value)).collect::<Vec<_>>(), [2.0, 3.0], "{text}");
    }
}

#[test]
fn a_statement_without_its_point_shows_the_point() {
    check("param a=1", &["2:1 N01 no part begins like param -> write .param"]);
}

// Statements

#[test]
fn a_model_is_written_with_or_without_brackets() {
    for text in ["T NPN (BF=100 IS=1f)", "T npn BF=100 IS=1f", "T NPN(BF=100,IS=1f)", "T NPN ( BF = 100 , IS = 1f )"] {
        let netlist = sound(&format!(".model {text}"));
        let model = &netlist.top.models[0];
        assert_eq!((model.name.text.as_str(), model.kind), ("T", ModelKind::Npn), "{text}");
        assert_eq!(model.parameters.iter().map(|p| number(&p.value)).collect::<Vec<_>>(), [100.0, 1e-15], "{text}");
    }
    assert_eq!(sound(".model DX D").top.models[0].kind, ModelKind::Diode);
    assert_eq!(sound(".model JX PJF()").top.models[0].kind, ModelKind::Pjf);
}

#[test]
fn a_model_that_is_misspelt_is_explained() {
    let form = "write .model NAME TYPE (PARAMETER=VALUE …)";
    check(".model T NPM (BF=1)", &["2:10 N14 no model type is called NPM -> try NPN"]);
    check(".model T NMOS", &["2:10 N14 no model type is called NMOS -> the types are NPN PNP D NJF PJF"]);
    check(".model T", &[&format!("2:1 N05 .model lacks its type -> {form}")]);
    check(".model T NPN (BF=1", &[&format!("2:14 N05 the bracket is never closed -> {form}")]);
    check(".model T NPN (BF=1 OFF)", &[&format!("2:20 N05 .model has no use for OFF here -> {form}")]);
    check(".model T NPN BF=1)", &[&format!("2:18 N05 .model has no use for ) here -> {form}")]);
}

#[test]
fn parameters_are_numbers_or_expressions() {
    let netlist = sound(".param a=1 b={2*a}, c = 3k\n.PARAM d=4");
    assert_eq!(netlist.top.parameters.iter().map(|p| p.name.text.as_str()).collect::<Vec<_>>(), ["a", "b", "c", "d"]);
    check(".param", &["2:1 N05 .param lacks its parameter -> write .param NAME=VALUE"]);
}

#[test]
fn sub_circuits_nest() {
    let netlist = sound(
        ".subckt OUTER a b PARAMS: g=2\nR1 a b {g}\n.subckt inner c\n.param p=1\nR2 c 0 1k\n.model T NPN\n.ends INNER\nX1 a inner\n.ends outer\nR3 x 0 1",
    );
    assert_eq!(names(&netlist.top), ["R3"]);
    let outer = &netlist.top.subcircuits[0];
    assert_eq!((texts(&outer.ports), names(&outer.body)), (vec!["a", "b"], vec!["R1", "X1"]));
    assert_eq!(outer.defaults[0].name.text, "g");
    let inner = &outer.body.subcircuits[0];
    assert_eq!((names(&inner.body), inner.body.models.len(), inner.body.parameters.len()), (vec!["R2"], 1, 1));
}

#[test]
fn ends_and_beginnings_must_match() {
    check(
        "R1 a 0 1\n.ends",
        &["3:1 N13 there is no sub-circuit to end here -> remove this line, or write .subckt NAME NODE … above"],
    );
    check(".subckt A x\nR1 x 0 1", &["2:9 N13 the sub-circuit A never ends -> write .ends A after its last part"]);
    check(".subckt A x\n.ends B", &["3:7 N13 the sub-circuit to end here is A, not B -> write .ends A"]);
    check(
        ".subckt A x\n.subckt B y\n.ends A\nR1 a 0 1",
        &["3:9 N13 the sub-circuit B never ends -> write .ends B after its last part"],
    );
    check(
        ".subckt\nR1 a 0 1\n.ends",
        &["2:1 N05 .subckt lacks its name -> write .subckt NAME NODE … [PARAMETER=DEFAULT …]"],
    );
}

#[test]
fn deep_nesting_is_limited() {
    let text = format!("title\n{}", ".subckt A x\n".repeat(100_000));
    let (_, diagnostics) = read("test", &text, &mut no_includes);
    assert!(diagnostics.iter().any(|problem| problem.code == Code::LimitExceeded));
}

#[test]
fn analyses_set_band_and_points() {
    let netlist = sound(".temp 35\n.op\n.ac dec 10 20 20k\n.noise V( out , ref ) VIN lin 5 1 {2*3}");
    assert_eq!(netlist.ambient_celsius.as_ref().map(number), Some(35.0));
    let ac = netlist.ac.unwrap().sweep;
    assert_eq!((ac.spacing, number(&ac.points), number(&ac.to_hz)), (Spacing::Decade, 10.0, 20e3));
    let noise = netlist.noise.unwrap();
    assert_eq!((noise.output.text.as_str(), noise.reference.unwrap().text.as_str()), ("out", "ref"));
    assert_eq!((noise.source.text.as_str(), noise.sweep.spacing), ("VIN", Spacing::Linear));
}

#[test]
fn numbered_nodes_make_a_differential_output() {
    let netlist = sound(".noise v(1,2) VIN oct 5 1 10");
    let noise = netlist.noise.as_ref().unwrap();
    assert_eq!((noise.output.text.as_str(), slice(&netlist, noise.output.span)), ("1", "1"));
    let reference = noise.reference.as_ref().unwrap();
    assert_eq!((reference.text.as_str(), slice(&netlist, reference.span)), ("2", "2"));
}

#[test]
fn a_bad_analysis_shows_how_it_is_written() {
    let form = "write .noise v(OUT) SOURCE dec POINTS FROM TO";
    check(".noise out VIN dec 5 1 10", &[&format!("2:8 N05 .noise lacks its output v(node) before out -> {form}")]);
    check(".noise v(out) VIN dec 5 1", &[&format!("2:1 N05 .noise lacks its upper frequency -> {form}")]);
    check(
        ".ac log 5 1 10",
        &["2:5 N05 .ac lacks its spacing, dec oct or lin, before log -> write .ac dec POINTS FROM TO"],
    );
    check(".temp 25 50", &["2:10 N05 .temp has no use for 50 here -> write .temp CELSIUS"]);
}

#[test]
fn a_repeated_statement_is_warned_about_and_the_last_holds() {
    let (netlist, diagnostics) = read("test", "t\n.temp 20\n.temp 35", &mut no_includes);
    assert_eq!(
        messages(&netlist, &diagnostics),
        ["3:1 N19 .temp is given more than once; this one holds -> keep one of them"]
    );
    assert!(!diagnostics[0].is_error());
    assert_eq!(number(netlist.ambient_celsius.as_ref().unwrap()), 35.0);
}

#[test]
fn statements_of_other_programs_are_skipped_with_a_warning_each() {
    for word in [".tran", ".options", ".print", ".plot", ".save", ".ic", ".nodeset"] {
        let text = format!("{word} v(out)=5 {{x}} 1,5");
        check(&text, &[&format!("2:1 N15 {word} has no meaning here and is skipped")]);
    }
}

#[test]
fn an_unknown_statement_names_the_nearest() {
    check(".modle T NPN", &["2:1 N02 no statement is called .modle -> try .model"]);
    check(".INC x", &["2:1 N02 no statement is called .inc -> try .include"]);
    check(".option x", &["2:1 N02 no statement is called .option -> try .options"]);
}

// Includes

#[test]
fn an_included_file_stands_where_it_is_included() {
    let main = "title\n.subckt A x\n.include \"my parts.inc\"\n.ends\n.include plain.inc\nR9 a 0 1k";
    let files = [("my parts.inc", "\u{feff}R1 x 0 1k\n.model T NPN"), ("plain.inc", "R2 a 0 1k\n.end\nnot read")];
    let (netlist, diagnostics) = with_files(main, &files);
    assert_eq!(names(&netlist.top), ["R2", "R9"]);
    assert_eq!(names(&netlist.top.subcircuits[0].body), ["R1"]);
    assert_eq!(netlist.top.subcircuits[0].body.models.len(), 1);
    let help = "move .end to the last line, or remove it";
    assert_eq!(
        messages(&netlist, &diagnostics),
        [format!("plain.inc 3:1 N20 what follows .end is not read -> {help}")]
    );
}

#[test]
fn a_problem_in_an_included_file_names_that_file() {
    let (netlist, diagnostics) = with_files("title\n.include a.inc", &[("a.inc", "* parts\n R1 a b 4,7k")]);
    assert_eq!(messages(&netlist, &diagnostics), ["a.inc 2:9 N06 4,7k has a comma in it -> write 4.7k"]);
}

#[test]
fn a_file_that_cannot_be_fetched_is_reported_with_the_reason() {
    check(
        "  .include  \"x y\"",
        &[
            "2:13 N11 x y cannot be included: there is no file x y -> name a file, its path counted from the folder of this one",
        ],
    );
    let missing = "the name of the file to include is missing or its quotes do not match -> write .include \"FILE\"";
    check(".include", &[&format!("2:9 N05 {missing}")]);
    check(".include \"x", &[&format!("2:10 N05 {missing}")]);
}

#[test]
fn a_circle_of_includes_names_the_chain() {
    let files = [("a", ".include b"), ("b", "R1 x 0 1\n.include a\nR2 x 0 1")];
    let (netlist, diagnostics) = with_files("title\n.include a", &files);
    assert_eq!(messages(&netlist, &diagnostics), ["b 2:10 N12 a includes itself: a → b → a -> remove this line"]);
    assert_eq!(names(&netlist.top), ["R1", "R2"]);
    let (_, diagnostics) = with_files("title\n.include test", &[("test", "")]);
    assert_eq!(diagnostics[0].code, Code::IncludeCycle);
}

#[test]
fn endless_and_branching_includes_are_limited() {
    let mut count = 0;
    let (_, diagnostics) = read("test", "title\n.include x\n.include x", &mut |_| {
        count += 1;
        Ok(Fetched { name: count.to_string(), text: ".include x\n.include x".to_owned() })
    });
    assert!(count <= 1000);
    assert!(diagnostics.iter().all(|problem| problem.code == Code::LimitExceeded));
}

#[test]
fn long_statements_and_floods_of_messages_are_limited() {
    check(&format!("R1 a b {}", "1".repeat(100_000)), &["2:1 N21 the statement is longer than 64 KiB"]);
    let (_, diagnostics) = read("test", &"?\n".repeat(100_000), &mut no_includes);
    assert_eq!(diagnostics.len(), 1001);
}

// Expressions

fn parse(text: &str) -> Expression {
    Expression::parse(text, SourceId(0), 0).unwrap_or_else(|error| panic!("{text}: {error}"))
}

#[test]
fn expressions_follow_the_rules_of_arithmetic() {
    for (text, expected) in [
        ("1+2*3", 7.0),
        ("(1+2)*3", 9.0),
        ("8/4/2", 1.0),
        ("7-4-2", 1.0),
        ("-2^2", -4.0),
        ("2^-1", 0.5),
        ("2^3^2", 512.0),
        ("2^-1*3", 1.5),
        ("2*-3", -6.0),
        ("--3", 3.0),
        ("+3", 3.0),
        ("-(1+1)^2", -4.0),
        ("4.7k+1e-3*0", 4700.0),
        ("2n2*1", 2.2e-9),
        ("10uF", 10e-6),
        ("2M2", 2.2e6),
        ("1e3-1", 999.0),
        ("sqrt(16)", 4.0),
        ("EXP(0)+ln(1)+log10(100)", 3.0),
        ("abs(-2)*min(3,2,4)-max(1, -(2), 0.5)", 3.0),
        ("min(2,(3))", 2.0),
        (" ( ( 5 ) ) ", 5.0),
        ("25k*vol+10", 12510.0),
        ("VOL*R_1", 0.5),
    ] {
        let value = parse(text).evaluate(&mut |name| match name {
            "vol" => Some(0.5),
            "r_1" => Some(1.0),
            _ => None,
        });
        assert_eq!(value, Ok(expected), "{text}");
    }
}

#[test]
fn an_expression_lists_its_names_with_their_places() {
    let expression = parse("Vol*sqrt(R2)+vol");
    let names: Vec<_> = expression.names().map(|(name, span)| (name, span.start, span.end)).collect();
    assert_eq!(names, [("vol", 0, 3), ("r2", 9, 11), ("vol", 13, 16)]);
}

#[test]
fn an_expression_without_value_says_why_and_where() {
    let cases = [
        ("1+2/(1-1)", "division by zero", 3),
        ("0^-1", "division by zero", 1),
        ("1+sqrt(-1)", "square root of a negative number", 2),
        ("ln(0)", "logarithm of zero or of a negative number", 0),
        ("log10(-1)", "logarithm of zero or of a negative number", 0),
        ("(-8)^0.5", "broken power of a negative number", 4),
        ("exp(1000)", "the result is too large to compute with", 0),
        ("1+What", "no parameter is called What", 2),
    ];
    for (text, message, start) in cases {
        let error = parse(text).evaluate(&mut |_| None).unwrap_err();
        assert_eq!((error.to_string().as_str(), error.span().start), (message, start), "{text}");
    }
    let infinite = parse("x").evaluate(&mut |_| Some(f64::NAN));
    assert!(matches!(infinite, Err(EvaluationError::TooLarge { .. })));
}

#[test]
fn a_bad_expression_says_why_and_where() {
    for (text, expected) in [
        ("{}", "2:9 N07 the expression is empty -> write a number or an expression between the braces"),
        ("{1+}", "2:10 N07 the expression stops after an operator"),
        ("{1 2}", "2:11 N07 an operator is missing before 2"),
        ("{a b}", "2:11 N07 an operator is missing before b"),
        ("{2(3)}", "2:10 N07 an operator is missing before ("),
        ("{*2}", "2:9 N07 a number or name is missing before *"),
        ("{(1+2}", "2:9 N07 the bracket is never closed"),
        ("{1+2)}", "2:12 N07 the bracket was never opened"),
        ("{)}", "2:9 N07 the bracket was never opened"),
        ("{()}", "2:10 N07 a number or name is missing before )"),
        ("{sqrt()}", "2:14 N07 sqrt takes one value, not 0"),
        ("{sqrt(1,2)}", "2:17 N07 sqrt takes one value, not 2"),
        ("{min(1)}", "2:14 N07 min takes two or more values, not 1"),
        ("{sqr(2)}", "2:9 N07 no function is called sqr -> try sqrt"),
        ("{sin(2)}", "2:9 N07 no function is called sin -> try min"),
        (
            "{1,5*2}",
            "2:10 N07 the comma stands outside a function's brackets -> write a decimal point for a decimal comma",
        ),
        ("{2 $ 3}", "2:11 N07 '$' has no meaning in an expression"),
        ("{4x7}", "2:9 N06 the letter x of 4x7 is no scale here"),
    ] {
        check(&format!("R1 a b {text}"), &[expected]);
    }
}

#[test]
fn deep_brackets_cost_no_stack() {
    let deep = format!("{}1{}", "(".repeat(4000), ")".repeat(4000));
    assert_eq!(parse(&deep).evaluate(&mut |_| None), Ok(1.0));
    let signs = format!("{}1", "-".repeat(8000));
    assert_eq!(parse(&signs).evaluate(&mut |_| None), Ok(1.0));
}

// Laws

/// Fragments that get further into the grammar than arbitrary text does.
fn fragments() -> impl Strategy<Value = String> {
    let fragment = prop_oneof![
        proptest::sample::select(vec![
            "\n", "\n+", "\r\n", " ", "\t", "=", "(", ")", "{", "}", ",", ";", "*", "R1", "Q1", "V1", "K1", "X1", "E1",
            "a", "b", "0", "4k7", "4,7k", "1F", "2.2M", "AC", "DC", "SIN(", "PARAMS:", ".model", ".subckt", ".ends",
            ".param", ".include", ".temp", ".ac", ".noise", ".end", "v(", "dec", "NPN", "{2*a}", "{-(x^2", "POLY", "µ",
            "\u{feff}", "\"", "é", "\u{0}", "1,2", ".tran", "Ω"
        ])
        .prop_map(str::to_owned),
        "[ -~]{0,3}",
    ];
    proptest::collection::vec((fragment, "[ ]?"), 0..60)
        .prop_map(|parts| parts.into_iter().map(|(part, gap)| part + &gap).collect())
}

fn every_span_lies_inside_its_text(text: &str) -> Result<(), TestCaseError> {
    let mut includes = 0;
    let (netlist, diagnostics) = read("test", text, &mut |request| {
        includes += 1;
        if includes > 2 {
            return Err("no more".to_owned());
        }
        Ok(Fetched { name: format!("{} {includes}", request.path), text: text.to_owned() })
    });
    let places = diagnostics.iter().flat_map(|diagnostic| {
        let labels = diagnostic.labels.iter().map(|label| label.span);
        diagnostic.span.into_iter().chain(diagnostic.statement).chain(labels)
    });
    let cards = netlist.top.cards.iter().flat_map(|card| card.nodes.iter().map(|node| node.span).chain([card.span]));
    for span in places.chain(cards) {
        let source = netlist.sources.get(span.source);
        let text = source.and_then(|source| source.text.get(span.start as usize..span.end as usize));
        prop_assert!(text.is_some(), "{:?}", span);
        prop_assert!(netlist.sources.locate(span).is_some());
    }
    for card in &netlist.top.cards {
        prop_assert_eq!(slice(&netlist, card.name.span), card.name.text.as_str());
        for node in &card.nodes {
            prop_assert_eq!(slice(&netlist, node.span), node.text.as_str());
        }
    }
    Ok(())
}

proptest! {
    #[test]
    fn arbitrary_text_is_read_or_explained(text in any::<String>()) {
        every_span_lies_inside_its_text(&text)?;
    }

    #[test]
    fn netlist_like_text_is_read_or_explained(text in fragments()) {
        every_span_lies_inside_its_text(&text)?;
    }

    #[test]
    fn an_exact_number_is_read_back_from_a_card(bits in any::<u64>()) {
        let value = f64::from_bits(bits);
        prop_assume!(value.is_finite());
        let card = only_card(&format!("R1 a b {}", exact(value)));
        let Body::Resistor(read) = &card.body else { panic!() };
        prop_assert_eq!(number(read).to_bits(), bits);
    }

    #[test]
    fn any_expression_text_is_computed_or_explained(text in "[-+*/^(), .0-9a-zµ]{0,40}") {
        if let Ok(expression) = Expression::parse(&text, SourceId(0), 0)
            && let Ok(value) = expression.evaluate(&mut |_| Some(2.0))
        {
            prop_assert!(value.is_finite());
        }
    }
}
