//! Random amplifiers of the kinds found in sets of the 1950s to 1970s, as data, so that one amplifier can be written
//! plainly, with renamed nodes and shuffled cards, with its supply off, or with all impedances doubled.

use rand::prelude::{IndexedRandom, SliceRandom};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What a card is, with its value where it has one.
#[derive(Clone, Debug)]
pub enum Kind {
    Resistor { ohms: f64, noise_index: Option<f64> },
    Capacitor { farads: f64 },
    Inductor { henries: f64 },
    Coupling { windings: Vec<String>, coefficient: f64 },
    Supply { volts: f64 },
    Test,
    Device { model: &'static str, area: f64, icbo: f64, rth: f64 },
}

#[derive(Clone, Debug)]
pub struct Card {
    pub name: String,
    pub nodes: Vec<String>,
    pub kind: Kind,
}

/// How an amplifier is written down.
#[derive(Clone, Copy, Debug)]
pub struct Writing {
    /// Factor on all impedances.
    pub impedance: f64,
    /// Shuffle cards and rename nodes, by this seed.
    pub renamed: Option<u64>,
    /// Sources at zero volts.
    pub supply_off: bool,
    /// No self-heating: every device at ambient.
    pub isothermal: bool,
}

pub const PLAIN: Writing = Writing { impedance: 1.0, renamed: None, supply_off: false, isothermal: false };

#[derive(Debug)]
pub struct Amplifier {
    pub kinds: Vec<&'static str>,
    pub cards: Vec<Card>,
    pub ambient: f64,
}

/// Models: typical orders of magnitude, common practice, no source. Every NF equals its NR, so that each has an
/// equilibrium.
const MODELS: &str = "\
.model GP PNP (IS=2u BF=70 BR=8 VAF=40 VAR=15 IKF=0.2 ISE=4u NE=1.8 RB=120 RC=4 RE=0.4 CJE=40p CJC=15p TF=60n TR=1u EG=0.67 KF=2f AF=1.2 ICBO=4u LEAKM=3 LEAKFC=300)
.model GN NPN (IS=3u BF=50 BR=5 VAF=30 RB=90 CJE=50p CJC=20p TF=80n EG=0.67 ICBO=6u TDBL=9)
.model GW PNP (IS=20u BF=45 BR=4 VAF=25 IKF=2 RB=8 RE=0.05 CJE=500p CJC=200p TF=400n EG=0.67 ICBO=150u KF=1f)
.model SN NPN (IS=10f BF=250 BR=4 VAF=80 VAR=8 IKF=60m ISE=5f NE=1.6 ISC=20f NC=1.4 RB=150 RC=1 RE=0.3 CJE=9p CJC=4p TF=0.5n TR=50n KF=1f ICBO=1n XTB=1.5)
.model SP PNP (IS=15f BF=180 BR=3 VAF=50 IKF=80m RB=100 CJE=10p CJC=6p TF=0.7n KF=0.5f AF=1.1 ICBO=1n XTB=1.5 NF=1.02 NR=1.02)
.model SW NPN (IS=1p BF=60 BR=2 VAF=60 IKF=1 RB=3 RE=0.05 CJE=300p CJC=150p TF=20n)
.model DS D (IS=5n N=1.8 RS=0.6 CJO=4p TT=5n KF=1f)
.model DG D (IS=1u N=1.3 RS=20 EG=0.67 CJO=2p)
.model DZ D (IS=1p RS=8 BV=6.2 IBV=1m)
.model JN NJF (BETA=1m VTO=-2 LAMBDA=10m RD=20 RS=20 CGS=5p CGD=4p IS=1p KF=0.1f)
.model JP PJF (BETA=0.8m VTO=-1.5 LAMBDA=20m RS=30 CGS=6p CGD=6p IS=2p)
";

impl Amplifier {
    /// The amplifier of a unit number: the same for ever.
    pub fn of_unit(unit: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(unit);
        let germanium = random.random_bool(0.5);
        let positive = random.random_bool(0.5);
        let mut volts = log_uniform(&mut random, 4.5, 45.0);
        if !positive {
            volts = -volts;
        }
        let ambient = random.random_range(-10.0..55.0);
        let mut builder = Builder { random, cards: Vec::new(), germanium, positive, volts, next: 0 };
        builder.add("VCC", &["rail0", "0"], Kind::Supply { volts });
        let ohms = log_uniform(&mut builder.random, 0.5, 200.0);
        builder.add("RSUP", &["rail0", "rail"], resistor(ohms));
        builder.add("CSUP", &["rail", "0"], Kind::Capacitor { farads: 100e-6 });
        builder.add("VIN", &["in", "0"], Kind::Supply { volts: 0.0 });
        let mut at = "in".to_owned();
        let mut kinds = Vec::new();
        for _ in 0..builder.random.random_range(1..=3) {
            let stage = builder.random.random_range(0..STAGES.len());
            let (kind, build) = STAGES[stage];
            kinds.push(kind);
            at = build(&mut builder, &at);
        }
        let ohms = builder.value(10e3);
        builder.add("RLOAD", &[&at, "0"], resistor(ohms));
        // A current of nothing at a base: its derivative is compared with the gain.
        builder.add("ITEST", &["0", "b1"], Kind::Test);
        Self { kinds, cards: builder.cards, ambient }
    }

