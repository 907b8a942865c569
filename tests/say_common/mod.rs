//! What the tests of the voice share: where the models stand, and a loaded voice.
#![allow(dead_code, reason = "each test file uses a part of it")]

use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, OnceLock};

use sparehand::onnx;
use sparehand::say::NumberReading;
use sparehand::say::text::Reader;
use sparehand::say::wording::Wording;
use sparehand::speech::voice::model::Voice;

/// The folder of models: `SPAREHAND_MODELS`, or the one in the user's data folder.
pub fn models() -> PathBuf {
    if let Some(folder) = std::env::var_os("SPAREHAND_MODELS") {
        return PathBuf::from(folder);
    }
    let data = std::env::var_os("XDG_DATA_HOME").map(PathBuf::from);
    let data =
        data.unwrap_or_else(|| PathBuf::from(std::env::var_os("HOME").expect("HOME is set")).join(".local/share"));
    data.join("sparehand/models")
}

pub fn reader(reading: NumberReading) -> Reader {
    Reader::new(Wording::load(None).expect("the built-in tables are sound"), reading)
}

/// A new voice.
pub fn load_voice() -> Voice {
    let models = models();
    let environment = onnx::environment(&models).unwrap_or_else(|error| panic!("{error}; or set SPAREHAND_MODELS"));
    Voice::load(&environment, &models, reader(NumberReading::Everyday)).unwrap_or_else(|error| panic!("{error}"))
}

/// The voice that tests of one process share.
pub fn voice() -> MutexGuard<'static, Voice> {
    static VOICE: OnceLock<Mutex<Voice>> = OnceLock::new();
    VOICE.get_or_init(|| Mutex::new(load_voice())).lock().unwrap_or_else(|poisoned| poisoned.into_inner())
}
