//! Limits on purpose: whatever a text asks for, reading and building it takes little time and memory.

/// How much of everything a netlist may have. What goes beyond is refused with
/// [`LimitExceeded`](crate::diagnostic::Code::LimitExceeded).
///
/// ```
/// let mut limits = hissmap::netlist::Limits::default();
/// limits.parts = 100;
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Limits {
    /// Bytes of all texts together, included ones among them.
    pub text_bytes: usize,
    /// Bytes of one statement, from its first line to its last.
    pub statement_bytes: usize,
    /// Bytes of one name or number.
    pub word_bytes: usize,
    /// Names, values and signs of all statements together, those in expressions included.
    pub fields: usize,
    /// Files included in all.
    pub includes: usize,
    /// Files that include one another.
    pub include_depth: usize,
    /// Sub-circuits defined in one another.
    pub definition_depth: usize,
    /// Bytes of one expression.
    pub expression_bytes: usize,
    /// Brackets, signs and powers of an expression that are open at the same time. They cost no stack, so the default is
    /// no less than the length allows.
    pub expression_depth: usize,
    /// Messages after which the rest is not looked at.
    pub messages: usize,
    /// Sub-circuits that call one another.
    pub call_depth: usize,
    /// Parts once sub-circuits are expanded.
    pub parts: usize,
    /// Cards, connections and parameters gone through to expand all calls.
    pub expansion: usize,
    /// Bytes of all names of the expanded circuit together.
    pub expanded_name_bytes: usize,
    /// Unknowns of the equations: nodes, inner nodes of devices, branch currents, temperatures. At the default an answer
    /// for one point of an amplifier takes seconds, not minutes.
    pub unknowns: usize,
    /// Pairs of windings that couple: every winding of a card with every other. Each is an entry of the equations.
    pub coupled_pairs: usize,
    /// Frequencies of one curve.
    pub plot_points: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            text_bytes: 4 << 20,
            statement_bytes: 64 << 10,
            word_bytes: 255,
            fields: 500_000,
            includes: 1000,
            include_depth: 32,
            definition_depth: 32,
            expression_bytes: 8192,
            expression_depth: 8192,
            messages: 1000,
            call_depth: 40,
            parts: 20_000,
            expansion: 200_000,
            expanded_name_bytes: 4 << 20,
            unknowns: 20_000,
            coupled_pairs: 20_000,
            plot_points: 20_000,
        }
    }
}
