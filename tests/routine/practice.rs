//! What the routines that ship ask for, point by point, for rigs that have it and rigs that have not. Where no source is named it is common
//! practice, no source.

use crate::routine_support::{RIGS, built_in, load, rig};
use sparehand::rig::{Rig, Stands};
use sparehand::routine::{Answer, Harm, Library, NumberAnswer, Routine, load_with};
use sparehand::setup::prompts::ROUTINES;

fn of(id: &str, text: &str) -> Routine {
    let rig = Rig::parse("rig.toml", text).unwrap();
    load_with(&built_in(id).unwrap(), &rig, &Library { routine: &built_in, changes: &|_| None }).unwrap()
}

fn has(routine: &Routine, id: &str) -> bool {
    routine.steps.iter().any(|step| step.id == id || step.id.starts_with(&format!("{id}@")))
}

fn number<'a>(routine: &'a Routine, id: &str) -> &'a NumberAnswer {
    match &routine.steps[routine.index_of(id).unwrap_or_else(|| panic!("no {id}"))].answer {
        Answer::Number(number) => number,
        other => panic!("{id}: {other:?}"),
    }
}

/// Cold, on the day of travel, each by its own bounds (49 CFR 571.110: the placard): a value of weeks ago tells nothing.
#[test]
fn tires_are_read_on_the_day_of_travel_each_against_its_own_bounds_or_off_the_sensors() {
    let listed = load("morning-outside", &rig("motorhome-towed-car"));
    let bounds = |id: &str| (number(&listed, id).least, number(&listed, id).most);
    assert_eq!(bounds("tire-pressures@left-front"), (105, 120));
    assert_eq!(bounds("tire-pressures@right-rear"), (95, 120));
    let sensors =
        of("morning-outside", "[outside]\ntire_sensors = true\n[[tire]]\nname = 'left'\nleast_psi = 60\nmost_psi = 65");
    assert!(has(&sensors, "tires-by-sensor") && !has(&sensors, "tire-pressures") && !has(&sensors, "tires-by-gauge"));
    let none = of("morning-outside", "");
    assert!(has(&none, "tires-by-gauge") && !has(&none, "tires-by-sensor"));
}

/// 120/240 V on two legs: NEC 551. 208 V between legs comes of a three-phase supply.
#[test]
fn a_cord_of_fifty_amperes_is_read_leg_by_leg_and_leg_to_leg_and_a_smaller_one_once() {
    let fifty = of("arrive", "[electric]\ncord_a = 50");
    assert!(!has(&fifty, "volts"));
    for leg in ["volts-one", "volts-two"] {
        let leg = number(&fifty, leg);
        assert_eq!((leg.least, leg.most), (108, 128));
        assert!(leg.low_reply.starts_with("Breaker off, and tell the host"), "{}", leg.low_reply);
        assert!(leg.high_reply.contains("open neutral"), "{}", leg.high_reply);
    }
    let across = number(&fifty, "volts-across");
    let inside = |volts: i64| (across.least..=across.most).contains(&volts);
    assert!(inside(240) && inside(208) && !inside(0) && !inside(120));
    assert!(across.low_reply.contains("one phase") && across.low_reply.contains("Breaker off"));
    let thirty = of("arrive", "[electric]\ncord_a = 30");
    assert!(has(&thirty, "volts") && !has(&thirty, "volts-one"));
    let protected = of("arrive", "[electric]\nsurge_protector = true");
    assert!(has(&protected, "protector-code") && !has(&thirty, "protector-code"));
}

/// What a resting voltage means depends on the chemistry.
#[test]
fn a_battery_is_read_by_its_kind_and_asked_for_its_kind_where_that_is_not_known() {
    let least =
        |kind: &str, id: &str| number(&of("wake-up", &format!("[electric]\nbattery_kind = '{kind}'")), id).least;
    assert_eq!(least("flooded", "battery-volts"), 122);
    assert_eq!(least("agm", "battery-volts-agm"), 123);
    assert_eq!(least("lithium", "battery-volts-lithium"), 128);
    assert!(has(&of("wake-up", ""), "battery-volts-unknown") && !has(&of("wake-up", ""), "battery-volts"));
}

#[test]
fn a_tank_without_a_rinse_inlet_is_filled_by_the_toilet_and_no_rinse_hose_is_asked_for() {
    let without =
        of("tank-dump", "[waste]\nrinse_inlet = false\n[tank_dump]\nrinse_method = 'rinse-through'\nbucket_gal = 5");
    for id in ["bucket-water", "layer-bucket", "rinse-shut", "rinse-release"] {
        assert!(has(&without, id), "{id}");
    }
    for id in ["rinse-hose", "rinse-water", "layer-water", "pressure-off", "rinse-hose-off", "tap-bucket", "rinse-open"]
    {
        assert!(!has(&without, id), "{id}");
    }
    assert!(has(&of("tank-dump", ""), "vacuum-breaker"), "plumbing codes (IPC 608, UPC 603), from memory");
}

