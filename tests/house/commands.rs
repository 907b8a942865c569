//! What the README and the manual say of the command line, against the command line.

use std::collections::{BTreeMap, BTreeSet};

use clap::CommandFactory;
use sparehand::cli::args::Cli;

/// Every command, with its long options; those of the figures stand in `sparehand figure --help`.
fn commands() -> BTreeMap<String, BTreeSet<String>> {
    let options = |command: &clap::Command| {
        let long = command.get_arguments().filter_map(|argument| argument.get_long());
        long.filter(|long| *long != "help").map(|long| format!("--{long}")).collect()
    };
    let all = Cli::command();
    let own = all.get_subcommands().filter(|command| command.get_name() != "help" && !command.is_hide_set());
    own.map(|command| (command.get_name().to_owned(), options(command))).collect()
}

/// What the list at the head of the manual says: a line for each use of a command, what is indented further belongs to it.
fn of_the_manual() -> BTreeMap<String, BTreeSet<String>> {
    let text = include_str!("../../docs/manual.md");
    let list = text.split("## Commands").nth(1).unwrap().lines().skip_while(|line| line.is_empty());
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut command = String::new();
    for line in list.take_while(|line| line.starts_with("    ")) {
        if let Some(rest) = line.strip_prefix("    sparehand ") {
            command = rest.split_whitespace().next().unwrap().to_owned();
        }
        let options = line.split(|c: char| c != '-' && !c.is_alphanumeric()).filter(|word| word.starts_with("--"));
        found.entry(command.clone()).or_default().extend(options.map(str::to_owned));
    }
    found
}

#[test]
fn the_manual_lists_every_command_with_every_option_and_no_other() {
    let (real, listed) = (commands(), of_the_manual());
    assert!(real.len() >= 15, "{real:?}");
    assert_eq!(listed.keys().collect::<Vec<_>>(), real.keys().collect::<Vec<_>>());
    for (command, options) in &real {
        assert_eq!(&listed[command], options, "docs/manual.md, {command}");
    }
}

#[test]
fn the_readme_names_every_command_in_its_table_and_no_other() {
    let text = include_str!("../../README.md");
    let rows = text.split("## Commands").nth(1).unwrap().split("\n## ").next().unwrap();
    let rows = rows.lines().filter(|line| line.starts_with("| `"));
    let named: BTreeSet<String> = rows
        .flat_map(|row| row.trim_matches('|').split('|').next().unwrap().split('`').skip(1).step_by(2))
        .map(|used| used.split_whitespace().next().unwrap().to_owned())
        .collect();
    assert_eq!(named, commands().into_keys().collect());
}
