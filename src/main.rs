//! The command `sparehand`: arguments to [`sparehand::app`].

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use sparehand::cli::args::Cli;
use sparehand::conductor::begin::begin_as_wanted;
use sparehand::setup::causes::with_causes;
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    if let Err(error) = begin_as_wanted() {
        eprintln!("sparehand: {}", with_causes(&error));
        return ExitCode::FAILURE;
    }
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("off"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    match Cli::parse().execute() {
        Ok(code) => code,
        Err(error) => {
            // The terminal may have been closed: then nobody can be told, and the exit code says it.
            let _ = writeln!(std::io::stderr(), "sparehand: {}", with_causes(&error));
            ExitCode::FAILURE
        }
    }
}
