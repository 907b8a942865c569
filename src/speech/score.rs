//! Scores the allowed phrases against a stretch of sound.
//!
//! The decoder is also a language model, so short common words win in noise. From every score a share of what the model
//! would say to mere background is taken, token by token; the beam compares these differences at equal depth.

use std::collections::HashMap;
use std::path::Path;

use ort::environment::Environment;

use crate::decide::ranking::{FreeDecode, PhraseScore, Ranking};
use crate::hear::noise;
use crate::speech::acoustic::{Acoustic, AcousticError, DecoderStep, EncodedSound, SHORTEST};
use crate::speech::own_examples::States;
use crate::speech::phrases::WrittenForms;
use crate::speech::tokens::{END, Tokens, TokensError};
use crate::speech::tree::{Node, Tree};

/// The speech model with the background it is corrected for.
pub struct Scorer {
    acoustic: Acoustic,
    tokens: Tokens,
    settings: ScoreSettings,
    forms: HashMap<String, WrittenForms>,
    generic: Vec<Backdrop>,
    actual: Option<Backdrop>,
}

/// How scores are made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScoreSettings {
    /// Share of the background's score that is taken off, 0 to 1.
    pub prior_weight: f32,
    /// Beginnings that are followed.
    pub beam: Beam,
    /// Tokens after which the free decode is given up.
    pub free_limit: usize,
}

impl Default for ScoreSettings {
    fn default() -> Self {
        Self { prior_weight: 0.7, beam: Beam { width: 8.0, most: 16 }, free_limit: 24 }
    }
}

/// Which beginnings of phrases are followed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beam {
    /// Those that fall this far (nats) behind the best of equal depth are dropped.
    pub width: f32,
    /// Most of equal depth: the bound on time when noise keeps everything close together.
    pub most: usize,
}

/// A list of phrases, made ready to be scored.
#[derive(Clone, Debug, Default)]
pub struct Prepared {
    tree: Tree,
}

impl Scorer {
    /// Opens the model in `folder`, with generic noise as the background.
    ///
    /// # Errors
    /// A file is missing or is not what it should be.
    pub fn load(environment: &Environment, folder: &Path, settings: ScoreSettings) -> Result<Self, ScoreError> {
        let tokens = Tokens::load(&folder.join("tokenizer.bin"))?;
        let mut acoustic = Acoustic::load(environment, folder)?;
        let mut generic = Vec::new();
        for seed in 1..=GENERIC_CLIPS {
            let sound = acoustic.listen(&noise::pink(seed, BACKDROP_LEN, GENERIC_RMS))?;
            generic.push(Backdrop::new(sound));
        }
        Ok(Self { acoustic, tokens, settings, forms: HashMap::new(), generic, actual: None })
    }

    /// Takes `samples`, sound without speech from where the microphone is now, as the background from here on.
    ///
    /// # Errors
    /// Fewer samples than the model takes, or the runtime fails; the background stays as it was.
    pub fn set_background(&mut self, samples: &[f32]) -> Result<(), ScoreError> {
        let sound = self.acoustic.listen(samples)?;
        self.actual = Some(Backdrop::new(sound));
        Ok(())
    }

    /// Builds the tree of `phrases`.
    pub fn prepare<S: AsRef<str>>(&mut self, phrases: &[S]) -> Prepared {
        let mut forms = Vec::with_capacity(phrases.len());
        for phrase in phrases {
            let phrase = phrase.as_ref();
            let known = self.forms.entry(phrase.to_owned()).or_insert_with(|| WrittenForms::of(phrase, &self.tokens));
            forms.push(known.clone());
        }
        Prepared { tree: Tree::new(&forms) }
    }

