//! The options of a run that lets phones in.

use clap::Args;
use thiserror::Error;

use crate::conductor::phones::PhonesWanted;
use crate::rig::{Person, Rig};
use crate::server::address::{AddressError, DEFAULT_PORT, ListenAddress, own_addresses, place};
use crate::server::words::{PhoneWords, PhoneWordsError};
use crate::setup::clock::today;
use crate::setup::places::Places;

/// Whether phones may come, and where. What is left out is as the rig's file says.
#[derive(Clone, Debug, Args)]
pub struct PhoneArgs {
    /// Let phones in as ears, mouths and screens, on the rig's own network; in every run with `phones = true` in the rig's file.
    #[arg(long)]
    pub phones: bool,
    /// Let no phone in, whatever the rig's file says.
    #[arg(long, conflicts_with_all = ["phones", "address", "port"])]
    pub no_phones: bool,
    /// Let phones in at this address of this machine; without it, or phones_address in the rig's file, those there are are listed.
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    pub address: Option<ListenAddress>,
    /// Let phones in at this port; 8443 unless another is named here or in the rig's file.
    #[arg(long, value_name = "PORT")]
    pub port: Option<u16>,
}

/// Whether phones come to a run.
pub enum PhonesToday {
    /// They were not asked for.
    NotWanted,
    /// They may.
    Wanted(PhonesWanted),
    /// They usually may, and cannot where the rig is today; what is shown and said of it.
    OutOfReach {
        /// With the addresses that there are.
        shown: String,
        /// In words.
        said: String,
    },
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
    text.parse()
        .map_err(|_| "expected an address of this machine, such as 192.168.1.20; --phones alone lists them".to_owned())
}

impl PhoneArgs {
    /// Whether the run was told to let phones in, here and now.
    pub fn asked_for(&self) -> bool {
        self.phones || self.address.is_some() || self.port.is_some()
    }

    /// What the run is to offer.
    ///
    /// # Errors
    /// Phones were asked for, and no address was named, or none of this machine's. One that the rig's file names and that is not here today is
    /// no error where only that file asks for phones: the run goes on without them.
    pub fn wanted(&self, rig: &Rig, with: &[String], places: &Places) -> Result<PhonesToday, PhoneArgsError> {
        let usual = rig.phones();
        if self.no_phones || !(self.asked_for() || usual.always) {
            return Ok(PhonesToday::NotWanted);
        }
        let words = PhoneWords::built_in()?.rig;
        let port = self.port.or(usual.port).unwrap_or(DEFAULT_PORT);
        let found = own_addresses().and_then(|own| place(self.address.or(usual.address), port, &own));
        let place = match found {
            Ok(place) => place,
            Err(why) if self.asked_for() => return Err(why.into()),
            Err(why) => {
                return Ok(PhonesToday::OutOfReach {
                    shown: format!("{} {why}", words.out_of_reach),
                    said: words.out_of_reach,
                });
            }
        };
        if place.is_public() {
            println!("{}", words.public.replace("{}", &place.authority()));
        }
        // As the rig's file spells them, and so the run.
        let takes_part = |person: &&Person| with.iter().any(|name| name.eq_ignore_ascii_case(&person.name));
        let people = rig.people().iter().filter(takes_part).map(|person| person.name.clone()).collect();
        Ok(PhonesToday::Wanted(PhonesWanted { place, folder: places.phones(), today: today(), people }))
    }
}
