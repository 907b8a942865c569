//! The program live on real devices of a sound server of its own, with people who speak: whole sessions in real time.

mod echo;
mod faults;
#[path = "../hear_support/mod.rs"]
mod hear_support;
mod latency;
mod lesson;
mod loudness;
mod loudspeaker;
mod mic;
mod morning;
mod server;
mod session;
mod signals;
mod starved;
mod support;
