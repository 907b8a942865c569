//! What the speech detector notices.

use crate::hear_support::{Voice, in_noise, models, spoken};
use sparehand::audio::{FRAME_LEN, SAMPLE_RATE};
use sparehand::hear::detector::{SegmenterSettings, SpeechDetector};
use sparehand::onnx::environment;

#[test]
fn a_short_word_beside_steady_noise_is_noticed_however_long_nobody_has_spoken() {
    const LEAD_S: f32 = 7.0;
    const TAIL_S: f32 = 1.5;
    let runtime = environment(&models()).expect("run `sparehand fetch`");
    let begin_at = SegmenterSettings::default().begin_at;
    for (voice, word) in [(Voice::Flite("rms"), "done"), (Voice::Flite("slt"), "no"), (Voice::Espeak("en-us"), "done")]
    {
        let mut detector = SpeechDetector::in_folder(&runtime, &models()).expect("run `sparehand fetch`");
        let said = spoken(word, voice);
        let mut noticed = Vec::new();
        for time in 0..15 {
            let sound = in_noise(&said, LEAD_S, TAIL_S, 10.0, time);
            let word_at = (LEAD_S - 0.1) * SAMPLE_RATE as f32;
            let (mut in_word, mut before) = (0.0_f32, 0.0_f32);
            for (number, frame) in sound.as_chunks::<FRAME_LEN>().0.iter().enumerate() {
                let Some(probability) = detector.push(frame).expect("the model runs") else { continue };
                // Where one piece of noise follows another it clicks.
                match (number * FRAME_LEN) as f32 {
                    at if at >= word_at => in_word = in_word.max(probability),
                    at if at >= SAMPLE_RATE as f32 => before = before.max(probability),
                    _ => {}
                }
            }
            assert!(before < begin_at, "{voice:?}: noise alone is speech, {before}");
            noticed.push(in_word >= begin_at);
        }
        let count = noticed.iter().filter(|noticed| **noticed).count();
        assert_eq!(count, noticed.len(), "{voice:?} says '{word}': {noticed:?}");
    }
}
