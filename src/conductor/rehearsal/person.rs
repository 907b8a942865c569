//! A simulated person for rehearsals: waits until the program has finished, works as long as the step takes, and answers in a
//! voice of their own. No clock of its own: it is told the time with every frame.

use std::collections::VecDeque;
use std::time::Duration;

use crate::conductor::rehearsal::script::{Script, ScriptTurn, When};
use crate::engine::{Asked, AskedFor};
use crate::units::SessionTime;

/// What a person notices of the program.
pub struct Noticed<'a> {
    /// The time.
    pub now: SessionTime,
    /// What is asked for.
    pub asked: &'a Asked,
    /// The program is speaking or sounding an alarm.
    pub speaking: bool,
    /// How often the program has asked to say it again, in all.
    pub say_agains: u32,
}

/// What the person does next.
#[derive(Clone, Debug, PartialEq)]
pub enum Doing {
    /// In words of their own.
    Say(String),
    /// As the script has it.
    Turn(ScriptTurn),
}

/// A person, by script or by what is asked.
pub struct SimulatedPerson {
    turns: VecDeque<ScriptTurn>,
    named: Vec<String>,
    answers_elsewhere: bool,
    repeats: u32,
    /// Between 0 and 1: how much of a step's usual time the work takes.
    work: f32,
    quiet_since: Option<SessionTime>,
    last_turn: SessionTime,
    speaking_until: SessionTime,
    answered: Option<Answered>,
    due: Option<(SessionTime, u64)>,
    repeating: Option<Repeating>,
}

struct Answered {
    question: u64,
    /// Rings of a clock count as new reasons to answer the same question.
    tries: u32,
}

struct Repeating {
    doing: Doing,
    left: u32,
    say_agains: u32,
}

impl SimulatedPerson {
    /// A person who follows this script, and answers by what is asked where it has nothing.
    pub fn new(script: Script) -> Self {
        let named = script
            .turns
            .iter()
            .filter_map(|turn| match &turn.when {
                When::At(step) => Some(step.clone()),
                When::After(_) => None,
            })
            .collect();
        Self {
            turns: script.turns.into(),
            named,
            answers_elsewhere: script.answers_elsewhere,
            repeats: script.repeats,
            work: script.work,
            quiet_since: None,
            last_turn: SessionTime::ZERO,
            speaking_until: SessionTime::ZERO,
            answered: None,
            due: None,
            repeating: None,
        }
    }

    /// Whether the script has turns that have not been said.
    pub fn has_turns(&self) -> bool {
        !self.turns.is_empty()
    }

    /// Whether they work, and will answer when they have done.
    pub fn is_at_work(&self) -> bool {
        self.due.is_some()
    }

    /// Decides whether to begin to speak now. Call with every frame; then tell [`SimulatedPerson::spoke`] how long it takes.
    pub fn attend(&mut self, noticed: &Noticed<'_>) -> Option<Doing> {
        let now = noticed.now;
        self.quiet_since = if noticed.speaking { None } else { self.quiet_since.or(Some(now)) };
        let quiet_for = self.quiet_since.map_or(Duration::ZERO, |since| now.since(since));
        if now < self.speaking_until {
            return None;
        }
        if let Some(doing) = self.say_it_again(noticed, quiet_for) {
            return Some(doing);
        }
        if let Some(doing) = self.next_turn(noticed, quiet_for) {
            return Some(doing);
        }
        let waiting_for_a_time = matches!(self.turns.front(), Some(ScriptTurn { when: When::After(_), .. }));
        if waiting_for_a_time || !self.answers_elsewhere || self.named.contains(&noticed.asked.step) {
            return None;
        }
        self.answer(noticed, quiet_for)
    }

    /// What was begun is sounding until this long from `now`.
    pub fn spoke(&mut self, now: SessionTime, doing: &Doing, sounding: Duration, noticed: &Noticed<'_>) {
        self.speaking_until = now + sounding;
        self.last_turn = self.speaking_until;
        if let Doing::Turn(_) = doing
            && self.repeating.is_none()
        {
            self.repeating =
                Some(Repeating { doing: doing.clone(), left: self.repeats, say_agains: noticed.say_agains });
        }
    }

    fn say_it_again(&mut self, noticed: &Noticed<'_>, quiet_for: Duration) -> Option<Doing> {
        let repeating = self.repeating.as_mut()?;
        if noticed.say_agains > repeating.say_agains && quiet_for >= REACTION {
            repeating.say_agains = noticed.say_agains;
            if repeating.left > 0 {
                repeating.left -= 1;
                return Some(repeating.doing.clone());
            }
        }
        None
    }

    fn next_turn(&mut self, noticed: &Noticed<'_>, quiet_for: Duration) -> Option<Doing> {
        let due = match &self.turns.front()?.when {
            When::At(step) => *step == noticed.asked.step && quiet_for >= REACTION,
            When::After(span) => noticed.now.since(self.last_turn) >= *span,
        };
        if !due {
            return None;
        }
        self.repeating = None;
        self.turns.pop_front().map(Doing::Turn)
    }

