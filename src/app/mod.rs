//! Joins everyone; the only folder that knows them all.

pub mod say_command;
