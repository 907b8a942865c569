//! What a phrase or a key does. Nothing here speaks of an answer as taken: that waits for the record.

use super::core::Engine;
use super::event::{Event, HeardAs};
use super::input::{Certainty, Key, PhraseHeard};
use super::output::{Output, PhraseClass, Priority, VoiceSettings};
use super::phrasebook::{Command, Line, Reason};
use super::vocabulary::{Asking, Meaning};
use crate::routine::{Answer, StepIndex};

impl Engine {
    pub(super) fn phrase_heard(&mut self, heard: PhraseHeard) {
        // A phrase from an older set answers an older question: only what means the same at any time is taken from it.
        let found = self.entries.iter().find(|entry| entry.phrase.text == heard.text).cloned();
        let Some(entry) = found else { return };
        if heard.set != self.set && !matches!(entry.meaning, Meaning::Command(_)) {
            return;
        }
        self.last_heard = heard.text.clone();
        self.unclear_streak = 0;
        let how = HeardAs::Voice { phrase: heard.text.clone(), score: heard.score, margin: heard.margin };
        let confirms = matches!(self.asking, Asking::Thin { .. } | Asking::EndRun) && entry.meaning == Meaning::Yes;
        let said_again = matches!(&self.asking, Asking::Thin { meaning, .. } if *meaning == entry.meaning);
        let thin = heard.certainty == Certainty::Thin;
        if said_again {
            // Asked whether it was heard right, they say it once more: as good as a yes (words twice).
            self.mean(Meaning::Yes, how);
        } else if thin && (confirms || entry.phrase.class == PhraseClass::Critical) {
            self.ask_about(entry.meaning, how, &heard.text);
        } else {
            self.mean(entry.meaning, how);
        }
    }

    /// A thin hearing of something that matters is asked about. A thin "yes" to such a question is no yes: it is asked again.
    fn ask_about(&mut self, meaning: Meaning, heard: HeardAs, phrase: &str) {
        self.send(Output::Hush(Priority::Caution));
        match (&meaning, &self.asking) {
            (Meaning::Yes, Asking::Thin { .. } | Asking::EndRun) => {
                let again = self.last_useful.clone();
                self.question += 1;
                self.say(Priority::Prompt, again);
            }
            _ => {
                self.asking = Asking::Thin { meaning, heard };
                self.question += 1;
                let text = self.book.line(Line::AskThin, &[("phrase", phrase)]);
                self.say_useful(Priority::Prompt, text);
            }
        }
    }

