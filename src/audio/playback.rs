//! Frames to a loudspeaker, and a copy of exactly what it was given for the echo canceller.
//!
//! The device's callback only moves samples between lock-free rings: it does not lock, allocate, log or wait. A stream that
//! died is dropped on a thread of its own, because that can block for ever; then open a new one.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender};
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, Device, ErrorKind, Host, HostId, Stream, StreamConfig};
use rtrb::{Consumer, Producer, RingBuffer};
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Resampler};

use crate::say::mixer::FRAME;

/// An open loudspeaker.
pub struct Playback {
    frames: Producer<f32>,
    shared: Arc<Shared>,
    stream: Option<Stream>,
    device: String,
    /// Samples queued so far.
    written: u64,
    pausing: bool,
    /// Where sound began in what was queued; until enough of it is queued to go on with.
    sound_from: Option<u64>,
}

impl Playback {
    /// Opens a loudspeaker by its id (as [`output_devices`] gives it), or the default one. May take 2 s on a device that is
    /// asleep.
    ///
    /// # Errors
    ///
    /// There is no such device, or it does not open.
    pub fn open(device: Option<&str>) -> Result<(Self, Reference), PlaybackError> {
        let (id, found) = find_device(device)?;
        let shared = Arc::new(Shared::default());
        let (frames, to_device) = RingBuffer::new(RING);
        let (to_reference, played) = RingBuffer::new(REFERENCE_RING);
        let stream = start(&found, &id, to_device, to_reference, &shared)?;
        let reference = Reference::new(played, Arc::clone(&shared))?;
        let stream = Some(stream);
        Ok((Self { frames, shared, stream, device: id, written: 0, pausing: true, sound_from: None }, reference))
    }

    /// Queues 10 ms for the device and gives `true`, or `false` when 70 ms are queued already: try again later. Sound after a pause does
    /// not wait behind what is queued of the pause.
    pub fn write(&mut self, frame: &[f32; FRAME]) -> bool {
        let from = self.written;
        if !self.write_up_to(QUEUE, frame) {
            return false;
        }
        if std::mem::take(&mut self.pausing) {
            self.sound_from = Some(from);
        }
        if let Some(from) = self.sound_from.take_if(|from| self.written - *from >= SOUND_TO_GO_ON_WITH) {
            self.shared.skip_to.store(from, Ordering::Release);
        }
        true
    }

    /// The same for a frame of a pause: `false` when 30 ms are queued already. A gap in a pause is heard by nobody.
    pub fn write_pause(&mut self, frame: &[f32; FRAME]) -> bool {
        let taken = self.write_up_to(PAUSE_QUEUE, frame);
        if taken {
            (self.pausing, self.sound_from) = (true, None);
        }
        taken
    }

    fn write_up_to(&mut self, most: usize, frame: &[f32; FRAME]) -> bool {
        if self.queued() + FRAME > most || self.flushing() {
            return false;
        }
        let taken = self.frames.push_entire_slice(frame).is_ok();
        self.written += if taken { FRAME as u64 } else { 0 };
        taken
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

    /// Why the device is gone, if it is. Then drop this and open another; the default device is a good second try.
    pub fn failed(&self) -> Option<PlaybackError> {
        match self.shared.failure.load(Ordering::Acquire) {
            ALIVE => None,
            GONE => Some(PlaybackError::Gone { device: self.device.clone() }),
            _ => Some(PlaybackError::Broken { device: self.device.clone() }),
        }
    }

    /// Callbacks so far that wanted samples when there were none left in the middle of sound.
    pub fn underruns(&self) -> u64 {
        self.shared.underruns.load(Ordering::Relaxed)
    }

    /// Samples that the device has taken so far, silence included. A device whose count stands still for a second is dead,
    /// even if it reports nothing; whoever has a clock must watch that.
    pub fn taken(&self) -> u64 {
        self.shared.taken.load(Ordering::Relaxed)
    }

    /// The id of the device.
    pub fn device(&self) -> &str {
        &self.device
    }

    fn flushing(&self) -> bool {
        self.shared.flush_asked.load(Ordering::Acquire) != self.shared.flush_done.load(Ordering::Acquire)
    }
}

impl Drop for Playback {
    fn drop(&mut self) {
        if let Some(stream) = self.stream.take() {
            // Dropping the stream of a loudspeaker that vanished blocks for ever.
            let dropper = std::thread::Builder::new().name("playback drop".into());
            if let Err(error) = dropper.spawn(move || drop(stream)) {
                tracing::warn!(%error, "a loudspeaker stream is dropped in place");
            }
        }
    }
}

/// What the loudspeaker was given, for the echo canceller: frames of 10 ms at 16 kHz.
pub struct Reference {
    played: Consumer<f32>,
    third: Fft<f32>,
    shared: Arc<Shared>,
}

impl Reference {
    fn new(played: Consumer<f32>, shared: Arc<Shared>) -> Result<Self, PlaybackError> {
        let third = Fft::new(48_000, 16_000, FRAME, 1, FixedSync::Both)
            .map_err(|error| PlaybackError::Resample(Box::new(error)))?;
        Ok(Self { played, third, shared })
    }

