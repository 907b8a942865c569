//! The listener from frames to events.

use std::cell::Cell;
use std::rc::Rc;

use crate::hear_support::{ALLOWED, Voice, in_noise, models, set, spoken};
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;
use sparehand::decide::PhraseVerdict;
use sparehand::decide::ranking::Ranking;
use sparehand::engine::output::{AllowedPhrase, ListeningSetId, PhraseClass};
use sparehand::hear::detector::SegmenterSettings;
use sparehand::hear::ear::{HearEvent, OwnVoiceState};
use sparehand::onnx::environment;
use sparehand::speech::listener::{Listener, ListenerSettings};
use sparehand::speech::recogniser::{PhraseScoring, Ready, Recogniser, RecogniserError};
use sparehand::speech::score::ScoreSettings;

fn listener() -> Listener {
    Listener::new(&models(), ListenerSettings::default()).expect("run `sparehand fetch`")
}

/// Feeds `samples`; `act` is called before each frame with its number. Gives the events with their frame numbers.
fn feed(
    listener: &mut Listener,
    samples: &[f32],
    mut act: impl FnMut(&mut Listener, usize) -> bool,
) -> Vec<(usize, HearEvent)> {
    let mut events = Vec::new();
    for (number, frame) in samples.chunks_exact(FRAME_LEN).enumerate() {
        let speaking = act(listener, number);
        let frame = frame.try_into().expect("a chunk is a frame");
        let event = listener.push_frame(frame, None, OwnVoiceState::of(speaking)).expect("the models run");
        events.extend(event.map(|event| (number, event)));
    }
    events
}

fn word(text: &str, snr: f32) -> Vec<f32> {
    in_noise(&spoken(text, Voice::Flite("rms")), 1.5, 1.0, snr, 5)
}

#[test]
fn a_word_is_heard_once_within_half_a_second_of_its_end() {
    let mut listener = listener();
    listener.allow(&set(7, &ALLOWED)).expect("the model scores");
    let samples = word("valve closed", 25.0);
    let events = feed(&mut listener, &samples, |_, _| false);
    let [(_, HearEvent::SpeechStarted), (heard_at, HearEvent::Heard(heard))] = &events[..] else {
        panic!("{events:?}");
    };
    assert_eq!((heard.text.as_str(), heard.index, heard.set), ("valve closed", 4, ListeningSetId(7)));
    let word_end = (samples.len() - SAMPLE_RATE) / FRAME_LEN;
    assert!((word_end..word_end + 50).contains(heard_at), "the word ended in frame {word_end}, heard in {heard_at}");
}

#[test]
fn commands_and_what_may_go_on_are_waited_for_longer_than_answers() {
    let samples = word("black valve closed", 25.0);
    let heard_at = |phrases: &[&str], class: PhraseClass| {
        let mut allowed = set(1, phrases);
        allowed.phrases.iter_mut().for_each(|phrase| phrase.class = class);
        let mut listener = listener();
        listener.allow(&allowed).expect("the model scores");
        let events = feed(&mut listener, &samples, |_, _| false);
        let [.., (at, HearEvent::Heard(heard))] = &events[..] else { panic!("{events:?}") };
        assert_eq!(heard.text, "black valve closed");
        *at
    };
    let others = ["black valve closed", "black valve open"];
    let answer = heard_at(&others, PhraseClass::Ordinary);
    let command = heard_at(&others, PhraseClass::Chat);
    let critical = heard_at(&others, PhraseClass::Critical);
    let may_go_on = heard_at(&["black valve closed", "black valve closed and locked"], PhraseClass::Ordinary);
    // 128 or 192, and 256 ms of quiet. What can hurt ends before 320 where one scoring is plain, or two are sure of it.
    assert!(command >= answer + 6, "{answer}, {command}");
    assert_eq!(may_go_on, command);
    assert!((answer..=command + 6).contains(&critical), "{answer}, {critical}, {command}");
}

/// How often the recogniser was at work.
type Calls = Rc<Cell<usize>>;

/// The recogniser, with a count of how often it was at work.
struct Watched {
    inner: PhraseScoring,
    calls: Calls,
}

impl Recogniser for Watched {
    fn prepare(&mut self, phrases: &[&str]) -> Result<Ready, RecogniserError> {
        self.inner.prepare(phrases)
    }

    fn warm(&mut self, ready: &Ready) -> Result<(), RecogniserError> {
        self.inner.warm(ready)
    }

    fn warm_up(&mut self, samples: &[f32]) -> Result<(), RecogniserError> {
        self.calls.update(|calls| calls + 1);
        self.inner.warm_up(samples)
    }

    fn set_background(&mut self, samples: &[f32]) -> Result<(), RecogniserError> {
        self.inner.set_background(samples)
    }

    fn recognise(
        &mut self,
        samples: &[f32],
        ready: &Ready,
        phrases: &[AllowedPhrase],
    ) -> Result<(Ranking, PhraseVerdict), RecogniserError> {
        self.calls.update(|calls| calls + 1);
        self.inner.recognise(samples, ready, phrases)
    }

