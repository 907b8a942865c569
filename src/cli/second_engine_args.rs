//! Options of every command that may hear answers in another language than English.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::speech::vosk::{VoskSettings, fetched_library};

/// Answers in another language than English.
#[derive(Clone, Debug, Default, Args)]
pub struct SecondEngineArgs {
    /// Hear with Vosk and the model in this folder, for answers in its language; without it, in English.
    #[arg(long, value_name = "DIR")]
    pub second_engine_model: Option<PathBuf>,
    /// Vosk's library, libvosk.so; without it, the one that `fetch --with korean` brings.
    #[arg(long, value_name = "FILE", requires = "second_engine_model")]
    pub second_engine_library: Option<PathBuf>,
    /// Short words of the model's language, one a line, to tell other speech by; without it, Korean syllables.
    #[arg(long, value_name = "FILE", requires = "second_engine_model")]
    pub second_engine_fillers: Option<PathBuf>,
}

impl SecondEngineArgs {
    /// What to load; none where the program hears in English. The library is looked for in `models` where none is named.
    pub fn settings(&self, models: &Path) -> Option<VoskSettings> {
        self.second_engine_model.clone().map(|model| VoskSettings {
            library: self.second_engine_library.clone().unwrap_or_else(|| fetched_library(models)),
            model,
            fillers: self.second_engine_fillers.clone(),
        })
    }
}