/// 40 gallons at 8 gallons a minute are full after 300 s, by hand: nobody may be told to let it run so long unmeasured.
#[test]
fn an_unmeasured_rinse_into_the_closed_valve_never_fills_the_tank() {
    let routine = load("tank-dump", &rig("motorhome-towed-car"));
    let step = &routine.steps[routine.index_of("rinse-water").unwrap()];
    let Answer::Clock(clock) = &step.answer else { panic!("{step:?}") };
    let seconds = clock.length.as_secs();
    assert!(10.0 / 60.0 * seconds as f64 <= 0.75 * 40.0, "{seconds} s at 10 gallons a minute");
    assert!(step.call.contains("2 min 30 s") && step.how.contains("never measured"), "{} {}", step.call, step.how);
    let through = load("tank-dump", &rig("travel-trailer"));
    let Answer::Clock(clock) = &through.steps[through.index_of("rinse-water").unwrap()].answer else { panic!() };
    assert_eq!(clock.length.as_secs(), 240, "through an open valve it is the owner's own time");
}

/// State health departments on sewage in the home, from memory: soap before bleach, never bleach on urine or with ammonia.
#[test]
fn the_cards_send_people_away_before_chores_and_offer_nothing_that_they_refuse() {
    let rig = rig("motorhome-towed-car");
    for id in ["gas-smell", "overflow", "stuck-slide", "storm"] {
        for step in &load(id, &rig).steps {
            let said = [&step.call, &step.short, &step.how].into_iter().map(String::as_str).chain(step.answer.texts());
            assert!(!said.into_iter().any(|text| text.to_lowercase().contains("skip")), "{id}/{}", step.id);
        }
    }
    let overflow = load("overflow", &rig);
    let place = |routine: &Routine, id: &str| routine.index_of(id).unwrap();
    assert!(place(&overflow, "other-power-off") < place(&overflow, "clean-up"));
    let soap = &overflow.steps[place(&overflow, "soap-first")].call;
    assert!(soap.find("Soap") < soap.find("Bleach") && soap.contains("urine") && soap.contains("ammonia"), "{soap}");
    let storm = load("storm", &rig);
    assert_eq!((place(&storm, "lightning"), place(&storm, "which")), (0, 1), "before any chore");
    let slide = load("stuck-slide", &rig);
    assert!(place(&slide, "nobody-near") < place(&slide, "obstacle"), "people before things");
}

/// 911: 47 U.S.C. 251(e)(3), from memory; 112 is that of Europe. In a panic nobody has to think which number it is.
#[test]
fn every_card_that_has_help_called_says_the_number_of_the_rig_file_digit_by_digit() {
    let mut cards = 0;
    for (rig, number) in [("", "9 1 1"), ("[help]\nemergency_number = 112", "1 1 2")] {
        for id in ["fire", "gas-smell", "co-alarm", "hurt", "tingle", "roadside", "stuck-slide"] {
            let card = of(id, rig);
            let texts = card
                .steps
                .iter()
                .flat_map(|step| [&step.call, &step.how].into_iter().map(String::as_str).chain(step.answer.texts()));
            let calls = texts.filter(|text| text.to_lowercase().contains(&format!("call {number}"))).count();
            assert!(calls > 0, "{id}: nobody is told to call {number}");
            cards += 1;
        }
    }
    assert_eq!(cards, 14);
}

/// Where it has been said what is to be done, the next question has no other answer than the state: nothing is settled by "not allowed",
/// by bays without heat, or by a burner that will not light.
#[test]
fn what_is_not_in_order_yet_leaves_its_step_open() {
    let open = |id: &str, of_rig: &str, step: &str, say: &str| {
        let routine = of(id, of_rig);
        let step = &routine.steps[routine.index_of(step).unwrap_or_else(|| panic!("{id} has no {step}"))];
        let Answer::Choice(choice) = &step.answer else { panic!("{step:?}") };
        let option = choice.options.iter().find(|option| option.say.iter().any(|phrase| phrase == say));
        assert!(!option.unwrap_or_else(|| panic!("{id}: no '{say}'")).settles, "{id}: '{say}'");
    };
    open("night-without-hookup", "", "may-stand", "not allowed");
    open("cold-night", "", "bays", "no bay heat");
    open("gas-refill", "", "road-next", "will not light");
    open("gas-refill", "[gas]\non_the_road = 'open'", "relight", "will not light");
    open("gas-refill", "", "fixed-upright", "bottle is loose");
    open("arrive", "", "gas-on", "bubbles show");
}

