//! The talk of a run as lines: who said what, when, and how sure the ear was. Printed as it happens and kept in a file.

use std::fmt;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use crate::conductor::fault::{DeviceNews, DeviceSide, Worker, WorkerNews};
use crate::decide::Reason;
use crate::engine::event::Event;
use crate::engine::input::{Certainty, Key, PhraseHeard};
use crate::engine::output::{SpeechId, Utterance};
use crate::hear::ear::Unclear;
use crate::server::protocol::Button;
use crate::station::LinkState;
use crate::units::{SessionTime, StationId};

/// One thing that happened in the talk.
#[derive(Clone, Debug)]
pub enum TalkLine {
    /// The program begins to say something.
    Says {
        /// When.
        at: SessionTime,
        /// Where.
        station: StationId,
        /// What is said.
        utterance: Utterance,
    },
    /// The simulated person begins to say something.
    Person {
        /// When.
        at: SessionTime,
        /// What was said.
        text: String,
    },
    /// The sound of the run is kept no longer.
    SoundNotKept {
        /// When.
        at: SessionTime,
        /// Why.
        why: String,
    },
    /// A phrase counts.
    Heard {
        /// When.
        at: SessionTime,
        /// Where.
        station: StationId,
        /// What, and how surely.
        heard: PhraseHeard,
    },
    /// Somebody spoke, and nothing fits.
    Unclear {
        /// When.
        at: SessionTime,
        /// What came nearest, and why it does not count.
        unclear: Unclear,
    },
    /// Something was recognised, and does not count.
    Refused {
        /// When.
        at: SessionTime,
        /// What came nearest, and why it does not count.
        refused: Unclear,
    },
    /// The microphone gives samples that are no numbers.
    UnusableSamples {
        /// When.
        at: SessionTime,
    },
    /// A phrase was recognised surely enough, and does not count, for whose voice it was.
    Dropped {
        /// When.
        at: SessionTime,
        /// What, and how surely.
        heard: PhraseHeard,
        /// Why.
        reason: Reason,
    },
    /// A key was pressed.
    Key {
        /// When.
        at: SessionTime,
        /// Which.
        key: Key,
    },
    /// What is shown where there is no terminal to show it on.
    Shown(String),
    /// A button was pressed to a question that is asked no more.
    Stale {
        /// When.
        at: SessionTime,
        /// What it stood for.
        button: Button,
    },
    /// A station beside the rig's joined or went.
    Station {
        /// When.
        at: SessionTime,
        /// Which.
        id: StationId,
        /// Whether it is there.
        link: LinkState,
        /// Whose own it is.
        people: Vec<String>,
    },
    /// An event is on record.
    Written {
        /// When.
        at: SessionTime,
        /// What happened.
        event: Event,
    },
    /// The journal did not take an event; why.
    NotWritten {
        /// When.
        at: SessionTime,
        /// What happened.
        event: Event,
        /// Why.
        why: String,
    },
    /// A note was spoken.
    Note {
        /// When.
        at: SessionTime,
        /// What was said.
        text: String,
        /// Why its sound is not kept, where it is not.
        fault: Option<String>,
    },
    /// A device of a station went or came back.
    Device {
        /// When.
        at: SessionTime,
        /// Which.
        device: DeviceSide,
        /// What became of it.
        what: DeviceNews,
    },
    /// A worker that stations share did.
    Worker {
        /// When.
        at: SessionTime,
        /// Which.
        worker: Worker,
        /// What became of it.
        what: WorkerNews,
    },
    /// There is no plan, or none any more.
    NoPlan {
        /// When.
        at: SessionTime,
        /// Why.
        why: String,
    },
    /// A prompt is said once more because the noise rose.
    Drowned {
        /// When.
        at: SessionTime,
    },
    /// A sentence could not be said.
    Unspoken {
        /// When.
        at: SessionTime,
        /// Of which utterance.
        speech: SpeechId,
        /// Why.
        why: String,
    },
    /// The terminal went away.
    ScreenLost {
        /// When.
        at: SessionTime,
        /// Why.
        why: String,
    },
}

impl TalkLine {
    /// Whether it is worth a line: of what is written down only the steps, answers and clocks are.
    fn is_worth_a_line(&self) -> bool {
        let Self::Written { event, .. } = self else { return true };
        matches!(
            event.inner(),
            Event::StepOffered { .. }
                | Event::StretchOffered { .. }
                | Event::ThingTold { .. }
                | Event::NotHere { .. }
                | Event::StepAnswered { .. }
                | Event::ClockStarted { .. }
                | Event::ClockRanOut { .. }
                | Event::ClockEnded { .. }
                | Event::StepSkipped { .. }
                | Event::StepsReopened { .. }
        )
    }
}

