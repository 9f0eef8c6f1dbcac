//! Writes the manual pages and the completions of shells for a package: `cargo run --example pages -- FOLDER`.
//!
//! They are made from the command line itself, so that none says what the program does not do.

use std::path::PathBuf;

use clap_complete::Shell;

fn main() -> std::io::Result<()> {
    let folder: PathBuf =
        std::env::args_os().nth(1).ok_or_else(|| std::io::Error::other("which folder?"))?.into();
    let (manual, shells) = (folder.join("man"), folder.join("shells"));
    std::fs::create_dir_all(&manual)?;
    std::fs::create_dir_all(&shells)?;
    clap_mangen::generate_to(wickline::cli::command(), &manual)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut wickline::cli::command(), "wickline", &shells)?;
    }
    Ok(())
}
