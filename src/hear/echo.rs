//! Takes the program's own voice out of the microphone, given what was played.
//!
//! An echo canceller with its high-pass and nothing else: noise suppression before the recogniser gains nothing and can cost
//! words. Echo paths of up to about 450 ms work; the two streams are aligned by the signal, never by time stamps.

use sonora::config::{EchoCanceller, HighPassFilter};
use sonora::{AudioProcessing, Config, StreamConfig};

use crate::hear::{FRAME_LEN, SAMPLE_RATE};

/// The echo canceller, fed frame by frame.
pub struct Echo {
    processing: AudioProcessing,
    played: [f32; FRAME_LEN],
}

impl Default for Echo {
    fn default() -> Self {
        Self::new()
    }
}

impl Echo {
    /// A canceller that knows nothing of the room yet; it learns within a second of speech.
    pub fn new() -> Self {
        let config = Config {
            echo_canceller: Some(EchoCanceller::default()),
            high_pass_filter: Some(HighPassFilter::default()),
            ..Config::default()
        };
        let stream = StreamConfig::new(SAMPLE_RATE as u32, 1);
        let builder = AudioProcessing::builder().config(config).capture_config(stream).render_config(stream);
        Self { processing: builder.build(), played: [0.0; FRAME_LEN] }
    }

    /// The microphone's frame without the echo of `reference`, the frame that was played in the same 10 ms.
    ///
    /// # Errors
    /// The canceller refuses the frame; the caller must not go on as if the echo were gone.
    pub fn cancel(
        &mut self,
        mic: &[f32; FRAME_LEN],
        reference: &[f32; FRAME_LEN],
    ) -> Result<[f32; FRAME_LEN], EchoError> {
        let refused = |why: sonora::Error| EchoError(why.to_string());
        self.processing.process_render_f32(&[reference], &mut [&mut self.played]).map_err(refused)?;
        let mut clean = [0.0; FRAME_LEN];
        self.processing.process_capture_f32(&[mic], &mut [&mut clean]).map_err(refused)?;
        Ok(clean)
    }
}

/// The echo canceller refused a frame.
#[derive(Debug, thiserror::Error)]
#[error("the echo canceller refused a frame: {0}")]
pub struct EchoError(String);