impl fmt::Display for TalkLine {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Says { at, station, utterance } => {
                let alarm = if utterance.alarm.is_some() { " (alarm)" } else { "" };
                write!(out, "[{at}] program{alarm}{}: {}", place(*station), utterance.text)
            }
            Self::Person { at, text } => write!(out, "[{at}] person: {text}"),
            Self::Heard { at, station, heard } => {
                let thin = match heard.certainty {
                    Certainty::Sure => "",
                    Certainty::Thin => ", thin",
                    Certainty::Doubtful => ", doubtful",
                };
                let (score, margin) = (heard.score, heard.margin);
                let place = place(*station);
                write!(out, "[{at}] heard{place}: {} (score {score:.1}, margin {margin:.1}{thin})", heard.text)
            }
            Self::Unclear { at, unclear } => {
                let best = unclear.best.as_deref().unwrap_or("nothing");
                let (score, margin, reason) = (unclear.score, unclear.margin, &unclear.reason);
                write!(
                    out,
                    "[{at}] unclear: nearest was {best} (score {score:.1}, margin {margin:.1}); refused: {reason}"
                )
            }
            Self::Refused { at, refused } => {
                let best = refused.best.as_deref().unwrap_or("nothing");
                write!(out, "[{at}] refused: {best}: {}", refused.reason)
            }
            Self::UnusableSamples { at } => {
                write!(out, "[{at}] microphone: it gives samples that are no numbers; silence is heard in their place")
            }
            Self::Dropped { at, heard, reason } => write!(out, "[{at}] refused: {}: {reason}", heard.text),
            Self::Key { at, key } => write!(out, "[{at}] key: {key:?}"),
            Self::Shown(line) => write!(out, "{line}"),
            Self::Stale { at, button } => write!(out, "[{at}] button: {button:?}, to a question that is asked no more"),
            Self::Station { at, id: StationId(id), link: LinkState::Works, people } => {
                write!(out, "[{at}] station {id} joined: {}", people.join(", "))
            }
            Self::Station { at, id: StationId(id), link: LinkState::Lost, .. } => {
                write!(out, "[{at}] station {id} is away")
            }
            Self::Written { at, event } => written(out, *at, event),
            Self::NotWritten { at, event, why } => write!(out, "[{at}] NOT written down ({why}): {event:?}"),
            Self::Note { at, text, fault: None } => write!(out, "[{at}] note: {text}"),
            Self::Note { at, text, fault: Some(fault) } => {
                write!(out, "[{at}] the sound of the note could not be kept: {fault}\n[{at}] note: {text}")
            }
            Self::Device { at, device, what } => device_told(out, *at, *device, what),
            Self::Worker { at, worker, what } => worker_told(out, *at, *worker, what),
            Self::NoPlan { at, why } => write!(out, "[{at}] no plan: {why}"),
            Self::Drowned { at } => write!(out, "[{at}] said again: the noise rose"),
            Self::Unspoken { at, speech, why } => write!(out, "[{at}] could not be spoken ({speech:?}): {why}"),
            Self::SoundNotKept { at, why } => write!(out, "[{at}] the sound is kept no longer: {why}"),
            Self::ScreenLost { at, why } => write!(out, "[{at}] screen lost: {why}"),
        }
    }
}

fn device_told(out: &mut fmt::Formatter<'_>, at: SessionTime, device: DeviceSide, what: &DeviceNews) -> fmt::Result {
    let device = match device {
        DeviceSide::Microphone => "microphone",
        DeviceSide::Loudspeaker => "loudspeaker",
    };
    match what {
        DeviceNews::Lost(why) => write!(out, "[{at}] {device} lost: {why}"),
        DeviceNews::Back => write!(out, "[{at}] {device} back"),
        DeviceNews::Overrun(samples) => write!(out, "[{at}] {device}: {samples} samples were lost"),
    }
}

fn worker_told(out: &mut fmt::Formatter<'_>, at: SessionTime, worker: Worker, what: &WorkerNews) -> fmt::Result {
    let worker = match worker {
        Worker::Recogniser => "recogniser",
        Worker::Synthesiser => "synthesiser",
        Worker::Journal => "journal",
    };
    match what {
        WorkerNews::Lost(why) => write!(out, "[{at}] {worker} lost: {why}"),
        WorkerNews::Back => write!(out, "[{at}] {worker} back"),
        WorkerNews::CannotHear(why) => write!(out, "[{at}] {worker}: a phrase cannot be heard: {why}"),
        WorkerNews::AnswerLost(StationId(station)) => {
            write!(out, "[{at}] {worker}: an answer did not get through to station {station}")
        }
        WorkerNews::Overloaded(looks) => write!(out, "[{at}] {worker} overloaded: {looks} looks dropped"),
    }
}

