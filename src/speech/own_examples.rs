//! What a person's own examples say for and against a phrase: how much nearer an utterance is to their example of it than to
//! their other examples. Pure.
//!
//! Examples and utterances are the encoder states of the speech in them, compared by dynamic time warping (Sakoe and Chiba 1978) over
//! cosine distances. What was measured, and what was tried and dropped, stands in docs/hearing/learned.md.

use serde::{Deserialize, Serialize};

use crate::engine::output::PhraseClass;

/// Number of the method; what was learned by another is not used.
pub const METHOD: u32 = 1;

/// Most by which the log odds of a phrase are raised. Critical ones get half of it; those of one word, of which there is too little
/// to go by, nothing.
pub const MOST_SOONER: f32 = 2.0;

/// Most by which they are lowered; those of an emergency, which sounds as it may, are not.
pub const MOST_LATER: f32 = 1.0;

/// Encoder states of the speech in an utterance, a row of `width` for each frame of about 42 ms, each row of length 1.
#[derive(Clone, Debug, PartialEq)]
pub struct States {
    rows: Vec<f32>,
    width: usize,
}

impl States {
    /// The states of the speech in `samples`, of which the encoder made `states` (rows of `width`). `None` where there is nothing.
    ///
    /// Speech begins and ends where a frame stands twice above the quiet ones, and is not far below the loudest.
    pub fn of_speech(samples: &[f32], states: &[f32], width: usize) -> Option<Self> {
        let frames = states.len().checked_div(width)?;
        if frames == 0 || samples.len() < frames {
            return None;
        }
        let levels: Vec<f32> = (0..frames).map(|at| level_of(samples, frames, at)).collect();
        let mut sorted = levels.clone();
        sorted.sort_by(f32::total_cmp);
        let loudest = *sorted.last()?;
        let limit = (STANDS_OUT * sorted[(frames - 1) * 15 / 100]).max(LEAST_SHARE * loudest);
        let first = levels.iter().position(|level| *level > limit).unwrap_or(0);
        let last = levels.iter().rposition(|level| *level > limit).unwrap_or(frames - 1);
        let (from, to) = (first.saturating_sub(1), (last + 2).min(frames));
        let mut rows = states[from * width..to * width].to_vec();
        rows.chunks_exact_mut(width).for_each(to_length_one);
        Some(Self { rows, width })
    }

    /// Rows.
    pub fn frames(&self) -> usize {
        self.rows.len() / self.width
    }

    /// How far this is from `other`: the mean cosine distance along the best way through both, 0 (the same) to 1 and more; each
    /// frame of either counts. Infinite where the widths differ.
    pub fn distance(&self, other: &Self) -> f32 {
        if self.width != other.width || self.rows.is_empty() || other.rows.is_empty() {
            return f32::INFINITY;
        }
        let columns = other.frames();
        let mut before = vec![f32::INFINITY; columns + 1];
        before[0] = 0.0;
        for row in self.rows.chunks_exact(self.width) {
            let mut now = vec![f32::INFINITY; columns + 1];
            for (at, column) in other.rows.chunks_exact(other.width).enumerate() {
                let likeness: f32 = row.iter().zip(column).map(|(a, b)| a * b).sum();
                now[at + 1] = 1.0 - likeness + before[at].min(before[at + 1]).min(now[at]);
            }
            before = now;
        }
        before[columns] / (self.frames() + columns) as f32
    }

    /// As text: two hexadecimal digits a figure, 127 for the largest of its row.
    pub fn packed(&self) -> Packed {
        let mut text = String::with_capacity(2 * self.rows.len());
        for row in self.rows.chunks_exact(self.width) {
            let largest = row.iter().fold(f32::MIN_POSITIVE, |largest, figure| largest.max(figure.abs()));
            for figure in row {
                let step = (figure / largest * 127.0).round() as i8;
                text.push_str(&format!("{:02x}", step.cast_unsigned()));
            }
        }
        Packed { width: self.width, rows: text }
    }
}

/// [`States`] as they stand in a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Packed {
    /// Figures in a row.
    pub width: usize,
    /// All rows, two hexadecimal digits a figure.
    pub rows: String,
}