    /// The next frame, or `None` when less than 10 ms was played since the last one. Late by [`delay`](Self::delay).
    ///
    /// # Errors
    ///
    /// The resampler refuses.
    pub fn next_frame(&mut self) -> Result<Option<[f32; REFERENCE_FRAME]>, PlaybackError> {
        let mut input = [0.0f32; FRAME];
        if self.played.slots() < FRAME || self.played.pop_entire_slice(&mut input).is_err() {
            return Ok(None);
        }
        let mut output = [0.0f32; REFERENCE_FRAME];
        decimate(&mut self.third, &input, &mut output)?;
        Ok(Some(output))
    }

    /// Samples at 16 kHz by which the decimation is late.
    pub fn delay(&self) -> usize {
        self.third.output_delay()
    }

    /// Samples that were played and are missing here, because nobody fetched them in time.
    pub fn lost(&self) -> u64 {
        self.shared.reference_lost.load(Ordering::Relaxed)
    }
}

/// A loudspeaker that can be opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutputDevice {
    /// Stays the same from start to start; names need not.
    pub id: String,
    pub name: String,
    pub is_default: bool,
}

/// All loudspeakers of the host that [`Playback::open`] would use.
///
/// # Errors
///
/// No sound system answers.
pub fn output_devices() -> Result<Vec<OutputDevice>, PlaybackError> {
    let host = open_host()?;
    let default = host.default_output_device().and_then(|device| device.id().ok());
    let devices = host.output_devices().map_err(PlaybackError::Host)?;
    let described = devices.filter_map(|device| {
        let id = device.id().ok()?;
        let name = device.description().map_or_else(|_| id.to_string(), |description| description.name().to_string());
        Some(OutputDevice { is_default: Some(&id) == default.as_ref(), id: id.to_string(), name })
    });
    Ok(described.collect())
}