    /// The netlist text.
    pub fn text(&self, writing: Writing) -> String {
        let mut lines: Vec<String> = self.cards.iter().map(|card| line(card, writing)).collect();
        if let Some(seed) = writing.renamed {
            lines.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
        }
        // A breakdown current is not scaled by area, so that of the reference diode is scaled here.
        let models = MODELS.replace("IBV=1m", &format!("IBV={:e}", 1e-3 / writing.impedance));
        format!("unit {:?}\n.temp {}\n{models}{}\n.end\n", self.kinds, self.ambient, lines.join("\n"))
    }
}

/// The name of a node in a writing.
pub fn node(name: &str, writing: Writing) -> String {
    if writing.renamed.is_some() && name != "0" { format!("{name}_x") } else { name.to_owned() }
}

fn line(card: &Card, writing: Writing) -> String {
    let z = writing.impedance;
    let nodes: Vec<String> = card.nodes.iter().map(|name| node(name, writing)).collect();
    let (name, nodes) = (&card.name, nodes.join(" "));
    match &card.kind {
        Kind::Resistor { ohms, noise_index: None } => format!("{name} {nodes} {:e}", ohms * z),
        Kind::Resistor { ohms, noise_index: Some(db) } => format!("{name} {nodes} {:e} NI={db}", ohms * z),
        Kind::Capacitor { farads } => format!("{name} {nodes} {:e}", farads / z),
        Kind::Inductor { henries } => format!("{name} {nodes} {:e}", henries * z),
        Kind::Coupling { windings, coefficient } => format!("{name} {} {coefficient}", windings.join(" ")),
        Kind::Supply { volts } => format!("{name} {nodes} {:e}", if writing.supply_off { 0.0 } else { *volts }),
        Kind::Test => format!("{name} {nodes} 0"),
        Kind::Device { model, area, icbo, rth } => {
            let mut text = format!("{name} {nodes} {model} {:e}", area / z);
            if *icbo > 0.0 {
                text += &format!(" ICBO={:e}", icbo / z);
            }
            if *rth > 0.0 && !writing.isothermal {
                text += &format!(" RTH={:e}", rth * z);
            }
            text
        }
    }
}

fn resistor(ohms: f64) -> Kind {
    Kind::Resistor { ohms, noise_index: None }
}

fn log_uniform(random: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    (random.random_range(low.ln()..high.ln())).exp()
}

struct Builder {
    random: ChaCha8Rng,
    cards: Vec<Card>,
    germanium: bool,
    positive: bool,
    volts: f64,
    next: usize,
}

type Stage = fn(&mut Builder, &str) -> String;

/// Every kind of stage: takes its input node, returns its output node.
const STAGES: [(&str, Stage); 9] = [
    ("common emitter", Builder::common_emitter),
    ("direct-coupled pair", Builder::pair),
    ("Darlington", Builder::darlington),
    ("long-tailed pair", Builder::long_tailed),
    ("mirror load", Builder::mirror),
    ("complementary output", Builder::complementary),
    ("transformer output", Builder::transformer),
    ("bootstrapped follower", Builder::bootstrap),
    ("field-effect input", Builder::field_effect),
];

impl Builder {
    fn add(&mut self, name: &str, nodes: &[&str], kind: Kind) {
        let nodes = nodes.iter().map(|node| (*node).to_owned()).collect();
        self.cards.push(Card { name: name.to_owned(), nodes, kind });
    }

