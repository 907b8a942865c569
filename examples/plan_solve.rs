//! Solves scheduling projects, one JSON object a line from standard input, for checks by others' tools.
//!
//! Answers one JSON object a line: `length`, `bound`, `starts`, `modes`, or `error`. An argument sets how many quick schedules are
//! tried before the search.

use std::env;
use std::io::{self, BufRead, Write};

use sparehand::plan::project::Project;
use sparehand::plan::solve::{Effort, solve};

fn main() -> io::Result<()> {
    let usual = Effort { search: 200_000, ..Effort::default() };
    let effort = match env::args().nth(1) {
        None => usual,
        Some(text) => Effort { tries: text.parse().map_err(io::Error::other)?, ..usual },
    };
    let mut out = io::stdout().lock();
    for line in io::stdin().lock().lines() {
        let answer = match serde_json::from_str::<Project>(&line?) {
            Ok(project) => match solve(&project, effort) {
                Ok(solved) => serde_json::json!({
                    "length": solved.schedule.length,
                    "bound": solved.bound,
                    "starts": solved.schedule.starts,
                    "modes": solved.schedule.modes,
                }),
                Err(error) => serde_json::json!({ "error": error.to_string() }),
            },
            Err(error) => serde_json::json!({ "error": error.to_string() }),
        };
        writeln!(out, "{answer}")?;
    }
    Ok(())
}
