//! Circuits of any size for measuring: amplifier chains, ladders, meshes.

// Every bench compiles this for itself and uses a part of it.
#![allow(dead_code)]

use std::fmt::Write;

/// Blocks of amplifier chains of about 12, 29, 101, 317, 1010 and 10,000 unknowns.
pub const CHAINS: [usize; 6] = [1, 3, 14, 45, 144, 1429];

/// Blocks of two stages, a gain of about one each, on one supply rail: 5 + 7 unknowns a block.
pub fn chain(blocks: usize) -> String {
    let mut text = format!(
        "chain of {blocks} blocks\n.model N NPN (IS=1e-14 BF=250 VAF=80 RB=200 CJE=12p CJC=4p TF=0.5n KF=4f)\n\
         VCC bat 0 12\nRS bat rail {:e}\nCS rail 0 1000u\nVIN o0 0 0\n",
        10.0 / blocks as f64
    );
    for n in 1..=blocks {
        let _ = write!(
            text,
            "RA{n} o{} m{n} 10k\nCI{n} m{n} b{n} 10u\nRU{n} rail b{n} 22k\nRD{n} b{n} 0 5.6k\nQA{n} c{n} b{n} e{n} N\n\
             RE{n} e{n} 0 1k\nRC{n} rail c{n} 3.3k\nCC{n} c{n} b{n} 22p\nQB{n} rail c{n} o{n} N\nRL{n} o{n} 0 4.7k\n",
            n - 1
        );
    }
    let _ = writeln!(text, "RO o{blocks} out 100\nCO out 0 1n\n.noise v(out) VIN dec 20 20 20k");
    text
}

/// Sections of a resistor and a capacitor: 2 + 1 unknowns a section.
pub fn ladder(sections: usize) -> String {
    let mut text = format!("ladder of {sections} sections\nV1 n0 0 0\n");
    for n in 1..=sections {
        let _ = writeln!(text, "R{n} n{} n{n} 1k\nC{n} n{n} 0 100p", n - 1);
    }
    let _ = writeln!(text, ".noise v(n{sections}) V1 dec 20 20 20k");
    text
}

/// A square of resistors with a capacitor at every crossing: `side`² + 2 unknowns.
pub fn mesh(side: usize) -> String {
    let mut text = format!("mesh of {side} by {side}\nV1 in 0 0\nRIN in n0_0 1k\n");
    for row in 0..side {
        for column in 0..side {
            let _ = writeln!(text, "C{row}_{column} n{row}_{column} 0 {}p", 100 + (7 * row + 3 * column) % 50);
            if column + 1 < side {
                let _ = writeln!(text, "RH{row}_{column} n{row}_{column} n{row}_{} 1k", column + 1);
            }
            if row + 1 < side {
                let _ = writeln!(text, "RV{row}_{column} n{row}_{column} n{}_{column} 2.2k", row + 1);
            }
        }
    }
    let _ = writeln!(text, ".noise v(n{0}_{0}) V1 dec 20 20 20k", side - 1);
    text
}
