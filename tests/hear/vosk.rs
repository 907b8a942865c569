//! Vosk as the ear, with its small Korean model: real library, real model, speech by espeak-ng. What may be heard was made of
//! words that the model knows; the sentences of other talk are of our own invention.
//!
//! Needs `sparehand fetch --with korean` (94 MB), as `./check` does it.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::hear_support::{Voice, in_noise, models, set, spoken};
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;
use sparehand::decide::PhraseVerdict;
use sparehand::engine::input::Certainty;
use sparehand::engine::output::{AllowedPhrase, PhraseClass};
use sparehand::hear::detector::SegmenterSettings;
use sparehand::hear::ear::{HearEvent, OwnVoiceState};
use sparehand::onnx::environment;
use sparehand::speech::clip::ClipHearing;
use sparehand::speech::listener::Listener;
use sparehand::speech::recogniser::Recogniser;
use sparehand::speech::vosk::{Vosk, VoskSettings, fetched_library};

const PHRASES: [&str; 16] = [
    "예",
    "아니요",
    "완료",
    "멈춰",
    "다시 말해",
    "설명해 줘",
    "밸브 닫힘",
    "밸브 열림",
    "전기 켜짐",
    "전기 꺼짐",
    "가스 잠김",
    "가스 열림",
    "소리 크게",
    "소리 작게",
    "기다려",
    "아직 더러워",
];

/// Nothing that may be said, from one word to a sentence.
const TALK: [&str; 14] = [
    "오늘 점심 뭐 먹을까",
    "내일은 비가 온다고 했어",
    "강아지 산책 시켜야 해",
    "밸브가 어디 있는지 모르겠어",
    "전기 요금이 너무 많이 나왔어",
    "가스 냄새는 안 나",
    "안녕하세요",
    "고마워",
    "괜찮아",
    "졸려",
    "쓰레기 버려",
    "물 좀 마실래",
    "바람이 불어",
    "사진 찍자",
];

const ENGLISH: [&str; 8] = [
    "what is for lunch today",
    "hello",
    "thank you",
    "okay",
    "close the door please",
    "can you hear me",
    "good morning",
    "the dog wants to go out",
];

fn settings() -> VoskSettings {
    let models = models();
    VoskSettings { library: fetched_library(&models), model: models.join("korean"), fillers: None }
}

fn vosk() -> Vosk {
    Vosk::load(&settings()).unwrap_or_else(|why| panic!("{why}; run `sparehand fetch --with korean`"))
}

fn critical(phrases: &[&str]) -> Vec<AllowedPhrase> {
    let mut all = set(1, phrases).phrases;
    all.iter_mut().for_each(|phrase| phrase.class = PhraseClass::Critical);
    all
}

fn heard(vosk: &mut Vosk, text: &str, voice: &'static str, phrases: &[AllowedPhrase]) -> PhraseVerdict {
    let texts: Vec<&str> = phrases.iter().map(|phrase| phrase.text.as_str()).collect();
    let ready = vosk.prepare(&texts).expect("the words are in the vocabulary");
    let clip = in_noise(&spoken(text, Voice::Espeak(voice)), 0.4, 0.3, 40.0, 3);
    vosk.recognise(&clip, &ready, phrases).expect("the model hears").1
}

#[test]
fn korean_phrases_are_heard_and_none_is_taken_for_another() {
    let (mut vosk, phrases) = (vosk(), critical(&PHRASES));
    let (mut right, mut all) = (0, 0);
    for (at, phrase) in PHRASES.iter().enumerate() {
        for voice in ["ko", "ko+f2"] {
            let found = heard(&mut vosk, phrase, voice, &phrases);
            all += 1;
            right += usize::from(found.best == Some(at) && found.is_understood());
            let taken_for_another = found.best != Some(at) && found.is_understood();
            assert!(!taken_for_another, "{phrase} by {voice}: {found:?}");
        }
    }
    assert!(right * 100 >= all * RIGHT_OF_100, "{right} of {all}");
}

#[test]
fn other_speech_in_korean_and_in_english_is_no_phrase() {
    let (mut vosk, phrases) = (vosk(), critical(&PHRASES));
    let talk = TALK.iter().map(|text| (*text, "ko")).chain(ENGLISH.iter().map(|text| (*text, "en-us")));
    for (text, voice) in talk {
        let found = heard(&mut vosk, text, voice, &phrases);
        assert!(!found.is_understood(), "{text}: taken for {:?}, {found:?}", found.best.map(|at| PHRASES[at]));
    }
}

