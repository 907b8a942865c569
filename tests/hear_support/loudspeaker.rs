//! A loudspeaker in a room, as a microphone gets it.

use rand::RngExt;
use rand::rngs::SmallRng;
use sparehand::audio::FRAME_LEN;
use sparehand::audio::SAMPLE_RATE;

/// Where the loudspeaker's sound comes back from.
pub struct Room {
    response: Vec<f32>,
}

impl Room {
    /// 40 to 200 ms later; a strong direct sound, and a tail that dies away 60 dB in 0.15 to 0.35 s.
    pub fn new(rng: &mut SmallRng) -> Self {
        let delay = rng.random_range(640..3_200);
        let (decay, share) = (rng.random_range(0.15..0.35_f32), rng.random_range(0.1..0.3_f32));
        let len = (decay * SAMPLE_RATE as f32) as usize;
        let mut response = vec![0.0; delay + len];
        response[delay] = 1.0;
        let mut power = 0.0;
        for (at, value) in response[delay + 1..].iter_mut().enumerate() {
            let fade = (-6.9 * at as f32 / len as f32).exp();
            *value = rng.random_range(-1.0..1.0) * fade;
            power += *value * *value;
        }
        let gain = (share / power).sqrt();
        for value in &mut response[delay + 1..] {
            *value *= gain;
        }
        Self { response }
    }

    /// The echo of the newest frame of `played`, with the loudspeaker's own distortion (about -35 dB).
    pub fn echo(&self, played: &[f32]) -> [f32; FRAME_LEN] {
        let mut frame = [0.0; FRAME_LEN];
        for (back, value) in frame.iter_mut().rev().enumerate() {
            let newest = played.len() - back;
            let from = newest.saturating_sub(self.response.len());
            let past = played[from..newest].iter().rev();
            *value = past.zip(&self.response).map(|(sample, gain)| (sample - 0.3 * sample.powi(3)) * gain).sum();
        }
        frame
    }
}
