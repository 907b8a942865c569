//! `sparehand learn-voice` from the command line on recordings, with the real models: a synthetic person reads, is understood better
//! afterwards on other recordings, is never taken for something else more easily, and is forgotten again.
//!
//! The person is flite's voice awb; what they say later is said at other paces and in noise, so that no recording comes twice.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Arc;

use crate::hear_support::{in_noise, models};
use hound::{SampleFormat, WavSpec, WavWriter};
use sparehand::audio::wav;
use sparehand::cli::learned_files::{LearnedFiles, LearnedFound, own_examples};
use sparehand::cli::lesson::LessonWords;
use sparehand::decide::PhraseVerdict;
use sparehand::engine::input::Certainty;
use sparehand::engine::output::AllowedPhrase;
use sparehand::hear::noise::rms;
use sparehand::onnx::environment;
use sparehand::setup::prompts;
use sparehand::speech::clip::ClipHearing;
use sparehand::speech::own_examples::OwnExamples;
use sparehand::speech::recogniser::PhraseScoring;
use sparehand::speech::score::ScoreSettings;

/// `text` by flite's `voice`, `stretch` times as long as usual, at an RMS of 0.05 of full scale.
fn said(text: &str, voice: &str, stretch: f32) -> Vec<f32> {
    let file = tempfile::NamedTempFile::with_suffix(".wav").unwrap();
    let stretch = format!("duration_stretch={stretch}");
    let mut flite = Command::new("flite");
    flite.args(["-voice", voice, "--setf", &stretch, "-t", text, "-o"]).arg(file.path());
    assert!(flite.status().is_ok_and(|status| status.success()), "flite must be installed");
    let samples = wav::read(file.path()).unwrap();
    let gain = 0.05 / rms(&samples);
    samples.iter().map(|sample| sample * gain).collect()
}

fn write(path: &Path, samples: &[f32]) {
    let spec = WavSpec { channels: 1, sample_rate: 16_000, bits_per_sample: 16, sample_format: SampleFormat::Int };
    let mut writer = WavWriter::create(path, spec).unwrap();
    samples.iter().for_each(|sample| writer.write_sample((sample.clamp(-1.0, 1.0) * 32_767.0) as i16).unwrap());
    writer.finalize().unwrap();
}

/// The lines of a lesson, and all that may be said in it.
fn lines() -> (Vec<String>, Vec<AllowedPhrase>) {
    let book = prompts::phrasebook(Path::new("nowhere")).unwrap();
    let (count, phrases) = LessonWords::shipped().unwrap().phrases(&book);
    (phrases[..count].iter().map(|phrase| phrase.text.clone()).collect(), phrases)
}

struct Home {
    folder: tempfile::TempDir,
}

