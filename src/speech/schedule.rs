//! Who is served next by the one recogniser that all stations share. Pure: no thread, no clock.
//!
//! One job of a station at a time. An utterance that has ended goes before everything, what may not have ended yet before warming up; of equals
//! the station that was served longest ago comes first. A station's set is made ready before a look that names it. Everything that waits is
//! bounded: where there is too much, partial looks are dropped, for the last look at an utterance makes up for them.

use std::collections::{BTreeMap, BTreeSet};

use crate::units::StationId;

/// What a job is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum JobKind {
    /// Somebody has spoken, and waits.
    FinalLook,
    /// What may be said from now on is made ready.
    Prepare,
    /// A piece of a note is written down.
    WriteDown,
    /// Somebody may have spoken.
    PartialLook,
    /// Work for nothing, so that the next look is quick.
    WarmUp,
}

/// Something to be done for a station.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Job<W> {
    /// Who wants it.
    pub station: StationId,
    /// How urgent it is.
    pub kind: JobKind,
    /// What is to be done.
    pub work: W,
}

/// Jobs that wait, and the stations that are being served.
#[derive(Debug)]
pub struct RecogniserSchedule<W> {
    /// In the order in which they came.
    waiting: Vec<Job<W>>,
    in_flight: BTreeSet<StationId>,
    /// When each station was served last, as a number that grows with every job; stations that never were are not in it.
    served: BTreeMap<StationId, u64>,
    turns: u64,
    dropped: u64,
}

impl<W> Default for RecogniserSchedule<W> {
    fn default() -> Self {
        Self { waiting: Vec::new(), in_flight: BTreeSet::new(), served: BTreeMap::new(), turns: 0, dropped: 0 }
    }
}

impl<W> RecogniserSchedule<W> {
    /// Takes a job in. Gives those that are dropped for it: whoever waits for them is to be told.
    ///
    /// Of a kind that is outdated by the next (to prepare, to look at a part, to warm up) one waits for a station; of partial looks no more
    /// than [`MOST_PARTIAL`] for all of them. The others are never dropped up to [`MOST_OF_A_STATION`]; beyond, the new one is.
    pub fn push(&mut self, job: Job<W>) -> Vec<Job<W>> {
        let same = |other: &Job<W>| other.station == job.station && other.kind == job.kind;
        let (kind, mut dropped) = (job.kind, Vec::new());
        match kind {
            JobKind::FinalLook | JobKind::WriteDown => {
                if self.waiting.iter().filter(|other| same(other)).count() >= MOST_OF_A_STATION {
                    return vec![job];
                }
            }
            JobKind::Prepare | JobKind::PartialLook | JobKind::WarmUp => {
                let outdated = self.waiting.iter().position(same);
                dropped.extend(outdated.map(|at| self.waiting.remove(at)));
            }
        }
        self.waiting.push(job);
        if kind == JobKind::PartialLook {
            let partial = |other: &Job<W>| other.kind == JobKind::PartialLook;
            if self.waiting.iter().filter(|other| partial(other)).count() > MOST_PARTIAL {
                let oldest = self.waiting.iter().position(partial);
                dropped.extend(oldest.map(|at| self.waiting.remove(at)));
            }
        }
        self.dropped += dropped.iter().filter(|job| job.kind == JobKind::PartialLook).count() as u64;
        dropped
    }

    /// The job that is next. Its station is served until [`RecogniserSchedule::done`].
    pub fn take(&mut self) -> Option<Job<W>> {
        let free = self.waiting.iter().enumerate().filter(|(_, job)| !self.in_flight.contains(&job.station));
        let key = |(at, job): &(usize, &Job<W>)| (job.kind, self.served.get(&job.station).copied(), *at);
        let (chosen, job) = free.min_by_key(key)?;
        // What a look names is made ready first.
        let station = job.station;
        let first = self.waiting[..chosen]
            .iter()
            .position(|other| other.station == station && other.kind == JobKind::Prepare)
            .unwrap_or(chosen);
        self.turns += 1;
        self.served.insert(station, self.turns);
        self.in_flight.insert(station);
        Some(self.waiting.remove(first))
    }

