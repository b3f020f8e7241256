//! What follows when the right part is out: how far the output swings, and whether the channels are equal.

mod balance;
mod capacitors;
mod culprit;
mod distortion;
mod midband;
mod network;
pub mod swing;
mod transfer;
mod windings;

pub use balance::{Balance, BalanceError, Channel, balance, level_db};
