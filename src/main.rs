//! The `shorelamp` command.

fn main() {}