    /// The job of `station` that was under way is done.
    pub fn done(&mut self, station: StationId) {
        self.in_flight.remove(&station);
    }

    /// The station has left: nobody waits for its jobs any more.
    pub fn forget(&mut self, station: StationId) {
        self.waiting.retain(|job| job.station != station);
        self.served.remove(&station);
    }

    /// Everything that waits, to be answered otherwise.
    pub fn drain(&mut self) -> Vec<Job<W>> {
        std::mem::take(&mut self.waiting)
    }

    /// Partial looks that were dropped so far, because they were outdated or there was too much to do.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }
}

/// Partial looks that may wait, of all stations together.
pub const MOST_PARTIAL: usize = 4;
/// Final looks, or pieces of a note, that may wait for one station; an ear asks for one final look at a time.
pub const MOST_OF_A_STATION: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;
    use JobKind::{FinalLook, PartialLook, Prepare, WarmUp, WriteDown};
    use proptest::prelude::*;
    use rstest::rstest;

    fn job(station: u16, kind: JobKind) -> Job<u32> {
        Job { station: StationId(station), kind, work: 0 }
    }

    /// The order in which jobs are served that were all there at once.
    fn order(jobs: &[(u16, JobKind)]) -> Vec<(u16, JobKind)> {
        let mut schedule = RecogniserSchedule::default();
        for &(station, kind) in jobs {
            assert!(schedule.push(job(station, kind)).is_empty(), "nothing is too much here");
        }
        let mut served = Vec::new();
        while let Some(job) = schedule.take() {
            schedule.done(job.station);
            served.push((job.station.0, job.kind));
        }
        served
    }

    #[rstest]
    #[case::as_they_came(&[(1, FinalLook), (2, FinalLook)], &[(1, FinalLook), (2, FinalLook)])]
    #[case::who_waits_first(&[(1, PartialLook), (2, FinalLook)], &[(2, FinalLook), (1, PartialLook)])]
    #[case::a_look_before_warming_up(&[(1, WarmUp), (2, PartialLook)], &[(2, PartialLook), (1, WarmUp)])]
    #[case::by_turns(&[(1, FinalLook), (1, FinalLook), (2, FinalLook)], &[(1, FinalLook), (2, FinalLook), (1, FinalLook)])]
    #[case::somebody_waits(&[(1, Prepare), (2, FinalLook)], &[(2, FinalLook), (1, Prepare)])]
    #[case::made_ready_first(&[(1, Prepare), (1, FinalLook), (2, PartialLook)], &[(1, Prepare), (1, FinalLook), (2, PartialLook)])]
    #[case::of_another_set(&[(1, FinalLook), (1, Prepare)], &[(1, FinalLook), (1, Prepare)])]
    #[case::notes_wait(&[(1, WriteDown), (1, Prepare), (2, FinalLook)], &[(2, FinalLook), (1, Prepare), (1, WriteDown)])]
    fn jobs_are_served_by_what_hangs_on_them_and_stations_by_turns(
        #[case] jobs: &[(u16, JobKind)],
        #[case] served: &[(u16, JobKind)],
    ) {
        assert_eq!(order(jobs), served);
    }

    #[test]
    fn a_station_has_one_job_under_way() {
        let mut schedule = RecogniserSchedule::default();
        schedule.push(job(1, FinalLook));
        schedule.push(job(1, FinalLook));
        assert!(schedule.take().is_some());
        assert_eq!(schedule.take(), None);
        schedule.done(StationId(1));
        assert!(schedule.take().is_some());
    }

    #[test]
    fn where_there_is_too_much_the_oldest_partial_look_is_dropped_and_counted() {
        let mut schedule = RecogniserSchedule::default();
        for station in 0..MOST_PARTIAL as u16 {
            assert_eq!(schedule.push(job(station, PartialLook)), []);
        }
        assert_eq!(schedule.push(job(9, PartialLook)), [job(0, PartialLook)]);
        assert_eq!(schedule.push(Job { work: 7, ..job(9, PartialLook) }), [job(9, PartialLook)], "it is outdated");
        assert_eq!(schedule.dropped(), 2);
        assert_eq!(schedule.push(job(8, FinalLook)), []);
        assert_eq!(schedule.dropped(), 2);
    }

    #[test]
    fn a_station_that_left_is_served_no_more() {
        let mut schedule = RecogniserSchedule::default();
        schedule.push(job(1, FinalLook));
        schedule.push(job(2, PartialLook));
        schedule.forget(StationId(1));
        assert_eq!(schedule.take(), Some(job(2, PartialLook)));
        assert_eq!(schedule.take(), None);
    }

    #[derive(Clone, Debug)]
    enum Act {
        Push(u16, JobKind),
        Serve,
    }

    fn acts() -> impl Strategy<Value = Vec<Act>> {
        let kind = prop::sample::select(vec![FinalLook, Prepare, WriteDown, PartialLook, WarmUp]);
        let push = (0u16..4, kind).prop_map(|(station, kind)| Act::Push(station, kind));
        prop::collection::vec(prop_oneof![2 => push, 1 => Just(Act::Serve)], 0..200)
    }

    proptest! {
        /// Of what was taken in, everything is served or given back, once; what is given back is outdated or partial, or more than fits.
        #[test]
        fn nothing_is_lost_and_no_final_look_is_dropped_while_there_is_room(acts in acts()) {
            let mut schedule = RecogniserSchedule::default();
            let (mut number, mut open) = (0u32, BTreeMap::new());
            let serve = |schedule: &mut RecogniserSchedule<u32>, open: &mut BTreeMap<u32, (u16, JobKind)>| {
                let Some(job) = schedule.take() else { return false };
                assert!(open.remove(&job.work).is_some(), "served once");
                // Nothing that matters more is left waiting.
                assert!(job.kind == Prepare || open.values().all(|(_, kind)| *kind >= job.kind), "{job:?}, {open:?}");
                schedule.done(job.station);
                true
            };
            for act in acts {
                match act {
                    Act::Push(station, kind) => {
                        number += 1;
                        let waiting = open.values().filter(|other| **other == (station, kind)).count();
                        open.insert(number, (station, kind));
                        for gone in schedule.push(Job { station: StationId(station), kind, work: number }) {
                            prop_assert!(open.remove(&gone.work).is_some());
                            if matches!(gone.kind, FinalLook | WriteDown) {
                                prop_assert!(waiting >= MOST_OF_A_STATION);
                            }
                        }
                        let partial = open.values().filter(|(_, kind)| *kind == PartialLook).count();
                        prop_assert!(partial <= MOST_PARTIAL);
                    }
                    Act::Serve => drop(serve(&mut schedule, &mut open)),
                }
            }
            while serve(&mut schedule, &mut open) {}
            prop_assert!(open.is_empty(), "{open:?}");
        }

        /// Whoever waits for a final look waits for no more than one job of each other station, however many they bring, and for what it
        /// needs itself.
        #[test]
        fn nobody_starves(flood in prop::collection::vec(0u16..3, 1..60)) {
            let mut schedule = RecogniserSchedule::default();
            for station in &flood {
                schedule.push(job(*station, FinalLook));
            }
            schedule.push(job(7, Prepare));
            schedule.push(job(7, FinalLook));
            let (mut others, mut found) = (0, false);
            while let Some(job) = schedule.take() {
                // As many come in as go out.
                if job.station.0 < 3 {
                    schedule.push(Job { work: 1, ..job.clone() });
                }
                schedule.done(job.station);
                if job.station == StationId(7) && job.kind == FinalLook {
                    found = true;
                    break;
                }
                others += usize::from(job.station != StationId(7));
                prop_assert!(others <= 6, "{others}");
            }
            prop_assert!(found);
        }
    }
}
