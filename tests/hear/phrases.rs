//! Allowed phrases against synthetic voices, clean and in noise, and against talk that is no command.

use crate::hear_support::{ALLOWED, VOICES, Voice, in_noise, models, set, spoken};
use sparehand::onnx::environment;
use sparehand::speech::clip::ClipHearing;
use sparehand::speech::networks::Networks;
use sparehand::speech::score::{Beam, ScoreSettings, Scorer};

fn scorer(settings: ScoreSettings) -> Scorer {
    let models = models();
    let environment = environment(&models).expect("run `sparehand fetch`");
    Scorer::load(&environment, &models.join(&Networks::shipped().phrases), settings).expect("run `sparehand fetch`")
}

fn hearing(phrases: &[&str], settings: ScoreSettings) -> ClipHearing {
    let models = models();
    let environment = environment(&models).expect("run `sparehand fetch`");
    ClipHearing::open(&environment, &models, settings, set(1, phrases).phrases, None).expect("run `sparehand fetch`")
}

/// Right phrases first, and wrong ones accepted, of all phrases by all voices.
fn right_and_wrongly_accepted(snr: f32) -> (usize, usize, usize) {
    let mut hearing = hearing(&ALLOWED, ScoreSettings::default());
    let (mut right, mut wrongly_accepted, mut all) = (0, 0, 0);
    for (at, phrase) in ALLOWED.iter().enumerate() {
        for (number, voice) in VOICES.iter().enumerate() {
            let clip = in_noise(&spoken(phrase, *voice), 0.3, 0.3, snr, (at * 10 + number) as u64);
            let verdict = hearing.hear(&clip).expect("the model scores").verdict;
            all += 1;
            right += usize::from(verdict.best == Some(at));
            wrongly_accepted += usize::from(verdict.best != Some(at) && verdict.accepted.is_some());
        }
    }
    (right, wrongly_accepted, all)
}

#[test]
fn clean_speech_is_recognised() {
    let (right, wrongly_accepted, all) = right_and_wrongly_accepted(40.0);
    assert!(right * 100 >= all * 96, "{right} of {all}");
    assert_eq!(wrongly_accepted, 0);
}

#[test]
fn speech_in_noise_is_recognised_or_left_alone() {
    let (right, wrongly_accepted, all) = right_and_wrongly_accepted(5.0);
    assert!(right * 100 >= all * 75, "{right} of {all}");
    assert!(wrongly_accepted <= 1, "{wrongly_accepted} wrong phrases accepted");
}

/// Sentences about the same things, in the same words: the hardest talk to tell from a command.
const TALK: [&str; 12] = [
    "I told him to close the valve before lunch but he went for a walk",
    "we stopped at a campground with a really nice view of the lake",
    "do you think it is going to rain again this afternoon",
    "the hose they sold us last year was leaking after two weeks",
    "how long does it take to drive to the coast from here",
    "my sister said that the water was off for three days",
    "no I have not seen the dog since this morning",
    "yes and then the neighbours came over with their children",
    "could you hand me the flashlight please it is under the seat",
    "they are going to stand by the gate until we leave",
    "he is done with school next summer and wants to travel",
    "what is left of the sandwiches is in the blue box",
];

#[test]
fn talk_is_never_taken_for_a_phrase_of_two_words_or_more() {
    let mut hearing = hearing(&ALLOWED, ScoreSettings::default());
    for (at, sentence) in TALK.iter().enumerate() {
        let clip = in_noise(&spoken(sentence, VOICES[at % VOICES.len()]), 0.3, 0.3, 30.0, at as u64);
        // The whole sentence, and blind cuts out of it, as a voice detector might make them.
        let mut pieces: Vec<&[f32]> = clip.chunks(19_200).filter(|piece| piece.len() > 8_000).collect();
        pieces.push(&clip);
        for piece in pieces {
            let found = hearing.hear(piece).expect("the model scores");
            let verdict = found.verdict;
            let words = verdict.best.map_or(0, |best| ALLOWED[best].split(' ').count());
            let taken = verdict.accepted.is_some() && words > 1;
            assert!(
                !taken,
                "'{sentence}' ({:?}) was taken for {:?}",
                found.ranking.free.text,
                verdict.best.map(|best| ALLOWED[best])
            );
        }
    }
}

#[test]
fn noise_alone_is_never_a_phrase() {
    let mut hearing = hearing(&ALLOWED, ScoreSettings::default());
    for seed in 100..130 {
        let clip = sparehand::hear::noise::pink(seed, 24_000, 0.003 * (seed % 7 + 1) as f32);
        let verdict = hearing.hear(&clip).expect("the model scores").verdict;
        assert_eq!(verdict.accepted, None, "seed {seed}: {:?}", verdict.best.map(|best| ALLOWED[best]));
    }
}

#[test]
fn the_beam_finds_what_the_whole_tree_finds() {
    let mut narrow = hearing(&ALLOWED, ScoreSettings::default());
    let beam = Beam { width: f32::INFINITY, most: usize::MAX };
    let everything = ScoreSettings { beam, ..ScoreSettings::default() };
    let mut wide = hearing(&ALLOWED, everything);
    let mut same = 0;
    for (at, phrase) in ALLOWED.iter().enumerate() {
        let clip = in_noise(&spoken(phrase, VOICES[at % VOICES.len()]), 0.3, 0.3, 15.0, at as u64);
        let narrow = narrow.hear(&clip).expect("the model scores").verdict;
        let wide = wide.hear(&clip).expect("the model scores").verdict;
        same += usize::from(narrow.best == wide.best);
        // The model's 8-bit sums move with the number of rows; more than 2 nats would be a fault of ours.
        if narrow.best == wide.best {
            assert!((narrow.score - wide.score).abs() < 2.0, "{phrase}: {} and {}", narrow.score, wide.score);
        }
    }
    assert!(same >= 19, "{same} of 20 the same");
}

#[test]
fn the_same_sound_scores_the_same() {
    let clip = in_noise(&spoken("running clear", Voice::Flite("slt")), 0.3, 0.3, 10.0, 1);
    let mut first = scorer(ScoreSettings::default());
    let mut second = scorer(ScoreSettings::default());
    let (a, b) = (first.prepare(&ALLOWED), second.prepare(&ALLOWED));
    let rank = |scorer: &mut Scorer, prepared| scorer.rank(&clip, prepared).expect("the model scores").phrases;
    let once = rank(&mut first, &a);
    assert_eq!(once, rank(&mut first, &a));
    assert_eq!(once, rank(&mut second, &b));
}

#[test]
fn a_number_is_heard_whichever_way_the_model_writes_it() {
    let numbers = ["seventeen", "eighty two", "twenty eight", "four", "five", "ten minutes"];
    let mut hearing = hearing(&numbers, ScoreSettings::default());
    for (at, number) in numbers.iter().enumerate() {
        let clip = in_noise(&spoken(number, Voice::Flite("slt")), 0.3, 0.3, 40.0, at as u64);
        let found = hearing.hear(&clip).expect("the model scores");
        assert_eq!(found.verdict.best, Some(at), "{number}: freely {:?}", found.ranking.free.text);
    }
}