    /// Computes what is not known yet of the background's score for `prepared`; later calls find it. Costs up to about
    /// 1.5 ms for each token that is new to the background.
    ///
    /// # Errors
    /// The runtime fails.
    pub fn warm(&mut self, prepared: &Prepared) -> Result<(), ScoreError> {
        let everything = vec![true; prepared.tree.nodes().len()];
        for backdrop in self.generic.iter_mut().chain(&mut self.actual) {
            backdrop.learn(&mut self.acoustic, &prepared.tree, &everything)?;
        }
        Ok(())
    }

    /// Takes in `samples`, and lets the decoder take one step: all weights have been used then, for less than scoring costs.
    ///
    /// # Errors
    /// Fewer samples than the model takes, or the runtime fails.
    pub fn warm_up(&mut self, samples: &[f32]) -> Result<(), ScoreError> {
        let sound = self.acoustic.listen(samples)?;
        let (likeliest, _) = sound.begun().likeliest(0);
        self.acoustic.step(&sound, sound.begun(), &[(0, likeliest)])?;
        Ok(())
    }

    /// Scores the phrases against `samples`, an utterance with 200 to 300 ms of real sound before and after the word.
    ///
    /// # Errors
    /// Fewer samples than the model takes, or the runtime fails.
    pub fn rank(&mut self, samples: &[f32], prepared: &Prepared) -> Result<Ranking, ScoreError> {
        let heard = self.acoustic.listen(samples)?;
        let tree = &prepared.tree;
        let everything = vec![true; tree.nodes().len()];
        for backdrop in &mut self.generic {
            backdrop.learn(&mut self.acoustic, tree, &everything)?;
        }
        let generic: Vec<Vec<NodeScores>> = self.generic.iter().map(|backdrop| backdrop.lines(tree)).collect();
        let share = self.settings.prior_weight;
        // An actual background that was not warmed is reckoned with only where the beam has been.
        let prior: Vec<f32> = (0..tree.nodes().len())
            .map(|at| {
                let assumed = mean(generic.iter().map(|lines| lines[at].prefix));
                let known = self.actual.as_ref().and_then(|backdrop| backdrop.known.get(&tree.nodes()[at].prefix));
                share * blend(assumed, known.map(|lines| lines.prefix))
            })
            .collect();
        let select = Select::Beam { prior: &prior, beam: self.settings.beam };
        // A decode much longer than every phrase shows talk, whatever it goes on to say.
        let free_limit = self.settings.free_limit.min(tree.levels().len() + FREE_SURPLUS);
        let (lines, free) = walk(&mut self.acoustic, &heard, tree, select, free_limit)?;

        let visited: Vec<bool> = lines.iter().map(|line| line.end.is_finite()).collect();
        let assumed: Vec<Vec<f32>> =
            generic.iter().map(|lines| phrase_totals(tree, &where_true(&visited, lines))).collect();
        let actual = match &mut self.actual {
            Some(backdrop) => {
                backdrop.learn(&mut self.acoustic, tree, &visited)?;
                Some(phrase_totals(tree, &where_true(&visited, &backdrop.lines(tree))))
            }
            None => None,
        };
        let phrases = phrase_totals(tree, &lines).into_iter().enumerate().map(|(phrase, raw)| {
            let assumed = mean(assumed.iter().map(|totals| totals[phrase]));
            let background = blend(assumed, actual.as_ref().map(|totals| totals[phrase]));
            let corrected = if raw.is_finite() { raw - share * background } else { f32::NEG_INFINITY };
            PhraseScore { raw, corrected }
        });
        let phrases = phrases.collect();
        let free = FreeDecode {
            text: self.tokens.decode(&free.tokens),
            log_prob: free.log_prob,
            tokens: free.tokens,
            complete: free.complete,
        };
        Ok(Ranking { phrases, free })
    }

    /// What the model spells with.
    pub fn tokens(&self) -> &Tokens {
        &self.tokens
    }

    /// What the speech in `samples` is like, to be kept as an example or compared with one; `None` where there is none. About 20 ms.
    ///
    /// # Errors
    /// Fewer samples than the model takes, or the runtime fails.
    pub fn states_of_speech(&mut self, samples: &[f32]) -> Result<Option<States>, ScoreError> {
        let sound = self.acoustic.listen(samples)?;
        let (states, width) = sound.states()?;
        Ok(States::of_speech(samples, states, width))
    }
}

