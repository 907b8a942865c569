//! What page and program send each other: typed, bounded, versioned. Pure.
//!
//! | direction | form | holds |
//! | --- | --- | --- |
//! | up | binary | 10 to 40 ms of the microphone, with what the page played in the same moments |
//! | up | JSON text | [`Message`]: who it is, a button, how the phone does, a question for the time |
//! | down | binary | sound for the loudspeaker |
//! | down | JSON text | [`ToPage`]: what there is to see, and what to do |
//!
//! All numbers are little endian; samples are 16 bit, so none can be anything but a number.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::server::shown::Shown;

/// Raised with every change that an older page or program would not understand.
pub const VERSION: u32 = 4;
/// Bytes of a binary message from a page, at most.
pub const MOST_BINARY: usize = 4 * 1024;
/// Bytes of a text message from a page, at most.
pub const MOST_TEXT: usize = 1024;

/// One message from a page.
#[derive(Clone, Debug, PartialEq)]
pub enum Up {
    /// What its microphone heard.
    Sound(HeardFrame),
    /// Everything else.
    Message(Message),
}

/// What a page's microphone heard, and what it played in the same moments.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeardFrame {
    /// Counted up by one with each frame; wraps.
    pub number: u32,
    /// Microseconds of sound that the page has taken in before this frame, by the clock of its sound card.
    pub clock_us: u64,
    /// Samples at 48 kHz that the page has played, or thrown away, of all it was sent on this connection; wraps.
    pub taken: u32,
    /// 16 kHz; a multiple of [`PIECE`] samples, [`MOST_SAMPLES`] at most.
    pub mic: Vec<i16>,
    /// As many as of the microphone, or none where nothing was played.
    pub played: Vec<i16>,
}

/// 10 ms at 16 kHz.
pub const PIECE: usize = 160;
/// 40 ms at 16 kHz.
pub const MOST_SAMPLES: usize = 640;

/// A message in words.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Message {
    /// The first one: who looks, and whether their microphone is open.
    Hello {
        /// Of this protocol.
        version: u32,
        /// Who it is, by the names that they have in the run; several share an ear and a mouth. None where nobody is named.
        names: Vec<String>,
        /// What the page is.
        part: PagePart,
    },
    /// A button was pressed, or held for as long as it wants.
    Press {
        /// What it stands for.
        what: Button,
        /// The number of the question that was on the screen.
        question: u64,
        /// What stood on the button.
        words: String,
    },
    /// How the phone does.
    State {
        /// Of its sound.
        sound: SoundState,
    },
    /// Asks for the time of the run; comes back as [`ToPage::Pong`].
    Ping {
        /// Milliseconds by the page's own clock.
        at: f64,
    },
    /// The person is done with this phone.
    Leave {},
}

/// What a page is to its person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PagePart {
    /// Ear, mouth and screen.
    Station,
    /// A screen with buttons; neither hears nor speaks.
    Screen,
}

/// How the sound of a page does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SoundState {
    /// Microphone and loudspeaker work.
    Running,
    /// A call, or another program, has taken them.
    Interrupted,
    /// The microphone is gone or muted by the system.
    Muted,
}

/// What a button stands for: keys of the rig's own screen, named by what stands on them where that differs from step to step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "each is the key of the same name")]
pub enum Button {
    Confirm,
    Other,
    /// Whichever of them has these words.
    Choice,
    /// Of a reading; its words are the digit.
    Digit,
    DropDigit,
    /// Its words are the name of the clock.
    ClockOver,
    /// Its words are the title of the emergency card.
    Card,
    Untested,
    SayAgain,
    Explain,
    HowLong,
    WhatIsLeft,
    WhereAreWe,
    StandBy,
    GoAhead,
    NotYet,
    NotHere,
    Correction,
    Skip,
    Stop,
}

/// A message to a page.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum ToPage {
    /// Answers `Hello`.
    Welcome {
        /// Of this protocol.
        version: u32,
        /// Who it is taken for.
        names: Vec<String>,
        /// What it is taken as.
        part: PagePart,
    },
    /// What there is to see.
    View(Box<Shown>),
    /// Forget at once what is queued for the loudspeaker.
    Hush,
    /// Answers `Ping`.
    Pong {
        /// As it was asked.
        at: f64,
        /// Milliseconds since the run began.
        now: u64,
    },
    /// Somebody of the same name came with another phone, or from another page.
    Superseded,
    /// The page is not taken; why, as the page's words name it.
    Refused {
        /// The reason.
        why: Refusal,
    },
    /// The run is over.
    Over,
}

