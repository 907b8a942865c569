//! Waits for keys on a thread of its own, so that nothing has to look for them and a terminal that is closed is noticed.

use std::fs::File;
use std::io::{self, IsTerminal, Read};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::net::UnixStream;
use std::time::Duration;

use ratatui::crossterm::event::{self, Event};
use rustix::event::{PollFd, PollFlags, poll};
use rustix::io::Errno;
use signal_hook::consts::SIGWINCH;
use signal_hook::low_level;

use crate::screen::ScreenError;
use crate::screen::keys::{self, ScreenKey};

/// What comes from the terminal.
#[derive(Debug)]
pub enum ScreenInput {
    Key(ScreenKey),
    /// The terminal has another size: what there is to see is to be drawn again.
    Resized,
    /// It is closed, or cannot be read any more. Nothing comes after this.
    Lost(ScreenError),
}

/// Listens to the keys of the terminal until it is dropped; uses no processor while none is pressed.
#[derive(Debug)]
pub struct Keyboard {
    /// Closing it ends the thread.
    _stop: UnixStream,
}

impl Keyboard {
    /// Calls `tell`, on a thread of its own, with everything that comes from the terminal. The terminal must have been taken over.
    ///
    /// # Errors
    /// There is no terminal to read, or no thread can be started.
    pub fn listen(tell: impl FnMut(ScreenInput) + Send + 'static) -> Result<Self, ScreenError> {
        let (stop, stopped) = UnixStream::pair().map_err(failed)?;
        let ears = Ears { terminal: terminal().map_err(failed)?, resized: resized().map_err(failed)?, stopped };
        let mut tell = tell;
        std::thread::Builder::new().name("keys".to_owned()).spawn(move || ears.listen(&mut tell)).map_err(failed)?;
        Ok(Self { _stop: stop })
    }
}

/// What the thread waits for.
struct Ears {
    terminal: OwnedFd,
    resized: UnixStream,
    stopped: UnixStream,
}

impl Ears {
    fn listen(mut self, tell: &mut dyn FnMut(ScreenInput)) {
        loop {
            let (terminal, resized, stopped) = match self.wait() {
                Ok(found) => found,
                Err(Errno::INTR) => continue,
                Err(error) => return tell(ScreenInput::Lost(failed(error.into()))),
            };
            if !stopped.is_empty() {
                return;
            }
            // The library that reads the keys would go round for ever on a terminal that is closed.
            if terminal.intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL) {
                return tell(ScreenInput::Lost(failed(io::ErrorKind::UnexpectedEof.into())));
            }
            if !resized.is_empty() {
                // How often it was resized meanwhile makes no difference.
                drop(self.resized.read(&mut [0; 64]));
                tell(ScreenInput::Resized);
            }
            if !terminal.is_empty()
                && let Err(error) = self.read(tell)
            {
                return tell(ScreenInput::Lost(failed(error)));
            }
        }
    }

    /// Waits for any of the three; gives what came of each.
    fn wait(&self) -> Result<(PollFlags, PollFlags, PollFlags), Errno> {
        let mut all = [
            PollFd::new(&self.terminal, PollFlags::IN),
            PollFd::new(&self.resized, PollFlags::IN),
            PollFd::new(&self.stopped, PollFlags::IN),
        ];
        poll(&mut all, None)?;
        let [terminal, resized, stopped] = all.map(|fd| fd.revents());
        Ok((terminal, resized, stopped))
    }

    fn read(&self, tell: &mut dyn FnMut(ScreenInput)) -> io::Result<()> {
        let mut any = false;
        while event::poll(Duration::ZERO)? {
            any = true;
            if let Event::Key(key) = event::read()?
                && let Some(key) = keys::meaning(key)
            {
                tell(ScreenInput::Key(key));
            }
        }
        // The library reads a thousand bytes and waits for more to come before it reads the rest. Nobody types so fast: it is thrown away.
        if !any && rustix::io::read(&self.terminal, &mut [0; 4096])? == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        Ok(())
    }
}

/// The terminal that the library reads keys from.
fn terminal() -> io::Result<OwnedFd> {
    if io::stdin().is_terminal() {
        return io::stdin().as_fd().try_clone_to_owned();
    }
    Ok(File::open("/dev/tty")?.into())
}

/// Gets a byte whenever the terminal is resized.
fn resized() -> io::Result<UnixStream> {
    let (ours, of_signal) = UnixStream::pair()?;
    low_level::pipe::register(SIGWINCH, of_signal)?;
    Ok(ours)
}

fn failed(source: io::Error) -> ScreenError {
    ScreenError::Terminal { doing: "read its keys", source }
}