/// A background, with the scores it gave so far.
struct Backdrop {
    sound: EncodedSound,
    known: HashMap<Vec<u32>, NodeScores>,
}

/// Scores at one node of the tree.
#[derive(Clone, Copy, Debug)]
struct NodeScores {
    /// Log probability of all tokens up to the node.
    prefix: f32,
    /// The same with the end token after them.
    end: f32,
}

impl Backdrop {
    fn new(sound: EncodedSound) -> Self {
        Self { sound, known: HashMap::new() }
    }

    /// Scores the `chosen` nodes of `tree` that are new.
    fn learn(&mut self, acoustic: &mut Acoustic, tree: &Tree, chosen: &[bool]) -> Result<(), AcousticError> {
        let new = |(node, &chosen): (&Node, &bool)| chosen && !self.known.contains_key(&node.prefix);
        let mut wanted: Vec<bool> = tree.nodes().iter().zip(chosen).map(new).collect();
        if !wanted.contains(&true) {
            return Ok(());
        }
        // The way to a new node must be walked too; parents come before their children.
        for (at, node) in tree.nodes().iter().enumerate().rev() {
            if let (true, Some(parent)) = (wanted[at], node.parent) {
                wanted[parent] = true;
            }
        }
        let (lines, _) = walk(acoustic, &self.sound, tree, Select::Nodes(&wanted), 0)?;
        for ((node, lines), _) in tree.nodes().iter().zip(lines).zip(&wanted).filter(|(_, wanted)| **wanted) {
            // What was known stays, so that no score changes under a set that is in force.
            self.known.entry(node.prefix.clone()).or_insert(lines);
        }
        Ok(())
    }

    fn lines(&self, tree: &Tree) -> Vec<NodeScores> {
        let nothing = NodeScores { prefix: f32::NEG_INFINITY, end: f32::NEG_INFINITY };
        tree.nodes().iter().map(|node| self.known.get(&node.prefix).copied().unwrap_or(nothing)).collect()
    }
}

/// `lines` where marked, and nothing elsewhere.
fn where_true(marked: &[bool], lines: &[NodeScores]) -> Vec<NodeScores> {
    let nothing = NodeScores { prefix: f32::NEG_INFINITY, end: f32::NEG_INFINITY };
    marked.iter().zip(lines).map(|(&marked, &lines)| if marked { lines } else { nothing }).collect()
}

