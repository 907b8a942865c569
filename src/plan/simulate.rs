//! A thousand mornings: the same plan with times that turn out as they do, and how many of them end in time.

use rand::rngs::Xoshiro256PlusPlus;
use rand::{Rng, RngExt, SeedableRng};
use rand_distr::{Beta, Distribution};
use serde::{Deserialize, Serialize};

use super::arrange::Arranged;
use super::luck::{Luck, Today};
use super::work::{OnceMore, Work};

/// From when until when one sees, in seconds on the clock that the plan is reckoned on. Without a light there is none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Light {
    pub from: Option<f64>,
    pub until: Option<f64>,
}

/// How one simulated morning went, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Morning {
    /// From the start to the end, were it light all the time.
    length: f64,
    /// From first light to the end, for what waits for light; below zero where nothing does.
    after_light: f64,
    /// From the start to the end of the last chore that needs light, and from first light to it.
    lit: f64,
    lit_after_light: f64,
}

/// Simulated mornings of one plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Mornings(Vec<Morning>);

/// What has happened of a move that is under way.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SoFar {
    /// Chores that need nothing more.
    pub settled: Vec<bool>,
    /// Chores that have begun, and for how many seconds.
    pub begun: Vec<(usize, f64)>,
}

/// Simulates so many mornings of an arranged move. Equal seeds give equal mornings.
pub fn simulate(work: &Work, arranged: &Arranged, morning: &Luck, count: usize, seed: u64) -> Mornings {
    simulate_rest(work, arranged, morning, &SoFar::default(), count, seed)
}

/// The same for what is left of a move.
pub fn simulate_rest(
    work: &Work,
    arranged: &Arranged,
    morning: &Luck,
    so_far: &SoFar,
    count: usize,
    seed: u64,
) -> Mornings {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut lasts = vec![0.0; work.chores.len()];
    let mut walk = Walk::new(work.chores.len());
    let mornings = (0..count).map(|_| {
        let today = morning.draw(&work.hands, &mut random);
        draw_all(work, arranged, &today, &mut random, &mut lasts);
        for (chore, &settled) in so_far.settled.iter().enumerate() {
            if settled {
                lasts[chore] = 0.0;
            }
        }
        for &(chore, since) in &so_far.begun {
            lasts[chore] = rest_of(work, arranged, chore, since, &today, &mut random);
        }
        walk.through(work, arranged, so_far, &lasts)
    });
    Mornings(mornings.collect())
}

fn draw_all(work: &Work, arranged: &Arranged, today: &Today<'_>, random: &mut impl Rng, lasts: &mut [f64]) {
    for (chore, lasts) in lasts.iter_mut().enumerate() {
        *lasts = draw_one(work, arranged, chore, today, random);
    }
    for (chore, it) in work.chores.iter().enumerate() {
        if let Some(once_more) = &it.once_more {
            loop_rounds(work, arranged, chore, once_more, today, random, lasts);
        }
    }
}

fn draw_one(work: &Work, arranged: &Arranged, chore: usize, today: &Today<'_>, random: &mut impl Rng) -> f64 {
    let it = &work.chores[chore];
    let way = &it.ways[arranged.way[chore]];
    let person = way.people.first().copied();
    let own = today.takes(&way.belief, person.filter(|_| !it.wait), random);
    let meanwhile: f64 = it.meanwhile.iter().map(|(_, belief)| today.takes(belief, person, random)).sum();
    own.max(meanwhile)
}

/// Draws how many rounds it takes: those that are planned but not needed take no time, those beyond the plan come on top.
fn loop_rounds(
    work: &Work,
    arranged: &Arranged,
    question: usize,
    once_more: &OnceMore,
    today: &Today<'_>,
    random: &mut impl Rng,
    lasts: &mut [f64],
) {
    let chance = Beta::new(once_more.again, once_more.enough).map_or(0.0, |beta| beta.sample(random));
    let mut rounds = 1;
    while rounds < once_more.most && random.random::<f64>() < chance {
        rounds += 1;
    }
    for unneeded in once_more.planned.iter().skip(rounds as usize - 1) {
        unneeded.iter().for_each(|&chore| lasts[chore] = 0.0);
    }
    for _ in once_more.planned.len() + 1..rounds as usize {
        let again: f64 = once_more.round.iter().map(|&chore| draw_one(work, arranged, chore, today, random)).sum();
        lasts[question] += again;
    }
}

