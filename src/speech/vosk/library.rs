//! The C library of Vosk, loaded while the program runs. The one file of the crate with `unsafe` in it.
//!
//! The functions and what they promise are those of `vosk_api.h`, version 0.3.45. Everything that leaves this file is safe: a
//! pointer never does, and a text is copied before the library may free it.

#![allow(
    unsafe_code,
    reason = "functions of a C library can be called in no other way; each call says why it may be made"
)]

use std::ffi::{CStr, CString, c_char, c_float, c_int, c_uint, c_void};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::ptr::NonNull;

use libloading::Library;

use crate::audio::SAMPLE_RATE;
use crate::speech::vosk::VoskError;

unsafe extern "C" {
    /// Of the C library: where `rand` begins, for the whole process. Nothing of ours draws from it.
    fn srand(seed: c_uint);
}

/// The functions that are used, under the names that the header gives them.
#[derive(Clone, Copy)]
struct Functions {
    set_log_level: unsafe extern "C" fn(c_int),
    model_new: unsafe extern "C" fn(*const c_char) -> *mut c_void,
    model_free: unsafe extern "C" fn(*mut c_void),
    model_find_word: unsafe extern "C" fn(*mut c_void, *const c_char) -> c_int,
    recognizer_new: unsafe extern "C" fn(*mut c_void, c_float) -> *mut c_void,
    recognizer_new_grm: unsafe extern "C" fn(*mut c_void, c_float, *const c_char) -> *mut c_void,
    recognizer_set_max_alternatives: unsafe extern "C" fn(*mut c_void, c_int),
    recognizer_accept_waveform_s: unsafe extern "C" fn(*mut c_void, *const i16, c_int) -> c_int,
    recognizer_final_result: unsafe extern "C" fn(*mut c_void) -> *const c_char,
    recognizer_free: unsafe extern "C" fn(*mut c_void),
}

impl Functions {
    fn load(path: &Path) -> Result<Self, VoskError> {
        let failed = |why: libloading::Error| {
            // What the system's loader says stands in the cause.
            let why = std::error::Error::source(&why).map_or_else(|| why.to_string(), ToString::to_string);
            VoskError::Library { path: path.to_owned(), why }
        };
        // SAFETY: loading runs the initialisers of a library that the user named; those of libvosk set up its own tables and
        // touch nothing of ours. A file that is no library is refused by the system's loader.
        let library = unsafe { Library::new(path) }.map_err(failed)?;
        // SAFETY: each name is looked up with the type that the header declares for it. A library that has all these names and is
        // not Vosk cannot be told from it; the user chose it.
        let functions = unsafe {
            Self {
                set_log_level: *library.get(b"vosk_set_log_level\0").map_err(failed)?,
                model_new: *library.get(b"vosk_model_new\0").map_err(failed)?,
                model_free: *library.get(b"vosk_model_free\0").map_err(failed)?,
                model_find_word: *library.get(b"vosk_model_find_word\0").map_err(failed)?,
                recognizer_new: *library.get(b"vosk_recognizer_new\0").map_err(failed)?,
                recognizer_new_grm: *library.get(b"vosk_recognizer_new_grm\0").map_err(failed)?,
                recognizer_set_max_alternatives: *library
                    .get(b"vosk_recognizer_set_max_alternatives\0")
                    .map_err(failed)?,
                recognizer_accept_waveform_s: *library.get(b"vosk_recognizer_accept_waveform_s\0").map_err(failed)?,
                recognizer_final_result: *library.get(b"vosk_recognizer_final_result\0").map_err(failed)?,
                recognizer_free: *library.get(b"vosk_recognizer_free\0").map_err(failed)?,
            }
        };
        // Never unloaded: the functions are good for as long as the process lives, and a C++ library may have left something
        // behind that runs at its end.
        std::mem::forget(library);
        Ok(functions)
    }
}

/// A model that is loaded, with the library that it belongs to. Not `Send`: one thread loads and uses it.
pub(super) struct VoskModel {
    functions: Functions,
    model: NonNull<c_void>,
}

