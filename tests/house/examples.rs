//! The examples of `--help` and of the man pages, typed as they stand there.

use clap::{CommandFactory, FromArgMatches};
use sparehand::cli::args::{Cli, CliCommand};
use sparehand::cli::figure_command::FigureQuestion;
use sparehand::setup::prompts::{MOVES, ROUTINES};

/// Every command that can be typed, by its path below `sparehand`, with its help.
fn commands(command: &mut clap::Command, path: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for sub in command.get_subcommands_mut().filter(|sub| sub.get_name() != "help") {
        let path = format!("{path} {}", sub.get_name());
        found.push((path.trim_start().to_owned(), sub.render_help().to_string()));
        found.extend(commands(sub, &path));
    }
    found
}

fn all() -> Vec<(String, String)> {
    let mut line = Cli::with_examples();
    line.build();
    commands(&mut line, "")
}

/// The examples in a text of help: what is typed, word by word, up to a sign for the shell.
fn examples(help: &str) -> Vec<Vec<String>> {
    let lines = help.lines().map(str::trim).filter(|line| line.starts_with("sparehand "));
    lines.map(|line| words(line.split(" < ").next().unwrap())).collect()
}

/// What a shell makes of a line with double quotes in it.
fn words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().unwrap().push(c),
        }
    }
    assert!(!quoted, "an open quotation: {line}");
    words
}

fn typed(words: &[String]) -> Result<Cli, clap::Error> {
    Cli::from_arg_matches(&Cli::command().try_get_matches_from(words)?)
}

#[test]
fn every_command_shows_an_example_of_itself() {
    let all = all();
    assert!(all.len() > 45, "found {} commands", all.len());
    for (path, help) in &all {
        let examples = examples(help);
        assert!(!examples.is_empty(), "sparehand {path} --help shows none");
        for example in examples {
            let typed = example[1..].join(" ");
            assert!(typed == *path || typed.starts_with(&format!("{path} ")), "under {path}: {typed}");
        }
    }
}

#[test]
fn every_example_can_be_typed_as_it_stands() {
    for (path, help) in all() {
        for example in examples(&help) {
            if let Err(wrong) = typed(&example) {
                panic!("sparehand {path} --help: {example:?}: {wrong}");
            }
        }
    }
}

#[test]
fn an_example_with_an_unknown_option_or_an_open_end_is_found() {
    for (wrong, found) in [
        ("sparehand run tank-dump --by-candle", clap::error::ErrorKind::UnknownArgument),
        ("sparehand walk", clap::error::ErrorKind::InvalidSubcommand),
        ("sparehand plan", clap::error::ErrorKind::MissingRequiredArgument),
        ("sparehand figure fill-time --tank \"40 gal\" --flow \"5 furlongs\"", clap::error::ErrorKind::ValueValidation),
    ] {
        let examples = examples(&format!("Examples:\n  Wrong:\n    {wrong}\n"));
        assert_eq!(typed(&examples[0]).unwrap_err().kind(), found, "{wrong}");
    }
}

/// A routine that is named is one that there is; a figure that is asked for has an answer.
#[test]
fn what_an_example_names_is_there_and_what_it_asks_has_an_answer() {
    let mut figures = 0;
    for example in all().iter().flat_map(|(_, help)| examples(help)) {
        let named = match typed(&example).unwrap().command {
            CliCommand::Run(args) => args.routine,
            CliCommand::Rehearse(args) => args.routine,
            CliCommand::Sheet(args) => args.routine,
            CliCommand::ToTable(args) => args.routine,
            CliCommand::Figure(args) => {
                if let FigureQuestion::One(figure) = args.question {
                    figures += 1;
                    let answer = figure.answer(&|| "2026-06-21T12:00:00Z".to_owned());
                    assert!(answer.is_ok(), "{example:?}: {answer:?}");
                }
                continue;
            }
            _ => continue,
        };
        let there = ROUTINES.iter().chain(MOVES).any(|(name, _)| *name == named);
        assert!(there, "{example:?}: no routine '{named}'");
    }
    assert!(figures > 28, "{figures}");
}

#[test]
fn the_man_pages_show_the_examples_line_by_line() {
    let mut line = Cli::with_examples();
    line.build();
    let plan = line.find_subcommand("plan").unwrap().clone();
    let mut page = Vec::new();
    clap_mangen::Man::new(plan).render(&mut page).unwrap();
    let page = String::from_utf8(page).unwrap().replace("\\-", "-");
    // A line that begins with a blank is one of its own (groff, "Breaking").
    assert!(page.lines().any(|line| line == "    sparehand plan --away-by 10:00"), "{page}");
}
