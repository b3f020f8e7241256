//! From a paper schematic to a netlist, step by step.
//!
//! Every example below is run by the tests. [`bench()`] stands for what the commands do: it reads a netlist and
//! finds its bias; at the bench you type the same text into a file and ask `hissmap bias FILE`.
//!
//! # 1. Name the nodes
//!
//! Copy the schematic and write a short name at every junction of lines: `b1`, `c1`, `e1` at the pins of Q1, `vcc` or `neg`
//! at the rail, `in`, `out`. The line that everything returns to is `0`, in a positive-ground set too: there the supply is
//! `VEE neg 0 -9`, and every voltage you will read is negative. Keep the part numbers of the schematic. The first line of the
//! file is a title.
//!
//! # 2. Type the plain parts
//!
//! One part a line: name, nodes, value as printed on it, `4k7` or `10uF`. Mega is `MEG`, or a capital M in the decimal
//! point's place: `2M2`; `10M` is ten milliohms, and you are warned.
//!
//! ```
//! # use hissmap::guide::bench;
//! let set = bench("Base divider\nVCC vcc 0 9\nR1 vcc b1 100k\nR2 b1 0 22k")?;
//! // 9 V·22/122
//! assert!((set.volts("b1")? - 1.6230).abs() < 1e-4);
//! # Ok::<(), String>(())
//! ```
//!
//! # 3. A potentiometer
//!
//! It is two resistors that share a parameter, the rotation from 0 to 1, each with what the wiper never leaves behind:
//!
//! ```
//! # use hissmap::guide::bench;
//! let lines = "Volume at half\nVIN top 0 AC 1\n.param volume=0.5\n\
//!              RVA top wiper {25k*(1-volume)+10}\nRVB wiper 0 {25k*volume+10}";
//! // Half of the voltage is left.
//! assert!((bench(lines)?.gain("VIN", "wiper", 1e3)? - 0.5).abs() < 1e-9);
//! # Ok::<(), String>(())
//! ```
//!
//! Audio tapers and a tap for loudness are in `circuits/pots.inc`: `XVOL top wiper 0 POT_AUDIO r=25k pos={volume}`. Turn it
//! with `--set volume=0.3`, or ask `hissmap noise FILE --control volume` which hiss it moves.
//!
//! # 4. An electrolytic
//!
//! `POL=1` says that it is polarised, the positive end first. In a positive-ground set that is nearly always the end you
//! would not expect; one that is the wrong way round at the bias point gets a warning from `hissmap check` (A06).
//!
//! ```
//! # use hissmap::guide::bench;
//! let right = bench("Decoupling, positive ground\nVEE bat 0 -9\nRD bat neg 1k\nRL neg 0 8k\nCD 0 neg 100u POL=1")?;
//! assert!(right.warnings().is_empty());
//! let wrong = bench("Decoupling, positive ground\nVEE bat 0 -9\nRD bat neg 1k\nRL neg 0 8k\nCD neg 0 100u POL=1")?;
//! assert_eq!(wrong.warnings(), ["A06"]);
//! # Ok::<(), String>(())
//! ```
//!
//! # 5. An output transformer
//!
//! Two inductors and their coupling, and the resistance of each winding, which you measure with the set unplugged. For a
//! ratio n of turns (measure it with a few volts of audio: volts in over volts out) the inductances are as n². The primary
//! follows from the lowest frequency it passes, L = R/(2π·f) with R the resistances in parallel that it works between. The
//! leakage inductance is (1 - k²) of the primary: k = 0.999 leaves 0.2 %.
//!
//! ```
//! # use hissmap::guide::bench;
//! let lines = "10:1 into 15 ohms\nVIN a 0 AC 1\nRS a p 1410\nRW1 p pri 60\nL1 pri 0 10\nL2 sec 0 0.1\nK1 L1 L2 0.9999\n\
//!              RW2 sec spk 0.3\nRSPK spk 0 15";
//! // The loudspeaker and its winding look like 100·15.3 = 1530 Ω; with 1470 Ω before them 0.51 of the voltage lies across the
//! // primary, a tenth of that across the secondary, and 15/15.3 of it across the loudspeaker: 0.05.
//! let gain = bench(lines)?.gain("VIN", "spk", 1e3)?;
//! assert!((gain - 0.05).abs() < 0.05 * 0.01, "{gain}");
//! # Ok::<(), String>(())
//! ```
//!
//! `circuits/transformer-output.cir` has one at work. An autotransformer or a tapped winding is two inductors in series with a
//! K between them.
//!
//! # 6. A transistor with unknown data
//!
//! Start from the class in `circuits/parts.inc` (small or medium germanium, silicon, power) and put in what you know:
//!
//! - `BF`, the gain at about its working current, from a tester. A germanium tester reading contains leakage: subtract the
//!   reading with the base open.
//! - `ICBO`, from the current with the base open: ICEO = (BF + 1)·ICBO, at 25 °C.
//! - `IS` from one pair of printed or measured values: IS = Ic/exp(Vbe/Vt), Vt = 25.9 mV at 27 °C. Germanium comes to about a
//!   microampere, silicon to 1e-14 A. `EG=0.67` says germanium.
//! - `PTOT`, if you know it, so that a hot device is called hot.
//!
//! ```
//! # use hissmap::guide::bench;
//! // 1 mA at 160 mV: IS = 1 mA/exp(160/25.865) = 2.06 µA.
//! let lines = "What IS?\nVB b 0 0.16\nVC c 0 5\nQ1 c b 0 X\n.model X NPN (IS=2.06u BF=80 EG=0.67)";
//! assert!((bench(lines)?.collector_amps("Q1")? - 1e-3).abs() < 0.01e-3);
//! // A tester shows 200 µA with the base open; gain 79: ICBO = 200/80 = 2.5 µA.
//! let lines = "Open base\n.temp 25\nVC c 0 6\nQ1 c b 0 X\n.model X NPN (IS=1e-14 BF=79 EG=0.67 ICBO=2.5u)";
//! assert!((bench(lines)?.collector_amps("Q1")? - 200e-6).abs() < 0.1e-6);
//! # Ok::<(), String>(())
//! ```
//!
//! What you do not know hardly matters for the volts, which the resistors around the transistor set; for the hiss try both
//! ends of what may be (`--swap`, or another `RB`) and see whether the answer changes.
//!
//! # 7. What is asked
//!
//! `.noise v(out) VIN dec 20 20 20k`: hiss at `out`, gain from `VIN`, from 20 Hz to 20 kHz. Then `hissmap check FILE`: all
//! faults at once, each with its line and what to type.
//!
//! # 8. Check it against the printed voltages
//!
//! Schematics print what a meter showed, and the meters of that time loaded the circuit: 20 kΩ for every volt of the range. At a
//! high-impedance point the printed voltage is the lower one. `hissmap bias FILE --dc-meter 20k/V@10` shows both.
//!
//! ```
//! # use hissmap::guide::bench;
//! let bare = bench("Divider\nVCC vcc 0 9\nR1 vcc b1 100k\nR2 b1 0 22k")?.volts("b1")?;
//! // 20 kΩ/V on the range of 10 V are 200 kΩ beside R2: 19.82 kΩ, and 9 V·19.82/119.82.
//! let metered = bench("Divider\nVCC vcc 0 9\nR1 vcc b1 100k\nR2 b1 0 22k\nRMETER b1 0 200k")?.volts("b1")?;
//! assert!((bare - 1.623).abs() < 1e-3 && (metered - 1.489).abs() < 1e-3);
//! # Ok::<(), String>(())
//! ```
//!
//! Where a voltage is off by more than the resistors' tolerance, look at the values typed around it first: a decade is the
//! usual slip, a collector exchanged with an emitter the next. Within tolerance at every point means that the model is good
//! enough to compare hiss with. Measure with the mains off wherever resistance will do: discharge the capacitors first and
//! check them with the meter, unplug; a live-chassis set belongs on an isolation transformer, and in a live set use one hand.
//!
//! # 9. Model a leak
//!
//! A leaking junction follows temperature and is noisy: `--leak Q2=20uA,x=300`, or `ICBO=20u LEAKM=300` on the card. Dirt and
//! moisture do not follow temperature: `--fault Q2=ohmic_leak,ohm=220k,uv_per_v=20`, the same as a resistor with its noise
//! index. Try both before you believe the freeze spray:
//!
//! ```
//! # use hissmap::guide::bench;
//! let stage = |more: &str| format!("Stage\nVCC vcc 0 9\nRB vcc b 470k\nRC vcc c 2k2\nQ1 c b 0 X {more}\n.model X NPN (IS=2u BF=80 EG=0.67)");
//! let (healthy, leaking) = (bench(&stage(""))?, bench(&stage("ICBO=20u"))?);
//! // 20 µA at 25 °C are 23 µA at 27 °C; they flow into the base and are amplified 80 times, so the collector drops.
//! assert!(leaking.volts("c")? < healthy.volts("c")? - 3.0);
//! # Ok::<(), String>(())
//! ```
//!
//! All kinds of fault: [`FaultKind`](crate::bench::FaultKind), or `hissmap noise --help`.

