//! The command `sparehand`: arguments to [`sparehand::app`].

use std::process::ExitCode;

use clap::Parser;
use sparehand::cli::args::Cli;
use sparehand::cli::run_command::with_causes;
use sparehand::conductor::begin::set_up_process;
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    // Before any thread: some libraries look at the environment as they are loaded.
    set_up_process();
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("off"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    match Cli::parse().execute() {
        Ok(code) => code,
        Err(error) => {
            eprintln!("sparehand: {}", with_causes(&error));
            ExitCode::FAILURE
        }
    }
}
