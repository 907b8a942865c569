//! A lesson in somebody's voice: asks for each line, hears it, says what was wrong with it and asks again, and ends in about two
//! minutes. No clock: time goes on with the frames of the two ends.

use std::collections::BTreeMap;
use std::io::{self, Write};

use serde::Deserialize;
use thiserror::Error;

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::cli::learn_ends::{Ends, EndsError};
use crate::cli::mic_command::filled;
use crate::decide::PhraseVerdict;
use crate::engine::input::Certainty;
use crate::engine::output::{AllowedPhrase, PhraseClass, Prior, Priority, SpeechId, Utterance};
use crate::engine::phrasebook::{Command, Common, Phrasebook, Reason};
use crate::hear::detector::{SpeechDetector, WINDOW_LEN};
use crate::hear::measure::{CLIPPED, LEAST_DISTANCE_DB, SOFT_DBFS, Stretch};
use crate::speech::clip::{ClipError, ClipHeard, ClipHearing};
use crate::speech::listener::ListenError;
use crate::speech::own_examples::{Example, OwnExamples, States};
use crate::speech::speaker::Speaker;

/// Why a lesson cannot be held to its end.
#[derive(Debug, Error)]
pub enum LessonError {
    #[error(transparent)]
    Ends(#[from] EndsError),
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error(transparent)]
    Clip(#[from] ClipError),
    #[error("{file}: not the words that are expected: {why}")]
    Words { file: &'static str, why: String },
    #[error("the lesson cannot be printed")]
    Talk(#[source] io::Error),
}

/// The lines and words of a lesson.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LessonWords {
    lines: Lines,
    pub(super) say: BTreeMap<String, String>,
    again: BTreeMap<String, String>,
    pub(super) told: BTreeMap<String, String>,
    pub(super) print: BTreeMap<String, String>,
}

/// The lines by what hangs on them.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Lines {
    critical: Vec<String>,
    ordinary: Vec<String>,
    chat: Vec<String>,
    emergency: Vec<String>,
}

impl LessonWords {
    /// The words that ship with the program.
    ///
    /// # Errors
    /// They are not what is expected; a test reads them.
    pub fn shipped() -> Result<Self, LessonError> {
        toml::from_str(WORDS).map_err(|why| LessonError::Words { file: "learn.toml", why: why.to_string() })
    }

    /// The lines, in the order in which they are asked for.
    pub fn lines(&self) -> impl Iterator<Item = &str> {
        let Lines { critical, ordinary, chat, emergency } = &self.lines;
        [critical, ordinary, chat, emergency].into_iter().flatten().map(String::as_str)
    }

    /// Everything that may be said in a lesson: the lines first, each with its class, then what can be said at any time. What
    /// means the same has one group.
    pub fn phrases(&self, book: &Phrasebook) -> (usize, Vec<AllowedPhrase>) {
        let classes = [
            (&self.lines.critical, PhraseClass::Critical),
            (&self.lines.ordinary, PhraseClass::Ordinary),
            (&self.lines.chat, PhraseClass::Chat),
            (&self.lines.emergency, PhraseClass::Emergency),
        ];
        let commands = Command::ALL.iter().map(|&command| book.command(command));
        let common = Common::ALL.iter().map(|&common| book.common(common));
        let reasons = Reason::ALL.iter().map(|&reason| book.reason(reason));
        let known: Vec<&[String]> = commands.chain(common).chain(reasons).collect();
        let mut all: Vec<AllowedPhrase> = Vec::new();
        let mut own_group = known.len();
        let number = |group: usize| u32::try_from(group).unwrap_or(u32::MAX);
        for (lines, class) in classes {
            for line in lines {
                let group = known.iter().position(|texts| texts.contains(line)).unwrap_or_else(|| {
                    own_group += 1;
                    own_group
                });
                all.push(AllowedPhrase {
                    text: line.clone(),
                    class,
                    group: number(group),
                    while_speaking: false,
                    prior: Prior::Allowed,
                });
            }
        }
        let count = all.len();
        for (group, texts) in known.into_iter().enumerate() {
            for text in texts.iter().filter(|text| all.iter().all(|phrase| phrase.text != **text)).collect::<Vec<_>>() {
                let class = PhraseClass::Ordinary;
                all.push(AllowedPhrase {
                    text: text.clone(),
                    class,
                    group: number(group),
                    while_speaking: false,
                    prior: Prior::Allowed,
                });
            }
        }
        (count, all)
    }
}

/// Makes an ear for phrases, a background (16 kHz mono) and a person's examples.
pub type Open<'a> = dyn Fn(Vec<AllowedPhrase>, Vec<f32>, OwnExamples) -> Result<ClipHearing, LessonError> + 'a;

/// What a lesson works with.
pub struct Lesson<'a> {
    pub words: &'a LessonWords,
    pub person: &'a str,
    pub ends: &'a mut dyn Ends,
    pub speaker: Speaker,
    pub activity: SpeechDetector,
    pub out: &'a mut dyn Write,
    /// Frames since it began, played and heard.
    pub frames: usize,
}

