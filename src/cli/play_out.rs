//! A loudspeaker for a command that waits for it: opens it, fills it, and gives up on one that takes no sound.

use crate::audio::PLAYBACK_FRAME_LEN;
use crate::audio::device::DeviceError;
use crate::audio::keeper::{DeviceChange, Keeper, LOOK_EVERY, Loudspeaker};
use crate::audio::playback::Playback;
use crate::audio::wake::Sleeper;
use crate::setup::clock::Clock;

/// An open loudspeaker.
pub struct PlayOut {
    keeper: Keeper<Loudspeaker>,
    sleeper: Sleeper,
    clock: Clock,
}

impl PlayOut {
    /// Opens the loudspeaker with this id or name, or the system's default one.
    ///
    /// # Errors
    /// There is none, it does not open, or it does not say within seconds whether it does.
    pub fn open(device: Option<&str>) -> Result<Self, DeviceError> {
        let (sleeper, clock) = (Sleeper::new(), Clock::start());
        let keeper = Keeper::new(device.map(str::to_owned), sleeper.waker(), clock.now());
        let mut open = Self { keeper, sleeper, clock };
        open.wait_until(|_| true)?;
        Ok(open)
    }

    /// Plays 10 ms at 48 kHz, as soon as there is room for it.
    ///
    /// # Errors
    /// The loudspeaker is gone, or takes no sound: for five seconds at first, for a second and a half later.
    pub fn play(&mut self, frame: &[f32; PLAYBACK_FRAME_LEN]) -> Result<(), DeviceError> {
        self.wait_until(|playback| playback.write(frame))
    }

    /// Plays 10 ms where there is room for it, and does not wait.
    ///
    /// # Errors
    /// As [`play`](Self::play).
    pub fn offer(&mut self, frame: &[f32; PLAYBACK_FRAME_LEN]) -> Result<bool, DeviceError> {
        self.look()?;
        Ok(self.keeper.device().is_some_and(|speaker| speaker.playback.write(frame)))
    }

    /// Waits until all of it has left the queue. The device's own buffers hold it for up to 100 ms more.
    ///
    /// # Errors
    /// As [`play`](Self::play).
    pub fn drain(&mut self) -> Result<(), DeviceError> {
        self.wait_until(|playback| {
            playback.end();
            playback.queued() == 0
        })
    }

    fn wait_until(&mut self, mut done: impl FnMut(&mut Playback) -> bool) -> Result<(), DeviceError> {
        loop {
            self.look()?;
            if self.keeper.device().is_some_and(|speaker| done(&mut speaker.playback)) {
                return Ok(());
            }
            self.sleeper.sleep(LOOK_EVERY);
        }
    }

    fn look(&mut self) -> Result<(), DeviceError> {
        match self.keeper.poll(self.clock.now()) {
            Some(DeviceChange::Lost(why)) => Err(why),
            Some(DeviceChange::Back) | None => Ok(()),
        }
    }
}
