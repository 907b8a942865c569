//! The microphone. A callback copies samples into a ring without locking, allocating, logging or waiting; the reader takes
//! frames of 10 ms out of it. Lost samples are counted, a dead device is noticed, and nothing here ever waits for one.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender};
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, ErrorKind, Host, Stream, StreamConfig};
use rtrb::{Consumer, Producer, RingBuffer};

use crate::audio::FRAME_LEN;
use crate::audio::SAMPLE_RATE;

/// An open microphone. Dropping it closes it, on a thread of its own: closing a dead device may never return.
pub struct Capture {
    stream: Option<Stream>,
    samples: Consumer<f32>,
    shared: Arc<Shared>,
    id: Option<String>,
    name: String,
}

/// What the callbacks tell the reader.
#[derive(Default)]
struct Shared {
    lost: AtomicU64,
    delivered: AtomicU64,
    failed: AtomicBool,
}

impl Capture {
    /// Opens the microphone whose id or name is `device`, or the system's default one, at 16 kHz mono.
    ///
    /// Every call takes a new host: after the sound server went away, an old one is of no use.
    ///
    /// # Errors
    /// There is no sound system, no such microphone, or it cannot be opened. Trying again in a second may help.
    pub fn open(device: Option<&str>) -> Result<Self, CaptureError> {
        let mut last = CaptureError::NoHost;
        for host in hosts() {
            match Self::open_on(&host, device) {
                Ok(capture) => return Ok(capture),
                // Another sound system would be given the same by the server behind it.
                Err(why @ CaptureError::OnlyWhatIsPlayed) => return Err(why),
                Err(why) => last = why,
            }
        }
        Err(last)
    }

    fn open_on(host: &Host, wanted: Option<&str>) -> Result<Self, CaptureError> {
        let device = match wanted {
            // Where there is no microphone a sound server offers what is played instead.
            None => match host.default_input_device() {
                Some(device) if is_what_is_played(host, &device) => return Err(CaptureError::OnlyWhatIsPlayed),
                device => device.ok_or(CaptureError::NoDefault)?,
            },
            Some(wanted) => host
                .input_devices()
                .map_err(CaptureError::List)?
                .find(|device| is_named(device, wanted))
                .ok_or_else(|| CaptureError::NoSuchDevice { wanted: wanted.to_owned() })?,
        };
        let (id, name) = match names(&device) {
            Some(found) => (Some(found.id).filter(|id| lists(host, id) == Some(true)), found.name),
            None => (None, "unnamed microphone".to_owned()),
        };
        let (producer, samples) = RingBuffer::new(RING_LEN);
        let shared = Arc::new(Shared::default());
        let config = StreamConfig {
            channels: 1,
            sample_rate: SAMPLE_RATE as u32,
            // The default of some hosts is two seconds, which no echo canceller survives.
            buffer_size: BufferSize::Fixed(CHUNK_LEN),
        };
        let (for_samples, for_faults) = (Arc::clone(&shared), Arc::clone(&shared));
        let mut producer = producer;
        let stream = device
            .build_input_stream::<f32, _, _>(
                config,
                move |chunk: &[f32], _| deliver(&mut producer, &for_samples, chunk),
                move |fault| {
                    // Some hosts call this hundreds of thousands of times a second: nothing but a flag here.
                    if is_fatal(fault.kind()) {
                        for_faults.failed.store(true, Ordering::Relaxed);
                    }
                },
                None,
            )
            .and_then(|stream| stream.play().map(|()| stream))
            .map_err(|source| CaptureError::Open { name: name.clone(), source })?;
        Ok(Self { stream: Some(stream), samples, shared, id, name })
    }

    /// Takes the next frame, if there is a whole one. Never waits.
    pub fn read_frame(&mut self, frame: &mut [f32; FRAME_LEN]) -> bool {
        take_frame(&mut self.samples, frame)
    }

