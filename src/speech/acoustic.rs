//! The speech model: sound to encoder states, and decoder steps over many token sequences at once.
//!
//! Moonshine tiny (arXiv 2410.15608): 16 kHz mono samples in, one log probability for each token out. The decoder runs with
//! its cache; the keys and values of the sound are handed in once and shared by every row.

use std::borrow::Cow;
use std::path::Path;

use ort::environment::Environment;
use ort::memory::Allocator;
use ort::session::{Session, SessionInputValue, SessionOutputs};
use ort::value::{Tensor, TensorRef, TensorValueType};

use crate::onnx::{RuntimeError, open_model};
use crate::speech::log_sum::{highest, log_sum_exp};
use crate::speech::tokens::START;

/// One layer's part of a cache.
type KeysAndValues = (Tensor<f32>, Tensor<f32>);

/// Encoder and decoder, one thread each.
pub struct Acoustic {
    encoder: Session,
    decoder: Session,
    names: Vec<CacheNames>,
}

/// A stretch of sound as the decoder sees it.
pub struct EncodedSound {
    /// `[rows, len, WIDTH]`
    hidden: Tensor<f32>,
    /// `[rows, samples]`
    mask: Tensor<i64>,
    /// Keys and values of the sound, in the order of [`Acoustic::names`].
    cross: Vec<KeysAndValues>,
    begun: DecoderStep,
}

impl EncodedSound {
    /// The decoder after its start token: what the first tokens may be.
    pub fn begun(&self) -> &DecoderStep {
        &self.begun
    }

    /// The encoder's states, row after row, and how wide a row is. A row is about 42 ms of sound.
    ///
    /// # Errors
    /// The runtime gave something else than numbers.
    pub fn states(&self) -> Result<(&[f32], usize), AcousticError> {
        let (shape, states) = self.hidden.extract_tensor();
        match **shape {
            [1, _, width] if width > 0 => Ok((states, width as usize)),
            _ => Err(AcousticError::Shape { output: "last_hidden_state", found: shape.to_vec() }),
        }
    }
}

/// What the decoder holds and says after a step, one row a sequence.
pub struct DecoderStep {
    /// `[rows, 1, VOCABULARY]`
    logits: Tensor<f32>,
    log_sums: Vec<f32>,
    states: DecoderCache,
}

impl DecoderStep {
    /// Number of sequences.
    pub fn rows(&self) -> usize {
        self.log_sums.len()
    }

    /// Log probability (nats) of `token` as the next one of sequence `row`.
    pub fn log_prob(&self, row: usize, token: u32) -> f32 {
        self.logits.extract_tensor().1[row * VOCABULARY + token as usize] - self.log_sums[row]
    }

    /// The likeliest next token of sequence `row`, with its log probability.
    pub fn likeliest(&self, row: usize) -> (u32, f32) {
        let logits = &self.logits.extract_tensor().1[row * VOCABULARY..(row + 1) * VOCABULARY];
        let highest = highest(logits);
        let token = logits.iter().position(|&logit| logit == highest).unwrap_or(0);
        (token as u32, highest - self.log_sums[row])
    }
}

/// Decoder cache of a set of rows: for each layer keys and values, `[rows, 8, len, 36]`.
struct DecoderCache {
    len: usize,
    layers: Vec<KeysAndValues>,
}

impl Acoustic {
    /// Opens both models in `folder`.
    ///
    /// # Errors
    /// A file is missing or is not the model it should be.
    pub fn load(environment: &Environment, folder: &Path) -> Result<Self, AcousticError> {
        let encoder = open_model(environment, &folder.join("encoder_model.ort"))?;
        let decoder = open_model(environment, &folder.join("decoder_model_merged.ort"))?;
        Ok(Self { encoder, decoder, names: (0..LAYERS).map(CacheNames::of_layer).collect() })
    }