impl VoskModel {
    /// Loads the library, and the model in the folder `model`.
    pub(super) fn load(library: &Path, model: &Path) -> Result<Self, VoskError> {
        let functions = Functions::load(library)?;
        let refused = || VoskError::Model { path: model.to_owned() };
        let name = CString::new(model.as_os_str().as_bytes()).map_err(|_| refused())?;
        // SAFETY: takes a number and keeps it.
        unsafe { (functions.set_log_level)(SILENT) };
        // SAFETY: the name is a C string that outlives the call. The library catches what goes wrong and gives null.
        let loaded = unsafe { (functions.model_new)(name.as_ptr()) };
        Ok(Self { functions, model: NonNull::new(loaded).ok_or_else(refused)? })
    }

    /// Whether `word` is in the model's vocabulary.
    pub(super) fn knows(&self, word: &str) -> bool {
        let Ok(word) = CString::new(word) else { return false };
        // SAFETY: the model is alive as long as `self`, and the word is a C string that outlives the call. Only reads.
        unsafe { (self.functions.model_find_word)(self.model.as_ptr(), word.as_ptr()) >= 0 }
    }

    /// What the model makes of `samples` (16 kHz, at least 100 ms, full scale 32767): the library's JSON, with up to
    /// `alternatives` readings. Without a grammar (a JSON list of phrases) everything that the model knows may be said.
    pub(super) fn decode(
        &self,
        grammar: Option<&CStr>,
        alternatives: u8,
        samples: &[i16],
    ) -> Result<String, VoskError> {
        let len = c_int::try_from(samples.len()).map_err(|_| VoskError::Refused { what: "so long a sound" })?;
        let rate = SAMPLE_RATE as c_float;
        // SAFETY: takes a number and keeps it; the C library allows it from any thread. Kaldi adds a little noise to the sound,
        // drawn with `rand`, which moves likelihoods by 1 nat: from one seed the same sound gives the same answer.
        unsafe { srand(1) };
        // SAFETY: the model is alive as long as `self`, and the grammar is a C string that outlives the call, which copies it.
        let made = unsafe {
            match grammar {
                Some(grammar) => (self.functions.recognizer_new_grm)(self.model.as_ptr(), rate, grammar.as_ptr()),
                None => (self.functions.recognizer_new)(self.model.as_ptr(), rate),
            }
        };
        let made = NonNull::new(made).ok_or(VoskError::Refused { what: "these phrases" })?;
        let recogniser = OpenedRecogniser { functions: self.functions, pointer: made };
        // SAFETY: the recogniser was just made and is freed only when it is dropped, after the last of these calls. The samples
        // are as many as is said, and are only read. The text belongs to the recogniser until the next call, and is copied before.
        unsafe {
            (self.functions.recognizer_set_max_alternatives)(recogniser.pointer.as_ptr(), c_int::from(alternatives));
            if (self.functions.recognizer_accept_waveform_s)(recogniser.pointer.as_ptr(), samples.as_ptr(), len) < 0 {
                return Err(VoskError::Refused { what: "this sound" });
            }
            let text = (self.functions.recognizer_final_result)(recogniser.pointer.as_ptr());
            if text.is_null() {
                return Err(VoskError::Refused { what: "this sound" });
            }
            Ok(CStr::from_ptr(text).to_string_lossy().into_owned())
        }
    }
}

impl Drop for VoskModel {
    fn drop(&mut self) {
        // SAFETY: made by `model_new`, freed once; no recogniser outlives the call that made it.
        unsafe { (self.functions.model_free)(self.model.as_ptr()) }
    }
}

/// A recogniser of the library, freed when it goes.
struct OpenedRecogniser {
    functions: Functions,
    pointer: NonNull<c_void>,
}

impl Drop for OpenedRecogniser {
    fn drop(&mut self) {
        // SAFETY: made by the library, and freed once.
        unsafe { (self.functions.recognizer_free)(self.pointer.as_ptr()) }
    }
}

/// What stands where the library is looked for by default, in the folder that `sparehand fetch` fills.
pub fn fetched_library(models: &Path) -> PathBuf {
    models.join("vosk/libvosk.so")
}

/// No messages on standard error: what matters comes back as an error.
const SILENT: c_int = -1;
