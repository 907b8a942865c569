//! What a recognition engine makes of an utterance: figures for each phrase that may be said, before anything is decided.

/// What came of one utterance.
#[derive(Clone, Debug)]
pub struct Ranking {
    /// One for each phrase, in the order they were prepared in.
    pub phrases: Vec<PhraseScore>,
    /// What the model would write if it might write anything.
    pub free: FreeDecode,
}

/// Scores of one phrase, in nats. Minus infinity when the beam dropped it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhraseScore {
    /// Log probability of the phrase and nothing else, given the sound.
    pub raw: f32,
    /// `raw` less the background's share: what phrases are compared by.
    pub corrected: f32,
}

/// What the model would write if it might write anything.
#[derive(Clone, Debug, PartialEq)]
pub struct FreeDecode {
    /// In letters.
    pub text: String,
    /// Log probability of the text, in nats.
    pub log_prob: f32,
    /// The same as tokens, without the end.
    pub tokens: Vec<u32>,
    /// False when it was cut off at the limit.
    pub complete: bool,
}
