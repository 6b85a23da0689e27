//! Arguments in, exit code out.

fn main() -> std::process::ExitCode {
    ledgerline::cli::run()
}