    /// A number for the next stage's names; the very first base is always `b1`.
    fn number(&mut self) -> usize {
        self.next += 1;
        self.next
    }

    /// A part's value about a sensible one: mostly near it, sometimes a wild one, as typing errors and faults make them.
    fn value(&mut self, sensible: f64) -> f64 {
        let spread = if self.random.random_bool(0.15) { 30.0 } else { 2.0 };
        sensible * log_uniform(&mut self.random, 1.0 / spread, spread)
    }

    fn r(&mut self, name: String, nodes: &[&str], sensible: f64) {
        let ohms = self.value(sensible).clamp(1.0, 22e6);
        let noise_index = self.random.random_bool(0.2).then(|| f64::from(self.random.random_range(-30..10)));
        self.add(&name, nodes, Kind::Resistor { ohms, noise_index });
    }

    fn c(&mut self, name: String, nodes: &[&str], sensible: f64) {
        let farads = self.value(sensible).clamp(10e-12, 4700e-6);
        self.add(&name, nodes, Kind::Capacitor { farads });
    }

    fn q(&mut self, name: String, nodes: &[&str], model: &'static str) {
        let leaky = self.random.random_bool(0.15);
        let icbo = if leaky { log_uniform(&mut self.random, 1e-7, 500e-6) } else { 0.0 };
        let rth = if self.random.random_bool(0.2) { log_uniform(&mut self.random, 5.0, 200.0) } else { 0.0 };
        let area = log_uniform(&mut self.random, 0.3, 3.0);
        self.add(&name, nodes, Kind::Device { model, area, icbo, rth });
    }

    fn on_heat_sink(&mut self, name: String, nodes: &[&str], model: &'static str) {
        self.q(name, nodes, model);
        if let Some(Card { kind: Kind::Device { rth, .. }, .. }) = self.cards.last_mut() {
            *rth = rth.min(6.0);
        }
    }

    fn other(&mut self, name: String, nodes: &[&str], model: &'static str) {
        let area = log_uniform(&mut self.random, 0.3, 3.0);
        self.add(&name, nodes, Kind::Device { model, area, icbo: 0.0, rth: 0.0 });
    }

    /// The transistor whose collector goes towards the rail.
    fn main_model(&self) -> &'static str {
        match (self.germanium, self.positive) {
            (true, true) => "GN",
            (true, false) => "GP",
            (false, true) => "SN",
            (false, false) => "SP",
        }
    }

