//! How a run that is being carried out stands against its plan.

use std::path::PathBuf;

use jiff::civil::Time;
use jiff::tz::TimeZone;

use crate::journal::{JournalReader, Rehearsals};
use crate::plan::away::AwayPlan;
use crate::setup::clock::Clock;
use crate::setup::places::Places;
use crate::setup::planning::{self, Desk, PlanError, PlanRequest};
use crate::setup::under_way::UnderWay;

/// The plan of the run that goes on, and its journal.
pub struct OnTime {
    desk: Desk,
    plan: AwayPlan,
    routine: String,
    journal: PathBuf,
}

/// What there is to tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// As it is said.
    pub said: String,
    /// Whether the move will not be over in time.
    pub late: bool,
}

impl OnTime {
    /// Plans the routine or move `routine` for the people `with`, to be away by the next time that it is `by`.
    ///
    /// # Errors
    /// As `sparehand plan`.
    pub fn planned(
        by: Time,
        routine: &str,
        with: &[String],
        rig: Option<PathBuf>,
        journal: PathBuf,
        places: &Places,
    ) -> Result<Self, PlanError> {
        let asked = PlanRequest {
            routines: vec![routine.to_owned()],
            people: with.to_vec(),
            rig,
            journal: Some(journal.clone()),
            ..PlanRequest::away_by(by)
        };
        let desk = Desk::laid_out(&asked, places, planning::now()?, TimeZone::system())?;
        let plan = desk.plan()?;
        Ok(Self { desk, plan, routine: routine.to_owned(), journal })
    }

    /// How it stands by what is written down.
    ///
    /// # Errors
    /// The journal cannot be read, or the machine's clock is no time.
    pub fn tell(&self) -> Result<Told, PlanError> {
        let reader = JournalReader::open(&self.journal)?;
        let records = match reader.unfinished(&self.routine, Rehearsals::LeftOut)? {
            Some(run) => reader.events(run.id)?,
            // It has only just begun.
            None => Vec::new(),
        };
        let outlook = self.desk.outlook(&self.plan, &UnderWay::of(&self.routine, records), &Clock::start().stamp())?;
        let critical = outlook.left.iter().filter(|&&i| self.plan.work.chores[i].critical).count();
        let said = self.desk.words.on_time(&outlook, &self.plan.wanted, critical).join(" ");
        Ok(Told { said, late: outlook.talk == crate::plan::outlook::OutlookTalk::Short })
    }
}
