//! The speaker: what is heard when, by frames of 10 ms.

use std::path::PathBuf;
use std::time::Duration;

use sparehand::engine::output::{AlarmSignal, Priority, SpeechId, Utterance, VoiceSettings};
use sparehand::say::mixer::{CutStyle, FRAME, MixerEvent};
use sparehand::say::signals::Earcon;
use sparehand::speech::speaker::Speaker;
use sparehand::speech::voice::cache::Cache;
use sparehand::speech::voice::prepare::Workbench;

struct Room {
    speaker: Speaker,
    heard: Vec<f32>,
    /// Events with the frame that they came in.
    events: Vec<(usize, MixerEvent)>,
    cache: tempfile::TempDir,
}

impl Room {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let voice = crate::say_common::load_voice();
        let cache = Cache::open(folder.path(), voice.fingerprint()).unwrap();
        let speaker = Speaker::new(Workbench::new(voice, Some(cache)).unwrap(), VoiceSettings::default()).unwrap();
        Self { speaker, heard: Vec::new(), events: Vec::new(), cache: folder }
    }

    fn say(&mut self, id: u64, priority: Priority, text: &str, alarm: Option<AlarmSignal>) {
        self.speaker.say(Utterance { id: SpeechId(id), priority, text: text.into(), alarm });
    }

    fn hear(&mut self, frames: usize) {
        for _ in 0..frames {
            let mut frame = [0.0; FRAME];
            let at = self.heard.len() / FRAME;
            let events = self.speaker.render(&mut frame);
            self.events.extend(events.into_iter().map(|event| (at, event)));
            self.heard.extend(frame);
        }
    }

    /// Sentences that are kept.
    fn kept(&self) -> Vec<PathBuf> {
        let mut folders = vec![self.cache.path().to_owned()];
        let mut files = Vec::new();
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() { folders.push(path) } else { files.push(path) }
            }
        }
        files
    }

    fn hear_to_the_end(&mut self) {
        while self.speaker.is_speaking() {
            self.hear(1);
            assert!(self.heard.len() < FRAME * 6000, "it ends within a minute");
        }
        self.hear(2);
    }

    /// Short names of what happened: "s1.0" started, "f1" finished, "c1" cut, "x1" failed.
    fn story(&self) -> String {
        let names = self.events.iter().map(|(_, event)| match event {
            MixerEvent::Started { id, sentence, .. } => format!("s{}.{sentence}", id.0),
            MixerEvent::Finished(id) => format!("f{}", id.0),
            MixerEvent::Cut(id) => format!("c{}", id.0),
            MixerEvent::Failed { id, .. } => format!("x{}", id.0),
        });
        names.collect::<Vec<_>>().join(" ")
    }

    fn rms(&self, from: usize, frames: usize) -> f32 {
        let part = &self.heard[from * FRAME..(from + frames) * FRAME];
        (part.iter().map(|sample| sample * sample).sum::<f32>() / part.len() as f32).sqrt()
    }

    fn frame_of(&self, name: &str) -> usize {
        let place = self
            .story()
            .split(' ')
            .position(|found| found == name)
            .unwrap_or_else(|| panic!("{name} in {}", self.story()));
        self.events[place].0
    }
}

fn longest_silence(samples: &[f32]) -> usize {
    let mut longest = 0;
    let mut now = 0;
    for sample in samples {
        now = if sample.abs() < 1e-4 { now + 1 } else { 0 };
        longest = longest.max(now);
    }
    longest
}

#[test]
fn sentences_come_in_order_with_a_pause_between_them() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "Put on your gloves. Close the valve. Say valve closed.", None);
    room.hear_to_the_end();
    assert_eq!(room.story(), "s1.0 s1.1 s1.2 f1");
    let between = &room.heard[..];
    let pause = longest_silence(between) as f32 / 48.0;
    assert!((230.0..=420.0).contains(&pause), "{pause} ms");
}

#[test]
fn equals_wait_their_turn_and_what_is_higher_goes_before_what_is_lower() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "First.", None);
    room.hear(10);
    room.say(2, Priority::Chat, "Last.", None);
    room.say(3, Priority::Prompt, "Second.", None);
    room.hear_to_the_end();
    assert_eq!(room.story(), "s1.0 f1 s3.0 f3 s2.0 f2");
}

#[test]
fn a_higher_priority_cuts_a_lower_one_off_within_20_ms_and_without_a_click() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "This is a long sentence that will not be heard to its end.", None);
    room.hear(60);
    assert!(room.rms(40, 20) > 0.02);
    room.say(2, Priority::Caution, "Stop.", None);
    room.hear_to_the_end();
    assert_eq!(room.story(), "s1.0 c1 s2.0 f2");
    assert_eq!(room.frame_of("c1"), 60);
    assert!(room.frame_of("s2.0") <= 60);
    // The new sentence begins with 10 ms of near silence: until then there is only the end of the old one.
    let step = |from: usize, to: usize| {
        room.heard[from..to].windows(2).map(|pair| (pair[0] - pair[1]).abs()).fold(0.0f32, f32::max)
    };
    let (before, after) = (step(30 * FRAME, 60 * FRAME), step(60 * FRAME - 10, 62 * FRAME));
    assert!(after <= before, "largest step between samples {after}, in speech {before}");
    assert!(room.rms(62, 1) < 0.02, "over within 20 ms");
}

