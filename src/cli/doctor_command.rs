//! `sparehand doctor`: looks at all that a run needs, one line each, and says what to do.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

use clap::Args;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::audio::FRAME_LEN;
use crate::audio::capture::Capture;
use crate::audio::device::DeviceError;
use crate::audio::playback::Playback;
use crate::audio::wake::Waker;
use crate::cli::mic_command::{MicError, remembered};
use crate::cli::run_command::ASIDE;
use crate::journal::{JournalError, JournalReader};
use crate::rig::{PhonesUsual, Rig};
use crate::screen::Aside;
use crate::server::address::{OwnAddress, own_addresses};
use crate::setup::causes::with_causes;
use crate::setup::clock::{pause, wall};
use crate::setup::models;
use crate::setup::places::Places;
use crate::setup::prompts;

#[derive(Clone, Debug, Args)]
pub struct DoctorArgs {
    /// Print what was found as one JSON object.
    #[arg(long)]
    pub json: bool,
}

/// What is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Matter {
    /// The speech models' files.
    Models,
    /// Whether there is one that opens.
    Microphone,
    /// Whether there is one that opens.
    Loudspeaker,
    /// Whether the data folder can be written.
    Folder,
    /// Whether the rig file, where there is one, is understood.
    Rig,
    /// Whether routines, cards and the program's words are understood, with what of them is the user's own.
    Texts,
    /// Whether what is there can be read.
    Journal,
    /// Whether the date can be right.
    Clock,
    /// Room where the journal is.
    Disk,
    /// Where phones could reach this machine.
    Network,
}

/// How it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatterState {
    /// As it should be.
    Fine,
    /// A run would work, and something is not as it should be.
    Attention,
    /// A run would not work, or not by voice.
    Fault,
}

/// What was found of one matter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct MatterFound {
    pub matter: Matter,
    pub standing: MatterState,
    /// What was found, what was expected and what to do, in a sentence.
    pub found: String,
}

