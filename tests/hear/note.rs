//! Notes and the network that writes them.

use crate::hear_support::{VOICES, in_noise, models, set, spoken};
use std::error::Error;
use std::fs;
use std::os::unix::fs::symlink;

use sparehand::hear::look::{LookId, WriteRequest};
use sparehand::onnx::environment;
use sparehand::speech::networks::Networks;
use sparehand::speech::recogniser::{PhraseScoring, Recogniser};
use sparehand::speech::score::ScoreSettings;
use sparehand::speech::worker::{RecogniserAnswer, Request, Serving};
use sparehand::units::StationId;

#[test]
fn where_the_network_for_notes_is_missing_phrases_are_heard_and_nothing_else_writes_the_note() {
    let (models, networks) = (models(), Networks::shipped());
    let environment = environment(&models).expect("run `sparehand fetch`");
    let folder = tempfile::tempdir().expect("a folder");
    fs::create_dir_all(folder.path().join(&networks.phrases)).expect("a folder");
    for name in ["encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin"] {
        let file = networks.phrases.join(name);
        symlink(models.join(&file), folder.path().join(&file)).expect("a link");
    }
    let mut scoring = PhraseScoring::load(&environment, folder.path(), ScoreSettings::default()).expect("it is there");
    let phrases = set(1, &["valve closed", "valve open"]).phrases;
    let ready = scoring.prepare(&["valve closed", "valve open"]).expect("they can be said");
    let clip = in_noise(&spoken("valve closed", VOICES[0]), 0.3, 0.3, 30.0, 1);
    let (_, verdict) = scoring.recognise(&clip, &ready, &phrases).expect("the model scores");
    assert_eq!(verdict.best, Some(0));

    let error = scoring.write_down(&clip).expect_err("there is nothing to write with");
    let missing = folder.path().join(&networks.notes).join("encoder_model.ort");
    let cause = error.source().expect("it has a cause").to_string();
    assert_eq!(cause, format!("model file {} is missing; run `sparehand fetch`", missing.display()));

    // A note that cannot be written costs nobody the ear.
    let mut serving = Serving::new(Box::new(scoring));
    let note = WriteRequest { id: LookId(1), samples: clip };
    let answer = serving.answer(StationId::RIG, Request::WriteDown(note)).expect("the recogniser goes on");
    assert!(matches!(answer, Some(RecogniserAnswer::WrittenDown(LookId(1), text)) if text.is_empty()));
}