    /// Encodes `samples` (16 kHz mono, full scale 1.0) and takes the decoder through its start token.
    ///
    /// # Errors
    /// Fewer samples than [`SHORTEST`], or the runtime fails.
    pub fn listen(&mut self, samples: &[f32]) -> Result<EncodedSound, AcousticError> {
        if samples.len() < SHORTEST {
            return Err(AcousticError::TooShort { samples: samples.len() });
        }
        let mask = Tensor::from_array(([1, samples.len()], vec![1_i64; samples.len()]))?;
        let mut encoded = self.encoder.run(ort::inputs! {
            "input_values" => TensorRef::from_array_view(([1, samples.len()], samples))?,
            "attention_mask" => &mask,
        })?;
        let hidden = take_floats(&mut encoded, "last_hidden_state")?;
        drop(encoded);
        let length = match hidden.shape().as_ref() {
            [1, length, WIDTH] => *length as usize,
            other => return Err(AcousticError::Shape { output: "last_hidden_state", found: other.to_vec() }),
        };

        let mut inputs: Vec<(Cow<str>, SessionInputValue)> = vec![
            ("input_ids".into(), Tensor::from_array(([1, 1], vec![i64::from(START)]))?.into()),
            ("encoder_hidden_states".into(), (&hidden).into()),
            ("encoder_attention_mask".into(), (&mask).into()),
            ("use_cache_branch".into(), Tensor::from_array(([1], vec![false]))?.into()),
        ];
        let silence = vec![0.0_f32; HEADS * length * HEAD_WIDTH];
        for name in &self.names {
            for key in name.past_own() {
                let empty = Tensor::<f32>::new(&Allocator::default(), [1, HEADS, 0, HEAD_WIDTH])?;
                inputs.push((key.into(), empty.into()));
            }
            for key in name.past_cross() {
                let zeros = TensorRef::from_array_view(([1, HEADS, length, HEAD_WIDTH], &*silence))?;
                inputs.push((key.into(), zeros.into()));
            }
        }
        let mut outputs = self.decoder.run(inputs)?;
        let mut cross = Vec::with_capacity(LAYERS);
        for name in &self.names {
            let [key, value] = name.present_cross();
            cross.push((take_floats(&mut outputs, key)?, take_floats(&mut outputs, value)?));
        }
        let begun = read_step(&mut outputs, &self.names, 1)?;
        drop(outputs);
        Ok(EncodedSound { hidden, mask, cross, begun })
    }

    /// Takes one more token in each of `moves`: `(row of from, token)`. Row i of the result is the i-th move.
    ///
    /// # Errors
    /// The runtime fails.
    pub fn step(
        &mut self,
        sound: &EncodedSound,
        from: &DecoderStep,
        moves: &[(usize, u32)],
    ) -> Result<DecoderStep, AcousticError> {
        let rows = moves.len();
        let past = from.states.gather(moves);
        let tokens: Vec<i64> = moves.iter().map(|&(_, token)| i64::from(token)).collect();
        let inputs = Self::cached_inputs(&self.names, sound, &past, from.states.len, ([rows, 1], tokens))?;
        let mut outputs = self.decoder.run(inputs)?;
        read_step(&mut outputs, &self.names, rows)
    }

    /// Inputs of a decoder run that goes on from `past` (`len` tokens a row) with `ids`, `[rows, tokens]`.
    fn cached_inputs<'a>(
        names: &'a [CacheNames],
        sound: &'a EncodedSound,
        past: &'a [(Vec<f32>, Vec<f32>)],
        len: usize,
        ids: ([usize; 2], Vec<i64>),
    ) -> Result<Vec<(Cow<'a, str>, SessionInputValue<'a>)>, AcousticError> {
        let shape = [ids.0[0], HEADS, len, HEAD_WIDTH];
        let mut inputs: Vec<(Cow<str>, SessionInputValue)> = vec![
            ("input_ids".into(), Tensor::from_array(ids)?.into()),
            // One row of sound for all rows of text: the matrix products broadcast it.
            ("encoder_hidden_states".into(), (&sound.hidden).into()),
            ("encoder_attention_mask".into(), (&sound.mask).into()),
            ("use_cache_branch".into(), Tensor::from_array(([1], vec![true]))?.into()),
        ];
        for ((name, (keys, values)), (cross_key, cross_value)) in names.iter().zip(past).zip(&sound.cross) {
            let [key, value] = name.past_own();
            inputs.push((key.into(), TensorRef::from_array_view((shape, keys.as_slice()))?.into()));
            inputs.push((value.into(), TensorRef::from_array_view((shape, values.as_slice()))?.into()));
            let [key, value] = name.past_cross();
            inputs.push((key.into(), cross_key.into()));
            inputs.push((value.into(), cross_value.into()));
        }
        Ok(inputs)
    }
}