    pub(super) fn key_pressed(&mut self, key: Key) {
        if key == Key::Confirm {
            // A key held down repeats: it must not run through the steps that follow.
            let held = self.last_confirm.is_some_and(|at| self.now.since(at) < KEY_REPEATS);
            self.last_confirm = Some(self.now);
            if held {
                return;
            }
        }
        let step = self.state.current;
        let answer = step.map(|step| self.routine.steps[step].answer.clone());
        let running = step.is_some_and(|step| self.state.clocks.contains_key(&step));
        let clock_over = self.state.hazard(&self.routine).map(Meaning::ClockEnd);
        let meaning = match key {
            Key::Confirm if self.state.standing_by => match clock_over {
                // With a hazard running the one key that confirms must not do anything less urgent than ending it.
                Some(end) if running => Some(end),
                _ => Some(Meaning::Command(Command::GoAhead)),
            },
            Key::Confirm => match (&self.asking, &answer, step) {
                (Asking::Thin { .. } | Asking::EndRun, ..) => Some(Meaning::Yes),
                (Asking::SkipReason, ..) => None,
                (_, Some(Answer::Done { also }), _) => {
                    Some(Meaning::Wanted(also.first().cloned().unwrap_or_else(|| self.done_word())))
                }
                (_, Some(Answer::State(state)), _) => Some(Meaning::Wanted(state.want[0].clone())),
                (_, Some(Answer::Clock(clock)), Some(step)) => match (running, clock.hazard()) {
                    (true, true) => Some(Meaning::ClockEnd(step)),
                    (true, false) => None,
                    (false, _) => Some(Meaning::ClockStart(step)),
                },
                (_, Some(Answer::YesNo(_)), _) => Some(Meaning::Yes),
                _ => None,
            },
            Key::Other => match (&self.asking, &answer) {
                (Asking::Thin { .. } | Asking::EndRun, _) => Some(Meaning::No),
                (Asking::SkipReason, _) => Some(Meaning::Command(Command::NeverMind)),
                (_, Some(Answer::State(state))) => Some(Meaning::Other(state.other[0].clone())),
                (_, Some(Answer::YesNo(_))) => Some(Meaning::No),
                _ => None,
            },
            Key::ClockOver => clock_over,
            Key::Choice(n) if self.asking == Asking::SkipReason => {
                Reason::ALL.get(usize::from(n).wrapping_sub(1)).map(|&reason| Meaning::Reason(reason))
            }
            Key::Choice(_) => None,
            Key::SayAgain => Some(Meaning::Command(Command::SayAgain)),
            Key::Explain => Some(Meaning::Command(Command::Explain)),
            Key::HowLong => Some(Meaning::Command(Command::HowLong)),
            Key::WhatIsLeft => Some(Meaning::Command(Command::WhatIsLeft)),
            Key::WhereAreWe => Some(Meaning::Command(Command::WhereAreWe)),
            Key::WhatCanISay => Some(Meaning::Command(Command::WhatCanISay)),
            Key::StandBy => Some(Meaning::Command(Command::StandBy)),
            Key::GoAhead => Some(Meaning::Command(Command::GoAhead)),
            Key::NotYet => Some(Meaning::Command(Command::NotYet)),
            Key::Correction => Some(Meaning::Command(Command::Correction)),
            Key::Skip => Some(Meaning::Command(Command::Skip)),
            Key::Stop => Some(Meaning::Command(Command::Stop)),
            Key::EndRun => Some(Meaning::Command(Command::EndRun)),
            Key::Louder => Some(Meaning::Command(Command::Louder)),
            Key::Quieter => Some(Meaning::Command(Command::Quieter)),
            Key::Slower => Some(Meaning::Command(Command::Slower)),
            Key::Faster => Some(Meaning::Command(Command::Faster)),
        };
        if let Some(meaning) = meaning {
            self.unclear_streak = 0;
            self.mean(meaning, HeardAs::Key);
        }
    }

    fn mean(&mut self, meaning: Meaning, heard: HeardAs) {
        self.remind_at = None;
        if let Meaning::Command(command) = meaning {
            return self.obey(command);
        }
        self.send(Output::Hush(Priority::Caution));
        match (meaning, self.asking.clone()) {
            (Meaning::Yes, Asking::Thin { meaning, heard: first }) => {
                self.asking = Asking::Step;
                let confirmed = match first {
                    HeardAs::Voice { phrase, score, margin } => HeardAs::VoiceConfirmed { phrase, score, margin },
                    other => other,
                };
                self.mean(meaning, confirmed);
            }
            (Meaning::No, Asking::Thin { .. }) => self.back_to_step(Line::ThinDenied),
            (Meaning::Yes, Asking::EndRun) => self.commit(Event::RunAbandoned),
            (Meaning::No, Asking::EndRun) => self.back_to_step(Line::WentOn),
            (Meaning::Yes | Meaning::No, Asking::SkipReason) => {}
            (Meaning::Yes, Asking::Step) => self.yes(heard),
            (Meaning::No, Asking::Step) => self.no(heard),
            (Meaning::Wanted(answer), _) => {
                if let Some(step) = self.state.current {
                    self.asking = Asking::Step;
                    self.commit(Event::StepAnswered { step: self.step_id(step), answer, heard });
                }
            }
            (Meaning::Other(answer), _) => {
                if let Some(step) = self.state.current {
                    self.asking = Asking::Step;
                    self.commit(Event::OtherStateHeard { step: self.step_id(step), answer, heard });
                }
            }
            (Meaning::NoState, _) => self.ask_for_the_state(),
            (Meaning::ClockStart(step), _) => self.start_clock(step, heard),
            (Meaning::ClockEnd(step), _) => {
                self.asking = Asking::Step;
                if self.state.clocks.contains_key(&step) {
                    self.end_clock(step, heard);
                } else if let Answer::Clock(clock) = &self.routine.steps[step].answer {
                    let text = self.book.line(Line::ClockStartFirst, &[("start", &clock.start[0])]);
                    self.say_useful(Priority::Prompt, text);
                }
            }
            (Meaning::Reason(reason), _) => self.skip_because(reason),
            (Meaning::Command(_), _) => {}
        }
    }

