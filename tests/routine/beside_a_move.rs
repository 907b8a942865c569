//! The routines beside a move and the cards: what must come before what, forced in any legal play and for every rig that has
//! both; each with its source.

use crate::order::{before, is};
use crate::routine_support::{RIGS, load, rig};
use sparehand::rig::Rig;
use sparehand::routine::{Answer, Routine, RoutineKind};

const NFPA_1192: &str = "label at the fuel filler after NFPA 1192, from memory";
const NFPA_58: &str = "NFPA 58, from memory";
const CDL: &str = "commercial driver's license manual (model of the states), from memory";
const UPC: &str = "UPC appendix E 506";
const ANSI: &str = "ANSI A119.2 clause 10.8, as quoted";
const CDC: &str = "CDC advice, from memory";
const CPSC: &str = "Consumer Product Safety Commission, from memory";
const NHTSA: &str = "NHTSA advice, from memory";
const OSHA: &str = "OSHA 1910.244 and jacks' manuals, from memory";
const MAKERS: &str = "makers' manuals of the trade, from memory";
const PRACTICE: &str = "common practice, no source";

/// Routine, what comes first, what comes after it, and where that is from.
const ORDERS: &[(&str, &str, &str, &str)] = &[
    ("fuel-stop", "gas-shut", "engine-off", NFPA_1192),
    ("fuel-stop", "flames-out", "gas-shut", PRACTICE),
    ("fuel-stop", "flames-out", "engine-off", NFPA_1192),
    ("fuel-stop", "generator-off", "engine-off", NFPA_1192),
    ("fuel-stop", "gas-shut", "filling", NFPA_1192),
    ("fuel-stop", "flames-out", "filling", NFPA_1192),
    ("fuel-stop", "canopy", "engine-off", PRACTICE),
    (
        "fuel-stop",
        "way-out-car",
        "engine-off",
        "makers of tow bars and dollies, from memory: a car in tow is not backed",
    ),
    ("fuel-stop", "engine-off", "filling", "NFPA 30A, from memory"),
    ("fuel-stop", "no-smoking", "filling", "NFPA 30A, from memory"),
    ("fuel-stop", "static", "filling", "Petroleum Equipment Institute, from memory"),
    ("fuel-stop", "right-fuel", "filling", PRACTICE),
    ("fuel-stop", "nozzle", "all-in", PRACTICE),
    ("fuel-stop", "all-in", "gas-again", NFPA_1192),
    ("gas-refill", "licensed", "away", NFPA_58),
    ("gas-refill", "flames-out", "away", NFPA_58),
    ("gas-refill", "people-out", "away", NFPA_58),
    ("gas-refill", "engine-off", "away", NFPA_58),
    ("gas-refill", "sound", "away", "49 CFR 180.205, from memory"),
    ("gas-refill", "eighty", "bubbles", NFPA_58),
    ("gas-refill", "detectors", "bubbles", PRACTICE),
    ("gas-refill", "bubbles", "relight", PRACTICE),
    ("gas-refill", "bubbles", "road-next", PRACTICE),
    ("gas-refill", "away", "eighty", NFPA_58),
    ("downhill", "who-answers", "low-gear", PRACTICE),
    ("downhill", "standing-alone", "low-gear", PRACTICE),
    ("downhill", "low-gear", "gain-alone", PRACTICE),
    ("downhill", "gain-alone", "down-alone", MAKERS),
    ("downhill", "low-gear", "down-alone", CDL),
    ("downhill", "down-alone", "bottom", PRACTICE),
    ("downhill", "pedal", "low-gear", CDL),
    ("downhill", "gain", "low-gear", MAKERS),
    ("downhill", "car-brake", "low-gear", MAKERS),
    ("downhill", "low-gear", "slow-top", CDL),
    ("downhill", "presses", "low-gear", CDL),
    ("downhill", "ramp", "low-gear", CDL),
    ("downhill", "slow-top", "speed", CDL),
    ("downhill", "bottom", "hubs", PRACTICE),
    ("water-fill", "hands", "tap-wiped", CDC),
    ("water-fill", "drinking-tap", "tap-wiped", UPC),
    ("water-fill", "tap-wiped", "hose", PRACTICE),
    ("water-fill", "backflow", "hose", "ASSE 1011 and UPC appendix E 506"),
    ("water-fill", "regulator", "hose", PRACTICE),
    ("water-fill", "hose", "running", PRACTICE),
    ("water-fill", "can", "poured", PRACTICE),
    ("water-fill", "drains-shut", "running", PRACTICE),
    ("water-fill", "drains-shut", "poured", PRACTICE),
    ("water-fill", "poured", "can-capped", PRACTICE),
    ("water-fill", "tap-shut", "caps", PRACTICE),
    ("sanitize", "bleach-kind", "thinned", CDC),
    ("sanitize", "covered", "dose", PRACTICE),
    ("sanitize", "heater-off", "bypass", PRACTICE),
    ("sanitize", "bypass", "thinned", PRACTICE),
    ("sanitize", "filters-out", "thinned", PRACTICE),
    ("sanitize", "dose", "thinned", ANSI),
    ("sanitize", "thinned", "filled", ANSI),
    ("sanitize", "marked", "thinned", PRACTICE),
    ("sanitize", "every-tap", "soak", ANSI),
    ("sanitize", "soak", "drained", ANSI),
    ("sanitize", "where-to", "drained", "EPA and state rules, from memory"),
    ("sanitize", "drained", "flushed", ANSI),
    ("sanitize", "flushed", "heater-full", PRACTICE),
    ("sanitize", "flushed", "notes-down", ANSI),
    ("generator", "exhaust", "started", CPSC),
    ("generator", "detector", "started", CPSC),
    ("generator", "windows", "started", CPSC),
    ("generator", "fuel", "started", MAKERS),
    ("generator", "loads-off", "started", MAKERS),
    ("generator", "one-source", "started", "NEC on transfer equipment, from memory"),
    ("generator", "started", "loads-on", MAKERS),
    ("generator", "unload", "cooled", MAKERS),
    ("generator", "cooled", "shut-down", MAKERS),
    ("night-without-hookup", "detectors", "heat", CPSC),
    ("night-without-hookup", "heat", "furnace-runs", CPSC),
    ("night-without-hookup", "detectors", "generator-quiet", CPSC),
    ("cold-night", "fill-first", "hose-in", PRACTICE),
    ("cold-night", "waste-gloves", "waste-shut", CDC),
    ("cold-night", "waste-shut", "washed", CDC),
    ("cold-night", "detectors", "no-stove", CPSC),
    ("cold-night", "vents-free", "furnace-set", CPSC),
    ("cold-night", "gas-night", "furnace-set", PRACTICE),
    ("dump-away", "held", "tank-dump/gloves", PRACTICE),
    ("dump-away", "sign", "tank-dump/black-held", UPC),
    ("dump-away", "tank-dump/wash", "treatment", CDC),
    ("dump-away", "mac-held", "mac-hose", PRACTICE),
    ("dump-away", "mac-hose", "mac-black", PRACTICE),
    ("dump-away", "grey-held", "grey-hose", PRACTICE),
    ("dump-away", "tote-held", "tote-hose", PRACTICE),
    ("dump-away", "mac-black", "mac-run", MAKERS),
    ("dump-away", "mac-run", "mac-black-shut", PRACTICE),
    ("dump-away", "mac-rinse", "mac-black-shut", PRACTICE),
    ("dump-away", "mac-black-shut", "mac-grey", PRACTICE),
    ("dump-away", "mac-grey", "mac-shut", PRACTICE),
    ("dump-away", "mac-shut", "mac-off", PRACTICE),
    ("dump-away", "mac-off", "mac-wash", CDC),
    ("dump-away", "mac-wash", "treatment", CDC),
    ("dump-away", "tote-still", "tote-fill", PRACTICE),
    ("dump-away", "tote-hose", "tote-fill", PRACTICE),
    ("dump-away", "tote-water-off", "tote-fill", PRACTICE),
    ("dump-away", "tote-all", "tote-wash", PRACTICE),
    ("dump-away", "treatment", "roll-on", PRACTICE),
    ("dump-away", "seal", "roll-on", PRACTICE),
    ("dump-away", "gauge", "roll-on", PRACTICE),
    ("dump-away", "tote-sealed", "tote-drive", PRACTICE),
    ("dump-away", "tote-drive", "tote-empty", PRACTICE),
    ("dump-away", "tote-wash", "treatment", CDC),
    ("cassette", "flap", "out", MAKERS),
    ("cassette", "gloves", "out", CDC),
    ("cassette", "where", "poured", "EPA and state rules, from memory"),
    ("cassette", "poured", "additive", MAKERS),
    ("cassette", "cap", "in", MAKERS),
    ("cassette", "in", "wash", CDC),
    ("cassette", "wash", "tried", CDC),
    ("flat-tire", "clear", "people-out", NHTSA),
    ("flat-tire", "held", "people-out", PRACTICE),
    ("flat-tire", "people-out", "jack", NHTSA),
    ("flat-tire", "who", "jack", PRACTICE),
    ("flat-tire", "chocked", "loosened", OSHA),
    ("flat-tire", "chocked", "jack", OSHA),
    ("flat-tire", "spare", "jack", PRACTICE),
    ("flat-tire", "loosened", "jack", PRACTICE),
    ("flat-tire", "jack", "swapped", OSHA),
    ("flat-tire", "swapped", "lowered", PRACTICE),
    ("flat-tire", "lowered", "torque", MAKERS),
    ("flat-tire", "torque", "noted", MAKERS),
    ("flat-tire", "torque", "stowed", PRACTICE),
    ("flat-tire", "cause", "stowed", PRACTICE),
    ("flat-tire", "seen", "who", PRACTICE),
    ("roadside", "call", "signs", PRACTICE),
];

