//! Sound devices of both directions: found by id or name, opened, and dropped. The callbacks' side is in [`capture`](crate::audio::capture) and
//! [`playback`](crate::audio::playback); [`keeper`](crate::audio::keeper) watches over an open one and opens it anew when it was lost.

use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender};
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{ErrorKind, Host, HostId, Stream};

/// Which way sound goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Direction {
    /// A microphone.
    Input,
    /// A loudspeaker.
    Output,
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Input => "microphone",
            Self::Output => "loudspeaker",
        })
    }
}

/// A device that can be opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceInfo {
    /// Stays the same over restarts, unique.
    pub id: String,
    /// For people; two devices may share it.
    pub name: String,
    /// Whether it is the one that is taken where none is named.
    pub is_default: bool,
}

/// The devices of the first sound system that answers.
///
/// # Errors
/// There is no sound system, or it cannot list its devices.
pub fn devices(direction: Direction) -> Result<Vec<DeviceInfo>, DeviceError> {
    let mut last = DeviceError::NoHost { direction };
    for host in hosts() {
        match all_of(&host, direction) {
            Ok(devices) => {
                let default = default_of(&host, direction).map(|device| id_of(&device));
                return Ok(devices.iter().map(|device| described(device, default.as_deref())).collect());
            }
            Err(source) => last = DeviceError::List { direction, source },
        }
    }
    Err(last)
}

/// A device that was found, not yet open.
pub(super) struct FoundDevice {
    pub(super) device: cpal::Device,
    /// What it is called where its sound system lists it: it can be watched for by that.
    pub(super) listed: Option<String>,
    pub(super) name: String,
    pub(super) host: HostId,
}

/// Opens the device whose id or name is `wanted`, or the system's default one, with `build`.
///
/// Every call takes new hosts: two streams of one PulseAudio host share a thread, and a host that lost its server stays lost.
pub(super) fn open<T>(
    direction: Direction,
    wanted: Option<&str>,
    mut build: impl FnMut(&FoundDevice) -> Result<T, cpal::Error>,
) -> Result<T, DeviceError> {
    let mut last = DeviceError::NoHost { direction };
    for host in hosts() {
        let opened = find(&host, direction, wanted).and_then(|found| {
            let failed = |source| DeviceError::Open { direction, name: found.name.clone(), source };
            build(&found).map_err(failed)
        });
        match opened {
            Ok(opened) => return Ok(opened),
            // Another sound system would be given the same by the server behind it.
            Err(why @ (DeviceError::OnlyMadeUp { .. } | DeviceError::Open { .. })) => return Err(why),
            // What is told about a name is what the system says that has devices at all.
            Err(DeviceError::NoDevice { found, .. }) if found.is_empty() => {}
            Err(why) => last = why,
        }
    }
    Err(last)
}

fn find(host: &Host, direction: Direction, wanted: Option<&str>) -> Result<FoundDevice, DeviceError> {
    let device = match wanted {
        None => match default_of(host, direction) {
            // Where there is no device a sound server makes one up that nobody hears, and offers what is played as a microphone.
            Some(device) if is_made_up(host, direction, &id_of(&device)) => {
                return Err(DeviceError::OnlyMadeUp { direction });
            }
            device => device.ok_or(DeviceError::NoDefault { direction })?,
        },
        Some(wanted) => {
            let all = all_of(host, direction).map_err(|source| DeviceError::List { direction, source })?;
            let names = || all.iter().map(|device| described(device, None).name).collect::<Vec<_>>().join(", ");
            let place = all.iter().position(|device| is_named(device, wanted));
            let place =
                place.ok_or_else(|| DeviceError::NoDevice { direction, wanted: wanted.to_owned(), found: names() })?;
            let mut all = all;
            all.swap_remove(place)
        }
    };
    let DeviceInfo { id, name, .. } = described(&device, None);
    let listed = Some(id).filter(|id| !id.is_empty() && lists(host, direction, id) == Some(true));
    Ok(FoundDevice { device, listed, name, host: host.id() })
}