/// What can go wrong with a loudspeaker.
#[derive(Debug, thiserror::Error)]
pub enum PlaybackError {
    #[error("no sound system answers; is PulseAudio, PipeWire or ALSA running")]
    NoHost,
    #[error("sound system does not list its loudspeakers")]
    Host(#[source] cpal::Error),
    #[error("loudspeaker '{id}' is not there, found: {found}; plug it in or choose another")]
    NoDevice { id: String, found: String },
    #[error("no loudspeaker is there; plug one in")]
    NoDefault,
    #[error("loudspeaker '{device}' does not open")]
    Open {
        device: String,
        #[source]
        source: cpal::Error,
    },
    #[error("loudspeaker '{device}' is gone")]
    Gone { device: String },
    #[error("loudspeaker '{device}' stopped working")]
    Broken { device: String },
    #[error("what is played cannot be brought to 16 kHz")]
    Resample(#[source] Box<dyn std::error::Error + Send + Sync>),
}

/// What the callbacks and the owner tell each other.
#[derive(Default)]
struct Shared {
    failure: AtomicU8,
    underruns: AtomicU64,
    taken: AtomicU64,
    reference_lost: AtomicU64,
    flush_asked: AtomicU64,
    flush_done: AtomicU64,
    /// What was queued before this many samples need not be played any more.
    skip_to: AtomicU64,
    started: AtomicBool,
}

/// The device's end of the ring: everything that happens in the callback.
struct Feed {
    frames: Consumer<f32>,
    reference: Producer<f32>,
    shared: Arc<Shared>,
    channels: usize,
    /// Samples that left the queue so far.
    left: u64,
}

impl Feed {
    fn fill(&mut self, data: &mut [f32]) {
        let stale = self.shared.skip_to.load(Ordering::Acquire).saturating_sub(self.left);
        self.skip(stale as usize);
        let asked = self.shared.flush_asked.load(Ordering::Acquire);
        let flush = asked != self.shared.flush_done.load(Ordering::Acquire);
        let wanted = data.len() / self.channels;
        let there = self.frames.slots();
        let ready = there.min(wanted);
        let fading = if flush { ready.min(FLUSH_FADE) } else { ready };
        for place in 0..wanted {
            let mut sample = if place < fading { self.frames.pop().unwrap_or(0.0) } else { 0.0 };
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
        self.shared.taken.fetch_add(wanted as u64, Ordering::Relaxed);
        if flush {
            self.skip(self.frames.slots());
            self.shared.flush_done.store(asked, Ordering::Release);
            self.shared.started.store(false, Ordering::Relaxed);
        } else if ready == wanted {
            self.shared.started.store(true, Ordering::Relaxed);
        } else if self.shared.started.swap(false, Ordering::Relaxed) {
            // Counted once for each gap; silence before the first frame is none.
            self.shared.underruns.fetch_add(1, Ordering::Relaxed);
        }
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

fn start(
    device: &Device,
    id: &str,
    frames: Consumer<f32>,
    reference: Producer<f32>,
    shared: &Arc<Shared>,
) -> Result<Stream, PlaybackError> {
    let failed = |source| PlaybackError::Open { device: id.to_string(), source };
    // PulseAudio takes mono; a plain ALSA device may want its own number of channels.
    let pulse = device.id().is_ok_and(|id| id.host() == HostId::PulseAudio);
    let channels = if pulse { 1 } else { device.default_output_config().map_err(failed)?.channels() };
    let config = StreamConfig { channels, sample_rate: RATE, buffer_size: BufferSize::Fixed(BUFFER) };
    let mut feed = Feed { frames, reference, shared: Arc::clone(shared), channels: usize::from(channels), left: 0 };
    let watched = Arc::clone(shared);
    let on_error = move |error: cpal::Error| match error.kind() {
        ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
        ErrorKind::Xrun => {
            watched.underruns.fetch_add(1, Ordering::Relaxed);
        }
        ErrorKind::DeviceNotAvailable => watched.failure.store(GONE, Ordering::Release),
        _ => watched.failure.store(BROKEN, Ordering::Release),
    };
    let stream = device
        .build_output_stream::<f32, _, _>(config, move |data, _| feed.fill(data), on_error, None)
        .map_err(failed)?;
    stream.play().map_err(failed)?;
    Ok(stream)
}

/// A host object of its own for each call: two streams of one PulseAudio host share a thread, and a host that lost its
/// server stays lost.
fn open_host() -> Result<Host, PlaybackError> {
    if let Ok(host) = cpal::host_from_id(HostId::PulseAudio)
        && host.default_output_device().is_some()
    {
        return Ok(host);
    }
    let others = cpal::ALL_HOSTS.iter().filter(|id| **id != HostId::PulseAudio);
    others.filter_map(|id| cpal::host_from_id(*id).ok()).next().ok_or(PlaybackError::NoHost)
}

/// Whether a device is what a sound server puts in the place of the last real one, so that no stream dies: nothing of it is heard.
fn swallows(id: &str) -> bool {
    id.ends_with("auto_null")
}

/// Looks whether there is any loudspeaker, on a thread of its own, until it is dropped: a sound server lets a stream play on into nothing when the
/// last one is switched off, and reports nothing.
pub struct Watch {
    gone: Arc<AtomicBool>,
    /// The thread ends when this does.
    _stop: Sender<()>,
}

impl Watch {
    /// Begins to look.
    pub fn begin() -> Self {
        let (stop, stopped) = std::sync::mpsc::channel::<()>();
        let gone = Arc::new(AtomicBool::new(false));
        let tell = Arc::clone(&gone);
        let watch = move || {
            let mut host: Option<Host> = None;
            while stopped.recv_timeout(WATCH_EVERY) == Err(RecvTimeoutError::Timeout) {
                // A host that lost its server stays lost. Where nothing can be listed nothing is known: a stream that is dead shows that itself.
                // Another sound system makes no device up, and would be asked for ever once it had answered.
                let known = host.take().or_else(|| cpal::host_from_id(HostId::PulseAudio).ok());
                let listed: Option<Vec<String>> = known.as_ref().and_then(|host| {
                    let devices = host.output_devices().ok()?;
                    Some(devices.filter_map(|device| device.id().ok().map(|id| id.to_string())).collect())
                });
                if let Some(ids) = listed {
                    tell.store(!ids.is_empty() && ids.iter().all(|id| swallows(id)), Ordering::Relaxed);
                    host = known;
                }
            }
        };
        // Without a thread nothing is noticed but a stream that ends.
        drop(std::thread::Builder::new().name("watch loudspeaker".to_owned()).spawn(watch));
        Self { gone, _stop: stop }
    }

    /// Whether there was none when it was looked for last.
    pub fn is_gone(&self) -> bool {
        self.gone.load(Ordering::Relaxed)
    }
}

fn find_device(wanted: Option<&str>) -> Result<(String, Device), PlaybackError> {
    let host = open_host()?;
    let id_of = |device: &Device| device.id().map_or_else(|_| String::new(), |id| id.to_string());
    let Some(wanted) = wanted else {
        let device = host.default_output_device().filter(|device| !swallows(&id_of(device)));
        return device.map(|device| (id_of(&device), device)).ok_or(PlaybackError::NoDefault);
    };
    let mut found = Vec::new();
    for device in host.output_devices().map_err(PlaybackError::Host)? {
        let id = id_of(&device);
        let name = device.description().map_or_else(|_| id.clone(), |description| description.name().to_owned());
        if id == wanted || name == wanted {
            return Ok((id, device));
        }
        found.push(name);
    }
    Err(PlaybackError::NoDevice { id: wanted.to_string(), found: found.join(", ") })
}

fn decimate(
    third: &mut Fft<f32>,
    input: &[f32; FRAME],
    output: &mut [f32; REFERENCE_FRAME],
) -> Result<(), PlaybackError> {
    let refused = |error: Box<dyn std::error::Error + Send + Sync>| PlaybackError::Resample(error);
    let input = InterleavedSlice::new(&input[..], 1, FRAME).map_err(|error| refused(Box::new(error)))?;
    let mut output =
        InterleavedSlice::new_mut(&mut output[..], 1, REFERENCE_FRAME).map_err(|error| refused(Box::new(error)))?;
    third.process_into_buffer(&input, &mut output, None).map_err(|error| refused(Box::new(error)))?;
    Ok(())
}

/// Noticed within a second.
const WATCH_EVERY: Duration = Duration::from_millis(500);
/// Samples a second of the loudspeaker.
const RATE: u32 = 48_000;

/// Samples of a device's buffer: 20 ms. Left to the device it may be two seconds; with 10 ms a run beside other work took its own voice in
/// noise for somebody's.
const BUFFER: u32 = 960;

/// Samples in a frame of the reference.
pub const REFERENCE_FRAME: usize = 160;

/// Samples that are queued at most: 70 ms.
const QUEUE: usize = 3_360;
/// The same of a pause: 30 ms, one callback and a half.
const PAUSE_QUEUE: usize = 1_440;
/// Samples of sound that are enough to drop the pause before them: 30 ms.
const SOUND_TO_GO_ON_WITH: u64 = 1_440;

const RING: usize = 4_800;

/// Two seconds, in case the hearing side is late.
const REFERENCE_RING: usize = 96_000;

/// Samples of fade at a flush: 10 ms.
const FLUSH_FADE: usize = 480;

const ALIVE: u8 = 0;
const GONE: u8 = 1;
const BROKEN: u8 = 2;

/// The step from what is played (10 ms at 48 kHz) to what the echo canceller takes (10 ms at 16 kHz), for a caller that has
/// no loudspeaker.
pub struct Decimator(Fft<f32>);

impl Decimator {
    /// # Errors
    ///
    /// The resampler cannot be made.
    pub fn new() -> Result<Self, PlaybackError> {
        let third = Fft::new(48_000, 16_000, FRAME, 1, FixedSync::Both);
        third.map(Self).map_err(|error| PlaybackError::Resample(Box::new(error)))
    }

    /// The frame a third as dense; late by a few milliseconds.
    ///
    /// # Errors
    ///
    /// The resampler refuses.
    pub fn decimate(&mut self, input: &[f32; FRAME]) -> Result<[f32; REFERENCE_FRAME], PlaybackError> {
        let mut output = [0.0f32; REFERENCE_FRAME];
        decimate(&mut self.0, input, &mut output)?;
        Ok(output)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed() -> (Producer<f32>, Consumer<f32>, Arc<Shared>, Feed) {
        let shared = Arc::new(Shared::default());
        let (frames, to_device) = RingBuffer::new(RING);
        let (reference, played) = RingBuffer::new(REFERENCE_RING);
        let feed = Feed { frames: to_device, reference, shared: Arc::clone(&shared), channels: 2, left: 0 };
        (frames, played, shared, feed)
    }

    #[test]
    fn the_reference_gets_exactly_what_was_played_with_its_gaps() {
        let (mut frames, mut played, shared, mut feed) = feed();
        let sound: Vec<f32> = (0..1500).map(|n| n as f32 / 1500.0).collect();
        frames.push_entire_slice(&sound).unwrap();
        let mut heard = Vec::new();
        for _ in 0..3 {
            let mut data = vec![9.0f32; 960 * 2];
            feed.fill(&mut data);
            assert!(data.chunks(2).all(|pair| pair[0] == pair[1]));
            heard.extend(data.iter().step_by(2).copied());
        }
        let mut copied = vec![0.0; 2880];
        played.pop_entire_slice(&mut copied).unwrap();
        assert_eq!(heard, copied);
        assert_eq!(heard[..1500], sound);
        assert!(heard[1500..].iter().all(|sample| *sample == 0.0));
        assert_eq!(shared.underruns.load(Ordering::Relaxed), 1, "one gap is one underrun");
    }

    #[test]
    fn a_flush_fades_within_10_ms_and_forgets_the_rest() {
        let (mut frames, _played, shared, mut feed) = feed();
        frames.push_entire_slice(&[0.8; 3000]).unwrap();
        shared.flush_asked.store(1, Ordering::Release);
        let mut data = vec![0.0f32; 960 * 2];
        feed.fill(&mut data);
        let heard: Vec<f32> = data.iter().step_by(2).copied().collect();
        assert!(heard.windows(2).all(|pair| (pair[0] - pair[1]).abs() < 0.01), "no click");
        assert!(heard[FLUSH_FADE..].iter().all(|sample| *sample == 0.0));
        assert_eq!(shared.flush_done.load(Ordering::Acquire), 1);
        assert_eq!(frames.slots(), RING, "nothing is left in the queue");
        assert_eq!(shared.underruns.load(Ordering::Relaxed), 0);
    }

    #[test]
    fn sound_does_not_wait_behind_the_pause_before_it() {
        let (frames, _played, shared, mut feed) = feed();
        let mut playback = Playback {
            frames,
            shared,
            stream: None,
            device: String::new(),
            written: 0,
            pausing: true,
            sound_from: None,
        };
        while playback.write_pause(&[0.0; FRAME]) {}
        let mut data = vec![9.0f32; FRAME * 2];
        assert!(playback.write(&[0.5; FRAME]) && playback.write(&[0.5; FRAME]));
        feed.fill(&mut data);
        assert!(data.iter().all(|sample| *sample == 0.0), "too little sound yet to drop the pause for");
        while playback.write(&[0.5; FRAME]) {}
        for _ in 0..5 {
            feed.fill(&mut data);
            assert!(data.iter().all(|sample| *sample == 0.5), "neither the pause nor a gap");
        }
    }

    // Shannon: nothing above 8 kHz may come back as something below. The -50 dB is our own requirement.
    #[test]
    fn the_reference_keeps_speech_frequencies_and_lets_no_others_fold_in() {
        let power_of = |hertz: f32| {
            let (_, played, shared, _) = feed();
            drop(played);
            let (mut produced, consumed) = RingBuffer::new(REFERENCE_RING);
            let tone: Vec<f32> =
                (0..48_000).map(|n| (n as f32 * hertz * std::f32::consts::TAU / 48_000.0).sin()).collect();
            produced.push_entire_slice(&tone).unwrap();
            let mut reference = Reference::new(consumed, shared).unwrap();
            let mut power = 0.0;
            let mut frames = 0;
            while let Some(frame) = reference.next_frame().unwrap() {
                frames += 1;
                if frames > 10 {
                    power += frame.iter().map(|sample| sample * sample).sum::<f32>();
                }
            }
            assert_eq!(frames, 100);
            10.0 * (power / (90.0 * 160.0) * 2.0 + 1e-12).log10()
        };
        for hertz in [100.0, 1000.0, 3000.0, 6500.0] {
            assert!(power_of(hertz).abs() < 0.5, "{hertz} Hz: {} dB", power_of(hertz));
        }
        for hertz in [9500.0, 12_000.0, 20_000.0] {
            assert!(power_of(hertz) < -50.0, "{hertz} Hz: {} dB", power_of(hertz));
        }
    }
}
