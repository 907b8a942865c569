//! `sparehand mic`: measures the microphone where it stands, says in words what to change, and remembers it.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::time::Duration;

use clap::Args;
use serde::Deserialize;
use thiserror::Error;

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::audio::capture::Capture;
use crate::audio::device::{DeviceError, DeviceInfo, Direction, devices};
use crate::audio::resample::Decimator;
use crate::audio::wake::Waker;
use crate::cli::device_args::DeviceArgs;
use crate::cli::play_out::PlayOut;
use crate::engine::output::{AllowedPhrase, PhraseClass, Prior, Priority, SpeechId, Utterance};
use crate::engine::phrasebook::Command;
use crate::hear::detector::{SpeechDetector, WINDOW_LEN};
use crate::hear::measure::{MicAdvice, MicMeasured, Stretch, echo_path};
use crate::hear::noise::{White, rms};
use crate::journal::{Journal, JournalError};
use crate::setup::causes::with_causes;
use crate::setup::clock::{pause, wall};
use crate::setup::models::{self, ModelsError};
use crate::setup::places::{Places, PlacesError};
use crate::setup::prompts::PromptError;
use crate::setup::sound::SoundError;
use crate::speech::clip::{ClipError, ClipHearing};
use crate::speech::listener::ListenError;
use crate::speech::score::ScoreSettings;
use crate::speech::speaker::Speaker;

