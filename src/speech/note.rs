//! Notes: what was said, written down as far as a network can tell.

use std::path::PathBuf;

use ort::environment::Environment;

use crate::audio::SAMPLE_RATE;
use crate::speech::acoustic::{Acoustic, AcousticError, DecoderStep};
use crate::speech::tokens::{END, Tokens};

/// Writes notes down with a network of its own. It is in memory only while it writes: notes are rare, and it is as large as the one that
/// scores phrases.
pub struct NoteWriter {
    environment: Environment,
    folder: PathBuf,
}

impl NoteWriter {
    /// A writer with the network in `folder`, which is opened when there is something to write.
    pub fn new(environment: &Environment, folder: PathBuf) -> Self {
        Self { environment: environment.clone(), folder }
    }

    /// What is said in `samples` (0.1 to 10 s, 16 kHz mono), spelled with `tokens`.
    ///
    /// # Errors
    /// The network's files are missing or damaged, there are fewer samples than it takes, or the runtime fails.
    pub fn write_down(&self, samples: &[f32], tokens: &Tokens) -> Result<String, AcousticError> {
        let mut acoustic = Acoustic::load(&self.environment, &self.folder)?;
        let sound = acoustic.listen(samples)?;
        // Nobody says more in the time; where the model goes round in circles, this is where it is stopped.
        let most = (samples.len() as f32 / SAMPLE_RATE as f32 * TOKENS_A_SECOND).ceil() as usize;
        let mut written = Vec::new();
        let mut last: Option<DecoderStep> = None;
        while written.len() < most {
            let step = last.as_ref().unwrap_or(sound.begun());
            let (token, _) = step.likeliest(0);
            if token == END {
                break;
            }
            written.push(token);
            last = Some(acoustic.step(&sound, step, &[(0, token)])?);
        }
        Ok(tokens.decode(&written))
    }
}

/// The model's own limit (Moonshine, arXiv 2410.15608: 6.5 tokens a second of English).
const TOKENS_A_SECOND: f32 = 6.5;