/// What is left of a chore that has gone on for so long: a draw of all that are longer.
fn rest_of(
    work: &Work,
    arranged: &Arranged,
    chore: usize,
    since: f64,
    today: &Today<'_>,
    random: &mut impl Rng,
) -> f64 {
    for _ in 0..REDRAWS {
        let drawn = draw_one(work, arranged, chore, today, random);
        if drawn > since {
            return drawn - since;
        }
    }
    // It has taken longer than nearly ever: nobody knows; once more a tenth of it is no promise but a guess.
    since / 10.0
}

/// Times of one morning, kept between mornings so that nothing is allocated.
struct Walk {
    ends: Vec<f64>,
    after_light: Vec<f64>,
}

impl Walk {
    fn new(count: usize) -> Self {
        Self { ends: vec![0.0; count], after_light: vec![0.0; count] }
    }

    /// The end is the longest way through the chores, either from the start or from first light at one that waits for it.
    fn through(&mut self, work: &Work, arranged: &Arranged, so_far: &SoFar, lasts: &[f64]) -> Morning {
        let mut morning = Morning { length: 0.0, after_light: NEVER, lit: NEVER, lit_after_light: NEVER };
        for &i in &arranged.order {
            let (mut start, mut lit_start) = (0.0_f64, NEVER);
            for &before in &arranged.after[i] {
                start = start.max(self.ends[before]);
                lit_start = lit_start.max(self.after_light[before]);
            }
            let needs_light = work.chores[i].daylight && !so_far.settled.get(i).copied().unwrap_or(false);
            if needs_light {
                lit_start = lit_start.max(0.0);
            }
            self.ends[i] = start + lasts[i];
            self.after_light[i] = lit_start + lasts[i];
            morning.length = morning.length.max(self.ends[i]);
            morning.after_light = morning.after_light.max(self.after_light[i]);
            if needs_light {
                morning.lit = morning.lit.max(self.ends[i]);
                morning.lit_after_light = morning.lit_after_light.max(self.after_light[i]);
            }
        }
        morning
    }
}

impl Morning {
    /// When it ends, begun at `start`.
    fn end(&self, start: f64, light: &Light) -> f64 {
        (start + self.length).max(light.from.map_or(f64::NEG_INFINITY, |from| from + self.after_light))
    }

    /// The latest start that is in time; none where first light is too late for any.
    fn latest_start(&self, by: f64, light: &Light) -> Option<f64> {
        if let Some(from) = light.from
            && (from + self.after_light > by || light.until.is_some_and(|until| from + self.lit_after_light > until))
        {
            return None;
        }
        let by_light = light.until.map_or(f64::INFINITY, |until| until - self.lit);
        Some((by - self.length).min(by_light))
    }
}

impl Mornings {
    pub fn count(&self) -> usize {
        self.0.len()
    }

    /// Share of the mornings that are in time when begun at `start`, 0 to 1.
    pub fn chance(&self, start: f64, by: f64, light: &Light) -> f64 {
        let in_time = self.0.iter().filter(|m| m.latest_start(by, light).is_some_and(|latest| latest >= start)).count();
        in_time as f64 / self.0.len().max(1) as f64
    }

    /// The latest start with which at least `share` (0 to 1) of the mornings are in time; none where none is early enough.
    pub fn latest_start(&self, share: f64, by: f64, light: &Light) -> Option<f64> {
        let mut latest: Vec<f64> =
            self.0.iter().map(|m| m.latest_start(by, light).unwrap_or(f64::NEG_INFINITY)).collect();
        latest.sort_by(|a, b| b.total_cmp(a));
        let needed = (share * latest.len() as f64).ceil() as usize;
        latest.get(needed.saturating_sub(1)).copied().filter(|start| start.is_finite())
    }

    /// By when at least `share` of the mornings have ended, begun at `start`. 0 of no mornings.
    pub fn end(&self, share: f64, start: f64, light: &Light) -> f64 {
        let mut ends: Vec<f64> = self.0.iter().map(|m| m.end(start, light)).collect();
        ends.sort_by(f64::total_cmp);
        let needed = (share * ends.len() as f64).ceil() as usize;
        ends.get(needed.saturating_sub(1)).copied().unwrap_or(0.0)
    }
}

/// Before everything: no chore on the way waits for light.
const NEVER: f64 = f64::NEG_INFINITY;
const REDRAWS: usize = 30;