/// What came of a lesson.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LessonHeard {
    /// One for each line that was heard well.
    pub readings: Vec<LineReading>,
    /// Lines that were said and taken for others, each time.
    pub taken_for_others: Vec<String>,
    /// How often a line was asked for.
    pub tries: usize,
    /// Lines that were said once more at the end: how many, how many counted as before, how many with what was learned.
    pub said_again: usize,
    pub counted_before: usize,
    pub counted_now: usize,
}

/// A line that was heard well.
#[derive(Clone, Debug, PartialEq)]
pub struct LineReading {
    pub line: String,
    /// As a run would have judged it by itself: natural logarithm of the odds, where it was worth weighing.
    pub log_odds: Option<f32>,
    /// Distance to the next meaning, in nats.
    pub margin: f32,
    /// Whether it would have counted in a run.
    pub counted: bool,
    pub states: States,
}

impl LessonHeard {
    /// The examples in it.
    pub fn examples(&self) -> Vec<Example> {
        let example = |reading: &LineReading| Example { line: reading.line.clone(), states: reading.states.clone() };
        self.readings.iter().map(example).collect()
    }
}

/// What is wrong with a line as it was heard, in the order in which it is looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    NobodySpoke,
    Clipped,
    TooSoft,
    TooNoisy,
    /// It was taken for this.
    Another(String),
}

/// What is wrong with the sound of a line: `speech` is what was said, if anything, `quiet` what was there before.
pub fn fault_of_sound(quiet: &Stretch, speech: Option<&Stretch>) -> Option<Fault> {
    let Some(speech) = speech else { return Some(Fault::NobodySpoke) };
    if speech.clipped > CLIPPED {
        Some(Fault::Clipped)
    } else if speech.rms_dbfs < SOFT_DBFS {
        Some(Fault::TooSoft)
    } else if speech.rms_dbfs - quiet.rms_dbfs < LEAST_DISTANCE_DB {
        Some(Fault::TooNoisy)
    } else {
        None
    }
}

