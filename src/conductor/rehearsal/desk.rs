//! The workers of a rehearsal: what the station asks for is done at once, for time stands still meanwhile.

use std::sync::Arc;

use crate::speech::recogniser::{Recogniser, RecogniserError};
use crate::speech::voice::prepare::{Preparation, Workbench};
use crate::speech::worker::{RecogniserAnswer, Request, Serving};
use crate::station::{StationInput, StationOutput};
use crate::units::StationId;

/// A recogniser and a voice in place.
pub struct RehearsalDesk {
    serving: Serving,
    bench: Workbench,
}

/// What became of something that a station gave.
pub enum Served {
    /// For the station.
    Answered(StationInput),
    /// Nothing is left to do.
    Done,
    /// It is none of the workers' business: for the conductor.
    Told(StationOutput),
}

impl RehearsalDesk {
    /// A desk with this recogniser and this voice.
    pub fn new(recogniser: Box<dyn Recogniser>, bench: Workbench) -> Self {
        Self { serving: Serving::new(recogniser), bench }
    }

    /// Does what the station asks for.
    ///
    /// # Errors
    /// The recogniser fails.
    pub fn serve(&mut self, output: StationOutput) -> Result<Served, RecogniserError> {
        let request = match output {
            StationOutput::Prepare(set) => Request::Prepare(set),
            StationOutput::Look(look) => Request::Look(look),
            StationOutput::WriteDown(request) => Request::WriteDown(request),
            StationOutput::Synthesise(request) => {
                let made = Preparation::new(&request.text, request.speed).finish(&mut self.bench);
                let sound = made.map(Arc::from).map_err(Into::into);
                return Ok(Served::Answered(StationInput::Synthesised { sentence: request.id, sound }));
            }
            // Nothing gets slow by idling where time stands still, and nothing is queued for a device.
            StationOutput::WarmUp(_) | StationOutput::WarmUpVoice | StationOutput::Forget(_) | StationOutput::Flush => {
                return Ok(Served::Done);
            }
            told => return Ok(Served::Told(told)),
        };
        Ok(match self.serving.answer(StationId::RIG, request)? {
            Some(RecogniserAnswer::Looked(look, found)) => Served::Answered(StationInput::Looked { look, found }),
            Some(RecogniserAnswer::WrittenDown(look, text)) => {
                Served::Answered(StationInput::WrittenDown { look, text })
            }
            Some(RecogniserAnswer::NotPrepared(_, why)) => {
                tracing::warn!(why, "a phrase cannot be heard");
                Served::Done
            }
            Some(RecogniserAnswer::Prepared(_)) | None => Served::Done,
        })
    }
}