impl Home {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("read")).unwrap();
        Self { folder }
    }

    fn read(&self, line: &str, attempt: usize) -> PathBuf {
        let ending = if attempt > 1 { format!("-{attempt}") } else { String::new() };
        self.folder.path().join("read").join(format!("{}{ending}.wav", line.replace(' ', "-")))
    }

    fn all_lines_read(&self, voice: &str) {
        lines().0.iter().for_each(|line| write(&self.read(line, 1), &said(line, voice, 1.0)));
    }

    fn sparehand(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_sparehand"));
        command.args(arguments).env("XDG_DATA_HOME", self.folder.path().join("data"));
        command.env("XDG_CONFIG_HOME", self.folder.path().join("config")).env("SPAREHAND_MODELS", models());
        command.output().unwrap()
    }

    fn learn(&self) -> String {
        let (read, sound) = (self.folder.path().join("read"), self.folder.path().join("lesson.wav"));
        let (read, sound) = (read.to_str().unwrap(), sound.to_str().unwrap());
        let output = self.sparehand(&["learn-voice", "Rowan", "--recordings", read, "--keep-sound", sound]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    fn files(&self) -> LearnedFiles {
        LearnedFiles::in_folder(&self.folder.path().join("data/sparehand"))
    }

    fn own(&self) -> OwnExamples {
        own_examples(&self.files(), &["Rowan".to_owned()]).unwrap().0
    }
}

fn ear(own: OwnExamples, phrases: Vec<AllowedPhrase>) -> ClipHearing {
    let environment = environment(&models()).unwrap();
    let scoring = PhraseScoring::load(&environment, &models(), ScoreSettings::default()).unwrap();
    let recogniser = Box::new(scoring.with_own(Arc::new(own)));
    ClipHearing::with_recogniser(recogniser, phrases, None).unwrap()
}

/// Whether a run would act on it.
fn counts(verdict: &PhraseVerdict) -> bool {
    matches!(verdict.accepted, Some(Certainty::Sure | Certainty::Thin))
}

/// Each line said later: a little slower, faster, and as before, each three times in noise that makes some of them be asked for again.
fn said_later(voice: &str) -> Vec<(String, Vec<f32>)> {
    let lines = lines().0;
    let ways = [(1.06, 12.0), (0.95, 10.0), (1.0, 10.0)].repeat(3);
    let clip = |(seed, (stretch, snr), line): (u64, (f32, f32), &String)| {
        (line.clone(), in_noise(&said(line, voice, stretch), 0.5, 0.5, snr, seed + 1))
    };
    let all = ways.into_iter().flat_map(|way| lines.iter().map(move |line| (way, line)));
    (0..).zip(all).map(|(seed, (way, line))| clip((seed, way, line))).collect()
}

#[test]
fn who_has_read_is_understood_better_never_taken_for_something_else_and_forgotten_without_a_trace() {
    let home = Home::new();
    home.all_lines_read("awb");
    let text = home.learn();
    assert!(text.contains("I have learned ") && text.contains("take it back"), "{text}");
    assert!(text.contains("The rig file names nobody"), "{text}");
    let sound = hound::WavReader::open(home.folder.path().join("lesson.wav")).unwrap();
    let took_s = f64::from(sound.duration()) / 16_000.0;
    assert!((40.0..150.0).contains(&took_s), "about two minutes at most, took {took_s} s");

    let (_, phrases) = lines();
    let later = said_later("awb");
    let (mut plain, mut own) = (ear(OwnExamples::default(), phrases.clone()), ear(home.own(), phrases.clone()));
    let (mut before, mut after, mut judged) = (0, 0, Vec::new());
    for (line, clip) in &later {
        let (without, with) = (plain.hear(clip).unwrap().verdict, own.hear(clip).unwrap().verdict);
        let is_right = |verdict: &PhraseVerdict| verdict.best.is_some_and(|best| phrases[best].text == *line);
        before += usize::from(is_right(&without) && counts(&without));
        after += usize::from(is_right(&with) && counts(&with));
        assert_eq!(with.margin, without.margin, "{line}: what is learned never touches the margin");
        assert!(is_right(&with) || !counts(&with) || counts(&without), "{line}: {with:?}");
        judged.push(format!("{without:?}"));
    }
    assert!(after >= before + 6, "{after} of {} with what was learned, {before} without", later.len());

    // The same said where nothing of its meaning may be said: nothing that was refused is taken now.
    for (line, clip) in later.iter().step_by(15) {
        let group = phrases.iter().find(|phrase| phrase.text == *line).unwrap().group;
        let others: Vec<AllowedPhrase> = phrases.iter().filter(|phrase| phrase.group != group).cloned().collect();
        plain.listen_for(others.clone()).unwrap();
        own.listen_for(others.clone()).unwrap();
        let (without, with) = (plain.hear(clip).unwrap().verdict, own.hear(clip).unwrap().verdict);
        let best = with.best.map(|best| others[best].text.clone());
        assert!(!counts(&with) || counts(&without), "'{line}' is taken for {best:?}: {with:?}");
    }

    let output = home.sparehand(&["learn-voice", "Rowan", "--forget"]);
    assert!(String::from_utf8_lossy(&output.stdout).contains("is forgotten"), "{output:?}");
    assert_eq!(home.files().find("Rowan").unwrap(), LearnedFound::Nothing);
    let mut forgotten = ear(home.own(), phrases);
    let again: Vec<String> =
        later.iter().take(12).map(|(_, clip)| format!("{:?}", forgotten.hear(clip).unwrap().verdict)).collect();
    assert_eq!(again, judged[..12], "judged as before to the last digit");
}

#[test]
fn what_is_wrong_with_a_line_is_said_and_the_line_asked_for_again() {
    let home = Home::new();
    home.all_lines_read("slt");
    let good = |line: &str| said(line, "slt", 1.0);
    let louder = |line: &str, gain: f32| -> Vec<f32> { good(line).iter().map(|sample| sample * gain).collect() };
    write(&home.read("gray closed", 1), &louder("gray closed", 0.045));
    write(&home.read("gray open", 1), &louder("gray open", 40.0));
    write(&home.read("black closed", 1), &good("take a note"));
    write(&home.read("black open", 1), &vec![0.0; 1_600]);
    for line in ["gray closed", "gray open", "black closed"] {
        write(&home.read(line, 2), &said(line, "slt", 1.05));
    }
    let text = home.learn();
    for expected in [
        "Too soft. Come nearer, or louder: gray closed.",
        "it breaks up. Once more: gray open.",
        "I took that for take a note. Once more: black closed.",
        "I heard nothing. Once more: black open.",
        "4 of 24  'black open': left out",
        "1 of 24  'gray closed': heard",
    ] {
        assert!(text.contains(expected), "no '{expected}' in\n{text}");
    }
    let LearnedFound::Usable(voice, examples) = home.files().find("rowan").unwrap() else { panic!("{text}") };
    assert!(examples.len() >= 20 && examples.iter().all(|example| example.line != "black open"));
    assert!(voice.tries >= 28, "{}", voice.tries);

    let shown = home.sparehand(&["learn-voice", "--show"]);
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    assert!(shown.starts_with("Rowan: ") && shown.contains("\n  gray closed: heard"), "{shown}");
}

#[test]
fn too_few_lines_change_nothing_and_what_was_learned_before_stays() {
    let home = Home::new();
    let (lines, _) = lines();
    for line in &lines[..8] {
        write(&home.read(line, 1), &said(line, "slt", 1.0));
    }
    let kept = home.files().path("Rowan").unwrap();
    std::fs::create_dir_all(kept.parent().unwrap()).unwrap();
    std::fs::write(&kept, "what was there").unwrap();
    let text = home.learn();
    assert!(text.contains("nothing is changed"), "{text}");
    assert_eq!(std::fs::read_to_string(&kept).unwrap(), "what was there");
}