/// Where it was, unless at the rig's own station.
fn place(station: StationId) -> String {
    if station == StationId::RIG { String::new() } else { format!(" at station {}", station.0) }
}

fn written(out: &mut fmt::Formatter<'_>, at: SessionTime, event: &Event) -> fmt::Result {
    match event.inner() {
        Event::StepOffered { step } => write!(out, "[{at}] step: {step}"),
        Event::StretchOffered { steps } => write!(out, "[{at}] steps: {}", steps.join(", ")),
        Event::ThingTold { thing, stands, .. } => write!(out, "[{at}] kept: {thing} is {stands:?}"),
        Event::NotHere { step, answer, .. } => write!(out, "[{at}] kept: {step} = {answer}"),
        Event::StepAnswered { step, answer, .. } => write!(out, "[{at}] kept: {step} = {answer}"),
        Event::ClockStarted { step, length_ms, .. } => {
            write!(out, "[{at}] kept: clock of {step} runs, {} s", length_ms / 1_000)
        }
        Event::ClockRanOut { step } => write!(out, "[{at}] kept: clock of {step} ran out"),
        Event::ClockEnded { step, ran_ms, .. } => {
            write!(out, "[{at}] kept: clock of {step} ended after {} s", ran_ms / 1_000)
        }
        Event::StepSkipped { step, reason } => write!(out, "[{at}] kept: {step} skipped, {reason}"),
        Event::StepsReopened { steps, .. } => write!(out, "[{at}] kept: open again: {}", steps.join(", ")),
        other => write!(out, "[{at}] kept: {other:?}"),
    }
}

/// Where the talk goes. Every line is flushed: what was said must be there even when the program is killed. A file that cannot be written to any
/// more (the disk is full, the stick was pulled, nobody reads what is printed) is given up, and the run goes on: its clocks are to ring.
pub struct Talk {
    file: Option<File>,
    prints: Printing,
}

/// Whether the talk is printed as well as kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Printing {
    /// It is.
    Printed,
    /// It is not.
    Silent,
}

impl Talk {
    /// Talk that goes to the standard output or not, and is appended to `file` if there is one.
    ///
    /// # Errors
    /// The file cannot be opened for appending.
    pub fn new(file: Option<&Path>, prints: Printing) -> io::Result<Self> {
        let file = file.map(|path| File::options().create(true).append(true).open(path)).transpose()?;
        Ok(Self { file, prints })
    }

    /// The same for a run: it is held without the file where that cannot be opened.
    pub fn of_run(file: &Path, prints: Printing) -> Self {
        Self::new(Some(file), prints).unwrap_or_else(|error| {
            tracing::warn!(file = %file.display(), %error, "the talk is not kept");
            Self { file: None, prints }
        })
    }

    /// Takes one line.
    pub fn take(&mut self, line: &TalkLine) {
        if !line.is_worth_a_line() {
            return;
        }
        let text = line.to_string();
        if self.prints == Printing::Printed {
            let mut out = io::stdout().lock();
            if let Err(error) = writeln!(out, "{text}").and_then(|()| out.flush()) {
                tracing::warn!(%error, "the talk is printed no longer");
                self.prints = Printing::Silent;
            }
        }
        // An invitation is a secret for as long as it is good: it is shown and not kept.
        if let Some(file) = &mut self.file
            && !matches!(line, TalkLine::Shown(_))
            && let Err(error) = writeln!(file, "{text}").and_then(|()| file.flush())
        {
            tracing::warn!(%error, "the talk is kept in its file no longer");
            self.file = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(text: &str) -> TalkLine {
        TalkLine::Person { at: SessionTime::ZERO, text: text.to_owned() }
    }

    /// `/dev/full` opens as any file and takes nothing: what a full disk does.
    #[test]
    fn a_disk_that_is_full_does_not_end_the_run() {
        let mut talk = Talk::new(Some(Path::new("/dev/full")), Printing::Silent).unwrap();
        talk.take(&line("the first line"));
        talk.take(&line("and another"));
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("talk.txt");
        Talk::of_run(&file, Printing::Silent).take(&line("kept"));
        assert_eq!(std::fs::read_to_string(file).unwrap(), "[0:00.0] person: kept\n");
        Talk::of_run(&folder.path().join("no such folder/talk.txt"), Printing::Silent).take(&line("not kept"));
    }
}
