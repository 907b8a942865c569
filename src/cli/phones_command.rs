//! `sparehand phones`: the phones that are let in.

use clap::Args;
use thiserror::Error;

use crate::server::certificate::{self, CertificateError};
use crate::server::kept::{Kept, KeptError};
use crate::setup::places::Places;

/// What is to be done with them; without an option they are listed.
#[derive(Debug, Args)]
pub struct PhonesArgs {
    /// Forget a phone, by its number or by the name of whoever used it last; at once, also in a run that is going on.
    #[arg(long, value_name = "NUMBER|NAME", conflicts_with = "new_certificate")]
    pub forget: Option<String>,
    /// Take key and certificates away; the next run makes new ones, and phones that trusted the old ones warn again.
    #[arg(long)]
    pub new_certificate: bool,
}

/// Why they cannot be looked after.
#[derive(Debug, Error)]
pub enum PhonesCommandError {
    #[error(transparent)]
    Kept(#[from] KeptError),
    #[error(transparent)]
    Certificate(#[from] CertificateError),
    #[error("no phone '{which}' is let in; list those there are with: sparehand phones")]
    Unknown { which: String },
}

/// Lists, forgets, or makes anew.
///
/// # Errors
/// The files cannot be read or written, or no such phone is let in.
pub fn run(args: &PhonesArgs, places: &Places) -> Result<(), PhonesCommandError> {
    let kept = Kept::open(&places.phones())?;
    let _held = kept.lock()?;
    if args.new_certificate {
        certificate::forget(&kept)?;
        println!("The next run makes a new certificate.");
        return Ok(());
    }
    let mut phones = kept.phones()?;
    if let Some(which) = &args.forget {
        match phones.forget(which) {
            0 => return Err(PhonesCommandError::Unknown { which: which.clone() }),
            count => {
                kept.keep_phones(&phones)?;
                println!("Forgotten: {count}.");
            }
        }
        return Ok(());
    }
    if phones.phone.is_empty() {
        println!("No phone is let in. Let one in with: sparehand run ROUTINE --phones");
    }
    for phone in &phones.phone {
        let name = if phone.name.is_empty() { "-" } else { &phone.name };
        println!("{}  {name}  since {}", phone.number, phone.since);
    }
    Ok(())
}
