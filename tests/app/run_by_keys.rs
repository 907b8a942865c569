//! A run by keys in a real (pseudo) terminal on a machine without any sound device: what stands on the screen is read by a terminal's parser.
//!
//! The terminal is made by `script` of util-linux.

use std::fs;
use std::io::{Read, Write};
use std::num::NonZeroU16;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::Duration;

use sparehand::engine::event::Event;
use sparehand::journal::{Journal, JournalReader, Outcome};
use sparehand::rig::Rig;
use sparehand::setup::clock::pause;

/// The rig file of whoever runs the program with this folder as home.
fn rig_file(home: &Path, text: &str) {
    let config = home.join("config/sparehand");
    fs::create_dir_all(&config).unwrap();
    fs::write(config.join("rig.toml"), text).unwrap();
}

#[test]
fn without_any_sound_device_the_screen_is_whole_and_shows_the_step_and_what_was_said_and_that_no_alarm_sounds() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open(folder.path(), "");
    terminal.wait_for("Enter gloves on");
    // Both devices are looked for again about once a second.
    terminal.watch(Duration::from_secs(4));
    let screen = terminal.contents();
    for part in
        ["step 1 of ", "SAID: ", "Say: gloves on.", "NO MICROPHONE - use the keys", "no alarm sounds", "m emergency"]
    {
        assert!(screen.contains(part), "no '{part}' in\n{screen}");
    }
    assert!(!screen.contains("ALSA"), "\n{screen}");
    assert!(!terminal.said.contains("ALSA"), "it was there for a moment");
    let aside = fs::read_to_string(folder.path().join("cache/sparehand/stderr.txt")).unwrap();
    assert!(aside.contains("ALSA"), "the library wrote something that would have been there: {aside:?}");

    terminal.press(b"\r");
    terminal.wait_for("step 2 of ");
    terminal.press(b"\x03");
    terminal.wait_for("Start again to go on with it.");
    assert!(terminal.child.wait().unwrap().success());
}

/// The clock of a run that was broken off is not lost because fewer names are given when it is started again.
#[test]
fn a_run_that_was_broken_off_is_gone_on_with_by_those_who_began_it_and_by_nobody_else() {
    let folder = tempfile::tempdir().unwrap();
    rig_file(folder.path(), "[[person]]\nname = \"Rowan\"\n[[person]]\nname = \"Imre\"\n");
    let mut begun = Terminal::open(folder.path(), "--person Rowan --person Imre");
    begun.wait_for("Enter gloves on");
    begun.press(b"\r");
    begun.wait_for("step 2 of ");
    begun.press(b"\x03");
    begun.wait_for("Start again to go on with it.");
    let found = "found --person Rowan, expected Rowan and Imre, who began it; leave --person out to go on with it";
    Terminal::open(folder.path(), "--person Rowan").wait_for(found);
    for people in ["", "--person imre --person rowan"] {
        let mut again = Terminal::open(folder.path(), people);
        again.wait_for("step 2 of ");
        again.press(b"\x03");
        again.wait_for("Start again to go on with it.");
    }
}

/// Who began a run that is not gone on with need not be there.
#[test]
fn a_new_run_in_place_of_one_whose_rig_has_changed_is_for_those_who_are_named_now() {
    let folder = tempfile::tempdir().unwrap();
    let both = "[[person]]\nname = \"Rowan\"\n[[person]]\nname = \"Imre\"\n";
    rig_file(folder.path(), both);
    let mut begun = Terminal::open(folder.path(), "--person Rowan --person Imre");
    begun.wait_for("Enter gloves on");
    assert!(begun.contents().contains("Rowan - "), "{}", begun.contents());
    begun.press(b"\r");
    begun.wait_for("step 2 of ");
    begun.press(b"\x03");
    begun.wait_for("Start again to go on with it.");
    rig_file(folder.path(), &format!("[tank_dump]\nrinses_most = 1\n{both}"));
    let mut new = Terminal::open(folder.path(), "");
    new.wait_for("Enter gloves on");
    let screen = new.contents();
    assert!(screen.contains("step 1 of ") && !screen.contains("Rowan"), "{screen}");
}

