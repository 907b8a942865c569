//! The page after a run: it says what the journal says, escapes what people said, and needs nothing from outside.

use std::collections::BTreeMap;

use proptest::prelude::*;
use sparehand::engine::event::{Event, HeardAs, Present};
use sparehand::paper::page::{PageEntry, PageOutcome, RunRecord, StepName, page};
use sparehand::paper::words::{PageWords, PaperWords};
use sparehand::units::SessionTime;

fn words() -> PageWords {
    PaperWords::parse("paper.toml", include_str!("../../prompts/phrases/paper.toml")).unwrap().page
}

fn voice(phrase: &str) -> HeardAs {
    HeardAs::Voice { phrase: phrase.to_owned(), score: -0.5, margin: 3.0 }
}

fn run(events: Vec<(u64, Event)>) -> RunRecord {
    let names = [
        ("gloves", "gloves on", false),
        ("grey", "grey valve closed", true),
        ("black", "black valve closed before the cap comes off", true),
        ("rinse", "rinse water", true),
        ("tyre", "left front tyre", false),
        ("volts", "house battery", false),
        ("mat", "mat stowed", false),
        ("gate", "nothing left open", false),
    ];
    let steps = names
        .into_iter()
        .map(|(id, name, critical)| (id.to_owned(), StepName { name: name.to_owned(), critical }))
        .collect::<BTreeMap<_, _>>();
    let entries = events
        .into_iter()
        .map(|(seconds, event)| PageEntry {
            at: SessionTime::from_millis(seconds * 1000),
            of_day: format!("08:{:02}:{:02}", seconds / 60 % 60, seconds % 60),
            step: None,
            told: format!("{event:?}"),
            event,
        })
        .collect();
    RunRecord {
        number: 3,
        title: "the tank dump".to_owned(),
        began: "2026-05-01 08:00".to_owned(),
        outcome: PageOutcome::Completed,
        rehearsal: false,
        steps,
        changed: false,
        entries,
    }
}

fn example() -> RunRecord {
    let text = str::to_owned;
    let present =
        |name: &str, role: &str| Present { name: text(name), roles: vec![text(role)], practised: vec![], here: true };
    let offered = |step: &str| Event::StepOffered { step: text(step) };
    let answered =
        |step: &str, answer: &str| Event::StepAnswered { step: text(step), answer: text(answer), heard: voice(answer) };
    let assigned = |step: &str, person: &str| Event::StepAssigned { step: text(step), person: text(person) };
    let reading = |step: &str, name: &str, value, least, most, decimals, unit: &str| Event::ReadingTaken {
        step: text(step),
        name: text(name),
        value,
        decimals,
        unit: text(unit),
        least,
        most,
        settles: true,
        heard: HeardAs::Key,
    };
    run(vec![
        (0, Event::RunStarted { routine: text("tank-dump"), fingerprint: text("5f2a") }),
        (0, Event::CrewSet { people: vec![present("Rowan", "outside"), present("Imre", "inside")] }),
        (2, assigned("gloves", "Rowan")),
        (2, offered("gloves")),
        (31, answered("gloves", "gloves on")),
        (33, assigned("grey", "Rowan")),
        (33, offered("grey")),
        (50, Event::OtherStateHeard { step: text("grey"), answer: text("grey open"), heard: voice("grey open") }),
        (82, answered("grey", "grey closed")),
        (84, assigned("mat", "Imre")),
        (84, offered("mat")),
        (95, Event::StepSkipped { step: text("mat"), reason: text("not needed") }),
        (97, assigned("black", "Rowan")),
        (97, offered("black")),
        (130, answered("black", "black closed")),
        (132, assigned("rinse", "Rowan")),
        (132, offered("rinse")),
        (150, Event::ClockStarted { step: text("rinse"), length_ms: 300_000, heard: voice("water on") }),
        (
            200,
            Event::NoteKept {
                step: text("rinse"),
                text: text("tap handle <loose> & leaking"),
                wav: Some(text("note-1.wav")),
            },
        ),
        (450, Event::ClockRanOut { step: text("rinse") }),
        (471, Event::ClockEnded { step: text("rinse"), ran_ms: 321_000, heard: voice("water off") }),
        (480, assigned("tyre", "Imre")),
        (480, offered("tyre")),
        (520, reading("tyre", "left front tyre", 74, 78, 82, 0, "psi")),
        (522, offered("volts")),
        (540, reading("volts", "house battery", 126, 124, 130, 1, "V")),
        (541, Event::StepsReopened { steps: vec![text("black")], because: text("correction") }),
        (542, offered("black")),
        (4_500, Event::Resumed { away_ms: Some(3_958_000) }),
        (4_520, Event::StepAnswered { step: text("black"), answer: text("black closed"), heard: HeardAs::Key }),
        (4_525, Event::GateHeld { open: vec![text("tyre")] }),
        (4_540, offered("gate")),
        (4_560, Event::Overridden { open: vec![text("tyre")], person: text("Rowan"), heard: voice("override") }),
        (4_560, Event::RunCompleted { skipped: vec![text("mat")] }),
    ])
}

