//! A live run of the program over a sound server, the voices of test persons, and what was said as a recogniser writes it down.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::server::{SoundServer, pause};

/// The program under test, with the lines that it printed.
pub struct Program {
    child: Child,
    pub lines: Arc<Mutex<Vec<String>>>,
    /// How many lines are old news.
    pub seen: usize,
}

impl Program {
    /// Starts a live run with these further arguments.
    pub fn start(server: &SoundServer, routine: &str, rig: &Path, journal: &Path, more: &[&str]) -> Self {
        let mut command = server.command(env!("CARGO_BIN_EXE_sparehand"));
        command.args(["run", routine]).args(more).arg("--rig").arg(rig).arg("--journal").arg(journal);
        Self::spawn(&mut command)
    }

    /// Starts the tank dump of an ordinary rig, and waits until its first step is asked for.
    pub fn tank_dump(server: &SoundServer, more: &[&str]) -> Self {
        let rig = server.folder().join("rig.toml");
        std::fs::write(&rig, "").unwrap();
        let mut program = Self::start(server, "tank-dump", &rig, &server.folder().join("journal.sqlite"), more);
        program.wait_for("step: gloves", 1, Duration::from_secs(30));
        program
    }

    /// Starts this command, whose lines are kept.
    pub fn spawn(command: &mut Command) -> Self {
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
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

    /// Lines since `seen`.
    pub fn new_lines(&self) -> Vec<String> {
        self.lines.lock().unwrap()[self.seen..].to_vec()
    }

    /// The step that was asked for last.
    pub fn step(&self) -> String {
        let lines = self.lines.lock().unwrap();
        let step = lines.iter().rev().find_map(|line| line.split_once("] step: "));
        step.map(|(_, step)| step.to_owned()).unwrap_or_default()
    }

    /// Waits until this many new lines contain a text.
    pub fn wait_for(&mut self, text: &str, times: usize, patience: Duration) {
        for _ in 0..patience.as_millis() / 50 {
            if self.new_lines().iter().filter(|line| line.contains(text)).count() >= times {
                return;
            }
            pause(Duration::from_millis(50));
        }
        panic!("'{text}' did not come {times} times within {patience:?}");
    }

    /// Sends the program a signal, such as TERM.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").arg(format!("-{name}")).arg(self.child.id().to_string()).status().unwrap();
        assert!(sent.success(), "kill -{name}");
    }

    /// Plays `words` when the step is asked for, and once more where they were not taken, until the program goes on.
    pub fn answer_until_kept(&mut self, server: &SoundServer, words: &Path, step: &str) {
        for _ in 0..40 {
            if self.step() == step {
                break;
            }
            pause(Duration::from_millis(500));
        }
        assert_eq!(self.step(), step);
        for _ in 0..4 {
            pause(Duration::from_secs(6));
            let seen = self.lines.lock().unwrap().len();
            server.play(words);
            for _ in 0..60 {
                let went_on = |line: &String| {
                    line.contains(&format!("kept: {step} =")) || line.contains(&format!("clock of {step} runs"))
                };
                if self.lines.lock().unwrap()[seen..].iter().any(went_on) {
                    return;
                }
                pause(Duration::from_millis(50));
            }
        }
        panic!("'{step}' was never answered");
    }

    /// Resident memory now, in megabytes of 1,048,576 bytes.
    pub fn memory_mb(&self) -> f64 {
        self.memory("VmRSS:")
    }

    /// The most so far: while the models are loaded it is some 20 more for a moment.
    pub fn most_memory_mb(&self) -> f64 {
        self.memory("VmHWM:")
    }

    fn memory(&self, field: &str) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix(field)).expect("it runs");
        line.trim().trim_end_matches(" kB").parse::<f64>().unwrap() / 1024.0
    }

    pub fn has_ended(&mut self) -> bool {
        self.child.try_wait().unwrap().is_some()
    }

    /// Waits for the program to end by itself, and well.
    pub fn ends_well(&mut self, patience: Duration) {
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

/// Synthesiser and voice.
pub type Voice = (&'static str, &'static str);

/// The words in this voice, made once.
pub fn clip(folder: &Path, voice: Voice, text: &str) -> PathBuf {
    std::fs::create_dir_all(folder).unwrap();
    let plain: String = text.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
    let path = folder.join(format!("{}-{plain}.wav", voice.1));
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

/// The same words at this RMS, full scale 1.0.
pub fn clip_at(folder: &Path, voice: Voice, text: &str, rms: f32) -> PathBuf {
    let plain = clip(folder, voice, text);
    let path = plain.with_extension(format!("{rms}.wav"));
    if !path.exists() {
        let mut reader = hound::WavReader::open(&plain).unwrap();
        let samples: Vec<f32> = reader.samples::<i16>().map(|sample| f32::from(sample.unwrap()) / 32_768.0).collect();
        // Of what is said, not of the silence around it.
        let loud = samples.chunks(160).map(|chunk| chunk.iter().map(|sample| sample * sample).sum::<f32>() / 160.0);
        let loud: Vec<f32> = loud.filter(|power| *power > 1e-4).collect();
        let gain = rms / (loud.iter().sum::<f32>() / loud.len() as f32).sqrt();
        let mut writer = hound::WavWriter::create(&path, reader.spec()).unwrap();
        for sample in samples {
            writer.write_sample(((sample * gain).clamp(-1.0, 1.0) * 32_767.0) as i16).unwrap();
        }
        writer.finalize().unwrap();
    }
    path
}

/// What the recogniser writes for each utterance, freely, without knowing what could be said.
pub fn transcript(files: &[PathBuf], folder: &Path) -> Vec<String> {
    let phrases = folder.join("any.txt");
    // The free text is given up a little beyond the longest phrase: this one lets it go on to the end of a sentence.
    let long =
        "this is a long sentence of many words which nobody says here so that what is said is written down to its end";
    std::fs::write(&phrases, format!("yes\n{long}\n")).unwrap();
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
pub fn best_match(heard: &[String], sentence: &str) -> f64 {
    let words: Vec<&str> = sentence.split(' ').collect();
    let share = |texts: &[String]| {
        let plain: String =
            texts.join(" ").to_lowercase().chars().map(|c| if c.is_alphanumeric() { c } else { ' ' }).collect();
        // The recogniser spells the colour as it was taught to.
        let said: Vec<&str> = plain.split_whitespace().map(|word| if word == "grey" { "gray" } else { word }).collect();
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
