//! One core, and other programs that want all of it.

use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::server::{SoundServer, pause};
use crate::support::{Program, clip};

const VOICE: (&str, &str) = ("flite", "rms");
const CLOCK_S: usize = 20;
const ROUTINE: &str = "
id = 'tap'
title = 'the tap'
complete = 'The tap is shut.'
[[section]]
id = 'tap'
title = 'the tap'
[[section.step]]
id = 'water'
name = 'water'
where = 'tap'
caution = 'Stay at the tap.'
call = 'Turn the water on. Say: water on.'
harm = 'flood'
[section.step.answer]
kind = 'clock'
name = 'water'
seconds = 20
start = ['water on']
started = 'Clock running.'
end = ['water off']
alarm = 'Time. Shut the tap now.'
alarm_short = 'Shut the tap.'
[[section.step]]
id = 'end'
name = 'end'
where = 'tap'
call = 'Last look.'
[section.step.answer]
kind = 'gate'
";
/// Nothing of it is an answer.
const TALK: [&str; 3] = [
    "she went to the market and bought some apples",
    "what are we having for dinner tonight",
    "the dog is asleep under the table",
];

#[test]
fn on_one_core_beside_busy_neighbors_an_alarm_sounds_within_a_second_and_talk_is_no_answer() {
    let server = SoundServer::start();
    let ear = server.listen();
    let routines = server.folder().join("config/sparehand/routines");
    std::fs::create_dir_all(&routines).unwrap();
    std::fs::write(routines.join("tap.toml"), ROUTINE).unwrap();
    let neighbors = Neighbors::begin(2);
    let mut command = server.command("taskset");
    command.args(["-c", "0", env!("CARGO_BIN_EXE_sparehand"), "run", "tap", "--journal"]);
    command.arg(server.folder().join("journal.sqlite")).env("XDG_CONFIG_HOME", server.folder().join("config"));
    let mut program = Program::spawn(&mut command);
    program.wait_for("step: water", 1, Duration::from_secs(90));
    let clips = server.folder().join("clips");
    program.answer_until_kept(&server, &clip(&clips, VOICE, "water on"), "water");
    let started = ear.samples_so_far();
    let began = program_time(&program.lines.lock().unwrap(), "clock of water runs");
    for talk in TALK {
        server.play(&clip(&clips, VOICE, talk));
        pause(Duration::from_secs(1));
    }
    program.wait_for("program (alarm)", 1, Duration::from_secs(CLOCK_S as u64 + 5));
    pause(Duration::from_secs(2));
    // Words come after the signal: what has to be there in time is the sound.
    let told = program_time(&program.lines.lock().unwrap(), "clock of water ran out") - began - CLOCK_S as f64;
    // Before that it is quiet: what is said of a running clock has been said.
    let quiet_from = started + (CLOCK_S - 3) * 16_000;
    let (first, _) = ear.loud_since(quiet_from).expect("the alarm is heard");
    let heard = first as f64 / 16_000.0 - started as f64 / 16_000.0 - CLOCK_S as f64;
    let lines = program.lines.lock().unwrap().clone();
    let lost: Vec<&String> =
        lines.iter().filter(|line| line.contains("were lost") || line.contains("overloaded")).collect();
    println!("over {told:.1} s and heard {heard:.2} s after its time; lost meanwhile: {lost:?}");
    assert!((0.0..=1.0).contains(&told), "the clock was over {told} s after its time");
    assert!((-0.2..=1.0).contains(&heard), "the alarm was heard {heard} s after its time");
    let kept: Vec<&String> = lines.iter().filter(|line| line.contains("kept:")).collect();
    assert!(kept.iter().all(|line| line.contains("kept: clock of water") || line.contains("kept: water")), "{kept:?}");
    assert!(!lines.iter().any(|line| line.contains("clock of water ended")), "nobody said that the water is off");
    drop(neighbors);
}

/// Seconds of the time that the last line with this text begins with, such as `[1:02.3]`.
fn program_time(lines: &[String], text: &str) -> f64 {
    let line = lines.iter().rfind(|line| line.contains(text)).unwrap_or_else(|| panic!("no '{text}'"));
    let time = line.trim_start_matches('[').split(']').next().unwrap();
    time.split(':').fold(0.0, |before, part| before * 60.0 + part.parse::<f64>().unwrap())
}

/// Programs that compute without end on the first core.
struct Neighbors(Vec<Child>);

impl Neighbors {
    fn begin(count: usize) -> Self {
        let busy = |_| {
            let mut shell = Command::new("taskset");
            shell.args(["-c", "0", "sh", "-c", "while :; do :; done"]).stdin(Stdio::null());
            shell.spawn().expect("taskset of util-linux can be started")
        };
        Self((0..count).map(busy).collect())
    }
}

impl Drop for Neighbors {
    fn drop(&mut self) {
        for neighbor in &mut self.0 {
            let _ = neighbor.kill();
            let _ = neighbor.wait();
        }
    }
}
