//! The plan of the morning: what it promises, measured against other methods and published tables.

mod carry;
mod command;
mod durations;
#[path = "../journal_support/mod.rs"]
mod journal_support;
mod methods;
mod order;
mod picture;
#[path = "../plan_support/mod.rs"]
mod plan_support;
mod practice;
mod promise;
#[path = "../say_common/mod.rs"]
mod say_common;
mod waits;
mod wall_clock;
mod words;
mod work;
#[path = "../world/mod.rs"]
mod world;