impl DecoderCache {
    /// Keys and values of the rows that `moves` go on from, layer by layer, in the order of `moves`.
    fn gather(&self, moves: &[(usize, u32)]) -> Vec<(Vec<f32>, Vec<f32>)> {
        let row_len = HEADS * self.len * HEAD_WIDTH;
        let pick = |all: &Tensor<f32>| {
            let all = all.extract_tensor().1;
            let mut picked = Vec::with_capacity(moves.len() * row_len);
            for &(row, _) in moves {
                picked.extend_from_slice(&all[row * row_len..(row + 1) * row_len]);
            }
            picked
        };
        self.layers.iter().map(|(keys, values)| (pick(keys), pick(values))).collect()
    }
}

/// Names of one decoder layer's cache inputs and outputs: `[key, value]`.
struct CacheNames {
    past: [String; 4],
    present: [String; 4],
}

impl CacheNames {
    fn of_layer(layer: usize) -> Self {
        let kinds = ["decoder.key", "decoder.value", "encoder.key", "encoder.value"];
        Self {
            past: kinds.map(|kind| format!("past_key_values.{layer}.{kind}")),
            present: kinds.map(|kind| format!("present.{layer}.{kind}")),
        }
    }

    fn past_own(&self) -> [&str; 2] {
        [&self.past[0], &self.past[1]]
    }

    fn past_cross(&self) -> [&str; 2] {
        [&self.past[2], &self.past[3]]
    }

    fn present_own(&self) -> [&str; 2] {
        [&self.present[0], &self.present[1]]
    }

    fn present_cross(&self) -> [&str; 2] {
        [&self.present[2], &self.present[3]]
    }
}

fn take_floats(outputs: &mut SessionOutputs, name: &str) -> Result<Tensor<f32>, AcousticError> {
    let output = outputs.remove(name).ok_or_else(|| AcousticError::NoOutput { name: name.to_owned() })?;
    Ok(output.downcast::<TensorValueType<f32>>()?)
}

fn read_step(outputs: &mut SessionOutputs, names: &[CacheNames], rows: usize) -> Result<DecoderStep, AcousticError> {
    let logits = take_floats(outputs, "logits")?;
    if logits.shape().as_ref() != [rows as i64, 1, VOCABULARY as i64] {
        return Err(AcousticError::Shape { output: "logits", found: logits.shape().to_vec() });
    }
    let mut layers = Vec::with_capacity(names.len());
    let mut len = 0;
    for name in names {
        let [key, value] = name.present_own();
        let (keys, values) = (take_floats(outputs, key)?, take_floats(outputs, value)?);
        for states in [&keys, &values] {
            match states.shape().as_ref() {
                [own_rows, HEADS_64, own_len, HEAD_WIDTH_64] if *own_rows == rows as i64 => len = *own_len as usize,
                other => return Err(AcousticError::Shape { output: "present", found: other.to_vec() }),
            }
        }
        layers.push((keys, values));
    }
    let log_sums = logits.extract_tensor().1.chunks_exact(VOCABULARY).map(log_sum_exp).collect();
    Ok(DecoderStep { logits, log_sums, states: DecoderCache { len, layers } })
}

/// Why the model gave no answer.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the message says what each field is")]
pub enum AcousticError {
    /// A model file cannot be opened.
    #[error(transparent)]
    Open(#[from] RuntimeError),
    /// There is less sound than the model takes.
    #[error("the sound has {samples} samples, expected at least {SHORTEST}")]
    TooShort { samples: usize },
    /// The model lacks an output.
    #[error("the model gave no output '{name}'; delete the model files and run `sparehand fetch`")]
    NoOutput { name: String },
    /// An output has another shape than it should.
    #[error("the model's output '{output}' has the shape {found:?}; delete the model files and run `sparehand fetch`")]
    Shape { output: &'static str, found: Vec<i64> },
    /// The runtime fails.
    #[error("the speech model failed")]
    Run(#[from] ort::Error),
}

/// Fewest samples that the encoder takes (it needs some frames to look around in): 100 ms.
pub const SHORTEST: usize = 1_600;

/// Number of tokens.
pub const VOCABULARY: usize = 32_768;

const LAYERS: usize = 6;
const HEADS: usize = 8;
const HEAD_WIDTH: usize = 36;
const HEADS_64: i64 = HEADS as i64;
const HEAD_WIDTH_64: i64 = HEAD_WIDTH as i64;
const WIDTH: i64 = 288;
