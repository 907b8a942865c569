//! The mixer of a station by itself: sentences are asked for, and come when they come.

use std::sync::Arc;
use std::time::Duration;

use sparehand::engine::output::{AlarmSignal, Priority, SpeechId, Utterance, VoiceSettings};
use sparehand::say::NumberReading;
use sparehand::say::mixer::{CutStyle, FRAME, Mixer, MixerEvent, PATIENCE, SentenceError, SentenceRequest, Urgency};
use sparehand::say::signals::{Earcon, Signals};

struct Desk {
    mixer: Mixer,
    heard: Vec<f32>,
    story: Vec<String>,
}

impl Desk {
    fn new() -> Self {
        let reader = Arc::new(crate::say_common::reader(NumberReading::Everyday));
        let mixer = Mixer::new(reader, Arc::new(Signals::new().unwrap()), VoiceSettings::default());
        Self { mixer, heard: Vec::new(), story: Vec::new() }
    }

    fn say(&mut self, id: u64, priority: Priority, text: &str, alarm: Option<AlarmSignal>) {
        self.mixer.say(Utterance { id: SpeechId(id), priority, text: text.into(), alarm });
    }

    fn asked(&mut self) -> Vec<SentenceRequest> {
        std::iter::from_fn(|| self.mixer.poll()).collect()
    }

    fn ask_one(&mut self) -> SentenceRequest {
        let asked = self.asked();
        assert_eq!(asked.len(), 1, "{asked:?}");
        asked[0].clone()
    }

    fn answer(&mut self, request: &SentenceRequest, frames: usize) {
        self.mixer.synthesised(request.id, Ok(vec![0.1; frames * FRAME].into()));
    }

    fn hear(&mut self, frames: usize) {
        for _ in 0..frames {
            let mut frame = [0.0; FRAME];
            for event in self.mixer.render(&mut frame) {
                self.story.push(match event {
                    MixerEvent::Started { id, sentence, .. } => format!("s{}.{sentence}", id.0),
                    MixerEvent::Finished(id) => format!("f{}", id.0),
                    MixerEvent::Cut(id) => format!("c{}", id.0),
                    MixerEvent::Failed { id, .. } => format!("x{}", id.0),
                });
            }
            self.heard.extend(frame);
        }
    }

    /// As a station plays: frames while there is sound, else time.
    fn play(&mut self, frames: usize) {
        for _ in 0..frames {
            if self.mixer.has_sound() { self.hear(1) } else { self.mixer.pass(Duration::from_millis(10)) }
        }
    }

    fn is_silent(&self, from_frame: usize) -> bool {
        self.heard[from_frame * FRAME..].iter().all(|sample| *sample == 0.0)
    }
}

#[test]
fn it_is_silent_until_the_sentence_is_there_and_then_begins_in_the_next_frame() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "Close the valve.", None);
    let request = desk.ask_one();
    assert_eq!((request.text.as_str(), request.urgency), ("Close the valve.", Urgency::Now));
    assert!(!desk.mixer.has_sound() && desk.mixer.is_speaking());
    desk.hear(20);
    assert!(desk.is_silent(0) && desk.story.is_empty());
    desk.answer(&request, 30);
    assert!(desk.mixer.has_sound());
    desk.hear(1);
    assert_eq!(desk.story, ["s1.0"]);
    assert!(!desk.is_silent(20));
    assert!(desk.asked().is_empty(), "each is asked for once");
}

#[test]
fn an_alarm_signal_sounds_while_its_words_are_made() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Alarm, "Time is up.", Some(AlarmSignal::Hazard { repeat: 0 }));
    assert!(desk.mixer.has_sound());
    desk.hear(3);
    assert!(!desk.is_silent(1));
    assert_eq!(desk.ask_one().urgency, Urgency::Now);
}