/// A wheel half off the ground is torqued wrong, a soft spare comes apart at road speed, bleach water and a gray tank under a black one run over,
/// and pipes burst: each is asked for by itself, also of the practiced. Common practice, no source.
#[test]
fn what_can_hurt_beside_a_move_is_never_run_together_with_other_steps() {
    let found = |id: &str, of: &str, step: &str| {
        let mut routine = load(id, &rig(of));
        let at = routine.index_of(step).unwrap_or_else(|| panic!("{id} has no {step}"));
        routine.steps.swap_remove(at)
    };
    for (id, of, step, harm) in [
        ("flat-tire", "default", "lowered", Harm::Drop),
        ("flat-tire", "default", "pressure", Harm::Hurt),
        ("sanitize", "default", "drained", Harm::Flood),
        ("cold-night", "default", "bays", Harm::Flood),
        ("dump-away", "fifth-wheel", "mac-black-shut", Harm::Flood),
        ("gas-refill", "default", "road-next", Harm::Hurt),
        ("stop", "motorhome-dolly", "straps", Harm::RunAway),
        ("arrive", "motorhome-dolly", "dolly-chocked", Harm::RunAway),
    ] {
        assert_eq!(found(id, of, step).harm, harm, "{id}/{step}");
    }
    assert!(found("sanitize", "default", "dose").single, "how strong it is has to be heard");
}

/// The key turned for a trial leaves an engine running under open windows, slides out, somebody in a bay. Common practice, no source.
#[test]
fn an_engine_that_is_tried_while_others_work_is_off_again_at_once() {
    let outside = load("morning-outside", &rig("motorhome-towed-car"));
    let step = &outside.steps[outside.index_of("chassis-battery").unwrap()];
    for text in [&step.call, &step.short] {
        let text = text.to_lowercase();
        assert!(text.starts_with("everybody clear") && text.contains("off again"), "{text}");
    }
}

/// First aid courses, from memory: whoever does not answer may not be breathing either, so that alone says nothing of what to do.
#[test]
fn no_answer_of_the_card_for_the_hurt_takes_silence_for_breathing() {
    let card = load("hurt", &rig("default"));
    let Answer::Choice(choice) = &card.steps[card.index_of("breathing").unwrap()].answer else { panic!() };
    let (over, states) = choice.options.split_last().unwrap();
    assert!(
        over.ends && over.say[0] == "help took over",
        "the last says who looks after them, and nothing of how they are: {over:?}"
    );
    assert_eq!(states.len(), 3);
    for option in states {
        for phrase in &option.say {
            let tells = ["breath", "awake"].iter().any(|word| phrase.contains(word));
            assert!(tells, "'{phrase}' does not say whether they breathe, and is answered: {}", option.reply);
        }
    }
}

/// AHA guidelines of 2020, from memory: 100 to 120 compressions a minute, taken in turns of two minutes, until help takes over.
#[test]
fn whoever_does_not_breathe_leaves_the_question_open_and_pushing_is_ordered_over_and_over() {
    let card = load("hurt", &rig("default"));
    let Answer::Choice(choice) = &card.steps[card.index_of("breathing").unwrap()].answer else { panic!() };
    for option in &choice.options {
        let pushes = option.say[0] == "not breathing";
        assert_eq!((option.settles, option.again.is_empty()), (!pushes, !pushes), "{option:?}");
    }
    let option = choice.options.iter().find(|option| !option.settles).unwrap();
    for text in [&option.reply, &option.again] {
        let lower = text.to_lowercase();
        assert!(lower.contains("hard, two a second"), "two a second are 120 a minute: {text}");
    }
    assert!(
        option.again.contains("turns every two minutes") && option.again.contains("help took over"),
        "{}",
        option.again
    );
}

/// Whoever is only told something is asked the next thing as soon as the voice ends: what takes minutes is answered, or the next words
/// begin with when they are meant. Common practice, no source.
#[test]
fn after_what_is_only_told_and_takes_minutes_the_next_words_begin_with_when_they_are_meant() {
    let mut looked_at = 0;
    for (name, people) in RIGS.iter().flat_map(|(name, _)| [(name, 1), (name, 2)]) {
        let rig = rig(name).taking_part(people);
        for (id, _) in ROUTINES {
            let routine = load(id, &rig);
            let told = |step: &sparehand::routine::Step| {
                matches!(step.answer, Answer::Told { .. }) && step.usual.as_secs() >= 60
            };
            for pair in routine.steps.windows(2).filter(|pair| told(&pair[0])) {
                if routine.kind == sparehand::routine::RoutineKind::Emergency {
                    continue;
                }
                looked_at += 1;
                for text in [&pair[1].call, &pair[1].short] {
                    assert!(text.starts_with("At the "), "{name}: {id}/{}, then: {text}", pair[0].id);
                }
            }
        }
    }
    assert!(looked_at > 0);
}

