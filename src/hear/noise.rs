//! Seeded noise: the background to assume when there is no sound of the real one yet. The same seed gives the same samples.

/// Pink noise (3 dB less for each octave) of `len` samples at `rms` of full scale.
pub fn pink(seed: u64, len: usize, rms: f32) -> Vec<f32> {
    let mut white = White::new(seed);
    // Three leaky sums whose poles lie about two octaves apart add up to 1/f within 0.5 dB from 40 Hz to 6 kHz.
    let mut slow = [0.0_f32; 3];
    let samples: Vec<f32> = (0..len)
        .map(|_| {
            let fresh = white.next_sample();
            for (sum, (keep, gain)) in slow.iter_mut().zip(POLES) {
                *sum = keep * *sum + gain * fresh;
            }
            slow.iter().sum::<f32>() + 0.1848 * fresh
        })
        .collect();
    scaled_to(samples, rms)
}

/// White noise from a small counter-based generator (splitmix64), uniform in -1 to 1.
pub struct White(u64);

impl White {
    /// A generator; every seed gives another stream.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next sample.
    pub fn next_sample(&mut self) -> f32 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 40) as f32 / (1_u64 << 23) as f32 - 1.0
    }
}

/// Root mean square of `samples`; 0 for none.
pub fn rms(samples: &[f32]) -> f32 {
    if samples.is_empty() {
        return 0.0;
    }
    let power: f64 = samples.iter().map(|&sample| f64::from(sample).powi(2)).sum();
    (power / samples.len() as f64).sqrt() as f32
}

fn scaled_to(mut samples: Vec<f32>, level: f32) -> Vec<f32> {
    let found = rms(&samples);
    if found > 0.0 {
        samples.iter_mut().for_each(|sample| *sample *= level / found);
    }
    samples
}

/// (feedback, gain) of each leaky sum; the usual economy pink filter, from memory.
const POLES: [(f32, f32); 3] = [(0.99765, 0.0990460), (0.96300, 0.2965164), (0.57000, 1.0526913)];
