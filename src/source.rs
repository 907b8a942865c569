//! A text that somebody wrote, with the name of its file: where in it a thing stands, and what is wrong with one that cannot be read,
//! in words for whoever wrote it.

use std::fmt;
use std::ops::Range;

use serde::de::DeserializeOwned;

/// A text with the name that errors give it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    pub name: String,
    pub text: String,
}

impl Source {
    /// The line in which the byte with this number stands, the last one for a byte behind the end.
    pub fn line_of(&self, byte: usize) -> SourceLine {
        let before = self.text.as_bytes().get(..byte).unwrap_or(self.text.as_bytes());
        SourceLine { file: self.name.clone(), number: 1 + before.iter().filter(|&&byte| byte == b'\n').count() }
    }

    /// Where a line of this number, from 1, stands, in bytes; `None` where there is none.
    pub fn span_of(&self, number: usize) -> Option<Range<usize>> {
        let mut lines = self.text.split_inclusive('\n');
        let start: usize = lines.by_ref().take(number.checked_sub(1)?).map(str::len).sum();
        lines.next().map(|line| start..start + line.trim_end().len())
    }

    /// Reads the text as TOML of the form `T`.
    ///
    /// # Errors
    /// It is no TOML, or of another form.
    pub fn read<T: DeserializeOwned>(&self) -> Result<T, Misread> {
        toml::from_str(&self.text).map_err(|why| self.misread(&why))
    }

    /// As [`read`](Self::read), with the line for whoever wrote it.
    ///
    /// # Errors
    /// As there.
    pub fn read_for_writer<T: DeserializeOwned>(&self) -> Result<T, SourceError> {
        self.read().map_err(|Misread { span, found, expected }| SourceError {
            at: self.line_of(span.start),
            found,
            expected,
        })
    }

    fn misread(&self, why: &toml::de::Error) -> Misread {
        let span = why.span().unwrap_or_default();
        let (found, expected) = why.message().split_once(", expected ").unwrap_or((why.message(), TOML));
        let known = expected.split('`').skip(1).step_by(2);
        let likely = found.split('`').nth(1).map(|word| perhaps(word, known)).unwrap_or_default();
        let plain =
            FOUND.iter().find_map(|row| found.strip_prefix(row.0).map(|rest| (format!("{}{rest}", row.1), row.2)));
        let (found, better) = plain.unwrap_or_else(|| (found.to_owned(), ""));
        let mut found = format!("{found}{likely}");
        let expected = if better.is_empty() { expected } else { better };
        if let Some(key) = self.key_before(span.start).filter(|key| !found.contains(key)) {
            found = format!("{found} in {key}");
        }
        Misread { span, found, expected: plain_form(expected).to_owned() }
    }

    /// The name whose value begins at this byte.
    fn key_before(&self, byte: usize) -> Option<&str> {
        let line = self.text.get(..byte)?.rsplit('\n').next()?;
        let (key, _) = line.split_once('=')?;
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.');
        Some(key.trim()).filter(|key| !key.is_empty() && key.chars().all(plain))
    }
}

/// A line of a file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SourceLine {
    pub file: String,
    /// From 1.
    pub number: usize,
}

impl fmt::Display for SourceLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: line {}", self.file, self.number)
    }
}

/// The same as [`Misread`], for whoever wrote the text: file, line, what was found, what was expected.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{at}: found {found}, expected {expected}")]
pub struct SourceError {
    pub at: SourceLine,
    pub found: String,
    pub expected: String,
}

/// Why a text cannot be read as what it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misread {
    /// Where in the text, in bytes.
    pub span: Range<usize>,
    pub found: String,
    pub expected: String,
}

/// What a message of TOML or serde expects, in words for whoever wrote the value.
pub fn expected_by(message: &str) -> &str {
    message.split_once(", expected ").map_or(message, |(_, expected)| plain_form(expected))
}

fn plain_form(expected: &str) -> &str {
    EXPECTED.iter().find(|(form, _)| expected.starts_with(form)).map_or(expected, |(_, plain)| plain)
}

/// The name that may be meant by one that is not known, as a remark behind it; nothing where none is like it.
pub fn perhaps<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> String {
    likely(word, known).map(|name| format!(" (perhaps '{name}' is meant)")).unwrap_or_default()
}

/// The likest of these names; `None` where none is like it.
pub fn likely<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let like = known.map(|name| (strsim::normalized_damerau_levenshtein(word, name), name));
    let likest = like.filter(|(likeness, _)| *likeness >= LIKE).max_by(|(one, _), (other, _)| one.total_cmp(other));
    likest.map(|(_, name)| name)
}

/// One slip in a word of three letters, two in one of five; ours.
const LIKE: f64 = 0.6;

/// How a message of TOML or serde begins, what a person reads in its place, and what was expected where the message itself says it badly.
const FOUND: &[(&str, &str, &str)] = &[
    ("missing field ", "no ", "it to be written here, as name = value"),
    ("duplicate field ", "two lines for ", "one"),
    ("duplicate key", "a name that stands here twice", "every name once"),
    (
        "string values must be quoted",
        "a value without quotes",
        "a text in quotes, a number, true or false, or a list in [ ]",
    ),
    ("invalid boolean", "a value without quotes", "a text in quotes, a number, true or false, or a list in [ ]"),
    ("wanted string or table", "no text", "a word in quotes"),
    ("unknown variant ", "", ""),
    ("invalid type: string ", "the text ", ""),
    ("invalid type: integer ", "the number ", ""),
    ("invalid type: floating point ", "the number ", ""),
    ("invalid type: boolean ", "", ""),
    ("invalid type: sequence", "a list", ""),
    ("invalid type: map", "a table", ""),
    ("invalid type: ", "", ""),
    ("invalid value: integer ", "the number ", ""),
    ("invalid value: ", "", ""),
    ("invalid length ", "a list of ", ""),
    ("found ", "", ""),
];

/// How what serde expects begins, and what a person reads in its place.
const EXPECTED: &[(&str, &str)] = &[
    ("u8", "a whole number, 0 or more"),
    ("u32", "a whole number, 0 or more"),
    ("f64", "a number"),
    ("a string", "a text in quotes"),
    ("a boolean", "true or false"),
    ("a sequence", "a list in [ ]"),
    ("a tuple of size 2", "a list of two numbers"),
    ("a map", "a table"),
    ("struct ", "a table"),
    ("internally tagged enum ", "a table with a kind"),
];

const TOML: &str = "TOML: name = value, with texts in quotes and lists in [ ]";

#[cfg(test)]
mod tests {
    use super::*;

    fn source(text: &str) -> Source {
        Source { name: "a.toml".to_owned(), text: text.to_owned() }
    }

    #[test]
    fn a_name_with_a_slip_in_it_brings_the_one_that_may_be_meant() {
        for (word, expected) in
            [("hose-rag", " (perhaps 'hose-rig' is meant)"), ("cal", " (perhaps 'call' is meant)"), ("wings", "")]
        {
            assert_eq!(perhaps(word, ["call", "hose-rig", "hose-drain"].into_iter()), expected);
        }
    }

    #[test]
    fn a_byte_stands_in_the_line_whose_span_it_is_in() {
        let source = source("one\n\nthree\n");
        for (byte, number, span) in [(0, 1, 0..3), (3, 1, 0..3), (4, 2, 4..4), (5, 3, 5..10), (10, 3, 5..10)] {
            assert_eq!(source.line_of(byte).number, number, "byte {byte}");
            assert_eq!(source.span_of(number), Some(span), "line {number}");
        }
        assert_eq!((source.span_of(0), source.span_of(4)), (None, None));
    }
}
