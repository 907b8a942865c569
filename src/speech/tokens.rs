//! Text to the speech model's tokens and back: byte-pair encoding over the pieces in `tokenizer.bin`.
//!
//! The file is a list of length-prefixed byte strings; a piece's place in it is its token id and its merge rank.
//! U+2581 stands for a space, also at the start of a text.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Token that starts every decode.
pub const START: u32 = 1;

/// Token that ends every sentence of the model.
pub const END: u32 = 2;

/// The pieces that the speech model writes in.
#[derive(Clone, Debug)]
pub struct Tokens {
    pieces: Vec<Vec<u8>>,
    ids: HashMap<Vec<u8>, u32>,
}

impl Tokens {
    /// Reads `tokenizer.bin`.
    ///
    /// # Errors
    /// The file cannot be read, ends inside a piece, or has fewer pieces than the control and byte tokens.
    pub fn load(path: &Path) -> Result<Self, TokensError> {
        let bytes = std::fs::read(path).map_err(|source| TokensError::Read { path: path.to_owned(), source })?;
        Self::parse(&bytes).map_err(|fault| TokensError::Format { path: path.to_owned(), fault })
    }

    fn parse(bytes: &[u8]) -> Result<Self, String> {
        let mut pieces = Vec::new();
        let mut at = 0;
        while at < bytes.len() {
            let (len, head) = match bytes[at] {
                short if short < 128 => (usize::from(short), 1),
                low => {
                    let high = bytes.get(at + 1).ok_or_else(|| format!("length cut off at byte {at}"))?;
                    (usize::from(*high) * 128 + usize::from(low) - 128, 2)
                }
            };
            let start = at + head;
            let piece = bytes.get(start..start + len).ok_or_else(|| {
                format!(
                    "piece {} at byte {at} is {len} bytes long, expected at most {}",
                    pieces.len(),
                    bytes.len() - start
                )
            })?;
            pieces.push(piece.to_vec());
            at = start + len;
        }
        if pieces.len() < FIRST_PIECE as usize {
            return Err(format!("{} pieces, expected at least {FIRST_PIECE}", pieces.len()));
        }
        // The byte tokens below FIRST_PIECE repeat the ASCII letters; only real pieces take part in merging.
        let ids = (FIRST_PIECE..).zip(&pieces[FIRST_PIECE as usize..]).filter(|(_, piece)| !piece.is_empty());
        let ids = ids.map(|(id, piece)| (piece.clone(), id)).collect();
        Ok(Self { pieces, ids })
    }

    /// Number of tokens, control tokens included.
    pub fn len(&self) -> usize {
        self.pieces.len()
    }

    /// Whether there are no tokens; never true of a loaded file.
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// Tokens of `text`, without start and end token. Characters outside the pieces become byte tokens.
    ///
    /// Runs of spaces are cut otherwise than the model's own tokenizer does (and still decode to themselves); phrases have none.
    pub fn encode(&self, text: &str) -> Vec<u32> {
        if text.is_empty() {
            return Vec::new();
        }
        let marked: String =
            std::iter::once(SPACE).chain(text.chars().map(|c| if c == ' ' { SPACE } else { c })).collect();
        let mut parts: Vec<TokenPart> = Vec::new();
        let mut utf8 = [0; 4];
        for letter in marked.chars() {
            let bytes = letter.encode_utf8(&mut utf8).as_bytes();
            match self.ids.get(bytes) {
                Some(&id) => parts.push(TokenPart { bytes: bytes.to_vec(), id }),
                None => parts.extend(
                    bytes.iter().map(|&byte| TokenPart { bytes: Vec::new(), id: FIRST_BYTE + u32::from(byte) }),
                ),
            }
        }
        // Phrases are short, so the plain quadratic search for the lowest rank is enough.
        while let Some((at, id)) = self.lowest_merge(&parts) {
            let right = parts.remove(at + 1);
            parts[at].bytes.extend(right.bytes);
            parts[at].id = id;
        }
        parts.iter().map(|part| part.id).collect()
    }

    /// Text of `tokens`. Control tokens are left out; bytes that form no text become U+FFFD.
    pub fn decode(&self, tokens: &[u32]) -> String {
        let mut bytes = Vec::new();
        for &token in tokens {
            match token {
                0..FIRST_BYTE => {}
                FIRST_BYTE..FIRST_PIECE => bytes.push((token - FIRST_BYTE) as u8),
                _ => bytes.extend(self.pieces.get(token as usize).into_iter().flatten()),
            }
        }
        let text = String::from_utf8_lossy(&bytes).replace(SPACE, " ");
        text.strip_prefix(' ').unwrap_or(&text).to_owned()
    }

    fn lowest_merge(&self, parts: &[TokenPart]) -> Option<(usize, u32)> {
        let mut joined = Vec::new();
        let merges = parts.windows(2).enumerate().filter_map(|(at, pair)| {
            if pair[0].bytes.is_empty() || pair[1].bytes.is_empty() {
                return None; // a byte token joins with nothing
            }
            joined.clear();
            joined.extend_from_slice(&pair[0].bytes);
            joined.extend_from_slice(&pair[1].bytes);
            self.ids.get(&joined).map(|&id| (at, id))
        });
        merges.min_by_key(|&(at, id)| (id, at))
    }
}

/// A run of letters on its way to a token; byte tokens have no bytes here.
struct TokenPart {
    bytes: Vec<u8>,
    id: u32,
}

/// Why `tokenizer.bin` could not be used.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "the message says what each field is")]
pub enum TokensError {
    /// The file cannot be read.
    #[error("token file {} cannot be read; run `sparehand fetch`", path.display())]
    Read {
        /// Where it stands.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The file holds something else.
    #[error("token file {}: {fault}; delete it and run `sparehand fetch`", path.display())]
    Format { path: PathBuf, fault: String },
}

const SPACE: char = '\u{2581}';
const FIRST_BYTE: u32 = 3;
const FIRST_PIECE: u32 = 259;
