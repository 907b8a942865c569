//! Options of every command that may hear answers in another language than English.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::speech::vosk::{VoskSettings, fetched_library};

/// Answers in another language than English.
#[derive(Clone, Debug, Default, Args)]
pub struct VoskArgs {
    /// Hear with Vosk and the model in this folder, for answers in its language; without it, in English.
    #[arg(long, value_name = "DIR")]
    pub vosk_model: Option<PathBuf>,
    /// Vosk's library, libvosk.so; without it, the one that `fetch --with vosk-ko` brings.
    #[arg(long, value_name = "FILE", requires = "vosk_model")]
    pub vosk_library: Option<PathBuf>,
    /// Short words of the model's language, one a line, to tell other speech by; without it, Korean syllables.
    #[arg(long, value_name = "FILE", requires = "vosk_model")]
    pub vosk_fillers: Option<PathBuf>,
}

impl VoskArgs {
    /// What to load; none where the program hears in English. The library is looked for in `models` where none is named.
    pub fn settings(&self, models: &Path) -> Option<VoskSettings> {
        self.vosk_model.clone().map(|model| VoskSettings {
            library: self.vosk_library.clone().unwrap_or_else(|| fetched_library(models)),
            model,
            fillers: self.vosk_fillers.clone(),
        })
    }
}
