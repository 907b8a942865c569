//! The picture and the page of a plan: nothing lies upon anything else, nothing is cut off, and every time is the plan's.

use crate::plan_support::{at, by_ten, hand, planned, ten, unknown, words, work_of};
use crate::world::cast;
use rstest::rstest;
use sparehand::plan::away::{AwayPlan, Wanted, seconds_from};
use sparehand::plan::simulate::simulate;
use sparehand::plan::timeline;
use sparehand::plan::work::PlannedPerson;
use sparehand::rig::Role;

/// Leaving a site by the built-in routines.
fn leaving(rig: &str, hands: &[PlannedPerson], wanted: Wanted) -> AwayPlan {
    let rig = cast::rig(rig);
    let routines = ["morning-inside", "morning-outside", "hitch-up", "last-look"].map(|name| cast::routine(name, &rig));
    let [inside, outside, hitch, look] = &routines;
    planned(work_of(&[vec![inside, outside], vec![hitch], vec![look]], hands, &unknown()), wanted, &unknown(), 1_000)
}

fn people(count: usize) -> Vec<PlannedPerson> {
    let all = [
        hand("Rowan", &[Role::Outside, Role::Driver]),
        hand("Imre", &[Role::Inside]),
        hand("Somebody with rather a long name", &[Role::Spotter]),
    ];
    if count == 1 { vec![hand("Rowan", &[])] } else { all[..count].to_vec() }
}

/// With a dawn on the way.
fn at_dawn() -> Wanted {
    Wanted { light_from: Some(at("07:30")), light_until: Some(at("18:00")), ..by_ten() }
}

struct Text {
    class: String,
    x: f64,
    y: f64,
    anchored_at_its_end: bool,
    text: String,
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let from = tag.find(&format!(" {name}=\""))? + name.len() + 3;
    Some(tag[from..].split('"').next()?.to_owned())
}

fn number(tag: &str, name: &str) -> f64 {
    attribute(tag, name).and_then(|value| value.parse().ok()).unwrap_or_else(|| panic!("{name} in {tag}"))
}

fn texts(svg: &str) -> Vec<Text> {
    let tags = svg.match_indices("<text").map(|(at, _)| &svg[at..]);
    let text = |rest: &str| {
        let (tag, more) = rest.split_once('>').unwrap();
        Text {
            class: attribute(tag, "class").unwrap(),
            x: number(tag, "x"),
            y: number(tag, "y"),
            anchored_at_its_end: attribute(tag, "text-anchor").is_some(),
            text: more.split('<').next().unwrap().to_owned(),
        }
    };
    tags.map(text).collect()
}

impl Text {
    /// From left to right, by the widest letters that browsers are likely to take, those of DejaVu Sans: over the names in the pictures
    /// of three of the example rigs at most 7.26 pixels in the mean of a name, 8.2 where it is bold, 9.5 in the size of people's names
    /// (its own metrics, read with Pillow 13).
    fn reach(&self) -> (f64, f64) {
        let letter = match self.class.as_str() {
            "lane" => 9.5,
            "mark-label" => 8.2,
            _ => 7.3,
        };
        let wide = self.text.chars().count() as f64 * letter;
        if self.anchored_at_its_end { (self.x - wide, self.x) } else { (self.x, self.x + wide) }
    }

    fn lies_upon(&self, other: &Self) -> bool {
        let ((from, until), (other_from, other_until)) = (self.reach(), other.reach());
        (self.y - other.y).abs() < 12.0 && from < other_until && other_from < until
    }
}

