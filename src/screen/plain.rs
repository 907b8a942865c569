//! Plain lines, for where the output is no terminal: a file, a pipe, a screen reader. Each line is written out at once.

use std::io::{self, Write};

use crate::screen::Labels;
use crate::screen::labels::{PlainLabels, fill};
use crate::units::SessionTime;

/// Writes one line per thing that happens: `[m:ss] says: ...`.
#[derive(Debug)]
pub struct PlainLines<W: Write> {
    out: W,
    labels: PlainLabels,
}

impl<W: Write> PlainLines<W> {
    pub fn new(out: W, labels: &Labels) -> Self {
        Self { out, labels: labels.plain.clone() }
    }

    /// Something was said aloud.
    ///
    /// # Errors
    ///
    /// Where the output does not take the line; so for all of these.
    pub fn says(&mut self, at: SessionTime, text: &str) -> io::Result<()> {
        let label = self.labels.says.clone();
        self.line(at, &label, text)
    }

    /// A phrase was heard, with its score and its margin to the runner-up, in nats. An infinite margin means that there was
    /// no runner-up.
    ///
    /// # Errors
    ///
    /// As [`PlainLines::says`].
    pub fn heard(&mut self, at: SessionTime, text: &str, score: f32, margin: f32) -> io::Result<()> {
        let margin = if margin < f32::MAX { format!("{margin:.2}") } else { self.labels.no_runner_up.clone() };
        let numbers = fill(&self.labels.score, &[&format!("{score:.2}"), &margin]);
        let label = self.labels.heard.clone();
        self.line(at, &label, &format!("{text} ({numbers})"))
    }

    /// A clock started, warned, ran out or was ended.
    ///
    /// # Errors
    ///
    /// As [`PlainLines::says`].
    pub fn clock(&mut self, at: SessionTime, text: &str) -> io::Result<()> {
        let label = self.labels.clock.clone();
        self.line(at, &label, text)
    }

    /// The run came to a step, or left it.
    ///
    /// # Errors
    ///
    /// As [`PlainLines::says`].
    pub fn step(&mut self, at: SessionTime, id: &str, text: &str) -> io::Result<()> {
        let label = self.labels.step.clone();
        self.line(at, &label, format!("{id} {text}").trim_end())
    }

    fn line(&mut self, at: SessionTime, label: &str, text: &str) -> io::Result<()> {
        let seconds = at.as_millis() / 1_000;
        // A line break in the text must not look like another line of ours.
        let text = text.replace(char::is_control, " ");
        writeln!(self.out, "[{}:{:02}] {label}: {text}", seconds / 60, seconds % 60)?;
        self.out.flush()
    }
}
