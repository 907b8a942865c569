//! What fitted nothing that may be said: how much is made of it.

use std::time::Duration;

use super::super::core::Engine;
use super::super::event::Event;
use super::super::output::Priority;
use super::super::phrasebook::Line;
use super::vocabulary::Asking;
use crate::routine::Answer;

impl Engine {
    pub(in crate::engine) fn speech_unclear(&mut self) {
        // Whatever is said into a note is a note.
        if !matches!(self.talk().asking, Asking::Note { .. }) {
            // What was heard before is not what was said now.
            self.talk_mut().last_heard.clear();
            self.commit(Event::SpeechUnclear);
        }
    }

    /// A missed word costs a "say again"; talk that is not for the program must not cost one each time.
    pub(in crate::engine) fn say_unclear(&mut self) {
        let now = self.now;
        let last = self.talk().unclear.at;
        let quiet = last.is_some_and(|at| now.since(at) < UNCLEAR_PAUSE);
        if last.is_some_and(|at| now.since(at) > UNCLEAR_FORGET) {
            self.talk_mut().unclear.streak = 0;
        }
        // Where nothing is asked nothing needs to be said again.
        let told = self.current().is_some_and(|step| matches!(self.job.step(step).answer, Answer::Told { .. }));
        // Whoever counts aloud what they have been ordered to go on with asks for nothing.
        let told = told || self.order_of(self.focus()).is_some();
        if quiet || told || self.state.standing_by || self.alarms.sounding.is_some() || self.state.muted {
            return;
        }
        let unclear = &mut self.talk_mut().unclear;
        unclear.at = Some(now);
        unclear.streak += 1;
        let streak = unclear.streak;
        let step = self.current().map(|step| &self.job.step(step).answer);
        match (streak, &self.talk().asking) {
            // One short word is what noise hides first: longer ones are told at once.
            (1, Asking::Thin { .. }) => self.say_line(self.here(), Priority::Chat, Line::UnclearRight),
            (1, Asking::Step) if matches!(step, Some(Answer::YesNo(_))) => {
                self.say_line(self.here(), Priority::Chat, Line::UnclearYesNo);
            }
            // Whoever got the short form has not been told what to answer.
            (streak, Asking::Step) if streak < UNCLEAR_HELP && self.has_words_to_answer() => {
                let text = self.book.line(Line::UnclearWords, &[("answers", &self.answers_text())]);
                self.say(self.here(), Priority::Chat, text);
            }
            (streak, _) if streak < UNCLEAR_HELP => self.say_line(self.here(), Priority::Chat, Line::Unclear),
            // An override is for whoever thinks of it, and no way out of noise.
            (UNCLEAR_HELP, Asking::Gate) => self.say_again(),
            (UNCLEAR_HELP, _) => {
                let line = match step {
                    Some(Answer::Number(_)) => Line::UnclearHelpDigits,
                    _ if self.confirm(self.at).is_some() => Line::UnclearHelp,
                    _ => Line::UnclearHelpNumber,
                };
                let text = self.book.line(line, &[("answer", &self.answers_in_all_words())]);
                self.say(self.here(), Priority::Chat, text);
            }
            _ => {}
        }
    }
}

impl Engine {
    /// Whether the step's answer is one of a few phrases that can be told.
    fn has_words_to_answer(&self) -> bool {
        let answer = self.current().map(|step| &self.job.step(step).answer);
        matches!(answer, Some(Answer::State(_) | Answer::Choice(_) | Answer::Both(_) | Answer::Hold(_)))
    }
}

/// Who was asked to say it again answers within three seconds, and is to hear that it was not understood.
const UNCLEAR_PAUSE: Duration = Duration::from_millis(1_500);
const UNCLEAR_FORGET: Duration = Duration::from_secs(60);
const UNCLEAR_HELP: u32 = 2;
