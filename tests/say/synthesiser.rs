//! The one voice of all stations, with the real model.

use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use sparehand::say::mixer::{SentenceError, SentenceId, SentenceRequest, Urgency};
use sparehand::speech::synthesiser::{Synthesised, Synthesiser};
use sparehand::speech::voice::cache::Cache;
use sparehand::speech::voice::prepare::Workbench;
use sparehand::units::StationId;

fn bench(folder: &std::path::Path) -> Workbench {
    let voice = crate::say_common::load_voice();
    let cache = Cache::open(folder, voice.fingerprint()).unwrap();
    Workbench::new(voice, Some(cache)).unwrap()
}

fn request(id: u64, text: &str, urgency: Urgency) -> SentenceRequest {
    SentenceRequest { id: SentenceId(id), text: text.into(), speed: 1.0, urgency }
}

fn told(from: &Receiver<Synthesised>) -> Synthesised {
    from.recv_timeout(Duration::from_secs(30)).expect("an answer within half a minute")
}

fn names(told: &Synthesised) -> String {
    match told {
        Synthesised::Sentence { station, id, sound } => {
            format!("{}.{}{}", station.0, id.0, if sound.is_ok() { "" } else { "!" })
        }
        Synthesised::NotStored { .. } => "not stored".into(),
        Synthesised::Failed { .. } => "failed".into(),
        Synthesised::Idle => "idle".into(),
    }
}

#[test]
fn every_station_gets_its_own_answer_and_the_sound_that_the_voice_makes() {
    let folder = tempfile::tempdir().unwrap();
    let expected = {
        let mut bench = bench(folder.path());
        let levelled = bench.sentence("Close the valve.", 1.0).unwrap();
        sparehand::audio::resample::Doubler::new().unwrap().double(&levelled).unwrap()
    };
    let path = folder.path().to_owned();
    let (tell, from) = channel();
    let synthesiser = Synthesiser::spawn(move || Ok(bench(&path)), move |told| drop(tell.send(told))).unwrap();
    for station in 0..5 {
        synthesiser.ask(StationId(station), request(7, "Close the valve.", Urgency::Now));
        synthesiser.ask(StationId(station), request(8, "", Urgency::Ahead));
    }
    let mut answers = Vec::new();
    for _ in 0..10 {
        let told = told(&from);
        if let Synthesised::Sentence { sound: Ok(sound), .. } = &told {
            let apart = sound.iter().zip(&expected).map(|(a, b)| (a - b).abs()).fold(0.0f32, f32::max);
            assert!(sound.len() == expected.len() && apart < 1e-3, "{apart}: 16 bits");
        }
        answers.push(names(&told));
    }
    assert_eq!(answers, ["0.7", "1.7", "2.7", "3.7", "4.7", "0.8!", "1.8!", "2.8!", "3.8!", "4.8!"]);
}

#[test]
fn a_voice_that_fails_answers_and_is_loaded_anew_for_the_next_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_owned();
    let (tell, from) = channel();
    let mut loads = 0;
    let make = move || {
        loads += 1;
        match loads {
            1 => Err(SentenceError::new(std::fmt::Error)),
            2 => panic!("the library breaks off"),
            _ => Ok(bench(&path)),
        }
    };
    let synthesiser = Synthesiser::spawn(make, move |told| drop(tell.send(told))).unwrap();
    assert_eq!(names(&told(&from)), "failed", "it could not be loaded");
    synthesiser.ask(StationId(1), request(1, "Close the valve.", Urgency::Now));
    assert_eq!([names(&told(&from)), names(&told(&from))], ["failed", "1.1!"]);
    synthesiser.ask(StationId(1), request(2, "Close the valve.", Urgency::Now));
    assert_eq!(names(&told(&from)), "1.2");
}

#[test]
fn what_is_made_ahead_of_time_is_in_the_cache_and_keeps_nobody_waiting() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_owned();
    let (tell, from) = channel();
    let synthesiser = Synthesiser::spawn(move || Ok(bench(&path)), move |told| drop(tell.send(told))).unwrap();
    let texts: Vec<String> = (0..300).map(|number| format!("Step {number}. Close the valve {number}.")).collect();
    synthesiser.store(texts, 1.0);
    synthesiser.ask(StationId(0), request(1, "Stop.", Urgency::Now));
    assert_eq!(names(&told(&from)), "0.1");
    let kept = || std::fs::read_dir(folder.path()).unwrap().count();
    assert!(kept() < 300, "{} sentences were made before the one that somebody waited for", kept());
    // Texts that replace those: what is left is made to its end.
    synthesiser.store(vec!["Put on your gloves. Wash your hands.".into()], 1.0);
    let mut bench = bench(folder.path());
    let cache = Cache::open(folder.path(), bench.voice().fingerprint()).unwrap();
    let marked = ["Put on your gloves.", "Wash your hands."].map(|sentence| bench.voice().marked(sentence));
    let is_kept = |marked: &String| cache.find(marked, 1.0).unwrap().is_some();
    let mut looks = 0;
    while !marked.iter().all(is_kept) {
        looks += 1;
        assert!(looks < 600, "not made within half a minute");
        pause(Duration::from_millis(50));
    }
}

#[allow(clippy::disallowed_methods, reason = "another thread works in real time")]
fn pause(span: Duration) {
    std::thread::sleep(span);
}

#[test]
fn it_ends_at_once_though_much_waits() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_owned();
    let (tell, from) = channel();
    let synthesiser = Synthesiser::spawn(move || Ok(bench(&path)), move |told| drop(tell.send(told))).unwrap();
    synthesiser.store((0..1_000).map(|number| format!("Close the valve {number}.")).collect(), 1.0);
    synthesiser.ask(StationId(0), request(1, "Stop.", Urgency::Now));
    assert_eq!(names(&told(&from)), "0.1");
    drop(synthesiser);
    assert!(
        from.iter().all(|told| matches!(told, Synthesised::Sentence { .. })),
        "the thread is gone, and its end of the channel"
    );
    assert!(std::fs::read_dir(folder.path()).unwrap().count() < 500);
}

#[test]
fn a_cache_that_cannot_be_read_or_written_costs_no_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("speech");
    let mut bench = bench(&place);
    let before = bench.sentence("Close the valve.", 1.0).unwrap();
    std::fs::remove_dir_all(&place).unwrap();
    std::fs::write(&place, "no folder").unwrap();
    let again = bench.sentence("Close the valve.", 1.0).unwrap();
    let apart = before.iter().zip(&again).map(|(a, b)| (a - b).abs()).fold(0.0f32, f32::max);
    assert!(before.len() == again.len() && apart < 1e-3, "{apart}: 16 bits");
    assert!(!bench.sentence("Open the valve.", 1.0).unwrap().is_empty());
}