/// The hosts that answer, PulseAudio (which PipeWire also speaks) first.
fn hosts() -> impl Iterator<Item = Host> {
    let mut ids = cpal::ALL_HOSTS.to_vec();
    ids.sort_by_key(|id| *id != HostId::PulseAudio);
    ids.into_iter().filter_map(|id| cpal::host_from_id(id).ok())
}

fn all_of(host: &Host, direction: Direction) -> Result<Vec<cpal::Device>, cpal::Error> {
    Ok(match direction {
        Direction::Input => host.input_devices()?.collect(),
        Direction::Output => host.output_devices()?.collect(),
    })
}

fn default_of(host: &Host, direction: Direction) -> Option<cpal::Device> {
    match direction {
        Direction::Input => host.default_input_device(),
        Direction::Output => host.default_output_device(),
    }
}

fn described(device: &cpal::Device, default: Option<&str>) -> DeviceInfo {
    let id = id_of(device);
    let name = device.description().map_or_else(|_| id.clone(), |description| description.name().to_owned());
    DeviceInfo { is_default: default == Some(&*id), id, name }
}

/// The id of a device, which is empty where it has none.
fn id_of(device: &cpal::Device) -> String {
    device.id().map_or_else(|_| String::new(), |id| id.to_string())
}

fn is_named(device: &cpal::Device, wanted: &str) -> bool {
    let info = described(device, None);
    info.id == wanted || info.name == wanted
}

/// Whether a host has the device with this id or name; `None` where it cannot list what it has.
fn lists(host: &Host, direction: Direction, wanted: &str) -> Option<bool> {
    all_of(host, direction).ok().map(|devices| devices.iter().any(|device| is_named(device, wanted)))
}

/// Whether a default device is none that anybody hears or speaks into: what a server puts in the place of the last loudspeaker, so that no stream
/// dies, or the sound that goes to a loudspeaker, in the place of a microphone.
fn is_made_up(host: &Host, direction: Direction, id: &str) -> bool {
    match direction {
        Direction::Output => id.ends_with(MADE_UP),
        Direction::Input => id.strip_suffix(".monitor").is_some_and(|of| {
            of.ends_with(MADE_UP) || default_of(host, Direction::Output).is_some_and(|sink| id_of(&sink) == of)
        }),
    }
}

/// A stream that runs. Dropping it never waits: closing the stream of a device that vanished can block for ever, so that is done on a thread of
/// its own.
pub(super) struct OpenStream {
    stream: Option<Stream>,
    direction: Direction,
}

impl OpenStream {
    pub(super) fn new(direction: Direction, stream: Stream) -> Self {
        Self { stream: Some(stream), direction }
    }
}

impl Drop for OpenStream {
    fn drop(&mut self) {
        if let Some(stream) = self.stream.take() {
            let closing = std::thread::Builder::new().name(format!("close {}", self.direction));
            // Without a thread the closure, and the stream in it, is dropped here; there is nothing better to do.
            if let Err(error) = closing.spawn(move || drop(stream)) {
                tracing::warn!(%error, "a stream is closed in place");
            }
        }
    }
}

/// How a stream fares: what its callbacks tell its owner. Nothing but atomics, for a callback may not lock.
#[derive(Default)]
pub(super) struct Health {
    failure: AtomicU8,
    moved: AtomicU64,
    xruns: AtomicU64,
    not_numbers: AtomicU64,
}

impl Health {
    /// A fault that the system reports. Some hosts do so hundreds of thousands of times a second.
    pub(super) fn note(&self, kind: ErrorKind) {
        match kind {
            // A server that waits for a device which stands still gives up on an answer, and a busy one has no timing to tell for a moment: whether
            // sound moves tells more.
            ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied | ErrorKind::DeviceBusy | ErrorKind::BackendError => {}
            ErrorKind::Xrun => self.count_xrun(),
            ErrorKind::DeviceNotAvailable => self.failure.store(GONE, Ordering::Release),
            _ => self.failure.store(BROKEN, Ordering::Release),
        }
    }

    pub(super) fn count_moved(&self, samples: usize) {
        self.moved.fetch_add(samples as u64, Ordering::Relaxed);
    }

