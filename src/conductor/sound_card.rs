//! A station on a sound card: a thread that feeds and reads the devices, and the station in it.
//!
//! It sleeps until sound came, there is room for sound, or somebody has something for the station; nothing is polled.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::audio::FRAME_LEN;
use crate::audio::device::{Lost, Reopening};
use crate::audio::capture::Capture;
use crate::audio::playback::{Playback, Reference};
use crate::audio::wake::Sleeper;
use crate::conductor::edges::{Round, Stop, ToLoop, keep_going};
use crate::conductor::error::ConductorError;
use crate::conductor::fault::{Device, DeviceNews};
use crate::conductor::kept_sound::KeptSound;
use crate::conductor::live::SoundDevices;
use crate::conductor::news::News;
use crate::conductor::workers::{Directory, Workers};
use crate::hear::align::Alignment;
use crate::say::mixer::FRAME;
use crate::setup::clock::Clock;
use crate::setup::sound::Sounds;
use crate::station::{Station, StationInput, StationOutput};
use crate::units::StationId;
