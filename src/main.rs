//! The command `hissmap`.

fn main() {}
