//! Faulty circuits solved in groups of one structure.

use rayon::prelude::*;

use super::recipes::{Base, Bases, Recipe};
use crate::bias::{self, BiasPoint, SolveError};
use crate::circuit::Circuit;
use crate::variants::{Family, Variant};

/// A family for each of the [`Bases`].
#[derive(Debug)]
pub(super) struct Families {
    plain: Family,
    leaks: Option<Family>,
}

/// What reads a group of variants of one family, each with its place among the chosen.
type Reader<'r, T> = dyn Fn(&Family, &[(usize, &Variant)]) -> Vec<Option<T>> + Sync + 'r;

impl Families {
    /// Those of bases whose plain one has a bias that is known; places for leaks do not move it.
    pub fn at(bases: &Bases, bias: &BiasPoint) -> Result<Self, SolveError> {
        let leaks = bases.leaks.as_ref().map(|leaks| Family::at(leaks, bias.clone()));
        Ok(Self { plain: Family::at(&bases.plain, bias.clone())?, leaks: leaks.transpose()? })
    }

    /// Those of bases in some state, which is near a bias.
    pub fn near(bases: &Bases, near: &BiasPoint) -> Result<Self, SolveError> {
        Self::at(bases, &bias::solve_from(&bases.plain, near)?)
    }

    /// Whether bases in some state are of these structures.
    pub fn fit(&self, bases: &Bases) -> bool {
        self.plain.fits(&bases.plain)
    }

    /// That of circuits without places for leaks.
    pub fn plain(&self) -> &Family {
        &self.plain
    }

    fn base(&self, base: Base) -> &Family {
        match (base, &self.leaks) {
            (Base::Leaks, Some(leaks)) => leaks,
            _ => &self.plain,
        }
    }

    /// Solves the chosen recipes, each from its start, and reads each group of variants of one family; what comes of it in
    /// the order of choosing, `None` where there is no circuit or no bias.
    pub fn solve<T: Send>(
        &self,
        bases: &Bases,
        recipes: &[Option<Recipe>],
        chosen: &[usize],
        start: &(dyn Fn(usize) -> BiasPoint + Sync),
        read: &Reader<'_, T>,
    ) -> Vec<Option<T>> {
        let mut results: Vec<Option<T>> = chosen.iter().map(|_| None).collect();
        for base in [Base::Plain, Base::Leaks] {
            let of_base = |recipe: &Recipe| match recipe {
                Recipe::Shift(own, _) => *own == base,
                // Structures of their own are solved one by one.
                Recipe::Change(_) => base == Base::Plain,
            };
            let made: Vec<(usize, Circuit)> = chosen
                .par_iter()
                .enumerate()
                .filter_map(|(place, &at)| {
                    let recipe = recipes[at].as_ref().filter(|recipe| of_base(recipe))?;
                    Some((place, bases.cook(recipe)?))
                })
                .collect();
            let (places, circuits): (Vec<usize>, Vec<Circuit>) = made.into_iter().unzip();
            let starts: Vec<BiasPoint> = places.iter().map(|&place| start(chosen[place])).collect();
            let family = self.base(base);
            let solved = family.solve_from(&circuits, |at| &starts[at]);
            let found: Vec<(usize, &Variant)> = places
                .iter()
                .zip(&solved)
                .filter_map(|(&place, variant)| Some((place, variant.as_ref().ok()?)))
                .collect();
            let asked: Vec<(usize, &Variant)> =
                found.iter().map(|&(place, variant)| (chosen[place], variant)).collect();
            for ((place, _), result) in found.iter().zip(read(family, &asked)) {
                results[*place] = result;
            }
        }
        results
    }
}
