//! The program live on real devices of a sound server of its own, with people who speak: whole sessions in real time.

mod echo;
mod faults;
mod morning;
mod server;
mod session;
mod support;
