//! The options of a run that lets phones in.

use clap::Args;
use thiserror::Error;

use crate::conductor::phones::PhonesWanted;
use crate::rig::{Person, Rig};
use crate::server::address::{AddressError, DEFAULT_PORT, ListenAddress, own_addresses, place};
use crate::server::words::{PhoneWords, PhoneWordsError};
use crate::setup::clock::today;
use crate::setup::places::Places;

/// Whether phones may come, and where.
#[derive(Clone, Debug, Args)]
pub struct PhoneArgs {
    /// Let phones in as ears, mouths and screens, on the rig's own network.
    #[arg(long)]
    pub phones: bool,
    /// Address of this machine that the phones reach; without it those there are are listed.
    #[arg(long, value_name = "ADDRESS", requires = "phones", value_parser = address)]
    pub address: Option<ListenAddress>,
    /// Port that the phones reach.
    #[arg(long, value_name = "PORT", default_value_t = DEFAULT_PORT, requires = "phones")]
    pub port: u16,
}

/// Why no phone can be let in.
#[derive(Debug, Error)]
pub enum PhoneArgsError {
    #[error(transparent)]
    Address(#[from] AddressError),
    #[error(transparent)]
    Words(#[from] PhoneWordsError),
}

fn address(text: &str) -> Result<ListenAddress, String> {
    text.parse().map_err(|_| {
        "expected an address of this machine, such as 192.168.1.20; without --address they are listed".to_owned()
    })
}

impl PhoneArgs {
    /// What the run is to offer; nothing where no phone was asked for.
    ///
    /// # Errors
    /// No address was named, or none of this machine's.
    pub fn wanted(&self, rig: &Rig, with: &[String], places: &Places) -> Result<Option<PhonesWanted>, PhoneArgsError> {
        if !self.phones {
            return Ok(None);
        }
        let place = place(self.address, self.port, &own_addresses()?)?;
        if place.is_public() {
            println!("{}", PhoneWords::built_in()?.rig.public.replace("{}", &place.authority()));
        }
        // As the rig's file spells them, and so the run.
        let takes_part = |person: &&Person| with.iter().any(|name| name.eq_ignore_ascii_case(&person.name));
        let people = rig.people().iter().filter(takes_part).map(|person| person.name.clone()).collect();
        Ok(Some(PhonesWanted { place, folder: places.phones(), today: today(), people }))
    }
}
