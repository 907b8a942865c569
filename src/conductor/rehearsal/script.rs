//! What a simulated person says in a rehearsal: a list of turns in a TOML file.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::Deserialize;
use thiserror::Error;

use crate::source::{Source, SourceError};

/// A checked script.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Script {
    /// In order.
    pub turns: Vec<ScriptTurn>,
    /// At steps that no turn names, the person answers as asked.
    pub answers_elsewhere: bool,
    /// How often the person says a turn again when the program asks them to.
    pub repeats: u32,
    /// Which share of a step's usual time the person works before they answer as asked, 0 to 1.
    pub work: f32,
}

/// One thing the person does.
#[derive(Clone, Debug, PartialEq)]
pub struct ScriptTurn {
    /// When it comes.
    pub when: When,
    /// What sounds.
    pub sound: Sound,
    /// Noise around the words, at so many decibels below them.
    pub noise: Option<Noise>,
    /// Quiet before the words.
    pub silence: Duration,
}

/// When a turn comes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum When {
    /// When the step with this id is being asked for and the program has finished speaking.
    At(String),
    /// This long after the last turn.
    After(Duration),
}

/// What a turn sounds like.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sound {
    /// Spoken by the simulated person.
    Say(String),
    /// A recording.
    Wav(PathBuf),
    /// Nothing but the silence.
    Nothing,
}

/// Noise under a turn.
#[derive(Clone, Debug, PartialEq)]
pub struct Noise {
    /// Its recording.
    pub path: PathBuf,
    /// Speech over noise, in decibels.
    pub snr_db: f32,
}

