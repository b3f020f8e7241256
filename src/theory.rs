//! Hiss for newcomers: what makes it, what the figures assume, where they stop, and how a diagnosis reasons.
//!
//! Every example below is run by the tests. For the exact forms see the top of each file in `element/`.
//!
//! # Four kinds of hiss
//!
//! **Thermal noise.** The electrons of every resistor move with its temperature, and the voltage at its ends wavers. Its
//! mean square is 4kT·R in each hertz of bandwidth, whatever the resistor is made of (Johnson 1928, Nyquist 1928). One
//! kilohm at 27 °C in the audio band:
//!
//! ```
//! let four_kt = 4.0 * 1.380649e-23 * 300.15;
//! let volts = f64::sqrt(four_kt * 1e3 * 19_980.0);
//! assert!((volts - 0.575e-6).abs() < 0.001e-6);
//! ```
//!
//! Nothing gets below it but a smaller resistance or a colder one. The ohmic parts of a transistor have it as well: the base
//! resistance is often the noisiest part of a quiet stage.
//!
//! **Shot noise.** A current across a junction comes in single charges. They arrive independently of each other, so the
//! current has a mean square of 2q·I a hertz (Schottky 1918). One milliampere of collector current wavers by 18 pA in a
//! hertz; in 1 kΩ that is more than the resistor's own thermal noise. At zero bias charges still cross, both ways: the form
//! used here, 2q·I·coth(V/2Vt), then becomes 4kT times the junction's conductance, as Nyquist's theorem demands.
//!
//! ```
//! let amps = f64::sqrt(2.0 * 1.602176634e-19 * 1e-3);
//! assert!((amps - 17.9e-12).abs() < 0.1e-12);
//! ```
//!
//! **Flicker noise**, 1/f noise. Traps at surfaces catch charges and let them go again, at all rates: the mean square rises
//! towards low frequencies, with as much power in each decade as in the next. Parameter `KF` says how much. It differs by
//! factors between good devices of one type, and a damaged one may have thousands of times as much. Carbon resistors have a
//! kin of it, excess noise, that grows with the DC volts across them (`NI`, IEC 60195).
//!
//! **Leakage noise.** A reverse current over a contaminated surface is shot noise at least, and usually far more (`LEAKM`,
//! `LEAKFC`). It is the fault that old germanium transistors are pulled for: it flows from collector to base, and the
//! transistor amplifies what enters at its base. It doubles every 6 to 13 °C, so that freezing quiets it — if freezing does
//! not just take the stage's gain away.
//!
//! # Powers add, and each source has its own way to each point
//!
//! Sources waver independently: their mean squares add, not their volts. Two sources of 3 and 4 µV make 5 µV. What a
//! source makes at a point is its current times a transfer impedance, the volts there per ampere of it. A source is not
//! loudest where it sits. In a direct-coupled pair the leak of the *second* transistor flows out of its base, into the
//! resistor at the *first* one's collector: the meter finds it there first, at an innocent transistor's output.
//!
//! # What the figures assume
//!
//! - Signals are small: sources are taken at the bias point, and nothing clips.
//! - Noise is Gaussian and does not change while it is measured. Popping, crackling and hum are something else.
//! - The models are generic. A card says what such a device does, not what yours does; the printed DC volts are the first
//!   test of whether model and set agree. Tolerances of a healthy set are reckoned with in bands and diagnosis.
//! - Temperature changes junctions, leaks and thermal noise. Whether a bad surface's excess noise follows the leak or its
//!   square nobody knows for a given fault; diagnosis takes it as a tolerance.
//! - Above some 100 kHz the capacitances that a model leaves out decide.
//! - Avalanche breakdown is noisier than the shot noise it is given.
//!
//! # How a diagnosis reasons
//!
//! Before any reading it computes what *every* test would read for every listed fault at thirty severities, and by how much the
//! tolerances of a healthy set move these readings together. Each fault is then a cloud of expected readings. A reading
//! makes clouds it lies outside of unlikely and moves the others, because readings on one set share its tolerances: a supply that
//! is low is low for all of them. Parts are ranked by what is left, kinds and severities of a fault merged.
//!
//! The next test is the one that is expected to save most work for its cost: it counts what pulling wrong parts, lifting
//! legs and an open search would take. A test that only tells two faults of one part apart is never asked for.
//!
//! It says so where it cannot know: parts that no test tells apart, readings that no single listed fault explains, a share
//! for the fault nobody listed. Nothing is ever more than 99 % sure.
//!
//! How often it is right has been measured on simulated sets it had not seen, tolerances and reading errors drawn, readings from
//! the full nonlinear solution: the table under "Diagnosis, measured" in `DEVELOPERS.md` has the first part named right, how
//! its percentages compare with what came true, and the three habits of the bench beside it. On the direct-coupled germanium
//! pair (150 sets, 25 November 2026) the first part was right in 95 % of the repairs; of what it had called at least 90 %
//! sure 99 % was right; freezing every transistor and pulling the one that changed most was right in 76 %. On silicon
//! stages, whose complaints are mostly noisy resistors in series with each other, the first part was right in 80 %, and in
//! 98 % it was that part or one that no test tells from it.