#[test]
fn silence_and_noise_are_no_phrase_and_too_little_sound_is_an_error() {
    let (mut vosk, phrases) = (vosk(), critical(&PHRASES));
    let ready = vosk.prepare(&PHRASES).expect("the words are in the vocabulary");
    for sound in [vec![0.0; 16_000], sparehand::hear::noise::pink(4, 32_000, 0.05), vec![0.0; 1_600]] {
        let found = vosk.recognise(&sound, &ready, &phrases).expect("the model hears").1;
        assert_eq!(found.accepted, None, "{found:?}");
    }
    let error = vosk.recognise(&[0.0; 100], &ready, &phrases).unwrap_err().to_string();
    assert_eq!(error, "the sound has 100 samples, expected at least 1600");
}

/// Without a rule for it, the longer phrase would let its words be said again and leave no distance.
#[test]
fn a_phrase_that_is_part_of_another_is_still_heard() {
    let (mut vosk, phrases) = (vosk(), critical(&["전기 켜짐", "전기 꺼짐", "검은 전기 꺼짐", "설명해 줘"]));
    let found = heard(&mut vosk, "전기 꺼짐", "ko+f2", &phrases);
    assert!(found.best == Some(1) && found.accepted.is_some(), "{found:?}");
}

#[test]
fn a_word_that_the_model_does_not_know_is_refused_by_name_before_anything_is_heard() {
    let mut vosk = vosk();
    let error = vosk.prepare(&["밸브 닫힘", "건너뛰기", "say 다시", "건너뛰기 줘"]).unwrap_err().to_string();
    assert!(error.contains("'건너뛰기' (in '건너뛰기')") && error.contains("'say' (in 'say 다시')"), "{error}");
    assert!(!error.contains("밸브") && error.contains("phrases/en.toml"), "{error}");
}

#[test]
fn a_missing_library_a_missing_model_and_a_folder_that_is_none_are_told_apart() {
    let folder = tempfile::tempdir().expect("a folder");
    let error = |settings: VoskSettings| Vosk::load(&settings).err().expect("nothing to load").to_string();
    let missing = error(VoskSettings { library: folder.path().join("libvosk.so"), ..settings() });
    assert!(missing.contains("libvosk.so") && missing.contains("sparehand fetch --with korean"), "{missing}");
    let text = folder.path().join("text.so");
    std::fs::write(&text, "no library").expect("writing works");
    assert!(error(VoskSettings { library: text, ..settings() }).contains("text.so"));
    let another = models().join("onnxruntime/libonnxruntime.so");
    let another = error(VoskSettings { library: another, ..settings() });
    assert!(another.contains("vosk_set_log_level"), "{another}");
    let nowhere = error(VoskSettings { model: folder.path().join("none"), ..settings() });
    assert!(nowhere.contains("none") && nowhere.contains("--second-engine-model"), "{nowhere}");
    let empty = error(VoskSettings { model: folder.path().to_owned(), ..settings() });
    assert!(empty.contains("HCLr.fst"), "{empty}");
    // The library gives a null pointer for it.
    let broken = folder.path().join("broken/graph");
    std::fs::create_dir_all(&broken).expect("a folder");
    std::fs::write(broken.join("HCLr.fst"), "nothing").expect("writing works");
    let broken = error(VoskSettings { model: folder.path().join("broken"), ..settings() });
    assert!(broken.contains("not loaded") && broken.contains("broken"), "{broken}");
}

#[test]
fn fillers_that_the_model_does_not_know_are_refused_for_rejection_hangs_on_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("fillers.txt");
    std::fs::write(&path, "# none of Korean\n\nbaqq\ncaqq\n가\n").expect("writing works");
    let error =
        Vosk::load(&VoskSettings { fillers: Some(path.clone()), ..settings() }).err().expect("too few").to_string();
    assert!(error.contains("knows 1 of the short words in") && error.contains("fillers.txt"), "{error}");
    let missing = VoskSettings { fillers: Some(folder.path().join("none.txt")), ..settings() };
    assert!(Vosk::load(&missing).err().expect("no file").to_string().contains("none.txt"));
}

/// The model itself hangs on the level: at a quarter of the usual one it understands one word in five of those.
#[test]
fn how_loud_it_is_said_makes_no_difference() {
    let (mut vosk, phrases) = (vosk(), critical(&PHRASES));
    let ready = vosk.prepare(&PHRASES).expect("the words are in the vocabulary");
    let clip = in_noise(&spoken("아직 더러워", Voice::Espeak("ko")), 0.4, 0.3, 40.0, 3);
    for gain in [0.05, 0.25, 1.0, 3.0] {
        let louder: Vec<f32> = clip.iter().map(|sample| sample * gain).collect();
        let found = vosk.recognise(&louder, &ready, &phrases).expect("the model hears").1;
        assert_eq!((found.best, found.is_understood()), (Some(15), true), "{gain}: {found:?}");
    }
}

