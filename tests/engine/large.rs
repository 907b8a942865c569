//! What is far larger than anybody's works like the rest.

use crate::world::cast::{self, alone, movement, two};
use crate::world::own::{self, anywhere};
use sparehand::engine::Move;
use sparehand::rig::Rig;

#[test]
fn a_routine_of_5_000_steps_is_read_and_answered() {
    let steps: Vec<_> = (0..5_000)
        .map(|step| anywhere().done(&format!("s{step}"), &format!("Do thing {step}."), "thing is done"))
        .collect();
    let mut world = cast::world(Move::single(own::load(&own::text("long", "the long one", &steps))), alone(true));
    for step in 0..20 {
        assert_eq!(world.step(), format!("s{step}"));
        world.hear("thing is done");
    }
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
    let world = cast::world(movement("leave", &rig.taking_part(2)), two(true));
    assert!(!world.last_said().is_empty());
}
