//! The program live on real devices of a sound server, with a test person who hears it out, answers aloud in two voices, is
//! misheard, stands by, asks again, corrects, and lets a clock run into its alarm.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::time::Duration;

use crate::server::{Ear, SoundServer, pause};
use crate::support::{Program, Voice, best_match, clip, transcript};
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{JournalReader, RunId};

#[test]
fn a_person_is_talked_through_the_whole_dump_over_real_devices() {
    let server = SoundServer::start();
    let rig = server.folder().join("rig.toml");
    std::fs::write(&rig, "[tank_dump]\nrinse_s = 20\nlayer_s = 8\nrinses_most = 2\n").unwrap();
    let journal = server.folder().join("journal.sqlite");
    let ear = server.listen();
    let mut program = Program::start(&server, "tank-dump", &rig, &journal, &[]);
    let person = Person { server: &server, ear: &ear, clips: server.folder().join("clips") };

    person.answer(&mut program, "gloves", &["faster", "banana bread", "gloves on"]);
    person.answer(&mut program, "grey-held", &["roger", "stand by", "go ahead", "gray open", "gray closed"]);
    person.answer(&mut program, "black-held", &["say again", "black closed"]);
    person.answer(&mut program, "vacuum-breaker", &["vacuum breaker on"]);
    person.answer(&mut program, "hose-rig", &["hose locked"]);
    person.answer(&mut program, "hose-drain", &["correction"]);
    person.answer(&mut program, "hose-rig", &["hose locked"]);
    person.answer(&mut program, "hose-drain", &["hose seated"]);
    person.answer(&mut program, "rinse-hose", &["rinse hose on"]);
    person.answer(&mut program, "black-open", &["black open"]);
    person.answer(&mut program, "black-run-out", &["how long", "run out"]);
    for round in 0..2 {
        person.answer(&mut program, "rinse-shut", &["black closed"]);
        person.answer(&mut program, "rinse-water", &["water on"]);
        if round == 0 {
            person.answer(&mut program, "drips", &["hose dry"]);
        }
        // Nobody touches the tap until it has rung twice.
        program.wait_for("program (alarm)", 2, Duration::from_secs(60));
        person.answer(&mut program, "rinse-water", &["water off"]);
        person.answer(&mut program, "rinse-release", &["black open"]);
        person.answer(&mut program, "rinse-run-out", &["run out"]);
        person.answer(&mut program, "rinse-clear", &[if round == 0 { "no" } else { "yes" }]);
    }
    person.answer(&mut program, "layer-shut", &["black closed"]);
    let (memory, most) = (program.memory_mb(), program.most_memory_mb());
    assert!(most <= 280.0, "{most:.0} MB of memory at most, expected 280");
    assert!(memory <= 238.0, "{memory:.0} MB of memory after most of a run, expected at most 238");
    // The valves are where they stand; the tap comes after.
    person.answer(&mut program, "grey-open", &["gray open"]);
    person.answer(&mut program, "grey-run-out", &["run out"]);
    person.answer(&mut program, "grey-shut", &["gray closed"]);
    person.answer(&mut program, "layer-water", &["water on", "water off"]);
    for (step, answer) in [
        ("pressure-off", "pressure off"),
        ("last-black", "black closed"),
        ("last-grey", "gray closed"),
        ("rinse-hose-off", "rinse hose off"),
        ("hose-off", "sewer hose off"),
        ("outlet-cap", "cap on"),
        ("hose-rinse", "hose rinsed"),
        ("hose-stow", "hose stowed"),
        ("station", "lid closed"),
        ("gloves-off", "gloves off"),
        ("wash", "washing"),
    ] {
        person.answer(&mut program, step, &[answer]);
    }
    program.ends_well(Duration::from_secs(60));

    let reader = JournalReader::open(&journal).unwrap();
    let events: Vec<Event> = reader.events(RunId(1)).unwrap().into_iter().map(|record| record.event).collect();
    let count = |wanted: &dyn Fn(&Event) -> bool| events.iter().filter(|event| wanted(event)).count();
    let by_voice = |heard: &HeardAs| matches!(heard, HeardAs::Voice { .. } | HeardAs::VoiceConfirmed { .. });
    assert!(count(&|e| matches!(e, Event::SpeechUnclear)) >= 1, "'banana bread' fits nothing");
    assert_eq!(count(&|e| matches!(e, Event::OtherStateHeard { step, .. } if step == "grey-held")), 1);
    assert_eq!(count(&|e| matches!(e, Event::StandingBy)), 1);
    assert_eq!(count(&|e| matches!(e, Event::WentAhead)), 1);
    assert_eq!(count(&|e| matches!(e, Event::StepsReopened { steps, .. } if steps == &["hose-rig"])), 1);
    assert_eq!(count(&|e| matches!(e, Event::ClockRanOut { step } if step == "rinse-water")), 2);
    assert_eq!(count(&|e| matches!(e, Event::LoopedBack { .. })), 1);
    assert_eq!(count(&|e| matches!(e, Event::VoiceChanged { .. })), 1);
    assert_eq!(count(&|e| matches!(e, Event::StepAnswered { heard, .. } if !by_voice(heard))), 0, "nothing but voice");
    assert_eq!(count(&|e| matches!(e, Event::StepSkipped { .. })), 0);
    assert!(
        matches!(events.last(), Some(Event::RunCompleted { skipped }) if skipped.is_empty()),
        "{:?}",
        events.last()
    );

    // What came out of the loudspeaker, as a recogniser writes it down.
    let heard = transcript(&ear.utterances(&server.folder().join("played")), server.folder());
    for sentence in [
        "sewer hose on the outlet",
        "say again",
        "which is it say gray closed or gray open",
        "standing by",
        "close the gray valve now",
        "going back",
        "rinse water on for",
        "shut the rinse tap now",
        "tank dump complete",
    ] {
        assert!(best_match(&heard, sentence) >= 0.7, "'{sentence}' was not heard in:\n{}", heard.join("\n"));
    }
    let last = heard.last().cloned().unwrap_or_default();
    assert!(
        best_match(std::slice::from_ref(&last), "tank dump complete") >= 0.6,
        "the completion call is the last thing said: {last}"
    );
}

