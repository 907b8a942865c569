//! From beginner to practised and back, from what a person did before. History comes in as data, days as numbers.

use std::collections::BTreeMap;

use super::joined::Move;
use super::people::Crew;
use crate::engine::event::Event;
use crate::rig::{Person, Role};

/// What a person did in one role in one run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastRun {
    /// By name.
    pub person: String,
    /// The role that they had.
    pub role: Role,
    /// Any count of days that grows; only differences matter.
    pub day: i64,
    /// No step was put right, taken back or explained.
    pub clean: bool,
}

/// Whether the call alone is enough: after [`CLEAN_RUNS`] clean runs in a row, the last no longer than [`LONG_GAP_DAYS`] ago.
/// What the rig's file says (`settled`) counts until the first run of that role, and from then on what was done.
///
/// Both numbers are common practice, no source.
pub fn is_practised(settled: bool, person: &str, role: Role, runs: &[PastRun], today: i64) -> bool {
    let mut own: Vec<&PastRun> = runs.iter().filter(|run| run.person == person && run.role == role).collect();
    own.sort_by_key(|run| run.day);
    let Some(last) = own.last() else { return settled };
    if today - last.day > LONG_GAP_DAYS {
        return false;
    }
    let clean = own.iter().rev().take_while(|run| run.clean).count();
    clean >= CLEAN_RUNS || (settled && last.clean)
}

/// Whether runs of `day` and before can change what [`is_practised`] says, where `newer` are all runs after that day.
pub fn older_runs_count(settled: bool, person: &str, role: Role, newer: &[PastRun], day: i64, today: i64) -> bool {
    let own: Vec<&PastRun> = newer.iter().filter(|run| run.person == person && run.role == role).collect();
    match own.len() {
        0 => settled || today - day <= LONG_GAP_DAYS,
        count => count < CLEAN_RUNS && own.iter().all(|run| run.clean),
    }
}

/// The same people, each practised in the roles in which their runs say so.
pub fn crew_by_practice(crew: Crew, runs: &[PastRun], today: i64) -> Crew {
    let judge = |mut person: Person| {
        let judged = |role: &Role| is_practised(settled(&person, *role), &person.name, *role, runs, today);
        let practised = ROLES.into_iter().filter(judged).collect();
        person.practiced = practised;
        person
    };
    let judge_all = |people: Vec<Person>| people.into_iter().map(judge).collect();
    Crew { here: judge_all(crew.here), away: judge_all(crew.away) }
}

/// How a run opens.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Opening {
    /// With what comes before anything that is said here: the maker's manual, local rules, licensed people.
    #[default]
    InFull,
    /// Without: all who are here know their part and have heard it today. What is said each time is heard no more.
    HeardToday,
}

/// How a run opens for these people, as [`crew_by_practice`] judged them.
pub fn opening(crew: &Crew, runs: &[PastRun], today: i64) -> Opening {
    let heard = |person: &Person| {
        !person.practiced.is_empty() && runs.iter().any(|run| run.person == person.name && run.day == today)
    };
    if !crew.here.is_empty() && crew.here.iter().all(heard) { Opening::HeardToday } else { Opening::InFull }
}

/// Whether the rig's file says that this person is practised in this role.
pub fn settled(person: &Person, role: Role) -> bool {
    person.practiced.contains(&role)
        || person.practiced.contains(&Role::Either)
        || (role == Role::Either && !person.practiced.is_empty())
}

/// What a run says about those who took part: for each person and role that had a step, whether it was clean. Rehearsals
/// count for nothing.
pub fn of_run(job: &Move, events: &[Event], day: i64) -> Vec<PastRun> {
    let mut alone = String::new();
    let mut whose: BTreeMap<&str, &str> = BTreeMap::new();
    let mut found: BTreeMap<(String, Role), bool> = BTreeMap::new();
    for event in events {
        let (step, clean) = match event {
            Event::CrewSet { people } => {
                alone = people.iter().find(|person| person.here).map(|p| p.name.clone()).unwrap_or_default();
                continue;
            }
            Event::HandedOver { to, .. } => {
                alone.clone_from(to);
                continue;
            }
            Event::StepAssigned { step, person } => {
                whose.insert(step, person);
                continue;
            }
            Event::StretchOffered { steps } => {
                if let Some(person) = steps.first().and_then(|first| whose.get(first.as_str())).copied() {
                    whose.extend(steps.iter().map(|step| (step.as_str(), person)));
                }
                continue;
            }
            Event::StepAnswered { step, .. } | Event::ClockEnded { step, .. } => (step, true),
            Event::ReadingTaken { step, settles, .. } => (step, *settles),
            Event::OtherStateHeard { step, .. } | Event::SignalHalted { step, .. } | Event::Explained { step } => {
                (step, false)
            }
            Event::StepsReopened { steps, because } if because == "correction" && !steps.is_empty() => {
                (&steps[0], false)
            }
            _ => continue,
        };
        let Some(index) = job.index_of(step) else { continue };
        let person = whose.get(step.as_str()).map_or_else(|| alone.clone(), |person| (*person).to_owned());
        *found.entry((person, job.step(index).role)).or_insert(true) &= clean;
    }
    found.into_iter().map(|((person, role), clean)| PastRun { person, role, day, clean }).collect()
}

