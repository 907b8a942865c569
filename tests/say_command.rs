//! The `say` command into a file.

mod say_common;

use sparehand::app::say_command::{SayRequest, say};
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
    let models = say_common::models();
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
    let models = say_common::models();
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
    let environment = onnx::environment(&say_common::models()).unwrap();
    let empty = tempfile::tempdir().unwrap();
    let reader = say_common::reader(NumberReading::Everyday);
    let Err(error) = sparehand::say::voice::Voice::load(&environment, empty.path(), reader) else {
        panic!("it loaded")
    };
    assert!(error.to_string().contains("hibari.onnx") && error.to_string().contains("sparehand fetch"), "{error}");
}
