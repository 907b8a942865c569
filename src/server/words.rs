//! The words of the page, and of what the rig shows to let a phone in: `prompts/phrases/phone.toml`.

use std::collections::BTreeMap;

use serde::Deserialize;
use thiserror::Error;

/// The words.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhoneWords {
    /// What the page shows, by name.
    pub page: BTreeMap<String, String>,
    /// What the rig shows and says.
    pub rig: RigSideWords,
}

/// What the rig shows and says.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the phrase file says what each is for")]
pub struct RigSideWords {
    pub scan: String,
    pub open: String,
    pub warning: String,
    pub iphone: String,
    pub android: String,
    pub print: String,
    pub close: String,
    pub by_command: String,
    pub public: String,
    pub out_of_reach: String,
    pub new_authority: String,
    pub new_certificate: String,
}

/// Why the words cannot be used.
#[derive(Debug, Error)]
#[error("phrases of the phone: found '{0}', expected every word once; put it right in the phrase file")]
pub struct PhoneWordsError(#[from] toml::de::Error);

impl PhoneWords {
    /// The words that ship with the program.
    ///
    /// # Errors
    /// A word is missing or unknown.
    pub fn built_in() -> Result<Self, PhoneWordsError> {
        Ok(toml::from_str(include_str!("../../prompts/phrases/phone.toml"))?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// The names of words that the page asks for: `data-word="..."` and `data-label="..."` in HTML, `word("...")` in scripts.
    fn asked_for() -> BTreeSet<String> {
        let mut found = BTreeSet::new();
        for (text, begin) in [
            (include_str!("page/index.html"), "data-word=\""),
            (include_str!("page/index.html"), "data-label=\""),
            (include_str!("page/page.js"), "word(\""),
            (include_str!("page/show.js"), "word(\""),
            (include_str!("page/sound.js"), "word(\""),
        ] {
            found.extend(text.split(begin).skip(1).map(|rest| rest.split('"').next().unwrap().to_owned()));
        }
        found
    }

    #[test]
    fn the_page_has_every_word_that_it_asks_for_and_no_other() {
        let words = PhoneWords::built_in().unwrap();
        let known: BTreeSet<String> = words.page.keys().cloned().collect();
        let asked = asked_for();
        assert!(asked.len() > 20, "found only {asked:?}");
        assert_eq!(asked.difference(&known).collect::<Vec<_>>(), Vec::<&String>::new(), "asked for and not there");
        assert_eq!(known.difference(&asked).collect::<Vec<_>>(), Vec::<&String>::new(), "there and not asked for");
    }
}