/// Water may run: it is told before anything else, and the run is not ended before somebody who was told goes on.
#[test]
fn a_hazard_of_a_run_that_was_broken_off_is_told_before_a_new_one_begins_in_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    let mut begun = Terminal::open(folder.path(), "");
    begun.wait_for("Enter gloves on");
    for _ in 0..60 {
        begun.press(b"\r");
        begun.watch(Duration::from_millis(1_000));
        if begun.contents().contains("RUNNING, HAZARD") {
            break;
        }
    }
    begun.wait_for("RUNNING, HAZARD");
    // Over a clock that guards a hazard it has to be asked twice.
    begun.press(b"\x03");
    begun.watch(Duration::from_millis(500));
    begun.press(b"\x03");
    begun.wait_for("Start again to go on with it.");
    let mut new = Terminal::open(folder.path(), "--anew");
    new.wait_for("Before anything else.");
    new.wait_for("Enter gloves on");
    let outcome = |of: usize| JournalReader::open(&journal).unwrap().runs().unwrap()[of].outcome;
    assert_eq!(outcome(0), Outcome::Unfinished);
    new.press(b"\r");
    new.wait_for("step 2 of ");
    assert_eq!((outcome(0), outcome(1)), (Outcome::Abandoned, Outcome::Unfinished));
}

/// It may have come to the disk too late, after it was refused aloud.
#[test]
fn a_critical_answer_that_was_the_last_record_is_taken_back_when_the_run_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().join("config/sparehand");
    let job = sparehand::setup::prompts::job("tank-dump", &Rig::default(), &config).unwrap();
    let critical = |event: &Event| match event {
        Event::StepAnswered { step, .. } => job.step(job.index_of(step).unwrap()).critical(),
        _ => false,
    };
    let journal = folder.path().join("journal.sqlite");
    let events = |path: &Path| {
        let reader = JournalReader::open(path).unwrap();
        let run = reader.runs().unwrap().remove(0);
        (reader.events(run.id).unwrap(), run.run)
    };
    let mut begun = Terminal::open(folder.path(), "");
    begun.wait_for("Enter gloves on");
    for _ in 0..30 {
        if events(&journal).0.iter().any(|record| critical(&record.event)) {
            break;
        }
        begun.press(b"\r");
        begun.watch(Duration::from_millis(1_000));
    }
    begun.press(b"\x03");
    begun.wait_for("Start again to go on with it.");
    let (records, run) = events(&journal);
    let last = records.iter().position(|record| critical(&record.event)).expect("a critical step was answered");

    let other = tempfile::tempdir().unwrap();
    let cut = other.path().join("journal.sqlite");
    let mut writer = Journal::open(&cut).unwrap();
    let id = writer.begin_run(&run).unwrap();
    records[..=last].iter().for_each(|record| writer.append(id, record).unwrap());
    drop(writer);
    let mut again = Terminal::open(other.path(), "");
    again.wait_for("Enter ");
    again.press(b"\x03");
    again.wait_for("Start again to go on with it.");
    let Event::StepAnswered { step, .. } = &records[last].event else { panic!("found above") };
    let taken_back = &events(&cut).0[last + 1].event;
    assert!(
        matches!(taken_back, Event::StepsReopened { steps, .. } if steps == std::slice::from_ref(step)),
        "{taken_back:?}"
    );
}

