//! Sound devices and files: microphone and loudspeaker as frames, WAV. Nothing here knows what is said.

pub mod capture;
pub mod device;
pub mod keeper;
pub mod playback;
pub mod resample;
pub mod wake;
pub mod wav;

/// Samples a second of everything that is heard, in hertz.
pub const SAMPLE_RATE: usize = 16_000;

/// Samples of one frame of what is heard: 10 ms.
pub const FRAME_LEN: usize = 160;

/// Samples a second of everything that is played, in hertz; one channel.
pub const PLAYBACK_RATE: u32 = 48_000;

/// Samples of one frame of what is played: 10 ms.
pub const PLAYBACK_FRAME_LEN: usize = 480;
