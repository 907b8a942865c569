//! `sparehand learn-voice`: a lesson of about two minutes in how a person speaks; shows what was learned, and takes it back.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;
use thiserror::Error;

use crate::audio::capture::Capture;
use crate::audio::device::DeviceError;
use crate::audio::wake::Waker;
use crate::cli::device_args::DeviceArgs;
use crate::cli::learn_ends::{Ends, EndsError, LessonDevices, Recordings};
use crate::cli::learned_files::{LearnedError, LearnedFiles, LearnedFound, LearnedLine, LearnedVoice, own_examples};
use crate::cli::lesson::{LEAST_LINES, Lesson, LessonError, LessonHeard, LessonWords};
use crate::cli::mic_command::{self, MicError, filled};
use crate::cli::play_out::PlayOut;
use crate::hear::detector::SpeechDetector;
use crate::rig::Rig;
use crate::setup::causes::with_causes;
use crate::setup::clock::wall;
use crate::setup::models::{self, ModelsError};
use crate::setup::places::{Places, PlacesError};
use crate::setup::prompts::{self, PromptError};
use crate::setup::sound::{SoundError, Sounds};
use crate::speech::clip::{ClipError, ClipHearing};
use crate::speech::listener::ListenError;
use crate::speech::own_examples::MOST_SOONER;
use crate::speech::recogniser::PhraseScoring;
use crate::speech::score::ScoreSettings;

/// What `learn-voice` is asked to do.
#[derive(Clone, Debug, Default, Args)]
pub struct LearnArgs {
    /// Whose voice, by the name in the rig file; need not be given where that names one person.
    #[arg(value_name = "NAME")]
    pub person: Option<String>,
    /// Rig file; without it, rig.toml in the configuration folder.
    #[arg(long, value_name = "FILE")]
    pub rig: Option<PathBuf>,
    /// Only show what was learned; of everybody, where no name is given.
    #[arg(long, conflicts_with_all = ["forget", "recordings"])]
    pub show: bool,
    /// Take back what was learned.
    #[arg(long, conflicts_with = "recordings")]
    pub forget: bool,
    #[command(flatten)]
    pub devices: DeviceArgs,
    /// Instead of the devices: a folder with a recording of each line, such as water-off.wav (and water-off-2.wav for the second time).
    #[arg(long, value_name = "DIR", conflicts_with_all = ["microphone", "loudspeaker"])]
    pub recordings: Option<PathBuf>,
    /// With --recordings: keep the lesson's sound in this file; left what was heard, right what was said.
    #[arg(long, value_name = "FILE", requires = "recordings")]
    pub keep_sound: Option<PathBuf>,
}

