//! Writes the man pages and the shells' completions of the program, as its package carries them: `cargo run --release --example command_pages FOLDER`

use std::path::PathBuf;
use std::{env, fs, io};

use clap_complete::Shell;
use sparehand::cli::args::Cli;

fn main() -> io::Result<()> {
    let folder =
        PathBuf::from(env::args_os().nth(1).ok_or_else(|| io::Error::other("no folder: expected one argument"))?);
    let (pages, completions) = (folder.join("man"), folder.join("completions"));
    fs::create_dir_all(&pages)?;
    fs::create_dir_all(&completions)?;
    clap_mangen::generate_to(Cli::with_examples(), &pages)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Cli::with_examples(), "sparehand", &completions)?;
    }
    Ok(())
}