struct Person<'a> {
    server: &'a SoundServer,
    ear: &'a Ear,
    clips: PathBuf,
}

impl Person<'_> {
    /// At the step, says one thing after the other, each after the program has finished; repeats what was not understood.
    fn answer(&self, program: &mut Program, step: &str, words: &[&str]) {
        for _ in 0..600 {
            if program.step() == step {
                break;
            }
            pause(Duration::from_millis(50));
        }
        assert_eq!(program.step(), step);
        for (place, text) in words.iter().enumerate() {
            let mut voices = VecDeque::from(if (step.len() + place).is_multiple_of(2) { VOICES } else { SECOND_FIRST });
            voices.extend(VOICES);
            loop {
                let voice = voices.pop_front().unwrap_or_else(|| panic!("'{text}' was never understood at '{step}'"));
                // Whoever is not understood with a short word is told a longer one, and says it.
                let text = match *text {
                    "yes" if voices.len() < 3 => "affirmative",
                    "no" if voices.len() < 3 => "negative",
                    text => text,
                };
                self.hear_out();
                program.seen = program.lines.lock().unwrap().len();
                self.server.play(&clip(&self.clips, voice, text));
                match self.reaction(program, text) {
                    Reaction::Understood => break,
                    Reaction::AskedAbout => {
                        self.confirm(program, text);
                        break;
                    }
                    Reaction::NotUnderstood => {}
                }
            }
        }
    }

    /// Waits until the program has been quiet for as long as people leave between turns.
    fn hear_out(&self) {
        pause(Duration::from_millis(300));
        while self.ear.quiet_for() < Duration::from_millis(700) {
            pause(Duration::from_millis(20));
        }
    }

    /// "I heard ... Is that right?": they say it once more, or yes.
    fn confirm(&self, program: &mut Program, text: &str) {
        for (voice, text) in [(VOICES[0], text), (VOICES[0], "yes"), (VOICES[0], "that is right"), (VOICES[1], "yes")] {
            self.hear_out();
            program.seen = program.lines.lock().unwrap().len();
            self.server.play(&clip(&self.clips, voice, text));
            if !matches!(self.reaction(program, text), Reaction::NotUnderstood)
                && !program.new_lines().iter().any(|line| line.contains("Is that right?"))
            {
                return;
            }
        }
        panic!("'{text}' was never confirmed");
    }

    /// What the program made of it; nonsense is to be not understood.
    fn reaction(&self, program: &Program, text: &str) -> Reaction {
        for _ in 0..100 {
            let lines = program.new_lines();
            if lines.iter().any(|line| line.contains("Is that right?")) {
                return Reaction::AskedAbout;
            }
            for line in lines {
                let right = line.contains(&format!("heard: {text} ("));
                assert!(right || !line.contains("heard: ") || unsure(&line), "'{text}' was taken for: {line}");
                if right && !unsure(&line) {
                    return Reaction::Understood;
                }
                if line.contains("unclear: ") {
                    return if text == NONSENSE { Reaction::Understood } else { Reaction::NotUnderstood };
                }
            }
            pause(Duration::from_millis(50));
        }
        // A thin hearing that is not asked about was acted on.
        let acted = program
            .new_lines()
            .iter()
            .any(|line| line.contains(&format!("heard: {text} (")) && !line.contains(", doubtful"));
        if acted { Reaction::Understood } else { Reaction::NotUnderstood }
    }
}

/// Whether it was heard, but not well enough to be acted on as it is.
fn unsure(line: &str) -> bool {
    line.contains(", thin") || line.contains(", doubtful")
}

enum Reaction {
    Understood,
    /// It was not sure, and asked.
    AskedAbout,
    NotUnderstood,
}

const VOICES: [Voice; 2] = [("flite", "rms"), ("espeak-ng", "en-us")];
const SECOND_FIRST: [Voice; 2] = [("espeak-ng", "en-us"), ("flite", "rms")];
const NONSENSE: &str = "banana bread";
