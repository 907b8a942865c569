//! What a move is made of, what is said about it, and whether it is on time.

use std::collections::BTreeMap;

use crate::plan_support::{
    assumptions, at, by_ten, hand, planned, routine, rowan_and_imre, tank_dump, ten, unknown, words, work_of,
};
use insta::assert_snapshot;
use sparehand::plan::away::{AwayPlan, Wanted};
use sparehand::plan::belief::ThreePoint;
use sparehand::plan::calendar::calendar;
use sparehand::plan::durations::{Durations, LoopCount, Usual};
use sparehand::plan::outlook::{Outlook, OutlookQuestion, OutlookTalk, StepSoFar, so_far};
use sparehand::plan::timeline;
use sparehand::plan::words::PlanWords;
use sparehand::plan::work::{Known, Work, WorkError, put_together};
use sparehand::rig::{Rig, Role};
use sparehand::routine;

/// It stands for twenty minutes and guards nothing.
const CLOCK: &str = "answer = { kind = 'clock', name = 'tank', seconds = 1200, start = ['it stands'], started = 'From now.', alarm = 'Full.' }";

#[test]
fn hands_are_free_while_something_goes_on_by_itself() {
    let fill = routine(
        "fill",
        &[
            ("tap on", 1.0, ""),
            ("tank filling", 20.0, &format!("after = ['tap on']\n{CLOCK}")),
            ("beds", 15.0, "after = ['tap on']"),
        ],
    );
    let work = work_of(&[vec![&fill]], &rowan_and_imre()[..1], &unknown());
    assert!(work.chores[1].ways[0].people.is_empty());
    let plan = planned(work.clone(), by_ten(), &unknown(), 300);
    let all: f64 = work.chores.iter().map(|c| c.ways[0].belief.median_s).sum();
    let lasts = plan.usual_end().duration_since(plan.begin()).as_secs_f64();
    assert!(lasts < all - 10.0 * 60.0, "{lasts} s, {all} s one after the other");
}

#[test]
fn who_waits_with_sewage_on_their_hands_does_nothing_else_and_drips_are_looked_at_during_the_rinse() {
    let work = work_of(&[vec![&tank_dump()]], &rowan_and_imre(), &unknown());
    let chore = |id: &str| work.chores.iter().find(|c| c.key == format!("tank-dump/{id}")).unwrap();
    for id in ["black-run-out", "rinse-run-out", "grey-run-out"] {
        assert!(chore(id).wait && chore(id).ways.iter().all(|way| way.people.len() == 1), "{id}");
    }
    assert_eq!(chore("rinse-water").meanwhile[0].0, "sewer hose, drips");
    assert!(!work.chores.iter().any(|c| c.key == "tank-dump/drips"));
}

#[test]
fn gloves_go_on_before_the_hose_does_whoever_has_time() {
    let plan = planned(work_of(&[vec![&tank_dump()]], &rowan_and_imre(), &unknown()), by_ten(), &unknown(), 200);
    let of = |id: &str| plan.work.chores.iter().position(|c| c.key == format!("tank-dump/{id}")).unwrap();
    assert!(plan.spans[of("gloves")].1 <= plan.spans[of("hose-rig")].0);
    for (i, chore) in plan.work.chores.iter().enumerate().filter(|(_, c)| c.critical) {
        let earlier = |j: &usize| {
            plan.work.chores[*j].section == chore.section && !plan.work.chores[*j].ways[0].people.is_empty()
        };
        for before in (0..i).filter(earlier) {
            assert!(plan.spans[before].1 <= plan.spans[i].0, "{} before {}", plan.work.chores[before].key, chore.key);
        }
    }
}