#[test]
fn people_who_are_in_the_rig_file_no_more_keep_nobody_from_a_new_run() {
    let folder = tempfile::tempdir().unwrap();
    rig_file(folder.path(), "[[person]]\nname = \"Rowan\"\n");
    let mut begun = Terminal::open(folder.path(), "--person Rowan");
    begun.wait_for("Enter gloves on");
    begun.press(b"\r");
    begun.wait_for("step 2 of ");
    begun.press(b"\x03");
    begun.wait_for("Start again to go on with it.");
    rig_file(folder.path(), "[tank_dump]\nrinses_most = 1\n[[person]]\nname = \"Juna\"\n");
    Terminal::open(folder.path(), "--person Juna").wait_for("step 1 of ");
}

#[test]
fn a_limit_of_somebody_where_nobody_is_named_is_told_so() {
    let folder = tempfile::tempdir().unwrap();
    Terminal::open(folder.path(), "--limit rowan=lifting").wait_for("nobody by name");
}

#[test]
fn the_code_for_phones_is_whole_on_a_small_terminal_and_gives_way_to_a_clock_that_guards_a_hazard() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open(folder.path(), "--phones --address 127.0.0.1 --port 0");
    terminal.wait_for("p: hide this");
    terminal.watch(Duration::from_millis(300));
    let screen = terminal.contents();
    let prints = screen.lines().filter(|line| line.matches(':').count() >= 15).count();
    assert_eq!(prints, 2, "the whole fingerprint stands there:\n{screen}");
    // ISO/IEC 18004: an address of some 60 bytes takes version 4, 33 modules; 4 light ones on each side, two rows in a line.
    let code = screen.lines().filter(|line| line.contains(['\u{2588}', '\u{2580}', '\u{2584}'])).count();
    assert_eq!(code, 21, "\n{screen}");
    assert!(screen.contains("only on a network"), "\n{screen}");
    terminal.press(b"p");
    terminal.wait_for("Enter gloves on");
    terminal.press(b"p");
    terminal.wait_for("p: hide this");
    terminal.confirm_until(|screen| !screen.contains("p: hide this"));
    terminal.wait_for("RUNNING, HAZARD");
    terminal.press(b"p");
    terminal.wait_for("p: hide this");
    terminal.press(b"p");
    // Over a clock that guards a hazard it has to be asked twice, and goes on without its terminal.
    terminal.press(b"\x03");
    terminal.watch(Duration::from_millis(500));
    terminal.press(b"\x03");
    terminal.wait_for("Start again to go on with it.");
}

#[test]
fn phones_of_the_rig_file_are_let_in_without_an_option_and_can_be_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let rig = "phones = true\nphones_address = \"127.0.0.1\"\nphones_port = 0\n";
    rig_file(folder.path(), rig);
    let mut terminal = Terminal::open(folder.path(), "");
    terminal.wait_for("p: hide this");
    terminal.press(b"\x03");
    terminal.wait_for("Start again to go on with it.");
    let mut without = Terminal::open(folder.path(), "--no-phones");
    without.wait_for("Enter gloves on");
    assert!(!without.contents().contains("p: hide this"), "\n{}", without.contents());
}

/// 192.0.2.7 is an address that nobody has (RFC 5737).
#[test]
fn where_the_rigs_network_is_not_there_the_run_says_so_and_goes_on_but_not_where_phones_were_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    rig_file(folder.path(), "phones = true\nphones_address = \"192.0.2.7\"\n");
    let mut asked_for = Terminal::open(folder.path(), "--phones");
    asked_for.wait_for("address 192.0.2.7 is none of this machine's");
    let mut usual = Terminal::open(folder.path(), "");
    usual.wait_for("No phone can join this time");
    usual.wait_for("Enter gloves on");
}

/// Without screen, loudspeaker and phone nobody could be rung for, or end it; the next run rings.
#[test]
fn a_run_by_keys_whose_window_is_closed_over_a_running_tap_ends_and_its_clock_is_there_when_it_is_gone_on_with() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open(folder.path(), "");
    terminal.wait_for("Enter gloves on");
    terminal.confirm_until(|screen| screen.contains("RUNNING, HAZARD"));
    drop(terminal);
    let journal = folder.path().join("journal.sqlite");
    let is_free = |_| {
        pause(Duration::from_millis(200));
        Journal::open(&journal).is_ok()
    };
    assert!((0..25).any(is_free), "the run is still held after 5 s");
    Terminal::open(folder.path(), "").wait_for("HAZARD");
}

