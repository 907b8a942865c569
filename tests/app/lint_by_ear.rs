//! Answers that sound alike, or that nobody understands, are found by speaking and hearing them.

use std::path::PathBuf;

use sparehand::cli::lint_command::{LintRequest, lint};
use sparehand::setup::places::Places;

/// What is found in a routine of one step with these answers.
fn found(want: &str, other: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("own.toml");
    let routine = format!(
        "id = 'own'\ntitle = 'my own'\nintro = 'Now mine.'\ncomplete = 'Done with mine.'\n[[section]]\nid = 's'\ntitle = 'things'\n\
         [[section.step]]\nid = 'cap'\nname = 'cap'\nwhere = 'left'\ncall = 'Look at the cap. Say: {want}, or {other}.'\n\
         answer = {{ kind = 'state', want = ['{want}'], other = ['{other}'], other_reply = 'Close it. Then say: {want}.' }}\n\
         harm = 'hurt'\n\
         [[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = {{ kind = 'gate' }}\n"
    );
    std::fs::write(&file, routine).unwrap();
    let places = Places { config: folder.path().to_owned(), ..Places::of_user().unwrap() };
    let mut out = Vec::new();
    let request = LintRequest { files: vec![PathBuf::from(&file)], rig: None, by_ear: true };
    let (errors, _) = lint(&request, &places, &mut out).unwrap();
    let out = String::from_utf8(out).unwrap();
    assert_eq!(errors, 0, "{out}");
    out
}

#[test]
fn words_that_sound_the_same_are_found_and_others_are_not() {
    let alike = found("cap inn", "cap in");
    assert!(alike.contains("nats from 'cap in") && alike.contains("own.toml"), "{alike}");
    let apart = found("cap closed", "cap missing");
    assert!(!apart.contains("nats from") && !apart.contains("understood in"), "{apart}");
}