    fn write_down(&mut self, samples: &[f32]) -> Result<String, RecogniserError> {
        self.inner.write_down(samples)
    }
}

/// A listener, and how often its recogniser has been at work.
fn watched_listener() -> (Listener, Calls) {
    let environment = environment(&models()).expect("run `sparehand fetch`");
    let calls = Calls::default();
    let inner = PhraseScoring::load(&environment, &models(), ScoreSettings::default()).expect("run `sparehand fetch`");
    let watched = Box::new(Watched { inner, calls: Rc::clone(&calls) });
    let listener =
        Listener::with_recogniser(&environment, &models(), SegmenterSettings::default(), watched).expect("as before");
    (listener, calls)
}

#[test]
fn warming_up_has_the_recogniser_work_while_a_word_is_being_said_and_changes_nothing_that_is_heard() {
    let samples = word("valve closed", 25.0);
    let word_end = (samples.len() - SAMPLE_RATE) / FRAME_LEN;
    let heard = |roused: bool| {
        let (mut listener, calls) = watched_listener();
        listener.allow(&set(1, &["valve closed", "valve open"])).expect("the model scores");
        let mut before_the_end = 0;
        let events = feed(&mut listener, &samples, |listener, number| {
            if number == word_end {
                before_the_end = calls.get();
            }
            if roused {
                listener.warm_up().expect("the model scores");
            }
            false
        });
        (before_the_end, calls.get() - before_the_end, events)
    };
    let (slept, answers, events) = heard(false);
    let (roused, answers_roused, events_roused) = heard(true);
    assert!((slept + 1..slept + 5).contains(&roused), "{roused} times, {slept} without");
    assert!(answers > 0 && answers_roused <= answers + 1, "{answers_roused} times after the word, {answers} without");
    assert!(matches!(&events[..], [(_, HearEvent::SpeechStarted), (_, HearEvent::Heard(_))]), "{events:?}");
    assert_eq!(events, events_roused);
}

#[test]
fn the_recogniser_is_warmed_up_once_when_the_program_has_asked_for_something() {
    let (mut listener, calls) = watched_listener();
    listener.allow(&set(1, &["valve closed", "valve open"])).expect("the model scores");
    let asks = 100;
    let mut while_asking = 0;
    feed(&mut listener, &vec![0.0; 3 * SAMPLE_RATE], |listener, number| {
        listener.warm_up().expect("the model scores");
        if number == asks {
            while_asking = calls.get();
        }
        number < asks
    });
    assert_eq!((while_asking, calls.get()), (0, 1));
}

#[test]
fn a_word_that_began_before_the_set_changed_is_judged_by_the_set_before() {
    let mut listener = listener();
    listener.allow(&set(1, &["valve closed", "valve open"])).expect("the model scores");
    let events = feed(&mut listener, &word("valve closed", 25.0), |listener, number| {
        // 1.5 s of quiet come first: this is in the middle of the word.
        if number == 190 {
            listener.allow(&set(2, &["hose connected", "hose stowed"])).expect("the model scores");
        }
        false
    });
    let heard =
        events.iter().find_map(|(_, event)| if let HearEvent::Heard(heard) = event { Some(heard) } else { None });
    let heard = heard.unwrap_or_else(|| panic!("{events:?}"));
    assert_eq!((heard.set, heard.text.as_str()), (ListeningSetId(1), "valve closed"));
}

#[test]
fn over_the_programs_own_voice_only_phrases_meant_for_it_are_heard() {
    let mut allowed = set(1, &ALLOWED);
    for phrase in &mut allowed.phrases {
        phrase.while_speaking = phrase.text == "say again";
    }
    for (text, expected) in [("say again", true), ("valve closed", false)] {
        let mut listener = listener();
        listener.allow(&allowed).expect("the model scores");
        let events = feed(&mut listener, &word(text, 25.0), |_, _| true);
        let heard = events.iter().any(|(_, event)| matches!(event, HearEvent::Heard(_)));
        assert_eq!(heard, expected, "{text}: {events:?}");
    }
}

#[test]
fn an_answer_that_begins_as_the_prompt_dies_away_is_heard() {
    let mut listener = listener();
    listener.allow(&set(1, &ALLOWED)).expect("the model scores");
    // The word begins 1.5 s in, 0.1 s after the sound of the prompt was made.
    let events = feed(&mut listener, &word("black valve closed", 25.0), |_, frame| frame < 140);
    let [.., (_, HearEvent::Heard(heard))] = &events[..] else { panic!("{events:?}") };
    assert_eq!((heard.text.as_str(), heard.over_speech), ("black valve closed", false));
}

#[test]
fn speech_outside_the_set_is_unclear() {
    let mut listener = listener();
    listener.allow(&set(1, &["hose connected", "say again"])).expect("the model scores");
    let events = feed(&mut listener, &word("my sister likes green apples", 25.0), |_, _| false);
    let unclear = matches!(&events[..], [(_, HearEvent::SpeechStarted), (_, HearEvent::Unclear(_))]);
    assert!(unclear, "{events:?}");
}

