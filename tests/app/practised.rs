//! From beginner to practised by what the journal says, through the program's own way of making an engine.

use std::path::Path;

use sparehand::engine::event::{Event, HeardAs, Present};
use sparehand::engine::output::VoiceSettings;
use sparehand::journal::{Journal, NewRun, Purpose, Record, Stamp};
use sparehand::rig::{Rig, Role};
use sparehand::setup::practised::Practice;
use sparehand::setup::prompts;
use sparehand::units::SessionTime;

/// A run in which Rowan shut the gray valve, after having had it open where the run is not clean.
fn past_run(journal: &mut Journal, started: &str, purpose: Purpose, clean: bool) {
    let run = NewRun {
        routine: "tank-dump".to_owned(),
        fingerprint: "any".to_owned(),
        settings: "{}".to_owned(),
        started: started.to_owned(),
        purpose,
    };
    let id = journal.begin_run(&run).unwrap();
    let heard = HeardAs::Voice { phrase: "gray closed".to_owned(), score: 9.0, margin: 8.0 };
    let rowan = Present { name: "Rowan".to_owned(), roles: vec![], practised: vec![], here: true };
    let slip =
        Event::OtherStateHeard { step: "grey-held".to_owned(), answer: "gray open".to_owned(), heard: heard.clone() };
    let mut events = vec![
        Event::RunStarted { routine: "tank-dump".to_owned(), fingerprint: "any".to_owned() },
        Event::CrewSet { people: vec![rowan] },
        Event::StepOffered { step: "grey-held".to_owned() },
    ];
    events.extend((!clean).then_some(slip));
    events.push(Event::StepAnswered { step: "grey-held".to_owned(), answer: "gray closed".to_owned(), heard });
    events.push(Event::RunCompleted { skipped: vec![] });
    for (seq, event) in events.into_iter().enumerate() {
        let at = SessionTime::from_millis(1_000 * seq as u64);
        let stamp = Stamp { boot_id: "boot".to_owned(), boottime_ms: at.as_millis(), wall: started.to_owned() };
        journal.append(id, &Record { seq: seq as u64, at, stamp, event }).unwrap();
    }
}

fn rig() -> Rig {
    Rig::parse("rig.toml", "[[person]]\nname = \"Rowan\"\nroles = [\"outside\"]\n").unwrap()
}

/// What Rowan is practised in by a journal of such runs, seen on a day.
fn practised(runs: &[(&str, Purpose, bool)], days_later: i64) -> bool {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
    runs.iter().for_each(|&(started, purpose, clean)| past_run(&mut journal, started, purpose, clean));
    let past = Practice::read(&journal, &rig(), folder.path(), 20_600 + days_later).unwrap();
    let nowhere = Path::new("/nowhere");
    let mut engine =
        prompts::engine("tank-dump", &rig(), &["Rowan".to_owned()], VoiceSettings::default(), &past, nowhere).unwrap();
    let mut records = 0;
    engine.handle(SessionTime::ZERO, sparehand::units::StationId::RIG, sparehand::engine::input::Input::Woke);
    loop {
        match engine.poll().1 {
            sparehand::engine::output::Output::Record { seq, .. } => {
                records += 1;
                engine.handle(
                    SessionTime::ZERO,
                    sparehand::units::StationId::RIG,
                    sparehand::engine::input::Input::Recorded(seq),
                );
            }
            sparehand::engine::output::Output::Wait(_) => break,
            _ => {}
        }
    }
    assert!(records > 0);
    // The steps of the tank dump are anybody's.
    assert!(!engine.state().people[0].knows(Role::Inside));
    engine.state().people[0].knows(Role::Either)
}

// 2026-05-27 is day 20,600 (Python: date(2026, 5, 27).toordinal() - 719,163).
const MAY: [&str; 3] = ["2026-05-25T08:00:00Z", "2026-05-26T08:00:00Z", "2026-05-27T08:00:00Z"];

#[test]
fn three_clean_runs_in_the_journal_make_a_beginner_practised_and_half_a_year_away_undoes_it() {
    let clean = MAY.map(|day| (day, Purpose::Real, true));
    assert!(!practised(&[], 0), "nothing done yet");
    assert!(!practised(&clean[..2], 0), "two are not enough");
    assert!(practised(&clean, 0));
    assert!(practised(&clean, 180));
    assert!(!practised(&clean, 181));
}

#[test]
fn a_slip_or_a_rehearsal_does_not_count_as_a_clean_run() {
    let with =
        |purpose, clean| [(MAY[0], Purpose::Real, true), (MAY[1], Purpose::Real, true), (MAY[2], purpose, clean)];
    assert!(!practised(&with(Purpose::Real, false), 0));
    assert!(!practised(&with(Purpose::Rehearsal, true), 0));
}

/// What is put to somebody who begins a run by this rig and names nobody.
fn first_call(rig: &str) -> String {
    let rig = Rig::parse("rig.toml", rig).unwrap();
    let past = Practice { today: 20_600, ..Practice::default() };
    let mut engine =
        prompts::engine("tank-dump", &rig, &[], VoiceSettings::default(), &past, Path::new("/nowhere")).unwrap();
    let (station, mut said) = (sparehand::units::StationId::RIG, Vec::new());
    engine.handle(SessionTime::ZERO, station, sparehand::engine::input::Input::Woke);
    loop {
        match engine.poll().1 {
            sparehand::engine::output::Output::Record { seq, .. } => {
                engine.handle(SessionTime::ZERO, station, sparehand::engine::input::Input::Recorded(seq));
            }
            sparehand::engine::output::Output::Say(utterance) => said.push(utterance.text),
            sparehand::engine::output::Output::Wait(_) => return said.join(" "),
            _ => {}
        }
    }
}

#[test]
fn whoever_is_not_named_is_the_one_person_of_the_rig_or_a_beginner() {
    let person = |practised: &str| first_call(&format!("[[person]]\nname = \"Rowan\"\nroles = []\n{practised}"));
    let (beginner, practised) = (person(""), person("practiced = [\"either\"]"));
    assert!(beginner.len() > practised.len() && !practised.contains("Rowan"), "{beginner}\n{practised}");
    assert_eq!(first_call(""), beginner, "of whom nothing is known");
}
