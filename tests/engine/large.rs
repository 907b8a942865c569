//! What is far larger than anybody's: it works, in a time that nobody waits for. The bounds are wide, since what is looked for is work that grows
//! with the square of the size.

use std::time::{Duration, Instant};

use crate::world::World;
use crate::world::cast::{self, alone, movement, two};
use crate::world::own::{self, anywhere};
use sparehand::engine::Move;
use sparehand::rig::Rig;

/// Answers so many steps, and says how long that took.
fn answer(world: &mut World, words: impl Fn(usize) -> String, steps: usize) -> Duration {
    let begun = Instant::now();
    (0..steps).for_each(|step| world.hear(&words(step)));
    begun.elapsed()
}

#[test]
fn a_routine_of_5_000_steps_is_read_and_answered() {
    let steps: Vec<_> = (0..5_000)
        .map(|step| anywhere().done(&format!("s{step}"), &format!("Do thing {step}."), "thing is done"))
        .collect();
    let begun = Instant::now();
    let mut world = cast::world(Move::single(own::load(&own::text("long", "the long one", &steps))), alone(true));
    assert_eq!(world.step(), "s0");
    let took = begun.elapsed() + answer(&mut world, |_| "thing is done".to_owned(), 20);
    assert_eq!(world.step(), "s20");
    assert!(took < Duration::from_secs(30), "{took:?}");
}

#[test]
fn a_rig_of_200_slides_with_names_of_any_script_leaves_like_any_other() {
    let letters: Vec<char> = ('a'..='z').collect();
    let slides: String = (0..200)
        .map(|slide| {
            let name = format!("Слайд {}{}", letters[slide / 26], letters[slide % 26]);
            format!("[[slide]]\nname = \"{name}\"\nside = \"driver\"\n")
        })
        .collect();
    let people =
        "[[person]]\nname = \"Żaneta\"\nroles = [\"outside\"]\n[[person]]\nname = \"Людмила\"\nroles = [\"inside\"]\n";
    let rig = Rig::parse("rig.toml", &format!("kind = \"travel-trailer\"\n{people}{slides}")).unwrap();
    assert_eq!(rig.list("slides").map(<[String]>::len), Some(200));
    let begun = Instant::now();
    let world = cast::world(movement("leave", &rig.taking_part(2)), two(true));
    assert!(!world.last_said().is_empty());
    assert!(begun.elapsed() < Duration::from_secs(30), "{:?}", begun.elapsed());
}