impl Lesson<'_> {
    /// Holds the lesson. `open` makes an ear for phrases and the background that was heard, with a person's examples or none.
    ///
    /// # Errors
    /// The microphone is lost, a model fails, or nothing can be printed.
    pub fn hold(&mut self, book: &Phrasebook, open: &Open) -> Result<LessonHeard, LessonError> {
        let (count, phrases) = self.words.phrases(book);
        self.say(&filled(&self.words.say["quiet"], &[("person", self.person)]))?;
        let mut quiet = Vec::new();
        while quiet.len() < QUIET_LEN {
            quiet.extend(self.hear()?);
        }
        let level = Stretch::of(&quiet);
        let mut ear = open(phrases.clone(), quiet.clone(), OwnExamples::default())?;
        self.say(&self.words.say["begin"].clone())?;
        let mut heard = LessonHeard::default();
        for (number, phrase) in phrases.iter().enumerate().take(count) {
            if self.frames > LONGEST_FRAMES {
                self.say(&self.words.say["time-up"].clone())?;
                break;
            }
            self.one_line(&mut ear, number, phrase, &level, &mut heard)?;
            self.print(
                "line",
                &[
                    ("number", &(number + 1).to_string()),
                    ("count", &count.to_string()),
                    ("line", &phrase.text),
                    ("heard", &self.words.print[outcome(&heard, &phrase.text)].clone()),
                ],
            )?;
        }
        if heard.readings.len() >= LEAST_LINES {
            let own = OwnExamples::of(vec![heard.examples()]);
            let mut now = open(phrases, quiet, own)?;
            self.say_again(&mut ear, &mut now, &level, &mut heard)?;
        }
        self.say(&self.words.say["last"].clone())?;
        Ok(heard)
    }

    /// Has a few lines that would not have counted said once more, and hears them both ways: what was learned is measured on sound
    /// that it was not learned from.
    fn say_again(
        &mut self,
        before: &mut ClipHearing,
        now: &mut ClipHearing,
        quiet: &Stretch,
        heard: &mut LessonHeard,
    ) -> Result<(), LessonError> {
        let lines = heard.readings.iter().filter(|reading| !reading.counted).map(|reading| reading.line.clone());
        for (at, line) in lines.take(MOST_AGAIN).collect::<Vec<_>>().into_iter().enumerate() {
            if at == 0 {
                self.say(&self.words.say["once-more"].clone())?;
            }
            self.say(&filled(&self.words.say["line"], &[("line", &line)]))?;
            self.ends.asked(&line, MOST_TRIES + 1)?;
            let (clip, speech) = self.record()?;
            let speech = (!speech.is_empty()).then(|| Stretch::of(&speech));
            if fault_of_sound(quiet, speech.as_ref()).is_some() {
                continue;
            }
            heard.said_again += 1;
            let counts = |ear: &mut ClipHearing| -> Result<bool, LessonError> {
                let verdict = ear.hear(&clip)?.verdict;
                Ok(counted(&verdict) && verdict.best.is_some_and(|best| ear.phrases()[best].text == line))
            };
            heard.counted_before += usize::from(counts(before)?);
            heard.counted_now += usize::from(counts(now)?);
        }
        Ok(())
    }

    /// Asks for a line until it was heard well, [`MOST_TRIES`] times at most.
    fn one_line(
        &mut self,
        ear: &mut ClipHearing,
        number: usize,
        phrase: &AllowedPhrase,
        quiet: &Stretch,
        heard: &mut LessonHeard,
    ) -> Result<(), LessonError> {
        let line = filled(&self.words.say["line"], &[("line", &phrase.text)]);
        let mut request = line.clone();
        for attempt in 1..=MOST_TRIES {
            self.say(&request)?;
            self.ends.asked(&phrase.text, attempt)?;
            heard.tries += 1;
            let (clip, speech) = self.record()?;
            let speech = (!speech.is_empty()).then(|| Stretch::of(&speech));
            let fault = match fault_of_sound(quiet, speech.as_ref()) {
                Some(fault) => fault,
                None => {
                    let found = ear.hear(&clip)?;
                    let (taken_for, right) = taken_for(ear.phrases(), &found, number);
                    if let (true, Some(states)) = (right, ear.states_of_speech(&clip)?) {
                        let verdict = &found.verdict;
                        heard.readings.push(LineReading {
                            line: phrase.text.clone(),
                            log_odds: Some(verdict.log_odds).filter(|odds| odds.is_finite()),
                            margin: verdict.margin,
                            counted: counted(verdict),
                            states,
                        });
                        heard.taken_for_others.retain(|other| *other != phrase.text);
                        return Ok(());
                    }
                    if !heard.taken_for_others.contains(&phrase.text) {
                        heard.taken_for_others.push(phrase.text.clone());
                    }
                    Fault::Another(taken_for)
                }
            };
            let why = match &fault {
                Fault::Another(other) => filled(&self.words.again[key(&fault)], &[("heard", other)]),
                _ => self.words.again[key(&fault)].clone(),
            };
            request = format!("{why} {line}");
            if attempt == MOST_TRIES || self.frames > LONGEST_FRAMES {
                break;
            }
        }
        Ok(())
    }

    /// Records until somebody has spoken and is silent again, or nobody has for a while: the utterance with the sound around it, and
    /// the speech in it.
    fn record(&mut self) -> Result<(Vec<f32>, Vec<f32>), LessonError> {
        self.activity.reset();
        let fault = ListenError::from;
        let (mut all, mut speech): (Vec<f32>, Vec<f32>) = (Vec::new(), Vec::new());
        let (mut began, mut silent) = (None, 0);
        while all.len() < LINE_LEN {
            let frame = self.hear()?;
            all.extend(frame);
            let Some(probability) = self.activity.push(&frame).map_err(fault)? else { continue };
            if probability >= SPEAKS {
                began = began.or(Some(all.len().saturating_sub(WINDOW_LEN)));
                silent = 0;
                speech.extend(&all[all.len().saturating_sub(WINDOW_LEN)..]);
            } else {
                silent += 1;
            }
            if began.is_some() && silent * WINDOW_LEN >= END_LEN {
                break;
            }
        }
        let from = began.map_or(0, |began| began.saturating_sub(BEFORE_LEN));
        Ok((all.split_off(from), speech))
    }

    fn hear(&mut self) -> Result<[f32; FRAME_LEN], LessonError> {
        self.frames += 1;
        Ok(self.ends.hear()?)
    }

    /// Prints and says.
    pub fn say(&mut self, text: &str) -> Result<(), LessonError> {
        writeln!(self.out, "{text}").map_err(LessonError::Talk)?;
        if self.ends.can_be_heard() {
            self.speaker.say(Utterance {
                id: SpeechId(0),
                priority: Priority::Prompt,
                text: text.to_owned(),
                alarm: None,
            });
            while self.speaker.is_speaking() {
                let mut frame = [0.0; 480];
                self.speaker.render(&mut frame);
                self.ends.play(&frame)?;
                self.frames += 1;
            }
        }
        self.frames += self.ends.settle()?;
        Ok(())
    }

    fn print(&mut self, name: &str, blanks: &[(&str, &str)]) -> Result<(), LessonError> {
        writeln!(self.out, "{}", filled(&self.words.print[name], blanks)).map_err(LessonError::Talk)
    }
}

