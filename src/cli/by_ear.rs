//! Measures which answers of a routine the ear cannot tell from others: each is spoken, alone and in noise, and heard.

use thiserror::Error;

use crate::audio::SAMPLE_RATE;
use crate::engine::output::{AllowedPhrase, PhraseClass, Prior};
use crate::engine::phrasebook::{Command, Common};
use crate::hear::noise::{pink, rms};
use crate::rig::Rig;
use crate::routine::{Answer, Finding, Routine, Severity, Source, Step, step_places};
use crate::setup::places::Places;
use crate::setup::prompts::{self, PromptError};
use crate::setup::sound::SoundError;
use crate::speech::clip::{ClipError, ClipHearing};
use crate::speech::score::ScoreSettings;
use crate::speech::voice::model::{SAMPLE_RATE as VOICE_RATE, Voice, shift};

/// Why nothing can be judged by ear.
#[derive(Debug, Error)]
pub enum ByEarError {
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Clip(#[from] ClipError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
}

/// A voice that says the answers and an ear that hears them.
pub struct ByEar {
    ear: ClipHearing,
    voice: Voice,
    /// Phrases that may be said at any step, those of a group meaning the same.
    always: Vec<Vec<String>>,
    done: Vec<String>,
    yes: Vec<String>,
    no: Vec<String>,
}

/// How an answer came off among the phrases that may be said beside it.
#[derive(Clone, Debug, PartialEq)]
struct Heard {
    /// Distance to the nearest phrase of another meaning, in nats, on the average of the voices; below 0 it was taken for that.
    margin: f32,
    nearest: String,
    /// In how many of the voices it was understood where it is nearly quiet.
    understood: usize,
}

impl ByEar {
    /// # Errors
    /// A model is missing or damaged, or the phrases cannot be read.
    pub fn open(places: &Places) -> Result<Self, ByEarError> {
        let sounds = places.sounds();
        let environment = sounds.environment()?;
        let ear = ClipHearing::open(&environment, &sounds.models, ScoreSettings::default(), Vec::new(), None)?;
        let book = prompts::phrasebook(&places.config)?;
        let mut always: Vec<Vec<String>> = Command::ALL.iter().map(|&command| book.command(command).to_vec()).collect();
        for card in prompts::CARDS {
            let card = prompts::routine(card, &Rig::default(), &places.config)?;
            always.push(card.start.clone());
        }
        let common = |common| book.common(common).to_vec();
        Ok(Self {
            ear,
            voice: sounds.voice()?,
            always,
            done: common(Common::Done),
            yes: common(Common::Yes),
            no: common(Common::No),
        })
    }

    /// Answers that are likely to be taken for something else, with where the step stands in the text.
    ///
    /// # Errors
    /// A model fails.
    pub fn sound_alike(&mut self, source: &Source, routine: &Routine) -> Result<Vec<Finding>, ByEarError> {
        let places = step_places(source);
        let mut findings = Vec::new();
        for step in &routine.steps {
            // Repeats of a step are the same step, and one that was included is looked at where it stands.
            let id = step.id.split('@').next().unwrap_or_default();
            let Some(span) = places.get(id) else { continue };
            if findings.iter().any(|finding: &Finding| finding.step == id) {
                continue;
            }
            for (phrase, heard) in self.answers(step)? {
                let mut found = |found: String, expected: String| {
                    let span = Some(span.clone());
                    findings.push(Finding { severity: Severity::Advice, step: id.to_owned(), span, found, expected });
                };
                if heard.margin < LEAST_MARGIN {
                    found(
                        format!("'{phrase}', which in noise is {:.1} nats from '{}'", heard.margin, heard.nearest),
                        format!("at least {LEAST_MARGIN:.0} nats; choose words that differ in more than a short sound"),
                    );
                }
                if heard.understood < LEAST_UNDERSTOOD {
                    found(
                        format!("'{phrase}', understood in {} of {} voices", heard.understood, PITCHES.len()),
                        format!("{LEAST_UNDERSTOOD} or more; choose plainer words, or more of them"),
                    );
                }
            }
        }
        Ok(findings)
    }