    fn answer(&mut self, noticed: &Noticed<'_>, quiet_for: Duration) -> Option<Doing> {
        let Asked { question, kind, usual, .. } = noticed.asked;
        if self.answered.as_ref().is_none_or(|answered| answered.question != *question) {
            self.answered = Some(Answered { question: *question, tries: 0 });
            self.due = None;
        }
        if noticed.speaking {
            // Alarms leave pauses, and a person speaks into them; everything else is heard out.
            self.due = self.due.filter(|_| matches!(kind, AskedFor::ClockEnd { ringing: true, .. }));
            return None;
        }
        let tries = self.answered.as_ref().map_or(0, |answered| answered.tries);
        if tries > MOST_TRIES {
            return None;
        }
        let text = match kind {
            AskedFor::Answer(answers) => answers.first()?.clone(),
            // The first rinse is never clear.
            AskedFor::YesOrNo { round: 0, no, .. } => no.clone(),
            AskedFor::YesOrNo { yes, .. } => yes.clone(),
            AskedFor::HeardRight { yes, .. } => yes.clone(),
            AskedFor::ClockStart(start) => start.clone(),
            AskedFor::ClockEnd { end: Some(end), ringing: true } => end.clone(),
            AskedFor::ClockEnd { .. } => return None,
            AskedFor::Other(phrases) => phrases.first()?.clone(),
        };
        let works = matches!(kind, AskedFor::Answer(_)) && tries == 0;
        let wait = if works { usual.mul_f32(self.work) } else { Duration::ZERO };
        let wait = if tries == 0 { wait + REACTION } else { PATIENCE };
        let (due, asked) = *self.due.get_or_insert((noticed.now + wait, *question));
        if asked != *question || noticed.now < due || quiet_for < REACTION {
            return None;
        }
        self.due = None;
        if let Some(answered) = &mut self.answered {
            answered.tries += 1;
        }
        Some(Doing::Say(text))
    }
}

/// People answer each other after about 200 ms; to a machine they take a little longer.
const REACTION: Duration = Duration::from_millis(400);
/// After this long without an effect one says it again.
const PATIENCE: Duration = Duration::from_millis(3_500);
const MOST_TRIES: u32 = 8;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conductor::rehearsal::script::Sound;

    fn asked(step: &str, question: u64, kind: AskedFor) -> Asked {
        Asked { step: step.to_owned(), question, kind, usual: Duration::from_secs(10) }
    }

    /// Lets the person attend for so long; gives what they began to say, and when.
    fn attend(
        person: &mut SimulatedPerson,
        asked: &Asked,
        speaking: impl Fn(u64) -> bool,
        span_s: u64,
    ) -> Vec<(u64, Doing)> {
        let mut begun = Vec::new();
        for ms in (0..span_s * 1_000).step_by(10) {
            let now = SessionTime::from_millis(ms);
            let noticed = Noticed { now, asked, speaking: speaking(ms), say_agains: 0 };
            if let Some(doing) = person.attend(&noticed) {
                person.spoke(now, &doing, Duration::from_secs(1), &noticed);
                begun.push((ms, doing));
            }
        }
        begun
    }

    #[test]
    fn the_person_hears_the_program_out_works_and_answers() {
        let asked = asked("gloves", 1, AskedFor::Answer(vec!["gloves on".to_owned()]));
        let mut person = SimulatedPerson::new(Script::none());
        let begun = attend(&mut person, &asked, |ms| ms < 3_000, 14);
        assert_eq!(begun[0], (13_400, Doing::Say("gloves on".to_owned())));
    }

    #[test]
    fn whoever_will_answer_is_at_work_until_then() {
        let asked =
            Asked { usual: Duration::from_secs(600), ..asked("chairs", 1, AskedFor::Answer(vec!["done".to_owned()])) };
        let mut person = SimulatedPerson::new(Script::none());
        assert!(!person.is_at_work());
        assert_eq!(attend(&mut person, &asked, |_| false, 590), []);
        assert!(person.is_at_work(), "for ten minutes");
        let silent = Script { answers_elsewhere: false, ..Script::none() };
        let mut person = SimulatedPerson::new(silent);
        assert_eq!(attend(&mut person, &asked, |_| false, 590), []);
        assert!(!person.is_at_work(), "who has nothing to say only waits");
    }

    #[test]
    fn the_person_says_it_again_when_nothing_comes_of_it() {
        let asked = asked("gloves", 1, AskedFor::Answer(vec!["gloves on".to_owned()]));
        let mut person = SimulatedPerson::new(Script { work: 0.0, ..Script::none() });
        assert!(attend(&mut person, &asked, |_| false, 20).len() >= 3);
    }

    #[test]
    fn a_running_clock_is_left_alone_until_it_rings() {
        let end = Some("water off".to_owned());
        let quiet = asked("rinse-water", 1, AskedFor::ClockEnd { end: end.clone(), ringing: false });
        let mut person = SimulatedPerson::new(Script::none());
        assert_eq!(attend(&mut person, &quiet, |_| false, 60), []);
        let ringing = asked("rinse-water", 1, AskedFor::ClockEnd { end, ringing: true });
        let begun = attend(&mut person, &ringing, |ms| ms < 2_000, 4);
        assert_eq!(begun[0].1, Doing::Say("water off".to_owned()));
    }

    #[test]
    fn a_turn_waits_for_its_step_and_a_step_with_turns_is_not_answered_for() {
        let turn = ScriptTurn {
            when: When::At("valve".to_owned()),
            sound: Sound::Say("stand by".to_owned()),
            noise: None,
            silence: Duration::ZERO,
        };
        let script = Script { turns: vec![turn.clone()], answers_elsewhere: true, repeats: 0, work: 0.0 };
        let mut person = SimulatedPerson::new(script);
        let other = asked("gloves", 1, AskedFor::Answer(vec!["gloves on".to_owned()]));
        assert!(matches!(attend(&mut person, &other, |_| false, 2)[0].1, Doing::Say(_)));
        let named = asked("valve", 2, AskedFor::Answer(vec!["closed".to_owned()]));
        let begun: Vec<Doing> = attend(&mut person, &named, |_| false, 20).into_iter().map(|(_, d)| d).collect();
        assert_eq!(begun, [Doing::Turn(turn)]);
    }
}
