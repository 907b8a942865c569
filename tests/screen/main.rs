//! The screen, drawn and in a real terminal.

#[path = "../screen_support/mod.rs"]
mod screen_support;
mod terminal;
mod views;