/// The rigs that ship, and one for what none of them has: grey water alone.
fn rigs() -> Vec<(String, Rig)> {
    let grey = "kind = 'van'\n[waste]\nblack_gal = 0\ngray_gal = 15\nrinse_inlet = false\n";
    let grey = ("grey alone".to_owned(), Rig::parse("rig.toml", grey).unwrap());
    RIGS.iter().map(|(name, _)| ((*name).to_owned(), rig(name))).chain([grey]).collect()
}

#[test]
fn each_order_of_the_table_is_forced_for_every_rig_that_has_both() {
    let mut faults = Vec::new();
    for &(id, first, then, source) in ORDERS {
        let mut seen = 0;
        for (name, rig) in rigs() {
            let routine = load(id, &rig);
            if !routine.steps.iter().any(|step| is(step, first)) {
                continue;
            }
            for index in (0..routine.steps.len()).filter(|&index| is(&routine.steps[index], then)) {
                seen += 1;
                let forced = before(&routine, index);
                if !forced.iter().any(|id| id == first || id.split('@').next() == Some(first)) {
                    faults.push(format!("{name}: {id}: '{then}' may come before '{first}' ({source})"));
                }
            }
        }
        if seen == 0 {
            faults.push(format!("{id}: no rig has '{first}' and '{then}'"));
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

/// What the rig has decides which way waste goes: one way, never two.
#[test]
fn waste_goes_one_way_by_what_the_rig_has() {
    let ways = ["tank-dump/black-open", "mac-run", "tote-fill", "grey-run"];
    let of = |rig: &Rig| -> Vec<&str> {
        let routine = load("dump-away", rig);
        ways.into_iter().filter(|way| routine.index_of(way).is_some()).collect()
    };
    let expected = [
        ("motorhome-towed-car", vec!["tank-dump/black-open"]),
        ("travel-trailer", vec!["tote-fill"]),
        ("fifth-wheel", vec!["mac-run"]),
        ("van-no-sewer", vec![]),
        ("motorhome-dolly", vec!["tank-dump/black-open"]),
        ("car-power-off", vec!["tank-dump/black-open"]),
        ("default", vec!["tank-dump/black-open"]),
        ("fifth-wheel-on-jacks", vec!["tank-dump/black-open"]),
        ("trailer-on-jacks", vec!["tank-dump/black-open"]),
        ("motorhome-with-trailer", vec!["tank-dump/black-open"]),
        ("van-on-a-tap", vec![]),
        ("grey alone", vec!["grey-run"]),
    ];
    assert_eq!(rigs().len(), expected.len());
    for ((name, rig), (of_rig, way)) in rigs().iter().zip(expected) {
        assert_eq!((name.as_str(), of(rig)), (of_rig, way));
    }
}

/// Whoever drives alone is asked nothing between the top and the bottom: what is asked is asked standing. Common practice, no source.
#[test]
fn who_drives_alone_is_asked_nothing_on_the_way_down() {
    for (name, rig) in rigs() {
        for people in [1, 2] {
            let rig = rig.clone().taking_part(people);
            let routine = load("downhill", &rig);
            let place = |id: &str| routine.index_of(id).unwrap();
            let on_the_way = &routine.steps[place("low-gear") + 1..place("bottom")];
            assert!(!on_the_way.is_empty(), "{name}");
            let asked = on_the_way.iter().filter(|step| !matches!(step.answer, Answer::Told { .. })).count();
            let two = people == 2;
            assert_eq!(asked == 0, !two, "{name}, {people}: {asked} questions");
            assert_eq!(routine.index_of("standing-alone").is_some(), !two, "{name}: first it stands");
        }
    }
}

/// The steps of each card that come first, in their order, and nothing that is asked before them. What a fire service, first aid
/// courses, CPSC and NHTSA say first, from memory; of the tingle: common practice, no source.
#[test]
fn a_card_sends_people_to_safety_before_it_asks_anything() {
    let first: [(&str, &[&str], &str); 5] = [
        ("fire", &["out", "call", "count"], "Everybody out"),
        ("co-alarm", &["out", "air", "call", "count"], "Everybody out"),
        ("tingle", &["hands-off", "nobody-pulled"], "Hands off the rig. Inside: stay inside."),
        ("hurt", &["nothing-moves", "call"], "Nothing moves."),
        ("roadside", &["off-road"], "Off the road"),
    ];
    for (name, rig) in rigs() {
        for (id, steps, begins) in first {
            let card = load(id, &rig);
            assert_eq!(card.kind, RoutineKind::Emergency);
            assert!(card.start.len() >= 3, "{id}: several natural ways to begin it");
            assert!(card.steps[0].call.starts_with(begins), "{name}: {id}: '{}'", card.steps[0].call);
            assert!(matches!(card.steps[0].answer, Answer::Told { times: 2.. }), "{id}: said more than once");
            let told: Vec<&str> = card
                .steps
                .iter()
                .take_while(|step| matches!(step.answer, Answer::Told { .. }))
                .map(|step| step.id.as_str())
                .collect();
            assert!(told.starts_with(steps), "{name}: {id}: told first: {told:?}");
        }
    }
}

fn text(routine: &Routine, step: &str) -> String {
    let step = &routine.steps[routine.index_of(step).unwrap()];
    let answers = step.answer.texts().join(" ");
    format!("{} {} {} {} {answers}", step.caution, step.call, step.how, step.check)
}

/// Numbers that a person acts on, against what they come from.
#[test]
fn the_numbers_that_are_said_are_those_of_their_sources() {
    let says = |id: &str, of: &str, step: &str, part: &str| {
        let said = text(&load(id, &rig(of)), step);
        assert!(said.contains(part), "{id}/{step}: no '{part}' in '{said}'");
    };
    // ANSI A119.2 clause 10.8, as quoted: as many mL of 5.25 % as the tank has liters; 80 gal are 302.8 L, so 302.8 mL (1.28 cups), of
    // 7.5 % 212.0 mL (0.90) and of 8.25 % 192.7 mL (0.81).
    says("sanitize", "motorhome-towed-car", "dose", "Measure 1 1/4 cups of bleach");
    says("sanitize", "motorhome-towed-car", "dose", "That is 303 mL");
    says("sanitize", "motorhome-towed-car", "dose", "Seven and a half: 212. Eight and a quarter: 193.");
    // The same clause: held four hours.
    assert!(matches!(
        &load("sanitize", &rig("default")).steps[load("sanitize", &rig("default")).index_of("soak").unwrap()].answer,
        Answer::Clock(clock) if clock.length.as_secs() == 4 * 3_600
    ));
    // 8.34 lb a gallon (CRC Handbook, rounded): 15 gal 125 lb, 5 gal 42 lb, 80 gal 667 lb.
    says("dump-away", "travel-trailer", "tote-still", "15 gallons weigh 125 pounds");
    says("cassette", "van-no-sewer", "out", "about 42 pounds");
    says("water-fill", "motorhome-towed-car", "running", "667 pounds");
    // By hand: 90 W for 6 h and 25 W for 12 h are 840 Wh, at 12 V 70 Ah; 30,000 BTU/h for 6 h at 21,548 BTU a pound 8.4 lb.
    says("night-without-hookup", "motorhome-towed-car", "battery-night", "about 70 amp hours");
    says("night-without-hookup", "motorhome-towed-car", "gas-night", "about 9 pounds");
    // NFPA 58, from memory: 80 %.
    says("gas-refill", "default", "eighty", "eighty or less");
    // CPSC and CDC, from memory: 20 feet. UPC appendix E 506: 50 feet. Trailer makers' manuals: 10, 25 and 50 miles.
    says("generator", "motorhome-towed-car", "exhaust", "twenty feet");
    says("water-fill", "default", "drinking-tap", "fifty feet");
    says("flat-tire", "default", "noted", "ten, twenty-five and fifty");
    // Commercial driver's license manual, from memory: about three seconds, five miles an hour.
    says("downhill", "default", "presses", "three seconds, five miles slower");
}

/// What a beginner is told of a step, at most 45 words: why, what to do, how one knows, the question.
#[test]
fn no_step_says_more_than_somebody_keeps_in_mind() {
    let mut long = Vec::new();
    for (name, rig) in rigs() {
        for id in BESIDE {
            for step in &load(id, &rig).steps {
                // The tank dump is looked at by itself.
                let check = if step.check.is_empty() { "" } else { "You'll know when" };
                let said = format!("{} {} {} {check} {}", step.caution, step.call, step.how, step.check);
                let words = said.split_whitespace().count();
                if words > 45 && !step.id.starts_with("tank-dump/") {
                    long.push(format!("{name}: {id}/{}: {words} words", step.id));
                }
            }
        }
    }
    assert!(long.is_empty(), "\n{}", long.join("\n"));
}

const BESIDE: [&str; 16] = [
    "fuel-stop",
    "downhill",
    "flat-tire",
    "gas-refill",
    "water-fill",
    "sanitize",
    "generator",
    "night-without-hookup",
    "cold-night",
    "dump-away",
    "cassette",
    "fire",
    "co-alarm",
    "tingle",
    "hurt",
    "roadside",
];
