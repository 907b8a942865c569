//! What the plan says can be heard: every sentence of it goes through the reader of the voice and comes out in words.

use crate::plan_support::{at, by_ten, planned, routine, rowan_and_imre, tank_dump, ten, unknown, words, work_of};
use sparehand::plan::away::{AwayPlan, Wanted};
use sparehand::plan::sky::Sky;
use sparehand::say::NumberReading;

fn heard(sentences: &[String]) -> String {
    let reader = crate::say_common::reader(NumberReading::Everyday);
    sentences.iter().flat_map(|sentence| reader.sentences(sentence)).collect::<Vec<_>>().join(" ")
}

fn morning(wanted: Wanted) -> AwayPlan {
    let inside = routine("cabin", &[("fridge", 5.0, "role = 'inside'"), ("cupboards", 4.0, "role = 'inside'")]);
    let last = routine("look", &[("lights", 3.0, "together = true\ndaylight = true")]);
    let dump = tank_dump();
    planned(work_of(&[vec![&dump, &inside], vec![&last]], &rowan_and_imre(), &unknown()), wanted, &unknown(), 2_000)
}

/// The order of the sentences: when to begin, the light, the long part, who is free; only then how sure that is.
#[test]
fn the_start_comes_first_and_how_sure_it_is_last() {
    let plan = morning(Wanted { light_from: Some(at("06:40")), ..by_ten() });
    let said = heard(&words().sentences(&plan, 12, None));
    let places: Vec<usize> = [
        "To be away by ten o'clock, start at ",
        "It is light from six forty.",
        "is the long part, ",
        "Imre is free from ",
        "eighty of one hundred mornings",
        "This goes by twelve past runs.",
    ]
    .iter()
    .map(|part| said.find(part).unwrap_or_else(|| panic!("'{part}' is not in: {said}")))
    .collect();
    assert!(places.is_sorted(), "{said}");
}

#[test]
fn no_sentence_has_a_figure_or_a_blank_left_in_it() {
    let hours = ["05:00", "06:07", "07:40", "09:59"];
    let light = [None, Some("06:05"), Some("09:50"), Some("11:00")];
    let sky = [Sky::Ordinary, Sky::NeverDark, Sky::NeverLight];
    let mut count = 0;
    for from in light {
        for sky in sky {
            let plan = morning(Wanted { light_from: from.map(at), light_until: Some(at("10:30")), sky, ..by_ten() });
            for now in hours.map(at).into_iter().chain([ten()]) {
                for runs in [0, 1, 12] {
                    let sentences = words().sentences(&plan, runs, Some(now));
                    let said = heard(&sentences);
                    assert!(!said.contains(|c: char| c.is_ascii_digit() || "{};%".contains(c)), "{said}");
                    assert!(
                        sentences.iter().all(|sentence| sentence.split_whitespace().count() <= 22),
                        "{sentences:?}"
                    );
                    count += sentences.len();
                }
            }
        }
    }
    assert!(count > 700, "{count}");
}

#[test]
fn who_it_is_about_is_named_as_the_rig_file_does_and_other_routines_get_their_article() {
    let rig = crate::world::cast::rig("motorhome-towed-car");
    let look = crate::world::cast::routine("last-look", &rig);
    let outside = crate::world::cast::routine("morning-outside", &rig);
    let work = work_of(&[vec![&outside], vec![&look]], &rowan_and_imre(), &unknown());
    let names: Vec<&str> = work.chores.iter().map(|chore| chore.name.as_str()).collect();
    for name in ["Rowan's belt", "Imre's belt", "Biscuit"] {
        assert!(names.contains(&name), "{name}: {names:?}");
    }
    let said = words().sentences(&planned(work, by_ten(), &unknown(), 500), 0, None).join(" ");
    assert!(said.contains("The tank dump is the long part, "), "{said}");
}

#[test]
fn first_light_is_said_only_where_it_is_news() {
    let said = |light: &str| {
        let plan = morning(Wanted { light_from: Some(at(light)), ..by_ten() });
        words().sentences(&plan, 0, None).join(" ")
    };
    assert!(said("06:40").contains("It is light from 6:40.") && !said("03:10").contains("light"), "{}", said("03:10"));
}