    /// Its complement.
    fn other_model(&self) -> &'static str {
        match (self.germanium, self.positive) {
            (true, true) => "GP",
            (true, false) => "GN",
            (false, true) => "SP",
            (false, false) => "SN",
        }
    }

    fn diode_model(&self) -> &'static str {
        if self.germanium { "DG" } else { "DS" }
    }

    /// Anode and cathode so that a diode conducts from the rail towards ground.
    fn diode(&mut self, name: String, rail_side: &str, ground_side: &str, model: &'static str) {
        let nodes = if self.positive { [rail_side, ground_side] } else { [ground_side, rail_side] };
        self.other(name, &nodes, model);
    }

    fn couple(&mut self, n: usize, from: &str, to: &str) {
        self.c(format!("CI{n}"), &[from, to], 4.7e-6);
    }

    fn vbe(&self) -> f64 {
        if self.germanium { 0.15 } else { 0.65 }
    }

    fn collector_amps(&mut self) -> f64 {
        log_uniform(&mut self.random, 50e-6, 4e-3)
    }

    /// Divider, emitter resistor with bypass: bias of one stage; returns its current.
    fn divider(&mut self, n: usize, base: &str, emitter: &str) -> f64 {
        let (amps, rail, vbe) = (self.collector_amps(), self.volts.abs(), self.vbe());
        let emitter_volts = 0.1 * rail;
        let base_volts = emitter_volts + vbe;
        let bleeder = 0.1 * amps;
        self.r(format!("RA{n}"), &["rail", base], (rail - base_volts).max(0.2) / bleeder);
        self.r(format!("RB{n}"), &[base, "0"], base_volts / bleeder);
        self.r(format!("RE{n}"), &[emitter, "0"], emitter_volts / amps);
        if self.random.random_bool(0.7) {
            self.c(format!("CE{n}"), &[emitter, "0"], 100e-6);
        }
        amps
    }

    fn common_emitter(&mut self, input: &str) -> String {
        let n = self.number();
        let (b, c, e) = (format!("b{n}"), format!("c{n}"), format!("e{n}"));
        self.couple(n, input, &b);
        let amps = self.divider(n, &b, &e);
        self.r(format!("RC{n}"), &["rail", &c], 0.45 * self.volts.abs() / amps);
        self.q(format!("Q{n}"), &[&c, &b, &e], self.main_model());
        c
    }

    fn pair(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, c, e, e2, c2] = ["b", "c", "e", "ee", "cc"].map(|prefix| format!("{prefix}{n}"));
        let amps = self.collector_amps();
        let rail = self.volts.abs();
        self.couple(n, input, &b);
        self.r(format!("RC{n}"), &["rail", &c], 0.75 * rail / amps);
        self.r(format!("RE{n}"), &[&e, "0"], 0.02 * rail / amps);
        self.q(format!("Q{n}A"), &[&c, &b, &e], self.main_model());
        self.q(format!("Q{n}B"), &[&c2, &c, &e2], self.main_model());
        self.r(format!("RD{n}"), &["rail", &c2], 0.4 * rail / amps);
        self.r(format!("RG{n}"), &[&e2, "0"], 0.2 * rail / amps);
        self.c(format!("CG{n}"), &[&e2, "0"], 47e-6);
        self.r(format!("RF{n}"), &[&e2, &b], 8.0 / amps);
        if self.random.random_bool(0.5) {
            self.c(format!("CF{n}"), &[&c2, &e], 1e-9);
        }
        c2
    }

    fn darlington(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, c, m, e] = ["b", "c", "m", "e"].map(|prefix| format!("{prefix}{n}"));
        self.couple(n, input, &b);
        let amps = self.divider(n, &b, &e);
        self.r(format!("RC{n}"), &["rail", &c], 0.4 * self.volts.abs() / amps);
        self.q(format!("Q{n}A"), &[&c, &b, &m], self.main_model());
        self.q(format!("Q{n}B"), &[&c, &m, &e], self.main_model());
        if self.random.random_bool(0.5) {
            self.r(format!("RM{n}"), &[&m, &e], 22e3);
        }
        c
    }

    fn long_tailed(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, b2, c, c2, e] = ["b", "bb", "c", "cc", "e"].map(|prefix| format!("{prefix}{n}"));
        let (amps, rail) = (self.collector_amps(), self.volts.abs());
        self.couple(n, input, &b);
        for (name, base) in [("RA", &b), ("RP", &b2)] {
            self.r(format!("{name}{n}"), &["rail", base], 3.0 * rail / amps);
            self.r(format!("{name}G{n}"), &[base, "0"], 1.5 * rail / amps);
        }
        self.c(format!("CB{n}"), &[&b2, "0"], 10e-6);
        self.r(format!("RT{n}"), &[&e, "0"], 0.12 * rail / amps);
        self.r(format!("RC{n}"), &["rail", &c], 0.3 * rail / amps);
        self.r(format!("RD{n}"), &["rail", &c2], 0.3 * rail / amps);
        self.q(format!("Q{n}A"), &[&c, &b, &e], self.main_model());
        self.q(format!("Q{n}B"), &[&c2, &b2, &e], self.main_model());
        c2
    }

    fn mirror(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, c, e, m] = ["b", "c", "e", "m"].map(|prefix| format!("{prefix}{n}"));
        self.couple(n, input, &b);
        let amps = self.divider(n, &b, &e);
        self.q(format!("Q{n}A"), &[&c, &b, &e], self.main_model());
        self.q(format!("Q{n}M"), &[&m, &m, "rail"], self.other_model());
        self.q(format!("Q{n}N"), &[&c, &m, "rail"], self.other_model());
        self.r(format!("RM{n}"), &[&m, "0"], 0.9 * self.volts.abs() / amps);
        self.r(format!("RL{n}"), &[&c, "0"], self.volts.abs() / amps);
        c
    }

    fn complementary(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, d, u, l, o, s] = ["b", "d", "u", "l", "o", "s"].map(|prefix| format!("{prefix}{n}"));
        let (amps, rail) = (self.collector_amps() * 3.0, self.volts.abs());
        self.couple(n, input, &b);
        self.r(format!("RF{n}"), &[&o, &b], 10.0 * rail / amps);
        self.r(format!("RB{n}"), &[&b, "0"], 20.0 * self.vbe() / amps);
        self.q(format!("Q{n}D"), &[&l, &b, "0"], self.main_model());
        self.diode(format!("D{n}A"), &u, &d, self.diode_model());
        self.diode(format!("D{n}B"), &d, &l, self.diode_model());
        self.r(format!("RU{n}"), &["rail", &s], 0.25 * rail / amps);
        self.r(format!("RV{n}"), &[&s, &u], 0.25 * rail / amps);
        if self.random.random_bool(0.6) {
            self.c(format!("CS{n}"), &[&o, &s], 100e-6);
        }
        let (eu, el) = (format!("eu{n}"), format!("el{n}"));
        // On a heat sink: without one, emitter resistors of 1 Ω do not keep germanium from running away.
        self.on_heat_sink(format!("Q{n}U"), &["rail", &u, &eu], self.main_model());
        self.on_heat_sink(format!("Q{n}L"), &["0", &l, &el], self.other_model());
        self.r(format!("RX{n}"), &[&eu, &o], 1.0);
        self.r(format!("RY{n}"), &[&el, &o], 1.0);
        o
    }

    fn transformer(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, e, c, p, s] = ["b", "e", "c", "p", "s"].map(|prefix| format!("{prefix}{n}"));
        self.couple(n, input, &b);
        let amps = self.divider(n, &b, &e);
        let power = if self.germanium && !self.positive {
            "GW"
        } else if self.positive && !self.germanium {
            "SW"
        } else {
            self.main_model()
        };
        self.q(format!("Q{n}"), &[&c, &b, &e], power);
        self.r(format!("RP{n}"), &["rail", &p], 0.05 * self.volts.abs() / amps);
        let henries = self.value(2.0);
        let ratio = log_uniform(&mut self.random, 2.0, 20.0);
        self.add(&format!("LP{n}"), &[&p, &c], Kind::Inductor { henries });
        self.add(&format!("LS{n}"), &[&s, &format!("g{n}")], Kind::Inductor { henries: henries / (ratio * ratio) });
        self.r(format!("RG{n}"), &[&format!("g{n}"), "0"], 1.0);
        let coefficient = *[0.95, 0.99, 0.999, 1.0].choose(&mut self.random).expect("four to choose from");
        let windings = vec![format!("LP{n}"), format!("LS{n}")];
        self.add(&format!("K{n}"), &[], Kind::Coupling { windings, coefficient });
        self.r(format!("RS{n}"), &[&s, "0"], 15.0);
        s
    }

    fn bootstrap(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, e, m] = ["b", "e", "m"].map(|prefix| format!("{prefix}{n}"));
        let (amps, rail) = (self.collector_amps(), self.volts.abs());
        self.couple(n, input, &b);
        self.r(format!("RA{n}"), &["rail", &m], 2.0 * rail / amps);
        self.r(format!("RB{n}"), &[&m, "0"], 3.0 * rail / amps);
        self.r(format!("RM{n}"), &[&m, &b], rail / amps);
        self.c(format!("CM{n}"), &[&m, &e], 22e-6);
        self.q(format!("Q{n}"), &["rail", &b, &e], self.main_model());
        self.r(format!("RE{n}"), &[&e, "0"], 0.5 * rail / amps);
        if self.random.random_bool(0.3) {
            // A reference diode from the rail, as screens and preamp rails had.
            let z = format!("z{n}");
            self.r(format!("RZ{n}"), &["rail", &z], 2.2e3);
            self.diode(format!("D{n}Z"), "0", &z, "DZ");
        }
        e
    }

    fn field_effect(&mut self, input: &str) -> String {
        let n = self.number();
        let [b, d, s] = ["b", "d", "s"].map(|prefix| format!("{prefix}{n}"));
        self.couple(n, input, &b);
        self.r(format!("RG{n}"), &[&b, "0"], 1e6);
        self.r(format!("RS{n}"), &[&s, "0"], 2.2e3);
        self.c(format!("CS{n}"), &[&s, "0"], 22e-6);
        self.r(format!("RD{n}"), &["rail", &d], 4.7e3);
        self.other(format!("J{n}"), &[&d, &b, &s], if self.positive { "JN" } else { "JP" });
        d
    }
}