#[test]
fn the_next_sentence_is_asked_for_ahead_and_more_urgently_once_nothing_sounds_before_it() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "First. Second.", None);
    let first = desk.ask_one();
    desk.answer(&first, 30);
    desk.hear(5);
    assert!(desk.asked().is_empty(), "the first frames are waited for");
    desk.hear(10);
    let second = desk.ask_one();
    assert_eq!((second.text.as_str(), second.urgency), ("Second.", Urgency::Ahead));
    desk.play(60);
    assert!(!desk.mixer.has_sound(), "no silence is queued before it");
    let again = desk.ask_one();
    assert_eq!((again.id, again.urgency), (second.id, Urgency::Now));
    desk.answer(&again, 10);
    desk.play(40);
    assert_eq!(desk.story, ["s1.0", "s1.1", "f1"]);
}

#[test]
fn the_utterance_that_waits_is_made_ahead_and_begins_after_its_pause() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "First.", None);
    desk.say(2, Priority::Prompt, "Second.", None);
    let first = desk.ask_one();
    desk.answer(&first, 30);
    desk.hear(15);
    let second = desk.ask_one();
    desk.answer(&second, 10);
    desk.play(200);
    assert_eq!(desk.story, ["s1.0", "f1", "s2.0", "f2"]);
    // 30 frames, a quarter of a second, 10 frames, and one for the limiter.
    assert_eq!(desk.heard.len(), 66 * FRAME);
}

#[test]
fn an_utterance_that_waits_is_withdrawn_and_one_that_has_begun_is_said_to_its_end() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "First.", None);
    desk.say(2, Priority::Prompt, "Second.", None);
    desk.say(3, Priority::Prompt, "Third.", None);
    let first = desk.ask_one();
    desk.answer(&first, 30);
    desk.hear(15);
    let second = desk.ask_one();
    desk.mixer.withdraw(SpeechId(1));
    desk.mixer.withdraw(SpeechId(2));
    assert_eq!(desk.mixer.poll_forgotten(), Some(second.id), "nobody needs to make it any more");
    let third = desk.ask_one();
    desk.answer(&third, 10);
    desk.play(200);
    assert_eq!(desk.story, ["s1.0", "c2", "f1", "s3.0", "f3"]);
}

#[test]
fn a_late_answer_to_what_was_hushed_is_dropped_and_its_maker_is_told_that_it_is_not_wanted() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "Close the valve.", None);
    let first = desk.ask_one();
    desk.mixer.hush(Priority::Prompt, CutStyle::Hard);
    assert_eq!(desk.mixer.poll_forgotten(), Some(first.id));
    desk.say(2, Priority::Prompt, "Open the valve.", None);
    let second = desk.ask_one();
    desk.answer(&first, 50);
    desk.hear(10);
    assert_eq!(desk.story, ["c1"]);
    assert!(desk.is_silent(0));
    desk.answer(&second, 10);
    desk.hear(40);
    assert_eq!(desk.story, ["c1", "s2.0", "f2"]);
}

#[test]
fn what_is_more_important_is_asked_for_over_what_was_asked_for_before() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "Close the valve.", None);
    let first = desk.ask_one();
    desk.say(2, Priority::Caution, "Stop.", None);
    let second = desk.ask_one();
    assert_eq!((second.text.as_str(), second.urgency), ("Stop.", Urgency::Now));
    desk.answer(&second, 10);
    desk.answer(&first, 10);
    desk.play(100);
    assert_eq!(desk.story, ["s2.0", "f2", "s1.0", "f1"]);
}

#[test]
fn what_cannot_be_made_is_told_and_the_rest_is_said() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "First. Second. Third.", None);
    for number in 0..3 {
        let request = desk.ask_one();
        match number {
            1 => desk.mixer.synthesised(request.id, Err(SentenceError::new(std::fmt::Error))),
            _ => desk.answer(&request, 20),
        }
        desk.play(15);
    }
    desk.play(100);
    assert_eq!(desk.story, ["s1.0", "x1", "s1.2", "f1"]);
}