#[derive(Clone, Debug, Args)]
pub struct MicArgs {
    #[command(flatten)]
    pub devices: DeviceArgs,
    /// Only list what there is.
    #[arg(long)]
    pub list: bool,
    /// Measure, and remember nothing.
    #[arg(long)]
    pub only_measure: bool,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Words {
    lines: Vec<String>,
    say: BTreeMap<String, String>,
    advice: BTreeMap<String, String>,
    print: BTreeMap<String, String>,
}

/// Why the microphone could not be measured.
#[derive(Debug, Error)]
pub enum MicError {
    #[error(transparent)]
    Models(#[from] ModelsError),
    #[error(transparent)]
    Places(#[from] PlacesError),
    #[error(transparent)]
    Prompts(#[from] PromptError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Sound(#[from] SoundError),
    #[error(transparent)]
    Listen(#[from] ListenError),
    #[error(transparent)]
    Clip(#[from] ClipError),
    #[error("no usable microphone")]
    Microphone(#[source] DeviceError),
    #[error("no usable loudspeaker")]
    Loudspeaker(#[source] DeviceError),
    #[error("the microphone '{name}' gives no sound; plug it in again, or choose another with --microphone")]
    MicrophoneSilent { name: String },
    #[error("{file}: not the words that are expected: {why}")]
    Words { file: &'static str, why: String },
    #[error("what was measured cannot be printed")]
    Talk(#[source] io::Error),
}

/// Measures the microphone.
///
/// # Errors
/// As [`mic`]; a model is missing or damaged.
pub fn run(args: &MicArgs, places: &Places) -> Result<(), MicError> {
    models::verify(&places.models)?;
    mic(args, places, &mut io::stdout().lock())
}

/// Measures, prints and says what was found.
///
/// # Errors
/// There is no microphone, a model is missing, or the journal or the output cannot be written.
pub fn mic(args: &MicArgs, places: &Places, out: &mut dyn Write) -> Result<(), MicError> {
    let words: Words =
        toml::from_str(WORDS).map_err(|why| MicError::Words { file: "mic.toml", why: why.to_string() })?;
    let remembered = remembered(places)?;
    let wanted = args.devices.microphone.clone().or(remembered);
    if args.list {
        return list(&words, wanted.as_deref(), out);
    }
    let capture = Capture::open(wanted.as_deref(), &Waker::of_nobody()).map_err(MicError::Microphone)?;
    let name = capture.name().to_owned();
    list(&words, Some(&name), out)?;
    let mouth = match PlayOut::open(args.devices.loudspeaker.as_deref()) {
        Ok(play_out) => Some((play_out, places.sounds().speaker()?)),
        Err(why) => {
            print(out, &words.print["no-loudspeaker"], &[])?;
            tracing::info!(why = with_causes(&why), "loudspeaker");
            None
        }
    };
    let mut bench = Bench { capture, mouth };
    let measured = bench.measure(&words, places, out)?;
    report(&words, &measured, out)?;
    let mut said: Vec<String> = measured.advice().into_iter().map(|advice| words.advice[key(advice)].clone()).collect();
    if said.is_empty() {
        said.push(words.say["none"].clone());
    }
    // What gives nothing is not worth remembering.
    if !args.only_measure && !measured.advice().contains(&MicAdvice::Dead) {
        remember(places, &name)?;
        said.push(filled(&words.say["kept"], &[("microphone", &name)]));
    }
    for sentence in said {
        bench.say(&sentence, out)?;
    }
    Ok(())
}

/// The microphone that was measured last, by name.
///
/// # Errors
/// The journal is there and cannot be read.
pub fn remembered(places: &Places) -> Result<Option<String>, MicError> {
    let path = places.journal();
    if !path.exists() {
        return Ok(None);
    }
    Ok(crate::journal::JournalReader::open(&path)?.preference(MICROPHONE)?)
}

fn remember(places: &Places, name: &str) -> Result<(), MicError> {
    Places::make(&places.data)?;
    Ok(Journal::open(&places.journal())?.set_preference(MICROPHONE, name, &wall())?)
}

fn list(words: &Words, chosen: Option<&str>, out: &mut dyn Write) -> Result<(), MicError> {
    let mut names = |title: &str, devices: Vec<(String, bool)>| -> Result<(), MicError> {
        print(out, title, &[])?;
        devices.into_iter().try_for_each(|(name, used)| {
            print(out, &words.print[if used { "in-use" } else { "other" }], &[("name", &name)])
        })
    };
    let microphones = devices(Direction::Input).map_err(MicError::Microphone)?;
    let used = |name: &str, id: &str| chosen.is_some_and(|chosen| chosen == name || chosen == id);
    names(
        &words.print["microphones"],
        microphones.into_iter().map(|device| (device.name.clone(), used(&device.name, &device.id))).collect(),
    )?;
    let loudspeakers: Vec<DeviceInfo> = devices(Direction::Output).unwrap_or_else(|why| {
        tracing::info!(why = with_causes(&why), "loudspeakers");
        Vec::new()
    });
    names(
        &words.print["loudspeakers"],
        loudspeakers.into_iter().map(|device| (device.name, device.is_default)).collect(),
    )
}

/// A microphone and a mouth to measure with.
struct Bench {
    capture: Capture,
    mouth: Option<(PlayOut, Speaker)>,
}

impl Bench {
    fn measure(&mut self, words: &Words, places: &Places, out: &mut dyn Write) -> Result<MicMeasured, MicError> {
        self.say(&words.say["quiet"], out)?;
        self.drain();
        let quiet = self.record(QUIET_S, |_| false)?;
        let echo = match &self.mouth {
            Some(_) => {
                self.say(&words.say["hiss"], out)?;
                let (played, heard) = self.hiss()?;
                echo_path(&played, &heard, rms(&quiet))
            }
            None => None,
        };
        let sounds = places.sounds();
        let environment = sounds.environment()?;
        let mut activity = SpeechDetector::load(&environment, &sounds.models.join("silero-vad/silero_vad.onnx"))
            .map_err(ListenError::from)?;
        let background = quiet[..quiet.len().min(SAMPLE_RATE)].to_vec();
        let mut ear = ClipHearing::open(
            &environment,
            &sounds.models,
            ScoreSettings::default(),
            phrases(&words.lines, places)?,
            Some(background),
        )?;
        let (mut speech, mut right) = (Vec::new(), 0);
        for line in &words.lines {
            self.say(&filled(&words.say["read"], &[("line", line)]), out)?;
            self.drain();
            let heard = self.one_line(&mut activity, &mut speech)?;
            let verdict = ear.hear(&heard)?.verdict;
            let best = verdict.best.filter(|_| verdict.is_understood()).map(|best| ear.phrases()[best].text.clone());
            right += usize::from(best.as_ref() == Some(line));
            let best = best.unwrap_or_else(|| words.print["unclear"].clone());
            print(out, &words.print["line"], &[("line", line), ("heard", &best)])?;
        }
        Ok(MicMeasured {
            quiet: Stretch::of(&quiet),
            speech: (!speech.is_empty()).then(|| Stretch::of(&speech)),
            echo,
            lost: self.capture.lost(),
            understood: (right, words.lines.len()),
        })
    }

    /// Records until somebody has spoken and is silent again, or nobody has for a while. What is speech is added to `speech`.
    fn one_line(&mut self, activity: &mut SpeechDetector, speech: &mut Vec<f32>) -> Result<Vec<f32>, MicError> {
        activity.reset();
        let (mut spoke, mut silent) = (false, 0);
        let mut window: Vec<f32> = Vec::new();
        let mut failed = None;
        let samples = self.record(LINE_S, |frame| {
            window.extend_from_slice(frame);
            match activity.push(frame) {
                Ok(Some(probability)) => {
                    let speaks = probability >= SPEAKS;
                    spoke |= speaks;
                    silent = if speaks { 0 } else { silent + 1 };
                    if speaks {
                        speech.extend(window.iter().rev().take(WINDOW_LEN).rev());
                    }
                    window.clear();
                    spoke && silent * WINDOW_LEN >= SAMPLE_RATE
                }
                Ok(None) => false,
                Err(error) => {
                    failed = Some(error);
                    true
                }
            }
        })?;
        failed.map_or(Ok(samples), |error| Err(ListenError::from(error).into()))
    }

    /// A second of noise of all frequencies, and what came back of it: both at 16 kHz, from the same moment on.
    fn hiss(&mut self) -> Result<(Vec<f32>, Vec<f32>), MicError> {
        let Some((play_out, _)) = &mut self.mouth else { return Ok((Vec::new(), Vec::new())) };
        let mut noise = White::new(1);
        let mut decimator = Decimator::new().map_err(SoundError::from)?;
        let mut played = Vec::new();
        let mut waiting: Vec<[f32; 480]> = Vec::new();
        for _ in 0..HISS_S * 100 {
            let frame: [f32; 480] = std::array::from_fn(|_| noise.next_sample() * HISS_PEAK);
            played.extend(decimator.decimate(&frame).map_err(SoundError::from)?);
            waiting.push(frame);
        }
        waiting.reverse();
        let mut frame = [0.0; FRAME_LEN];
        while self.capture.read_frame(&mut frame) {}
        let mut heard = Vec::new();
        let mut idle = 0;
        while heard.len() < (HISS_S + 1) * SAMPLE_RATE && idle < PATIENCE {
            while let Some(frame) = waiting.last() {
                if !play_out.offer(frame).map_err(MicError::Loudspeaker)? {
                    break;
                }
                waiting.pop();
            }
            idle += 1;
            while self.capture.read_frame(&mut frame) {
                heard.extend(frame);
                idle = 0;
            }
            pause(NAP);
        }
        Ok((played, heard))
    }

    /// Records for so long, or until `enough` says so.
    fn record(
        &mut self,
        seconds: usize,
        mut enough: impl FnMut(&[f32; FRAME_LEN]) -> bool,
    ) -> Result<Vec<f32>, MicError> {
        let mut samples = Vec::new();
        let mut frame = [0.0; FRAME_LEN];
        let mut idle = 0;
        while samples.len() < seconds * SAMPLE_RATE {
            if self.capture.read_frame(&mut frame) {
                samples.extend(frame);
                idle = 0;
                if enough(&frame) {
                    break;
                }
                continue;
            }
            idle += 1;
            if idle > PATIENCE || self.capture.failed().is_some() {
                return Err(MicError::MicrophoneSilent { name: self.capture.name().to_owned() });
            }
            pause(NAP);
        }
        Ok(samples)
    }

    /// Throws away what was heard until now.
    fn drain(&mut self) {
        let mut frame = [0.0; FRAME_LEN];
        while self.capture.read_frame(&mut frame) {}
    }

    /// Prints and says.
    fn say(&mut self, text: &str, out: &mut dyn Write) -> Result<(), MicError> {
        print(out, text, &[])?;
        let Some((play_out, speaker)) = &mut self.mouth else {
            pause(READING);
            return Ok(());
        };
        speaker.say(Utterance { id: SpeechId(0), priority: Priority::Prompt, text: text.to_owned(), alarm: None });
        let mut heard = [0.0; FRAME_LEN];
        while speaker.is_speaking() {
            let mut frame = [0.0; 480];
            speaker.render(&mut frame);
            play_out.play(&frame).map_err(MicError::Loudspeaker)?;
            while self.capture.read_frame(&mut heard) {}
        }
        play_out.drain().map_err(MicError::Loudspeaker)?;
        // What left the queue is still in the device's own buffers, and in the room.
        pause(AFTERWARDS);
        Ok(())
    }
}

/// The lines among everything that can be said at any time, as they are in a run.
fn phrases(lines: &[String], places: &Places) -> Result<Vec<AllowedPhrase>, MicError> {
    let book = crate::setup::prompts::phrasebook(&places.config)?;
    let commands = Command::ALL.iter().flat_map(|&command| book.command(command)).cloned();
    let others = commands.filter(|phrase| !lines.contains(phrase));
    let all = lines.iter().cloned().chain(others);
    let phrase = |(group, text): (u32, String)| AllowedPhrase {
        text,
        class: PhraseClass::Ordinary,
        group,
        while_speaking: false,
        prior: Prior::Allowed,
    };
    Ok((0..).zip(all).map(phrase).collect())
}

fn report(words: &Words, measured: &MicMeasured, out: &mut dyn Write) -> Result<(), MicError> {
    let number = |value: f32| format!("{value:.0}");
    let below = |dbfs: f32| number(-dbfs);
    let text = &words.print;
    let quiet = measured.quiet;
    print(out, &text["noise"], &[("rms", &below(quiet.rms_dbfs)), ("peak", &below(quiet.peak_dbfs))])?;
    match (measured.speech, measured.speech_over_noise_db()) {
        (Some(speech), Some(over)) => {
            let clipped = format!("{:.2}", 100.0 * speech.clipped);
            let blanks = [("rms", below(speech.rms_dbfs)), ("over", number(over)), ("clipped", clipped)];
            print(out, &text["speech"], &blanks.each_ref().map(|(name, value)| (*name, value.as_str())))?;
        }
        _ => print(out, &text["no-speech"], &[])?,
    }
    match measured.echo {
        Some(echo) => {
            print(out, &text["echo"], &[("delay", &number(echo.delay_ms)), ("loss", &number(echo.loss_db))])?;
        }
        None => print(out, &text["no-echo"], &[])?,
    }
    print(out, &text["lost-samples"], &[("lost", &measured.lost.to_string())])?;
    let (right, lines) = measured.understood;
    print(out, &text["understood"], &[("right", &right.to_string()), ("lines", &lines.to_string())])
}

fn key(advice: MicAdvice) -> &'static str {
    match advice {
        MicAdvice::Dead => "dead",
        MicAdvice::Lost => "lost",
        MicAdvice::TurnDown => "turn-down",
        MicAdvice::TurnUp => "turn-up",
        MicAdvice::NobodySpoke => "nobody-spoke",
        MicAdvice::ComeNearer => "come-nearer",
        MicAdvice::SlowLoudspeaker => "slow-loudspeaker",
        MicAdvice::MoveLoudspeaker => "move-loudspeaker",
        MicAdvice::NotUnderstood => "not-understood",
    }
}

/// `text` with the names in braces filled in.
pub(super) fn filled(text: &str, blanks: &[(&str, &str)]) -> String {
    blanks.iter().fold(text.to_owned(), |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
}

fn print(out: &mut dyn Write, text: &str, blanks: &[(&str, &str)]) -> Result<(), MicError> {
    writeln!(out, "{}", filled(text, blanks)).map_err(MicError::Talk)
}

const WORDS: &str = include_str!("../../prompts/phrases/mic.toml");
const MICROPHONE: &str = "microphone";
const QUIET_S: usize = 4;
const LINE_S: usize = 8;
const HISS_S: usize = 1;
/// About -25 dB RMS: heard everywhere in a rig, and no fright.
const HISS_PEAK: f32 = 0.1;
/// A window with at least this probability holds speech.
const SPEAKS: f32 = 0.5;
const NAP: Duration = Duration::from_millis(4);
/// Naps without any sound after which a microphone is dead: two seconds.
const PATIENCE: usize = 500;
/// Where nothing can be said, the time that people take to read a line.
const READING: Duration = Duration::from_secs(2);
const AFTERWARDS: Duration = Duration::from_millis(400);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_advice_and_every_line_has_its_words() {
        let words: Words = toml::from_str(WORDS).unwrap();
        let all = [
            MicAdvice::Dead,
            MicAdvice::Lost,
            MicAdvice::TurnDown,
            MicAdvice::TurnUp,
            MicAdvice::NobodySpoke,
            MicAdvice::ComeNearer,
            MicAdvice::SlowLoudspeaker,
            MicAdvice::MoveLoudspeaker,
            MicAdvice::NotUnderstood,
        ];
        assert_eq!(words.advice.len(), all.len());
        assert!(all.into_iter().all(|advice| words.advice.contains_key(key(advice))));
        let used = include_str!("mic_command.rs");
        for name in words.print.keys().chain(words.say.keys()) {
            assert!(used.matches(&format!("\"{name}\"")).count() > 0, "{name} is printed nowhere");
        }
        assert!(words.lines.iter().all(|line| line.contains(' ')), "one word is too little to go by");
    }
}
