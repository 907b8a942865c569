//! A mixer and a voice in one: what is needed is made while it is waited for. For files, rehearsals and whatever else has time to wait; a live
//! station has its sentences made elsewhere ([`synthesiser`](crate::speech::synthesiser)).

use std::sync::Arc;
use std::time::Duration;

use crate::engine::output::{Priority, Utterance, VoiceSettings};
use crate::say::loudness::LoudnessError;
use crate::say::mixer::{CutStyle, FRAME, Mixer, MixerEvent, SentenceId, Urgency};
use crate::say::signals::{Earcon, Signals};
use crate::speech::voice::prepare::{Preparation, PrepareError, Workbench};

/// The speaking side of a program that waits for it.
pub struct Speaker {
    mixer: Mixer,
    bench: Workbench,
    /// The sentence after the one that sounds, made step by step, so that no frame waits for a whole synthesis.
    ahead: Option<(SentenceId, Preparation)>,
    /// First sentence of what was said last.
    newest: Option<String>,
}

impl Speaker {
    /// A speaker with nothing to say.
    ///
    /// # Errors
    ///
    /// The alarm signals cannot be made.
    pub fn new(bench: Workbench, settings: VoiceSettings) -> Result<Self, LoudnessError> {
        let mixer = Mixer::new(bench.reader(), Arc::new(Signals::new()?), settings);
        Ok(Self { mixer, bench, ahead: None, newest: None })
    }

    /// Whether anything is being said or waits to be.
    pub fn is_speaking(&self) -> bool {
        self.mixer.is_speaking()
    }

    /// As [`Mixer::has_sound`].
    pub fn has_sound(&self) -> bool {
        // What is not there yet is made while it is rendered.
        self.mixer.has_sound() || self.mixer.is_speaking()
    }

    /// As [`Mixer::pass`].
    pub fn pass(&mut self, span: Duration) {
        self.mixer.pass(span);
    }

    /// The settings in force, within their ranges.
    pub fn settings(&self) -> VoiceSettings {
        self.mixer.settings()
    }

    /// Says an utterance: at once if nothing of its priority or above is being said, else in its turn.
    pub fn say(&mut self, utterance: Utterance) {
        self.mixer.say(utterance);
    }

    /// Stops what is being said, and forgets what waits, at this priority or below.
    pub fn hush(&mut self, priority: Priority, style: CutStyle) {
        self.mixer.hush(priority, style);
    }

    /// As [`Mixer::set_voice`].
    pub fn set_voice(&mut self, settings: VoiceSettings) {
        self.mixer.set_voice(settings);
    }

    /// As [`Mixer::duck`].
    pub fn duck(&mut self, span: Duration) {
        self.mixer.duck(span);
    }

    /// Plays a short sound over whatever is heard.
    pub fn earcon(&mut self, earcon: Earcon) {
        self.mixer.earcon(earcon);
    }

    /// Computes what is not in the cache yet of these texts, at the present speed, so that it is there when it is said.
    /// Takes as long as that takes: about 20 ms a sentence. Gives the errors of the sentences that cannot be said.
    pub fn pre_synthesise(&mut self, texts: &[String]) -> Vec<PrepareError> {
        let speed = self.settings().speed;
        let sentences: Vec<String> = texts.iter().flat_map(|text| self.bench.voice().sentences(text)).collect();
        sentences.iter().filter_map(|sentence| self.bench.sentence(sentence, speed).err()).collect()
    }

    /// Makes a sentence ready for nothing but to be awake: after seconds of quiet what it takes has left the processor's caches, and the first
    /// sentence comes later by as long as several take. Takes what the newest sentence took, from the cache; nothing where none was said yet.
    pub fn warm_up(&mut self) {
        if let Some(sentence) = self.newest.clone()
            && let Err(error) = self.bench.sentence(&sentence, self.settings().speed)
        {
            tracing::debug!(%error, "warmed up by a sentence that cannot be said");
        }
    }

    /// Makes the next 10 ms, and whatever sentence has to be there for that. Full scale is 1; the peaks stay below it whatever the volume.
    pub fn render(&mut self, out: &mut [f32; FRAME]) -> Vec<MixerEvent> {
        let mut done = 0;
        loop {
            done += self.mixer.advance(&mut out[done..]);
            if done == FRAME {
                break;
            }
            self.make_what_is_needed();
        }
        self.prepare_ahead();
        let events = self.mixer.finish_frame(out);
        for event in &events {
            if let MixerEvent::Started { sentence: 0, words, .. } = event {
                self.newest = Some(words.clone());
            }
        }
        events
    }

    /// The sentence without which nothing goes on.
    fn make_what_is_needed(&mut self) {
        while let Some(request) = self.mixer.poll() {
            let begun = self.ahead.take_if(|(id, _)| *id == request.id).map(|(_, begun)| begun);
            let preparation = begun.unwrap_or_else(|| Preparation::new(&request.text, request.speed));
            if request.urgency == Urgency::Ahead {
                self.ahead = Some((request.id, preparation));
                continue;
            }
            let made = preparation.finish(&mut self.bench);
            self.mixer.synthesised(request.id, made.map(Arc::from).map_err(Into::into));
        }
    }

    /// One step towards the next sentence while this one plays.
    fn prepare_ahead(&mut self) {
        self.forget();
        if self.ahead.is_none()
            && let Some(request) = self.mixer.poll()
        {
            self.ahead = Some((request.id, Preparation::new(&request.text, request.speed)));
        }
        let Some((id, mut preparation)) = self.ahead.take() else { return };
        match preparation.step(&mut self.bench) {
            Ok(()) if preparation.is_ready() => {
                let made = preparation.finish(&mut self.bench);
                self.mixer.synthesised(id, made.map(Arc::from).map_err(Into::into));
            }
            Ok(()) => self.ahead = Some((id, preparation)),
            Err(error) => self.mixer.synthesised(id, Err(error.into())),
        }
    }

    fn forget(&mut self) {
        while let Some(id) = self.mixer.poll_forgotten() {
            self.ahead.take_if(|(ahead, _)| *ahead == id);
        }
    }
}