// MIL-STD-411F 5.3.6: a higher priority comes first.
#[test]
fn an_alarm_sounds_in_the_very_next_frame_and_its_words_follow() {
    let mut room = Room::new();
    room.say(1, Priority::Caution, "Keep away from the open hose, it may spray.", None);
    room.hear(50);
    room.say(2, Priority::Alarm, "Time is up. Shut off the rinse.", Some(AlarmSignal::Hazard { repeat: 0 }));
    room.hear(3);
    assert!(room.rms(51, 2) > 0.02, "the signal needs no synthesis");
    room.hear_to_the_end();
    assert_eq!(room.story(), "s1.0 c1 s2.0 s2.1 f2");
    let words = room.frame_of("s2.0") - 50;
    assert!((100..200).contains(&words), "words {words} frames after the signal began");
}

#[test]
fn hush_stops_within_20_ms_and_forgets_what_waits_at_that_priority_or_below() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "This is a long sentence that will not be heard to its end.", None);
    room.say(2, Priority::Prompt, "Neither will this.", None);
    room.say(3, Priority::Chat, "Nor this.", None);
    room.hear(60);
    room.speaker.hush(Priority::Prompt, CutStyle::Fade);
    room.hear(20);
    assert!(!room.speaker.is_speaking());
    assert_eq!(room.story(), "s1.0 c1 c2 c3");
    assert!(room.rms(62, 18) < 1e-5);
}

#[test]
fn hush_leaves_what_is_more_important() {
    let mut room = Room::new();
    room.say(1, Priority::Alarm, "Shut off the rinse.", Some(AlarmSignal::Hazard { repeat: 2 }));
    room.hear(5);
    room.speaker.hush(Priority::Caution, CutStyle::Hard);
    room.hear_to_the_end();
    assert_eq!(room.story(), "s1.0 f1");
}

// MIL-STD-1472E 5.3: a volume control must not make an alarm inaudible.
#[test]
fn the_least_volume_leaves_an_alarm_loud() {
    let loudness = |volume_db: f32, priority, alarm| {
        let mut room = Room::new();
        room.speaker.set_voice(VoiceSettings { speed: 1.0, volume_db });
        room.say(1, priority, "Shut off the rinse.", alarm);
        room.hear_to_the_end();
        sparehand::say::loudness::measure(&room.heard, 48_000).unwrap().lufs().unwrap()
    };
    let alarm = loudness(-100.0, Priority::Alarm, Some(AlarmSignal::Hazard { repeat: 0 }));
    let prompt = loudness(-100.0, Priority::Prompt, None);
    assert!(alarm > -21.0, "{alarm} LUFS");
    assert!((-36.0..=-32.0).contains(&prompt), "-18 dB is as far as it goes: {prompt} LUFS");
}

// EBU R 128: at most -1 dBTP.
#[test]
fn the_greatest_volume_does_not_clip() {
    let mut room = Room::new();
    room.speaker.set_voice(VoiceSettings { speed: 1.0, volume_db: 6.0 });
    room.say(1, Priority::Alarm, "Shut off the rinse now.", Some(AlarmSignal::Hazard { repeat: 3 }));
    room.hear(30);
    room.speaker.earcon(Earcon::Heard);
    room.hear_to_the_end();
    let peak = sparehand::say::loudness::true_peak(&room.heard, 48_000).unwrap();
    assert!(peak <= -1.0, "{peak} dBTP");
}

#[test]
fn a_sentence_that_cannot_be_said_is_reported_and_the_others_are_said() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "Close the valve.\nбббб ффф.\nSay closed.", None);
    room.say(2, Priority::Prompt, "", None);
    room.say(3, Priority::Prompt, "🚐 123 [](//) ❓", None);
    room.hear_to_the_end();
    let story = room.story();
    assert!(
        story.contains("s1.0") && story.contains("f1") && story.contains("f2") && story.contains("s3.0"),
        "{story}"
    );
}

#[test]
fn an_earcon_is_heard_over_silence_and_over_speech() {
    let mut room = Room::new();
    room.speaker.earcon(Earcon::Heard);
    room.hear(12);
    assert!(room.rms(0, 10) > 0.005);
    assert!(!room.speaker.is_speaking());
}

#[test]
fn what_was_synthesised_ahead_of_time_is_in_the_cache_and_sounds_the_same() {
    let mut room = Room::new();
    let errors = room.speaker.pre_synthesise(&["Close the valve. Say closed.".to_string()]);
    assert!(errors.is_empty());
    assert_eq!(std::fs::read_dir(room.cache.path()).unwrap().count(), 2);
    room.say(1, Priority::Prompt, "Close the valve. Say closed.", None);
    room.hear_to_the_end();
    let mut fresh = Room::new();
    fresh.say(1, Priority::Prompt, "Close the valve. Say closed.", None);
    fresh.hear_to_the_end();
    assert_eq!(room.heard.len(), fresh.heard.len());
    let apart = room.heard.iter().zip(&fresh.heard).map(|(a, b)| (a - b).abs()).fold(0.0f32, f32::max);
    assert!(apart < 1e-3, "{apart}: 16 bits");
}

