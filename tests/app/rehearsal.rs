//! Rehearsals from the command line: the real recogniser and the real voice, on WAV files, faster than time.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use rstest::rstest;
use serde_json::Value;
use sparehand::engine::event::Event;
use sparehand::journal::{JournalReader, RunId};

const RIG: &str = "[tank_dump]\nrinse_s = 20\nlayer_s = 8\n";

fn rehearse(folder: &Path, script: &str) -> Output {
    rehearse_routine("tank-dump", folder, RIG, script)
}

fn rehearse_routine(routine: &str, folder: &Path, rig: &str, script: &str) -> Output {
    fs::write(folder.join("rig.toml"), rig).unwrap();
    fs::write(folder.join("script.toml"), script).unwrap();
    rehearsal(folder, routine).output().unwrap()
}

/// A rehearsal of what lies in a folder: the rig and the script, and in `out` what comes of it.
pub fn rehearsal(folder: &Path, routine: &str) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_sparehand"));
    program.args(["rehearse", routine]);
    for (option, place) in [("--rig", "rig.toml"), ("--script", "script.toml"), ("--out", "out")] {
        program.arg(option).arg(folder.join(place));
    }
    program
}

fn summary(folder: &Path, output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_str(&fs::read_to_string(folder.join("out/summary.json")).unwrap()).unwrap()
}

fn events(folder: &Path) -> Vec<Event> {
    let journal = JournalReader::open(&folder.join("out/journal.sqlite")).unwrap();
    journal.events(RunId(1)).unwrap().into_iter().map(|record| record.event).collect()
}

#[test]
fn a_person_who_answers_as_asked_comes_through_the_whole_routine() {
    let folder = tempfile::tempdir().unwrap();
    let output = rehearse(folder.path(), "work = 0.0\n");
    let summary = summary(folder.path(), &output);
    assert_eq!(summary["outcome"], "completed", "{}", String::from_utf8_lossy(&output.stdout));
    assert_eq!(summary["open"], serde_json::json!([]));
    assert_eq!(
        (&summary["answered"], &summary["skipped"]),
        (&summary["steps"], &serde_json::json!([])),
        "the gate is no step"
    );
    assert_eq!(summary["heard_wrong"], serde_json::json!([]));
    assert_eq!(summary["heard_from_nobody"], serde_json::json!([]));
    assert!(matches!(events(folder.path()).last(), Some(Event::RunCompleted { .. })));

    let talk = fs::read_to_string(folder.path().join("out/talk.txt")).unwrap();
    for line in [
        "person: gloves on",
        "heard: gloves on (score ",
        "program (alarm): Time. Shut the rinse tap now.",
        "Tank dump complete.",
    ] {
        assert!(talk.contains(line), "no '{line}' in\n{talk}");
    }
    assert_eq!(String::from_utf8_lossy(&output.stdout).lines().next(), talk.lines().next(), "printed as it happens");

    let sound = hound::WavReader::open(folder.path().join("out/session.wav")).unwrap();
    assert_eq!((sound.spec().channels, sound.spec().sample_rate), (2, 16_000));
    let long = f64::from(sound.duration()) / 16_000.0;
    assert!((long - summary["simulated_s"].as_f64().unwrap()).abs() < 1.0);
    let samples: Vec<i16> = sound.into_samples().map(Result::unwrap).collect();
    let power = |side: usize| samples.iter().skip(side).step_by(2).map(|s| f64::from(*s).powi(2)).sum::<f64>();
    assert!(power(1) > power(0), "right: what was said, louder than what the microphone got of it");

    // Replies are as loud from their beginning as later on: whoever has just spoken is answered, not whispered to.
    let level = |from: usize, to: usize| {
        let said = samples[2 * from..2 * to].iter().skip(1).step_by(2);
        10.0 * (said.map(|s| f64::from(*s).powi(2)).sum::<f64>() / (to - from) as f64).max(1.0).log10()
    };
    let mut rises: Vec<f64> = replies(&talk)
        .into_iter()
        .map(|at_s| (at_s * 16_000.0) as usize)
        .map(|at| level(at + 16_000, at + 40_000) - level(at, at + 6_400))
        .collect();
    rises.sort_by(f64::total_cmp);
    assert!(rises.len() > 20 && rises[rises.len() / 2] < 6.0, "{rises:?} dB");
}

