//! One program for all readers, for each would be as large as the whole: `SPAREHAND_READER` names the one that is fuzzed.
#![no_main]

#[path = "../../tests/readers/mod.rs"]
mod readers;

use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;

static READER: OnceLock<readers::Reader> = OnceLock::new();

fuzz_target!(init: {
    let wanted = std::env::var("SPAREHAND_READER").unwrap_or_default();
    let found = readers::READERS.iter().find(|(name, _)| *name == wanted);
    let names: Vec<&str> = readers::READERS.iter().map(|(name, _)| *name).collect();
    let (_, reader) = found.unwrap_or_else(|| panic!("SPAREHAND_READER: found '{wanted}', expected one of {names:?}"));
    READER.get_or_init(|| *reader);
}, |bytes: &[u8]| {
    READER.get().expect("it was chosen at the start")(bytes);
});
