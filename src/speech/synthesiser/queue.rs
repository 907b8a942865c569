//! Who is served next by the one voice: what somebody waits for, then what is needed soon, then what may be needed some day.
//!
//! Pure: requests in, the next job out. Bounded: at most [`MOST_OF_STATION`] requests of a station and [`MOST_TEXTS`] sentences in store.

use std::collections::VecDeque;

use crate::say::mixer::{SentenceId, SentenceRequest, Urgency};
use crate::units::StationId;

/// What is to be made.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Job {
    /// A sentence that a station has asked for.
    Sentence { station: StationId, request: SentenceRequest },
    /// The newest sentence once more, for nothing but to be awake.
    WarmUp { text: String, speed: f32 },
    /// A sentence for the cache.
    Store { text: String, speed: f32 },
}

/// The order of jobs, as a number: the higher goes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Rank {
    Store,
    WarmUp,
    Ahead,
    Now,
}

impl Job {
    pub(super) fn rank(&self) -> Rank {
        match self {
            Self::Sentence { request, .. } => rank_of(request.urgency),
            Self::WarmUp { .. } => Rank::WarmUp,
            Self::Store { .. } => Rank::Store,
        }
    }

    pub(super) fn text(&self) -> &str {
        match self {
            Self::Sentence { request, .. } => &request.text,
            Self::WarmUp { text, .. } | Self::Store { text, .. } => text,
        }
    }

    pub(super) fn speed(&self) -> f32 {
        match self {
            Self::Sentence { request, .. } => request.speed,
            Self::WarmUp { speed, .. } | Self::Store { speed, .. } => *speed,
        }
    }
}

/// What is waited for, of all stations.
#[derive(Debug, Default)]
pub(super) struct Queue {
    /// In the order in which they came.
    requests: Vec<(StationId, SentenceRequest)>,
    warm_up: Option<(String, f32)>,
    store: VecDeque<(String, f32)>,
}

impl Queue {
    /// A station asks for a sentence, or says that one has become urgent. Gives the request that is dropped for it, where the station has asked
    /// for too many.
    pub(super) fn ask(&mut self, station: StationId, request: SentenceRequest) -> Option<SentenceRequest> {
        if let Some((_, before)) =
            self.requests.iter_mut().find(|(of, before)| *of == station && before.id == request.id)
        {
            before.urgency = before.urgency.max(request.urgency);
            return None;
        }
        self.requests.push((station, request));
        let of_station: Vec<usize> = self.places_of(station).collect();
        if of_station.len() <= MOST_OF_STATION {
            return None;
        }
        // What is needed last is missed least.
        let least = of_station.into_iter().min_by_key(|place| self.requests[*place].1.urgency)?;
        Some(self.requests.remove(least).1)
    }

    /// A sentence is wanted no more.
    pub(super) fn forget(&mut self, station: StationId, id: SentenceId) {
        self.requests.retain(|(of, request)| *of != station || request.id != id);
    }

    /// A station is gone.
    pub(super) fn forget_station(&mut self, station: StationId) {
        self.requests.retain(|(of, _)| *of != station);
    }

    /// To be made when nothing else is to be: instead of what there was. Gives how many there was no room for.
    pub(super) fn store(&mut self, sentences: impl IntoIterator<Item = (String, f32)>) -> usize {
        self.store = sentences.into_iter().collect();
        let left_out = self.store.len().saturating_sub(MOST_TEXTS);
        self.store.truncate(MOST_TEXTS);
        left_out
    }

    pub(super) fn warm_up(&mut self, text: String, speed: f32) {
        self.warm_up = Some((text, speed));
    }

    /// The rank of the next job.
    pub(super) fn rank(&self) -> Option<Rank> {
        let asked = self.requests.iter().map(|(_, request)| rank_of(request.urgency)).max();
        let spare = self.store.front().map(|_| Rank::Store);
        asked.max(self.warm_up.as_ref().map(|_| Rank::WarmUp)).max(spare)
    }

    /// The next job. Of those that are equally urgent the station's goes first whose request came first; of one station's the newest, for that
    /// was asked for over the others.
    pub(super) fn next(&mut self) -> Option<Job> {
        match self.rank()? {
            Rank::Store => self.store.pop_front().map(|(text, speed)| Job::Store { text, speed }),
            Rank::WarmUp => self.warm_up.take().map(|(text, speed)| Job::WarmUp { text, speed }),
            rank => {
                let is_of_rank = |request: &SentenceRequest| rank_of(request.urgency) == rank;
                let turn = self.requests.iter().find(|(_, request)| is_of_rank(request))?.0;
                let place = self.requests.iter().rposition(|(of, request)| *of == turn && is_of_rank(request))?;
                let (station, request) = self.requests.remove(place);
                Some(Job::Sentence { station, request })
            }
        }
    }

