//! What a run is set up from: folders, models, prompts, rigs, and what past runs tell. [`clock`] is the only place that reads clocks.

pub mod causes;
pub mod clock;
pub mod left_running;
pub mod models;
pub mod past_runs;
pub mod places;
pub mod planning;
pub mod practised;
pub mod prompts;
pub mod remarks;
pub mod sayable;
pub mod sound;
pub mod standing;
pub mod under_way;
