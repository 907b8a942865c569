//! The command `sparehand`: arguments to [`sparehand::app`].

use std::io::Write;
use std::process::ExitCode;

use sparehand::cli::args::Cli;
use sparehand::conductor::begin::set_up_process;
use sparehand::setup::causes::with_causes;
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    // Before any thread: some libraries look at the environment as they are loaded.
    set_up_process();
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("off"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    match Cli::of_process().execute() {
        Ok(code) => code,
        Err(error) => {
            // The terminal may have been closed: then nobody can be told, and the exit code says it.
            let _ = writeln!(std::io::stderr(), "sparehand: {}", with_causes(&error));
            ExitCode::FAILURE
        }
    }
}
