//! Routines and rigs: what is read from their files, refused, checked and changed.

mod bad_files;
mod built_in;
mod changes;
mod lint;
mod lint_command;
mod order;
mod practice;
mod rig_interview;
#[path = "../routine_support/mod.rs"]
mod routine_support;
