//! A program that is killed while it appends, and one whose writes fail at the Nth, against what it had said was written.
//!
//! The child is this test binary itself. A kill keeps the system's page cache, so it is no power cut; what a lost end of the
//! `-wal` file does is tested in `journal_damage.rs`.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::journal_support::{Dice, new_run, record};
use sparehand::journal::{Journal, JournalError, JournalReader, Purpose, Rehearsals, RunId};

const ROUNDS: u64 = 50;

#[test]
fn whatever_moment_the_program_is_killed_at_every_answered_record_is_there_without_holes() {
    let seed = std::env::var("SPAREHAND_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(20_260_501);
    let mut dice = Dice(seed);
    let mut folder = tempfile::tempdir().unwrap();
    let (mut kept, mut survived, mut while_young) = (0, 0, 0);
    for round in 0..ROUNDS {
        // A new journal now and then, and quick kills with it, so that making the file is interrupted too.
        let young = round % 3 == 0;
        if young {
            (folder, kept) = (tempfile::tempdir().unwrap(), 0);
        }
        let path = folder.path().join("journal.db");
        let mut child = child("appends_until_it_is_killed", &path)
            .stdout(Stdio::piped())
            .spawn()
            .expect("this test binary can be started again");
        // However slow the machine is, an old journal's program is killed in the midst of its work: after so many records, and a moment.
        let records_first = if young { 0 } else { dice.roll(40) };
        let mut output = BufReader::new(child.stdout.take().unwrap());
        let mut printed = String::new();
        while numbers_after("appended ", &printed).len() < records_first as usize {
            assert_ne!(
                output.read_line(&mut printed).unwrap(),
                0,
                "round {round}, seed {seed}: the child ended by itself"
            );
        }
        let delay = Duration::from_micros(dice.roll(if young { 40_000 } else { 5_000 }));
        sleep(delay);
        child.kill().unwrap();
        output.read_to_string(&mut printed).unwrap();
        assert!(!child.wait().unwrap().success(), "round {round}, seed {seed}: the child ended by itself");

        let answered = numbers_after("appended ", &printed);
        let journal = Journal::open(&path)
            .unwrap_or_else(|error| panic!("round {round}, seed {seed}, killed after {delay:?}: {error}"));
        let records = match journal.runs().unwrap().as_slice() {
            [] => vec![],
            [run] => journal.events(run.id).unwrap(),
            more => panic!("round {round}, seed {seed}: {} runs", more.len()),
        };
        for (place, found) in records.iter().enumerate() {
            assert_eq!(*found, record(place as u64), "round {round}, seed {seed}");
        }
        let expected = answered.last().map_or(kept, |last| last + 1);
        let found = records.len() as u64;
        // One more may have reached the disk before the kill came between the commit and the answer.
        assert!(
            (expected..=expected + 1).contains(&found),
            "round {round}, seed {seed}: {expected} answered, {found} found"
        );
        kept = found;
        survived += answered.len();
        while_young += usize::from(answered.is_empty());
    }
    println!("{survived} answered records in {ROUNDS} kills, {while_young} of them before the first record");
    assert!(
        survived > 500 && while_young > 0,
        "{survived} records, {while_young} early kills: the kills missed the work"
    );
}

#[test]
#[ignore = "the child of the test above"]
fn appends_until_it_is_killed() {
    let mut journal = Journal::open(&path_of_child()).unwrap();
    let (run, first) = run_to_go_on_with(&mut journal);
    for seq in first.. {
        journal.append(run, &record(seq)).unwrap();
        say(&format!("appended {seq}"));
    }
}

/// The system's limit on file sizes makes a write fail half-way: some bytes of it reach the file, the rest do not.
#[test]
fn a_write_that_fails_half_way_keeps_what_was_answered_and_stops_all_later_ones() {
    for half_kib_blocks in (70..200).step_by(9) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.db");
        drop(Journal::open(&path).unwrap());
        let under_limit = format!("trap '' XFSZ; ulimit -f {half_kib_blocks}; exec \"$0\" \"$@\"");
        let plain = child("appends_until_writes_fail", &path);
        let mut limited = Command::new("dash");
        limited.args(["-c", &under_limit]).arg(plain.get_program()).args(plain.get_args());
        limited.env("SPAREHAND_JOURNAL", &path);
        let output = limited.output().expect("dash can be started");
        let said = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{half_kib_blocks}: {said}{}", String::from_utf8_lossy(&output.stderr));

        let answered = numbers_after("appended ", &said);
        assert_eq!(numbers_after("failed ", &said), [answered.len() as u64], "{half_kib_blocks}: fails once\n{said}");
        assert_eq!(numbers_after("latched ", &said).len(), 5, "{half_kib_blocks}: then refuses\n{said}");

        let mut journal = Journal::open(&path).unwrap();
        let run = journal.runs().unwrap()[0].id;
        let model: Vec<_> = answered.iter().map(|seq| record(*seq)).collect();
        assert_eq!(journal.events(run).unwrap(), model, "{half_kib_blocks}");
        journal.append(run, &record(model.len() as u64)).unwrap();
    }
}

