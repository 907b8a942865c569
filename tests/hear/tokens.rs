//! The tokens against the model's published tokenizer.

use proptest::prelude::*;
use rstest::rstest;
use sparehand::speech::tokens::Tokens;

fn tokens() -> Tokens {
    let file = crate::hear_support::models().join("moonshine-tiny-en/tokenizer.bin");
    Tokens::load(&file).expect("run `sparehand fetch`")
}

/// Expected: the library `tokenizers` 0.23.3 on the `tokenizer.json` that the package useful-moonshine-onnx 20251121 carries.
#[rstest]
#[case("Valve closed.", &[2630, 345, 5764, 29889])]
#[case("Black valve closed.", &[6054, 659, 345, 5764, 29889])]
#[case("Say again.", &[14891, 1449, 29889])]
#[case("82.", &[29871, 29947, 29906, 29889])]
#[case("Eighty-two.", &[382, 523, 29891, 29899, 10184, 29889])]
#[case("What is left?", &[1724, 338, 2175, 29973])]
#[case("The sewer hose is stowed, 3/4 full.",
    &[450, 409, 556, 298, 852, 338, 380, 20937, 29892, 29871, 29941, 29914, 29946, 2989, 29889])]
#[case("naïve café", &[1055, 30085, 345, 274, 28059])]
#[case("Größe 10 µm", &[1632, 29997, 5831, 29871, 29896, 29900, 29871, 30263, 29885])]
#[case("日本", &[29871, 30325, 30346])]
#[case("🙂", &[29871, 243, 162, 156, 133])]
#[case("", &[])]
#[case("I'm done!", &[306, 29915, 29885, 2309, 29991])]
fn text_becomes_the_tokens_of_the_published_tokenizer(#[case] text: &str, #[case] expected: &[u32]) {
    assert_eq!(tokens().encode(text), expected);
}

#[test]
fn all_32768_tokens_of_the_model_are_there() {
    assert_eq!(tokens().len(), sparehand::speech::acoustic::VOCABULARY);
}

#[test]
fn any_text_comes_back_from_its_tokens() {
    let tokens = tokens();
    // U+2581 itself stands for the space and so cannot come back.
    proptest!(|(text in "[^\u{2581}]{0,40}")| {
        prop_assert_eq!(tokens.decode(&tokens.encode(&text)), text);
    });
}

#[test]
fn a_cut_off_token_file_is_refused_with_its_name_and_what_to_do() {
    let file = tempfile::NamedTempFile::new().expect("a temporary file");
    std::fs::write(file.path(), [5, b'a', b'b']).expect("writing works");
    let fault = Tokens::load(file.path()).expect_err("two bytes of five").to_string();
    assert!(fault.contains("is 5 bytes long, expected at most 2") && fault.contains("sparehand fetch"), "{fault}");
}
