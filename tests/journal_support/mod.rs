//! Records for the journal tests: one of every kind, and random ones.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use proptest::prelude::*;
use sparehand::engine::event::{Event, HeardAs, Present, Remark};
use sparehand::journal::{NewRun, Purpose, Record, Stamp};
use sparehand::rig::{Demand, Stands};
use sparehand::units::SessionTime;

pub fn new_run(routine: &str, purpose: Purpose) -> NewRun {
    NewRun {
        routine: routine.to_owned(),
        fingerprint: "5f2a".to_owned(),
        settings: r#"{"black_tank_litres":150}"#.to_owned(),
        started: "2026-05-01T08:00:00+02:00[Europe/Berlin]".to_owned(),
        purpose,
    }
}

/// A record that follows from its number alone, of varying kind and size.
pub fn record(seq: u64) -> Record {
    let step = format!("step-{}", seq / 3);
    let event = match seq % 4 {
        0 => Event::StepOffered { step },
        1 => Event::StepAnswered { step, answer: "closed".to_owned(), heard: voice("valve closed", -0.5, 4.25) },
        2 => Event::StepSkipped { step, reason: "because ".repeat(usize::try_from(seq % 97).unwrap_or(0)) },
        _ => Event::ClockStarted { step, length_ms: seq * 1_000, heard: HeardAs::Key },
    };
    at(seq, event)
}

pub fn at(seq: u64, event: Event) -> Record {
    Record {
        seq,
        at: SessionTime::from_millis(seq * 1_500),
        stamp: Stamp {
            boot_id: "0f0e0d0c-0000-4000-8000-000000000001".to_owned(),
            boottime_ms: 1_000_000 + seq * 1_500,
            wall: format!("2026-05-01T06:{:02}:{:02}Z", seq / 60 % 60, seq % 60),
        },
        event,
    }
}

pub fn voice(phrase: &str, score: f32, margin: f32) -> HeardAs {
    HeardAs::Voice { phrase: phrase.to_owned(), score, margin }
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof!["[a-z-]{1,12}", any::<String>(), Just("quote \" and \\ and \u{0} and \u{1F6B0}".to_owned())]
}

fn finite() -> impl Strategy<Value = f32> {
    prop_oneof![any::<f32>().prop_filter("a number", |x| x.is_finite()), -30f32..30f32, Just(f32::MAX), Just(-0.0)]
}

fn heard() -> impl Strategy<Value = HeardAs> {
    prop_oneof![
        (text(), finite(), finite()).prop_map(|(phrase, score, margin)| HeardAs::Voice { phrase, score, margin }),
        (text(), finite(), finite()).prop_map(|(phrase, score, margin)| HeardAs::VoiceConfirmed {
            phrase,
            score,
            margin
        }),
        Just(HeardAs::Key),
        Just(HeardAs::Clock),
    ]
}

/// How many kinds of events there are; [`kind_number`] does not compile when one is missing from it.
pub const KINDS: usize = 57;

pub fn kind_number(event: &Event) -> usize {
    match event {
        Event::RunStarted { .. } => 0,
        Event::StepOffered { .. } => 1,
        Event::StepAnswered { .. } => 2,
        Event::OtherStateHeard { .. } => 3,
        Event::LoopedBack { .. } => 4,
        Event::LoopLimitReached { .. } => 5,
        Event::ClockStarted { .. } => 6,
        Event::ClockRanOut { .. } => 7,
        Event::ClockEnded { .. } => 8,
        Event::StepSkipped { .. } => 9,
        Event::StepDeferred { .. } => 10,
        Event::StepsReopened { .. } => 11,
        Event::ClockReinstated { .. } => 12,
        Event::StandingBy => 13,
        Event::WentAhead => 14,
        Event::SpeechUnclear => 15,
        Event::VoiceChanged { .. } => 16,
        Event::HearingLost => 17,
        Event::HearingBack => 18,
        Event::Resumed { .. } => 19,
        Event::GateHeld { .. } => 20,
        Event::RunCompleted { .. } => 21,
        Event::RunAbandoned => 22,
        Event::LoopUndone { .. } => 23,
        Event::PartCompleted { .. } => 24,
        Event::Overridden { .. } => 25,
        Event::CrewSet { .. } => 26,
        Event::StepAssigned { .. } => 27,
        Event::HandedOver { .. } => 28,
        Event::SignalGiven { .. } => 29,
        Event::SignalHalted { .. } => 30,
        Event::Agreed { .. } => 31,
        Event::ReadingTaken { .. } => 32,
        Event::HoldBegun { .. } => 33,
        Event::CheckAsked { .. } => 34,
        Event::StepChecked { .. } => 35,
        Event::NoteKept { .. } => 36,
        Event::TimerStarted { .. } => 37,
        Event::TimerRanOut { .. } => 38,
        Event::TimerEnded { .. } => 39,
        Event::CardStarted { .. } => 40,
        Event::CardEnded { .. } => 41,
        Event::Explained { .. } => 42,
        Event::Rehearsed { .. } => 43,
        Event::TurnedTo { .. } => 44,
        Event::RigRecalled { .. } => 45,
        Event::RigAgreed { .. } => 46,
        Event::ThingTold { .. } => 47,
        Event::NotHere { .. } => 48,
        Event::StretchOffered { .. } => 49,
        Event::LimitTold { .. } => 50,
        Event::CannotDo { .. } => 51,
        Event::RemarksRecalled { .. } => 52,
        Event::NoteDone { .. } => 53,
        Event::LimitsLifted { .. } => 54,
        Event::StationJoined { .. } => 55,
        Event::StationLeft { .. } => 56,
    }
}