    fn yes(&mut self, heard: HeardAs) {
        if let Some(step) = self.state.current {
            let answer = self.book.common(super::phrasebook::Common::Yes)[0].clone();
            self.commit(Event::StepAnswered { step: self.step_id(step), answer, heard });
        }
    }

    fn no(&mut self, heard: HeardAs) {
        let Some(step) = self.state.current else {
            return;
        };
        let Answer::YesNo(question) = self.routine.steps[step].answer.clone() else {
            return;
        };
        let Some(question) = question.back else {
            let answer = self.book.common(super::phrasebook::Common::No)[0].clone();
            let step = self.step_id(step);
            return if question.no_reply.is_empty() {
                self.commit(Event::StepAnswered { step, answer, heard });
            } else {
                self.commit(Event::OtherStateHeard { step, answer, heard });
            };
        };
        let round = self.state.rounds.get(&step).copied().unwrap_or(0) + 1;
        let id = self.step_id(step);
        if round >= question.most {
            self.commit(Event::LoopLimitReached { step: id, round, heard });
        } else {
            let back_to = self.step_id(question.back_to);
            self.commit(Event::LoopedBack { step: id, back_to, round, heard });
        }
    }

    fn start_clock(&mut self, step: StepIndex, heard: HeardAs) {
        self.asking = Asking::Step;
        if let Some(clock) = self.state.clocks.get(&step).copied() {
            return self.say_clock(step, &clock);
        }
        if let Answer::Clock(clock) = &self.routine.steps[step].answer {
            let length_ms = u64::try_from(clock.length.as_millis()).unwrap_or(u64::MAX);
            self.commit(Event::ClockStarted { step: self.step_id(step), length_ms, heard });
        }
    }

    fn skip_because(&mut self, reason: Reason) {
        self.asking = Asking::Step;
        let Some(step) = self.state.current else {
            return;
        };
        let id = self.step_id(step);
        if reason != Reason::Later {
            let reason = self.book.reason(reason)[0].clone();
            return self.commit(Event::StepSkipped { step: id, reason });
        }
        let others = self.state.open(&self.routine).filter(|&other| other != step).count();
        if others > 0 {
            self.commit(Event::StepDeferred { step: id });
        } else {
            let open = self.state.open(&self.routine).map(|open| self.step_id(open)).collect();
            self.commit(Event::GateHeld { open });
        }
    }

    fn obey(&mut self, command: Command) {
        if !matches!(command, Command::Louder | Command::Quieter | Command::Slower | Command::Faster) {
            self.send(Output::Hush(Priority::Caution));
        }
        match command {
            Command::SayAgain => self.say_again(),
            Command::Explain => self.explain(),
            Command::HowLong => self.say_how_long(),
            Command::WhatIsLeft => self.say_what_is_left(),
            Command::WhereAreWe => self.say_where(),
            Command::WhatCanISay => self.say_what_can_be_said(),
            Command::StandBy => {
                self.asking = Asking::Step;
                self.reply = Some(self.standing_by_text());
                self.commit(Event::StandingBy);
            }
            Command::Stop => {
                self.asking = Asking::Step;
                self.reply = Some(self.book.line(Line::Held, &[]));
                self.commit(Event::StandingBy);
            }
            Command::GoAhead => {
                self.asking = Asking::Step;
                self.commit(Event::WentAhead);
            }
            Command::NotYet => {
                self.say(Priority::Chat, self.book.line(Line::NotYet, &[]));
                self.reminded = false;
                self.arm_reminder();
            }
            Command::Correction => self.correct(),
            Command::Skip => self.ask_why_skip(),
            Command::EndRun => self.ask_end(),
            Command::NeverMind => self.back_to_step(Line::WentOn),
            Command::Louder => self.change_voice(0.0, VOLUME_STEP_DB, Line::Louder),
            Command::Quieter => self.change_voice(0.0, -VOLUME_STEP_DB, Line::Quieter),
            Command::Slower => self.change_voice(-SPEED_STEP, 0.0, Line::Slower),
            Command::Faster => self.change_voice(SPEED_STEP, 0.0, Line::Faster),
        }
    }

