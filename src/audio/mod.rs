//! Sound devices and files: microphone and loudspeaker as frames, WAV. Nothing here knows what is said.

pub mod capture;
pub mod playback;
pub mod wav;

/// Samples a second of everything that is heard, in hertz.
pub const SAMPLE_RATE: usize = 16_000;

/// Samples of one frame of what is heard: 10 ms.
pub const FRAME_LEN: usize = 160;
