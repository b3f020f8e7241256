//! Finds which device of an audio amplifier makes the hiss.
//!
//! Strings and values go in, data comes out: nothing here prints, reads files or ends the program. Quantities are in SI units,
//! named with them (`rms_volts`), densities one-sided in V²/Hz. Newcomers to the theory begin with [`theory`], those with a
//! paper schematic with [`guide`].
//!
//! # A tour: circuit, bias, noise, ranking, what-if
//!
//! A circuit comes from the text of a netlist ([`netlist::read`], [`circuit::Circuit::build`]) or is put together part by part:
//!
//! ```
//! use hissmap::circuit::{Builder, Change};
//! use hissmap::netlist::ModelKind;
//! use hissmap::noise::{NoiseRequest, Weighting, noise};
//! use hissmap::operating::Operating;
//! use hissmap::smallsignal::Stimulus;
//!
//! let mut stage = Builder::new("A germanium stage");
//! stage
//!     .voltage("VCC", ["vcc", "0"], 9.0)
//!     .voltage("VIN", ["src", "0"], 0.0)
//!     .resistor("RS", ["src", "in"], 1e3)
//!     .capacitor("C1", ["in", "b"], 10e-6)
//!     .resistor("R1", ["vcc", "b"], 82e3)
//!     .resistor("R2", ["b", "0"], 15e3)
//!     .transistor("Q1", ["c", "b", "e"], "SMALL")
//!     .resistor("RC", ["vcc", "c"], 4.7e3)
//!     .resistor("RE", ["e", "0"], 1e3)
//!     .capacitor("CE", ["e", "0"], 220e-6)
//!     .model("SMALL", ModelKind::Npn, &[("IS", 2e-6), ("BF", 60.0), ("EG", 0.67), ("RB", 100.0), ("CJC", 20e-12)]);
//! let (circuit, _) = stage.build().map_err(|errors| format!("{errors:?}"))?;
//!
//! // The bias by the full nonlinear solution, linearised there and judged for stability.
//! let operating = Operating::of(&circuit)?;
//! let c = circuit.find_node("c")?;
//! assert!((2.0..8.0).contains(&operating.bias.volts(c)));
//!
//! // The hiss at the collector over the audio band, every source's share found by one adjoint solution a frequency.
//! let vin = Stimulus::of(&circuit, circuit.find_part("VIN")?).expect("a source");
//! let request = NoiseRequest {
//!     outputs: vec![(c, hissmap::mna::NodeId::GROUND)],
//!     band_hz: [20.0, 20e3],
//!     weighting: Weighting::Flat,
//!     tolerance: 1e-6,
//! };
//! let hiss = &noise(&circuit, &operating.signal, Some(&vin), &request)?.outputs[0];
//!
//! // Who makes it: contributions are powers, the shares add up to one.
//! let shares: f64 = hiss.devices.iter().map(|device| device.share).sum();
//! assert!((shares - 1.0).abs() < 1e-9);
//! let first = &circuit.part(hiss.devices[0].part).name;
//! assert_eq!(first, "RS");
//!
//! // What if Q1 leaked 20 µA, a hundred times as noisy as shot noise? Another circuit, the first one stays as it is.
//! let leak = Change::Leak {
//!     part: "Q1".to_owned(),
//!     amps: 20e-6,
//!     times: Some(100.0),
//!     corner_hz: None,
//!     doubling_celsius: None,
//! };
//! let leaky = circuit.changed(&[leak]).map_err(|errors| format!("{errors:?}"))?;
//! let operating = Operating::of(&leaky)?;
//! let louder = &noise(&leaky, &operating.signal, Some(&vin), &request)?.outputs[0];
//! assert_eq!(leaky.part(louder.devices[0].part).name, "Q1");
//! assert!(louder.rms_volts > 2.0 * hiss.rms_volts);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! From here on: [`mod@bench`] for faults, instruments and the bench sheet, [`variants`] for thousands of circuits of one structure,
//! [`diagnosis`] from readings to suspects, [`drill`] for training, [`report`] for the results the command prints.
//!
//! Enums and errors that will grow are `#[non_exhaustive]`. Everything is `Send + Sync` and no result depends on the number of
//! threads. Without default features the tree holds no crate of the command line.

pub mod bench;
pub mod bias;
pub mod circuit;
pub mod diagnosis;
pub mod diagnostic;
pub mod drill;
pub mod element;
pub mod guide;
pub mod mna;
pub mod netlist;
pub mod noise;
pub mod operating;
pub mod physics;
pub mod repair;
pub mod report;
pub mod response;
pub mod sensitivity;
pub mod smallsignal;
pub mod sound;
pub mod spectral;
pub mod stability;
pub mod sweep;
pub mod theory;
pub mod units;
pub mod variants;