/// Why a page that is paired is not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Refusal {
    /// It speaks another version of the protocol: it is to be loaded anew.
    Version,
    /// Nobody of this name takes part.
    Stranger,
    /// As many as may be connected are.
    Full,
    /// Nobody can be heard or spoken to on another phone; as a screen it would do.
    NoStation,
    /// The person's station is behind: the page is to come again by itself.
    Busy,
}

/// What is wrong with a message of a page.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum ProtocolError {
    #[error("message of {found} bytes, expected at most {most}")]
    TooLong { found: usize, most: usize },
    #[error("sound message of {found} bytes, expected a head of {HEAD}")]
    NoHead { found: usize },
    #[error("binary message of kind {found}, expected {SOUND_UP}")]
    Kind { found: u8 },
    #[error("sound message with flags {found:#04x}, expected 0 or 1")]
    Flags { found: u8 },
    #[error("sound message of {found} samples, expected a multiple of {PIECE} up to {MOST_SAMPLES}")]
    Samples { found: usize },
    #[error("sound message of {found} bytes, expected {expected} by its head")]
    Length { found: usize, expected: usize },
    #[error("text message that is none of this protocol: {why}")]
    Text { why: String },
}

/// Reads a binary message of a page.
///
/// # Errors
/// Anything but a sound message of exactly the length that its head names.
pub fn read_sound(bytes: &[u8]) -> Result<HeardFrame, ProtocolError> {
    if bytes.len() > MOST_BINARY {
        return Err(ProtocolError::TooLong { found: bytes.len(), most: MOST_BINARY });
    }
    let Some((head, samples)) = bytes.split_first_chunk::<HEAD>() else {
        return Err(ProtocolError::NoHead { found: bytes.len() });
    };
    if head[0] != SOUND_UP {
        return Err(ProtocolError::Kind { found: head[0] });
    }
    let streams = match head[1] {
        0 => 1,
        1 => 2,
        found => return Err(ProtocolError::Flags { found }),
    };
    let count = usize::from(u16::from_le_bytes([head[2], head[3]]));
    if count == 0 || count > MOST_SAMPLES || !count.is_multiple_of(PIECE) {
        return Err(ProtocolError::Samples { found: count });
    }
    let expected = HEAD + 2 * streams * count;
    if bytes.len() != expected {
        return Err(ProtocolError::Length { found: bytes.len(), expected });
    }
    let mut all = samples.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]]));
    let mic = all.by_ref().take(count).collect();
    Ok(HeardFrame {
        number: u32::from_le_bytes([head[4], head[5], head[6], head[7]]),
        clock_us: u64::from_le_bytes([head[8], head[9], head[10], head[11], head[12], head[13], head[14], head[15]]),
        taken: u32::from_le_bytes([head[16], head[17], head[18], head[19]]),
        mic,
        played: all.collect(),
    })
}

/// Writes what [`read_sound`] reads.
pub fn write_sound(frame: &HeardFrame) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(HEAD + 2 * (frame.mic.len() + frame.played.len()));
    let count = u16::try_from(frame.mic.len()).unwrap_or(u16::MAX);
    bytes.extend([SOUND_UP, u8::from(!frame.played.is_empty())]);
    bytes.extend(count.to_le_bytes());
    bytes.extend(frame.number.to_le_bytes());
    bytes.extend(frame.clock_us.to_le_bytes());
    bytes.extend(frame.taken.to_le_bytes());
    bytes.extend(frame.mic.iter().chain(&frame.played).flat_map(|sample| sample.to_le_bytes()));
    bytes
}

/// Reads a text message of a page.
///
/// # Errors
/// Too long, no JSON, or none of [`Message`].
pub fn read_text(text: &str) -> Result<Message, ProtocolError> {
    if text.len() > MOST_TEXT {
        return Err(ProtocolError::TooLong { found: text.len(), most: MOST_TEXT });
    }
    // What was sent may hold what somebody said: only what the reader says of it is told.
    serde_json::from_str(text).map_err(|why| ProtocolError::Text { why: format!("{:?} error", why.classify()) })
}

/// Sound for the loudspeaker of a page: full scale 1, 48 kHz.
pub fn write_speech(samples: &[f32]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(DOWN_HEAD + 2 * samples.len());
    bytes.extend([SOUND_DOWN, 0, 0, 0]);
    let whole = |sample: &f32| (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)).round() as i16;
    bytes.extend(samples.iter().flat_map(|sample| whole(sample).to_le_bytes()));
    bytes
}

/// Reads what [`write_speech`] writes; nothing where it is no such message.
pub fn read_speech(bytes: &[u8]) -> Option<Vec<i16>> {
    let (head, samples) = bytes.split_first_chunk::<DOWN_HEAD>()?;
    (head[0] == SOUND_DOWN && samples.len().is_multiple_of(2))
        .then(|| samples.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]])).collect())
}

