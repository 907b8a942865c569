//! The conductor on a virtual clock, without sound, journal or screen: faults go in at its edges, and the run goes on.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use sparehand::conductor::core::{Conductor, Gives, Means, Plan, Speaking};
use sparehand::conductor::fault::{DeviceNews, DeviceSide, Worker, WorkerNews};
use sparehand::conductor::news::{News, Parted, Pressed, ScreenOf, Task};
use sparehand::decide::Reason;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::engine::input::{Certainty, Key, PhraseHeard};
use sparehand::engine::output::{ListeningSet, Utterance, VoiceSettings};
use sparehand::hear::ear::HearEvent;
use sparehand::hear::level::SoundLevel;
use sparehand::hear::output::Unclear;
use sparehand::rig::Rig;
use sparehand::screen::ScreenKey;
use sparehand::server::protocol::Button;
use sparehand::setup::practised::Practice;
use sparehand::setup::prompts;
use sparehand::station::{LinkState, Said, StationInput, StationOutput};
use sparehand::units::{SessionTime, StationId};

/// The tank dump, by one person, by keys.
struct Scene {
    conductor: Conductor,
    now: SessionTime,
    /// Whether records are answered for.
    journal: Disk,
    said: Vec<String>,
    /// The same, with the station.
    said_at: Vec<(StationId, String)>,
    sets: BTreeMap<StationId, Arc<ListeningSet>>,
    events: Vec<Event>,
    parted: Option<Parted>,
    /// When a recogniser was to be made anew.
    restarts: Vec<SessionTime>,
    /// How often the journal was to be given up on.
    given_up: usize,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Disk {
    Writes,
    Silent,
}

impl Scene {
    fn begin() -> Self {
        Self::of("tank-dump", &Rig::default(), &[])
    }

    fn of(routine: &str, rig: &Rig, with: &[String]) -> Self {
        let config = Path::new("/nonexistent");
        let engine =
            prompts::engine(routine, rig, with, VoiceSettings::default(), &Practice::default(), config).unwrap();
        let conductor = Conductor::new(engine, &[StationId::RIG], Means::Voice, Plan::None);
        let mut scene = Self {
            conductor,
            now: SessionTime::ZERO,
            journal: Disk::Writes,
            said: Vec::new(),
            said_at: Vec::new(),
            sets: BTreeMap::new(),
            events: Vec::new(),
            parted: None,
            restarts: Vec::new(),
            given_up: 0,
        };
        scene.conductor.begin(scene.now, None);
        scene.carry_out();
        scene
    }

    fn tell(&mut self, news: News) {
        self.now += Duration::from_millis(10);
        self.conductor.handle(self.now, news);
        self.carry_out();
    }

    fn press(&mut self, key: Key) {
        self.tell(News::Key(ScreenKey::Engine(key)));
    }

    /// Lets time pass, waking the conductor whenever it wants to be woken.
    fn wait(&mut self, span: Duration) {
        let until = self.now + span;
        while let Some(at) = self.conductor.deadline().filter(|at| *at <= until) {
            self.now = self.now.max(at);
            self.conductor.handle(self.now, News::Woke);
            self.carry_out();
            if self.parted.is_some() {
                return;
            }
        }
        self.now = until;
    }

    fn carry_out(&mut self) {
        while let Some(task) = self.conductor.poll() {
            match task {
                Task::Record { seq, event, .. } => {
                    self.events.push(event);
                    if self.journal == Disk::Writes {
                        self.conductor.handle(self.now, News::Recorded(seq));
                    }
                }
                Task::Station(id, StationInput::Say(Utterance { text, .. })) => {
                    self.said.push(text.clone());
                    self.said_at.push((id, text));
                }
                Task::Station(id, StationInput::Listen(set)) => {
                    self.sets.insert(id, set);
                }
                Task::Part(parted) => self.parted = Some(parted),
                Task::RestartRecogniser => self.restarts.push(self.now),
                Task::GiveJournalUp => self.given_up += 1,
                _ => {}
            }
        }
    }

    /// Answers every step with its key until the clock of the rinse runs.
    fn until_the_tap_runs(&mut self) {
        for _ in 0..60 {
            if self.events.iter().any(|event| matches!(event.inner(), Event::ClockStarted { .. })) {
                return;
            }
            self.press(Key::Confirm);
            self.wait(Duration::from_secs(2));
        }
        panic!("no clock was started: {:?}", self.events.last());
    }