#[test]
fn an_order_between_routines_outweighs_the_order_of_a_file() {
    let critical =
        "harm = 'hurt'\nanswer = { kind = 'state', want = ['shut'], other = ['open'], other_reply = 'Shut it.' }";
    let one = routine("one", &[("b", 1.0, "after = ['two/x']"), ("a", 1.0, critical)]);
    let two = routine("two", &[("x", 1.0, "after = ['one/a']")]);
    let plan = planned(work_of(&[vec![&one, &two]], &rowan_and_imre(), &unknown()), by_ten(), &unknown(), 200);
    let of = |key: &str| plan.spans[plan.work.chores.iter().position(|c| c.key == key).unwrap()];
    assert!(of("one/a").1 <= of("two/x").0 && of("two/x").1 <= of("one/b").0);
}

#[test]
fn a_loop_is_planned_as_often_as_it_usually_goes_round() {
    let planned_rounds = |asked: u32, once_more: u32| {
        let loops = BTreeMap::from([("tank-dump/rinse-clear".to_owned(), LoopCount { asked, once_more })]);
        let (durations, own) = (unknown(), BTreeMap::new());
        let known = Known { durations: &durations, loops: &loops, own: &own };
        let work = put_together(&[vec![&tank_dump()]], &rowan_and_imre()[..1], &known).unwrap();
        let of = |id: &str| work.chores.iter().filter(|c| c.key == format!("tank-dump/{id}")).count();
        assert_eq!(of("rinse-hose"), 1, "a step that is done once is not repeated");
        (of("rinse-shut"), of("rinse-clear"))
    };
    assert_eq!(planned_rounds(0, 0), (1, 1));
    assert_eq!(planned_rounds(30, 20), (2, 2));
    assert_eq!(planned_rounds(60, 59), (3, 3), "never more than the routine allows");
}

#[test]
fn two_people_are_quicker_than_one_and_steps_for_two_take_both() {
    let steps = routine(
        "out",
        &[
            ("hoses", 10.0, "role = 'outside'"),
            ("cupboards", 9.0, "role = 'inside'"),
            ("lights", 2.0, "together = true\nafter = ['hoses', 'cupboards']"),
        ],
    );
    let length = |people: usize| {
        let plan =
            planned(work_of(&[vec![&steps]], &rowan_and_imre()[..people], &unknown()), by_ten(), &unknown(), 200);
        if people == 2 {
            assert_eq!(plan.people(2), [0, 1]);
            assert_eq!((plan.people(0), plan.people(1)), (&[0_usize][..], &[1_usize][..]));
        }
        plan.arranged.length
    };
    assert!(length(2) < length(1) * 2 / 3);
}

#[test]
fn swapped_roles_take_longer_until_they_are_practised() {
    let steps = routine("out", &[("hoses", 10.0, "role = 'outside'"), ("cupboards", 10.0, "role = 'inside'")]);
    let length = |outside_is: Role| {
        let mut people = rowan_and_imre();
        people[0].practised = vec![outside_is];
        people[1].practised = vec![if outside_is == Role::Outside { Role::Inside } else { Role::Outside }];
        planned(work_of(&[vec![&steps]], &people, &unknown()), by_ten(), &unknown(), 200).arranged.length
    };
    let (used_to_it, swapped) = (length(Role::Outside), length(Role::Inside));
    assert!((f64::from(swapped) / f64::from(used_to_it) - 1.5).abs() < 0.05, "{used_to_it} -> {swapped}");
}

#[test]
fn parts_follow_each_other_and_routines_of_a_part_wait_only_where_they_say_so() {
    let inside = routine("indoors", &[("fridge", 5.0, "role = 'inside'")]);
    let outside = routine(
        "outdoors",
        &[("hose", 3.0, "role = 'outside'"), ("power", 1.0, "role = 'outside'\nafter = ['indoors/fridge']")],
    );
    let last = routine("look", &[("walk", 4.0, "")]);
    let work = work_of(&[vec![&inside, &outside], vec![&last]], &rowan_and_imre(), &unknown());
    let plan = planned(work, by_ten(), &unknown(), 200);
    let span = |key: &str| plan.spans[plan.work.chores.iter().position(|c| c.key == key).unwrap()];
    assert_eq!(span("outdoors/hose").0, span("indoors/fridge").0, "side by side");
    assert!(span("outdoors/power").0 >= span("indoors/fridge").1);
    assert!(span("look/walk").0 >= span("outdoors/gate").1 && span("look/walk").0 >= span("indoors/gate").1);
}

