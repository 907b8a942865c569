//! When to begin, so as to be away on time. Pure: routines, people, past times and a wanted time in; a plan out.
//!
//! The way through it:
//! 1. [`durations`]: how long each person takes for each step, from past runs and the routine's file.
//! 2. [`work`]: the steps of the routines as chores, with who can do each and what waits for what.
//! 3. [`arrange`]: who does what in which order; the shortest schedule by the usual times ([`solve`], [`project`]).
//! 4. [`luck`] and [`simulate`]: many mornings of that schedule with times as they turn out; the latest start that is in time in 50, 80 and
//!    95 of 100.
//! 5. [`away`]: all of that as one plan; [`words`] says it, [`timeline`] draws it, [`calendar`] writes it for a calendar.
//!
//! [`sky`] says from when until when it is light. While the move is under way, [`outlook`] answers whether it is on time. [`belief`] and [`critical_path`] hold the textbook
//! methods (PERT, CPM) that the rest stands on.
//!
//! Walking from one place to another is not reckoned apart: a step's time runs from its call to its answer, and the way to it is
//! in that, in the journal as in the files.

pub mod arrange;
pub mod away;
pub mod belief;
mod bounds;
pub mod calendar;
pub mod calendar_duration;
pub mod critical_path;
pub mod durations;
mod list_schedule;
pub mod luck;
pub mod outlook;
mod picture;
mod practice;
pub mod project;
mod rounds;
pub mod simulate;
pub mod sky;
pub mod solve;
mod steps;
pub mod timeline;
pub mod words;
pub mod work;