fn texts() -> impl Strategy<Value = Vec<String>> {
    prop::collection::vec(text(), 0..5)
}

fn remark() -> impl Strategy<Value = Remark> {
    prop_oneof![
        (text(), text()).prop_map(|(step, text)| Remark::Noted { step, text }),
        (text(), text()).prop_map(|(step, answer)| Remark::PutRight { step, answer }),
        (text(), any::<i64>(), any::<u8>(), text()).prop_map(|(step, value, decimals, on)| Remark::Read {
            step,
            value,
            decimals,
            on
        }),
    ]
}

fn stands() -> impl Strategy<Value = Stands> {
    prop_oneof![Just(Stands::Out), Just(Stands::Away), Just(Stands::Unknown)]
}

/// A random event of the kind with that number.
pub fn event_of_kind(kind: usize) -> BoxedStrategy<Event> {
    match kind {
        0 => (text(), text()).prop_map(|(routine, fingerprint)| Event::RunStarted { routine, fingerprint }).boxed(),
        1 => text().prop_map(|step| Event::StepOffered { step }).boxed(),
        2 => (text(), text(), heard())
            .prop_map(|(step, answer, heard)| Event::StepAnswered { step, answer, heard })
            .boxed(),
        3 => (text(), text(), heard())
            .prop_map(|(step, answer, heard)| Event::OtherStateHeard { step, answer, heard })
            .boxed(),
        4 => (text(), text(), any::<u32>(), heard())
            .prop_map(|(step, back_to, round, heard)| Event::LoopedBack { step, back_to, round, heard })
            .boxed(),
        5 => (text(), any::<u32>(), heard())
            .prop_map(|(step, round, heard)| Event::LoopLimitReached { step, round, heard })
            .boxed(),
        6 => (text(), any::<u64>(), heard())
            .prop_map(|(step, length_ms, heard)| Event::ClockStarted { step, length_ms, heard })
            .boxed(),
        7 => text().prop_map(|step| Event::ClockRanOut { step }).boxed(),
        8 => (text(), any::<u64>(), heard())
            .prop_map(|(step, ran_ms, heard)| Event::ClockEnded { step, ran_ms, heard })
            .boxed(),
        9 => (text(), text()).prop_map(|(step, reason)| Event::StepSkipped { step, reason }).boxed(),
        10 => text().prop_map(|step| Event::StepDeferred { step }).boxed(),
        11 => (prop::collection::vec(text(), 0..5), text())
            .prop_map(|(steps, because)| Event::StepsReopened { steps, because })
            .boxed(),
        12 => text().prop_map(|step| Event::ClockReinstated { step }).boxed(),
        13 => Just(Event::StandingBy).boxed(),
        14 => Just(Event::WentAhead).boxed(),
        15 => Just(Event::SpeechUnclear).boxed(),
        16 => (finite(), finite()).prop_map(|(speed, volume_db)| Event::VoiceChanged { speed, volume_db }).boxed(),
        17 => Just(Event::HearingLost).boxed(),
        18 => Just(Event::HearingBack).boxed(),
        19 => any::<Option<u64>>().prop_map(|away_ms| Event::Resumed { away_ms }).boxed(),
        20 => prop::collection::vec(text(), 0..5).prop_map(|open| Event::GateHeld { open }).boxed(),
        21 => prop::collection::vec(text(), 0..5).prop_map(|skipped| Event::RunCompleted { skipped }).boxed(),
        22 => Just(Event::RunAbandoned).boxed(),
        23 => text().prop_map(|step| Event::LoopUndone { step }).boxed(),
        24 => (text(), texts()).prop_map(|(part, skipped)| Event::PartCompleted { part, skipped }).boxed(),
        25 => (texts(), text(), heard())
            .prop_map(|(open, person, heard)| Event::Overridden { open, person, heard })
            .boxed(),
        26 => (text(), texts(), texts(), any::<bool>())
            .prop_map(|(name, roles, practised, here)| Event::CrewSet {
                people: vec![Present { name, roles, practised, here }],
            })
            .boxed(),
        27 => (text(), text()).prop_map(|(step, person)| Event::StepAssigned { step, person }).boxed(),
        28 => (text(), text()).prop_map(|(from, to)| Event::HandedOver { from, to }).boxed(),
        29 => (text(), 0usize..9, text(), text(), heard())
            .prop_map(|(step, turn, person, answer, heard)| Event::SignalGiven { step, turn, person, answer, heard })
            .boxed(),
        30 => (text(), text(), heard())
            .prop_map(|(step, answer, heard)| Event::SignalHalted { step, answer, heard })
            .boxed(),
        31 => (text(), text(), text(), heard())
            .prop_map(|(step, person, answer, heard)| Event::Agreed { step, person, answer, heard })
            .boxed(),
        32 => (text(), text(), any::<i64>(), any::<u8>(), text(), any::<(i64, i64)>(), any::<bool>(), heard())
            .prop_map(|(step, name, value, decimals, unit, (least, most), settles, heard)| Event::ReadingTaken {
                step,
                name,
                value,
                decimals,
                unit,
                least,
                most,
                settles,
                heard,
            })
            .boxed(),
        33 => (text(), heard()).prop_map(|(step, heard)| Event::HoldBegun { step, heard }).boxed(),
        34 => (texts(), text()).prop_map(|(steps, because)| Event::CheckAsked { steps, because }).boxed(),
        35 => (text(), text(), heard())
            .prop_map(|(step, answer, heard)| Event::StepChecked { step, answer, heard })
            .boxed(),
        36 => (text(), text(), proptest::option::of(text()))
            .prop_map(|(step, text, wav)| Event::NoteKept { step, text, wav })
            .boxed(),
        37 => (text(), any::<u64>(), heard())
            .prop_map(|(name, length_ms, heard)| Event::TimerStarted { name, length_ms, heard })
            .boxed(),
        38 => text().prop_map(|name| Event::TimerRanOut { name }).boxed(),
        39 => (text(), any::<u64>(), heard())
            .prop_map(|(name, ran_ms, heard)| Event::TimerEnded { name, ran_ms, heard })
            .boxed(),
        40 => (text(), heard()).prop_map(|(card, heard)| Event::CardStarted { card, heard }).boxed(),
        41 => text().prop_map(|card| Event::CardEnded { card }).boxed(),
        42 => text().prop_map(|step| Event::Explained { step }).boxed(),
        44 => text().prop_map(|person| Event::TurnedTo { person }).boxed(),
        45 => prop::collection::vec((text(), stands()), 0..4)
            .prop_map(|things| Event::RigRecalled { things: things.into_iter().collect() })
            .boxed(),
        46 => heard().prop_map(|heard| Event::RigAgreed { heard }).boxed(),
        47 => (text(), stands(), heard())
            .prop_map(|(thing, stands, heard)| Event::ThingTold { thing, stands, heard })
            .boxed(),
        48 => {
            (text(), text(), heard()).prop_map(|(step, answer, heard)| Event::NotHere { step, answer, heard }).boxed()
        }
        49 => texts().prop_map(|steps| Event::StretchOffered { steps }).boxed(),
        50 => (text(), prop::sample::select(Demand::ALL.to_vec()), heard())
            .prop_map(|(person, cannot, heard)| Event::LimitTold { person, cannot, heard })
            .boxed(),
        51 => {
            (text(), text(), heard()).prop_map(|(step, person, heard)| Event::CannotDo { step, person, heard }).boxed()
        }
        52 => prop::collection::vec(remark(), 0..4).prop_map(|remarks| Event::RemarksRecalled { remarks }).boxed(),
        53 => (text(), text(), heard()).prop_map(|(step, text, heard)| Event::NoteDone { step, text, heard }).boxed(),
        55 => (any::<u16>(), texts()).prop_map(|(station, people)| Event::StationJoined { station, people }).boxed(),
        56 => (any::<u16>(), texts()).prop_map(|(station, people)| Event::StationLeft { station, people }).boxed(),
        54 => (text(), heard()).prop_map(|(person, heard)| Event::LimitsLifted { person, heard }).boxed(),
        _ => event_of_kind(2).prop_map(|event| Event::Rehearsed { event: Box::new(event) }).boxed(),
    }
}

/// A small generator of random numbers (SplitMix64), so that a failing round can be repeated from its seed.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % below
    }
}