    /// Samples that were lost because nobody read in time.
    pub fn lost(&self) -> u64 {
        self.shared.lost.load(Ordering::Relaxed)
    }

    /// Samples that the device has delivered since it was opened. If this stands still for a second, the device is dead
    /// even though it reports nothing: close it and open it again.
    pub fn delivered(&self) -> u64 {
        self.shared.delivered.load(Ordering::Relaxed)
    }

    /// Whether the device has reported that it is gone.
    pub fn failed(&self) -> bool {
        self.shared.failed.load(Ordering::Relaxed)
    }

    /// Id of the microphone, where its sound system lists it: one that can be watched for.
    pub fn id(&self) -> Option<&str> {
        self.id.as_deref()
    }

    /// Name of the microphone, for people.
    pub fn name(&self) -> &str {
        &self.name
    }
}

impl Drop for Capture {
    fn drop(&mut self) {
        if let Some(stream) = self.stream.take() {
            let closing = std::thread::Builder::new().name("close microphone".to_owned()).spawn(move || drop(stream));
            // Without a thread the closure, and the stream in it, is dropped here; there is nothing better to do.
            drop(closing);
        }
    }
}

/// Looks whether a microphone that was asked for by name is still there, on a thread of its own, until it is dropped.
///
/// A sound server moves the stream of one that is pulled out to another, which may be anything, the loudspeaker's own sound included,
/// and reports nothing.
pub struct Watch {
    gone: Arc<AtomicBool>,
    /// The thread ends when this does.
    _stop: Sender<()>,
}

impl Watch {
    /// Watches for the microphone with this id or name.
    pub fn begin(wanted: &str) -> Self {
        let (stop, stopped) = std::sync::mpsc::channel::<()>();
        let gone = Arc::new(AtomicBool::new(false));
        let (tell, wanted) = (Arc::clone(&gone), wanted.to_owned());
        let watch = move || {
            let mut host: Option<Host> = None;
            while stopped.recv_timeout(WATCH_EVERY) == Err(RecvTimeoutError::Timeout) {
                if host.as_ref().is_none_or(|host| lists(host, &wanted) != Some(true)) {
                    // A server that was away has a new host, and while it is away another sound system may answer.
                    let (mut found, mut known) = (None, false);
                    for host in hosts() {
                        match lists(&host, &wanted) {
                            // The others need not even be asked, which takes megabytes.
                            Some(true) => {
                                found = Some(host);
                                break;
                            }
                            Some(false) => known = true,
                            None => {}
                        }
                    }
                    // Where nothing can be listed nothing is known: a stream that is dead shows that itself.
                    if found.is_some() || known {
                        tell.store(found.is_none(), Ordering::Relaxed);
                    }
                    host = found;
                }
            }
        };
        // Without a thread nothing is noticed but a stream that ends: as it is for a microphone without a name.
        drop(std::thread::Builder::new().name("watch microphone".to_owned()).spawn(watch));
        Self { gone, _stop: stop }
    }

    /// Whether it was not there when it was looked for last.
    pub fn is_gone(&self) -> bool {
        self.gone.load(Ordering::Relaxed)
    }
}

/// A microphone that could be opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputDevice {
    /// Stays the same over restarts, unique.
    pub id: String,
    /// For people; two devices may share it.
    pub name: String,
}

/// The microphones of the first sound system that answers.
///
/// # Errors
/// There is no sound system, or it cannot list its devices.
pub fn input_devices() -> Result<Vec<InputDevice>, CaptureError> {
    let mut last = CaptureError::NoHost;
    for host in hosts() {
        match host.input_devices() {
            Ok(devices) => return Ok(devices.filter_map(|device| names(&device)).collect()),
            Err(source) => last = CaptureError::List(source),
        }
    }
    Err(last)
}