/// Why nothing can be learned, shown or taken back.
#[derive(Debug, Error)]
pub enum LearnError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error(transparent)]
    Places(#[from] PlacesError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Learned(#[from] LearnedError),
    #[error(transparent)]
    Remembered(#[from] MicError),
    #[error(transparent)]
    Ends(#[from] EndsError),
    #[error(transparent)]
    Lesson(#[from] LessonError),
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error("no usable microphone")]
    Microphone(#[source] DeviceError),
    #[error(
        "whose voice? Give a name: sparehand learn-voice NAME{}", if known.is_empty() { String::new() } else { format!("; the rig file names {known}") }
    )]
    WhoseVoice { known: String },
    #[error("the lesson cannot be printed")]
    Talk(#[source] io::Error),
}

/// Does what `args` say; prints to the standard output.
///
/// # Errors
/// As [`learn`].
pub fn run(args: &LearnArgs, places: &Places) -> Result<(), LearnError> {
    learn(args, places, &mut io::stdout().lock())
}

/// Does what `args` say; prints to `out`.
///
/// # Errors
/// A device is missing or lost, a model fails, or what was learned cannot be read, written or removed.
pub fn learn(args: &LearnArgs, places: &Places, out: &mut dyn Write) -> Result<(), LearnError> {
    let words = LessonWords::shipped()?;
    let files = LearnedFiles::in_folder(&places.data);
    let rig = prompts::rig(args.rig.as_deref(), &places.config)?;
    if args.show && args.person.is_none() {
        return show_all(&words, &files, out);
    }
    let person = match &args.person {
        // Somebody whom the rig file does not name any more can still be looked at and forgotten.
        Some(name) if args.show || args.forget => name.clone(),
        given => person(given.as_deref(), &rig)?,
    };
    if args.show {
        return show(&words, &person, files.find(&person)?, out);
    }
    if args.forget {
        let told = if files.forget(&person)? { "taken-back" } else { "never-learned" };
        return print(out, &words.told[told], &[("person", &person)]);
    }
    hold(args, places, &words, &files, &person, out)?;
    if rig.people().is_empty() {
        print(out, &words.print["not-in-rig"], &[("person", &person)])?;
    }
    Ok(())
}

fn hold(
    args: &LearnArgs,
    places: &Places,
    words: &LessonWords,
    files: &LearnedFiles,
    person: &str,
    out: &mut dyn Write,
) -> Result<(), LearnError> {
    models::verify(&places.models)?;
    // A name that no file can be kept by, and a folder that cannot be made, are told before two minutes of reading.
    files.path(person)?;
    Places::make(&places.data)?;
    let sounds = places.sounds();
    let environment = sounds.environment()?;
    let mut ends: Box<dyn Ends> = match &args.recordings {
        Some(folder) => Box::new(Recordings::open(folder, words.lines(), args.keep_sound.as_deref())?),
        None => {
            let wanted = args.devices.microphone_or(|| mic_command::remembered(places))?;
            let capture = Capture::open(wanted.as_deref(), &Waker::of_nobody()).map_err(LearnError::Microphone)?;
            let play_out = match PlayOut::open(args.devices.loudspeaker.as_deref()) {
                Ok(play_out) => Some(play_out),
                Err(why) => {
                    print(out, &words.print["no-loudspeaker"], &[("why", &with_causes(&why))])?;
                    None
                }
            };
            Box::new(LessonDevices { capture, play_out })
        }
    };
    let activity = SpeechDetector::load(&environment, &sounds.models.join("silero-vad/silero_vad.onnx"));
    let book = prompts::phrasebook(&places.config)?;
    let mut lesson = Lesson {
        words,
        person,
        ends: &mut *ends,
        speaker: sounds.speaker()?,
        activity: activity.map_err(ListenError::from)?,
        out,
        frames: 0,
    };
    let heard = lesson.hold(&book, &|phrases, background, own| {
        let scoring = PhraseScoring::load(&environment, &sounds.models, ScoreSettings::default());
        let scoring = scoring.map_err(ClipError::from)?.with_own(std::sync::Arc::new(own));
        Ok(ClipHearing::with_recogniser(Box::new(scoring), phrases, Some(background))?)
    })?;
    let kept = if heard.readings.len() >= LEAST_LINES {
        let lines = heard.readings.iter().map(|reading| LearnedLine {
            line: reading.line.clone(),
            log_odds: reading.log_odds,
            margin: reading.margin,
            counted: reading.counted,
            states: reading.states.packed(),
        });
        let voice = LearnedVoice::of(person, wall(), heard.tries, lines.collect());
        Some(files.keep(&voice.map_err(LearnedError::from)?)?)
    } else {
        None
    };
    for sentence in told(words, person, &heard) {
        lesson.say(&sentence)?;
    }
    match kept {
        Some(file) => print(out, &words.print["kept"], &[("file", &file.display().to_string()), ("person", person)]),
        None => Ok(()),
    }
}

/// `sounds` with what was learned of the people who take part in a run, and a line for each of whom it cannot be used.
///
/// # Errors
/// A file is there that cannot be read or is damaged, or nothing can be printed.
pub fn hearing_those(
    sounds: Sounds,
    people: &[String],
    places: &Places,
    out: &mut dyn Write,
) -> Result<Sounds, LearnError> {
    let (own, unusable) = own_examples(&LearnedFiles::in_folder(&places.data), people)?;
    let words = LessonWords::shipped()?;
    if !own.are_none() && sounds.vosk.is_some() {
        print(out, &words.print["not-by-vosk"], &[])?;
    }
    for voice in &unusable {
        print_other(&words, voice, out)?;
    }
    Ok(sounds.hearing_own(own))
}

/// What came of the lesson, in sentences.
fn told(words: &LessonWords, person: &str, heard: &LessonHeard) -> Vec<String> {
    let count = heard.readings.len().to_string();
    let mut all = Vec::new();
    if heard.readings.len() < LEAST_LINES {
        all.push(filled(&words.told["nothing-learned"], &[("count", &count), ("least", &LEAST_LINES.to_string())]));
    } else {
        all.push(filled(&words.told["learned"], &[("count", &count), ("person", person)]));
        let before = heard.readings.iter().filter(|reading| !reading.counted).count();
        all.push(filled(&words.told["counted"], &[("count", &count), ("before", &before.to_string())]));
    }
    if heard.said_again > 0 {
        let blanks = [heard.said_again, heard.counted_before, heard.counted_now].map(|number| number.to_string());
        let names = ["again", "before", "now"];
        let blanks: Vec<(&str, &str)> = names.into_iter().zip(blanks.iter().map(String::as_str)).collect();
        all.push(filled(&words.told["helped"], &blanks));
    }
    if !heard.taken_for_others.is_empty() {
        all.push(filled(&words.told["not-heard"], &[("lines", &heard.taken_for_others.join(", "))]));
    }
    all
}

/// The person meant, as the rig file writes the name. Where the rig file names nobody any name will do.
fn person(given: Option<&str>, rig: &Rig) -> Result<String, LearnError> {
    let names: Vec<&str> = rig.people().iter().map(|person| person.name.as_str()).collect();
    let known = names.join(", ");
    match (given, names.as_slice()) {
        (None, [only]) => Ok((*only).to_owned()),
        (None, _) => Err(LearnError::WhoseVoice { known }),
        (Some(given), []) => Ok(given.to_owned()),
        (Some(given), names) => match names.iter().find(|name| name.eq_ignore_ascii_case(given)) {
            Some(name) => Ok((*name).to_owned()),
            None => Err(PromptError::StrangerToLearn { name: given.to_owned(), known }.into()),
        },
    }
}

fn show_all(words: &LessonWords, files: &LearnedFiles, out: &mut dyn Write) -> Result<(), LearnError> {
    let all = files.all()?;
    if all.is_empty() {
        return print(out, &words.told["nobody"], &[]);
    }
    all.into_iter().try_for_each(|found| show(words, "", found, out))
}

fn show(words: &LessonWords, person: &str, found: LearnedFound, out: &mut dyn Write) -> Result<(), LearnError> {
    let voice = match found {
        LearnedFound::Nothing => return print(out, &words.told["never-learned"], &[("person", person)]),
        LearnedFound::Other(voice) => return print_other(words, &voice, out),
        LearnedFound::Usable(voice, _) => voice,
    };
    print(
        out,
        &words.print["known"],
        &[
            ("person", &voice.person),
            ("made", &voice.made),
            ("count", &voice.lines.len().to_string()),
            ("tries", &voice.tries.to_string()),
            ("most", &format!("{MOST_SOONER:.0}")),
        ],
    )?;
    voice.lines.iter().try_for_each(|line| {
        let before = &words.print[if line.counted { "well" } else { "would-ask" }];
        print(out, &words.print["known-line"], &[("line", &line.line), ("before", before)])
    })
}

/// Says that what was learned of somebody cannot be used here, and what to do.
fn print_other(words: &LessonWords, voice: &LearnedVoice, out: &mut dyn Write) -> Result<(), LearnError> {
    print(out, &words.print["other-model"], &[("person", &voice.person), ("made", &voice.made)])
}

fn print(out: &mut dyn Write, text: &str, blanks: &[(&str, &str)]) -> Result<(), LearnError> {
    writeln!(out, "{}", filled(text, blanks)).map_err(LearnError::Talk)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rig(people: &[&str]) -> Rig {
        let text: String = people.iter().map(|name| format!("[[person]]\nname = \"{name}\"\n")).collect();
        Rig::parse("rig.toml", &text).unwrap()
    }

    #[test]
    fn the_person_is_one_of_the_rig_file_and_need_not_be_named_where_there_is_one() {
        assert_eq!(person(None, &rig(&["Rowan"])).unwrap(), "Rowan");
        assert_eq!(person(Some("rowan"), &rig(&["Imre", "Rowan"])).unwrap(), "Rowan");
        assert_eq!(person(Some("Rowan"), &rig(&[])).unwrap(), "Rowan");
        let error = person(None, &rig(&["Imre", "Rowan"])).unwrap_err().to_string();
        assert!(error.contains("Imre, Rowan"), "{error}");
        let error = person(Some("Ada"), &rig(&["Imre", "Rowan"])).unwrap_err().to_string();
        assert!(error.contains("'Ada'") && error.contains("Imre, Rowan"), "{error}");
    }
}