use std::sync::Arc;

use crate::bench::{advice, find_source};
use crate::bias::{self, DeviceCurrents};
use crate::circuit::Circuit;
use crate::diagnostic::Diagnostic;
use crate::mna::NodeId;
use crate::netlist;
use crate::operating::Operating;
use crate::response::response;
use crate::smallsignal::Stimulus;

/// A netlist at its bias point, for the examples of this page.
#[derive(Debug)]
pub struct Set {
    circuit: Circuit,
    operating: Operating,
}

/// Reads a netlist without includes and finds its bias.
///
/// # Errors
/// The first thing that is wrong, in words.
pub fn bench(text: &str) -> Result<Set, String> {
    let (netlist, problems) = netlist::read("guide", text, &mut |_| Err("there are no files here".to_owned()));
    if let Some(problem) = problems.into_iter().find(Diagnostic::is_error) {
        return Err(problem.message);
    }
    let first = |problems: Vec<Diagnostic>| problems.into_iter().map(|problem| problem.message).collect::<String>();
    let (circuit, _) = Circuit::build(Arc::new(netlist)).map_err(first)?;
    let operating = Operating::of(&circuit).map_err(|error| error.to_string())?;
    Ok(Set { circuit, operating })
}

impl Set {
    /// DC at a node, V.
    ///
    /// # Errors
    /// An unknown node.
    pub fn volts(&self, node: &str) -> Result<f64, String> {
        self.circuit.find_node(node).map(|node| self.operating.bias.volts(node)).map_err(|problem| problem.message)
    }

