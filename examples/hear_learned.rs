//! What a person's own examples change, for each sound file: one JSON object a line, judged without them and with them.
//!
//! `cargo run --release --example hear_learned -- MODELS PHRASES < list`. PHRASES has lines of phrase, class and meaning with tabs between
//! (`bench/phrases.tsv`). The list has a line for each file, with tabs: `own PERSON PHRASE FILE` for an example, `hear PERSON FILE` for
//! a file heard with that person's examples, `left-out PERSON PHRASE FILE` for one heard where nothing of the meaning of PHRASE may be said.
//! Examples come before what is heard with them.

use std::collections::BTreeMap;
use std::io::BufRead;
use std::path::Path;
use std::sync::Arc;

use serde_json::{Value, json};
use sparehand::audio::wav;
use sparehand::decide::PhraseVerdict;
use sparehand::engine::output::{AllowedPhrase, PhraseClass, Prior};
use sparehand::onnx::environment;
use sparehand::speech::clip::ClipHearing;
use sparehand::speech::own_examples::{Example, OwnExamples};
use sparehand::speech::recogniser::PhraseScoring;
use sparehand::speech::score::ScoreSettings;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models, phrases] = arguments.as_slice() else {
        return Err("expected MODELS PHRASES, and a list of files on standard input".into());
    };
    let models = Path::new(models);
    let environment = environment(models)?;
    let all = read_phrases(&std::fs::read_to_string(phrases)?)?;
    let ear = |own: OwnExamples| -> Result<ClipHearing, Box<dyn std::error::Error>> {
        let scoring = PhraseScoring::load(&environment, models, ScoreSettings::default())?.with_own(Arc::new(own));
        Ok(ClipHearing::with_recogniser(Box::new(scoring), all.clone(), None)?)
    };
    let mut plain = ear(OwnExamples::default())?;
    let mut examples: BTreeMap<String, Vec<Example>> = BTreeMap::new();
    let mut own: Option<(String, ClipHearing)> = None;
    let mut left_out = None;
    for line in std::io::stdin().lock().lines() {
        let line = line?;
        let (person, without, file) = match line.split('\t').collect::<Vec<_>>().as_slice() {
            ["own", person, phrase, file] => {
                if let Some(states) = plain.states_of_speech(&wav::read(Path::new(file))?)? {
                    let example = Example { line: (*phrase).to_owned(), states };
                    examples.entry((*person).to_owned()).or_default().push(example);
                }
                continue;
            }
            ["hear", person, file] => ((*person).to_owned(), None, (*file).to_owned()),
            ["left-out", person, phrase, file] => {
                let group = all.iter().find(|known| known.text == *phrase).map(|known| known.group);
                ((*person).to_owned(), group, (*file).to_owned())
            }
            _ => {
                return Err(format!(
                    "'{line}': expected own, hear or left-out with its fields, see the top of this file"
                )
                .into());
            }
        };
        if own.as_ref().is_none_or(|(of, _)| *of != person) {
            let of_person = examples.get(&person).cloned().unwrap_or_default();
            let mut ear = ear(OwnExamples::of(vec![of_person]))?;
            ear.listen_for(plain.phrases().to_vec())?;
            own = Some((person.clone(), ear));
        }
        let Some((_, own)) = &mut own else { continue };
        if left_out != without {
            left_out = without;
            let kept: Vec<AllowedPhrase> = all.iter().filter(|one| Some(one.group) != without).cloned().collect();
            plain.listen_for(kept.clone())?;
            own.listen_for(kept)?;
        }
        let samples = wav::read(Path::new(&file))?;
        let before = plain.hear(&samples)?.verdict;
        // What is not worth weighing is refused whatever the examples say.
        let now = if before.evidence.is_some() { own.hear(&samples)?.verdict } else { before.clone() };
        let best = before.best.map(|best| plain.phrases()[best].text.clone());
        println!(
            "{}",
            json!({
                "file": file, "person": person, "left_out": without.is_some(), "best": best, "margin": before.margin,
                "before": judged(&before), "with_own": judged(&now),
            })
        );
    }
    Ok(())
}

fn judged(verdict: &PhraseVerdict) -> Value {
    json!({
        "log_odds": verdict.log_odds.is_finite().then_some(verdict.log_odds),
        "certainty": verdict.accepted.map(|certainty| format!("{certainty:?}")),
    })
}

fn read_phrases(text: &str) -> Result<Vec<AllowedPhrase>, String> {
    let mut meanings: Vec<&str> = Vec::new();
    let mut all = Vec::new();
    for line in text.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
        let cells: Vec<&str> = line.split('\t').collect();
        let [phrase, class, meaning] = cells.as_slice() else {
            return Err(format!("'{line}': expected phrase, class, meaning with tabs between"));
        };
        let class = match *class {
            "chat" => PhraseClass::Chat,
            "ordinary" => PhraseClass::Ordinary,
            "critical" => PhraseClass::Critical,
            "emergency" => PhraseClass::Emergency,
            other => return Err(format!("'{other}': expected chat, ordinary, critical or emergency")),
        };
        let group = meanings.iter().position(|known| known == meaning).unwrap_or_else(|| {
            meanings.push(meaning);
            meanings.len() - 1
        });
        let group = u32::try_from(group).map_err(|_| "too many meanings".to_owned())?;
        all.push(AllowedPhrase {
            text: (*phrase).to_owned(),
            class,
            group,
            while_speaking: true,
            prior: Prior::Allowed,
        });
    }
    Ok(all)
}