#[test]
fn what_cannot_be_planned_is_refused_with_what_to_do() {
    let (durations, loops, own) = (unknown(), BTreeMap::new(), BTreeMap::new());
    let known = Known { durations: &durations, loops: &loops, own: &own };
    let (early, late) = (routine("early", &[("a", 1.0, "after = ['late/b']")]), routine("late", &[("b", 1.0, "")]));
    let refused = |parts: &[Vec<&routine::Routine>], people: usize| {
        put_together(parts, &rowan_and_imre()[..people], &known).unwrap_err()
    };
    assert_eq!(refused(&[vec![&late]], 0), WorkError::Nobody);
    assert_eq!(refused(&[vec![]], 1), WorkError::NoRoutine);
    assert_eq!(refused(&[vec![&late], vec![&late]], 1), WorkError::Twice("late".to_owned()));
    let backwards = WorkError::Backwards { step: "early/a".to_owned(), other: "late/b".to_owned() };
    assert_eq!(refused(&[vec![&early], vec![&late]], 1), backwards);
    assert!(put_together(&[vec![&late], vec![&early]], &rowan_and_imre(), &known).is_ok());
}

#[test]
fn somebody_s_own_guess_counts_until_the_step_has_been_seen() {
    let guess = Usual::Guess(ThreePoint { best: 60.0, usual: 120.0, worst: 480.0 });
    let belief = unknown().of("Rowan", "r/s", false, guess);
    assert!((belief.median_s - 157.2).abs() < 0.1, "{belief:?}: mean 170, deviation 70, so 170 / sqrt(1 + (70/170)^2)");
    let past: Vec<_> = (1..=9).map(|run| crate::plan_support::seen(run, "Rowan", "r/s", 120.0, 90.0)).collect();
    let belief = Durations::learn(&past, assumptions()).of("Rowan", "r/s", false, guess);
    assert!((85.0..100.0).contains(&belief.median_s), "{belief:?}");
}

fn two_person_morning() -> AwayPlan {
    let indoors = routine(
        "cabin",
        &[
            ("fridge shut", 1.0, "role = 'inside'"),
            ("cupboards latched", 8.0, "role = 'inside'"),
            ("blinds open", 2.0, "role = 'inside'"),
        ]
        .map(|(name, minutes, more)| (name, minutes, more)),
    );
    let dump = tank_dump();
    let last = routine("lights check", &[("lights", 3.0, "together = true\ndaylight = true")]);
    let people = vec![hand("Rowan", &[Role::Outside]), hand("Imre", &[Role::Inside])];
    let work = work_of(&[vec![&indoors, &dump], vec![&last]], &people, &unknown());
    let wanted = Wanted { light_from: Some(at("06:40")), ..by_ten() };
    planned(work, wanted, &unknown(), 4_000)
}

#[test]
fn the_plan_is_said_in_plain_sentences() {
    let said = words().sentences(&two_person_morning(), 0, None).join("\n");
    assert_snapshot!(said);
}

#[test]
fn a_start_that_is_past_is_said_so_with_what_is_left_to_hope_for() {
    let plan = two_person_morning();
    let said = words().sentences(&plan, 12, Some(at("09:40"))).join("\n");
    assert_snapshot!(said);
}

