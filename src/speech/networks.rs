//! Which network hears phrases, and which writes notes down.

use std::path::PathBuf;
use std::sync::LazyLock;

use serde::Deserialize;

/// Folders of the networks inside the folder of models, each with `encoder_model.ort` and `decoder_model_merged.ort`, 16 kHz mono.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Networks {
    /// Scores what may be said. `tokenizer.bin` lies there too, for both.
    pub phrases: PathBuf,
    /// Writes down what may be anything.
    pub notes: PathBuf,
}

impl Networks {
    /// Those that the program ships with, by `models/hearing.toml`.
    pub fn shipped() -> &'static Self {
        &SHIPPED
    }
}

/// The part of the file that is read here; the weights and limits beside it belong to others.
#[derive(Deserialize)]
struct NetworksFile {
    networks: Networks,
}

static SHIPPED: LazyLock<Networks> = LazyLock::new(|| {
    let file: NetworksFile = toml::from_str(include_str!("../../models/hearing.toml"))
        .expect("the shipped file names both networks; a test reads it");
    file.networks
});