#[test]
fn where_devices_are_missing_a_run_ends_with_an_error_and_no_simulated_person_begins() {
    for more in [&["--phones", "--address", "127.0.0.1", "--port", "0"][..], &[]] {
        let folder = tempfile::tempdir().unwrap();
        let mut run = without_devices(env!("CARGO_BIN_EXE_sparehand"), folder.path());
        run.args(["run", "tank-dump", "--journal"]).arg(folder.path().join("journal.sqlite")).args(more);
        let output = run.current_dir(folder.path()).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success(), "{told}");
        for part in ["No usable microphone", "No usable loudspeaker", "--keys", "sparehand rehearse tank-dump"] {
            assert!(told.contains(part), "no '{part}' in {told}");
        }
        assert!(!folder.path().join("rehearsal").exists());
    }
}

#[test]
fn a_routine_that_is_not_there_is_told_before_any_device_is_looked_for() {
    let folder = tempfile::tempdir().unwrap();
    let mut run = without_devices(env!("CARGO_BIN_EXE_sparehand"), folder.path());
    let output = run.args(["run", "tank-dmp"]).current_dir(folder.path()).output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && told.contains("'tank-dump'"), "{told}");
    assert!(!told.contains("microphone") && output.stdout.is_empty(), "{told}");
}

/// Two programs that write down one run would each ask for what the other was told.
#[test]
fn a_second_run_beside_the_first_is_refused_by_name_and_the_first_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let mut first = Terminal::open(folder.path(), "");
    first.wait_for("Enter gloves on");
    let mut second = without_devices(env!("CARGO_BIN_EXE_sparehand"), folder.path());
    second.args(["run", "tank-dump", "--keys", "--journal"]).arg(folder.path().join("journal.sqlite"));
    let output = second.current_dir(folder.path()).output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success(), "{told}");
    for part in ["journal.sqlite", "held by another sparehand (process ", "end that one first"] {
        assert!(told.contains(part), "no '{part}' in {told}");
    }
    first.press(b"\r");
    first.wait_for("step 2 of ");
}

/// Nobody sees the steps and nobody can press a key.
#[test]
fn a_run_by_keys_without_a_terminal_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut run = without_devices(env!("CARGO_BIN_EXE_sparehand"), folder.path());
    run.args(["run", "tank-dump", "--keys", "--journal"]).arg(folder.path().join("journal.sqlite"));
    let output = run.stdin(Stdio::null()).output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && told.contains("needs a terminal"), "{told}");
}

/// The system's limit on the size of a file stands for a disk that fills up: what is beyond it cannot be written.
#[test]
fn a_disk_that_fills_up_during_a_run_is_said_and_no_answer_that_matters_is_taken_any_more() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    let mut terminal = Terminal::open_with(folder.path(), "", "trap '' XFSZ; ulimit -f 160;");
    terminal.wait_for("Enter gloves on");
    let full = "I cannot write things down.";
    for _ in 0..20 {
        if terminal.contents().contains(full) {
            break;
        }
        // A key that repeats while it is held answers nothing.
        terminal.press(b"\r");
        terminal.watch(Duration::from_secs(1));
    }
    terminal.wait_for(full);
    let kept = |path: &Path| JournalReader::open(path).unwrap().runs().unwrap()[0].records;
    let before = kept(&journal);
    assert!(before > 3, "{before} records");
    // The program goes on, and ends well when it is asked to.
    terminal.press(b"\r");
    terminal.watch(Duration::from_millis(500));
    assert!(terminal.contents().contains(full), "{}", terminal.contents());
    assert_eq!(kept(&journal), before, "nothing is written after a write that failed");
    terminal.press(b"\x03");
    assert!(terminal.child.wait().unwrap().success());

    // With room again it is gone on with.
    let mut again = Terminal::open(folder.path(), "");
    again.wait_for("step ");
    again.press(b"\x03");
    again.wait_for("Start again to go on with it.");
    assert!(kept(&journal) > before);
}

