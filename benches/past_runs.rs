//! A thousand past runs in the journal: how long it takes until the state of the rig and the remarks of past runs are known (at most 200 ms).

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};
use sparehand::engine::event::{Event, HeardAs, Remark};
use sparehand::journal::{Journal, JournalReader, NewRun, Purpose, Record, Rehearsals, Stamp};
use sparehand::rig::{Rig, RigState, Stands};
use sparehand::setup::{prompts, remarks, standing};
use sparehand::units::SessionTime;

const RUNS: usize = 1_000;

fn both(criterion: &mut Criterion) {
    let home = tempfile::tempdir().unwrap();
    let rig_file = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/rigs/motorhome-towed-car.toml");
    let rig = Rig::parse("rig.toml", &std::fs::read_to_string(rig_file).unwrap()).unwrap();
    let steps: Vec<String> = {
        let job = prompts::job("leave", &rig, home.path()).unwrap();
        job.routine.steps.iter().map(|step| step.id.clone()).collect()
    };
    let mut group = criterion.benchmark_group("past runs");
    group.sample_size(10);
    for recalled in [true, false] {
        let path = home.path().join(format!("{recalled}.sqlite"));
        write(&path, &steps, recalled);
        let name = if recalled { "that recalled what came before" } else { "of which none recalled anything" };
        group.bench_function(format!("{RUNS} {name}"), |bench| {
            bench.iter(|| {
                let journal = JournalReader::open(&path).unwrap();
                let known = standing::read(&journal, &rig, home.path()).unwrap();
                let broken_off = journal.unfinished("leave", Rehearsals::LeftOut).unwrap();
                black_box((known, remarks::read(&journal).unwrap(), broken_off))
            });
        });
    }
    group.finish();
}

fn write(path: &Path, steps: &[String], recalled: bool) {
    let mut journal = Journal::open(path).unwrap();
    for number in 0..RUNS {
        let started = format!("20{:02}-0{}-{:02}T15:00:00Z", 10 + number / 200, 1 + number % 9, 1 + number % 28);
        let new = NewRun {
            routine: "leave".to_owned(),
            fingerprint: "x".to_owned(),
            settings: "{}".to_owned(),
            started: started.clone(),
            purpose: Purpose::Real,
        };
        let run = journal.begin_run(&new).unwrap();
        let mut events = vec![Event::RunStarted { routine: "leave".to_owned(), fingerprint: "x".to_owned() }];
        if recalled {
            let noted = |n: usize| Remark::Noted { step: format!("leave/{}", steps[n]), text: "it sticks".to_owned() };
            events.push(Event::RemarksRecalled { remarks: (0..20).map(noted).collect() });
            let things = ["mains", "water", "sewer", "cable"].map(|thing| (thing.to_owned(), Stands::Away));
            events.push(Event::RigRecalled { things: things.into_iter().collect::<RigState>() });
        }
        for step in steps {
            events.push(Event::StepOffered { step: step.clone() });
            events.push(Event::StepAnswered { step: step.clone(), answer: "done".to_owned(), heard: HeardAs::Key });
        }
        events.push(Event::RunCompleted { skipped: Vec::new() });
        for (seq, event) in (0..).zip(events) {
            let stamp = Stamp { boot_id: "b".to_owned(), boottime_ms: 1, wall: started.clone() };
            journal.append(run, &Record { seq, at: SessionTime::ZERO, stamp, event }).unwrap();
        }
    }
}

criterion_group!(benches, both);
criterion_main!(benches);
