//! From evidence to a chance: a logistic model whose weights are fitted, not guessed. How they were made stands in their file.

use serde::Deserialize;

use crate::decide::evidence::{Evidence, FEATURES};

/// Weights of the logistic model.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    weights: [f32; FEATURES.len()],
}

impl Calibration {
    /// The weights that the program ships.
    pub fn shipped() -> Self {
        Self::parse("models/hearing.toml", include_str!("../../models/hearing.toml"))
            .expect("the shipped weights are whole; a test reads them")
    }

    /// Reads a file of weights, one for each of [`FEATURES`].
    ///
    /// # Errors
    /// A weight is missing, unknown, or not a number.
    pub fn parse(file: &str, text: &str) -> Result<Self, CalibrationError> {
        let unreadable = |why: String| CalibrationError { file: file.to_owned(), why };
        let read: File = toml::from_str(text).map_err(|why| unreadable(why.to_string()))?;
        let mut weights = [0.0; FEATURES.len()];
        for (weight, name) in weights.iter_mut().zip(FEATURES) {
            let found = read.weights.get(name).ok_or_else(|| unreadable(format!("no weight for '{name}'")))?;
            *weight = *found;
        }
        match read.weights.keys().find(|name| !FEATURES.contains(&name.as_str())) {
            Some(unknown) => Err(unreadable(format!("'{unknown}' is weighed, expected {}", FEATURES.join(", ")))),
            None => Ok(Self { weights }),
        }
    }

    /// Natural logarithm of the odds that the phrase was really said: 0 is even, 3 is 20 to 1, 5 is 150 to 1.
    pub fn log_odds(&self, evidence: &Evidence) -> f32 {
        self.weights.iter().zip(evidence.features()).map(|(weight, figure)| weight * figure).sum()
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[allow(dead_code, reason = "says in the file how the weights were made")]
    made: String,
    weights: std::collections::BTreeMap<String, f32>,
    #[allow(dead_code, reason = "belongs to speech/networks.rs")]
    networks: toml::Table,
    #[allow(dead_code, reason = "belongs to decide/limits.rs")]
    limits: toml::Table,
}

/// A file of weights that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{file}: not a file of weights: {why}")]
pub struct CalibrationError {
    file: String,
    why: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn evidence() -> Evidence {
        Evidence { score: 9.0, margin: 6.0, over_free: -1.0, likeness: 1.0, words: 2, extra_words: 0 }
    }

    #[test]
    fn better_evidence_never_lowers_the_odds() {
        let calibration = Calibration::shipped();
        let base = calibration.log_odds(&evidence());
        for (name, better) in [
            ("score", Evidence { score: 11.0, ..evidence() }),
            ("margin", Evidence { margin: 8.0, ..evidence() }),
            ("over_free", Evidence { over_free: 0.0, ..evidence() }),
        ] {
            assert!(calibration.log_odds(&better) > base, "{name}");
        }
        let unlike = Evidence { likeness: 0.3, ..evidence() };
        assert!(calibration.log_odds(&unlike) < base);
    }

    #[test]
    fn a_missing_or_unknown_weight_is_refused_by_name() {
        let text = include_str!("../../models/hearing.toml");
        let without = text.replace("margin", "margn");
        let error = Calibration::parse("mine.toml", &without).unwrap_err().to_string();
        assert!(error.contains("mine.toml") && error.contains("margin"), "{error}");
    }
}
