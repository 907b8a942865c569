//! The speech model: several stretches of sound asked about one text together, against each of them alone.

use crate::hear_support::{VOICES, in_noise, models, spoken};
use sparehand::hear::noise;
use sparehand::onnx::environment;
use sparehand::speech::acoustic::{Acoustic, EncodedSound, SideBySide};
use sparehand::speech::tokens::Tokens;

fn acoustic() -> Acoustic {
    let models = models();
    let environment = environment(&models).expect("run `sparehand fetch`");
    Acoustic::load(&environment, &models.join("moonshine-tiny-en")).expect("run `sparehand fetch`")
}

fn tokens(text: &str) -> Vec<u32> {
    Tokens::load(&models().join("moonshine-tiny-en/tokenizer.bin")).expect("run `sparehand fetch`").encode(text)
}

#[test]
fn sounds_side_by_side_say_what_each_says_alone() {
    let mut acoustic = acoustic();
    let spoken = in_noise(&spoken("valve closed", VOICES[0]), 0.3, 0.3, 30.0, 1);
    let of_noise = |seed| noise::pink(seed, spoken.len(), 0.01);
    let sounds: Vec<EncodedSound> = [of_noise(1), spoken.clone(), of_noise(2)]
        .iter()
        .map(|samples| acoustic.listen(samples).expect("the model takes it in"))
        .collect();
    let together = SideBySide::new(&sounds.iter().collect::<Vec<_>>()).expect("they are equally long");
    for text in ["Valve closed.", "No", ""] {
        let tokens = tokens(text);
        let all = acoustic.totals(&together, &tokens).expect("the model scores");
        let alone: Vec<f32> =
            sounds.iter().map(|sound| acoustic.total(sound, &tokens).expect("the model scores")).collect();
        assert_eq!(all.len(), alone.len());
        for (together, alone) in all.iter().zip(&alone) {
            // The model's 8-bit sums move a score by up to 1.8 nats with what stands beside it.
            assert!((together - alone).abs() < 1.8, "'{text}': {all:?} together, {alone:?} alone");
        }
        if text == "Valve closed." {
            assert!(all[1] > all[0] + 5.0 && all[1] > all[2] + 5.0, "it was said in the second: {all:?}");
        }
    }
}

#[test]
fn sounds_of_different_length_cannot_stand_side_by_side() {
    let mut acoustic = acoustic();
    let [long, short] =
        [16_000, 8_000].map(|len| acoustic.listen(&noise::pink(1, len, 0.01)).expect("the model takes it in"));
    assert!(SideBySide::new(&[&long, &short]).is_err());
}
