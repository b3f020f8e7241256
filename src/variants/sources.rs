//! The noise sources of eight variants, by the pair of unknowns they lie between.

use super::Variant;
use crate::element::NoiseSource;
use crate::mna::{LANES, LaneReal};

/// Sums over the sources of each pair of unknowns, lane by lane.
pub(super) struct Sources {
    /// The pairs, in order of their first source.
    pub pairs: Vec<(u32, u32)>,
    /// Densities that do not depend on frequency, A²/Hz.
    white: Vec<LaneReal>,
    /// Densities that fall as 1/f: their values at 1 Hz, A²/Hz.
    flicker: Vec<LaneReal>,
}

/// Integrals of |z|² and of |z|²/f over the band, for one pair of unknowns.
pub(super) type PairTransfer = [LaneReal; 2];

impl Sources {
    pub fn of(variants: &[&Variant]) -> Self {
        let mut sources = Self { pairs: Vec::new(), white: Vec::new(), flicker: Vec::new() };
        for (lane, variant) in variants.iter().enumerate() {
            // The sources of variants come in one order: each is looked for from where the last one was found.
            let mut from = 0;
            for source in variant.sources() {
                from = sources.place(source, from);
                sources.white[from].0[lane] += source.white;
                sources.flicker[from].0[lane] += source.flicker;
            }
        }
        sources
    }

    fn place(&mut self, source: &NoiseSource, from: usize) -> usize {
        let pair = (source.from.0, source.to.0);
        let count = self.pairs.len();
        let found = (0..count).map(|step| (from + step) % count).find(|&at| self.pairs[at] == pair);
        found.unwrap_or_else(|| {
            self.pairs.push(pair);
            self.white.push(LaneReal([0.0; LANES]));
            self.flicker.push(LaneReal([0.0; LANES]));
            count
        })
    }

    /// Densities of all pairs at a frequency, A²/Hz.
    pub fn densities(&self, hertz: f64, densities: &mut [LaneReal]) {
        let per_hertz = hertz.recip();
        for ((density, white), flicker) in densities.iter_mut().zip(&self.white).zip(&self.flicker) {
            density.0 = std::array::from_fn(|lane| white.0[lane] + flicker.0[lane] * per_hertz);
        }
    }

    /// Each source's contribution, V²: ∫|z|²·(white + flicker/f) df. Empty without transfers.
    pub fn contributions(&self, lane: usize, variant: &Variant, transfers: &[PairTransfer]) -> Vec<f64> {
        if transfers.is_empty() {
            return Vec::new();
        }
        let contribution = |source: &NoiseSource| {
            let pair = (source.from.0, source.to.0);
            let at = self.pairs.iter().position(|&known| known == pair).expect("every source's pair is listed");
            let [flat, falling] = &transfers[at];
            source.white * flat.0[lane] + source.flicker * falling.0[lane]
        };
        variant.sources().iter().map(contribution).collect()
    }
}
