//! Memory that was needed once: what the program file carries is read as it starts, and most of it never again.

use std::fs;
use std::io;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Loads a model or a dictionary while nothing else of the process is loaded, and tidies up then: while it is loaded it takes twice its room.
/// Not to be called from within itself.
pub fn load_alone<T>(load: impl FnOnce() -> T) -> T {
    // A load that panicked with the lock held has left nothing half done here.
    let _one_at_a_time = LOADING.lock().unwrap_or_else(PoisonError::into_inner);
    let loaded = load();
    tidy_up();
    loaded
}

/// Hands back what a pause does not need, and what the next load finds free then. Takes milliseconds.
pub fn tidy_up() {
    if let Err(error) = hand_back_what_was_read() {
        tracing::warn!("memory that is not needed any more stays in use: {error}");
    }
    hand_back_what_is_free();
}

static LOADING: Mutex<()> = Mutex::new(());

/// Hands the pages of the program's own file that only hold data back to the system, which reads them again where they are needed after all:
/// dictionaries of 25 MB are taken apart once, and would stay.
///
/// # Errors
/// The system does not say where the file lies in memory, or does not take the advice. Nothing has changed then.
#[cfg(target_os = "linux")]
fn hand_back_what_was_read() -> io::Result<()> {
    let program = std::env::current_exe()?;
    for place in data_of(&program, &fs::read_to_string("/proc/self/smaps")?) {
        advise(place)?;
    }
    Ok(())
}

/// The same where nothing is known of how to do it.
#[cfg(not(target_os = "linux"))]
fn hand_back_what_was_read() -> io::Result<()> {
    Ok(())
}

/// Hands back what is free in the allocator's keeping, some 7 MB in a run: between blocks in use the GNU C library keeps it by itself. Takes
/// milliseconds, in which other threads wait where they want memory.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
#[allow(unsafe_code, reason = "the library has no safe call for it")]
fn hand_back_what_is_free() {
    // SAFETY: takes a number and no address; it gives the system pages that hold no block in use (malloc_trim(3), safe with threads).
    unsafe { libc::malloc_trim(0) };
}

/// The same where the allocator is another.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn hand_back_what_is_free() {}

/// A stretch of memory, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    begin: usize,
    end: usize,
}

/// Where `file` lies in memory to be read and nothing else, and just as it is on the disk, by what proc_pid_smaps(5) says.
fn data_of(file: &Path, smaps: &str) -> Vec<Place> {
    let (mut found, mut place) = (Vec::new(), None);
    for line in smaps.lines() {
        if let Some(kilobytes) = line.strip_prefix("Anonymous:") {
            // Pages that were written to, as the loader does where addresses are filled in, are no longer those of the file.
            found.extend(place.take().filter(|_| kilobytes.trim() == "0 kB"));
        } else if !line.split(' ').next().is_some_and(|first| first.ends_with(':')) {
            place = read_only(file, line);
        }
    }
    found
}

/// The place of a heading, where it is `file`'s and to be read only.
fn read_only(file: &Path, heading: &str) -> Option<Place> {
    // 55d0c0000000-55d0c1c00000 r--p 00000000 fe:00 1234    /path, which may hold blanks
    let mut fields = heading.splitn(6, ' ');
    let (range, rights) = (fields.next()?, fields.next()?);
    let path = fields.nth(3)?.trim_start();
    let (begin, end) = range.split_once('-')?;
    let place = Place { begin: usize::from_str_radix(begin, 16).ok()?, end: usize::from_str_radix(end, 16).ok()? };
    (rights == "r--p" && Path::new(path) == file).then_some(place)
}

#[cfg(target_os = "linux")]
#[allow(unsafe_code, reason = "the call takes an address; it drops what the system reads again from the file")]
fn advise(place: Place) -> io::Result<()> {
    use rustix::mm::{Advice, madvise};

    let address = std::ptr::without_provenance_mut(place.begin);
    // SAFETY: the place is the program's own file, mapped to be read only, with no page that differs from the file (`data_of`): nothing can write
    // to it, and the file of a running program cannot be written to either. So whoever reads there after this reads what was there before
    // (madvise(2), MADV_DONTNEED on a private mapping of a file).
    unsafe { madvise(address, place.end - place.begin, Advice::LinuxDontNeed) }?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_read_of_the_programs_own_file_and_is_as_on_the_disk_is_handed_back() {
        let smaps = "\
55d0c0000000-55d0c1c00000 r--p 00000000 fe:00 1234                       /opt/spare hand/sparehand
Size:              28672 kB
Anonymous:             0 kB
VmFlags: rd mr mw me sd
55d0c1c00000-55d0c2000000 r-xp 01c00000 fe:00 1234                       /opt/spare hand/sparehand
Anonymous:             0 kB
55d0c2000000-55d0c2100000 r--p 02000000 fe:00 1234                       /opt/spare hand/sparehand
Anonymous:          1024 kB
55d0c2100000-55d0c2200000 rw-p 02100000 fe:00 1234                       /opt/spare hand/sparehand
Anonymous:             0 kB
55d0c2200000-55d0c2300000 rw-p 00000000 00:00 0                          [heap]
Anonymous:          1024 kB
7f0000000000-7f0000100000 r--p 00000000 fe:00 77                         /usr/lib/libc.so.6
Anonymous:             0 kB
7f0000100000-7f0000200000 r--p 00000000 00:00 0 
Anonymous:             0 kB
";
        let found = data_of(Path::new("/opt/spare hand/sparehand"), smaps);
        assert_eq!(found, [Place { begin: 0x55d0_c000_0000, end: 0x55d0_c1c0_0000 }]);
    }

    /// Data in the program's own file.
    #[cfg(target_os = "linux")]
    static READ_ONCE: [u8; 8 << 20] = [7; 8 << 20];

    #[test]
    #[cfg(target_os = "linux")]
    fn what_was_read_is_no_longer_resident_and_still_there() {
        let sum = || std::hint::black_box(&READ_ONCE).iter().map(|&byte| usize::from(byte)).sum::<usize>();
        let resident_kb = || -> usize {
            let status = fs::read_to_string("/proc/self/status").unwrap();
            let line = status.lines().find_map(|line| line.strip_prefix("RssFile:")).expect("proc_pid_status(5)");
            line.trim().trim_end_matches(" kB").parse().unwrap()
        };
        let read = sum();
        let before = resident_kb();
        hand_back_what_was_read().expect("the system takes the advice");
        let after = resident_kb();
        assert!(after + 7_000 < before, "{after} of {before} kB");
        assert_eq!(sum(), read);
    }
}
