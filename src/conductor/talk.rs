//! The talk of a run as lines: who said what, when, and how sure the ear was. Printed as it happens and kept in a file.

use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use crate::engine::event::Event;
use crate::engine::input::{Certainty, PhraseHeard};
use crate::engine::output::Utterance;
use crate::hear::ear::Unclear;
use crate::speech::decide::Reason;
use crate::units::SessionTime;

/// Where the talk goes. Every line is flushed: what was said must be there even when the program is killed. A file that cannot be written to any
/// more (the disk is full, the stick was pulled, nobody reads what is printed) is given up, and the run goes on: its clocks are to ring.
pub struct Talk {
    file: Option<File>,
    prints: bool,
}

impl Talk {
    /// Talk that is printed, and appended to `file` if there is one.
    ///
    /// # Errors
    /// The file cannot be opened for appending.
    pub fn new(file: Option<&Path>, prints: bool) -> io::Result<Self> {
        let file = file.map(|path| File::options().create(true).append(true).open(path)).transpose()?;
        Ok(Self { file, prints })
    }

    /// The same for a run: it is held without the file where that cannot be opened.
    pub fn of_run(file: &Path, prints: bool) -> Self {
        Self::new(Some(file), prints).unwrap_or_else(|error| {
            tracing::warn!(file = %file.display(), %error, "the talk is not kept");
            Self { file: None, prints }
        })
    }

    /// The program begins to say something.
    pub fn says(&mut self, now: SessionTime, utterance: &Utterance) -> io::Result<()> {
        let alarm = if utterance.alarm.is_some() { " (alarm)" } else { "" };
        self.line(&format!("[{now}] program{alarm}: {}", utterance.text))
    }

    /// The simulated person begins to say something.
    pub fn person(&mut self, now: SessionTime, text: &str) -> io::Result<()> {
        self.line(&format!("[{now}] person: {text}"))
    }

    pub fn heard(&mut self, now: SessionTime, heard: &PhraseHeard) -> io::Result<()> {
        let thin = match heard.certainty {
            Certainty::Sure => "",
            Certainty::Thin => ", thin",
            Certainty::Doubtful => ", doubtful",
        };
        let (score, margin) = (heard.score, heard.margin);
        self.line(&format!("[{now}] heard: {} (score {score:.1}, margin {margin:.1}{thin})", heard.text))
    }

    pub fn unclear(&mut self, now: SessionTime, unclear: &Unclear) -> io::Result<()> {
        let best = unclear.best.as_deref().unwrap_or("nothing");
        let (score, margin) = (unclear.score, unclear.margin);
        let reason = unclear.reason;
        self.line(&format!("[{now}] unclear: nearest was {best} (score {score:.1}, margin {margin:.1}; {reason})"))
    }

    /// Something that is nobody's answer, where it was like a phrase.
    pub fn refused(&mut self, now: SessionTime, best: Option<&str>, reason: Reason) -> io::Result<()> {
        best.map_or(Ok(()), |best| self.line(&format!("[{now}] refused: {best}, {reason}")))
    }

    pub fn key(&mut self, now: SessionTime, key: &str) -> io::Result<()> {
        self.line(&format!("[{now}] key: {key}"))
    }

    /// What was written down, where it is worth a line.
    pub fn written(&mut self, now: SessionTime, event: &Event, kept: bool) -> io::Result<()> {
        if !kept {
            return self.line(&format!("[{now}] NOT written down: {event:?}"));
        }
        match event.inner() {
            Event::StepOffered { step } => self.line(&format!("[{now}] step: {step}")),
            Event::StepAnswered { step, answer, .. } => self.line(&format!("[{now}] kept: {step} = {answer}")),
            Event::ClockStarted { step, length_ms, .. } => {
                self.line(&format!("[{now}] kept: clock of {step} runs, {} s", length_ms / 1_000))
            }
            Event::ClockRanOut { step } => self.line(&format!("[{now}] kept: clock of {step} ran out")),
            Event::ClockEnded { step, ran_ms, .. } => {
                self.line(&format!("[{now}] kept: clock of {step} ended after {} s", ran_ms / 1_000))
            }
            Event::StepSkipped { step, reason } => self.line(&format!("[{now}] kept: {step} skipped, {reason}")),
            Event::StepsReopened { steps, .. } => self.line(&format!("[{now}] kept: open again: {}", steps.join(", "))),
            _ => Ok(()),
        }
    }

    /// A line about the run itself.
    pub fn note(&mut self, text: &str) -> io::Result<()> {
        self.line(text)
    }

    fn line(&mut self, text: &str) -> io::Result<()> {
        if self.prints {
            let mut out = io::stdout().lock();
            if let Err(error) = writeln!(out, "{text}").and_then(|()| out.flush()) {
                tracing::warn!(%error, "the talk is printed no longer");
                self.prints = false;
            }
        }
        if let Some(file) = &mut self.file
            && let Err(error) = writeln!(file, "{text}").and_then(|()| file.flush())
        {
            tracing::warn!(%error, "the talk is kept in its file no longer");
            self.file = None;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `/dev/full` opens as any file and takes nothing: what a full disk does.
    #[test]
    fn a_disk_that_is_full_does_not_end_the_run() {
        let mut talk = Talk::new(Some(Path::new("/dev/full")), false).unwrap();
        talk.note("the first line").unwrap();
        talk.note("and another").unwrap();
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("talk.txt");
        Talk::of_run(&file, false).note("kept").unwrap();
        assert_eq!(std::fs::read_to_string(file).unwrap(), "kept\n");
        Talk::of_run(&folder.path().join("no such folder/talk.txt"), false).note("not kept").unwrap();
    }
}
