//! Routines and rigs: what is read from their files, refused, checked and changed.

mod bad_files;
mod beside_a_move;
mod built_in;
mod changes;
mod glossary;
mod lint;
mod order;
mod practice;
mod proof_command;
mod rig_interview;
#[path = "../routine_support/mod.rs"]
mod routine_support;
mod spelling;
