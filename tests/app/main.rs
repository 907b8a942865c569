//! The program as a whole, and what its parts do together.

mod fetch_installed;
mod fetch_models;
mod figures_command;
#[path = "../hear_support/mod.rs"]
mod hear_support;
mod killed_program;
mod learn_files;
mod learn_voice;
mod left_running;
mod lint_by_ear;
mod log_page;
mod names;
mod notes;
mod practised;
#[path = "../random_play/mod.rs"]
mod random_play;
mod refused;
mod rehearsal;
mod rig;
mod run_by_keys;
mod sayable;
mod site;
mod soak;
