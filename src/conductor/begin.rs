//! How the process begins: what some libraries look up as they are loaded is set before anything else runs.

use std::env;
use std::path::{Path, PathBuf};

use crate::onnx::SILENCE;

/// Sets what the libraries find in the environment, and how memory goes back to the system. To be called first thing in `main`, while the process
/// has one thread.
#[allow(
    unsafe_code,
    reason = "the environment of a process may be changed only while it has one thread, and the allocator has no safe call"
)]
pub fn set_up_process() {
    if env::var_os(SILENCE.0).is_none_or(|found| found != SILENCE.1) {
        // SAFETY: `main` calls this before it begins any thread, so nobody reads the environment meanwhile.
        unsafe { env::set_var(SILENCE.0, SILENCE.1) };
    }
    lend_a_cookie();
    set_up_memory();
}

/// A PulseAudio server ends a connection that brings no cookie of the right length, though it lets its own user in without a right one. Other
/// programs bring zeros where there is none yet; the library that is used here brings nothing.
#[allow(unsafe_code, reason = "the environment of a process may be changed only while it has one thread")]
fn lend_a_cookie() {
    let folder = |name| env::var_os(name).map(PathBuf::from).filter(|folder| folder.is_absolute());
    let home = folder("HOME").unwrap_or_default();
    let config = folder("XDG_CONFIG_HOME").unwrap_or_else(|| home.join(".config"));
    if env::var_os(COOKIE).is_some() || has_cookie(&home, &config) {
        return;
    }
    let Ok(places) = crate::setup::places::Places::of_user() else { return };
    let file = places.cache.join("no-cookie");
    let written =
        || std::fs::create_dir_all(&places.cache).and_then(|()| std::fs::write(&file, [0; COOKIE_LEN])).is_ok();
    let ready = std::fs::read(&file).is_ok_and(|found| found == [0; COOKIE_LEN]) || written();
    // Where it cannot be written there is no sound by this server, and whoever asks for sound is told so.
    if ready {
        // SAFETY: as above.
        unsafe { env::set_var(COOKIE, file) };
    }
}

/// Whether there is one where PulseAudio's own library looks for it.
fn has_cookie(home: &Path, config: &Path) -> bool {
    [config.join("pulse/cookie"), home.join(".config/pulse/cookie"), home.join(".pulse-cookie")]
        .iter()
        .any(|place| place.exists())
}

const COOKIE: &str = "PULSE_COOKIE";
/// Bytes, by PulseAudio's native protocol.
const COOKIE_LEN: usize = 256;

/// Blocks from 256 KB on go back to the system when they are free. Left to itself the GNU C library raises that limit to 32 MB once a model has
/// been read, and a run holds 30 MB that nobody uses; with 128 KB scoring takes 3 % longer (`cargo bench --bench hear`).
#[cfg(all(target_os = "linux", target_env = "gnu"))]
#[allow(unsafe_code, reason = "the library has no safe call for it")]
fn set_up_memory() {
    // Whoever has tuned the allocator knows better.
    let tuned = TUNED_BY.into_iter().any(|name| env::var_os(name).is_some());
    if !tuned {
        // SAFETY: takes two numbers and no address (mallopt(3)). Where it refuses, a run takes more memory and nothing else.
        unsafe { libc::mallopt(libc::M_MMAP_THRESHOLD, MMAP_THRESHOLD) };
    }
}

/// The same where the allocator is another.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn set_up_memory() {}

#[cfg(all(target_os = "linux", target_env = "gnu"))]
const TUNED_BY: [&str; 2] = ["GLIBC_TUNABLES", "MALLOC_MMAP_THRESHOLD_"];

/// Bytes.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const MMAP_THRESHOLD: libc::c_int = 256 * 1024;

#[cfg(test)]
mod tests {
    use super::*;

    /// The places: `pa_authkey_load_auto` and `pa_append_to_config_home_dir` of PulseAudio (from memory).
    #[test]
    fn a_cookie_is_found_in_the_configuration_folder_wherever_that_is() {
        let base = tempfile::tempdir().unwrap();
        let (home, config) = (base.path().join("home"), base.path().join("elsewhere"));
        assert!(!has_cookie(&home, &config));
        for place in [config.join("pulse/cookie"), home.join(".config/pulse/cookie"), home.join(".pulse-cookie")] {
            std::fs::create_dir_all(place.parent().unwrap()).unwrap();
            std::fs::write(&place, [7; COOKIE_LEN]).unwrap();
            assert!(has_cookie(&home, &config), "{}", place.display());
            std::fs::remove_file(&place).unwrap();
        }
    }
}
