//! A plan for two people of 60 steps (at most two seconds), and 10,000 mornings of it (at most one).

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use sparehand::plan::arrange::arrange;
use sparehand::plan::durations::Durations;
use sparehand::plan::simulate::simulate;
use sparehand::plan::solve::Effort;
use sparehand::plan::words::PlanWords;
use sparehand::plan::work::{Known, PlannedPerson, Work, put_together};
use sparehand::rig::{Rig, Role};
use sparehand::routine;

fn both(criterion: &mut Criterion) {
    let durations = Durations::learn(
        &[],
        PlanWords::parse("plan.toml", include_str!("../prompts/phrases/plan.toml")).unwrap().assumptions,
    );
    let work = sixty_steps(&durations);
    assert_eq!(work.chores.len(), 60);
    let holds = vec![0; work.chores.len()];
    let mut group = criterion.benchmark_group("plan");
    group.sample_size(10);
    group.bench_function("60 steps for two people", |bench| {
        bench.iter(|| black_box(arrange(&work, &holds, Effort::default()).unwrap()));
    });
    let arranged = arrange(&work, &holds, Effort::default()).unwrap();
    println!("length {} ticks, none is below {}", arranged.length, arranged.bound);
    let luck = durations.morning();
    group.bench_function("10000 mornings", |bench| {
        bench.iter(|| black_box(simulate(&work, &arranged, &luck, 10_000, 1)));
    });
    group.finish();
}

/// Steps of all kinds: of a role, of either, for both, waits; each after one or two of the last few.
fn sixty_steps(durations: &Durations) -> Work {
    let mut text = "id = 'big'\ntitle = 'big'\ncomplete = 'Done.'\n[[section]]\nid = 's'\ntitle = 's'\n".to_owned();
    for n in 0..59_usize {
        let kind = ["role = 'outside'", "role = 'inside'", "", "", "together = true", "wait = true"][n * 7 % 6];
        let minutes = 0.25 * (1 + n * n % 23) as f64;
        let after: Vec<String> =
            [3, 7].iter().filter(|&&back| n >= back && n % 4 != 0).map(|back| format!("'s{}'", n - back)).collect();
        text += &format!(
            "[[section.step]]\nid = 's{n}'\nname = 's{n}'\ncall = 'Go.'\nminutes = {minutes}\n{kind}\nafter = [{}]\n\
             answer = {{ kind = 'done' }}\n",
            after.join(", ")
        );
    }
    text += "[[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Look back.'\nanswer = { kind = 'gate' }\n";
    // A rig of one person leaves out what takes two.
    let rig = Rig::parse("rig.toml", "[[person]]\nname = 'Rowan'\n[[person]]\nname = 'Imre'").unwrap();
    let routine = routine::load("big.toml", &text, &rig).unwrap();
    let hand =
        |name: &str, role: Role| PlannedPerson { name: name.to_owned(), roles: vec![role], practised: vec![role] };
    let hands = [hand("Rowan", Role::Outside), hand("Imre", Role::Inside)];
    let known = Known { durations, loops: &Default::default(), own: &Default::default() };
    put_together(&[vec![&routine]], &hands, &known).unwrap()
}

criterion_group!(benches, both);
criterion_main!(benches);