#[test]
fn the_picture_is_sound_xml_names_everybody_and_lets_no_name_steer_it() {
    let mut plan = two_person_morning();
    plan.work.hands[0] = "<script>alert(1)</script>".to_owned();
    let (svg, page) = (timeline::svg(&plan, &words()), timeline::page(&plan, &words(), &["<b>".to_owned()]));
    for text in [&svg, &page] {
        assert!(!text.contains("<script") && text.contains("Imre"), "{text}");
    }
    assert!(page.contains("&lt;b&gt;"));
    assert!(!page.contains(" src=") && !page.contains(" href="), "nothing is loaded");
    for (i, chore) in plan.work.chores.iter().enumerate() {
        assert!(page.contains(&chore.name), "{i}: {}", chore.name);
    }
}

#[test]
fn the_calendar_has_the_start_the_end_and_the_alarms() {
    let plan = two_person_morning();
    let text = calendar(&plan, &words(), &["Start, now; then\nsecond line".to_owned()], at("05:00")).unwrap();
    assert!(text.lines().all(|line| line.len() <= 75), "RFC 5545, section 3.1: lines of at most 75 octets\n{text}");
    assert!(text.split_terminator("\r\n").all(|line| !line.contains('\n')), "RFC 5545, section 3.1: CRLF");
    let start = plan.start.unwrap().to_string().replace(['-', ':'], "");
    for wanted in [
        &format!("DTSTART:{start}"),
        "DTEND:20260502T100000Z",
        "DTSTAMP:20260502T050000Z",
        "TRIGGER:-PT15M",
        "TRIGGER:-PT12H",
        "ACTION:DISPLAY",
    ] {
        assert!(text.contains(wanted), "{wanted}\n{text}");
    }
    assert_eq!(text.matches("BEGIN:VEVENT").count(), 2);
    assert_eq!(calendar(&plan, &words(), &["Start, now; then\nsecond line".to_owned()], at("05:00")), Some(text));
}

fn outlook(work: &Work, done: &[(&str, StepSoFar)], now: &str) -> Outlook {
    let plan = planned(work.clone(), by_ten(), &unknown(), 200);
    let done: BTreeMap<String, StepSoFar> = done.iter().map(|(key, so_far)| ((*key).to_owned(), *so_far)).collect();
    let so_far = so_far(&plan.work, &done);
    let question = OutlookQuestion {
        work: &plan.work,
        arranged: &plan.arranged,
        morning: unknown().morning(),
        so_far: &so_far,
        now: at(now).duration_since(ten()).as_secs_f64(),
        by: 0.0,
        light: by_ten().light(),
        late_below: words().settings.late_below,
        mornings: 1_000,
        seed: 3,
    };
    question.answer()
}

fn done() -> StepSoFar {
    StepSoFar { settled: 1, begun: None, enough: true }
}

#[test]
fn early_on_it_is_on_time_and_late_it_is_late_but_nothing_is_dropped() {
    let work = work_of(&[vec![&tank_dump()]], &rowan_and_imre()[..1], &unknown());
    let started = [("tank-dump/gloves", done())];
    let (early, late) = (outlook(&work, &started, "08:30"), outlook(&work, &started, "09:45"));
    assert_eq!((early.talk, late.talk), (OutlookTalk::Full, OutlookTalk::Short));
    assert!(early.chance > 0.85 && late.chance < 0.05, "{} {}", early.chance, late.chance);
    let open = |outlook: &Outlook| outlook.left.clone();
    assert_eq!(open(&early), open(&late), "being late leaves nothing out");
    let critical = |i: &usize| work.chores[*i].critical;
    let all_critical = work.chores.iter().filter(|c| c.critical).count();
    assert_eq!(late.left.iter().filter(|i| critical(i)).count(), all_critical);
    assert!(late.end_50 < late.end_80 && late.end_80 < late.end_95);
    let said = words().on_time(&late, &by_ten(), all_critical);
    assert!(said[0].starts_with("Late.") && said[1].contains("None is left out."), "{said:?}");
}

