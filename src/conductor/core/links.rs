//! The devices of each station: what is told of them, and what follows.

use std::collections::BTreeSet;

use crate::conductor::core::{Conductor, Means, Seat};
use crate::conductor::fault::{DeviceNews, DeviceSide};
use crate::conductor::news::Task;
use crate::conductor::talk::TalkLine;
use crate::engine::input::{Input, Key};
use crate::engine::output::SpeechId;
use crate::station::{LinkState, StationInput};
use crate::units::{SessionTime, StationId};

impl Conductor {
    /// What of a station works, by what was told of it.
    pub fn working(&self, id: StationId) -> Vec<DeviceSide> {
        let of = |seat: &Seat| [(DeviceSide::Loudspeaker, seat.loudspeaker), (DeviceSide::Microphone, seat.microphone)];
        let works = self.stations.get(&id).map(of).into_iter().flatten().filter(|(_, link)| *link == LinkState::Works);
        works.map(|(device, _)| device).collect()
    }

    /// What one station was saying is over, unless another still says it.
    pub(super) fn fell_silent(&mut self, now: SessionTime, saying: BTreeSet<SpeechId>) {
        for speech in saying {
            if !self.stations.values().any(|seat| seat.saying.contains(&speech)) {
                self.own_words.is_over(now, speech);
            }
        }
    }

    pub(super) fn device_told(&mut self, now: SessionTime, id: StationId, device: DeviceSide, what: DeviceNews) {
        let by_keys = self.means == Means::Keys && id == StationId::RIG && device == DeviceSide::Loudspeaker;
        if by_keys && what != DeviceNews::Back {
            // Nothing was lost, and nothing is waited for that nobody hears.
            return self.tell(now, id, Input::VoiceLost);
        }
        let link = match what {
            DeviceNews::Lost(_) => LinkState::Lost,
            DeviceNews::Back => LinkState::Works,
            DeviceNews::Overrun(_) => {
                self.slow = Some(now);
                return self.talk(TalkLine::Device { at: now, device, what });
            }
        };
        let Some(seat) = self.stations.get_mut(&id) else { return };
        let known = match device {
            DeviceSide::Microphone => seat.microphone,
            DeviceSide::Loudspeaker => seat.loudspeaker,
        };
        // A loss is told once, by whoever notices it first; but a run by keys never had the loudspeaker that comes.
        if known == link && !by_keys {
            return;
        }
        self.outbox.push_back(Task::Talk(TalkLine::Device { at: now, device, what }));
        match device {
            DeviceSide::Microphone => {
                (seat.microphone, seat.level, seat.silent_since) = (link, None, None);
                if let Some(set) = seat.set.clone().filter(|_| link == LinkState::Works) {
                    self.order(id, StationInput::Listen(set));
                }
                self.hearing(now, id, link);
            }
            DeviceSide::Loudspeaker => {
                seat.loudspeaker = link;
                // A station that fell over tells no more how it ended.
                let (saying, voice) = (std::mem::take(&mut seat.saying), seat.voice);
                self.fell_silent(now, saying);
                if link == LinkState::Works && id == StationId::RIG {
                    self.means = Means::Voice;
                }
                if let Some(voice) = voice.filter(|_| link == LinkState::Works) {
                    self.order(id, StationInput::SetVoice(voice));
                }
                let input = if link == LinkState::Lost { Input::VoiceLost } else { Input::VoiceBack };
                self.tell(now, id, input);
                if link == LinkState::Works {
                    // What was being said is lost: it is said again.
                    self.tell(now, id, Input::KeyPressed(Key::SayAgain));
                }
            }
        }
    }
}
