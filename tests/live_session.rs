//! The program live on real devices of a sound server, with a test person who hears it out, answers aloud in two voices, is
//! misheard, stands by, asks again, corrects, and lets a clock run into its alarm.

mod sound_server;

use std::collections::VecDeque;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sound_server::{Ear, SoundServer, pause};
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{JournalReader, RunId};

#[test]
fn a_person_is_talked_through_the_whole_dump_over_real_devices() {
    let server = SoundServer::start();
    let rig = server.folder().join("rig.toml");
    std::fs::write(&rig, "[tank_dump]\nrinse_s = 20\nlayer_s = 8\nrinses_most = 2\n").unwrap();
    let journal = server.folder().join("journal.sqlite");
    let ear = server.listen();
    let mut program = Program::start(&server, &rig, &journal);
    let person = Person { server: &server, ear: &ear, clips: server.folder().join("clips") };

    person.answer(&mut program, "gloves", &["faster", "banana bread", "gloves on"]);
    person.answer(&mut program, "grey-held", &["roger", "stand by", "go ahead", "grey open", "grey closed"]);
    person.answer(&mut program, "black-held", &["say again", "black closed"]);
    person.answer(&mut program, "hose-rig", &["hose locked"]);
    person.answer(&mut program, "hose-drain", &["correction"]);
    person.answer(&mut program, "hose-rig", &["hose locked"]);
    person.answer(&mut program, "hose-drain", &["hose seated"]);
    person.answer(&mut program, "black-open", &["black open"]);
    person.answer(&mut program, "black-run-out", &["how long", "run out"]);
    person.answer(&mut program, "rinse-hose", &["rinse hose on"]);
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
    // The valves are where they stand; the tap comes after.
    person.answer(&mut program, "grey-open", &["grey open"]);
    person.answer(&mut program, "grey-run-out", &["run out"]);
    person.answer(&mut program, "grey-shut", &["grey closed"]);
    person.answer(&mut program, "layer-water", &["water on", "water off"]);
    for (step, answer) in [
        ("pressure-off", "pressure off"),
        ("last-black", "black closed"),
        ("last-grey", "grey closed"),
        ("hose-off", "hose off"),
        ("rinse-hose-off", "hose away"),
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
        "put waterproof gloves on",
        "say again",
        "i need the state say grey closed or grey open",
        "standing by",
        "close the grey valve now",
        "going back",
        "turn the rinse water on",
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

/// The program under test, with the lines that it printed.
struct Program {
    child: Child,
    lines: Arc<Mutex<Vec<String>>>,
    seen: usize,
}

impl Program {
    fn start(server: &SoundServer, rig: &Path, journal: &Path) -> Self {
        let mut child = server
            .command(env!("CARGO_BIN_EXE_sparehand"))
            .args(["run", "tank-dump", "--rig"])
            .arg(rig)
            .arg("--journal")
            .arg(journal)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&lines);
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                println!("{line}");
                kept.lock().unwrap().push(line);
            }
        });
        Self { child, lines, seen: 0 }
    }

    fn new_lines(&self) -> Vec<String> {
        self.lines.lock().unwrap()[self.seen..].to_vec()
    }

    fn step(&self) -> String {
        let lines = self.lines.lock().unwrap();
        let step = lines.iter().rev().find_map(|line| line.split_once("] step: "));
        step.map(|(_, step)| step.to_owned()).unwrap_or_default()
    }

    /// Waits until this many new lines contain a text.
    fn wait_for(&mut self, text: &str, times: usize, patience: Duration) {
        for _ in 0..patience.as_millis() / 50 {
            if self.new_lines().iter().filter(|line| line.contains(text)).count() >= times {
                return;
            }
            pause(Duration::from_millis(50));
        }
        panic!("'{text}' did not come {times} times within {patience:?}");
    }

    fn ends_well(&mut self, patience: Duration) {
        for _ in 0..patience.as_millis() / 50 {
            if let Some(status) = self.child.try_wait().unwrap() {
                assert!(status.success(), "{status}");
                return;
            }
            pause(Duration::from_millis(50));
        }
        panic!("the program did not end within {patience:?}");
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
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
                self.hear_out();
                program.seen = program.lines.lock().unwrap().len();
                let clip = self.clip(voice, text);
                self.server.play(&clip);
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
            self.server.play(&self.clip(voice, text));
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
                assert!(
                    right || !line.contains("heard: ") || line.contains(", thin"),
                    "'{text}' was taken for: {line}"
                );
                if right && !line.contains(", thin") {
                    return Reaction::Understood;
                }
                if line.contains("unclear: ") {
                    return if text == NONSENSE { Reaction::Understood } else { Reaction::NotUnderstood };
                }
            }
            pause(Duration::from_millis(50));
        }
        // A thin hearing that is not asked about was acted on.
        let acted = program.new_lines().iter().any(|line| line.contains(&format!("heard: {text} (")));
        if acted { Reaction::Understood } else { Reaction::NotUnderstood }
    }

    fn clip(&self, voice: Voice, text: &str) -> PathBuf {
        std::fs::create_dir_all(&self.clips).unwrap();
        let path = self.clips.join(format!("{}-{}.wav", voice.1, text.replace(' ', "-")));
        if !path.exists() {
            let mut command = Command::new(voice.0);
            match voice.0 {
                "flite" => command.args(["-voice", voice.1, "-t", text, "-o"]).arg(&path),
                _ => command.args(["-v", voice.1, "-s", "140", "-w"]).arg(&path).arg(text),
            };
            assert!(command.status().expect("./check installs the voices").success());
        }
        path
    }
}

enum Reaction {
    Understood,
    /// It was not sure, and asked.
    AskedAbout,
    NotUnderstood,
}

type Voice = (&'static str, &'static str);
const VOICES: [Voice; 2] = [("flite", "rms"), ("espeak-ng", "en-us")];
const SECOND_FIRST: [Voice; 2] = [("espeak-ng", "en-us"), ("flite", "rms")];
const NONSENSE: &str = "banana bread";

/// What the recogniser writes for each utterance, freely, without knowing what could be said.
fn transcript(files: &[PathBuf], folder: &Path) -> Vec<String> {
    let phrases = folder.join("any.txt");
    std::fs::write(&phrases, "yes\nno\n").unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .args(["hear", "--json", "--phrases"])
        .arg(&phrases)
        .args(files)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let lines = String::from_utf8(output.stdout).unwrap();
    lines
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap()["free_text"].as_str().unwrap().to_owned())
        .collect()
}

/// The largest share of a sentence's words that comes in order within three utterances that follow each other.
fn best_match(heard: &[String], sentence: &str) -> f64 {
    let words: Vec<&str> = sentence.split(' ').collect();
    let share = |texts: &[String]| {
        let plain: String =
            texts.join(" ").to_lowercase().chars().map(|c| if c.is_alphanumeric() { c } else { ' ' }).collect();
        // The recogniser spells the colour as it was taught to.
        let said: Vec<&str> = plain.split_whitespace().map(|word| if word == "gray" { "grey" } else { word }).collect();
        let mut longest = vec![vec![0usize; said.len() + 1]; words.len() + 1];
        for (i, word) in words.iter().enumerate() {
            for (j, other) in said.iter().enumerate() {
                longest[i + 1][j + 1] =
                    if word == other { longest[i][j] + 1 } else { longest[i][j + 1].max(longest[i + 1][j]) };
            }
        }
        longest[words.len()][said.len()] as f64 / words.len() as f64
    };
    heard.windows(3.min(heard.len())).map(share).fold(0.0, f64::max)
}
