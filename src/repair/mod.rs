//! What follows when the right part is out: which spare fits, how far the output swings, whether the channels are equal.

pub mod acceptance;
mod balance;
mod capacitors;
mod clipping;
mod culprit;
mod distortion;
mod figures;
mod midband;
mod network;
pub mod spares;
pub mod stress;
pub mod swing;
mod transfer;
mod windings;

pub use clipping::{Clipping, clippings};

pub use balance::{Balance, BalanceError, Channel, balance, level_db};