/// Whoever shuts the bottle for the road lights nothing any more, and what is lit is known as lit. Common practice, no source.
#[test]
fn gas_that_is_shut_again_for_the_road_is_followed_by_no_flame() {
    for (on_the_road, there, not_there) in [("shut", "road-next", "relight"), ("open", "relight", "road-next")] {
        let refill = of("gas-refill", &format!("[gas]\non_the_road = '{on_the_road}'"));
        assert!(has(&refill, there) && !has(&refill, not_there), "{on_the_road}");
        let Answer::Choice(choice) = &refill.steps[refill.index_of(there).unwrap()].answer else { panic!() };
        let sets =
            |say: &str| choice.options.iter().find(|option| option.say[0] == say).map(|option| option.sets.clone());
        assert_eq!(sets("relit and steady"), Some(vec![("furnace".to_owned(), Stands::Out)]));
        let shut = (on_the_road == "shut").then(|| vec![("gas".to_owned(), Stands::Away)]);
        assert_eq!(sets("gas shut again"), shut);
    }
}

/// Routine, rig, step, and what the practised are told to do: the answers alone are no question. Common practice, no source.
#[test]
fn whoever_is_told_briefly_still_hears_what_is_to_be_done_or_looked_at() {
    for (id, of, step, deed) in [
        ("generator", "motorhome-towed-car", "started", "Start it"),
        ("water-fill", "fifth-wheel", "first-water", "a glass from the tap"),
        ("water-fill", "fifth-wheel", "backflow", "Vacuum breaker"),
        ("cold-night", "default", "forecast", "lowest"),
        ("cold-night", "default", "bays", "Bay heat on"),
        ("flat-tire", "default", "cause", "Look at the other tires and the hub"),
        ("cassette", "van-no-sewer", "tried", "Face away"),
        ("dump-away", "fifth-wheel", "mac-run", "off at once"),
        ("dump-away", "fifth-wheel", "mac-rinse", "Pump off first"),
        ("gas-refill", "default", "sound", "Date, dents, rust"),
        ("night-without-hookup", "default", "furnace-runs", "Let the furnace run"),
        ("downhill", "default", "who-answers", "Who answers"),
    ] {
        let mut routine = load(id, &rig(of).taking_part(2));
        let at = routine.index_of(step).unwrap_or_else(|| panic!("{id} has no {step}"));
        let short = routine.steps.swap_remove(at).short;
        assert!(short.contains(deed), "{id}/{step}: {short}");
    }
}

/// Both feed the outlets, and so the skin, once the pedestal is off.
#[test]
fn whoever_felt_a_tingle_switches_off_what_the_rig_makes_itself_whatever_of_it_is_aboard() {
    for electric in ["inverter = false\ngenerator = true", "inverter = true\ngenerator = false", "generator = false"] {
        let card = of("tingle", &format!("[electric]\n{electric}"));
        let step = &card.steps[card.index_of("own-power").unwrap_or_else(|| panic!("{electric}"))];
        assert!(step.call.contains("inverter off, generator off"), "{}", step.call);
    }
}

#[test]
fn no_single_word_begins_an_emergency() {
    for (id, _) in ROUTINES {
        for start in load(id, &rig("default")).start {
            assert!(start.contains(' '), "{id} begins at the word '{start}'");
        }
    }
}

/// Jack makers' manuals, from memory: jacks of what is coupled lift what tows it, and drawn up too early they drop the nose.
#[test]
fn jacks_of_a_trailer_and_of_a_rig_with_a_trailer_wait_until_the_two_are_apart() {
    for name in ["fifth-wheel-on-jacks", "trailer-on-jacks"] {
        let rig = rig(name);
        assert!(
            !has(&load("arrive", &rig), "jacks-down") && has(&load("arrive", &rig), "trailer-jacks-down"),
            "{name}"
        );
        assert!(!has(&load("morning-outside", &rig), "jacks-up") && has(&load("hitch-up", &rig), "trailer-jacks-up"));
    }
    let rig = rig("motorhome-with-trailer");
    let arrive = load("arrive", &rig);
    for (none, one) in
        [("jacks-down", "free-jacks-down"), ("air-dumped", "free-air-dumped"), ("steps-out", "free-steps-out")]
    {
        assert!(!has(&arrive, none) && has(&arrive, one), "{none}, {one}");
    }
}

/// Blocks are driven onto where nothing lifts the rig; a rig on jacks is leveled by them.
#[test]
fn blocks_under_the_low_side_are_asked_for_only_where_no_jacks_level_the_rig() {
    for (name, _) in RIGS {
        let rig = rig(name);
        let arrive = load("arrive", &rig);
        let jacks = arrive.steps.iter().any(|step| step.id.ends_with("jacks-down"));
        assert_ne!(has(&arrive, "level-side"), jacks, "{name}");
    }
    let arrive = load("arrive", &rig("default"));
    let Answer::State(level) = &arrive.steps[arrive.index_of("level-side").unwrap()].answer else { panic!() };
    assert!(level.other_reply.contains("walking pace") && level.other_reply.contains("sight"), "{}", level.other_reply);
}