#[test]
fn what_was_done_when_and_by_whom_stands_on_the_page() {
    let html = page(&example(), &words());
    // To look at it in a browser.
    if let Ok(file) = std::env::var("SPAREHAND_PAGE_OUT") {
        std::fs::write(file, &html).unwrap();
    }
    for part in [
        "The tank dump, 2026-05-01 08:00",
        "grey valve closed",
        "first not as wanted: grey open",
        "voice: grey closed",
        "Rowan, Imre",
        "mat stowed: not needed",
        "5:21, 0:21 over",
        "opened again: correction",
        "Rowan took it on themselves: left front tyre",
        "sound: note-1.wav",
        "12.4 to 13.0 V",
        "BELOW",
        "1:05:58 away",
        // Asked at 9:02, answered 20 s after the program was back.
        "<td class=\"number\">0:20</td>",
        "The gate held with these open: left front tyre",
    ] {
        assert!(html.contains(part), "'{part}' is not on the page");
    }
    assert_eq!(html.matches("class=\"done\"").count(), 8, "seven answered steps and the sample in the key");
}

#[test]
fn what_people_said_cannot_become_a_part_of_the_page() {
    let html = page(&example(), &words());
    assert!(html.contains("tap handle &lt;loose&gt; &amp; leaking"));
    assert!(!html.contains("<loose>"));
}

#[test]
fn the_page_loads_nothing_and_runs_nothing() {
    let html = page(&example(), &words());
    for word in ["http:", "https:", "<script", "<link", "<img", "@import", "javascript", "url(//"] {
        assert!(!html.contains(word), "{word}");
    }
    assert!(html.contains("default-src 'none'"));
}

#[test]
fn a_run_without_a_record_and_one_that_was_broken_off_have_pages() {
    let mut empty = run(Vec::new());
    empty.outcome = PageOutcome::Unfinished;
    assert!(page(&empty, &words()).contains("Broken off"));
    let mut broken = run(vec![
        (0, Event::StepOffered { step: "rinse".to_owned() }),
        (5, Event::ClockStarted { step: "rinse".to_owned(), length_ms: 300_000, heard: HeardAs::Key }),
        (90, Event::SpeechUnclear),
    ]);
    broken.outcome = PageOutcome::Unfinished;
    let html = page(&broken, &words());
    assert!(html.contains("still running at the end, 5:00 long") && html.contains("? open"), "{html}");
}

proptest! {
    /// Texts from microphones, keyboards and files, in every place where one can stand.
    #[test]
    fn no_text_breaks_out_of_its_place(text in "[<>&\"'a-z/ ]{1,20}", name in "[<>&\"'a-z/]{1,12}") {
        let mut record = run(vec![
            (0, Event::CrewSet { people: vec![Present { name: name.clone(), roles: vec![], practised: vec![], here: true }] }),
            (1, Event::StepOffered { step: name.clone() }),
            (2, Event::StepSkipped { step: name.clone(), reason: text.clone() }),
            (3, Event::NoteKept { step: name.clone(), text: text.clone(), wav: Some(name.clone()) }),
            (4, Event::GateHeld { open: vec![name.clone()] }),
            (5, Event::TimerStarted { name: name.clone(), length_ms: 5, heard: voice(&text) }),
        ]);
        record.title = text.clone();
        let html = page(&record, &words());
        let plain = page(&run(vec![
            (0, Event::CrewSet { people: vec![Present { name: "n".into(), roles: vec![], practised: vec![], here: true }] }),
            (1, Event::StepOffered { step: "n".into() }),
            (2, Event::StepSkipped { step: "n".into(), reason: "t".into() }),
            (3, Event::NoteKept { step: "n".into(), text: "t".into(), wav: Some("n".into()) }),
            (4, Event::GateHeld { open: vec!["n".into()] }),
            (5, Event::TimerStarted { name: "n".into(), length_ms: 5, heard: voice("t") }),
        ]), &words());
        // As many tags as with harmless texts, so none was made of these.
        prop_assert_eq!(html.matches('<').count(), plain.matches('<').count());
    }
}