/// What line `number` was taken for, and whether that is right: the line, or another of the same meaning.
fn taken_for(phrases: &[AllowedPhrase], found: &ClipHeard, number: usize) -> (String, bool) {
    match found.verdict.best {
        Some(best) => (phrases[best].text.clone(), phrases[best].group == phrases[number].group),
        None => (found.ranking.free.text.clone(), false),
    }
}

/// Whether a run would act on it without asking.
fn counted(verdict: &PhraseVerdict) -> bool {
    matches!(verdict.accepted, Some(Certainty::Sure | Certainty::Thin))
}

fn key(fault: &Fault) -> &'static str {
    match fault {
        Fault::NobodySpoke => "nobody-spoke",
        Fault::Clipped => "clipped",
        Fault::TooSoft => "too-soft",
        Fault::TooNoisy => "too-noisy",
        Fault::Another(_) => "another",
    }
}

/// Under which name the outcome of a line is printed.
fn outcome(heard: &LessonHeard, line: &str) -> &'static str {
    match heard.readings.last().filter(|reading| reading.line == line) {
        Some(reading) if reading.counted => "well",
        Some(_) => "would-ask",
        None => "left-out",
    }
}

const WORDS: &str = include_str!("../../prompts/phrases/learn.toml");
const MOST_TRIES: usize = 2;
/// Lines that are said once more at the end, at most.
const MOST_AGAIN: usize = 4;
/// With fewer lines the nearest other line is too far away for being nearer to one to say much. Of 24 that are asked for.
pub const LEAST_LINES: usize = 16;
/// Two minutes, in frames: no line is asked for after that.
const LONGEST_FRAMES: usize = 12_000;
const QUIET_LEN: usize = 2 * SAMPLE_RATE;
/// The longest wait for a line, and the longest line.
const LINE_LEN: usize = 6 * SAMPLE_RATE;
/// Quiet that ends a line, and is the sound after it: 512 ms.
const END_LEN: usize = 16 * WINDOW_LEN;
/// Sound before a line: as much as a run takes.
const BEFORE_LEN: usize = SAMPLE_RATE * 5 / 8;
/// A window with at least this probability holds speech.
const SPEAKS: f32 = 0.5;

#[cfg(test)]
mod tests {
    use super::*;

    fn stretch(rms_dbfs: f32, clipped: f32) -> Stretch {
        Stretch { rms_dbfs, peak_dbfs: rms_dbfs + 15.0, clipped, offset: 0.0 }
    }

    #[test]
    fn each_fault_of_the_sound_is_named_and_a_good_line_has_none() {
        let quiet = stretch(-60.0, 0.0);
        assert_eq!(fault_of_sound(&quiet, Some(&stretch(-26.0, 0.0))), None);
        assert_eq!(fault_of_sound(&quiet, None), Some(Fault::NobodySpoke));
        assert_eq!(fault_of_sound(&quiet, Some(&stretch(-10.0, 0.01))), Some(Fault::Clipped));
        assert_eq!(fault_of_sound(&quiet, Some(&stretch(-50.0, 0.0))), Some(Fault::TooSoft));
        assert_eq!(fault_of_sound(&stretch(-34.0, 0.0), Some(&stretch(-26.0, 0.0))), Some(Fault::TooNoisy));
    }

    #[test]
    fn the_words_are_all_there_and_used_and_every_line_is_another_meaning_or_says_so() {
        let words = LessonWords::shipped().unwrap();
        let faults =
            [Fault::NobodySpoke, Fault::Clipped, Fault::TooSoft, Fault::TooNoisy, Fault::Another(String::new())];
        assert_eq!(words.again.len(), faults.len());
        assert!(faults.iter().all(|fault| words.again.contains_key(key(fault))));
        let used = [include_str!("lesson.rs"), include_str!("learn_command.rs")].concat();
        for name in words.say.keys().chain(words.told.keys()).chain(words.print.keys()) {
            assert!(used.contains(&format!("\"{name}\"")), "{name} is used nowhere");
        }
        let book = crate::setup::prompts::phrasebook(std::path::Path::new("nowhere")).unwrap();
        let (count, phrases) = words.phrases(&book);
        assert_eq!(count, 24, "about two minutes");
        let mut texts: Vec<&str> = phrases.iter().map(|phrase| phrase.text.as_str()).collect();
        texts.sort_unstable();
        assert!(texts.windows(2).all(|pair| pair[0] != pair[1]), "a phrase is there twice");
        let group = |text: &str| phrases.iter().find(|phrase| phrase.text == text).unwrap().group;
        assert_ne!(group("water on"), group("water off"));
        assert_ne!(group("yes"), group("no"));
    }
}