    pub(super) fn count_xrun(&self) {
        self.xruns.fetch_add(1, Ordering::Relaxed);
    }

    /// The sample, or silence in the place of one that is no number: in a filter that would stay for good.
    pub(super) fn sane(&self, sample: f32) -> f32 {
        if sample.is_finite() {
            return sample;
        }
        self.not_numbers.fetch_add(1, Ordering::Relaxed);
        0.0
    }

    /// Samples that the device has given or taken so far.
    pub(super) fn moved(&self) -> u64 {
        self.moved.load(Ordering::Relaxed)
    }

    pub(super) fn xruns(&self) -> u64 {
        self.xruns.load(Ordering::Relaxed)
    }

    pub(super) fn not_numbers(&self) -> u64 {
        self.not_numbers.load(Ordering::Relaxed)
    }

    /// Why the device is gone, if it has said so.
    pub(super) fn failure(&self, direction: Direction, name: &str) -> Option<DeviceError> {
        match self.failure.load(Ordering::Acquire) {
            ALIVE => None,
            GONE => Some(DeviceError::Gone { direction, name: name.to_owned() }),
            _ => Some(DeviceError::Broken { direction, name: name.to_owned() }),
        }
    }
}

/// Looks whether a device is still there, on a thread of its own, until it is dropped.
///
/// A sound server moves the stream of a microphone that is pulled out to another, which may be anything, the loudspeaker's own sound included; and
/// when the last loudspeaker is switched off it plays on into nothing. It reports neither.
pub struct DeviceWatch {
    gone: Arc<AtomicBool>,
    /// The thread ends when this does.
    _stop: Sender<()>,
}

/// What is watched for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Watched {
    /// The microphone with this id or name.
    Microphone(String),
    /// Any loudspeaker at all.
    AnyLoudspeaker,
}

impl DeviceWatch {
    /// Begins to look.
    ///
    /// # Errors
    /// The system gives no thread. Nothing would be noticed but a stream that ends, and an alarm would be played into nothing.
    pub fn begin(watched: Watched) -> Result<Self, DeviceError> {
        let direction = match watched {
            Watched::Microphone(_) => Direction::Input,
            Watched::AnyLoudspeaker => Direction::Output,
        };
        let (stop, stopped) = std::sync::mpsc::channel::<()>();
        let gone = Arc::new(AtomicBool::new(false));
        let tell = Arc::clone(&gone);
        let watch = move || {
            let mut host: Option<Host> = None;
            while stopped.recv_timeout(WATCH_EVERY) == Err(RecvTimeoutError::Timeout) {
                let is_gone = match &watched {
                    Watched::Microphone(wanted) => is_microphone_gone(&mut host, wanted),
                    Watched::AnyLoudspeaker => is_every_loudspeaker_gone(&mut host),
                };
                // Where nothing can be listed nothing is known: a stream that is dead shows that itself.
                if let Some(is_gone) = is_gone {
                    tell.store(is_gone, Ordering::Relaxed);
                }
            }
        };
        match std::thread::Builder::new().name("watch devices".to_owned()).spawn(watch) {
            Ok(_) => Ok(Self { gone, _stop: stop }),
            Err(source) => Err(DeviceError::NoThread { direction, source }),
        }
    }

    /// Whether it was not there when it was looked for last.
    pub fn is_gone(&self) -> bool {
        self.gone.load(Ordering::Relaxed)
    }
}

fn is_microphone_gone(known: &mut Option<Host>, wanted: &str) -> Option<bool> {
    let has = |host: &Host| lists(host, Direction::Input, wanted);
    if known.as_ref().and_then(has) == Some(true) {
        return Some(false);
    }
    // A server that was away has a new host, and while it is away another sound system may answer.
    *known = None;
    let mut answered = false;
    for host in hosts() {
        match has(&host) {
            // The others need not even be asked, which takes megabytes.
            Some(true) => {
                *known = Some(host);
                return Some(false);
            }
            Some(false) => answered = true,
            None => {}
        }
    }
    answered.then_some(true)
}

