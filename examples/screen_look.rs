//! Shows the views of the screen tests one after another in a real terminal: a key for the next, Ctrl-C to end.
//!
//! `cargo run --release --example screen_look`

#[path = "../tests/screen_support/mod.rs"]
mod screen_support;

use std::path::Path;

use screen_support::{alarm, choices, clock_running, labels, meters, no_microphone, prompt};
use sparehand::screen::{Ink, Screen, ScreenError, ScreenKey};

fn main() -> Result<(), ScreenError> {
    let (deaf_view, deaf) = no_microphone();
    let views = [
        (prompt(), meters()),
        (clock_running(), meters()),
        (alarm(), meters()),
        (choices(), meters()),
        (deaf_view, deaf),
    ];
    let mut screen = Screen::start(labels(), Ink::from_environment(), Path::new("/dev/null"))?;
    for (view, meters) in views.iter().cycle() {
        loop {
            screen.draw(view, meters)?;
            match screen.poll_key()? {
                Some(ScreenKey::Quit) => return Ok(()),
                Some(_) => break,
                None => pause(),
            }
        }
    }
    Ok(())
}

#[allow(clippy::disallowed_methods, reason = "an example without the program's own driver loop")]
fn pause() {
    std::thread::sleep(std::time::Duration::from_millis(50));
}