    fn answers(&mut self, step: &Step) -> Result<Vec<(String, Heard)>, ByEarError> {
        let mut groups: Vec<Vec<String>> = step.answer.phrases().into_iter().map(<[String]>::to_vec).collect();
        match &step.answer {
            Answer::Done { .. } => groups.push(self.done.clone()),
            Answer::YesNo(_) => groups.extend([self.yes.clone(), self.no.clone()]),
            _ => {}
        }
        let own = groups.len();
        groups.extend(self.always.iter().cloned());
        let phrase = |group: usize, text: &String| AllowedPhrase {
            text: text.clone(),
            class: if step.critical() { PhraseClass::Critical } else { PhraseClass::Ordinary },
            group: u32::try_from(group).unwrap_or(u32::MAX),
            while_speaking: false,
            prior: Prior::Allowed,
        };
        let all: Vec<AllowedPhrase> = groups
            .iter()
            .enumerate()
            .flat_map(|(group, texts)| texts.iter().map(move |text| phrase(group, text)))
            .collect();
        self.ear.listen_for(all.clone())?;
        let mut found = Vec::new();
        for (group, texts) in groups.iter().enumerate().take(own) {
            for text in texts {
                found.push((text.clone(), self.heard(text, group, &all)?));
            }
        }
        Ok(found)
    }

    fn heard(&mut self, text: &str, group: usize, all: &[AllowedPhrase]) -> Result<Heard, ByEarError> {
        let spoken = self.voice.synthesise_text(text, 1.0).map_err(SoundError::from)?;
        let (mut sum, mut worst, mut understood) = (0.0, (f32::INFINITY, String::new()), 0);
        for (seed, pitch) in PITCHES.into_iter().enumerate() {
            let word = shift(&spoken, pitch * VOICE_RATE as f64 / SAMPLE_RATE as f64).map_err(SoundError::from)?;
            // Another turn of a signal, or the start and the end of a clock, may share words: they mean the same then.
            let means_it = |&(phrase, _): &(&AllowedPhrase, f32)| group == phrase.group as usize || phrase.text == text;
            let quiet = self.ear.hear(&in_noise(&word, seed as u64, QUIET_GAIN))?.verdict;
            let right = quiet.best.is_some_and(|best| means_it(&(&all[best], 0.0)));
            understood += usize::from(right && quiet.is_understood());
            let ranking = self.ear.hear(&in_noise(&word, seed as u64, NOISE_GAIN))?.ranking;
            let scored = || all.iter().zip(ranking.phrases.iter().map(|score| score.corrected));
            let own = scored().filter(means_it).map(|(_, score)| score).fold(f32::NEG_INFINITY, f32::max);
            let other = scored().filter(|pair| !means_it(pair)).max_by(|a, b| a.1.total_cmp(&b.1));
            let Some((other, score)) = other else { continue };
            // What the beam dropped is far away; so is a word that it dropped itself.
            let margin = (own - score).clamp(-FAR, FAR);
            let margin = if margin.is_nan() { -FAR } else { margin };
            sum += margin;
            if margin < worst.0 {
                worst = (margin, other.text.clone());
            }
        }
        Ok(Heard { margin: sum / PITCHES.len() as f32, nearest: worst.1, understood })
    }
}

/// The word in pink noise, lower by `gain`, with more than half a second of noise on both sides.
fn in_noise(word: &[f32], seed: u64, gain: f32) -> Vec<f32> {
    let level = rms(word);
    let mut clip = pink(seed + 1, word.len() + 2 * EDGE_LEN, level * gain);
    clip[EDGE_LEN..].iter_mut().zip(word).for_each(|(noise, sample)| *noise += sample);
    clip
}

/// Other speakers of the same voice.
const PITCHES: [f64; 3] = [0.8, 1.0, 1.15];
const EDGE_LEN: usize = SAMPLE_RATE * 6 / 10;
/// Below the word by 10 dB, and by 25.
const NOISE_GAIN: f32 = 0.316_227_77;
const QUIET_GAIN: f32 = 0.056_234_13;
/// The model's 8-bit sums alone move scores by 1.8 nats.
const LEAST_MARGIN: f32 = 2.0;
const LEAST_UNDERSTOOD: usize = 2;
const FAR: f32 = 12.0;