#[rstest]
fn no_name_lies_upon_another_or_is_cut_off(
    #[values("motorhome-towed-car", "fifth-wheel", "van-no-sewer")] rig: &str,
    #[values(1, 2, 3)] count: usize,
    #[values(true, false)] dawn: bool,
) {
    let wanted = if dawn { at_dawn() } else { by_ten() };
    let svg = timeline::svg(&leaving(rig, &people(count), wanted), &words());
    let (wide, high) = (number(&svg[svg.find("<svg").unwrap()..], "width"), number(&svg, "height"));
    let texts = texts(&svg);
    assert!(texts.len() > 20, "{}", texts.len());
    for (n, one) in texts.iter().enumerate() {
        let (from, until) = one.reach();
        assert!(from >= 0.0 && until <= wide && (12.0..=high).contains(&one.y), "'{}' is cut off", one.text);
        for other in &texts[..n] {
            assert!(!one.lies_upon(other), "'{}' lies upon '{}'", one.text, other.text);
        }
        let name_of_a_person = one.class == "lane";
        assert!(name_of_a_person || !one.text.contains('\u{2026}') || count == 3, "'{}' is shortened", one.text);
    }
}

/// Each bar stands where its time says, by the scale that the start and the wanted end give.
#[test]
fn every_bar_and_every_name_is_at_its_time() {
    let first_light = at("08:45");
    let plan = leaving("motorhome-towed-car", &people(2), Wanted { light_from: Some(first_light), ..by_ten() });
    let svg = timeline::svg(&plan, &words());
    let named = |what: &str| texts(&svg).into_iter().find(|text| text.text.starts_with(what)).unwrap();
    let clock = |moment| plan.wanted.local(moment).strftime("%-H:%M").to_string();
    for (what, moment) in [
        ("start ", plan.start.unwrap()),
        ("usually done ", plan.usual_end()),
        ("away by ", ten()),
        ("light from ", first_light),
    ] {
        assert_eq!(named(what).text, format!("{what}{}", clock(moment)));
    }
    let (top, bottom) = (named("start ").y - 4.0, named("away by ").y - 4.0);
    let y = |moment| top + (bottom - top) * seconds_from(plan.begin(), moment) / seconds_from(plan.begin(), ten());
    let bars: Vec<(f64, f64)> = svg
        .match_indices("<rect class=\"bar")
        .map(|(at, _)| (number(&svg[at..], "y"), number(&svg[at..], "y") + number(&svg[at..], "height")))
        .collect();
    let mut count = 0;
    for (i, &(from, until)) in plan.spans.iter().enumerate() {
        let near =
            |bar: &&(f64, f64)| (bar.0 - y(from)).abs() < 0.2 && (bar.1 - y(until).max(y(from) + 1.0)).abs() < 0.2;
        let found = bars.iter().filter(near).count();
        assert!(found >= plan.people(i).len(), "{}: {found} bars", plan.work.chores[i].key);
        count += plan.people(i).len();
    }
    assert_eq!(bars.len(), count);
    let names: Vec<Text> = texts(&svg).into_iter().filter(|text| text.class == "name").collect();
    for (i, chore) in plan.work.chores.iter().enumerate().filter(|(i, _)| plan.people(*i).len() == 1) {
        // The first of a section in its lane begins its name, or an earlier one of the same section did.
        let known = |text: &&Text| text.text.to_lowercase().contains(&chore.section.to_lowercase());
        assert!(names.iter().any(|text| known(&text)), "{}: {}", chore.key, plan.spans[i].0);
    }
    assert!(names.iter().any(|text| text.text.starts_with(&format!("{} ", clock(plan.begin())))));
}

#[test]
fn the_page_names_the_day_and_gives_lengths_a_unit() {
    let plan = leaving("travel-trailer", &people(2), by_ten());
    let page = timeline::page(&plan, &words(), &[]);
    assert!(page.contains("<h1>Saturday, 2 May 2026, away by 10:00</h1>"), "the day's name by the calendar");
    let lengths: Vec<&str> =
        page.split("<span class=\"lasts\">").skip(1).map(|rest| rest.split('<').next().unwrap().trim()).collect();
    let entries: usize = (0..plan.spans.len()).map(|i| plan.people(i).len()).sum();
    assert_eq!(lengths.len(), entries);
    for length in lengths {
        assert!(length.ends_with(" s") || length.ends_with(" min"), "'{length}' could be a time of day");
    }
    assert!(!page.contains("Dashed"), "nothing here goes on with everybody's hands free");
}

