//! What follows when the right part is out: which spare fits, how far the output swings, whether the channels are equal.

mod balance;
mod capacitors;
mod culprit;
mod distortion;
mod midband;
mod network;
pub mod spares;
pub mod swing;
mod transfer;
mod windings;

pub use balance::{Balance, BalanceError, Channel, balance, level_db};
