//! Frames to a loudspeaker, and a copy of exactly what it was given for the echo canceller.
//!
//! The device's callback only moves samples between lock-free rings and wakes whoever fills them: it does not lock, allocate, log or wait. Where
//! nothing is queued it plays silence by itself.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{BufferSize, HostId, StreamConfig};
use rtrb::{Consumer, Producer, RingBuffer};

use crate::audio::device::{DeviceError, Direction, FoundDevice, Health, OpenStream, open};
use crate::audio::resample::{Decimator, ResampleError};
use crate::audio::wake::Waker;
use crate::audio::{FRAME_LEN, PLAYBACK_FRAME_LEN, PLAYBACK_RATE};

/// An open loudspeaker. Dropping it closes it, and does not wait for that.
pub struct Playback {
    frames: Producer<f32>,
    shared: Arc<Marks>,
    listed: Option<String>,
    name: String,
    /// Samples queued so far.
    written: u64,
    _stream: Option<OpenStream>,
}

impl Playback {
    /// Opens a loudspeaker by its id or name, or the default one. `waker` is woken whenever sound was taken, and at a fault; never by silence.
    /// May take 2 s on a device that is asleep.
    ///
    /// # Errors
    ///
    /// There is no such device, or it does not open.
    pub fn open(device: Option<&str>, waker: &Waker) -> Result<(Self, Reference), DeviceError> {
        let (playback, played) = open(Direction::Output, device, |found| {
            let shared = Arc::new(Marks::default());
            let (frames, to_device) = RingBuffer::new(RING);
            let (to_reference, played) = RingBuffer::new(REFERENCE_RING);
            let feed = Feed {
                frames: to_device,
                reference: to_reference,
                shared: Arc::clone(&shared),
                channels: 1,
                left: 0,
                sounds: false,
            };
            let stream = start(found, feed, waker)?;
            let (listed, name) = (found.listed.clone(), found.name.clone());
            Ok((Self { frames, shared, listed, name, written: 0, _stream: Some(stream) }, played))
        })?;
        let shared = Arc::clone(&playback.shared);
        Ok((playback, Reference { played, decimator: Decimator::new()?, shared }))
    }

    /// Whether [`write`](Self::write) takes a frame: less than 70 ms are queued.
    pub fn has_room(&self) -> bool {
        self.queued() + PLAYBACK_FRAME_LEN <= QUEUE && !self.flushing()
    }

    /// Queues 10 ms for the device and gives `true`, or `false` when 70 ms are queued already: try again later. Sound after a pause begins once
    /// 30 ms are queued, or all of it ([`end`](Self::end)).
    pub fn write(&mut self, frame: &[f32; PLAYBACK_FRAME_LEN]) -> bool {
        if !self.has_room() || self.frames.push_entire_slice(frame).is_err() {
            return false;
        }
        self.written += PLAYBACK_FRAME_LEN as u64;
        true
    }

    /// Nothing follows for now on what was queued: the silence after it is no gap. Does nothing the second time.
    pub fn end(&mut self) {
        self.shared.ends_at.store(self.written, Ordering::Release);
    }

    /// Samples that wait in the queue. The device has up to about 40 ms more.
    pub fn queued(&self) -> usize {
        RING - self.frames.slots()
    }

    /// Fades out and forgets what is queued, within the next callback (20 ms). Until that is done [`write`](Self::write)
    /// takes nothing.
    pub fn flush(&mut self) {
        if self.queued() > 0 {
            self.shared.flush_asked.fetch_add(1, Ordering::AcqRel);
        }
    }

    /// Why the device is gone, if it has reported that. Then drop this and open another; the default device is a good second try.
    pub fn failed(&self) -> Option<DeviceError> {
        self.shared.health.failure(Direction::Output, &self.name)
    }

    /// Callbacks so far that wanted samples when there were none left in the middle of sound.
    pub fn underruns(&self) -> u64 {
        self.shared.health.xruns()
    }

    /// Samples that the device has taken so far, silence included. A device whose count stands still for a second is dead,
    /// even if it reports nothing; whoever has a clock must watch that.
    pub fn taken(&self) -> u64 {
        self.shared.health.moved()
    }

    /// Id of the loudspeaker, where its sound system lists it.
    pub fn id(&self) -> Option<&str> {
        self.listed.as_deref()
    }

    /// Name of the loudspeaker, for people.
    pub fn name(&self) -> &str {
        &self.name
    }

    fn flushing(&self) -> bool {
        self.shared.flush_asked.load(Ordering::Acquire) != self.shared.flush_done.load(Ordering::Acquire)
    }
}

/// What the loudspeaker was given, for the echo canceller: frames of 10 ms at 16 kHz.
pub struct Reference {
    played: Consumer<f32>,
    decimator: Decimator,
    shared: Arc<Marks>,
}