/// Whoever lets a reading, an alarm, a nut or a light pass lets it pass on the road: where one routine names a harm, so does the other.
#[test]
fn what_can_hurt_in_one_routine_can_hurt_in_its_sisters() {
    let found = |id: &str, of: &str, step: &str| {
        let steps = load(id, &rig(of)).steps;
        let found = steps.into_iter().find(|other| other.id.split('@').next() == Some(step));
        found.unwrap_or_else(|| panic!("{id} has no {step}"))
    };
    let pairs = [
        (
            ("morning-outside", "motorhome-towed-car", "tire-pressures"),
            ("morning-outside", "default", "tires-by-gauge"),
        ),
        (("wake-up", "default", "alarms"), ("arrive", "default", "alarms")),
        (("stop", "default", "nuts"), ("flat-tire", "default", "torque")),
        (("stop", "default", "lamps"), ("hitch-up", "travel-trailer", "tail-lamps")),
    ];
    for ((id, of, step), (other, of_other, sister)) in pairs {
        let (one, two) = (found(id, of, step), found(other, of_other, sister));
        assert!(one.critical() && !one.tested_by.is_empty(), "{id}/{step}: {:?}, '{}'", one.harm, one.tested_by);
        assert_eq!(one.harm, two.harm, "{id}/{step} and {other}/{sister}");
    }
}

/// The words that name how a thing stands, first in their step, and what they make of it.
const TELLS: &[(&str, &str, Stands)] = &[
    ("hose locked", "sewer", Stands::Out),
    ("hose is fast", "sewer", Stands::Out),
    ("drinking hose on", "water", Stands::Out),
    ("plug home", "mains", Stands::Out),
    ("no bubbles", "gas", Stands::Out),
    ("fully out", "slide", Stands::Out),
    ("antenna up", "antenna", Stands::Out),
    ("stabilizers down", "stabilizers", Stands::Out),
    ("jacks down", "jacks", Stands::Out),
    ("sewer hose off", "sewer", Stands::Away),
    ("caps are on", "sewer", Stands::Away),
    ("tank is sealed", "sewer", Stands::Away),
    ("plug out", "mains", Stands::Away),
    ("gas shut", "gas", Stands::Away),
    ("slide is home", "slide", Stands::Away),
    ("awning in", "awning", Stands::Away),
    ("awning locked", "awning", Stands::Away),
    ("antenna down", "antenna", Stands::Away),
    ("stabilizers up", "stabilizers", Stands::Away),
    ("jacks up", "jacks", Stands::Away),
    ("gas stays shut", "gas", Stands::Away),
    ("gas opened again", "gas", Stands::Out),
    ("it runs steady", "generator", Stands::Out),
    ("generator needed", "generator", Stands::Out),
    ("generator off", "generator", Stands::Away),
    ("generator silent", "generator", Stands::Away),
    ("all engines off", "generator", Stands::Away),
    ("only one source", "mains", Stands::Away),
    ("hose is inside", "water", Stands::Away),
    ("hose stays out", "water", Stands::Out),
    ("heater is safe", "electric-heater", Stands::Out),
    ("no heater used", "electric-heater", Stands::Away),
    ("furnace is set", "furnace", Stands::Out),
    ("furnace off", "furnace", Stands::Away),
    ("flames out", "furnace", Stands::Away),
    ("air comes in", "vents", Stands::Out),
    ("vents shut", "vents", Stands::Away),
    ("awning is in", "awning", Stands::Away),
];

/// The first words of each answer that settles the step.
fn told(step: &sparehand::routine::Step) -> Vec<&str> {
    let answers: Vec<&[String]> = match &step.answer {
        Answer::State(state) => vec![&state.want],
        Answer::Done { also } => vec![also],
        Answer::Both(both) => both.turns.last().map(|turn| turn.say.as_slice()).into_iter().collect(),
        Answer::Choice(choice) => {
            choice.options.iter().filter(|option| option.settles).map(|option| option.say.as_slice()).collect()
        }
        _ => Vec::new(),
    };
    answers.into_iter().filter_map(|said| said.first()).map(String::as_str).collect()
}