    fn says(&self, words: &str) -> bool {
        self.said.iter().any(|text| text.contains(words))
    }

    fn view_warns(&self, words: &str) -> bool {
        let sight = self.conductor.sight(self.now, StationId::RIG);
        sight.view.notices.iter().any(|notice| notice.contains(words))
    }
}

fn lost(why: &str) -> DeviceNews {
    DeviceNews::Lost(why.to_owned())
}

#[test]
fn a_microphone_that_is_lost_is_said_and_the_run_goes_on_by_keys() {
    let mut scene = Scene::begin();
    scene.tell(News::Device(StationId::RIG, DeviceSide::Microphone, lost("pulled out")));
    assert!(scene.says("I cannot hear"));
    assert_eq!(scene.conductor.sight(scene.now, StationId::RIG).microphone, LinkState::Lost);
    scene.until_the_tap_runs();
    scene.tell(News::Device(StationId::RIG, DeviceSide::Microphone, DeviceNews::Back));
    assert!(scene.events.contains(&Event::HearingBack));
}

#[test]
fn a_microphone_that_gives_nothing_for_ten_seconds_is_shown_as_switched_off_until_it_gives_something() {
    let mut scene = Scene::begin();
    let level = |now| StationOutput::Level(SoundLevel { now, floor: None, own: None });
    let gives = |scene: &Scene| scene.conductor.sight(scene.now, StationId::RIG).gives;
    for _ in 0..10 {
        assert_eq!(gives(&scene), Gives::Sound);
        scene.tell(News::Station(StationId::RIG, level(-120.0)));
        scene.wait(Duration::from_secs(1));
    }
    assert_eq!(gives(&scene), Gives::Nothing);
    scene.tell(News::Station(StationId::RIG, level(-78.0)));
    assert_eq!(gives(&scene), Gives::Sound);
}

#[test]
fn a_run_that_was_ended_shows_its_end_and_asks_nothing_any_more() {
    let mut scene = Scene::begin();
    scene.press(Key::Confirm);
    scene.press(Key::EndRun);
    // Sooner it would be a key that is held down.
    scene.wait(Duration::from_secs(1));
    scene.press(Key::Confirm);
    let view = scene.conductor.sight(scene.now, StationId::RIG).view;
    assert!(view.call.starts_with("Ended with "), "{}", view.call);
    assert_eq!((view.confirm_key.as_str(), view.other_key.as_str()), ("", ""));
}

#[test]
fn what_was_heard_before_is_not_shown_after_what_was_not_understood() {
    let mut scene = Scene::begin();
    let heard = |scene: &Scene| scene.conductor.sight(scene.now, StationId::RIG).view.last_heard;
    scene.hears(StationId::RIG, "gloves on");
    assert_eq!(heard(&scene), "gloves on");
    let unclear = Unclear {
        best: Some("stand by".to_owned()),
        score: 3.0,
        margin: 1.1,
        log_odds: -2.0,
        free_text: "banana split".to_owned(),
        reason: Reason::Margin { found: 1.1, least: 3.0 },
    };
    let said = Said { from: scene.now, to: scene.now };
    scene.tell(News::Station(StationId::RIG, StationOutput::Heard(HearEvent::Refused(unclear), said)));
    assert_eq!(heard(&scene), "");
}

#[test]
fn a_loudspeaker_that_is_lost_is_shown_and_what_was_being_said_is_said_again_when_it_is_back() {
    let mut scene = Scene::begin();
    scene.tell(News::Device(StationId::RIG, DeviceSide::Loudspeaker, lost("it takes no sound")));
    assert!(scene.view_warns("I cannot speak"));
    scene.said.clear();
    scene.tell(News::Device(StationId::RIG, DeviceSide::Loudspeaker, DeviceNews::Back));
    assert!(!scene.view_warns("I cannot speak"));
    assert!(scene.says("gloves"), "{:?}", scene.said);
}

/// The station that fell over never tells that what it was saying is over.
#[test]
fn a_station_that_has_lost_its_loudspeaker_is_not_shown_as_speaking() {
    let mut scene = Scene::begin();
    let speaks = |scene: &Scene| scene.conductor.sight(scene.now, StationId::RIG).speaks;
    assert_eq!(speaks(&scene), Speaking::Yes);
    scene.tell(News::Device(StationId::RIG, DeviceSide::Loudspeaker, lost("its station fell over")));
    assert_eq!(speaks(&scene), Speaking::No);
}

#[test]
fn a_recogniser_that_falls_over_is_said_once_and_heard_again_when_it_is_back() {
    let mut scene = Scene::begin();
    for _ in 0..3 {
        scene.tell(News::Worker(Worker::Recogniser, WorkerNews::Lost("a panic".to_owned())));
    }
    let times = scene.events.iter().filter(|event| **event == Event::HearingLost).count();
    assert_eq!(times, 1);
    assert!(scene.says("I cannot hear"));
    scene.tell(News::Worker(Worker::Recogniser, WorkerNews::Back));
    assert!(scene.events.contains(&Event::HearingBack));
    assert_eq!(scene.parted, None);
}

#[test]
fn a_journal_that_does_not_answer_has_failed_after_two_seconds_and_alarms_still_sound() {
    let mut scene = Scene::begin();
    scene.until_the_tap_runs();
    scene.journal = Disk::Silent;
    scene.said.clear();
    scene.wait(Duration::from_secs(3_600));
    assert!(scene.says("Shut the rinse tap"), "the alarm of the running tap sounds: {:?}", scene.said);
}

/// What came to the disk late was refused aloud: it must not be followed by anything that would make it count.
#[test]
fn a_journal_that_was_late_once_is_given_nothing_more_and_holds_nothing_up() {
    let mut scene = Scene::begin();
    scene.wait(Duration::from_secs(1));
    scene.journal = Disk::Silent;
    scene.press(Key::Confirm);
    scene.hears(StationId::RIG, "i smell gas");
    assert!(!scene.said.iter().any(|text| text.contains("Everybody out")), "{:?}", scene.said);
    scene.wait(Duration::from_secs(2));
    assert!(scene.said.iter().any(|text| text.contains("Everybody out")), "within 2 s in all: {:?}", scene.said);
    assert_eq!(scene.given_up, 1);
    let asked_for = scene.events.len();
    scene.journal = Disk::Writes;
    scene.press(Key::Confirm);
    scene.wait(Duration::from_secs(10));
    assert_eq!((scene.events.len(), scene.given_up), (asked_for, 1));
}

/// Nobody knows whether the last record of a run that was broken off was said back, or refused and written late.
#[test]
fn what_may_have_been_refused_aloud_does_not_count_when_the_run_goes_on() {
    let engine = || {
        let (rig, voice, config) = (Rig::default(), VoiceSettings::default(), Path::new("/nonexistent"));
        prompts::engine("tank-dump", &rig, &[], voice, &Practice::default(), config).unwrap()
    };
    let mut scene = Scene::begin();
    scene.until_the_tap_runs();
    let critical = |event: &Event| match event {
        Event::StepAnswered { step, .. } => {
            engine().job().index_of(step).filter(|&s| engine().job().step(s).critical())
        }
        _ => None,
    };
    let (last, step) = scene.events.iter().enumerate().find_map(|(i, event)| Some((i, critical(event)?))).unwrap();
    let mut again = engine();
    scene.events[..=last].iter().for_each(|event| again.replay(SessionTime::ZERO, event));
    assert!(!again.state().is_open(step));
    let taken_back = again.taken_back(&scene.events[last]).unwrap();
    again.replay(SessionTime::ZERO, &taken_back);
    assert!(again.state().is_open(step));
    assert_eq!(again.taken_back(&taken_back), None);
    assert_eq!(again.taken_back(&scene.events[last + 1]), None, "what is followed by anything was taken");

    let open = vec![again.job().step(step).id.clone()];
    let overridden = Event::Overridden { open, person: String::new(), heard: HeardAs::Key };
    again.replay(SessionTime::ZERO, &overridden);
    assert!(!again.state().overridden.is_empty());
    let taken_back = again.taken_back(&overridden).unwrap();
    again.replay(SessionTime::ZERO, &taken_back);
    assert!(again.state().overridden.is_empty());
}

#[test]
fn the_loss_of_the_screen_closes_a_run_that_guards_nothing_and_keeps_one_with_a_running_tap() {
    let mut scene = Scene::begin();
    scene.tell(News::ScreenLost("hung up".to_owned()));
    assert_eq!(scene.parted, Some(Parted::Closed));

    let mut scene = Scene::begin();
    scene.until_the_tap_runs();
    scene.tell(News::ScreenLost("hung up".to_owned()));
    assert_eq!(scene.parted, None);
    scene.said.clear();
    scene.wait(Duration::from_secs(3_600));
    assert!(scene.says("Shut the rinse tap"));
}

#[test]
fn a_program_that_is_told_to_end_says_which_hazard_is_left_and_ends_within_two_seconds() {
    let mut scene = Scene::begin();
    scene.tell(News::Terminate);
    assert_eq!(scene.parted, Some(Parted::Closed), "nothing is left: at once");

    let mut scene = Scene::begin();
    scene.until_the_tap_runs();
    scene.said.clear();
    let asked = scene.now;
    scene.tell(News::Terminate);
    scene.tell(News::Terminate);
    assert_eq!(scene.parted, None);
    assert!(scene.says("Rinse water still running"), "{:?}", scene.said);
    scene.wait(Duration::from_secs(60));
    assert_eq!(scene.parted, Some(Parted::Closed));
    assert!(scene.now.since(asked) < Duration::from_secs(2), "{:?}", scene.now.since(asked));
}

#[test]
fn whoever_closes_the_program_over_a_running_tap_is_asked_twice() {
    let mut scene = Scene::begin();
    scene.until_the_tap_runs();
    scene.tell(News::Key(ScreenKey::Quit));
    assert_eq!(scene.parted, None);
    assert!(scene.view_warns("press the same keys again"));
    scene.tell(News::Key(ScreenKey::Quit));
    assert_eq!(scene.parted, Some(Parted::Closed));
}

const PHONE: StationId = StationId(1);

/// A rig with two people, of whom one has a station of their own.
fn with_a_phone() -> Scene {
    let people =
        "[[person]]\nname = \"Rowan\"\nroles = [\"outside\"]\n[[person]]\nname = \"Sky\"\nroles = [\"inside\"]\n";
    let rig = Rig::parse("rig.toml", people).unwrap();
    let mut scene = Scene::of("tank-dump", &rig, &["Rowan".to_owned(), "Sky".to_owned()]);
    scene.tell(News::Joined(PHONE, vec!["Rowan".to_owned()]));
    scene
}

impl Scene {
    /// A station hears the first phrase of its set that holds these words, surely.
    fn hears(&mut self, station: StationId, words: &str) {
        let set = Arc::clone(&self.sets[&station]);
        let index = set.phrases.iter().position(|phrase| phrase.text == words);
        let index = index.unwrap_or_else(|| panic!("'{words}' may not be said there: {:?}", set.phrases));
        let heard = PhraseHeard {
            set: set.id,
            index,
            text: words.to_owned(),
            score: 9.0,
            margin: 8.0,
            certainty: Certainty::Sure,
            over_speech: false,
        };
        let said = Said { from: self.now, to: self.now + Duration::from_millis(600) };
        self.tell(News::Station(station, StationOutput::Heard(HearEvent::SpeechStarted, said)));
        self.tell(News::Station(station, StationOutput::Heard(HearEvent::Heard(heard), said)));
        self.wait(Duration::from_millis(200));
    }

