//! Hearing: echo, phrases, the whole ear, the second engine.

mod command;
mod detector;
mod echo;
#[path = "../hear_support/mod.rs"]
mod hear_support;
mod listener;
mod note;
mod phrases;
mod stations;
mod tokens;
mod vosk;