/// What one can be practised in. Steps that are anybody's are practised by themselves: whoever knows them knows no side of the rig by that.
pub const ROLES: [Role; 5] = [Role::Outside, Role::Inside, Role::Driver, Role::Spotter, Role::Either];
/// Clean runs in a row until a beginner is practised.
pub const CLEAN_RUNS: usize = 3;
/// After so many days without a run one is told everything again.
pub const LONG_GAP_DAYS: i64 = 180;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    fn runs(days: &[(i64, bool)]) -> Vec<PastRun> {
        let run = |&(day, clean): &(i64, bool)| PastRun { person: "Rowan".to_owned(), role: Role::Outside, day, clean };
        days.iter().map(run).collect()
    }

    #[rstest]
    #[case::nothing_yet(false, &[], 10, false)]
    #[case::settled_by_the_owner(true, &[], 10, true)]
    #[case::two_clean_runs(false, &[(1, true), (2, true)], 10, false)]
    #[case::three_clean_runs(false, &[(1, true), (2, true), (3, true)], 10, true)]
    #[case::a_slip_starts_the_count_anew(false, &[(1, true), (2, true), (3, false), (4, true), (5, true)], 10, false)]
    #[case::at_the_edge_of_the_gap(false, &[(1, true), (2, true), (3, true)], 183, true)]
    #[case::after_a_long_gap(false, &[(1, true), (2, true), (3, true)], 184, false)]
    #[case::a_long_gap_outweighs_the_owner(true, &[(1, true)], 400, false)]
    #[case::a_slip_outweighs_the_owner(true, &[(1, true), (2, false)], 10, false)]
    fn a_person_becomes_practised_by_clean_runs_and_a_beginner_again_after_a_gap(
        #[case] settled: bool,
        #[case] days: &[(i64, bool)],
        #[case] today: i64,
        #[case] expected: bool,
    ) {
        assert_eq!(is_practised(settled, "Rowan", Role::Outside, &runs(days), today), expected);
        assert_eq!(is_practised(settled, "Imre", Role::Outside, &runs(days), today), settled, "another person");
    }

    proptest! {
        #[test]
        fn runs_that_are_said_not_to_count_change_nothing(
            past in proptest::collection::vec((0_i64..120, any::<bool>(), any::<bool>()), 0..12),
            settled: bool,
            since in 0_i64..200,
        ) {
            let mut day = 0;
            let run = |(gap, clean, outside): (i64, bool, bool)| {
                day += gap;
                let role = if outside { Role::Outside } else { Role::Driver };
                PastRun { person: "Rowan".to_owned(), role, day, clean }
            };
            let all: Vec<PastRun> = past.into_iter().map(run).collect();
            let today = day + since;
            let mut read: Vec<PastRun> = Vec::new();
            for run in all.iter().rev() {
                if !older_runs_count(settled, "Rowan", Role::Outside, &read, run.day, today) {
                    break;
                }
                read.push(run.clone());
            }
            read.reverse();
            let judged = |runs: &[PastRun]| is_practised(settled, "Rowan", Role::Outside, runs, today);
            prop_assert_eq!(judged(&read), judged(&all));
        }
    }

    #[rstest]
    #[case::first_of_the_day(&[(1, true), (2, true), (3, true)], 4, Opening::InFull)]
    #[case::again_on_the_same_day(&[(1, true), (2, true), (3, true)], 3, Opening::HeardToday)]
    #[case::a_beginner_hears_it_each_time(&[(3, true)], 3, Opening::InFull)]
    fn what_comes_first_is_said_once_a_day_to_the_practised(
        #[case] days: &[(i64, bool)],
        #[case] today: i64,
        #[case] expected: Opening,
    ) {
        let person = |name: &str| Person {
            name: name.to_owned(),
            roles: vec![Role::Outside],
            practiced: Vec::new(),
            cannot: Vec::new(),
        };
        let past = runs(days);
        let alone = crew_by_practice(Crew { here: vec![person("Rowan")], away: vec![] }, &past, today);
        assert_eq!(opening(&alone, &past, today), expected);
        let two = crew_by_practice(Crew { here: vec![person("Rowan"), person("Imre")], away: vec![] }, &past, today);
        assert_eq!(opening(&two, &past, today), Opening::InFull, "the other has not heard it");
        assert_eq!(opening(&Crew { here: vec![], away: vec![] }, &past, today), Opening::InFull, "nobody by name");
    }

    #[test]
    fn three_clean_runs_outside_make_nobody_practised_inside_nor_anybody_else() {
        let person = |name: &str, practised: &[Role]| Person {
            name: name.to_owned(),
            roles: vec![Role::Outside, Role::Inside],
            practiced: practised.to_vec(),
            cannot: Vec::new(),
        };
        let crew = Crew { here: vec![person("Rowan", &[])], away: vec![person("Imre", &[Role::Either])] };
        let found = crew_by_practice(crew, &runs(&[(1, true), (2, true), (3, true)]), 10);
        assert_eq!(found.here[0].practiced, [Role::Outside]);
        let all = [Role::Outside, Role::Inside, Role::Driver, Role::Spotter, Role::Either];
        assert_eq!(found.away[0].practiced, all);
    }
}
