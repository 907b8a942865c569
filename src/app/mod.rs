//! Joins the parts. The only module that knows all the others.

pub mod hear_command;
