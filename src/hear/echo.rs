//! Takes the program's own voice out of the microphone, given what was played.
//!
//! The echo is subtracted by an adaptive filter and nothing else, for the suppressor that usually follows takes away the words of
//! whoever speaks at the same time: in a simulated room 60 of 72 words at 0 dB were heard without it, 18 with it, and 69 where
//! nothing was played (`examples/hear_interrupts.rs`). How loud what is left is, against the echo that was taken out, then tells
//! whether somebody else speaks. Echo paths of up to about 450 ms work; the two streams are aligned by the signal, never by time stamps.

use std::collections::VecDeque;

use sonora::high_pass_filter::HighPassFilter;
use sonora_aec3::block::Block;
use sonora_aec3::block_processor::BlockProcessor;
use sonora_aec3::common::BLOCK_SIZE;
use sonora_aec3::config::EchoCanceller3Config;

use crate::hear::{FRAME_LEN, SAMPLE_RATE};

/// The echo canceller, fed frame by frame.
pub struct Echo {
    high_pass: HighPassFilter,
    canceller: BlockProcessor,
    blocks: Blocks,
    /// Samples that do not fill a block yet.
    mic: VecDeque<f32>,
    played: VecDeque<f32>,
    /// Samples that do not fill a frame yet.
    before: VecDeque<f32>,
    after: VecDeque<f32>,
    suppressed: VecDeque<f32>,
    /// Power of the echo that was taken out of the newest frames, and of what was left of them.
    powers: VecDeque<(f32, f32)>,
    frames_played: usize,
}

struct Blocks {
    played: Block,
    after: Block,
    suppressed: Block,
}

/// A frame without the program's own voice, 4 ms later than the one it was made from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cancelled {
    /// To recognise words in.
    pub sound: [f32; FRAME_LEN],
    /// To find speech in: as long as the room is not known well, what is left of the echo would be taken for it.
    pub watched: [f32; FRAME_LEN],
    /// Power of what is left of the newest 50 ms over that of the loudest echo of the last 0.4 s; infinite where there was none.
    pub left: f32,
    /// Whether enough was played to know the room.
    pub settled: bool,
}

impl Cancelled {
    /// A frame that nothing was played to.
    pub fn nothing_played(mic: &[f32; FRAME_LEN]) -> Self {
        Self { sound: *mic, watched: *mic, left: f32::INFINITY, settled: true }
    }
}

impl Default for Echo {
    fn default() -> Self {
        Self::new()
    }
}

impl Echo {
    /// A canceller that knows nothing of the room yet; it learns within seconds of speech.
    pub fn new() -> Self {
        let mut config = EchoCanceller3Config::default();
        let filter = &mut config.filter;
        filter.export_linear_aec_output = true;
        filter.refined.length_blocks = FILTER_BLOCKS;
        filter.refined_initial.length_blocks = FILTER_BLOCKS;
        filter.coarse.length_blocks = FILTER_BLOCKS;
        filter.coarse_initial.length_blocks = FILTER_BLOCKS;
        let block = || Block::new(1, 1);
        // A frame is two and a half blocks: what comes out waits for the rest of its last block.
        let late = || VecDeque::from(vec![0.0; BLOCK_SIZE]);
        Self {
            high_pass: HighPassFilter::new(SAMPLE_RATE as i32, 1),
            canceller: BlockProcessor::new(&config, SAMPLE_RATE, 1, 1),
            blocks: Blocks { played: block(), after: block(), suppressed: block() },
            mic: VecDeque::new(),
            played: VecDeque::new(),
            before: late(),
            after: late(),
            suppressed: late(),
            powers: VecDeque::with_capacity(LOUDEST_FRAMES),
            frames_played: 0,
        }
    }

    /// The microphone's frame without the echo of `reference`, the frame that was played in the same 10 ms.
    pub fn cancel(&mut self, mic: &[f32; FRAME_LEN], reference: &[f32; FRAME_LEN]) -> Cancelled {
        let mut channel = [mic.map(|sample| sample * FULL_SCALE).to_vec()];
        let overdriven = channel[0].iter().any(|sample| sample.abs() >= OVERDRIVEN);
        self.high_pass.process_channels(&mut channel);
        self.mic.extend(&channel[0]);
        self.played.extend(reference.map(|sample| sample * FULL_SCALE));
        while self.mic.len() >= BLOCK_SIZE {
            let Blocks { played, after, suppressed } = &mut self.blocks;
            fill(played, &mut self.played);
            fill(suppressed, &mut self.mic);
            self.before.extend(suppressed.view(0, 0));
            // Before anything was played the canceller leaves both as they are.
            after.view_mut(0, 0).copy_from_slice(suppressed.view(0, 0));
            self.canceller.buffer_render(played);
            self.canceller.process_capture(false, overdriven, Some(after), suppressed);
            self.after.extend(after.view(0, 0));
            self.suppressed.extend(suppressed.view(0, 0));
        }
        let (before, sound, suppressed) =
            (frame(&mut self.before), frame(&mut self.after), frame(&mut self.suppressed));
        let echo: [f32; FRAME_LEN] = std::array::from_fn(|at| before[at] - sound[at]);
        if self.powers.len() == LOUDEST_FRAMES {
            self.powers.pop_front();
        }
        self.powers.push_back((power(&echo), power(&sound)));
        self.frames_played += usize::from(power(reference) > PLAYED_POWER);
        let settled = self.frames_played >= SETTLED_FRAMES;
        Cancelled { sound, watched: if settled { sound } else { suppressed }, left: self.left(), settled }
    }

    fn left(&self) -> f32 {
        let echoes: Vec<f32> = self.powers.iter().map(|&(echo, _)| echo).collect();
        let loudest = echoes.windows(SMOOTH_FRAMES).map(|some| some.iter().sum()).fold(0.0, f32::max);
        let left: f32 = self.powers.iter().rev().take(SMOOTH_FRAMES).map(|&(_, left)| left).sum();
        if loudest > 0.0 { left / loudest } else { f32::INFINITY }
    }
}

fn fill(block: &mut Block, samples: &mut VecDeque<f32>) {
    for (to, from) in block.view_mut(0, 0).iter_mut().zip(samples.drain(..BLOCK_SIZE)) {
        *to = from;
    }
}

fn frame(samples: &mut VecDeque<f32>) -> [f32; FRAME_LEN] {
    let mut frame = [0.0; FRAME_LEN];
    for (to, from) in frame.iter_mut().zip(samples.drain(..FRAME_LEN)) {
        *to = from / FULL_SCALE;
    }
    frame
}

fn power(frame: &[f32; FRAME_LEN]) -> f32 {
    frame.iter().map(|sample| sample * sample).sum()
}

/// The canceller reckons in the steps of 16-bit sound.
const FULL_SCALE: f32 = 32_768.0;
const OVERDRIVEN: f32 = 32_700.0;
/// How long after the sound the adaptive filter still knows its echo, in blocks of 4 ms. Of 52, 120, 160 and 320 ms, 160 ms heard most.
const FILTER_BLOCKS: usize = 40;
const LOUDEST_FRAMES: usize = 40;
const SMOOTH_FRAMES: usize = 5;
/// Of a frame at 1 % of full scale: a pause is softer.
const PLAYED_POWER: f32 = FRAME_LEN as f32 * 1e-4;
/// 5 s of voice.
const SETTLED_FRAMES: usize = 500;