/// Which nodes of a tree are followed.
enum Select<'a> {
    /// The marked ones.
    Nodes(&'a [bool]),
    /// Those within the beam, by their score less the background's share at the node.
    Beam { prior: &'a [f32], beam: Beam },
}

struct Free {
    tokens: Vec<u32>,
    log_prob: f32,
    complete: bool,
}

/// Scores the nodes of `tree`, and decodes freely beside them.
fn walk(
    acoustic: &mut Acoustic,
    sound: &EncodedSound,
    tree: &Tree,
    select: Select,
    free_limit: usize,
) -> Result<(Vec<NodeScores>, Free), AcousticError> {
    let nothing = NodeScores { prefix: f32::NEG_INFINITY, end: f32::NEG_INFINITY };
    let mut lines = vec![nothing; tree.nodes().len()];
    let mut row_of = vec![None; tree.nodes().len()];
    let mut free = Free { tokens: Vec::new(), log_prob: 0.0, complete: false };
    let mut free_row = (free_limit > 0).then_some(0);
    let mut last: Option<DecoderStep> = None;
    for depth in 0.. {
        let step = last.as_ref().unwrap_or(sound.begun());
        let mut moves: Vec<(usize, u32)> = Vec::new();
        let mut moved: Vec<usize> = Vec::new();
        for &at in tree.levels().get(depth).map_or(&[][..], Vec::as_slice) {
            let node = &tree.nodes()[at];
            let (before, row) = match node.parent {
                None => (0.0, Some(0)),
                Some(parent) => (lines[parent].prefix, row_of[parent]),
            };
            if let Some(row) = row {
                lines[at].prefix = before + step.log_prob(row, node.token);
                moves.push((row, node.token));
                moved.push(at);
            }
        }
        let keep: Vec<bool> = match &select {
            Select::Nodes(wanted) => moved.iter().map(|&at| wanted[at]).collect(),
            Select::Beam { prior, beam } => {
                let gain = |at: usize| lines[at].prefix - prior[at];
                let mut gains: Vec<f32> = moved.iter().map(|&at| gain(at)).collect();
                gains.sort_by(|a, b| b.total_cmp(a));
                let best = gains.first().copied().unwrap_or(0.0);
                let least = gains.get(beam.most.saturating_sub(1)).copied().unwrap_or(f32::NEG_INFINITY);
                moved.iter().map(|&at| gain(at) >= least.max(best - beam.width)).collect()
            }
        };
        retain_marked(&mut moves, &keep);
        retain_marked(&mut moved, &keep);
        if let Some(row) = free_row {
            let (token, log_prob) = step.likeliest(row);
            free.log_prob += log_prob;
            free.complete = token == END;
            free_row = None;
            if !free.complete && free.tokens.len() < free_limit {
                free.tokens.push(token);
                let shared = moves.iter().position(|&step| step == (row, token));
                free_row = Some(shared.unwrap_or_else(|| {
                    moves.push((row, token));
                    moves.len() - 1
                }));
            }
        }
        if moves.is_empty() {
            break;
        }
        let next = acoustic.step(sound, step, &moves)?;
        for (row, &at) in moved.iter().enumerate() {
            row_of[at] = Some(row);
            lines[at].end = lines[at].prefix + next.log_prob(row, END);
        }
        last = Some(next);
    }
    Ok((lines, free))
}

fn retain_marked<T>(all: &mut Vec<T>, keep: &[bool]) {
    let mut marks = keep.iter();
    all.retain(|_| marks.next().copied().unwrap_or(false));
}

/// Log probability of each phrase in any of its written forms.
fn phrase_totals(tree: &Tree, lines: &[NodeScores]) -> Vec<f32> {
    let mut totals = vec![f32::NEG_INFINITY; tree.phrases()];
    for (node, line) in tree.nodes().iter().zip(lines) {
        for &phrase in &node.ends {
            totals[phrase] = log_add(totals[phrase], line.end);
        }
    }
    totals
}

/// Mean of log probabilities, as probabilities.
fn mean(values: impl ExactSizeIterator<Item = f32>) -> f32 {
    let count = values.len() as f32;
    values.fold(f32::NEG_INFINITY, log_add) - count.ln()
}

/// The background to reckon with: half of it is always the assumed one, so that speech which slipped into the sample of the
/// actual one cannot suppress a phrase altogether.
fn blend(assumed: f32, actual: Option<f32>) -> f32 {
    actual.map_or(assumed, |actual| 0.5 * (assumed + actual))
}

fn log_add(a: f32, b: f32) -> f32 {
    let (low, high) = if a < b { (a, b) } else { (b, a) };
    if low == f32::NEG_INFINITY { high } else { high + (low - high).exp().ln_1p() }
}

/// Why nothing could be scored.
#[derive(Debug, thiserror::Error)]
pub enum ScoreError {
    /// The table of tokens cannot be used.
    #[error(transparent)]
    Tokens(#[from] TokensError),
    /// The model fails.
    #[error(transparent)]
    Acoustic(#[from] AcousticError),
}

const FREE_SURPLUS: usize = 4;
const GENERIC_CLIPS: u64 = 3;
const GENERIC_RMS: f32 = 0.01;
/// Samples of a background: about the length of an answer.
const BACKDROP_LEN: usize = 12 * SHORTEST;