#[test]
fn the_same_sound_gives_the_same_verdict() {
    let (mut vosk, phrases) = (vosk(), critical(&PHRASES));
    let once = heard(&mut vosk, "아직 더러워", "ko", &phrases);
    assert_eq!(once, heard(&mut vosk, "아직 더러워", "ko", &phrases));
}

#[test]
fn a_listener_hears_korean_from_frames_and_takes_a_note_that_is_no_answer() {
    let models = models();
    let environment = environment(&models).expect("run `sparehand fetch`");
    let mut listener = Listener::with_recogniser(&environment, &models, SegmenterSettings::default(), Box::new(vosk()))
        .expect("models");
    listener.allow(&set(7, &PHRASES)).expect("the words are in the vocabulary");
    let feed = |listener: &mut Listener, text: &str| -> Vec<HearEvent> {
        let sound = in_noise(&spoken(text, Voice::Espeak("ko")), 1.5, 2.5, 40.0, 5);
        let frames = sound.chunks_exact(FRAME_LEN).map(|frame| frame.try_into().expect("a chunk is a frame"));
        frames
            .filter_map(|frame| listener.push_frame(frame, None, OwnVoiceState::Silent).expect("the models run"))
            .collect()
    };
    let events = feed(&mut listener, "아직 더러워");
    let [HearEvent::SpeechStarted, HearEvent::Heard(heard)] = &events[..] else { panic!("{events:?}") };
    assert_eq!((heard.text.as_str(), heard.certainty), ("아직 더러워", Certainty::Sure));
    listener.take_note();
    let events = feed(&mut listener, "오늘 저녁에 비가 많이 왔어");
    let note = events.iter().find_map(|event| match event {
        HearEvent::Noted(note) => Some(note),
        _ => None,
    });
    let note = note.unwrap_or_else(|| panic!("{events:?}"));
    assert!(!note.text.is_empty() && note.samples.len() > 16_000, "{:?}", note.text);
}

#[test]
fn a_clip_is_heard_with_vosk_as_it_is_without() {
    let phrases = set(1, &PHRASES).phrases;
    let mut hearing = ClipHearing::with_recogniser(Box::new(vosk()), phrases, None).expect("the models are there");
    let clip = in_noise(&spoken("아직 더러워", Voice::Espeak("ko")), 0.4, 0.3, 40.0, 3);
    let found = hearing.hear(&clip).expect("the model hears");
    assert_eq!(found.verdict.best, Some(15), "{found:?}");
}

fn sparehand(arguments: &[&str], config: &Path) -> (bool, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_sparehand"));
    let home = config.parent().expect("a folder");
    command.args(arguments).env("SPAREHAND_MODELS", models()).env("XDG_CONFIG_HOME", config).env("HOME", home);
    let done = command.current_dir(home).output().expect("the program runs");
    let text = [done.stdout, done.stderr].concat();
    (done.status.success(), String::from_utf8_lossy(&text).into_owned())
}

#[test]
fn the_command_hears_with_the_model_that_it_is_given() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| -> PathBuf { folder.path().join(name) };
    std::fs::write(path("phrases.txt"), PHRASES.join("\n")).expect("writing works");
    let clip = in_noise(&spoken("아직 더러워", Voice::Espeak("ko")), 0.4, 0.3, 40.0, 3);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: SAMPLE_RATE as u32,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path("word.wav"), spec).expect("a file");
    clip.iter().for_each(|sample| writer.write_sample((sample * 32_767.0) as i16).expect("writing works"));
    writer.finalize().expect("writing works");
    let (word, list, model) = (path("word.wav"), path("phrases.txt"), models().join("korean"));
    let (word, list, model) = (word.display().to_string(), list.display().to_string(), model.display().to_string());
    let (fine, text) =
        sparehand(&["hear", "--phrases", &list, "--second-engine-model", &model, "--json", &word], &path("config"));
    assert!(fine && text.contains("\"phrase\":\"아직 더러워\""), "{text}");
}

/// The English words of the program itself are no words of a Korean model: said before the run begins.
#[test]
fn a_rehearsal_whose_words_the_model_does_not_know_does_not_begin() {
    let folder = tempfile::tempdir().expect("a folder");
    let model = models().join("korean").display().to_string();
    let (fine, text) = sparehand(
        &["rehearse", "tank-dump", "--second-engine-model", &model, "--out", "out"],
        &folder.path().join("config"),
    );
    assert!(!fine && text.contains("not in its vocabulary") && text.contains("(in '"), "{text}");
    assert!(!folder.path().join("out").exists(), "nothing was begun");
}

/// What espeak-ng says in Korean is hard to understand; of a person's speech nothing is known here.
const RIGHT_OF_100: usize = 30;
