//! The wall clock while a move is under way: clocks that go forward and back (in the United States at 2:00 on the second Sunday in March and the
//! first in November, 15 U.S.C. 260a), and a clock that is put right in the middle.

use jiff::Timestamp;
use jiff::civil::time;
use jiff::tz::TimeZone;
use rstest::rstest;
use sparehand::engine::event::{Event, HeardAs};
use sparehand::journal::{Record, Stamp};
use sparehand::setup::places::Places;
use sparehand::setup::planning::{Desk, PlanRequest};
use sparehand::setup::under_way::UnderWay;
use sparehand::units::SessionTime;

fn laid_out(folder: &std::path::Path, hour: i8, minute: i8, now: &str) -> Desk {
    let places = Places {
        config: folder.join("config"),
        data: folder.join("data"),
        cache: folder.join("cache"),
        models: folder.join("models"),
    };
    let asked =
        PlanRequest { routines: vec!["tank-dump".to_owned()], ..PlanRequest::away_by(time(hour, minute, 0, 0)) };
    let zone = TimeZone::posix("EST5EDT,M3.2.0,M11.1.0").unwrap();
    Desk::laid_out(&asked, &places, now.parse().unwrap(), zone).unwrap()
}

#[rstest]
#[case::two_hours_over_the_night_that_loses_one("2026-03-08T05:30:00Z", 3, 30, "2026-03-08T07:30:00Z")]
#[case::a_time_that_does_not_come_that_night_is_the_one_an_hour_on(
    "2026-03-08T05:30:00Z",
    2,
    30,
    "2026-03-08T07:30:00Z"
)]
#[case::four_hours_over_the_night_that_has_one_twice("2026-11-01T04:30:00Z", 3, 30, "2026-11-01T08:30:00Z")]
#[case::of_a_time_that_comes_twice_the_first("2026-11-01T04:30:00Z", 1, 30, "2026-11-01T05:30:00Z")]
#[case::tomorrow_the_day_has_23_hours("2026-03-08T04:00:00Z", 22, 0, "2026-03-09T02:00:00Z")]
#[case::tomorrow_the_day_has_25_hours("2026-11-01T03:00:00Z", 22, 0, "2026-11-02T03:00:00Z")]
fn the_time_to_be_away_by_is_what_the_clock_on_the_wall_will_show(
    #[case] now: &str,
    #[case] hour: i8,
    #[case] minute: i8,
    #[case] expected: &str,
) {
    let folder = tempfile::tempdir().unwrap();
    let plan = laid_out(folder.path(), hour, minute, now).plan().unwrap();
    assert_eq!(plan.wanted.by, expected.parse::<Timestamp>().unwrap());
}

/// A machine that was an hour behind is put right by the network while the first step is being done.
#[test]
fn a_wall_clock_that_jumps_moves_the_time_that_is_left_and_not_the_time_that_was_worked() {
    let folder = tempfile::tempdir().unwrap();
    let desk = laid_out(folder.path(), 11, 0, "2026-05-01T12:00:00Z");
    let plan = desk.plan().unwrap();
    let stamp = |boottime_s: u64, wall: &str| Stamp {
        boot_id: "0f0e0d0c-0000-4000-8000-000000000001".to_owned(),
        boottime_ms: 1_000 * boottime_s,
        wall: wall.to_owned(),
    };
    let offered = Record {
        seq: 0,
        at: SessionTime::ZERO,
        stamp: stamp(100, "2026-05-01T12:00:00Z"),
        event: Event::StepOffered { step: "gloves".to_owned() },
    };
    let run = UnderWay::of("tank-dump", vec![offered]);
    let seen = |stamp: &Stamp| desk.outlook(&plan, &run, stamp).unwrap();
    let slow = seen(&stamp(130, "2026-05-01T12:00:30Z"));
    let right = seen(&stamp(130, "2026-05-01T13:00:30Z"));
    // Reckoned from the wanted time: an hour nearer to it, and as long to go.
    for (slow, right) in [(slow.end_50, right.end_50), (slow.end_80, right.end_80), (slow.end_95, right.end_95)] {
        assert!((right - slow - 3_600.0).abs() < 1e-6, "{slow} s, then {right} s");
    }
    assert_eq!(slow.left, right.left);
    let later = seen(&stamp(130 + 3_600, "2026-05-01T13:00:30Z"));
    assert!(later.end_80 != right.end_80, "an hour of work is another thing than an hour of the wall clock");
    let none = desk.outlook(&plan, &run, &stamp(130, "yesterday")).unwrap_err().to_string();
    assert!(none.contains("found 'yesterday'") && none.contains("set it"), "{none}");
}

#[test]
fn a_step_whose_reading_counts_is_done_and_one_whose_reading_is_to_be_put_right_goes_on() {
    let record = |seq: u64, event: Event| {
        let stamp =
            Stamp { boot_id: "b".to_owned(), boottime_ms: 1_000 * seq, wall: "2026-05-01T12:00:00Z".to_owned() };
        Record { seq, at: SessionTime::from_millis(1_000 * seq), stamp, event }
    };
    let reading = |settles| Event::ReadingTaken {
        step: "tire".to_owned(),
        name: "pressure".to_owned(),
        value: 65,
        decimals: 0,
        unit: "psi".to_owned(),
        least: 60,
        most: 70,
        settles,
        heard: HeardAs::Key,
    };
    let offered = record(0, Event::StepOffered { step: "tire".to_owned() });
    let after = |settles| {
        let run = UnderWay::of("leave", vec![offered.clone(), record(1, reading(settles))]);
        run.done(|_| 20.0)["leave/tire"]
    };
    assert_eq!((after(true).settled, after(true).begun), (1, None));
    assert_eq!((after(false).settled, after(false).begun), (0, Some(20.0)));
}