const SOUND_UP: u8 = 1;
const SOUND_DOWN: u8 = 2;
/// Kind, flags, count of samples, number, clock, samples taken.
const HEAD: usize = 20;
/// Kind, and three bytes so that samples begin where a page can view them as 16 bit.
const DOWN_HEAD: usize = 4;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn frame() -> impl Strategy<Value = HeardFrame> {
        let samples = |count| proptest::collection::vec(any::<i16>(), count);
        (1..=MOST_SAMPLES / PIECE, any::<(u32, u64, u32, bool)>()).prop_flat_map(move |(pieces, head)| {
            let count = pieces * PIECE;
            (samples(count), samples(if head.3 { count } else { 0 })).prop_map(move |(mic, played)| HeardFrame {
                number: head.0,
                clock_us: head.1,
                taken: head.2,
                mic,
                played,
            })
        })
    }

    proptest! {
        #[test]
        fn sound_that_is_written_is_read_as_it_was(frame in frame()) {
            prop_assert_eq!(read_sound(&write_sound(&frame)), Ok(frame));
        }

        #[test]
        fn no_bytes_are_read_as_more_sound_than_there_may_be(bytes in proptest::collection::vec(any::<u8>(), 0..5_000)) {
            if let Ok(frame) = read_sound(&bytes) {
                prop_assert!(frame.mic.len() <= MOST_SAMPLES && frame.mic.len().is_multiple_of(PIECE));
                prop_assert!(frame.played.is_empty() || frame.played.len() == frame.mic.len());
            }
        }

        #[test]
        fn a_sound_message_that_lost_or_gained_a_byte_is_refused(frame in frame(), at in any::<prop::sample::Index>()) {
            let bytes = write_sound(&frame);
            prop_assert!(read_sound(&bytes[..at.index(bytes.len())]).is_err());
            prop_assert!(read_sound(&[bytes, vec![0]].concat()).is_err());
        }

        #[test]
        fn no_text_makes_the_reader_fall_over_or_gives_back_what_was_in_it(text in "\\PC{0,1200}") {
            if let Err(error) = read_text(&text) {
                prop_assert!(text.len() < 40 || !error.to_string().contains(&text));
            }
        }
    }

    #[test]
    fn each_fault_of_a_sound_message_is_named() {
        let whole =
            write_sound(&HeardFrame { number: 1, clock_us: 2, taken: 3, mic: vec![0; 320], played: Vec::new() });
        let with = |at: usize, byte: u8| {
            let mut bytes = whole.clone();
            bytes[at] = byte;
            read_sound(&bytes).unwrap_err()
        };
        assert_eq!(with(0, 9), ProtocolError::Kind { found: 9 });
        assert_eq!(with(1, 2), ProtocolError::Flags { found: 2 });
        assert_eq!(with(1, 1), ProtocolError::Length { found: 660, expected: 1_300 });
        assert_eq!(with(2, 0x41), ProtocolError::Samples { found: 321 });
        assert_eq!(read_sound(&[1, 0]), Err(ProtocolError::NoHead { found: 2 }));
        assert_eq!(read_sound(&vec![1; 5_000]), Err(ProtocolError::TooLong { found: 5_000, most: 4_096 }));
    }

    #[test]
    fn a_page_says_who_it_is_and_what_was_pressed() {
        assert_eq!(
            read_text(r#"{"kind":"hello","version":4,"names":["Rowan"],"part":"station"}"#),
            Ok(Message::Hello { version: 4, names: vec!["Rowan".to_owned()], part: PagePart::Station })
        );
        assert_eq!(
            read_text(r#"{"kind":"press","what":"confirm","question":7,"words":"cap on"}"#),
            Ok(Message::Press { what: Button::Confirm, question: 7, words: "cap on".to_owned() })
        );
        for wrong in [
            r#"{"kind":"press","what":"end_run","question":7,"words":""}"#,
            r#"{"kind":"press","what":"confirm","question":-1,"words":""}"#,
            r#"{"kind":"press","what":"confirm","question":7}"#,
            r#"{"kind":"leave","more":1}"#,
            "[]",
            "",
        ] {
            assert!(matches!(read_text(wrong), Err(ProtocolError::Text { .. })), "{wrong}");
        }
        let long = format!(r#"{{"kind":"hello","version":4,"names":["{}"],"part":"screen"}}"#, "x".repeat(1_024));
        assert!(matches!(read_text(&long), Err(ProtocolError::TooLong { .. })));
    }

    #[test]
    fn speech_is_full_scale_at_one_and_never_beyond() {
        let bytes = write_speech(&[0.0, 1.0, -1.0, 7.0, f32::NAN]);
        assert_eq!(read_speech(&bytes).unwrap(), [0, 32_767, -32_767, 32_767, 0]);
    }
}