    fn answered(&self, step: &str) -> usize {
        let is = |event: &&Event| matches!(event.inner(), Event::StepAnswered { step: of, .. } if of == step);
        self.events.iter().filter(is).count()
    }
}

#[test]
fn whoever_has_a_station_is_asked_and_answers_there_and_at_the_rigs_again_when_it_is_gone() {
    let mut scene = with_a_phone();
    scene.wait(Duration::from_secs(5));
    let asked =
        |scene: &Scene, at: StationId| scene.said_at.iter().any(|(id, text)| *id == at && text.contains("gloves on"));
    assert!(asked(&scene, PHONE), "{:?}", scene.said_at);
    scene.said_at.clear();
    scene.hears(PHONE, "gloves on");
    assert_eq!(scene.answered("gloves"), 1);
    scene.said_at.clear();
    scene.tell(News::Left(PHONE));
    scene.wait(Duration::from_secs(5));
    assert!(
        scene.said_at.iter().any(|(id, text)| *id == StationId::RIG && text.contains("Rowan")),
        "{:?}",
        scene.said_at
    );
    assert_eq!(scene.parted, None);
}

#[test]
fn one_voice_at_two_ears_counts_once() {
    let mut scene = with_a_phone();
    scene.tell(News::Joined(StationId(2), vec!["Sky".to_owned()]));
    scene.wait(Duration::from_secs(5));
    scene.hears(PHONE, "gloves on");
    assert_eq!(scene.answered("gloves"), 1);
    let stops = |scene: &Scene| scene.events.iter().filter(|event| matches!(event, Event::StandingBy)).count();
    let before = stops(&scene);
    let both = Said { from: scene.now, to: scene.now + Duration::from_millis(500) };
    for station in [PHONE, StationId(2)] {
        scene.tell(News::Station(station, StationOutput::Heard(HearEvent::SpeechStarted, both)));
    }
    for station in [PHONE, StationId(2)] {
        let set = Arc::clone(&scene.sets[&station]);
        let index = set.phrases.iter().position(|phrase| phrase.text == "stand by").expect("a command everywhere");
        let heard = PhraseHeard {
            set: set.id,
            index,
            text: "stand by".to_owned(),
            score: 9.0,
            margin: 8.0,
            certainty: Certainty::Sure,
            over_speech: false,
        };
        scene.tell(News::Station(station, StationOutput::Heard(HearEvent::Heard(heard), both)));
    }
    scene.wait(Duration::from_millis(500));
    assert_eq!(stops(&scene), before + 1);
}

#[test]
fn a_recogniser_that_falls_over_again_and_again_is_made_anew_after_pauses_that_grow_to_half_a_minute() {
    let mut scene = Scene::begin();
    let mut pauses = Vec::new();
    for _ in 0..7 {
        scene.tell(News::Worker(Worker::Recogniser, WorkerNews::Lost("a panic".to_owned())));
        let fell = scene.now;
        let before = scene.restarts.len();
        scene.wait(Duration::from_secs(40));
        assert_eq!(scene.restarts.len(), before + 1, "once for each fall");
        pauses.push(scene.restarts[before].since(fell).as_secs());
        scene.tell(News::Worker(Worker::Recogniser, WorkerNews::Back));
    }
    assert_eq!(pauses, [1, 2, 4, 8, 16, 30, 30]);
    scene.wait(Duration::from_secs(90));
    scene.tell(News::Worker(Worker::Recogniser, WorkerNews::Lost("a panic".to_owned())));
    let fell = scene.now;
    scene.wait(Duration::from_secs(40));
    assert_eq!(scene.restarts.last().map(|at| at.since(fell).as_secs()), Some(1), "it had worked for long");
}

#[test]
fn a_loss_that_is_noticed_twice_is_told_once() {
    let mut scene = Scene::begin();
    for why in ["pulled out", "its station takes no orders"] {
        scene.tell(News::Device(StationId::RIG, DeviceSide::Microphone, lost(why)));
    }
    assert_eq!(scene.events.iter().filter(|event| **event == Event::HearingLost).count(), 1);
}

/// Presses a button of Rowan's screen as it was drawn.
fn press_as_drawn(scene: &mut Scene, button: Button, question: u64, words: &str) {
    scene.tell(News::Pressed(Pressed {
        of: ScreenOf::Person("Rowan".to_owned()),
        button,
        question,
        words: words.to_owned(),
    }));
}

#[test]
fn a_button_of_a_screen_that_is_behind_settles_nothing() {
    let rig = Rig::parse("rig.toml", "[[person]]\nname = \"Rowan\"\n").unwrap();
    let mut scene = Scene::of("tank-dump", &rig, &["Rowan".to_owned()]);
    scene.tell(News::Joined(StationId(1), vec!["Rowan".to_owned()]));
    let view = scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
    assert_eq!(view.confirm_key, "gloves on");
    let answers =
        |scene: &Scene| scene.events.iter().filter(|event| matches!(event, Event::StepAnswered { .. })).count();
    press_as_drawn(&mut scene, Button::Confirm, view.question + 1, "gloves on");
    press_as_drawn(&mut scene, Button::Confirm, view.question, "gray closed");
    assert_eq!(answers(&scene), 0, "another question, or other words");
    press_as_drawn(&mut scene, Button::Confirm, view.question, "gloves on");
    assert_eq!(answers(&scene), 1);
    scene.wait(Duration::from_secs(2));
    press_as_drawn(&mut scene, Button::Confirm, view.question, "gloves on");
    assert_eq!(answers(&scene), 1, "it was pressed twice, and the next question is another");
    let view = scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
    assert!(view.critical && view.confirm_key == "gray closed", "{view:?}");
    press_as_drawn(&mut scene, Button::Confirm, view.question, "gray closed");
    assert_eq!(answers(&scene), 2);
}

#[test]
fn what_ends_a_pause_or_leaves_a_step_counts_only_to_the_question_that_it_was_pressed_for() {
    let rig = Rig::parse("rig.toml", "[[person]]\nname = \"Rowan\"\n").unwrap();
    let mut scene = Scene::of("tank-dump", &rig, &["Rowan".to_owned()]);
    let before = scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
    press_as_drawn(&mut scene, Button::Stop, before.question, "");
    let stands_by = |scene: &Scene| scene.conductor.engine().state().standing_by;
    assert!(stands_by(&scene));
    // Held up on its way since before somebody said stop.
    press_as_drawn(&mut scene, Button::GoAhead, before.question, "");
    assert!(stands_by(&scene), "a late press lifts no stop");
    for button in [Button::Skip, Button::Correction, Button::NotYet, Button::NotHere] {
        let events = scene.events.len();
        press_as_drawn(&mut scene, button, before.question, "");
        assert_eq!(scene.events.len(), events, "{button:?}");
    }
    let now = scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
    press_as_drawn(&mut scene, Button::GoAhead, now.question, "");
    assert!(!stands_by(&scene));
}

#[test]
fn a_choice_counts_by_its_words_and_not_by_its_place() {
    let rig = Rig::parse("rig.toml", "[[person]]\nname = \"Rowan\"\n").unwrap();
    let mut scene = Scene::of("tank-dump", &rig, &["Rowan".to_owned()]);
    scene.press(Key::Skip);
    let view = scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
    assert!(view.choices.len() >= 3, "{view:?}");
    let skipped = |scene: &Scene| scene.events.iter().any(|event| matches!(event, Event::StepSkipped { .. }));
    press_as_drawn(&mut scene, Button::Choice, view.question, "gray closed");
    press_as_drawn(&mut scene, Button::Choice, view.question + 1, &view.choices[2]);
    assert!(!skipped(&scene));
    press_as_drawn(&mut scene, Button::Choice, view.question, &view.choices[2]);
    assert!(skipped(&scene));
}

#[test]
fn the_button_of_somebody_who_shares_the_rig_answers_for_nobody_else() {
    let people =
        "[[person]]\nname = \"Rowan\"\nroles = [\"outside\"]\n[[person]]\nname = \"Imre\"\nroles = [\"inside\"]\n";
    let rig = Rig::parse("rig.toml", people).unwrap();
    let mut scene = Scene::of("leave", &rig, &["Rowan".to_owned(), "Imre".to_owned()]);
    let mut refused = 0;
    for _ in 0..30 {
        let at_the_rig = scene.conductor.sight(scene.now, StationId::RIG).view;
        let own = scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
        assert_eq!(own.who, "Rowan");
        if at_the_rig.who == "Imre" && !at_the_rig.confirm_key.is_empty() {
            assert_eq!(own.confirm_key, "", "{own:?}");
            let events = scene.events.len();
            press_as_drawn(&mut scene, Button::Confirm, own.question, &at_the_rig.confirm_key);
            press_as_drawn(&mut scene, Button::Confirm, own.question, "");
            press_as_drawn(&mut scene, Button::Skip, own.question, "");
            assert_eq!(scene.events.len(), events);
            refused += 1;
        }
        scene.press(Key::Confirm);
        scene.wait(Duration::from_secs(2));
    }
    assert!(refused > 3, "Imre was asked {refused} times");
}

#[test]
fn a_screen_shows_what_its_person_is_asked_wherever_that_is() {
    let rig = Rig::parse("rig.toml", "[[person]]\nname = \"Rowan\"\n").unwrap();
    let mut scene = Scene::of("tank-dump", &rig, &["Rowan".to_owned()]);
    let shows =
        |scene: &Scene| scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view.confirm_key;
    assert_eq!(shows(&scene), "gloves on", "at the rig");
    scene.tell(News::Joined(StationId(1), vec!["Rowan".to_owned()]));
    assert_eq!(shows(&scene), "gloves on", "at their own station");
    scene.tell(News::Left(StationId(1)));
    assert_eq!(shows(&scene), "gloves on", "at the rig again");
    let at_the_rig: Vec<&String> =
        scene.said_at.iter().filter(|(at, _)| *at == StationId::RIG).map(|(_, text)| text).collect();
    assert!(at_the_rig.iter().any(|text| text.contains("lost Rowan's phone")), "{at_the_rig:?}");
}

#[test]
fn the_screen_of_a_shared_phone_shows_whoever_was_spoken_with_last_there_and_takes_their_buttons() {
    let rig = Rig::parse("rig.toml", "kind = \"travel-trailer\"\n[[person]]\nname = \"Rowan\"\nroles = [\"outside\"]\n[[person]]\nname = \"Imre\"\nroles = [\"inside\"]\n").unwrap();
    let mut scene = Scene::of("tank-dump", &rig, &["Rowan".to_owned(), "Imre".to_owned()]);
    let people = vec!["Rowan".to_owned(), "Imre".to_owned()];
    let shared = ScreenOf::Shared { station: StationId(1), people };
    let rowans = |scene: &Scene| scene.conductor.sight_of(scene.now, &ScreenOf::Person("Rowan".to_owned())).view;
    let view = scene.conductor.sight_of(scene.now, &shared).view;
    assert_eq!(view, rowans(&scene), "nobody is asked there yet: it is no screen of whoever is asked elsewhere");
    scene.tell(News::Joined(StationId(1), vec!["Rowan".to_owned(), "Imre".to_owned()]));
    let view = scene.conductor.sight_of(scene.now, &shared).view;
    assert!(!view.confirm_key.is_empty() && !view.who.is_empty(), "{view:?}");
    let events = scene.events.len();
    let pressed =
        Pressed { of: shared.clone(), button: Button::Confirm, question: view.question, words: view.confirm_key };
    scene.tell(News::Pressed(pressed.clone()));
    assert!(scene.events.len() > events, "it answers");
    let after = scene.events.len();
    scene.tell(News::Pressed(pressed));
    assert_eq!(scene.events.len(), after, "and once");
}

#[test]
fn a_notice_is_said_once_at_the_rig_and_shown_there_for_ten_minutes() {
    let mut scene = with_a_phone();
    scene.tell(News::Notice("A new certificate.".to_owned()));
    let said: Vec<StationId> =
        scene.said_at.iter().filter(|(_, text)| text == "A new certificate.").map(|(station, _)| *station).collect();
    assert_eq!(said, [StationId::RIG]);
    let shown = |scene: &Scene, station| {
        scene.conductor.sight(scene.now, station).view.notices.contains(&"A new certificate.".to_owned())
    };
    assert!(shown(&scene, StationId::RIG) && !shown(&scene, PHONE));
    scene.wait(Duration::from_secs(601));
    assert!(!shown(&scene, StationId::RIG));
}

#[test]
fn sound_that_can_be_kept_no_longer_is_said_and_shown_and_the_run_goes_on() {
    let mut scene = Scene::begin();
    scene.wait(Duration::from_secs(20));
    scene.tell(News::SoundNotKept("No space left on device".to_owned()));
    assert!(scene.says("I keep the sound of this run no longer.") && scene.view_warns("no longer"));
    let steps = scene.events.len();
    scene.press(Key::Confirm);
    assert!(scene.events.len() > steps);
}

#[test]
fn a_machine_that_loses_sound_or_looks_says_so_on_the_screen_for_a_minute_and_goes_on() {
    let losses: [fn() -> News; 2] = [
        || News::Device(StationId::RIG, DeviceSide::Microphone, DeviceNews::Overrun(160)),
        || News::Worker(Worker::Recogniser, WorkerNews::Overloaded(3)),
    ];
    for loss in losses {
        let mut scene = Scene::begin();
        scene.wait(Duration::from_secs(20));
        assert!(!scene.view_warns("too busy"));
        let said = scene.said.len();
        scene.tell(loss());
        assert!(scene.view_warns("too busy"));
        assert_eq!(scene.said.len(), said, "it is shown: a voice would take more of the time that is missing");
        scene.wait(Duration::from_secs(50));
        scene.tell(loss());
        scene.wait(Duration::from_secs(50));
        assert!(scene.view_warns("too busy"), "since the last loss it is less than a minute");
        scene.wait(Duration::from_secs(11));
        assert!(!scene.view_warns("too busy"));
        let steps = scene.events.len();
        scene.press(Key::Confirm);
        assert!(scene.events.len() > steps, "answers count meanwhile");
    }
}