/// What is connected or opened is on record from the first step that makes it so, whatever comes after; what is put away by the end of its routine.
#[test]
fn whoever_names_how_a_thing_stands_has_it_on_record() {
    let mut seen = std::collections::BTreeSet::new();
    for (name, people) in RIGS.iter().flat_map(|(name, _)| [(name, 1), (name, 2)]) {
        let rig = rig(name).taking_part(people);
        for (id, _) in ROUTINES {
            let routine = load(id, &rig);
            let card = routine.kind == sparehand::routine::RoutineKind::Emergency;
            for (place, step) in routine.steps.iter().enumerate().filter(|_| !card) {
                for (words, thing, stands) in TELLS.iter().filter(|(words, ..)| told(step).contains(words)) {
                    if !rig.has_thing(thing) {
                        continue;
                    }
                    seen.insert(*words);
                    let is = |(of, how): &(String, Stands)| of.split('@').next() == Some(*thing) && how == stands;
                    let kept = step.sets_by(words).any(is)
                        || *stands == Stands::Away
                            && routine.steps[place..].iter().any(|later| later.sets.iter().any(is));
                    assert!(kept, "{name}: {id}/{}: '{words}' leaves {thing} as it was", step.id);
                }
            }
        }
    }
    let unsaid: Vec<&str> = TELLS.iter().map(|(words, ..)| *words).filter(|words| !seen.contains(words)).collect();
    assert!(unsaid.is_empty(), "nobody says {unsaid:?}");
}

#[test]
fn a_step_tells_nothing_of_what_the_rig_has_not() {
    let told = |id: &str, rig: &str, step: &str| {
        let routine = of(id, rig);
        let step = &routine.steps[routine.index_of(step).unwrap_or_else(|| panic!("no {step}"))];
        step.may_set().map(|(thing, _)| thing.clone()).collect::<Vec<_>>()
    };
    let stabilizers = "kind = 'travel-trailer'\n[standing]\nstabilizers = true\n";
    assert_eq!(told("last-look", stabilizers, "jacks"), ["stabilizers"]);
    assert_eq!(told("gas-refill", "[electric]\ngenerator = true", "engine-off"), ["generator"]);
    assert_eq!(told("gas-refill", "", "engine-off"), [""; 0]);
    assert_eq!(told("fuel-stop", "[gas]\nfurnace = false", "flames-out"), [""; 0]);
}

/// Label at the site after NEC 551.77(F), from memory: breaker off before the plug is pulled.
#[test]
fn whoever_unplugs_for_the_generator_is_told_of_the_breaker_first() {
    let generator = of("generator", "[electric]\ngenerator = true");
    for said in [&generator.steps[generator.index_of("one-source").unwrap()]].map(|step| [&step.call, &step.short]) {
        for text in said {
            let place = |word: &str| text.find(word).unwrap_or_else(|| panic!("no '{word}' in '{text}'"));
            assert!(place("Breaker off") < place("cord off"), "{text}");
        }
    }
}

/// What a first morning cannot guess.
#[test]
fn whoever_does_it_for_the_first_time_is_told_what_a_step_takes_for_granted() {
    let says = |id: &str, of: &str, step: &str, parts: &[&str]| {
        let routine = load(id, &rig(of));
        let step = &routine.steps[routine.index_of(step).unwrap_or_else(|| panic!("{id} has no {step}"))];
        let text = format!("{} {} {}", step.call, step.how, step.check);
        parts.iter().for_each(|part| assert!(text.contains(part), "{id}/{}: no '{part}' in '{text}'", step.id));
    };
    says("lay-up", "default", "lines-done", &["water inlet", "regulated", "pump on", "bottle"]);
    says("wake-up", "default", "joints", &["Water on slowly, every tap shut", "pump"]);
    says("hitch-up", "travel-trailer", "coupler-latched", &["Jack down"]);
    // Jaws let the pin slide out; a coupler is lifted off its ball.
    says("arrive", "fifth-wheel", "jaws-open", &["no gap lies between the plates"]);
    says("arrive", "travel-trailer", "coupling-open", &["clear by a hand's width"]);
    assert!(!has(&load("arrive", &rig("fifth-wheel")), "coupling-open"));
    // A dolly that steers wants the car's wheel locked, one that does not may want it free: their makers.
    says("last-look", "motorhome-dolly", "car-brake", &["as their makers say"]);
}

#[test]
fn whoever_drives_is_belted_last() {
    let look = load("last-look", &rig("van-no-sewer"));
    let belts: Vec<&str> = look.steps.iter().filter_map(|step| step.id.strip_prefix("riders@")).collect();
    assert_eq!(belts, ["imre", "juna", "rowan"]);
}

const PRACTICE: &str = "common practice, no source";
const MAKERS: &str = "makers' manuals of the trade, from memory";

