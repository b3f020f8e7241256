//! The shipped circuits are sound, biased as a technician would expect, and stable.

use std::path::Path;
use std::sync::Arc;

use hissmap::bias::{Region, devices};
use hissmap::circuit::Circuit;
use hissmap::element::BjtRegion;
use hissmap::netlist::{self, Fetched};
use hissmap::operating::Operating;
use hissmap::stability::Stability;

fn circuit(path: &Path) -> Circuit {
    let text = std::fs::read_to_string(path).expect("a readable file");
    let (netlist, problems) = netlist::read(&path.display().to_string(), &text, &mut |request| {
        let included = path.with_file_name(request.path);
        let text = std::fs::read_to_string(&included).map_err(|error| error.to_string())?;
        Ok(Fetched { name: included.display().to_string(), text })
    });
    assert!(problems.is_empty(), "{}: {problems:?}", path.display());
    let (circuit, warnings) = Circuit::build(Arc::new(netlist)).unwrap_or_else(|errors| panic!("{errors:?}"));
    assert!(warnings.is_empty(), "{}: {warnings:?}", path.display());
    circuit
}

fn shipped() -> Vec<(String, Circuit)> {
    let mut paths: Vec<_> =
        std::fs::read_dir("circuits").expect("circuits/").map(|entry| entry.expect("an entry").path()).collect();
    paths.retain(|path| path.extension().is_some_and(|extension| extension == "cir"));
    paths.sort();
    assert!(paths.len() >= 6, "{paths:?}");
    paths.iter().map(|path| (path.display().to_string(), circuit(path))).collect()
}

#[test]
fn every_transistor_of_the_shipped_circuits_amplifies() {
    for (name, circuit) in shipped() {
        let operating = Operating::of(&circuit).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(operating.stability, Stability::Stable, "{name}");
        assert_eq!(operating.other, None, "{name}");
        for device in devices(&circuit, &operating.bias) {
            let part = &circuit.part(device.part).name;
            if let Region::Bjt(region) = device.region {
                assert_eq!(region, BjtRegion::Active, "{name}: {part}");
            }
        }
    }
}

#[test]
fn controls_keep_the_shipped_unit_stable_at_both_ends() {
    let unit = circuit(Path::new("circuits/replay-amplifier.cir"));
    for control in ["line", "volume", "bass", "treble", "balance"] {
        for value in [0.0, 1.0] {
            let change = hissmap::circuit::Change::Parameter { name: control.to_owned(), value };
            let circuit = unit.changed(&[change]).expect("a control has two ends");
            let operating = Operating::of(&circuit).expect("a bias");
            assert_eq!(operating.stability, Stability::Stable, "{control} at {value}");
        }
    }
}

#[test]
fn the_complete_unit_has_the_size_its_comments_promise() {
    let unit = circuit(Path::new("circuits/replay-amplifier.cir"));
    assert!((60..=100).contains(&unit.nodes().len()), "{}", unit.nodes().len());
}