fn is_every_loudspeaker_gone(known: &mut Option<Host>) -> Option<bool> {
    // Another sound system makes no device up, and would be asked for ever once it had answered.
    let host = known.take().or_else(|| cpal::host_from_id(HostId::PulseAudio).ok())?;
    // A host that lost its server stays lost: then the next look takes another.
    let all = all_of(&host, Direction::Output).ok()?;
    *known = Some(host);
    Some(!all.is_empty() && all.iter().all(|device| id_of(device).ends_with(MADE_UP)))
}

/// Why there is no device, or no longer.
#[derive(Debug, thiserror::Error)]
pub enum DeviceError {
    /// Nothing plays or records on this machine.
    #[error("no sound system answers; start PulseAudio or PipeWire, or use the keys")]
    NoHost { direction: Direction },
    /// There is a sound system, and nothing is plugged in.
    #[error("the sound system has no default {direction}; plug one in, or use the keys")]
    NoDefault { direction: Direction },
    /// Nothing is plugged in, and a server makes up for it.
    #[error("the sound system has no {direction}, only one that it makes up; plug one in, or use the keys")]
    OnlyMadeUp { direction: Direction },
    /// The one that was named is not there.
    #[error(
        "there is no {direction} '{wanted}', found: {found}; plug it in, or choose another (`sparehand mic --list`)"
    )]
    NoDevice { direction: Direction, wanted: String, found: String },
    /// The system does not say what there is.
    #[error("the sound system does not list any {direction}")]
    List {
        direction: Direction,
        #[source]
        source: cpal::Error,
    },
    /// It is there, and cannot be used.
    #[error("{direction} '{name}' cannot be opened; switch it off and on, or choose another (`sparehand mic --list`)")]
    Open {
        direction: Direction,
        name: String,
        #[source]
        source: cpal::Error,
    },
    /// The system gives no thread to open or to watch it.
    #[error(
        "the system gives no thread for the {direction}; close other programs, or allow more threads (`ulimit -u`)"
    )]
    NoThread {
        direction: Direction,
        #[source]
        source: std::io::Error,
    },
    /// It did not say within seconds whether it opens.
    #[error("the {direction} does not answer; switch it off and on, or choose another")]
    DoesNotAnswer { direction: Direction },
    /// It was pulled out.
    #[error("{direction} '{name}' is gone; plug it in again, or choose another (`sparehand mic --list`)")]
    Gone { direction: Direction, name: String },
    /// It reports an error.
    #[error("{direction} '{name}' stopped working; switch it off and on, or choose another (`sparehand mic --list`)")]
    Broken { direction: Direction, name: String },
    /// No system lists it any more.
    #[error("the {direction} is no longer there; plug it in again")]
    NotListed { direction: Direction },
    /// It is open, and nothing moves.
    #[error(
        "{direction} '{name}' stands still and moves no sound; switch it off and on, or choose another (`sparehand mic --list`)"
    )]
    StandsStill { direction: Direction, name: String },
    /// What is played cannot be brought to the rate of what is heard.
    #[error(transparent)]
    Resample(#[from] crate::audio::resample::ResampleError),
}

/// The device that PulseAudio and PipeWire make up when there is no other.
const MADE_UP: &str = "auto_null";
/// Noticed within a second.
const WATCH_EVERY: Duration = Duration::from_millis(450);

const ALIVE: u8 = 0;
const GONE: u8 = 1;
const BROKEN: u8 = 2;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_server_that_has_no_timing_for_a_moment_has_not_lost_the_device() {
        let lost = |kind| {
            let health = Health::default();
            health.note(kind);
            health.failure(Direction::Output, "a").is_some()
        };
        for kind in [ErrorKind::BackendError, ErrorKind::DeviceBusy, ErrorKind::Xrun] {
            assert!(!lost(kind), "{kind:?}");
        }
        for kind in [ErrorKind::StreamInvalidated, ErrorKind::HostUnavailable, ErrorKind::DeviceNotAvailable] {
            assert!(lost(kind), "{kind:?}");
        }
    }
}