#[test]
fn a_step_under_way_counts_for_what_is_left_of_it() {
    let steps = routine("out", &[("long", 30.0, ""), ("short", 1.0, "after = ['long']")]);
    let work = work_of(&[vec![&steps]], &rowan_and_imre()[..1], &unknown());
    let begun = |minutes: f64| StepSoFar { settled: 0, begun: Some(minutes * 60.0), enough: false };
    let end = |done: &[(&str, StepSoFar)]| outlook(&work, done, "09:00").end_50;
    let (not_begun, halfway, over) = (end(&[]), end(&[("out/long", begun(15.0))]), end(&[("out/long", begun(300.0))]));
    assert!(halfway < not_begun - 500.0, "{not_begun} {halfway}");
    assert!(over > end(&[("out/long", done())]), "what has gone on for ever is not over yet");
    assert!(
        outlook(&work, &[("out/long", done()), ("out/short", done()), ("out/gate", done())], "09:00").left.is_empty()
    );
}

#[test]
fn a_loop_that_goes_round_again_is_open_again() {
    let work = work_of(&[vec![&tank_dump()]], &rowan_and_imre()[..1], &unknown());
    let once = StepSoFar { settled: 1, begun: None, enough: false };
    let keys = ["rinse-shut", "rinse-water", "rinse-release", "rinse-run-out", "rinse-clear"]
        .map(|id| format!("tank-dump/{id}"));
    let again: Vec<(&str, StepSoFar)> = keys.iter().map(|key| (key.as_str(), once)).collect();
    let mut enough = again.clone();
    enough.last_mut().unwrap().1.enough = true;
    let open = |done: &[(&str, StepSoFar)]| {
        outlook(&work, done, "09:00").left.iter().filter(|&&i| keys.contains(&work.chores[i].key)).count()
    };
    assert_eq!((open(&again), open(&enough)), (5, 0));
}

#[test]
fn a_file_of_words_with_a_gap_a_stray_or_a_wild_number_is_refused() {
    let text = include_str!("../../prompts/phrases/plan.toml");
    let error = |from: &str, to: &str| PlanWords::parse("plan.toml", &text.replace(from, to)).unwrap_err().to_string();
    assert_eq!(error("free = \"", "freed = \""), "plan.toml: nothing under 'lines.free', expected words for it");
    assert!(error("[words]\n", "[words]\nextra = \"x\"\n").contains("words.extra"));
    assert_eq!(
        error("unpracticed = 1.5", "unpracticed = 0.5"),
        "plan.toml: assumptions.unpracticed is 0.5, expected 1 to 10; change it in the file"
    );
    assert!(error("-PT15M", "P1Y").contains("'P1Y'"));
    assert!(error("mornings = 10000", "mornings = 10000\nnights = 3").contains("nights"));
}

/// A file of somebody's own may still have them.
#[test]
fn assumptions_with_british_names_are_read_as_with_american_ones() {
    let today = include_str!("../../prompts/phrases/plan.toml").replace("unpracticed = 1.5", "unpracticed = 1.7");
    let before = today.replace("unpracticed", "unpractised").replace("practiced-after", "practised-after");
    assert_ne!(before, today);
    let assumed = |text: &str| PlanWords::parse("plan.toml", text).unwrap().assumptions;
    assert_eq!(assumed(&before), assumed(&today));
}

#[test]
fn a_rig_without_the_rinse_leaves_its_steps_out_of_the_plan() {
    let rig = Rig::parse("rig.toml", "[tank_dump]\nrinse_method = \"rinse-through\"").unwrap();
    let dump = routine::load("tank-dump.toml", include_str!("../../prompts/routines/tank-dump.toml"), &rig).unwrap();
    let work = work_of(&[vec![&dump]], &rowan_and_imre()[..1], &unknown());
    assert!(work.chores.iter().all(|c| c.key != "tank-dump/rinse-shut"));
    assert!(work.chores.iter().any(|c| c.key == "tank-dump/rinse-open"));
}