    /// Current into the collector of a transistor, A.
    ///
    /// # Errors
    /// An unknown part, or one that is no bipolar transistor.
    pub fn collector_amps(&self, part: &str) -> Result<f64, String> {
        let id = self.circuit.find_part(part).map_err(|problem| problem.message)?;
        let devices = bias::devices(&self.circuit, &self.operating.bias);
        let currents = devices.into_iter().find(|device| device.part == id).map(|device| device.currents);
        match currents {
            Some(DeviceCurrents::Bjt { ic_a, .. }) => Ok(ic_a),
            _ => Err(format!("{part} is no bipolar transistor")),
        }
    }

    /// Volts at a node per volt of a source, without its sign.
    ///
    /// # Errors
    /// An unknown source or node, or equations without a solution.
    pub fn gain(&self, source: &str, node: &str, hertz: f64) -> Result<f64, String> {
        let source = find_source(&self.circuit, source).map_err(|problem| problem.message)?;
        let node = self.circuit.find_node(node).map_err(|problem| problem.message)?;
        let stimulus = Stimulus::of(&self.circuit, source).ok_or("no source")?;
        let outputs = [(node, NodeId::GROUND)];
        let gains = response(&self.circuit, &self.operating.signal, &stimulus, &outputs, &[hertz]);
        gains.map(|gains| gains[0][0].norm()).map_err(|error| error.to_string())
    }

    /// Codes of the advice at its bias point.
    pub fn warnings(&self) -> Vec<&'static str> {
        advice::at_bias(&self.circuit, &self.operating).iter().map(|warning| warning.code.as_str()).collect()
    }
}