impl Reference {
    /// The next frame, or `None` when less than 10 ms was played since the last one. Late by [`delay`](Self::delay).
    ///
    /// # Errors
    ///
    /// The resampler refuses.
    pub fn next_frame(&mut self) -> Result<Option<[f32; FRAME_LEN]>, ResampleError> {
        let mut input = [0.0f32; PLAYBACK_FRAME_LEN];
        if self.played.pop_entire_slice(&mut input).is_err() {
            return Ok(None);
        }
        self.decimator.decimate(&input).map(Some)
    }

    /// Samples at 16 kHz by which the decimation is late.
    pub fn delay(&self) -> usize {
        self.decimator.delay()
    }

    /// Samples that were played and are missing here, because nobody fetched them in time.
    pub fn lost(&self) -> u64 {
        self.shared.reference_lost.load(Ordering::Relaxed)
    }
}

/// What the callbacks and the owner tell each other.
#[derive(Default)]
struct Marks {
    health: Health,
    reference_lost: AtomicU64,
    flush_asked: AtomicU64,
    flush_done: AtomicU64,
    /// So many samples were queued when nothing was to follow.
    ends_at: AtomicU64,
}

/// The device's end of the ring: everything that happens in the callback.
struct Feed {
    frames: Consumer<f32>,
    reference: Producer<f32>,
    shared: Arc<Marks>,
    channels: usize,
    /// Samples that left the queue so far.
    left: u64,
    /// Whether sound has begun and not yet ended.
    sounds: bool,
}

/// Whether the owner has to know of a callback.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Moved {
    /// There is room for more sound.
    Sound,
    /// Nothing was waiting.
    Silence,
}

impl Feed {
    fn fill(&mut self, data: &mut [f32]) -> Moved {
        let asked = self.shared.flush_asked.load(Ordering::Acquire);
        let flush = asked != self.shared.flush_done.load(Ordering::Acquire);
        let wanted = data.len() / self.channels;
        // Read before the queue is looked at: what is queued meanwhile only makes it look unfinished.
        let ends_at = self.shared.ends_at.load(Ordering::Acquire);
        let there = self.frames.slots();
        let is_whole = self.left + there as u64 == ends_at;
        let begins = there >= wanted.clamp(ENOUGH_TO_BEGIN, QUEUE - PLAYBACK_FRAME_LEN) || is_whole;
        let ready = if self.sounds || begins || flush { there.min(wanted) } else { 0 };
        let fading = if flush { ready.min(FLUSH_FADE) } else { ready };
        for place in 0..wanted {
            let queued = if place < fading { self.frames.pop().unwrap_or(0.0) } else { 0.0 };
            let mut sample = self.shared.health.sane(queued);
            if flush && place < FLUSH_FADE {
                sample *= 1.0 - place as f32 / FLUSH_FADE as f32;
            }
            for channel in 0..self.channels {
                data[place * self.channels + channel] = sample;
            }
            if self.reference.push(sample).is_err() {
                self.shared.reference_lost.fetch_add(1, Ordering::Relaxed);
            }
        }
        self.left += fading as u64;
        self.shared.health.count_moved(wanted);
        if flush {
            self.skip(self.frames.slots());
            self.shared.flush_done.store(asked, Ordering::Release);
            self.sounds = false;
        } else if ready == wanted {
            self.sounds = true;
        } else if std::mem::take(&mut self.sounds) && !is_whole {
            // Counted once for each gap.
            self.shared.health.count_xrun();
        }
        if there > 0 || flush { Moved::Sound } else { Moved::Silence }
    }

    /// Drops the next `samples`, or as many as are queued.
    fn skip(&mut self, samples: usize) {
        let stale = samples.min(self.frames.slots());
        if let Ok(chunk) = self.frames.read_chunk(stale) {
            chunk.commit_all();
            self.left += stale as u64;
        }
    }
}

fn start(found: &FoundDevice, mut feed: Feed, waker: &Waker) -> Result<OpenStream, cpal::Error> {
    // PulseAudio takes mono; a plain ALSA device may want its own number of channels.
    let pulse = found.host == HostId::PulseAudio;
    let channels = if pulse { 1 } else { found.device.default_output_config()?.channels() };
    let config = StreamConfig { channels, sample_rate: PLAYBACK_RATE, buffer_size: BufferSize::Fixed(BUFFER) };
    feed.channels = usize::from(channels.max(1));
    let watched = Arc::clone(&feed.shared);
    let (on_samples, on_fault) = (waker.clone(), waker.clone());
    let stream = found.device.build_output_stream::<f32, _, _>(
        config,
        move |data: &mut [f32], _| {
            if feed.fill(data) == Moved::Sound {
                on_samples.wake();
            }
        },
        move |fault: cpal::Error| {
            watched.health.note(fault.kind());
            on_fault.wake();
        },
        None,
    )?;
    stream.play()?;
    Ok(OpenStream::new(Direction::Output, stream))
}

/// Samples of a device's buffer: 20 ms. Left to the device it may be two seconds; with 10 ms a run beside other work took its own voice in
/// noise for somebody's.
const BUFFER: u32 = 960;

/// Samples that are queued at most: 70 ms.
const QUEUE: usize = 3_360;
/// Samples of sound that are enough to begin with: 30 ms, one callback and a half.
const ENOUGH_TO_BEGIN: usize = 1_440;