/// Routine, rig, step, what it says, and where that is from. Whoever could take one thing for another, or does not know how, gets hurt or floods
/// something by a wrong guess.
const SAID: &[(&str, &str, &str, &[&str], &str)] = &[
    // Clipped to what is towed its pin is never pulled; clipped to the hitch it goes with it.
    ("hitch-up", "fifth-wheel", "breakaway", &["towing vehicle", "Not to trailer, car, bar, hitch or chain"], MAKERS),
    (
        "hitch-up",
        "motorhome-towed-car",
        "breakaway",
        &["towing vehicle", "Not to trailer, car, bar, hitch or chain"],
        MAKERS,
    ),
    ("last-look", "motorhome-towed-car", "breakaway", &["towing vehicle"], MAKERS),
    ("arrive", "travel-trailer", "chocked", &["its own wheels, not the truck's", "before and behind"], PRACTICE),
    ("arrive", "travel-trailer", "still-chocked", &["Touch the trailer's chocks"], PRACTICE),
    ("hitch-up", "motorhome-dolly", "ball-shoes", &["dolly"], PRACTICE),
    ("hitch-up", "motorhome-dolly", "lift-test", &["no jack"], PRACTICE),
    // Some ten minutes pass at the hitch before animals are let out.
    ("arrive", "fifth-wheel", "hands-off", &["animal in the cab", "windows down", "shade"], PRACTICE),
    ("hitch-up", "fifth-wheel", "tug-test", &["Nobody between truck and trailer, nobody in it"], PRACTICE),
    ("hitch-up", "travel-trailer", "gain", &["Nobody beside it, behind it or in what is towed"], PRACTICE),
    // Shut jaws shove the trailer off its chocks.
    ("hitch-up", "fifth-wheel", "pin-height", &["jaws open", "Tailgate down", "just below the top"], MAKERS),
    // The car's lights are out whether its brake is set or not, once its power is off.
    ("last-look", "car-power-off", "car-brake", &["before the car's power was off"], PRACTICE),
    ("stop", "default", "held", &["not on a shoulder", "nobody on the traffic side"], PRACTICE),
    ("stop", "default", "nuts", &["Do not roll on it", "again after ten miles", "roadside help"], MAKERS),
    ("arrive", "default", "breaker-on", &["Big loads off inside", "burns out within a minute"], PRACTICE),
    ("arrive", "default", "sewer-on", &["Cap off first, slowly, face away"], PRACTICE),
    ("arrive", "default", "black-kept", &["Gray too", "both gauges"], PRACTICE),
    ("arrive", "default", "gas-on", &["its last leak test", "swapped"], PRACTICE),
    ("fire", "default", "judged", &["From the open door, no further", "leave"], "fire departments, from memory"),
    ("gas-smell", "default", "out", &["no flame"], "gas suppliers and fire departments, from memory"),
    ("storm", "default", "which", &["flat in a ditch, head covered", "high ground"], "weather service, from memory"),
    ("tank-dump", "motorhome-dolly", "bucket-water", &["on again outside"], PRACTICE),
    ("tank-dump", "motorhome-dolly", "layer-bucket", &["Gloves off at the door, on again outside"], PRACTICE),
    ("tank-dump", "default", "hose-rinse", &["then its tap shut"], PRACTICE),
    ("tank-dump", "default", "hose-stow", &["rinse hose into its own bag"], PRACTICE),
    ("dump-away", "travel-trailer", "tote-fill", &["One valve", "never both"], PRACTICE),
    // The water heater is on in a cold night.
    ("cold-night", "default", "bays", &["Water heater off", "it comes hot, hands away"], PRACTICE),
    ("lay-up", "default", "supply-off", &["The hose stays on until the pressure is out"], PRACTICE),
    ("lay-up", "default", "low-points", &["Hose off the rig first"], PRACTICE),
    ("lay-up", "default", "drains-shut", &["Filter cartridges out", "its plug back in"], PRACTICE),
    ("lay-up", "default", "pump-dry", &["pump off and a tap open"], PRACTICE),
    ("lay-up", "default", "inlet-safe", &["air and pump off, a tap open"], PRACTICE),
    // Six years: tire makers and NHTSA on age, from memory.
    ("wake-up", "default", "tires-look", &["week, then year", "six years"], "tire makers and NHTSA, from memory"),
    ("wake-up", "default", "gas-check", &["cannot be tested"], PRACTICE),
    ("gas-refill", "motorhome-towed-car", "away", &["When the hose is off"], PRACTICE),
    ("dump-away", "fifth-wheel", "mac-run", &["off at once", "dry it is ruined"], MAKERS),
    ("dump-away", "fifth-wheel", "mac-grey", &["off again"], MAKERS),
    ("dump-away", "fifth-wheel", "mac-held", &["a waste valve open"], PRACTICE),
    ("dump-away", "fifth-wheel", "closed-again", &["Look at valves and cap"], PRACTICE),
    ("cassette", "van-no-sewer", "flap", &["A cassette pulled out with its flap open"], PRACTICE),
    ("cassette", "van-no-sewer", "poured", &["Pouring: the vent button"], MAKERS),
    // By ear "DEF" is another word.
    ("fuel-stop", "default", "right-fuel", &["diesel exhaust fluid"], PRACTICE),
    ("hurt", "default", "bleeding", &["tie it off above the wound, tight"], "stop the bleed courses, from memory"),
    // Help takes its time: what lets go of the run meanwhile is said.
    ("flat-tire", "default", "torque", &["Say: stand by, until they come"], PRACTICE),
    ("flat-tire", "default", "spare", &["Say: stand by, until they come"], PRACTICE),
];