/// Why a script is refused.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum ScriptError {
    #[error("{file}: cannot be read; check its name and that you may read it")]
    Unreadable { file: String, source: std::io::Error },
    #[error(transparent)]
    NotAScript(#[from] SourceError),
    #[error("{file}: turn {turn}: found {found}, expected {expected}")]
    Faulty { file: String, turn: usize, found: String, expected: &'static str },
}

impl Script {
    /// Nobody wrote anything down: the person answers as asked.
    pub fn none() -> Self {
        Self { turns: Vec::new(), answers_elsewhere: true, repeats: REPEATS, work: 1.0 }
    }

    /// Reads a script; paths in it are relative to its own folder. `steps` are the ids that a turn may name.
    ///
    /// # Errors
    /// Says file, turn, what was found and what was expected.
    pub fn read(path: &Path, steps: &[String]) -> Result<Self, ScriptError> {
        let file = path.display().to_string();
        let text =
            std::fs::read_to_string(path).map_err(|source| ScriptError::Unreadable { file: file.clone(), source })?;
        Self::parse(&file, &text, path.parent().unwrap_or(Path::new(".")), steps)
    }

    fn parse(file: &str, text: &str, folder: &Path, steps: &[String]) -> Result<Self, ScriptError> {
        let parsed: ScriptFile = Source { name: file.to_owned(), text: text.to_owned() }.read_for_writer()?;
        let mut turns = Vec::new();
        for (index, turn) in parsed.turn.into_iter().enumerate() {
            let fault = |found: String, expected| ScriptError::Faulty {
                file: file.to_owned(),
                turn: index + 1,
                found,
                expected,
            };
            let when = match (turn.at, turn.after_s) {
                (Some(step), None) if steps.contains(&step) => When::At(step),
                (Some(step), None) => {
                    return Err(fault(format!("at = '{step}'"), "the id of a step of the routine"));
                }
                (None, Some(after)) => When::After(
                    seconds(after).ok_or_else(|| fault(format!("after_s = {after}"), "seconds, from 0 to 86400"))?,
                ),
                (Some(_), Some(_)) => return Err(fault("both at and after_s".to_owned(), "one of them")),
                (None, None) => return Err(fault("neither at nor after_s".to_owned(), "one of them")),
            };
            let sound = match (turn.say, turn.wav) {
                (Some(text), None) => Sound::Say(text),
                (None, Some(path)) => Sound::Wav(folder.join(path)),
                (None, None) if turn.silence_s.is_some() => Sound::Nothing,
                (Some(_), Some(_)) => return Err(fault("both say and wav".to_owned(), "one of them")),
                (None, None) => return Err(fault("nothing to do".to_owned(), "say, wav or silence_s")),
            };
            let noise = match (turn.noise, turn.snr_db) {
                (Some(path), snr_db) => Some(Noise { path: folder.join(path), snr_db: snr_db.unwrap_or(SNR_DB) }),
                (None, None) => None,
                (None, Some(_)) => return Err(fault("snr_db without noise".to_owned(), "noise = \"a WAV file\"")),
            };
            let silence = turn.silence_s.unwrap_or(0.0);
            let silence =
                seconds(silence).ok_or_else(|| fault(format!("silence_s = {silence}"), "seconds, from 0 to 86400"))?;
            turns.push(ScriptTurn { when, sound, noise, silence });
        }
        let work = parsed.work.unwrap_or(1.0);
        if !(0.0..=1.0).contains(&work) {
            let found = format!("work = {work}");
            return Err(ScriptError::Faulty { file: file.to_owned(), turn: 0, found, expected: "a share from 0 to 1" });
        }
        let names_steps = turns.iter().any(|turn| matches!(turn.when, When::At(_)));
        let answers_elsewhere = match parsed.elsewhere {
            Some(Elsewhere::Answer) => true,
            Some(Elsewhere::Silent) => false,
            // Without turns the person answers as asked; a script of times alone is all that is said.
            None => names_steps || turns.is_empty(),
        };
        Ok(Self { turns, answers_elsewhere, repeats: parsed.repeats.unwrap_or(REPEATS), work })
    }
}

fn seconds(value: f64) -> Option<Duration> {
    (0.0..=86_400.0).contains(&value).then(|| Duration::from_secs_f64(value))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ScriptFile {
    #[serde(default)]
    turn: Vec<TurnFile>,
    elsewhere: Option<Elsewhere>,
    repeats: Option<u32>,
    work: Option<f32>,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Elsewhere {
    Answer,
    Silent,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TurnFile {
    at: Option<String>,
    after_s: Option<f64>,
    say: Option<String>,
    wav: Option<PathBuf>,
    noise: Option<PathBuf>,
    snr_db: Option<f32>,
    silence_s: Option<f64>,
}

const REPEATS: u32 = 2;
/// A tap running beside somebody who speaks up.
const SNR_DB: f32 = 10.0;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn parse(text: &str) -> Result<Script, ScriptError> {
        Script::parse("s.toml", text, Path::new("/clips"), &["gloves".to_owned()])
    }

    #[test]
    fn a_turn_names_a_step_or_a_time_and_words_or_a_recording() {
        let script = parse(
            "[[turn]]\nat = 'gloves'\nsay = 'gloves on'\n[[turn]]\nafter_s = 12.5\nwav = 'a.wav'\nnoise = 'tap.wav'\nsnr_db = 5",
        )
        .unwrap();
        assert_eq!(script.turns[0].when, When::At("gloves".to_owned()));
        assert_eq!(script.turns[1].when, When::After(Duration::from_millis(12_500)));
        assert_eq!(script.turns[1].sound, Sound::Wav("/clips/a.wav".into()));
        assert_eq!(script.turns[1].noise, Some(Noise { path: "/clips/tap.wav".into(), snr_db: 5.0 }));
        assert!(script.answers_elsewhere);
    }

    #[test]
    fn a_script_of_times_alone_is_all_that_is_said() {
        assert!(!parse("[[turn]]\nafter_s = 1\nsay = 'stop'").unwrap().answers_elsewhere);
    }

    #[rstest]
    #[case(
        "[[turn]]\nat = 'moon'\nsay = 'x'",
        "s.toml: turn 1: found at = 'moon', expected the id of a step of the routine"
    )]
    #[case("[[turn]]\nat = 'gloves'", "s.toml: turn 1: found nothing to do, expected say, wav or silence_s")]
    #[case("[[turn]]\nsay = 'x'", "s.toml: turn 1: found neither at nor after_s, expected one of them")]
    #[case(
        "[[turn]]\nafter_s = -1\nsay = 'x'",
        "s.toml: turn 1: found after_s = -1, expected seconds, from 0 to 86400"
    )]
    #[case(
        "[[turn]]\nat = 'gloves'\n\nsays = 'x'",
        "s.toml: line 4: found unknown field `says` (perhaps 'say' is meant), expected one of `at`, `after_s`, `say`, `wav`, `noise`, `snr_db`, `silence_s`"
    )]
    fn a_faulty_turn_is_refused_with_what_was_found_and_expected(#[case] text: &str, #[case] expected: &str) {
        assert_eq!(parse(text).unwrap_err().to_string(), expected);
    }
}