const RING: usize = 4_800;

/// Two seconds, in case the hearing side is late.
const REFERENCE_RING: usize = 96_000;

/// Samples of fade at a flush: 10 ms.
const FLUSH_FADE: usize = 480;

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: usize = PLAYBACK_FRAME_LEN;

    fn feed() -> (Playback, Consumer<f32>, Arc<Marks>, Feed) {
        let shared = Arc::new(Marks::default());
        let (frames, to_device) = RingBuffer::new(RING);
        let (reference, played) = RingBuffer::new(REFERENCE_RING);
        let feed =
            Feed { frames: to_device, reference, shared: Arc::clone(&shared), channels: 2, left: 0, sounds: false };
        let playback = Playback {
            frames,
            shared: Arc::clone(&shared),
            listed: None,
            name: String::new(),
            written: 0,
            _stream: None,
        };
        (playback, played, shared, feed)
    }

    /// The next `frames` callbacks of 10 ms.
    fn take(feed: &mut Feed, frames: usize) -> Vec<f32> {
        let mut heard = Vec::new();
        for _ in 0..frames {
            let mut data = vec![9.0f32; FRAME * 2];
            feed.fill(&mut data);
            assert!(data.chunks(2).all(|pair| pair[0] == pair[1]));
            heard.extend(data.iter().step_by(2));
        }
        heard
    }

    #[test]
    fn the_reference_gets_exactly_what_was_played_with_its_gaps() {
        let (mut playback, mut played, _, mut feed) = feed();
        let sound: [f32; FRAME] = std::array::from_fn(|n| (n + 1) as f32 / 1500.0);
        assert!((0..3).all(|_| playback.write(&sound)));
        let heard = take(&mut feed, 6);
        let mut copied = vec![0.0; 6 * FRAME];
        played.pop_entire_slice(&mut copied).unwrap();
        assert_eq!(heard, copied);
        assert_eq!(heard[..3 * FRAME], [sound; 3].concat());
        assert!(heard[3 * FRAME..].iter().all(|sample| *sample == 0.0));
        assert_eq!(playback.underruns(), 1, "one gap is one underrun");
    }

    #[test]
    fn sound_that_is_over_leaves_no_gap() {
        let (mut playback, _played, _, mut feed) = feed();
        for _ in 0..2 {
            assert!(playback.write(&[0.5; FRAME]));
            playback.end();
            let heard = take(&mut feed, 3);
            assert!(heard[..FRAME].iter().all(|sample| *sample == 0.5), "little as it is, it begins at once");
            assert!(heard[FRAME..].iter().all(|sample| *sample == 0.0));
            assert_eq!(playback.underruns(), 0);
        }
    }

    #[test]
    fn sound_begins_once_there_is_enough_to_go_on_with() {
        let (mut playback, _played, _, mut feed) = feed();
        assert!(playback.write(&[0.5; FRAME]) && playback.write(&[0.5; FRAME]));
        assert!(take(&mut feed, 1).iter().all(|sample| *sample == 0.0), "too little yet");
        while playback.write(&[0.5; FRAME]) {}
        assert!(take(&mut feed, 5).iter().all(|sample| *sample == 0.5), "neither a pause nor a gap");
        assert_eq!(playback.underruns(), 0);
    }

    #[test]
    fn a_callback_that_wants_more_than_is_ever_queued_is_served_all_the_same() {
        let (mut playback, _played, _, mut feed) = feed();
        while playback.write(&[0.5; FRAME]) {}
        let mut data = vec![9.0f32; 2 * 9_600];
        assert_eq!(feed.fill(&mut data), Moved::Sound);
        assert_eq!(data.iter().filter(|sample| **sample == 0.5).count(), 2 * QUEUE);
    }

    #[test]
    fn a_flush_fades_within_10_ms_and_forgets_the_rest() {
        let (mut playback, _played, shared, mut feed) = feed();
        assert!((0..6).all(|_| playback.write(&[0.8; FRAME])));
        playback.flush();
        let heard = take(&mut feed, 2);
        assert!(heard.windows(2).all(|pair| (pair[0] - pair[1]).abs() < 0.01), "no click");
        assert!(heard[FLUSH_FADE..].iter().all(|sample| *sample == 0.0));
        assert_eq!(shared.flush_done.load(Ordering::Acquire), 1);
        assert_eq!(playback.queued(), 0, "nothing is left in the queue");
        assert_eq!(playback.underruns(), 0);
    }

    #[test]
    fn nobody_is_woken_by_silence() {
        let (mut playback, _played, _, mut feed) = feed();
        let mut data = vec![0.0f32; FRAME * 2];
        assert_eq!(feed.fill(&mut data), Moved::Silence);
        assert!(playback.write(&[0.5; FRAME]));
        playback.end();
        assert_eq!(feed.fill(&mut data), Moved::Sound);
        assert_eq!(feed.fill(&mut data), Moved::Silence);
    }
}