/// When the program began to reply to what it had heard, in seconds.
fn replies(talk: &str) -> Vec<f64> {
    let at_s = |line: &str| {
        let time = line.strip_prefix('[')?.split_once(']')?.0;
        time.split(':').try_fold(0.0, |before, part| part.parse::<f64>().ok().map(|part| before * 60.0 + part))
    };
    let (mut heard, mut found) = (None, Vec::new());
    for line in talk.lines() {
        if line.contains("] heard: ") {
            heard = at_s(line);
        } else if line.contains("] program: ")
            && let (Some(then), Some(now)) = (heard.take(), at_s(line))
            && now - then < 0.3
        {
            found.push(now);
        }
    }
    found
}

#[test]
fn acknowledgements_and_silence_leave_a_critical_step_open() {
    let folder = tempfile::tempdir().unwrap();
    let script = "work = 0.0\n\
        [[turn]]\nat = 'grey-held'\nsay = 'done'\n\
        [[turn]]\nat = 'grey-held'\nsay = 'roger'\n\
        [[turn]]\nat = 'grey-held'\nsay = 'okay'\n\
        [[turn]]\nat = 'grey-held'\nsilence_s = 60\n";
    let output = rehearse(folder.path(), script);
    let summary = summary(folder.path(), &output);
    assert_eq!(summary["outcome"], "open");
    assert!(summary["open"].as_array().unwrap().contains(&"grey-held".into()));
    let talk = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(talk.contains("Which is it? Say: gray closed, or gray open."), "{talk}");
    assert_eq!(talk.matches("Still here.").count(), 1, "one soft reminder:\n{talk}");
}

/// As long as nothing happens and nobody has anything to say a rehearsal goes on for six minutes; this clock runs for longer
/// before the program says that half of it is over.
#[test]
fn a_clock_that_runs_is_waited_for_however_long() {
    let folder = tempfile::tempdir().unwrap();
    // Through the open valve: into the closed one an unmeasured tap may not run so long.
    let rig = RIG.replace("rinse_s = 20", "rinse_method = 'rinse-through'\nrinse_s = 800");
    let script =
        "work = 0.0\n[[turn]]\nat = 'rinse-run-out'\nsay = 'end the run'\n[[turn]]\nafter_s = 6\nsay = 'yes'\n";
    let output = rehearse_routine("tank-dump", folder.path(), &rig, script);
    let summary = summary(folder.path(), &output);
    let talk = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(talk.contains("kept: clock of rinse-water ended after 80"), "{talk}");
    assert_eq!(summary["outcome"], "ended", "{talk}");
}

#[test]
fn an_emergency_card_is_no_routine_and_its_words_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let output = rehearse_routine("overflow", folder.path(), RIG, "");
    assert!(!output.status.success());
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(error.contains("'overflow' is an emergency card") && error.contains("tank overflow"), "{error}");
}

