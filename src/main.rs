//! The `shorelamp` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    shorelamp::cli::run()
}