/// Which runs would work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, PartialOrd, Ord)]
#[serde(rename_all = "kebab-case")]
pub enum Readiness {
    /// Any.
    Voice,
    /// Only one without a microphone or loudspeaker.
    Keys,
    /// None.
    None,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Words {
    states: BTreeMap<MatterState, String>,
    matters: BTreeMap<Matter, String>,
    found: BTreeMap<String, String>,
    verdict: BTreeMap<Readiness, String>,
}

/// Why nothing can be said.
#[derive(Debug, Error)]
pub enum DoctorError {
    #[error("the sentences of {file}: {why}")]
    Words { file: &'static str, why: String },
    #[error("what was found cannot be printed")]
    Print(#[from] io::Error),
    #[error("what was found cannot be written as JSON")]
    Json(#[from] serde_json::Error),
}

/// Looks, and prints what was found. Ends well where a run by voice would work.
///
/// # Errors
/// It cannot be printed.
pub fn carry_out(args: &DoctorArgs, places: &Places) -> Result<ExitCode, DoctorError> {
    let words: Words =
        toml::from_str(WORDS).map_err(|why| DoctorError::Words { file: "doctor.toml", why: why.to_string() })?;
    let quiet = Aside::begin(&places.cache.join(ASIDE));
    if let Err(error) = &quiet {
        tracing::warn!(%error, "what libraries write comes to the terminal");
    }
    let findings = look(&words, places);
    drop(quiet);
    let readiness = readiness(&findings);
    let mut out = io::stdout().lock();
    if args.json {
        serde_json::to_writer_pretty(&mut out, &serde_json::json!({ "run": readiness, "findings": findings }))?;
        writeln!(out)?;
    } else {
        for MatterFound { matter, standing, found } in &findings {
            writeln!(out, "{:<12}  {}: {found}", words.states[standing], words.matters[matter])?;
        }
        writeln!(out, "{}", words.verdict[&readiness])?;
    }
    Ok(if readiness == Readiness::Voice { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Which runs would work after this was found.
pub fn readiness(findings: &[MatterFound]) -> Readiness {
    let faults = findings.iter().filter(|finding| finding.standing == MatterState::Fault);
    let needed = |matter: Matter| match matter {
        Matter::Microphone | Matter::Loudspeaker => Readiness::Keys,
        _ => Readiness::None,
    };
    faults.map(|fault| needed(fault.matter)).max().unwrap_or(Readiness::Voice)
}

fn look(words: &Words, places: &Places) -> Vec<MatterFound> {
    let mut findings = Vec::new();
    let mut note = |matter, standing, found: String| findings.push(MatterFound { matter, standing, found });
    let said = |key: &str, filled: &[(&str, String)]| {
        filled.iter().fold(words.found[key].clone(), |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
    };
    let shown = |path: &Path| path.display().to_string();

    match models::verify(&places.models) {
        Ok(_) => note(Matter::Models, MatterState::Fine, said("models", &[("folder", shown(&places.models))])),
        Err(why) => note(Matter::Models, MatterState::Fault, with_causes(&why)),
    }
    match microphone(places) {
        Ok((name, Gives::Sound)) => note(Matter::Microphone, MatterState::Fine, said("device", &[("name", name)])),
        Ok((name, Gives::Silence)) => {
            note(Matter::Microphone, MatterState::Attention, said("silent", &[("name", name)]))
        }
        Err(why) => note(Matter::Microphone, MatterState::Fault, why),
    }
    match Playback::open(None, &Waker::of_nobody()) {
        Ok((playback, _)) => {
            note(Matter::Loudspeaker, MatterState::Fine, said("device", &[("name", playback.name().to_owned())]));
        }
        Err(why) => note(Matter::Loudspeaker, MatterState::Fault, with_causes(&why)),
    }
    let there = existing(&places.data);
    let may_write = rustix::fs::access(there, rustix::fs::Access::WRITE_OK).is_ok();
    let (standing, key) = if may_write { (MatterState::Fine, "folder") } else { (MatterState::Fault, "no-folder") };
    note(Matter::Folder, standing, said(key, &[("folder", shown(&places.data))]));
    let rig = prompts::rig(None, &places.config);
    let phones = rig.as_ref().map(Rig::phones).unwrap_or_default();
    match &rig {
        Ok(_) if !places.config.join("rig.toml").exists() => note(Matter::Rig, MatterState::Fine, said("no-rig", &[])),
        Ok(_) => note(Matter::Rig, MatterState::Fine, said("rig", &[("file", shown(&places.config.join("rig.toml")))])),
        Err(why) => note(Matter::Rig, MatterState::Fault, with_causes(why)),
    }
    let (standing, found) = texts(&rig.unwrap_or_default(), places);
    note(Matter::Texts, standing, found.unwrap_or_else(|| said("texts", &[])));
    let file = ("file", shown(&places.journal()));
    match runs(&places.journal()) {
        Ok(None) => note(Matter::Journal, MatterState::Fine, said("no-journal", &[file])),
        Ok(Some(count)) => {
            note(Matter::Journal, MatterState::Fine, said("journal", &[("count", count.to_string()), file]))
        }
        Err(why) => note(Matter::Journal, MatterState::Fault, with_causes(&why)),
    }
    let time = wall();
    // Times of one form are in order as their letters are.
    let (standing, key) =
        if *time >= *EARLIEST { (MatterState::Fine, "clock") } else { (MatterState::Attention, "wrong-clock") };
    note(Matter::Clock, standing, said(key, &[("time", time)]));
    match rustix::fs::statvfs(there) {
        Ok(disk) => {
            let free = disk.f_bavail.saturating_mul(disk.f_frsize) / 1_000_000;
            let (standing, key) = match free {
                0..LEAST_MB => (MatterState::Fault, "little-disk"),
                LEAST_MB..ENOUGH_MB => (MatterState::Attention, "little-disk"),
                _ => (MatterState::Fine, "disk"),
            };
            let filled = [("free", free.to_string()), ("enough", ENOUGH_MB.to_string())];
            note(Matter::Disk, standing, said(key, &filled));
        }
        Err(why) => note(Matter::Disk, MatterState::Attention, format!("{}: {why}", there.display())),
    }
    match own_addresses() {
        Ok(own) => {
            let (standing, key) = network(phones, &own);
            let listed: Vec<String> = reachable(&own).map(|own| format!("{} ({})", own.address, own.card)).collect();
            let wanted = phones.address.map(|address| address.to_string()).unwrap_or_default();
            note(Matter::Network, standing, said(key, &[("addresses", listed.join(", ")), ("wanted", wanted)]));
        }
        Err(why) => note(Matter::Network, MatterState::Attention, with_causes(&why)),
    }
    findings
}

/// How the machine's addresses stand to phones: a run needs none of them, but one that is wanted and not there is worth a look.
fn network(phones: PhonesUsual, own: &[OwnAddress]) -> (MatterState, &'static str) {
    match phones.address {
        Some(wanted) if !own.iter().any(|own| own.address == wanted) => (MatterState::Attention, "wrong-network"),
        None if phones.always => (MatterState::Attention, "no-address"),
        _ if reachable(own).next().is_none() => (MatterState::Fine, "no-network"),
        _ => (MatterState::Fine, "network"),
    }
}

/// What other machines can reach.
fn reachable(own: &[OwnAddress]) -> impl Iterator<Item = &OwnAddress> {
    own.iter().filter(|own| !own.address.is_loopback())
}

/// Whether a microphone gives anything: one that is muted, or made up, gives not the least noise of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Gives {
    Sound,
    Silence,
}

/// The microphone that a run would use: the one that is remembered, or the system's own.
fn microphone(places: &Places) -> Result<(String, Gives), String> {
    let wanted = remembered(places).map_err(|why: MicError| with_causes(&why))?;
    let opened = Capture::open(wanted.as_deref(), &Waker::of_nobody());
    let mut capture = opened.map_err(|why: DeviceError| with_causes(&why))?;
    let mut frame = [0.0; FRAME_LEN];
    for _ in 0..LISTENED {
        while capture.read_frame(&mut frame) {
            if frame.iter().any(|sample| *sample != 0.0) {
                return Ok((capture.name().to_owned(), Gives::Sound));
            }
        }
        pause(A_FRAME);
    }
    Ok((capture.name().to_owned(), Gives::Silence))
}

/// How the texts stand that a run is made of, and what is wrong with the first that is. Words and cards belong to every run, and a
/// routine that is not understood only to its own.
fn texts(rig: &Rig, places: &Places) -> (MatterState, Option<String>) {
    let config = &places.config;
    let shared = prompts::phrasebook(config)
        .map(drop)
        .and_then(|()| prompts::CARDS.iter().try_for_each(|card| prompts::routine(card, rig, config).map(drop)));
    if let Err(why) = shared {
        return (MatterState::Fault, Some(with_causes(&why)));
    }
    let faulty = prompts::own_files(config).and_then(|own| {
        let name = |path: &Path| path.file_stem().map(|name| name.to_string_lossy().into_owned());
        let own = own.iter().filter_map(|path| name(path)).filter(|name| !name.ends_with(".changes"));
        let mut ids = prompts::ROUTINES.iter().map(|(id, _)| (*id).to_owned()).chain(own);
        ids.try_for_each(|id| prompts::routine(&id, rig, config).map(drop))
    });
    match faulty.err() {
        Some(why) => (MatterState::Attention, Some(with_causes(&why))),
        None => (MatterState::Fine, None),
    }
}

/// How many runs are in the journal, where there is one.
fn runs(journal: &Path) -> Result<Option<usize>, JournalError> {
    if !journal.exists() {
        return Ok(None);
    }
    Ok(Some(JournalReader::open(journal)?.runs()?.len()))
}

/// The folder, or what is there of the way to it.
fn existing(folder: &Path) -> &Path {
    folder.ancestors().find(|path| path.exists()).unwrap_or(Path::new("/"))
}

const WORDS: &str = include_str!("../../prompts/phrases/doctor.toml");
/// How long the microphone is listened to, where it gives nothing, in pauses of a frame: a second and a half, for one that wakes up.
const LISTENED: usize = 150;
const A_FRAME: Duration = Duration::from_millis(10);
/// When this program did not exist yet.
const EARLIEST: &str = "2026-11-01";
/// A run with notes as sound takes a few megabytes.
const LEAST_MB: u64 = 20;
const ENOUGH_MB: u64 = 200;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::on_its_own_network(true, Some("192.168.8.1"), &["192.168.8.1", "127.0.0.1"], MatterState::Fine, "network")]
    #[case::on_another(true, Some("192.168.8.1"), &["10.0.0.4", "127.0.0.1"], MatterState::Attention, "wrong-network")]
    #[case::nothing_named(true, None, &["10.0.0.4"], MatterState::Attention, "no-address")]
    #[case::no_phones_wanted(false, None, &["10.0.0.4"], MatterState::Fine, "network")]
    #[case::no_network(false, None, &["127.0.0.1"], MatterState::Fine, "no-network")]
    fn a_network_is_worth_a_look_where_phones_are_wanted_and_cannot_come(
        #[case] always: bool,
        #[case] wanted: Option<&str>,
        #[case] own: &[&str],
        #[case] standing: MatterState,
        #[case] key: &str,
    ) {
        let own: Vec<OwnAddress> = own
            .iter()
            .map(|address| OwnAddress { card: "card".to_owned(), address: address.parse().expect("an address") })
            .collect();
        let phones = PhonesUsual { always, address: wanted.map(|text| text.parse().expect("an address")), port: None };
        assert_eq!(network(phones, &own), (standing, key));
    }
}
