//! The command `hissmap`.

mod cli;

fn main() -> std::process::ExitCode {
    cli::run()
}