#[test]
fn before_anything_is_allowed_nothing_is_heard() {
    let events = feed(&mut listener(), &word("valve closed", 25.0), |_, _| false);
    assert!(!events.iter().any(|(_, event)| matches!(event, HearEvent::Heard(_))), "{events:?}");
}

#[test]
fn a_minute_of_noise_gives_no_event_and_its_level() {
    let mut listener = listener();
    listener.allow(&set(1, &ALLOWED)).expect("the model scores");
    let noise = sparehand::hear::noise::pink(9, 60 * SAMPLE_RATE, 0.01);
    let events = feed(&mut listener, &noise, |_, _| false);
    assert_eq!(events, []);
    // 0.01 of full scale is -40 dB.
    let level = listener.level();
    assert!((level.floor.unwrap_or(0.0) + 40.0).abs() < 1.0 && (level.now + 40.0).abs() < 3.0, "{level:?}");
}

#[test]
fn the_same_frames_give_the_same_events() {
    let samples: Vec<f32> = [word("how long", 10.0), word("done", 10.0), word("go ahead", 5.0)].concat();
    let run = || {
        let mut listener = listener();
        listener.allow(&set(1, &ALLOWED)).expect("the model scores");
        feed(&mut listener, &samples, |_, _| false)
    };
    assert_eq!(run(), run());
}

#[test]
fn long_talk_is_left_alone_until_it_ends() {
    let mut listener = listener();
    listener.allow(&set(1, &ALLOWED)).expect("the model scores");
    let talk = "and then we drove along the coast and over the bridge and up into the hills and we saw the lake and the old \
                mill and the little church and the long wall and the green boats and the people on the shore and so on";
    let events = feed(&mut listener, &in_noise(&spoken(talk, Voice::Espeak("en-us")), 1.0, 1.0, 30.0, 3), |_, _| false);
    assert!(events.iter().any(|(_, event)| *event == HearEvent::TalkedOn), "{events:?}");
    assert!(!events.iter().any(|(_, event)| matches!(event, HearEvent::Heard(_))), "{events:?}");
}

/// A note in one voice, with this pause between its two sentences.
fn note(pause_s: f32) -> Vec<f32> {
    let [first, second] = ["The left rear tyre looks low.", "Look at it again tomorrow morning before we leave."]
        .map(|text| spoken(text, Voice::Flite("slt")));
    [in_noise(&first, 1.0, pause_s, 30.0, 3), in_noise(&second, 0.0, 3.0, 30.0, 4)].concat()
}

#[test]
fn a_note_is_kept_whole_over_pauses_and_written_down_to_its_end() {
    let mut listener = listener();
    listener.allow(&set(1, &["never mind", "stop"])).expect("the model scores");
    listener.take_note();
    let samples = note(0.9);
    let events = feed(&mut listener, &samples, |_, _| false);
    let notes: Vec<_> = events
        .iter()
        .filter_map(|(_, event)| if let HearEvent::Noted(note) = event { Some(note) } else { None })
        .collect();
    let [note] = notes[..] else { panic!("{events:?}") };
    let words = note.text.to_lowercase().replace('-', "");
    for word in ["left", "looks low", "look at it again", "tomorrow morning", "before we leave"] {
        assert!(words.contains(word), "'{word}' is missing in '{}'", note.text);
    }
    let spoken_s = (samples.len() - 4 * SAMPLE_RATE) as f32 / SAMPLE_RATE as f32;
    let kept_s = note.samples.len() as f32 / SAMPLE_RATE as f32;
    assert!((spoken_s..spoken_s + 1.5).contains(&kept_s), "{kept_s} s of {spoken_s} s");
    assert!(
        !events.iter().any(|(_, event)| matches!(event, HearEvent::Unclear(_) | HearEvent::TalkedOn)),
        "{events:?}"
    );
    // What is said afterwards is no note any more.
    let after = feed(&mut listener, &word("stop", 30.0), |_, _| false);
    assert!(matches!(&after[..], [.., (_, HearEvent::Heard(heard))] if heard.text == "stop"), "{after:?}");
}

#[test]
fn an_answer_instead_of_a_note_is_heard_and_nothing_is_kept() {
    let mut listener = listener();
    listener.allow(&set(1, &["never mind", "stop"])).expect("the model scores");
    listener.take_note();
    let events = feed(&mut listener, &word("never mind", 30.0), |_, _| false);
    assert!(matches!(&events[..], [_, (_, HearEvent::Heard(heard))] if heard.text == "never mind"), "{events:?}");
}

#[test]
fn after_a_note_is_given_up_speech_is_judged_as_ever() {
    let mut listener = listener();
    listener.allow(&set(1, &ALLOWED)).expect("the model scores");
    listener.take_note();
    listener.drop_note();
    let events = feed(&mut listener, &word("banana bread pudding", 30.0), |_, _| false);
    assert!(matches!(&events[..], [_, (_, HearEvent::Unclear(_))]), "{events:?}");
}