#[test]
#[ignore = "the child of the test above"]
fn appends_until_writes_fail() {
    let mut journal = Journal::open(&path_of_child()).unwrap();
    let (run, first) = run_to_go_on_with(&mut journal);
    let mut latched = 0;
    for seq in first..100_000 {
        match journal.append(run, &record(seq)) {
            Ok(()) => say(&format!("appended {seq}")),
            Err(JournalError::EarlierWriteFailed { .. }) => {
                say(&format!("latched {seq}"));
                latched += 1;
            }
            Err(error) => say(&format!("failed {seq} : {error}")),
        }
        if latched == 5 {
            return;
        }
    }
}

#[test]
fn a_killed_program_leaves_no_lock_behind_and_a_living_one_keeps_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    let mut child = child("appends_until_it_is_killed", &path).stdout(Stdio::piped()).spawn().unwrap();
    // Reading until the first record shows that the child holds the journal.
    let mut lines = std::io::BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    while !line.contains("appended") {
        line.clear();
        assert_ne!(std::io::BufRead::read_line(&mut lines, &mut line).unwrap(), 0, "the child ended early");
    }
    let refused = Journal::open(&path).unwrap_err();
    assert!(refused.to_string().contains(&format!("process {}", child.id())), "{refused}");
    let seen = JournalReader::open(&path).unwrap().runs().unwrap();
    assert_eq!(seen.len(), 1, "the log can be read meanwhile");
    child.kill().unwrap();
    child.wait().unwrap();
    Journal::open(&path).unwrap();
}

fn child(test: &str, journal: &Path) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command
        .args(["--exact", &format!("crash::{test}"), "--ignored", "--nocapture", "--test-threads=1"])
        .env("SPAREHAND_JOURNAL", journal);
    command
}

fn path_of_child() -> std::path::PathBuf {
    std::env::var_os("SPAREHAND_JOURNAL").expect("set by the parent test").into()
}

fn run_to_go_on_with(journal: &mut Journal) -> (RunId, u64) {
    match journal.unfinished("tank-dump", Rehearsals::LeftOut).unwrap() {
        Some(run) => (run.id, run.records as u64),
        // A run that was killed before its first record is gone on with here, so that there is always one run.
        None => match journal.runs().unwrap().as_slice() {
            [] => (journal.begin_run(&new_run("tank-dump", Purpose::Real)).unwrap(), 0),
            [run, ..] => (run.id, 0),
        },
    }
}

/// The numbers that follow `word` in whole lines; a line cut off by the kill says nothing.
fn numbers_after(word: &str, text: &str) -> Vec<u64> {
    text.split_inclusive('\n')
        .filter(|line| line.ends_with('\n'))
        .filter_map(|line| line.split_once(word))
        .map(|(_, rest)| rest.split_whitespace().next().unwrap().parse().unwrap())
        .collect()
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}").and_then(|()| out.flush()).unwrap();
}

#[allow(clippy::disallowed_methods, reason = "the parent waits for a random moment of real time to kill the child")]
fn sleep(span: Duration) {
    std::thread::sleep(span);
}