fn all_of(step: &sparehand::routine::Step) -> String {
    let answers = step.answer.texts().join(" ");
    [&step.caution, &step.call, &step.how, &step.check, &answers].map(String::as_str).join(" ")
}

#[test]
fn where_a_wrong_guess_hurts_or_floods_a_step_says_what_is_meant() {
    let mut unsaid = Vec::new();
    for (id, of, step, parts, source) in SAID {
        let routine = load(id, &rig(of));
        let step = &routine.steps[routine.index_of(step).unwrap_or_else(|| panic!("{id} has no {step}"))];
        let text = all_of(step);
        let missing = parts.iter().filter(|part| !text.contains(**part));
        unsaid.extend(missing.map(|part| format!("{id}/{}: no '{part}' ({source}) in '{text}'", step.id)));
    }
    assert!(unsaid.is_empty(), "\n{}", unsaid.join("\n"));
}

/// Common practice, no source: each of these has been taken for an order.
#[test]
fn nobody_is_sent_where_it_hurts_by_a_check_or_by_what_is_said_in_passing() {
    for (id, of, step, part) in [
        ("dump-away", "travel-trailer", "tote-all", "a valve is opened"),
        ("gas-smell", "default", "out", "Valve only"),
        ("fire", "default", "judged", "lid on"),
        ("storm", "default", "which", "Everybody in, until"),
        ("overflow", "default", "drain-on", "black valve"),
        ("tank-dump", "default", "grey-held", "Open, it"),
    ] {
        let routine = load(id, &rig(of));
        let text = all_of(&routine.steps[routine.index_of(step).unwrap_or_else(|| panic!("{id} has no {step}"))]);
        assert!(!text.contains(part), "{id}/{step}: '{part}' in '{text}'");
    }
}

/// The weather service on tornadoes and floods, from memory: a building first, and for rising water high ground on foot.
#[test]
fn a_tornado_is_named_before_thunder_and_rising_water_sends_everybody_uphill() {
    let storm = load("storm", &rig("default"));
    let first = &storm.steps[0];
    for text in [&first.call, &first.short] {
        let place = |word: &str| text.find(word).unwrap_or_else(|| panic!("no '{word}' in '{text}'"));
        assert!(place("Tornado") < place("lowest room") && place("lowest room") < place("hunder"), "{text}");
    }
    let Answer::Choice(which) = &storm.steps[storm.index_of("which").unwrap()].answer else { panic!() };
    let option = |say: &str| which.options.iter().find(|option| option.say.iter().any(|phrase| phrase == say)).unwrap();
    let water = option("water is rising");
    assert!(water.ends && water.reply.contains("On foot to high ground") && water.reply.contains("moving water"));
}

/// Trailer tires die of age with their tread full. Tire makers and NHTSA, from memory.
#[test]
fn after_the_winter_every_tire_is_read_and_looked_at_whether_the_rig_file_names_it_or_not() {
    for (name, _) in RIGS {
        let wake = load("wake-up", &rig(name));
        assert_ne!(has(&wake, "tyre-pressures"), has(&wake, "tires-by-gauge"), "{name}");
        let look = &wake.steps[wake.index_of("tires-look").unwrap_or_else(|| panic!("{name} looks at no tire"))];
        assert_eq!((look.harm, look.tested_by.as_str()), (Harm::Hurt, "a tire shop"), "{name}");
    }
}

/// Clean water needs no sewer hose and no bleach; power waits until it is dry. Common practice, no source.
#[test]
fn a_card_for_an_overflow_is_over_once_it_was_clean_water() {
    let card = load("overflow", &rig("default"));
    let Answer::Choice(what) = &card.steps[card.index_of("what-ran").unwrap()].answer else { panic!() };
    let ends: Vec<(&str, bool)> = what.options.iter().map(|option| (option.say[0].as_str(), option.ends)).collect();
    assert_eq!(ends, [("from a waste tank", false), ("clean water", true)]);
    let Answer::Choice(power) = &card.steps[card.index_of("mains-off").unwrap()].answer else { panic!() };
    assert!(
        power.options.iter().any(|option| option.settles && option.say[0] == "no shore power"),
        "at a dump station"
    );
}