    /// Reopens the last settled step with all that hung on it. A clock that was ended by mistake runs again from its old
    /// start; one that runs is ended by its own words only.
    fn correct(&mut self) {
        self.asking = Asking::Step;
        if let Some(step) = self.state.clocks.keys().next().copied()
            && let Answer::Clock(clock) = &self.routine.steps[step].answer
            && clock.hazard()
            && self.state.trail.last().is_none_or(|last| self.routine.steps[last.step()].during != Some(step))
        {
            let text = self.book.line(Line::CorrectionClock, &[("name", &clock.name), ("end", &clock.end[0])]);
            self.say_useful(Priority::Prompt, text);
            return;
        }
        if let Some(before) = &self.state.before_loop {
            let step = self.step_id(before.question);
            return self.commit(Event::LoopUndone { step });
        }
        let Some(last) = self.state.trail.last().cloned() else {
            self.say_line(Priority::Prompt, Line::NothingToCorrect);
            return;
        };
        let step = last.step();
        let hazard = matches!(&self.routine.steps[step].answer, Answer::Clock(clock) if clock.hazard());
        if hazard && matches!(last, super::state::Settled::Clock(..)) {
            return self.commit(Event::ClockReinstated { step: self.step_id(step) });
        }
        let mut steps = vec![step];
        steps.extend(self.state.hangs_on(&self.routine, step));
        let steps = steps.into_iter().map(|step| self.step_id(step)).collect();
        self.commit(Event::StepsReopened { steps, because: "correction".to_owned() });
    }

    fn ask_why_skip(&mut self) {
        let Some(step) = self.state.current else {
            return;
        };
        if self.state.standing_by {
            self.say_line(Priority::Prompt, Line::Standing);
            return;
        }
        if self.routine.steps[step].critical || self.state.clocks.contains_key(&step) {
            let text = self.book.line(Line::SkipRefused, &[("call", &self.call_of(step))]);
            self.say_useful(Priority::Caution, text);
            return;
        }
        self.asking = Asking::SkipReason;
        self.question += 1;
        let text = self.book.line(Line::SkipWhy, &[]);
        self.say_useful(Priority::Prompt, text);
    }

    fn ask_end(&mut self) {
        if let Some(step) = self.state.hazard(&self.routine)
            && let Answer::Clock(clock) = &self.routine.steps[step].answer
        {
            let text = self.book.line(Line::ClockFirst, &[("name", &clock.name), ("end", &clock.end[0])]);
            self.say_useful(Priority::Caution, text);
            return;
        }
        self.asking = Asking::EndRun;
        self.question += 1;
        let text =
            self.book.line(Line::EndSure, &[("count", &self.steps_text(self.state.open(&self.routine).count()))]);
        self.say_useful(Priority::Prompt, text);
    }

    fn back_to_step(&mut self, line: Line) {
        self.asking = Asking::Step;
        self.question += 1;
        let call = self.state.current.map(|step| self.call_of(step)).unwrap_or_default();
        let text = self.book.line(line, &[("call", &call)]);
        self.say_prompt(text);
    }

    fn change_voice(&mut self, speed: f32, volume_db: f32, line: Line) {
        let old = self.state.voice;
        let new = VoiceSettings {
            // Rounded, or ten steps of a tenth would not come back to where they began.
            speed: ((old.speed + speed) * 10.0).round().clamp(SLOWEST, FASTEST) / 10.0,
            volume_db: (old.volume_db + volume_db).clamp(QUIETEST_DB, LOUDEST_DB),
        };
        let line = if new == old { Line::VoiceLimit } else { line };
        self.reply = Some(self.book.line(line, &[]));
        self.commit(Event::VoiceChanged { speed: new.speed, volume_db: new.volume_db });
    }
}

/// Keyboards repeat after a quarter to three quarters of a second.
const KEY_REPEATS: std::time::Duration = std::time::Duration::from_millis(800);
const VOLUME_STEP_DB: f32 = 3.0;
const SPEED_STEP: f32 = 0.1;
/// Tenths of the usual pace.
const SLOWEST: f32 = 6.0;
const FASTEST: f32 = 15.0;
const QUIETEST_DB: f32 = -18.0;
const LOUDEST_DB: f32 = 6.0;
