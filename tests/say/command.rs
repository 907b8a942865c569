//! The `say` command into a file.

use sparehand::cli::speak_command::{SayRequest, say};
use sparehand::engine::output::VoiceSettings;
use sparehand::onnx;
use sparehand::say::NumberReading;

#[test]
fn a_text_goes_into_a_wav_file_at_48_khz_at_the_usual_loudness() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("said.wav");
    let request = SayRequest {
        text: "Close the black tank valve. Say valve closed.".into(),
        into_file: Some(path.clone()),
        device: None,
        settings: VoiceSettings::default(),
        reading: NumberReading::Everyday,
        wording: None,
        cache: Some(folder.path().join("cache")),
    };
    let models = crate::say_common::models();
    let environment = onnx::environment(&models).unwrap();
    let length = say(&environment, &models, &request).unwrap();
    let mut file = hound::WavReader::open(&path).unwrap();
    assert_eq!((file.spec().channels, file.spec().sample_rate), (1, 48_000));
    let samples: Vec<f32> = file.samples::<i16>().map(|sample| f32::from(sample.unwrap()) / 32767.0).collect();
    assert_eq!(samples.len() as u128, length.as_millis() * 48);
    let lufs = sparehand::say::loudness::measure(&samples, 48_000).unwrap().lufs().unwrap();
    assert!((lufs + 16.0).abs() <= 1.0, "{lufs} LUFS");
}

#[test]
fn a_file_that_cannot_be_written_is_named() {
    let models = crate::say_common::models();
    let environment = onnx::environment(&models).unwrap();
    let request = SayRequest {
        text: "Stop.".into(),
        into_file: Some("/nowhere/said.wav".into()),
        device: None,
        settings: VoiceSettings::default(),
        reading: NumberReading::Everyday,
        wording: None,
        cache: None,
    };
    let error = say(&environment, &models, &request).unwrap_err();
    assert!(error.to_string().contains("/nowhere/said.wav"), "{error}");
}

#[test]
fn a_missing_model_is_named_with_what_to_do() {
    let environment = onnx::environment(&crate::say_common::models()).unwrap();
    let empty = tempfile::tempdir().unwrap();
    let reader = crate::say_common::reader(NumberReading::Everyday);
    let Err(error) = sparehand::speech::voice::model::Voice::load(&environment, empty.path(), reader) else {
        panic!("it loaded")
    };
    assert!(error.to_string().contains("hibari.onnx") && error.to_string().contains("sparehand fetch"), "{error}");
}

#[test]
fn the_runtime_of_the_models_gathers_nothing_to_report() {
    let home = tempfile::tempdir().unwrap();
    let data =
        crate::say_common::models().parent().and_then(|ours| ours.parent()).expect("the folder of data").to_owned();
    let said = home.path().join("said.wav");
    // Nothing of this test's own environment: a runner of tests may have turned the reports off.
    let done = std::process::Command::new(env!("CARGO_BIN_EXE_sparehand"))
        .env_clear()
        .envs([("HOME", home.path()), ("XDG_DATA_HOME", &data)])
        .args(["speak", "Chock down.", "--into"])
        .arg(&said)
        .output()
        .unwrap();
    assert!(done.status.success() && said.is_file(), "{}", String::from_utf8_lossy(&done.stderr));
    let cache = home.path().join(".cache");
    let kept: Vec<_> = std::fs::read_dir(&cache).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(kept, ["sparehand"], "somebody else keeps something in {}", cache.display());
}