/// The program in a terminal of 80 by 24.
struct Terminal {
    child: Child,
    keys: ChildStdin,
    output: Receiver<Vec<u8>>,
    screen: vt100::Parser,
    said: String,
}

/// A program on a machine without any sound device, with folders of its own.
fn without_devices(program: &str, folder: &Path) -> Command {
    // An ALSA configuration without any card, and no sound server.
    fs::write(folder.join("asound.conf"), "").unwrap();
    let models = sparehand::setup::places::Places::of_user().unwrap().models;
    let mut command = Command::new(program);
    command
        .env("ALSA_CONFIG_PATH", folder.join("asound.conf"))
        .env("PULSE_SERVER", "unix:/nonexistent")
        .env("XDG_CACHE_HOME", folder.join("cache"))
        .env("XDG_CONFIG_HOME", folder.join("config"))
        .env("XDG_DATA_HOME", folder.join("data"))
        .env("SPAREHAND_MODELS", models);
    command
}

impl Terminal {
    fn open(folder: &Path, people: &str) -> Self {
        Self::open_with(folder, people, "")
    }

    /// After these commands of the shell.
    fn open_with(folder: &Path, people: &str, before: &str) -> Self {
        let command = format!(
            "stty rows 24 cols 80; {before} exec '{}' run tank-dump --keys {people} --journal '{}'",
            env!("CARGO_BIN_EXE_sparehand"),
            folder.join("journal.sqlite").display()
        );
        let mut child = without_devices("script", folder)
            .args(["--quiet", "--return", "--command", &command, "/dev/null"])
            .env("TERM", "xterm-256color")
            .env("SHELL", "/bin/sh")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("'script' of util-linux can be started");
        let (keys, mut pipe) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        let (sender, output) = mpsc::channel();
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = pipe.read(&mut bytes) {
                if sender.send(bytes[..count].to_vec()).is_err() {
                    return;
                }
            }
        });
        Self { child, keys, output, screen: vt100::Parser::new(size(24), size(80), 0), said: String::new() }
    }

    fn press(&mut self, key: &[u8]) {
        self.keys.write_all(key).unwrap();
        self.keys.flush().unwrap();
    }

    /// Confirms step after step until the screen is so.
    fn confirm_until(&mut self, reached: impl Fn(&str) -> bool) {
        for _ in 0..60 {
            self.press(b"\r");
            self.watch(Duration::from_millis(1_000));
            if reached(&self.contents()) {
                return;
            }
        }
        panic!("not so after 60 steps:\n{}", self.contents());
    }

    fn contents(&self) -> String {
        self.screen.screen().contents()
    }

    /// Reads until `text` stands on the screen.
    fn wait_for(&mut self, text: &str) {
        for _ in 0..PATIENCE {
            if self.contents().contains(text) {
                return;
            }
            if !self.watch(Duration::from_millis(100)) {
                break;
            }
        }
        assert!(self.contents().contains(text), "no '{text}' in\n{}", self.contents());
    }

    /// Reads for so long; whether the terminal is still there.
    fn watch(&mut self, span: Duration) -> bool {
        for _ in 0..span.as_millis() / 50 {
            match self.output.recv_timeout(Duration::from_millis(50)) {
                Ok(bytes) => {
                    self.said += &String::from_utf8_lossy(&bytes);
                    self.screen.process(&bytes);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return false,
            }
        }
        true
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn size(cells: u16) -> NonZeroU16 {
    NonZeroU16::new(cells).expect("a terminal has rows and columns")
}

/// A minute, in tenths of a second: the models are checked first, on a machine that may be busy.
const PATIENCE: usize = 600;