#[test]
fn a_sentence_that_never_comes_holds_up_neither_its_utterance_nor_the_alarm_after_it() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Alarm, "Time is up. Turn the tap.", Some(AlarmSignal::Hazard { repeat: 0 }));
    let lost = desk.ask_one();
    desk.say(2, Priority::Alarm, "Time is up again.", Some(AlarmSignal::Hazard { repeat: 1 }));
    desk.mixer.wait(PATIENCE);
    desk.play(500);
    assert!(!desk.mixer.has_sound(), "its signal has sounded, before which nothing is waited for");
    desk.mixer.wait(PATIENCE - Duration::from_millis(100));
    assert!(!desk.mixer.has_sound());
    desk.mixer.wait(Duration::from_millis(100));
    assert_eq!(desk.mixer.poll_forgotten(), Some(lost.id));
    desk.play(1);
    let rest = desk.ask_one();
    assert_eq!(rest.text, "Turn the tap.");
    desk.answer(&rest, 10);
    desk.answer(&lost, 10);
    let before = desk.heard.len() / FRAME;
    desk.play(100);
    assert_eq!(desk.story, ["x1", "s1.1", "f1"]);
    assert!(!desk.is_silent(before + 40), "the signal of the second");
}

#[test]
fn an_utterance_whose_first_sentence_never_comes_is_over() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "Close the valve.", None);
    desk.ask_one();
    assert!(!desk.mixer.has_sound());
    desk.mixer.wait(PATIENCE);
    desk.play(5);
    assert_eq!(desk.story, ["x1", "f1"]);
    assert!(!desk.mixer.is_speaking());
}

#[test]
fn a_changed_pace_holds_from_the_next_utterance_on_though_it_was_made_ahead() {
    let mut desk = Desk::new();
    desk.say(1, Priority::Prompt, "First.", None);
    desk.say(2, Priority::Prompt, "Second.", None);
    let first = desk.ask_one();
    desk.answer(&first, 30);
    desk.hear(15);
    let second = desk.ask_one();
    desk.answer(&second, 10);
    desk.mixer.set_voice(VoiceSettings { speed: 0.8, volume_db: 0.0 });
    let anew = desk.ask_one();
    assert_eq!((anew.text.as_str(), anew.speed), ("Second.", 0.8));
    assert_ne!(anew.id, second.id);
}

#[test]
fn when_nothing_is_said_nothing_is_rendered_and_the_pause_passes_all_the_same() {
    let mut desk = Desk::new();
    desk.mixer.earcon(Earcon::Heard);
    desk.play(50);
    let rendered = desk.heard.len() / FRAME;
    assert!((9..=11).contains(&rendered), "{rendered} frames for 90 ms");
    desk.say(1, Priority::Prompt, "First.", None);
    let first = desk.ask_one();
    desk.answer(&first, 10);
    desk.play(100);
    let before = desk.heard.len() / FRAME;
    assert!(before <= rendered + 11, "{before} frames");
    desk.say(2, Priority::Prompt, "Second.", None);
    let second = desk.ask_one();
    desk.answer(&second, 10);
    desk.hear(1);
    assert_eq!(desk.story.last().unwrap(), "s2.0", "it waits for no pause that is long over");
}

#[test]
fn two_ends_that_are_cut_off_and_an_earcon_fade_together_without_a_click() {
    let mut desk = Desk::new();
    for (id, priority) in [(1, Priority::Chat), (2, Priority::Prompt), (3, Priority::Caution)] {
        desk.say(id, priority, "Stop.", None);
        let request = desk.ask_one();
        desk.answer(&request, 50);
        desk.hear(1);
    }
    desk.mixer.hush(Priority::Alarm, CutStyle::Fade);
    desk.hear(5);
    assert!(desk.is_silent(6), "over within 20 ms");
    // A constant of 0.1 that fades within 15 ms falls by 0.00014 a sample; two of them lie over each other.
    let end = &desk.heard[3 * FRAME..];
    let step = end.windows(2).map(|pair| (pair[0] - pair[1]).abs()).fold(0.0f32, f32::max);
    assert!(step < 0.001, "{step}");
}
