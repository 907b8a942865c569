//! Keeps what libraries write to the standard error off the terminal while the screen is up.
//!
//! The ALSA library, for one, tells there of every device that it does not find, over whatever is being shown.

use std::fs::File;
use std::io::{self, IsTerminal};
use std::os::fd::OwnedFd;
use std::panic;
use std::path::Path;
use std::sync::{Mutex, Once, PoisonError};

/// While it lives, what is written to the standard error goes to a file. The standard error is given back when this is dropped,
/// and before the message of a panic.
#[derive(Debug)]
pub struct Aside(());

impl Aside {
    /// Leads the standard error to `file`, which is made anew; away, where the file cannot be made. `None` where the standard error is
    /// no terminal: whoever leads it elsewhere wants it there. One at a time; a second one changes nothing.
    ///
    /// # Errors
    /// The system does not let it be led elsewhere.
    pub fn begin(file: &Path) -> io::Result<Option<Self>> {
        let mut kept = kept();
        if !io::stderr().is_terminal() || kept.is_some() {
            return Ok(None);
        }
        let into = File::create(file).or_else(|error| {
            tracing::warn!(file = %file.display(), %error, "what libraries write is not kept");
            File::options().write(true).open("/dev/null")
        })?;
        let terminal = rustix::io::dup(io::stderr())?;
        rustix::stdio::dup2_stderr(&into)?;
        *kept = Some(terminal);
        drop(kept);
        give_back_before_a_panic();
        Ok(Some(Self(())))
    }
}

impl Drop for Aside {
    fn drop(&mut self) {
        give_back();
    }
}

fn give_back() {
    if let Some(terminal) = kept().take()
        && let Err(error) = rustix::stdio::dup2_stderr(&terminal)
    {
        tracing::warn!(%error, "the standard error is not given back");
    }
}

fn give_back_before_a_panic() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            give_back();
            before(info);
        }));
    });
}

/// The terminal as the standard error had it.
static KEPT: Mutex<Option<OwnedFd>> = Mutex::new(None);

fn kept() -> std::sync::MutexGuard<'static, Option<OwnedFd>> {
    // A descriptor cannot be left half changed.
    KEPT.lock().unwrap_or_else(PoisonError::into_inner)
}
