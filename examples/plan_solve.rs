//! Solves scheduling projects, one JSON object a line from standard input, for checks by others' tools.
//!
//! Answers one JSON object a line: `length`, `bound`, `starts`, `modes`, or `error`. An argument sets how many quick schedules are
//! tried before the search. With `--leave RIG.toml` it plans leaving a site for that rig's people instead, or for the first of them with
//! `--alone`, and writes the `project`, by activity what is `carried` together and which spell of dirty hands (`soiled`) it belongs to,
//! and the `answer`.

use std::env;
use std::error::Error;
use std::io::{self, BufRead, Write};
use std::path::Path;

use sparehand::plan::arrange::arrange;
use sparehand::plan::durations::Durations;
use sparehand::plan::project::Project;
use sparehand::plan::solve::{Effort, solve};
use sparehand::plan::words::PlanWords;
use sparehand::plan::work::{Known, PlannedPerson, put_together};
use sparehand::routine::Routine;
use sparehand::setup::prompts;

fn main() -> Result<(), Box<dyn Error>> {
    let args: Vec<String> = env::args().skip(1).collect();
    let mut out = io::stdout().lock();
    if let [leave, rig, more @ ..] = args.as_slice()
        && leave == "--leave"
    {
        return Ok(writeln!(out, "{}", leaving(Path::new(rig), more == ["--alone"])?)?);
    }
    let usual = Effort { search: 200_000, ..Effort::default() };
    let effort = match args.first() {
        None => usual,
        Some(text) => Effort { tries: text.parse()?, ..usual },
    };
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

/// Leaving a site by the built-in routines and the times of their files.
fn leaving(rig: &Path, alone: bool) -> Result<serde_json::Value, Box<dyn Error>> {
    let nothing_of_ones_own = Path::new("/nonexistent");
    let rig = prompts::rig(Some(rig), nothing_of_ones_own)?;
    let people = if alone { 1 } else { rig.people().len() };
    let rig = rig.taking_part(people);
    let (_, file) = prompts::move_file("leave", nothing_of_ones_own)?.ok_or("no such move")?;
    let load = |id: &String| prompts::routine(id, &rig, nothing_of_ones_own);
    let parts: Vec<Vec<Routine>> =
        file.stages().iter().map(|stage| stage.iter().map(load).collect()).collect::<Result<_, _>>()?;
    let parts: Vec<Vec<&Routine>> = parts.iter().map(|part| part.iter().collect()).collect();
    let hand = |p: &sparehand::rig::Person| PlannedPerson {
        name: p.name.clone(),
        roles: p.roles.clone(),
        practised: p.practiced.clone(),
    };
    let hands: Vec<PlannedPerson> = rig.people().iter().map(hand).take(people).collect();
    let words = PlanWords::parse("plan.toml", include_str!("../prompts/phrases/plan.toml"))?;
    let durations = Durations::learn(&[], words.assumptions);
    let known = Known { durations: &durations, loops: &Default::default(), own: &Default::default() };
    let work = put_together(&parts, &hands, &known)?;
    let arranged = arrange(&work, &vec![0; work.chores.len()], Effort::default())?;
    Ok(serde_json::json!({
        "project": work.project(),
        "keys": work.chores.iter().map(|chore| &chore.key).collect::<Vec<_>>(),
        "carried": work.chores.iter().map(|chore| chore.carried).collect::<Vec<_>>(),
        "soiled": work.chores.iter().map(|chore| chore.soiled).collect::<Vec<_>>(),
        "answer": {
            "length": arranged.length,
            "bound": arranged.bound,
            "starts": arranged.starts,
            "modes": arranged.way,
        },
    }))
}
