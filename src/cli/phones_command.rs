//! `sparehand phones`: the phones that are let in.

use std::time::Duration;

use clap::Args;
use thiserror::Error;

use crate::server::certificate::{self, CertificateError};
use crate::server::invitation::{CodeError, Invitation};
use crate::server::kept::{Kept, KeptError};
use crate::server::pairing::{PairedPhone, SecretHash, TokenBytes, hex};
use crate::server::words::{PhoneWords, PhoneWordsError};
use crate::server::{ServerError, random};
use crate::setup::clock::pause;
use crate::setup::places::Places;

/// What is to be done with them; without an option they are listed.
#[derive(Debug, Args)]
pub struct PhonesArgs {
    /// Forget a phone, by its number or by the name of whoever used it last; at once, also in a run that is going on.
    #[arg(long, value_name = "NUMBER|NAME", conflicts_with = "new_certificate")]
    pub forget: Option<String>,
    /// Show how another phone is let in to the run that is going on; good for two minutes, once. For a run without a screen.
    #[arg(long, conflicts_with_all = ["forget", "new_certificate"])]
    pub invite: bool,
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
    #[error(transparent)]
    Server(#[from] ServerError),
    #[error(transparent)]
    Words(#[from] PhoneWordsError),
    #[error(transparent)]
    Code(#[from] CodeError),
    #[error("no run that lets phones in is going on; begin one with: sparehand run ROUTINE --phones --address ADDRESS")]
    NoRun,
    #[error("no phone '{which}' is let in; list those there are with: sparehand phones")]
    Unknown { which: String },
}

/// Lists, forgets, or makes anew.
///
/// # Errors
/// The files cannot be read or written, or no such phone is let in.
pub fn run(args: &PhonesArgs, places: &Places) -> Result<(), PhonesCommandError> {
    let kept = Kept::open(&places.phones())?;
    if args.invite {
        return invite(&kept);
    }
    if args.new_certificate {
        let _held = kept.lock()?;
        certificate::forget(&kept)?;
        println!("The next run makes a new certificate.");
        return Ok(());
    }
    if let Some(which) = &args.forget {
        let _held = kept.lock()?;
        let mut phones = kept.phones()?;
        match phones.forget(which) {
            0 => return Err(PhonesCommandError::Unknown { which: which.clone() }),
            count => {
                kept.keep_phones(&phones)?;
                println!("Forgotten: {count}.");
            }
        }
        return Ok(());
    }
    // What is read is whole without the lock, which would hold up a run for as long as somebody reads the list.
    let phones = kept.phones()?;
    if phones.phone.is_empty() {
        println!("No phone is let in. Let one in with: sparehand run ROUTINE --phones --address ADDRESS");
    }
    for phone in &phones.phone {
        println!("{}", line(phone));
    }
    Ok(())
}

/// A phone as the list shows it: number, who used it last, when it was let in, when it was here last, what it says that it is.
fn line(phone: &PairedPhone) -> String {
    let of = |text: &str, none: &str| if text.is_empty() { none.to_owned() } else { text.to_owned() };
    let here = if phone.seen.is_empty() { "never began".to_owned() } else { format!("here last {}", phone.seen) };
    let (name, kind) = (of(&phone.name, "-"), of(&phone.kind, "another browser"));
    format!("{:>3}  {name:<16}  let in {}, {here}  {kind}", phone.number, phone.since)
}

/// Has the run take up a token, and shows it: nothing that lets anybody in is written down anywhere.
fn invite(kept: &Kept) -> Result<(), PhonesCommandError> {
    let page = kept.address()?.ok_or(PhonesCommandError::NoRun)?;
    let print = certificate::authority_print(kept)?.ok_or(PhonesCommandError::NoRun)?;
    let token = hex(&random::<{ size_of::<TokenBytes>() }>()?);
    kept.ask_for_invitation(&SecretHash::of(&token))?;
    for _ in 0..TAKEN_UP_WITHIN {
        if !kept.is_asked_for() {
            let words = PhoneWords::built_in()?.rig;
            Invitation::new(&page, &token, &print)?.lines(&words).iter().for_each(|line| println!("{line}"));
            return Ok(());
        }
        pause(PIECE);
    }
    // The run was ended by force, or does not look.
    kept.ask_no_more()?;
    Err(PhonesCommandError::NoRun)
}

const PIECE: Duration = Duration::from_millis(50);
/// Pieces: five seconds, of a run that looks twice a second.
const TAKEN_UP_WITHIN: u32 = 100;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phones_are_told_apart_by_what_they_are_and_when_they_were_here() {
        let mut phone = PairedPhone {
            number: 4,
            name: "Rowan".to_owned(),
            since: "2026-05-01".to_owned(),
            seen: "2026-05-03".to_owned(),
            kind: "iPhone".to_owned(),
            hash: SecretHash::of("x"),
        };
        assert_eq!(line(&phone), "  4  Rowan             let in 2026-05-01, here last 2026-05-03  iPhone");
        (phone.name, phone.seen, phone.kind) = Default::default();
        assert_eq!(line(&phone), "  4  -                 let in 2026-05-01, never began  another browser");
    }
}
