//! `sparehand plan`: when to begin to be away on time, and while it goes on, whether that still holds.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use thiserror::Error;

use crate::figures::daylight::Place;
use crate::plan::away::AwayPlan;
use crate::plan::words::PlanWords;
use crate::plan::{calendar, timeline};
use crate::setup::clock::Clock;
use crate::setup::places::Places;
use crate::setup::planning::{self, Desk, PlanError, PlanRequest};
use crate::setup::under_way::UnderWay;

#[derive(Clone, Debug, Args)]
pub struct PlanArgs {
    /// When to be away, such as 10:00; the next such time, or on --date.
    #[arg(long, value_name = "TIME", value_parser = time_of_day)]
    pub away_by: Time,
    /// The day of that time, such as 2026-05-02.
    #[arg(long, value_name = "DATE", value_parser = day)]
    pub date: Option<Date>,
    /// Routines that are worked side by side, with commas between, or a move; each further --routine begins when those before are done.
    #[arg(long = "routine", value_name = "NAME[,NAME]")]
    pub routines: Vec<String>,
    /// Who takes part, and in which roles: NAME or NAME:outside,driver. Without it, the rig's people.
    #[arg(long = "person", value_name = "NAME[:ROLES]")]
    pub people: Vec<String>,
    /// Where it is, for the light: "40 N 100 W" or "40, -100"; without it, the rig's latitude and longitude.
    #[arg(long, allow_hyphen_values = true)]
    pub place: Option<Place>,
    /// First light, for steps that need it; without it, civil dawn at the place.
    #[arg(long, value_name = "TIME", value_parser = time_of_day)]
    pub light_from: Option<Time>,
    /// Last light; without it, civil dusk at the place.
    #[arg(long, value_name = "TIME", value_parser = time_of_day)]
    pub light_until: Option<Time>,
    /// Your own times: a TOML file of lines like "tank-dump/rinse-hose" = 2, or = [1, 2, 5] for best, usual and worst minutes.
    #[arg(long, value_name = "FILE")]
    pub minutes: Option<PathBuf>,
    /// Rig file; without it, rig.toml in the configuration folder, or common practice.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Journal file; without it, the one in the data folder.
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
    /// Tell whether the run that is under way will be on time.
    #[arg(long)]
    pub under_way: bool,
    /// Folder for the plan as text, data, picture, page and calendar.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print the plan as one JSON object.
    #[arg(long)]
    pub json: bool,
}

impl PlanArgs {
    fn request(&self) -> PlanRequest {
        PlanRequest {
            away_by: self.away_by,
            date: self.date,
            routines: self.routines.clone(),
            people: self.people.clone(),
            place: self.place,
            light_from: self.light_from,
            light_until: self.light_until,
            minutes: self.minutes.clone(),
            rig: self.rig.clone(),
            journal: self.journal.clone(),
        }
    }
}

/// Why no plan is shown or written.
#[derive(Debug, Error)]
pub enum PlanCommandError {
    #[error(transparent)]
    Plan(#[from] PlanError),
    #[error("{path}: cannot be written; check its name, that the disk has room and that you may use it")]
    File { path: PathBuf, source: io::Error },
    #[error("cannot write the plan: found '{0}', expected an output that takes it")]
    Output(#[from] io::Error),
    #[error("the plan cannot be written as data")]
    Data(#[from] serde_json::Error),
}

/// Makes and prints the plan; tells instead how the run under way stands, where that is asked.
///
/// # Errors
/// Says what is missing or faulty, and what to do.
pub fn run(args: &PlanArgs, places: &Places, out: &mut impl Write) -> Result<(), PlanCommandError> {
    let now = planning::now()?;
    let desk = Desk::laid_out(&args.request(), places, now, TimeZone::system())?;
    let plan = desk.plan()?;
    if args.under_way {
        return under_way(args, &desk, &plan, out);
    }
    let sentences = desk.words.sentences(&plan, desk.rests_on, Some(now));
    if args.json {
        serde_json::to_writer(&mut *out, &plan.data())?;
        writeln!(out)?;
    } else {
        sentences.iter().try_for_each(|sentence| writeln!(out, "{sentence}"))?;
    }
    if let Some(folder) = &args.out {
        for path in write(&desk.words, &plan, &sentences, folder, now)? {
            if !args.json {
                writeln!(out, "{}", path.display())?;
            }
        }
    }
    Ok(())
}

/// Tells how the run under way stands.
fn under_way(args: &PlanArgs, desk: &Desk, plan: &AwayPlan, out: &mut impl Write) -> Result<(), PlanCommandError> {
    let ids: Vec<&str> = desk.parts.iter().flatten().map(|routine| routine.id.as_str()).collect();
    let run = UnderWay::find(desk.journal.as_ref(), &ids).map_err(PlanError::from)?;
    let outlook = desk.outlook(plan, &run, &Clock::start().stamp())?;
    if args.json {
        serde_json::to_writer(&mut *out, &outlook)?;
        writeln!(out)?;
        return Ok(());
    }
    let critical = outlook.left.iter().filter(|&&i| plan.work.chores[i].critical).count();
    for sentence in desk.words.on_time(&outlook, &plan.wanted, critical) {
        writeln!(out, "{sentence}")?;
    }
    Ok(())
}

/// Writes the plan's files into `folder`; gives their paths.
fn write(
    words: &PlanWords,
    plan: &AwayPlan,
    sentences: &[String],
    folder: &Path,
    now: Timestamp,
) -> Result<Vec<PathBuf>, PlanCommandError> {
    fs::create_dir_all(folder).map_err(|source| PlanCommandError::File { path: folder.to_owned(), source })?;
    let data = serde_json::to_string_pretty(&plan.data())? + "\n";
    let mut files = vec![
        ("plan.txt", sentences.join("\n") + "\n"),
        ("plan.json", data),
        ("plan.svg", timeline::svg(plan, words)),
        ("plan.html", timeline::page(plan, words, sentences)),
    ];
    files.extend(calendar::calendar(plan, words, sentences, now).map(|text| ("plan.ics", text)));
    let written = files.into_iter().map(|(name, text)| {
        let path = folder.join(name);
        fs::write(&path, text).map_err(|source| PlanCommandError::File { path: path.clone(), source })?;
        Ok(path)
    });
    written.collect()
}

/// "10:00", "6:40" or "06:40:30".
fn day(text: &str) -> Result<Date, String> {
    text.parse().map_err(|_| "expected a day that there is, year first, such as 2026-05-02".to_owned())
}

pub(super) fn time_of_day(text: &str) -> Result<Time, String> {
    let padded = if text.find(':') == Some(1) { format!("0{text}") } else { text.to_owned() };
    padded.parse().map_err(|_| "expected a time of day from 0:00 to 23:59, such as 6:40".to_owned())
}