impl Packed {
    /// The states; `None` where these are no whole rows of figures.
    pub fn unpacked(&self) -> Option<States> {
        let whole = self.width > 0 && !self.rows.is_empty() && self.rows.len().is_multiple_of(2 * self.width);
        if !whole || !self.rows.is_ascii() {
            return None;
        }
        let digits = |at: usize| u8::from_str_radix(&self.rows[at..at + 2], 16).ok();
        let figures: Option<Vec<f32>> =
            (0..self.rows.len()).step_by(2).map(|at| Some(f32::from(digits(at)?.cast_signed()))).collect();
        let mut rows = figures?;
        rows.chunks_exact_mut(self.width).for_each(to_length_one);
        Some(States { rows, width: self.width })
    }
}

/// A line as a person said it.
#[derive(Clone, Debug, PartialEq)]
pub struct Example {
    /// What was said.
    pub line: String,
    /// What it was like.
    pub states: States,
}

/// The examples of everybody who may be speaking: nobody's, one person's, or several people's.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OwnExamples {
    people: Vec<Vec<Example>>,
}

impl OwnExamples {
    /// Of the people who may be speaking, each of whom may have none.
    pub fn of(people: Vec<Vec<Example>>) -> Self {
        Self { people }
    }

    /// Whether they say nothing about any phrase.
    pub fn are_none(&self) -> bool {
        self.people.iter().all(Vec::is_empty)
    }

    /// By how much the log odds that `phrase`, of `class`, was said are raised (or lowered, negative) by what was `heard`. `means_it`
    /// tells which lines mean the same as the phrase, and are no rivals.
    ///
    /// Where several people may be speaking it is what holds for all of them: what raises least, what lowers least, or nothing.
    pub fn weigh(&self, phrase: &str, class: PhraseClass, heard: &States, means_it: impl Fn(&str) -> bool) -> f32 {
        let mut each = self.people.iter().map(|examples| of_one(examples, phrase, class, heard, &means_it));
        let Some(first) = each.next() else { return 0.0 };
        each.fold(first, |all, one| {
            if all.signum() == one.signum() && all != 0.0 && one != 0.0 {
                all.signum() * all.abs().min(one.abs())
            } else {
                0.0
            }
        })
    }
}

fn of_one(
    examples: &[Example],
    phrase: &str,
    class: PhraseClass,
    heard: &States,
    means_it: &impl Fn(&str) -> bool,
) -> f32 {
    let distance = |of: &dyn Fn(&str) -> bool| {
        let those = examples.iter().filter(|example| of(&example.line));
        those.map(|example| example.states.distance(heard)).fold(f32::INFINITY, f32::min)
    };
    let own = distance(&|line| line == phrase);
    let rival = distance(&|line| line != phrase && !means_it(line));
    if !own.is_finite() || !rival.is_finite() {
        return 0.0;
    }
    let most = match (phrase.contains(' '), class) {
        (false, _) => 0.0,
        (true, PhraseClass::Critical) => MOST_SOONER / 2.0,
        (true, _) => MOST_SOONER,
    };
    let least = if class == PhraseClass::Emergency { 0.0 } else { -MOST_LATER };
    let weighed = (NATS_A_DISTANCE * (rival - own - EVEN)).clamp(least, most);
    // What is far from every example is nothing that was read, whichever it is nearest to.
    if own > FARTHEST { weighed.min(0.0) } else { weighed }
}

fn to_length_one(row: &mut [f32]) {
    let length = row.iter().map(|figure| figure * figure).sum::<f32>().sqrt();
    if length > 0.0 {
        row.iter_mut().for_each(|figure| *figure /= length);
    }
}

/// Root mean square of frame `at` of `frames` of about equal length; the first ones have the sample that is left over.
fn level_of(samples: &[f32], frames: usize, at: usize) -> f32 {
    let (len, over) = (samples.len() / frames, samples.len() % frames);
    let start = at * len + at.min(over);
    crate::hear::noise::rms(&samples[start..start + len + usize::from(at < over)])
}

