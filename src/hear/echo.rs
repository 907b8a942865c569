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

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;
use crate::hear::convergence::{Convergence, FramePowers};
use crate::hear::drift::Drift;

/// The echo canceller, fed frame by frame.
pub struct Echo {
    high_pass: HighPassFilter,
    drift: Drift,
    /// Adaptive filters of several lengths: a short one follows a room that changes, or a clock that drifts; a long one knows the room's
    /// whole echo. Whichever leaves least is heard.
    filters: Vec<Filter>,
    /// Samples that do not fill a block yet.
    mic: VecDeque<f32>,
    played: VecDeque<f32>,
    /// The microphone's samples, as late as what comes out of the filters.
    before: VecDeque<f32>,
    /// Power of the echo that was taken out of the newest frames, and of what was left of them.
    powers: VecDeque<(f32, f32)>,
    room: Convergence,
    /// Frames since anything was played.
    silent: usize,
}

/// One canceller.
struct Filter {
    canceller: BlockProcessor,
    after: Block,
    suppressed: Block,
    /// Samples that do not fill a frame yet.
    after_waiting: VecDeque<f32>,
    suppressed_waiting: VecDeque<f32>,
    /// Power of what was left of the newest frames.
    left: VecDeque<f32>,
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
    /// Whether the room is known: enough was played, and most of its echo is taken out.
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
        Self {
            high_pass: HighPassFilter::new(SAMPLE_RATE as i32, 1),
            drift: Drift::default(),
            filters: FILTER_BLOCKS.map(Filter::new).into(),
            mic: VecDeque::new(),
            played: VecDeque::new(),
            before: late(),
            powers: VecDeque::with_capacity(LOUDEST_FRAMES),
            room: Convergence::default(),
            silent: usize::MAX,
        }
    }

    /// The microphone's frame without the echo of `reference`, the frame that was played in the same 10 ms.
    pub fn cancel(&mut self, mic: &[f32; FRAME_LEN], reference: &[f32; FRAME_LEN]) -> Cancelled {
        let mut channel = [mic.map(|sample| sample * FULL_SCALE).to_vec()];
        let overdriven = channel[0].iter().any(|sample| sample.abs() >= OVERDRIVEN);
        self.high_pass.process_channels(&mut channel);
        self.silent = if power(reference) > 0.0 { 0 } else { self.silent.saturating_add(1) };
        self.mic.extend(&channel[0]);
        let reference = &self.drift.follow(mic, reference);
        self.played.extend(reference.map(|sample| sample * FULL_SCALE));
        while self.mic.len() >= BLOCK_SIZE {
            let (mut mic, mut played) = (Block::new(1, 1), Block::new(1, 1));
            fill(&mut mic, &mut self.mic);
            fill(&mut played, &mut self.played);
            self.before.extend(mic.view(0, 0));
            for filter in &mut self.filters {
                filter.push(&mic, &played, overdriven, self.silent > ECHO_FRAMES);
            }
        }
        let before = frame(&mut self.before);
        let frames: Vec<_> = self.filters.iter_mut().map(Filter::frame).collect();
        let least = |(_, a): &(_, &Filter), (_, b): &(_, &Filter)| a.power().total_cmp(&b.power());
        let best = self.filters.iter().enumerate().min_by(least).map_or(0, |(best, _)| best);
        let (sound, suppressed) = frames[best];
        let echo: [f32; FRAME_LEN] = std::array::from_fn(|at| before[at] - sound[at]);
        if self.powers.len() == LOUDEST_FRAMES {
            self.powers.pop_front();
        }
        self.powers.push_back((power(&echo), power(&sound)));
        let powers = FramePowers { before: power(&before) / FRAME_LEN as f32, after: power(&sound) / FRAME_LEN as f32 };
        let settled = self.room.take(power(reference) > PLAYED_POWER, powers);
        Cancelled { sound, watched: if settled { sound } else { suppressed }, left: self.left(), settled }
    }

    /// The echo comes after another time than it did: what the clocks differ by is still true, but the room is not known until it is heard again.
    pub fn moved(&mut self) {
        self.room = Convergence::default();
    }

    fn left(&self) -> f32 {
        let echoes: Vec<f32> = self.powers.iter().map(|&(echo, _)| echo).collect();
        let loudest = echoes.windows(SMOOTH_FRAMES).map(|some| some.iter().sum()).fold(0.0, f32::max);
        let left: f32 = self.powers.iter().rev().take(SMOOTH_FRAMES).map(|&(_, left)| left).sum();
        if loudest > 0.0 { left / loudest } else { f32::INFINITY }
    }
}

impl Filter {
    /// A filter that knows an echo for so many blocks after the sound.
    fn new(blocks: usize) -> Self {
        let mut config = EchoCanceller3Config::default();
        let filter = &mut config.filter;
        filter.export_linear_aec_output = true;
        filter.refined.length_blocks = blocks;
        filter.refined_initial.length_blocks = blocks;
        filter.coarse.length_blocks = blocks;
        filter.coarse_initial.length_blocks = blocks;
        Self {
            canceller: BlockProcessor::new(&config, SAMPLE_RATE, 1, 1),
            after: Block::new(1, 1),
            suppressed: Block::new(1, 1),
            after_waiting: late(),
            suppressed_waiting: late(),
            left: VecDeque::with_capacity(CHOICE_FRAMES),
        }
    }

    /// Takes the next block. When `idle`, nothing that was played can still be in the room, and the work is saved.
    fn push(&mut self, mic: &Block, played: &Block, overdriven: bool, idle: bool) {
        // Before anything was played the canceller leaves both as they are.
        self.after.view_mut(0, 0).copy_from_slice(mic.view(0, 0));
        self.suppressed.view_mut(0, 0).copy_from_slice(mic.view(0, 0));
        if !idle {
            self.canceller.buffer_render(played);
            self.canceller.process_capture(false, overdriven, Some(&mut self.after), &mut self.suppressed);
        }
        self.after_waiting.extend(self.after.view(0, 0));
        self.suppressed_waiting.extend(self.suppressed.view(0, 0));
    }

    /// The next frame, without the echo and with what was left of it suppressed as well.
    fn frame(&mut self) -> ([f32; FRAME_LEN], [f32; FRAME_LEN]) {
        let after = frame(&mut self.after_waiting);
        if self.left.len() == CHOICE_FRAMES {
            self.left.pop_front();
        }
        self.left.push_back(power(&after));
        (after, frame(&mut self.suppressed_waiting))
    }

    fn power(&self) -> f32 {
        self.left.iter().sum()
    }
}

/// A frame is two and a half blocks: what comes out waits for the rest of its last block.
fn late() -> VecDeque<f32> {
    VecDeque::from(vec![0.0; BLOCK_SIZE])
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
/// 0.02 dB below full scale.
const OVERDRIVEN: f32 = 32_700.0;
/// How long after the sound the adaptive filters still know its echo, in blocks of 4 ms. Alone, the long one heard most in a simulated
/// room that stays as it is; over a sound server whose delay drifted and jumped it took out 7 dB (median), the short one 16 dB.
const FILTER_BLOCKS: [usize; 3] = [6, 13, 40];
/// The filter that left least of so many frames is heard.
const CHOICE_FRAMES: usize = 3;
/// 0.4 s.
const LOUDEST_FRAMES: usize = 40;
/// 50 ms.
const SMOOTH_FRAMES: usize = 5;
/// Of a frame at 1 % of full scale: a pause is softer.
const PLAYED_POWER: f32 = FRAME_LEN as f32 * 1e-4;
/// 1.5 s: more than any echo path that works, and its room.
const ECHO_FRAMES: usize = 150;
