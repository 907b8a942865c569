//! Options of every command that hears and speaks by the rig's own devices.

use clap::Args;

/// A microphone and a loudspeaker.
#[derive(Clone, Debug, Default, Args)]
pub struct DeviceArgs {
    /// Microphone by name or id; without it, the one that `mic` remembers, or the system's own.
    #[arg(long, value_name = "NAME")]
    pub microphone: Option<String>,
    /// Loudspeaker by name or id; without it, the system's own.
    #[arg(long, value_name = "NAME")]
    pub loudspeaker: Option<String>,
}

impl DeviceArgs {
    /// The microphone to open: the one that is named, else the one that is known already.
    ///
    /// # Errors
    /// As `known`, which is not asked where one is named.
    pub fn microphone_or<E>(&self, known: impl FnOnce() -> Result<Option<String>, E>) -> Result<Option<String>, E> {
        self.microphone.clone().map_or_else(known, |name| Ok(Some(name)))
    }
}