/// Fitted by logistic regression beside the log odds, on made-up people (docs/hearing/learned.md).
const NATS_A_DISTANCE: f32 = 60.0;
/// The lead of the own example at which it says neither yes nor no.
const EVEN: f32 = 0.012;
/// Of 100 right answers in wind at 5 dB about ten are farther than this from their own example, of others' talk nine in ten.
const FARTHEST: f32 = 0.105;
/// Where speech begins and ends: over the level that 15 of 100 frames are below (6 dB), and as a share of the loudest (-22 dB).
const STANDS_OUT: f32 = 2.0;
const LEAST_SHARE: f32 = 0.08;

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of length one at these angles, in degrees, in the plane.
    fn at_angles(degrees: &[f32]) -> States {
        let rows = degrees.iter().flat_map(|angle| [angle.to_radians().cos(), angle.to_radians().sin()]).collect();
        States { rows, width: 2 }
    }

    fn example(line: &str, degrees: &[f32]) -> Example {
        Example { line: line.to_owned(), states: at_angles(degrees) }
    }

    /// "valve closed" at 0 degrees, "valve open" at 90.
    fn person() -> Vec<Example> {
        vec![example("valve closed", &[0.0, 10.0]), example("valve open", &[90.0, 100.0])]
    }

    fn weighed(people: Vec<Vec<Example>>, phrase: &str, heard: &[f32], class: PhraseClass) -> f32 {
        OwnExamples::of(people).weigh(phrase, class, &at_angles(heard), |_| false)
    }

    #[test]
    fn the_distance_of_time_warping_is_that_of_the_way_reckoned_by_hand() {
        // 0 and 90 degrees against 0, 0, 90: the slow beginning costs nothing.
        let (fast, slow) = (at_angles(&[0.0, 90.0]), at_angles(&[0.0, 0.0, 90.0]));
        assert!(fast.distance(&slow).abs() < 1e-6);
        assert_eq!(fast.distance(&slow), slow.distance(&fast));
        // 0 and 60 degrees against 60: 1 - cos 60 + 0, over three frames.
        assert!((at_angles(&[0.0, 60.0]).distance(&at_angles(&[60.0])) - 0.5 / 3.0).abs() < 1e-6);
        assert!(at_angles(&[0.0]).distance(&States { rows: vec![1.0, 0.0, 0.0], width: 3 }).is_infinite());
    }

    #[test]
    fn what_is_like_the_own_example_is_taken_sooner_and_what_is_like_another_later() {
        assert_eq!(weighed(vec![person()], "valve closed", &[0.0, 10.0], PhraseClass::Ordinary), MOST_SOONER);
        assert_eq!(weighed(vec![person()], "valve closed", &[90.0, 100.0], PhraseClass::Ordinary), -MOST_LATER);
        assert_eq!(
            weighed(vec![person()], "valve closed", &[0.0, 10.0], PhraseClass::Critical),
            MOST_SOONER / 2.0,
            "where it can hurt"
        );
    }

    #[test]
    fn one_word_is_never_taken_sooner_and_still_speaks_against_others() {
        let people = || vec![vec![example("yes", &[0.0]), example("not yet", &[90.0])]];
        assert_eq!(weighed(people(), "yes", &[0.0], PhraseClass::Ordinary), 0.0);
        assert_eq!(weighed(people(), "yes", &[90.0], PhraseClass::Ordinary), -MOST_LATER);
        assert_eq!(weighed(people(), "not yet", &[0.0], PhraseClass::Ordinary), -MOST_LATER);
    }

    #[test]
    fn an_emergency_is_never_taken_later_however_it_sounds() {
        let people = || vec![vec![example("stop", &[0.0]), example("gas smell", &[45.0]), example("not yet", &[90.0])]];
        for phrase in ["stop", "gas smell"] {
            assert_eq!(weighed(people(), phrase, &[90.0], PhraseClass::Emergency), 0.0, "{phrase}");
            assert_eq!(weighed(people(), phrase, &[90.0], PhraseClass::Ordinary), -MOST_LATER, "{phrase}");
        }
    }

    #[test]
    fn the_bounds_hold_whatever_is_heard() {
        for from in (0..360).step_by(7) {
            for to in (0..360).step_by(11) {
                for phrase in ["valve closed", "valve open", "never read"] {
                    for (class, most) in [
                        (PhraseClass::Ordinary, MOST_SOONER),
                        (PhraseClass::Critical, MOST_SOONER / 2.0),
                        (PhraseClass::Emergency, MOST_SOONER),
                    ] {
                        let found = weighed(vec![person()], phrase, &[from as f32, to as f32], class);
                        assert!((-MOST_LATER..=most).contains(&found), "{phrase} {from} {to}: {found}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_phrase_that_was_not_read_and_a_person_who_learned_nothing_change_nothing() {
        assert_eq!(weighed(vec![person()], "valve dry", &[0.0, 10.0], PhraseClass::Ordinary), 0.0);
        assert_eq!(weighed(vec![], "valve closed", &[0.0, 10.0], PhraseClass::Ordinary), 0.0);
        assert_eq!(
            weighed(vec![vec![example("valve closed", &[0.0])]], "valve closed", &[0.0], PhraseClass::Ordinary),
            0.0,
            "no rival"
        );
        assert!(OwnExamples::default().are_none() && OwnExamples::of(vec![vec![]]).are_none());
    }

    #[test]
    fn what_is_far_from_every_example_is_never_taken_sooner() {
        // 180 degrees is 90 from "valve open" and 180 from "valve closed".
        assert_eq!(weighed(vec![person()], "valve open", &[180.0, 190.0], PhraseClass::Ordinary), 0.0);
    }

    #[test]
    fn of_several_people_only_what_holds_for_all_of_them_counts() {
        let other = vec![example("valve closed", &[0.0, 10.0]), example("valve open", &[8.0, 12.0])];
        let alone = weighed(vec![other.clone()], "valve closed", &[2.0, 10.0], PhraseClass::Ordinary);
        assert!(alone < MOST_SOONER && alone != 0.0);
        let both = weighed(vec![person(), other.clone()], "valve closed", &[2.0, 10.0], PhraseClass::Ordinary);
        assert!(both.abs() <= alone.abs());
        assert_eq!(
            weighed(vec![person(), vec![]], "valve closed", &[0.0, 10.0], PhraseClass::Ordinary),
            0.0,
            "one has learned nothing"
        );
        // Both speak against it: what speaks less counts.
        let less = weighed(vec![other.clone()], "valve open", &[0.0, 10.0], PhraseClass::Ordinary);
        assert!(-MOST_LATER < less && less < -0.5, "{less}");
        assert_eq!(weighed(vec![person(), other], "valve open", &[0.0, 10.0], PhraseClass::Ordinary), less);
    }

    #[test]
    fn lines_of_the_same_meaning_are_no_rivals() {
        let examples = vec![example("all clear", &[0.0]), example("it is clear", &[1.0]), example("not yet", &[90.0])];
        let own = OwnExamples::of(vec![examples]);
        let heard = at_angles(&[0.0]);
        assert!(own.weigh("all clear", PhraseClass::Ordinary, &heard, |_| false) < 0.0);
        assert_eq!(own.weigh("all clear", PhraseClass::Ordinary, &heard, |line| line == "it is clear"), MOST_SOONER);
    }

    #[test]
    fn only_the_frames_of_the_speech_are_kept() {
        // Ten frames of 100 samples, of which the fourth to the sixth are loud.
        let samples: Vec<f32> = (0..1_000).map(|n| if (300..600).contains(&n) { 0.5 } else { 0.001 }).collect();
        let states: Vec<f32> = (0..10).flat_map(|frame| [frame as f32 + 1.0, 0.0]).collect();
        let found = States::of_speech(&samples, &states, 2).unwrap();
        assert_eq!(found.frames(), 5, "with one before and one after");
        assert!(States::of_speech(&samples, &[], 2).is_none() && States::of_speech(&[], &states, 2).is_none());
        assert!(States::of_speech(&samples, &states, 0).is_none());
    }

    #[test]
    fn states_come_back_from_their_text_nearly_the_same_and_damage_is_noticed() {
        let states = at_angles(&[0.0, 33.0, 120.0, 271.0]);
        let packed = states.packed();
        let back = packed.unpacked().unwrap();
        assert!(states.distance(&back) < 1e-4, "{}", states.distance(&back));
        let damaged = |rows: &str, width| Packed { width, rows: rows.to_owned() }.unpacked().is_none();
        assert!(
            damaged("7f0", 2) && damaged("7f007f", 2) && damaged("", 2) && damaged("zz00", 2) && damaged("7f00", 0)
        );
        assert!(damaged("é7f", 2));
    }
}
