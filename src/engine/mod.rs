//! Decides. One [`Input`](input::Input) in, [`Output`](output::Output)s out; time is passed in; it cannot fail.
//!
//! The run loop, the same for a live run, a rehearsal and a test:
//! 1. `engine.handle(now, from, input)` with one fact, and the station that it came from;
//! 2. `engine.poll()` again and again, carrying out each command at the stations of its
//!    [`Audience`](output::Audience), in order, until it says `Wait(deadline)`;
//! 3. wait for the next fact, or until the deadline, then pass `Input::Woke`; back to 1.
//!
//! `Record` is answered by `Recorded` or `RecordFailed`; only then does the engine take the event over and speak of it.
//!
//! - `run/`: the facts, and what may be done next. - `answer/`: a file for each kind of answer. - `dialogue/`: what is said and
//!   heard, a conversation for each station. - `alarm/`: everything that happens because time passes.

#![warn(missing_docs)]

mod alarm;
mod answer;
mod core;
mod dialogue;
pub mod event;
pub mod input;
pub mod output;
pub mod phrasebook;
mod reckon;
mod records;
mod run;

pub use self::core::Engine;
pub use answer::{AskedFor, numbers};
pub use apply::UNTESTED;
pub use dialogue::view::Asked;
pub use joined::{Leg, Move};
pub use people::Crew;
pub use run::standing::{rig_state_after, rig_state_told};
pub use run::{joined, move_file, people, practice};
pub use state::{Ending, Recall, RunState, StepState};

use run::{apply, state};
