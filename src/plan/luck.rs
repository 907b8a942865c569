//! What makes one morning differ from another beyond the chance in each single step.

use std::collections::BTreeMap;

use rand::{Rng, RngExt};
use rand_distr::{Distribution, Normal};

use super::belief::Belief;

/// What all steps of a morning share, and what befalls single ones now and then.
#[derive(Clone, Debug, PartialEq)]
pub struct Luck {
    /// How much longer than usual a whole morning takes: wind, mud, a bad night.
    pub whole: Belief,
    /// By person ("" for what goes on by itself): spread of what is not known of their pace (logarithm). It is one error, made
    /// alike in all their steps; taken as many small ones it would seem to even out.
    pub paces: BTreeMap<String, f64>,
    /// The same of somebody who was never seen.
    pub unseen_pace: f64,
    pub delays: Delays,
}

/// A call in the middle of a step, a fitting that sticks: rare, and far longer than chance in the work itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Delays {
    /// Weight of the guess and of what was seen: delays, and steps in all.
    pub guessed: f64,
    pub guessed_of: f64,
    /// How many times as long a step takes by the guess (logarithm), and those that were seen.
    pub size: f64,
    pub seen: Vec<f64>,
    pub seen_of: f64,
}

impl Delays {
    /// Chance that a step is delayed, 0 to 1: mean of a Beta distribution.
    pub fn chance(&self) -> f64 {
        (self.guessed + self.seen.len() as f64) / (self.guessed_of + self.seen_of).max(1e-9)
    }

    /// Draws whether a step is delayed and how many times as long it takes then (logarithm): one of those seen, or the guess.
    fn draw(&self, chance: f64, random: &mut impl Rng) -> Option<f64> {
        if random.random::<f64>() >= chance {
            return None;
        }
        let which = random.random::<f64>() * (self.guessed + self.seen.len() as f64) - self.guessed;
        if which < 0.0 { Some(self.size) } else { self.seen.get(which as usize).copied().or(Some(self.size)) }
    }
}

/// One morning's luck, drawn.
pub struct Today<'a> {
    stretch: f64,
    /// By the number of the person; the last is for what goes on by itself. Logarithms.
    paces: Vec<f64>,
    /// The same: in how many deviations want of practice is more than is known of it, alike in all that the person does.
    practice: Vec<f64>,
    delays: &'a Delays,
    chance: f64,
}

impl Luck {
    /// Draws a morning for these people.
    pub fn draw(&self, hands: &[String], random: &mut impl Rng) -> Today<'_> {
        let stretch = self.whole.draw(random);
        let names = hands.iter().map(String::as_str).chain([""]);
        let mut normal = |spread: f64| Normal::new(0.0, spread).map_or(0.0, |normal| normal.sample(random));
        let paces =
            names.clone().map(|name| normal(self.paces.get(name).copied().unwrap_or(self.unseen_pace))).collect();
        let practice = names.map(|_| normal(1.0)).collect();
        Today { stretch, paces, practice, delays: &self.delays, chance: self.delays.chance() }
    }
}

impl Today<'_> {
    /// Draws how long something takes this morning, in seconds. `person` is the number of who does it, none where it goes on by
    /// itself.
    pub fn takes(&self, belief: &Belief, person: Option<usize>, random: &mut impl Rng) -> f64 {
        let of = |list: &[f64]| person.map_or_else(|| list.last(), |person| list.get(person)).copied().unwrap_or(0.0);
        let beyond = belief.lean * of(&self.paces) + belief.unlearned * of(&self.practice);
        let by_chance = match self.delays.draw(self.chance, random) {
            Some(delay) => delay.exp(),
            None => belief.draw_factor(random),
        };
        belief.median_s * by_chance * beyond.exp() * self.stretch
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand::rngs::Xoshiro256PlusPlus;

    fn luck(pace: f64, delays: Delays) -> Luck {
        Luck { whole: Belief::exact(1.0), paces: [("Rowan".to_owned(), pace)].into(), unseen_pace: 0.0, delays }
    }

    fn no_delays() -> Delays {
        Delays { guessed: 0.0, guessed_of: 1.0, size: 1.0, seen: vec![], seen_of: 0.0 }
    }

    #[test]
    fn a_pace_that_is_not_known_moves_all_steps_of_a_morning_alike() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(1);
        let luck = luck(0.3, no_delays());
        let belief = Belief { lean: 1.0, ..Belief::exact(60.0) };
        let mut seen = Vec::new();
        for _ in 0..50 {
            let today = luck.draw(&["Rowan".to_owned(), "Imre".to_owned()], &mut random);
            let times = [0, 1].map(|_| today.takes(&belief, Some(0), &mut random));
            assert_eq!(times[0], times[1]);
            assert_eq!(today.takes(&belief, Some(1), &mut random), 60.0, "the other's pace is known");
            assert_eq!(
                today.takes(&Belief::exact(60.0), Some(0), &mut random),
                60.0,
                "a step seen often does not lean on it"
            );
            seen.push(times[0]);
        }
        assert!(seen.iter().any(|&t| t > 66.0) && seen.iter().any(|&t| t < 54.0), "{seen:?}");
    }

    #[test]
    fn delays_come_as_often_and_as_long_as_they_were_seen() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(2);
        let delays =
            Delays { guessed: 1.0, guessed_of: 100.0, size: 3.0_f64.ln(), seen: vec![5.0_f64.ln(); 3], seen_of: 100.0 };
        assert!((delays.chance() - 0.02).abs() < 1e-12);
        let luck = luck(0.0, delays);
        let today = luck.draw(&["Rowan".to_owned()], &mut random);
        let drawn: Vec<f64> = (0..40_000).map(|_| today.takes(&Belief::exact(1.0), Some(0), &mut random)).collect();
        let share =
            |times: f64| drawn.iter().filter(|&&d| (d - times).abs() < 1e-9).count() as f64 / drawn.len() as f64;
        // Three in four are of those seen. Four deviations of a binomial count.
        assert!(
            (share(5.0) - 0.015).abs() < 0.0025 && (share(3.0) - 0.005).abs() < 0.0015,
            "{} {}",
            share(5.0),
            share(3.0)
        );
    }
}