/// Each card from its words on, in the middle of a routine, by the real recogniser; then everything else is held.
#[rstest]
#[case::gas("i smell gas", &["out", "door-open", "bottle", "away", "stay"])]
#[case::overflow("tank overflow", &["shut-off", "water-state", "keep-off", "what-ran", "drain-on", "clean-up", "clean-hands"])]
#[case::storm("storm is coming", &["lightning", "which"])]
#[case::fire("we have a fire", &["out", "call", "count", "judged", "stay"])]
#[case::fire_too("fire fire", &["out", "call", "count", "judged", "stay"])]
#[case::smoke("i see smoke", &["out", "call", "count", "judged", "stay"])]
#[case::monoxide("carbon monoxide alarm", &["out", "air", "call", "count", "well", "stay", "source"])]
#[case::monoxide_short("c o alarm", &["out", "air", "call", "count", "well", "stay", "source"])]
#[case::tingle("it tingles", &["hands-off", "nobody-pulled", "shocked", "stay-off"])]
#[case::shock("i got a shock", &["hands-off", "nobody-pulled", "shocked", "stay-off"])]
#[case::hurt("somebody is hurt", &["nothing-moves", "call", "breathing", "bleeding", "pinned", "still", "guide"])]
#[case::help("i need help", &["nothing-moves", "call", "breathing", "bleeding", "pinned", "still", "guide"])]
#[case::breakdown("we broke down", &["off-road", "clear-of-lane", "behind-barrier", "call", "signs", "what", "wait"])]
#[case::stranded("we are stranded", &["off-road", "clear-of-lane", "behind-barrier", "call", "signs", "what", "wait"])]
#[case::slide("slide is stuck", &["let-go", "nobody-near", "obstacle", "supply", "one-try", "not-on-road"])]
fn a_card_begins_on_its_words_in_the_middle_of_a_routine_and_is_carried_to_its_end(
    #[case] words: &str,
    #[case] steps: &[&str],
) {
    let folder = tempfile::tempdir().unwrap();
    let output = rehearse(folder.path(), &format!("work = 0.0\n[[turn]]\nat = 'gloves'\nsay = '{words}'\n"));
    let summary = summary(folder.path(), &output);
    let talk = String::from_utf8_lossy(&output.stdout).into_owned();
    let mut rest = talk.as_str();
    for step in steps {
        let kept = format!("/{step} = ");
        rest = rest.split_once(kept.as_str()).unwrap_or_else(|| panic!("no '{kept}' in its turn in\n{talk}")).1;
    }
    assert!(rest.contains("I hold everything else. Say go ahead when it is safe."), "{talk}");
    assert_eq!(summary["heard_wrong"], serde_json::json!([]), "{talk}");
    assert_eq!(summary["answered"], 0, "nothing else was taken for done:\n{talk}");
}

#[test]
fn recordings_in_noise_are_mixed_in_and_a_wrong_state_is_answered_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    speak(&folder.path().join("open.wav"), "gray open");
    noise(&folder.path().join("hiss.wav"));
    let script = "work = 0.0\n\
        [[turn]]\nat = 'grey-held'\nwav = 'open.wav'\nnoise = 'hiss.wav'\nsnr_db = 20\n\
        [[turn]]\nat = 'grey-held'\nsay = 'gray closed'\nsilence_s = 2\n\
        [[turn]]\nat = 'black-held'\nsay = 'end the run'\n\
        [[turn]]\nafter_s = 6\nsay = 'yes'\n";
    let output = rehearse(folder.path(), script);
    let summary = summary(folder.path(), &output);
    let talk = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(talk.contains("Close the gray valve now"), "{talk}");
    assert!(talk.contains("kept: grey-held = gray closed"), "{talk}");
    assert_eq!(summary["outcome"], "ended", "{talk}");
}

#[test]
fn a_script_that_names_no_step_of_the_routine_is_refused_before_anything_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let output = rehearse(folder.path(), "[[turn]]\nat = 'moon'\nsay = 'x'\n");
    assert!(!output.status.success());
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(error.contains("turn 1: found at = 'moon', expected the id of a step of the routine"), "{error}");
    assert!(output.stdout.is_empty());
}

fn speak(path: &Path, text: &str) {
    let spoken = Command::new("flite").args(["-voice", "rms", "-t", text, "-o"]).arg(path).status();
    assert!(spoken.expect("./check installs flite").success());
}

/// Three seconds of white noise from a fixed seed.
fn noise(path: &Path) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 16_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut state = 1u32;
    for _ in 0..48_000 {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        writer.write_sample((state >> 16) as i16 / 8).unwrap();
    }
    writer.finalize().unwrap();
}
