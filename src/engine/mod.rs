//! Decides. One [`Input`](input::Input) in, [`Output`](output::Output)s out; time is passed in; it cannot fail.
//!
//! The run loop, the same for a live run, a rehearsal and a test:
//! 1. `engine.handle(now, input)` with one fact;
//! 2. `engine.poll()` again and again, carrying out each command in order, until it says `Wait(deadline)`;
//! 3. wait for the next fact, or until the deadline, then pass `Input::Woke`; back to 1.
//!
//! `Record` is answered by `Recorded` or `RecordFailed`; only then does the engine take the event over and speak of it.

mod answers;
mod apply;
mod clocks;
mod commands;
mod consequences;
mod core;
pub mod event;
mod gate;
mod handover;
pub mod input;
pub mod joined;
mod keys;
pub mod move_file;
pub mod numbers;
mod offers;
mod on_time;
mod order;
pub mod output;
pub mod people;
pub mod phrasebook;
pub mod practice;
mod reckon;
mod settle;
mod speech;
mod state;
mod status;
mod ticking;
mod view;
mod vocabulary;

pub use self::core::Engine;
pub use joined::{Leg, Move};
pub use people::Crew;
pub use state::{Ending, RunState, StepState};
pub use view::{Asked, AskedFor};