    fn places_of(&self, station: StationId) -> impl Iterator<Item = usize> {
        self.requests.iter().enumerate().filter(move |(_, (of, _))| *of == station).map(|(place, _)| place)
    }
}

fn rank_of(urgency: Urgency) -> Rank {
    match urgency {
        Urgency::Ahead => Rank::Ahead,
        Urgency::Now => Rank::Now,
    }
}

/// A mixer has two under way, and one more for each priority that has overtaken another.
pub(super) const MOST_OF_STATION: usize = 8;

/// All fixed prompts of a whole move are some three hundred sentences.
pub(super) const MOST_TEXTS: usize = 1_024;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// "2n7": station 2 asks now for its sentence 7; "2a7": ahead; "2x7": wants it no more; "2x": is gone; "s7": for the cache; "w7": to be awake.
    fn fill(queue: &mut Queue, script: &str) {
        for word in script.split(' ').filter(|word| !word.is_empty()) {
            let (head, rest) = word.split_at(1);
            match head {
                "s" => drop(queue.store(rest.split('+').map(|text| (text.to_owned(), 1.0)))),
                "w" => queue.warm_up(rest.to_owned(), 1.0),
                station => {
                    let station = StationId(station.parse().unwrap());
                    let (what, id) = rest.split_at(1);
                    let id = id.parse().ok().map(SentenceId);
                    match (what, id) {
                        ("x", None) => queue.forget_station(station),
                        ("x", Some(id)) => queue.forget(station, id),
                        (what, id) => {
                            let urgency = if what == "n" { Urgency::Now } else { Urgency::Ahead };
                            let id = id.unwrap();
                            let request = SentenceRequest { id, text: id.0.to_string(), speed: 1.0, urgency };
                            assert_eq!(queue.ask(station, request), None);
                        }
                    }
                }
            }
        }
    }

    fn served(queue: &mut Queue) -> String {
        let jobs = std::iter::from_fn(|| {
            Some(match queue.next()? {
                Job::Sentence { station, request } => format!("{}.{}", station.0, request.id.0),
                Job::WarmUp { text, .. } => format!("w{text}"),
                Job::Store { text, .. } => format!("s{text}"),
            })
        });
        jobs.collect::<Vec<_>>().join(" ")
    }

    #[rstest]
    #[case::in_turn("1n1 2n1 3n1", "1.1 2.1 3.1")]
    #[case::now_before_ahead("1a1 2n1", "2.1 1.1")]
    #[case::asked_for_before_stored("s8+9 1a1 w5 2n1", "2.1 1.1 w5 s8 s9")]
    #[case::has_become_urgent("1n1 2a1 2n1 3n1", "1.1 2.1 3.1")]
    #[case::an_ahead_does_not_make_less_urgent("1n1 1a1 2n1", "1.1 2.1")]
    #[case::the_newest_of_one_station("1n1 1n2 2n1", "1.2 1.1 2.1")]
    #[case::wanted_no_more("1n1 2n1 1x1", "2.1")]
    #[case::of_its_own_station_only("1n1 2n1 1x2", "1.1 2.1")]
    #[case::a_station_is_gone("1n1 2n1 1a2 1x", "2.1")]
    #[case::what_is_stored_last_replaces("s1+2 s3", "s3")]
    fn what_is_waited_for_goes_first(#[case] script: &str, #[case] expected: &str) {
        let mut queue = Queue::default();
        fill(&mut queue, script);
        assert_eq!(served(&mut queue), expected);
    }

    #[test]
    fn a_station_that_asks_for_too_much_loses_what_is_needed_last_and_no_other_loses_anything() {
        let mut queue = Queue::default();
        fill(&mut queue, "2a1 1a0");
        let request =
            |id| SentenceRequest { id: SentenceId(id), text: String::new(), speed: 1.0, urgency: Urgency::Now };
        for id in 1..MOST_OF_STATION as u64 {
            assert_eq!(queue.ask(StationId(1), request(id)), None);
        }
        let dropped = queue.ask(StationId(1), request(99)).expect("one too many");
        assert_eq!((dropped.id, dropped.urgency), (SentenceId(0), Urgency::Ahead));
        assert_eq!(served(&mut queue).split(' ').count(), MOST_OF_STATION + 1);
    }

    #[test]
    fn more_than_can_be_stored_is_told() {
        let mut queue = Queue::default();
        let texts = (0..MOST_TEXTS + 3).map(|text| (text.to_string(), 1.0));
        assert_eq!(queue.store(texts), 3);
    }
}
