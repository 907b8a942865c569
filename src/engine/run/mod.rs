//! The facts of a run: what there is to do, what has been done, and what may be done next. Knows no words: what is said and
//! heard is [`dialogue`](super::dialogue)'s.

pub(super) mod apply;
mod gate;
pub mod joined;
mod limits;
pub mod move_file;
mod order;
pub mod people;
pub mod practice;
mod remarks;
pub(super) mod standing;
pub(super) mod state;
mod stretch;
mod unasked;