#[test]
fn what_is_critical_shows_without_colour() {
    let plan = leaving("travel-trailer", &people(2), by_ten());
    let svg = timeline::svg(&plan, &words());
    let width = |class: &str| -> Vec<f64> {
        let tag = format!("<rect class=\"{class}\"");
        svg.match_indices(&tag).map(|(at, _)| number(&svg[at..], "width")).collect()
    };
    let (critical, ordinary) = (width("bar critical"), width("bar"));
    assert!(!critical.is_empty() && !ordinary.is_empty());
    assert!(critical.iter().all(|wide| ordinary.iter().all(|narrow| wide > narrow)));
    assert!(timeline::page(&plan, &words(), &[]).contains("Wide bar: critical."));
}

/// What is called usual is the middle of mornings that the plan has not drawn. Within 3.29 deviations of the binomial distribution for
/// each of the two drawings, and half a minute of rounding.
#[rstest]
fn half_of_the_mornings_are_done_when_it_says_that_one_is_usually_done(
    #[values("motorhome-towed-car", "travel-trailer", "fifth-wheel", "van-no-sewer")] rig: &str,
    #[values(None, Some("06:40"))] dawn: Option<&str>,
) {
    let plan = leaving(rig, &people(2), Wanted { light_from: dawn.map(at), ..by_ten() });
    let mornings = simulate(&plan.work, &plan.arranged, &unknown().morning(), 4_000, 99);
    let begin = seconds_from(ten(), plan.begin());
    let light = plan.wanted.light();
    let end = seconds_from(ten(), plan.usual_end());
    let done = |by: f64| mornings.chance(begin, by, &light);
    let within = 3.29 * 0.5 * (1.0 / 4_000.0_f64 + 1.0 / 1_000.0).sqrt();
    assert!(
        done(end + 30.0) >= 0.5 - within && done(end - 30.0) <= 0.5 + within,
        "{} {}",
        done(end - 30.0),
        done(end + 30.0)
    );
    let said = words().sentences(&plan, 3, None).join(" ");
    let clock = plan.wanted.local(plan.usual_end()).strftime("%-H:%M").to_string();
    if plan.start.is_some() {
        assert!(said.contains(&format!("half of the mornings are done by {clock}.")), "{said}");
    }
}

/// Where first light is what holds the end back, nobody is sent out hours before it for a minute.
#[test]
fn where_the_light_makes_it_late_the_start_is_the_latest_that_costs_hardly_more() {
    let plan = leaving("fifth-wheel", &people(1), Wanted { light_from: Some(at("09:30")), ..by_ten() });
    assert_eq!(plan.start, None);
    let end = |start| seconds_from(plan.soonest_end, plan.end(0.8, start)) / 60.0;
    let later = |minutes: i64| plan.soonest_start.checked_add(jiff::SignedDuration::from_mins(minutes)).unwrap();
    assert!(end(plan.soonest_start) <= 10.0 && end(later(3)) > 9.0, "{} {}", end(plan.soonest_start), end(later(3)));
    let clock = plan.wanted.local(plan.soonest_start).strftime("%-H:%M").to_string();
    let said = words().sentences(&plan, 0, None);
    assert!(said[0].contains(&format!("Start at {clock}, and 80 of 100 mornings are away by ")), "{said:?}");
    assert_eq!(plan.begin(), plan.soonest_start, "and so it is drawn");
    let too_late_for_that = later(20);
    let said = words().sentences(&plan, 0, Some(too_late_for_that));
    let now = plan.wanted.local(too_late_for_that).strftime("%-H:%M").to_string();
    assert!(said[0].contains(&format!("Start at {now},")), "{said:?}");
}