#[test]
fn all_of_it_can_be_moved_to_another_thread() {
    fn movable<T: Send>() {}
    movable::<Speaker>();
    movable::<sparehand::audio::playback::Playback>();
    movable::<sparehand::audio::playback::Reference>();
}

// WCAG 2.2 1.4.2 and EN 301 549 5.1.3: speech can be stopped, and its volume changed while it is heard.
#[test]
fn a_changed_volume_is_heard_at_once_and_without_a_step() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "This is a long sentence that goes on and on and on while the volume changes.", None);
    room.hear(100);
    room.speaker.set_voice(VoiceSettings { speed: 1.0, volume_db: -18.0 });
    room.hear(100);
    let (before, after) = (room.rms(40, 60), room.rms(102, 60));
    assert!(after < before / 4.0, "{before} to {after}");
}

#[test]
fn under_its_breath_a_prompt_is_18_db_softer_for_as_long_as_was_said_and_an_alarm_is_not() {
    let said = |ducked: bool, priority: Priority, alarm: Option<AlarmSignal>| {
        let mut room = Room::new();
        room.say(1, priority, "Look at the black valve and at the grey one as well.", alarm);
        room.hear(40);
        if ducked {
            room.speaker.duck(std::time::Duration::from_millis(500));
        }
        room.hear(150);
        room.heard
    };
    let level = |heard: &[f32], from_ms: usize, to_ms: usize| {
        20.0 * f64::from(sparehand::hear::noise::rms(&heard[from_ms * 48..to_ms * 48])).log10()
    };
    let (plain, ducked) = (said(false, Priority::Prompt, None), said(true, Priority::Prompt, None));
    let change = level(&ducked, 450, 850) - level(&plain, 450, 850);
    assert!((change + 18.06).abs() < 0.5, "{change} dB");
    let after = level(&ducked, 950, 1_800) - level(&plain, 950, 1_800);
    assert!(after.abs() < 0.5, "{after} dB");
    let signal = Some(AlarmSignal::Hazard { repeat: 0 });
    let (plain, ducked) = (said(false, Priority::Alarm, signal), said(true, Priority::Alarm, signal));
    assert!((level(&ducked, 450, 850) - level(&plain, 450, 850)).abs() < 0.1);
}

/// The reply to whoever spoke while it was silent, or over its last words.
#[test]
fn what_it_says_to_somebody_who_has_spoken_is_as_loud_as_ever() {
    let reply = |before: fn(&mut Room)| {
        let mut room = Room::new();
        before(&mut room);
        let from = room.heard.len();
        room.say(2, Priority::Prompt, "Grey closed. Look at the black valve.", None);
        room.hear(120);
        sparehand::hear::noise::rms(&room.heard[from..])
    };
    let plain = reply(|_| {});
    let spoken_to = reply(|room| room.speaker.duck(Duration::from_millis(1_500)));
    let spoken_over = reply(|room| {
        room.say(1, Priority::Prompt, "Look at the grey valve.", None);
        room.hear(30);
        room.speaker.duck(Duration::from_millis(1_500));
        room.hear(30);
        room.speaker.hush(Priority::Prompt, CutStyle::Hard);
        room.speaker.duck(Duration::ZERO);
    });
    for level in [spoken_to, spoken_over] {
        let change = 20.0 * (level / plain).log10();
        assert!(change.abs() < 1.0, "{change} dB");
    }
}

#[test]
fn rousing_makes_the_newest_first_sentence_again_and_is_not_heard() {
    let mut room = Room::new();
    room.speaker.warm_up();
    assert!(room.kept().is_empty(), "nothing was said yet");
    room.say(1, Priority::Prompt, "Chock down. Say: chock down.", None);
    room.hear_to_the_end();
    let kept = room.kept();
    assert_eq!(kept.len(), 2);
    kept.iter().for_each(|file| std::fs::remove_file(file).unwrap());
    room.speaker.warm_up();
    assert_eq!(room.kept().len(), 1);
    assert!(!room.speaker.is_speaking());
    let (told, from) = (room.events.len(), room.heard.len());
    room.hear(20);
    assert_eq!(room.events.len(), told);
    assert!(room.heard[from..].iter().all(|sample| *sample == 0.0));
}

#[test]
fn the_next_sentence_is_made_ready_only_once_this_one_sounds() {
    let mut room = Room::new();
    room.say(1, Priority::Prompt, "Chock down, and look at it twice. Say: chock down.", None);
    room.hear(10);
    assert_eq!(room.kept().len(), 1, "after 100 ms");
    room.hear(15);
    assert_eq!(room.kept().len(), 2, "after 250 ms");
}
