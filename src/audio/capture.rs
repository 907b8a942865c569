//! The microphone. A callback copies samples into a ring without locking, allocating, logging or waiting, and wakes the reader; the reader takes
//! frames of 10 ms out of it. Lost samples are counted, and nothing here ever waits for a device that is open.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{BufferSize, StreamConfig};
use rtrb::{Consumer, Producer, RingBuffer};

use crate::audio::device::{DeviceError, Direction, Health, OpenStream, open};
use crate::audio::wake::Waker;
use crate::audio::{FRAME_LEN, SAMPLE_RATE};

/// An open microphone. Dropping it closes it, and does not wait for that.
pub struct Capture {
    samples: Consumer<f32>,
    shared: Arc<Counts>,
    listed: Option<String>,
    name: String,
    _stream: OpenStream,
}

/// What the callbacks tell the reader.
#[derive(Default)]
struct Counts {
    health: Health,
    lost: AtomicU64,
}

impl Capture {
    /// Opens the microphone whose id or name is `device`, or the system's default one, at 16 kHz mono. `waker` is woken whenever sound has come,
    /// about every 20 ms. May take seconds where a device is asleep.
    ///
    /// # Errors
    /// There is no sound system, no such microphone, or it cannot be opened. Trying again in a second may help.
    pub fn open(device: Option<&str>, waker: &Waker) -> Result<Self, DeviceError> {
        open(Direction::Input, device, |found| {
            let (mut producer, samples) = RingBuffer::new(RING_LEN);
            let shared = Arc::new(Counts::default());
            let config = StreamConfig {
                channels: 1,
                sample_rate: SAMPLE_RATE as u32,
                // The default of some hosts is two seconds, which no echo canceller survives.
                buffer_size: BufferSize::Fixed(CHUNK_LEN),
            };
            let (for_samples, for_faults) = (Arc::clone(&shared), Arc::clone(&shared));
            let (on_samples, on_fault) = (waker.clone(), waker.clone());
            let stream = found.device.build_input_stream::<f32, _, _>(
                config,
                move |chunk: &[f32], _| {
                    deliver(&mut producer, &for_samples, chunk);
                    on_samples.wake();
                },
                move |fault: cpal::Error| {
                    for_faults.health.note(fault.kind());
                    on_fault.wake();
                },
                None,
            )?;
            stream.play()?;
            Ok(Self {
                samples,
                shared,
                listed: found.listed.clone(),
                name: found.name.clone(),
                _stream: OpenStream::new(Direction::Input, stream),
            })
        })
    }

    /// Takes the next frame, if there is a whole one. Never waits.
    pub fn read_frame(&mut self, frame: &mut [f32; FRAME_LEN]) -> bool {
        take_frame(&mut self.samples, frame)
    }

    /// Samples that were lost because nobody read in time.
    pub fn lost(&self) -> u64 {
        self.shared.lost.load(Ordering::Relaxed)
    }

    /// Samples that were no numbers; silence is in their place.
    pub fn not_numbers(&self) -> u64 {
        self.shared.health.not_numbers()
    }

    /// Samples that the device has delivered since it was opened. If this stands still for a second, the device is dead
    /// even though it reports nothing: close it and open it again.
    pub fn delivered(&self) -> u64 {
        self.shared.health.moved()
    }

    /// Why the device is gone, if it has reported that.
    pub fn failed(&self) -> Option<DeviceError> {
        self.shared.health.failure(Direction::Input, &self.name)
    }

    /// Id of the microphone, where its sound system lists it: one that can be watched for.
    pub fn id(&self) -> Option<&str> {
        self.listed.as_deref()
    }

    /// Name of the microphone, for people.
    pub fn name(&self) -> &str {
        &self.name
    }
}

fn deliver(ring: &mut Producer<f32>, shared: &Counts, chunk: &[f32]) {
    shared.health.count_moved(chunk.len());
    let fits = chunk.len().min(ring.slots());
    for &sample in &chunk[..fits] {
        if ring.push(shared.health.sane(sample)).is_err() {
            break;
        }
    }
    let lost = chunk.len() - fits;
    if lost > 0 {
        shared.lost.fetch_add(lost as u64, Ordering::Relaxed);
    }
}

fn take_frame(ring: &mut Consumer<f32>, frame: &mut [f32; FRAME_LEN]) -> bool {
    ring.pop_entire_slice(frame).is_ok()
}

/// Samples that the device should hand over at a time: 20 ms.
const CHUNK_LEN: u32 = 320;
/// Twelve seconds: longer than any scoring takes, and than Vosk takes to write down the longest piece of a note.
const RING_LEN: usize = 12 * SAMPLE_RATE;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_of_any_size_come_out_as_whole_frames_in_order() {
        let (mut producer, mut consumer) = RingBuffer::new(2_000);
        let shared = Counts::default();
        let samples: Vec<f32> = (0..999).map(|n| n as f32).collect();
        for chunk in samples.chunks(11) {
            deliver(&mut producer, &shared, chunk);
        }
        let mut frame = [0.0; FRAME_LEN];
        let mut read = Vec::new();
        while take_frame(&mut consumer, &mut frame) {
            read.extend_from_slice(&frame);
        }
        assert_eq!(read, samples[..960]);
        assert_eq!(shared.lost.load(Ordering::Relaxed), 0);
    }

    #[test]
    fn samples_that_nobody_reads_are_counted_as_lost() {
        let (mut producer, _consumer) = RingBuffer::new(100);
        let shared = Counts::default();
        deliver(&mut producer, &shared, &[0.0; 130]);
        assert_eq!(shared.lost.load(Ordering::Relaxed), 30);
        assert_eq!(shared.health.moved(), 130);
    }

    #[test]
    fn a_sample_that_is_no_number_is_counted_and_silent_and_the_others_are_kept() {
        let (mut producer, mut consumer) = RingBuffer::new(1_000);
        let shared = Counts::default();
        let mut chunk = [0.25; FRAME_LEN];
        (chunk[3], chunk[4], chunk[5]) = (f32::NAN, f32::INFINITY, f32::NEG_INFINITY);
        deliver(&mut producer, &shared, &chunk);
        let mut frame = [9.0; FRAME_LEN];
        assert!(take_frame(&mut consumer, &mut frame));
        assert_eq!(frame[2..7], [0.25, 0.0, 0.0, 0.0, 0.25]);
        assert_eq!(shared.health.not_numbers(), 3);
    }
}
