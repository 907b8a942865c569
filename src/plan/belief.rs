//! How long something takes, as far as one knows: a middle, a spread, and how sure both are.

use rand::Rng;
use rand_distr::{Distribution, StudentT};
use serde::{Deserialize, Serialize};

/// A length of time that is not known exactly. Its logarithm follows a Student distribution.
///
/// Lengths of work cannot be negative and are now and then much longer than usual, which a logarithm makes even; the Student
/// distribution is what is left to expect after few observations of a normal one (Gelman et al., Bayesian Data Analysis, 3rd
/// edition, section 3.2).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    /// Half of the times are shorter. Seconds, above 0.
    pub median_s: f64,
    /// Spread of the logarithm, 0 or more; 0.3 is "now and then a third more".
    pub spread: f64,
    /// Degrees of freedom, 2 or more.
    pub freedom: f64,
    /// How far an error in what is known of the person's pace moves it, 0 to 1: where the step itself was seen often, little.
    pub lean: f64,
    /// How far what is not known of the person's want of practice moves it (logarithm, one deviation; below 0 the other way).
    pub unlearned: f64,
}

impl Belief {
    /// One that is always the same.
    pub fn exact(seconds: f64) -> Self {
        Self { median_s: seconds, spread: 0.0, freedom: 30.0, lean: 0.0, unlearned: 0.0 }
    }

    /// Draws one such time, in seconds; never above ten times the median nor below a tenth.
    pub fn draw(&self, random: &mut impl Rng) -> f64 {
        self.median_s * self.draw_factor(random)
    }

    /// Draws how much longer than the median it takes this time.
    pub fn draw_factor(&self, random: &mut impl Rng) -> f64 {
        if self.spread == 0.0 {
            return 1.0;
        }
        let drawn = StudentT::new(self.freedom).map_or(0.0, |student| student.sample(random));
        (self.spread * drawn).clamp(-WIDEST, WIDEST).exp()
    }

    /// The same work done by somebody who takes `factor` times as long.
    pub fn times(self, factor: f64) -> Self {
        Self { median_s: self.median_s * factor, ..self }
    }
}

/// A guess of somebody who knows the work: it takes `best` at best, `usual` mostly, `worst` at worst (PERT).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThreePoint {
    pub best: f64,
    pub usual: f64,
    pub worst: f64,
}

impl ThreePoint {
    /// Mean, `(a + 4 m + b) / 6`.
    pub fn mean(&self) -> f64 {
        (self.best + 4.0 * self.usual + self.worst) / 6.0
    }

    /// Standard deviation, `(b - a) / 6`.
    pub fn deviation(&self) -> f64 {
        (self.worst - self.best) / 6.0
    }

    pub fn variance(&self) -> f64 {
        self.deviation().powi(2)
    }

    /// Whether the three stand in order and above zero.
    pub fn is_sound(&self) -> bool {
        0.0 < self.best && self.best <= self.usual && self.usual <= self.worst && self.worst.is_finite()
    }

    /// The belief with this mean and deviation, for times in seconds. `freedom` says how much the guess is worth.
    pub fn belief(&self, freedom: f64) -> Belief {
        let share = 1.0 + (self.deviation() / self.mean()).powi(2);
        // A Student distribution is wider than its spread says, by this.
        let narrower = ((freedom - 2.0) / freedom).max(0.0);
        let spread = (share.ln() * narrower).sqrt();
        Belief { median_s: self.mean() / share.sqrt(), spread, freedom, lean: 0.0, unlearned: 0.0 }
    }
}

/// Chance that a normal variable with this mean and deviation is at most `limit`.
///
/// With the sums of means and variances along the longest chain this is the chance of PERT. It leaves out every other chain and
/// is therefore a little too hopeful; [`simulate`](super::simulate) does not.
pub fn chance_within(limit: f64, mean: f64, deviation: f64) -> f64 {
    if deviation == 0.0 {
        return if limit < mean { 0.0 } else { 1.0 };
    }
    0.5 * libm::erfc(-(limit - mean) / (deviation * std::f64::consts::SQRT_2))
}

/// Logarithm of ten.
const WIDEST: f64 = std::f64::consts::LN_10;