/// The hosts that answer, PulseAudio (which PipeWire also speaks) first.
fn hosts() -> impl Iterator<Item = Host> {
    let mut ids = cpal::ALL_HOSTS.to_vec();
    ids.sort_by_key(|id| *id != cpal::HostId::PulseAudio);
    ids.into_iter().filter_map(|id| cpal::host_from_id(id).ok())
}

fn names(device: &cpal::Device) -> Option<InputDevice> {
    let id = device.id().ok()?.to_string();
    let name = device.description().map_or_else(|_| id.clone(), |description| description.name().to_owned());
    Some(InputDevice { id, name })
}

/// Whether a host has the microphone with this id or name; `None` where it cannot list what it has.
fn lists(host: &Host, wanted: &str) -> Option<bool> {
    host.input_devices().ok().map(|mut devices| devices.any(|device| is_named(&device, wanted)))
}

/// Whether a microphone is the sound that goes to the loudspeaker of the system, or to none.
fn is_what_is_played(host: &Host, device: &cpal::Device) -> bool {
    let id_of = |device: cpal::Device| device.id().ok().map(|id| id.to_string());
    let Some(id) = device.id().ok().map(|id| id.to_string()) else { return false };
    let Some(of) = id.strip_suffix(".monitor") else { return false };
    of.ends_with("auto_null") || host.default_output_device().and_then(id_of).is_some_and(|sink| sink == of)
}

fn is_named(device: &cpal::Device, wanted: &str) -> bool {
    names(device).is_some_and(|found| found.id == wanted || found.name == wanted)
}

fn deliver(ring: &mut Producer<f32>, shared: &Shared, chunk: &[f32]) {
    shared.delivered.fetch_add(chunk.len() as u64, Ordering::Relaxed);
    let fits = chunk.len().min(ring.slots());
    for &sample in &chunk[..fits] {
        if ring.push(sample).is_err() {
            break;
        }
    }
    let lost = chunk.len() - fits;
    if lost > 0 {
        shared.lost.fetch_add(lost as u64, Ordering::Relaxed);
    }
}

fn take_frame(ring: &mut Consumer<f32>, frame: &mut [f32; FRAME_LEN]) -> bool {
    if ring.slots() < FRAME_LEN {
        return false;
    }
    for sample in frame.iter_mut() {
        match ring.pop() {
            Ok(next) => *sample = next,
            Err(_) => return false,
        }
    }
    true
}

fn is_fatal(kind: ErrorKind) -> bool {
    !matches!(kind, ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied | ErrorKind::Xrun)
}

/// Why there is no microphone.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    #[error("no sound system answers; start PulseAudio or PipeWire, or use the keys")]
    NoHost,
    #[error("the sound system has no default microphone; plug one in, or use the keys")]
    NoDefault,
    #[error("the sound system has no microphone, only what it plays itself; plug one in, or use the keys")]
    OnlyWhatIsPlayed,
    #[error("there is no microphone '{wanted}'; list them with `sparehand mic --list`")]
    NoSuchDevice { wanted: String },
    #[error("the microphones cannot be listed")]
    List(#[source] cpal::Error),
    #[error("microphone '{name}' cannot be opened at 16000 Hz mono")]
    Open {
        name: String,
        #[source]
        source: cpal::Error,
    },
}

/// Samples that the device should hand over at a time: 20 ms.
const CHUNK_LEN: u32 = 320;
const WATCH_EVERY: Duration = Duration::from_millis(400);
/// Twelve seconds: longer than any scoring takes, and than Vosk takes to write down the longest piece of a note.
const RING_LEN: usize = 12 * SAMPLE_RATE;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_of_any_size_come_out_as_whole_frames_in_order() {
        let (mut producer, mut consumer) = RingBuffer::new(2_000);
        let shared = Shared::default();
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
        let shared = Shared::default();
        deliver(&mut producer, &shared, &[0.0; 130]);
        assert_eq!(shared.lost.load(Ordering::Relaxed), 30);
        assert_eq!(shared.delivered.load(Ordering::Relaxed), 130);
    }
}
