//! Files that are no good: each gives a clear error and never a panic. More than a hundred by hand, any number by mutation.

use crate::routine_support::{RIGS, built_in, commands, rig};
use proptest::prelude::*;
use sparehand::rig::{Rig, RigFile, write};
use sparehand::routine::{Library, Severity, Source, Surroundings, lint, load_with};
use sparehand::setup::prompts::ROUTINES;

/// What every error of a routine ends with.
const TODO: &str = "; correct it there, then look the file over: sparehand proof";
const HEAD: &str = "id = 'bad'\ntitle = 'the bad one'\ncomplete = 'Bad complete.'\n";
const SECTION: &str = "[[section]]\nid = 's'\ntitle = 'a section'\n";
const GATE: &str = "\n[[section.step]]\nid = 'gate'\nname = 'gate'\ncall = 'Last look.'\nanswer = { kind = 'gate' }\n";

/// A routine whose first step has these fields.
fn step(fields: &str) -> String {
    format!("{HEAD}{SECTION}[[section.step]]\nid = 'one'\nname = 'one'\n{fields}\n{GATE}")
}

/// A routine whose first step has this answer.
fn answer(answer: &str) -> String {
    step(&format!("call = 'Look.'\nanswer = {answer}"))
}

fn critical(answer: &str) -> String {
    step(&format!("call = 'Look.'\nharm = 'hurt'\nanswer = {answer}"))
}

fn load(text: &str) -> Result<sparehand::routine::Routine, String> {
    let source = Source { name: "bad.toml".to_owned(), text: text.to_owned() };
    load_with(&source, &Rig::default(), &Library { routine: &built_in, changes: &|_| None }).map_err(|e| e.to_string())
}

/// Each with a part of what must be said.
fn bad_routines() -> Vec<(String, &'static str)> {
    let done = "call = 'Look.'\nanswer = { kind = 'done' }\n";
    let clock =
        |rest: &str| answer(&format!("{{ kind = 'clock', name = 'c', start = ['go on now'], started = 's', {rest} }}"));
    let number = |rest: &str| answer(&format!("{{ kind = 'number', name = 'n', {rest} }}"));
    let state = |want: &str, other: &str| {
        answer(&format!("{{ kind = 'state', want = {want}, other = {other}, other_reply = 'Do it.' }}"))
    };
    vec![
        // No routine at all.
        (String::new(), "line 1: found no `id`"),
        ("\u{0}".to_owned(), "bad.toml: line 1: found "),
        ("[[[".to_owned(), "bad.toml: line 1: found "),
        ("id = ".to_owned(), "bad.toml: line 1: found "),
        ("{\"id\": 1}".to_owned(), "bad.toml: line 1: found "),
        ("<routine/>".to_owned(), "bad.toml: line 1: found "),
        ("id,name\n1,2".to_owned(), "bad.toml: line 1: found "),
        ("- id: x".to_owned(), "bad.toml: line 1: found "),
        ("id = 'bad'".to_owned(), "no `title`"),
        (HEAD.to_owned(), "no `section`"),
        ("id = 7\ntitle = 't'\nsection = []".to_owned(), "the number `7`"),
        (format!("{HEAD}section = []"), "no step that this rig has, expected at least a gate"),
        (format!("{HEAD}section = 'none'"), "the text \"none\" in section, expected a list in [ ]"),
        (
            format!("{HEAD}id = 'twice'\n{SECTION}"),
            "line 4: found a name that stands here twice, expected every name once",
        ),
        (format!("{HEAD}colour = 'red'\n{SECTION}"), "unknown field `colour`"),
        (format!("{HEAD}{SECTION}"), "no step that this rig has"),
        (format!("{HEAD}{SECTION}step = [1]"), "the number `1` in step, expected a table"),
        (format!("{HEAD}kind = 'race'\n{SECTION}{GATE}"), "`race` in kind, expected one of"),
        (
            format!("{HEAD}start = ['help now']\n{SECTION}{GATE}"),
            "start, in a routine that is no emergency card, expected no start, or kind = \"emergency\"",
        ),
        (format!("{HEAD}kind = 'emergency'\n{SECTION}{GATE}"), "an emergency card with a gate"),
        (
            format!("{HEAD}kind = 'emergency'\n{SECTION}[[section.step]]\nid = 'a'\nname = 'a'\n{done}"),
            "an emergency card with no start",
        ),
        (
            format!(
                "{HEAD}kind = 'emergency'\nstart = ['Dial 911']\n{SECTION}[[section.step]]\nid = 'a'\nname = 'a'\n{done}"
            ),
            "plain words, numbers spelled out",
        ),
        (format!("id = 'bad'\ntitle = 't'\n{SECTION}{GATE}"), "no completion call"),
        // Sections and includes.
        (
            format!("{HEAD}[[section]]\ninclude = 'nowhere'\n{SECTION}{GATE}"),
            "include = 'nowhere', expected the name of a routine",
        ),
        (format!("{HEAD}[[section]]\ninclude = 'bad'\n{SECTION}{GATE}"), "routines that include each other: bad > bad"),
        (
            format!("{HEAD}[[section]]\ninclude = 7\n{SECTION}{GATE}"),
            "the number `7` in include, expected a text in quotes",
        ),
        (
            format!(
                "{HEAD}[[section]]\ninclude = 'tank-dump'\n[[section.step]]\nid = 'a'\nname = 'a'\n{done}{SECTION}{GATE}"
            ),
            "beside steps, expected a section with include alone",
        ),
        (
            format!(
                "{HEAD}[[section]]\nid = 's'\ntitle = 't'\nneeds = ['wings']\n[[section.step]]\nid = 'a'\nname = 'a'\n{done}{GATE}"
            ),
            "needs = 'wings'",
        ),
        // Steps.
        (format!("{HEAD}{SECTION}[[section.step]]\nname = 'a'\n{done}{GATE}"), "no `id`"),
        (format!("{HEAD}{SECTION}[[section.step]]\nid = 'a'\n{done}{GATE}"), "no `name`"),
        (step("answer = { kind = 'done' }"), "no `call`"),
        (step("call = 'Look.'"), "no `answer`"),
        (step("call = 7\nanswer = { kind = 'done' }"), "the number `7`"),
        (step(&format!("{done}colour = 'red'")), "unknown field `colour`"),
        (
            step(&format!("{done}cation = 'Hot.'")),
            "line 12: step 'one': found unknown field `cation` (perhaps 'caution' is meant), expected one of",
        ),
        (
            step("call = Look.\nanswer = { kind = 'done' }"),
            "line 10: step 'one': found a value without quotes in call, expected a text in quotes",
        ),
        (
            step(&format!("{done}after = ['ones']")),
            "after = 'ones' (perhaps 'one' is meant), expected the id of a step",
        ),
        (
            step(&format!("{done}needs = ['slide']")),
            "needs = 'slide' (perhaps 'slides' is meant), expected a name of the list",
        ),
        (step(&format!("{done}role = 'captain'")), "`captain` in role"),
        (step(&format!("{done}harm = 'yes'")), "`yes` in harm"),
        (step(&format!("{done}critical = true")), "found critical, expected harm ="),
        (step(&format!("{done}critical = true\nharm = 'hurt'")), "found critical, expected harm ="),
        (step(&format!("{done}minutes = -1")), "minutes = -1, expected 0 to 1440 minutes"),
        (step(&format!("{done}minutes = nan")), "minutes = NaN"),
        (step(&format!("{done}minutes = inf")), "minutes = inf"),
        (step(&format!("{done}minutes = 'long'")), "step 'one': found the text \"long\" in minutes, expected a number"),
        (
            step(&format!("{done}needs = ['wings']")),
            "needs = 'wings' (perhaps 'awnings' is meant), expected a name of the list of equipment",
        ),
        (step(&format!("{done}needs = ['not-wings']")), "needs = 'not-wings'"),
        (step(&format!("{done}needs = 'slides'")), "the text \"slides\" in needs, expected a list in [ ]"),
        (step(&format!("{done}repeats = 'wheels'")), "repeats = 'wheels', expected one of: slides"),
        (step(&format!("{done}touches = 'mud'")), "`mud` in touches"),
        (step(&format!("{done}after = ['nowhere']")), "after = 'nowhere', expected the id of a step"),
        (step(&format!("{done}after = ['gate']")), "after = 'gate', which comes later, expected an earlier step"),
        (step(&format!("{done}after = ['one']")), "after = 'one', which comes later"),
        (step(&format!("{done}after = ['/']")), "after = '/', expected routine/step"),
        (step(&format!("{done}verifies = ['alone']")), "verifies = 'alone', expected routine/step"),
        (
            step(&format!("{done}during = 'gate'\nearshot = true")),
            "during = 'gate', expected an earlier step with a clock",
        ),
        (step(&format!("{done}during = 'nowhere'")), "during = 'nowhere'"),
        (step("call = 'Turn it for {rinse_x}.'\nanswer = { kind = 'done' }"), "'{rinse_x}.' in what is said"),
        (step("call = 'Look at the {each.'\nanswer = { kind = 'done' }"), "in what is said"),
        (step(&format!("call = '{}'\nanswer = {{ kind = 'done' }}", "word ".repeat(21))), "a call of 21 words"),
        (
            format!("{HEAD}{SECTION}[[section.step]]\nid = 'gate'\nname = 'a'\n{done}{GATE}"),
            "a second step with this id",
        ),
        (format!("{HEAD}{SECTION}{GATE}[[section.step]]\nid = 'a'\nname = 'a'\n{done}"), "a last step that is no gate"),
        (format!("{HEAD}{SECTION}{GATE}{}", GATE.replace("'gate'\nname", "'two'\nname")), "a gate in the middle"),
        // Answers.
        (answer("'done'"), "the text \"done\" in answer, expected a table with a kind"),
        (answer("{ }"), "no `kind` in answer"),
        (answer("{ kind = 'song' }"), "`song` in answer"),
        (answer("{ kind = 'done', also = 'yes' }"), "the text \"yes\" in answer, expected a list in [ ]"),
        (answer("{ kind = 'done', also = ['82'] }"), "answer.also = '82', expected plain words"),
        (answer("{ kind = 'done', also = [''] }"), "answer.also = ''"),
        (answer("{ kind = 'done', also = ['naïve'] }"), "answer.also = 'naïve'"),
        (answer("{ kind = 'done', want = ['x'] }"), "unknown field `want`"),
        (critical("{ kind = 'done' }"), "a critical step that is answered with 'done'"),
        (answer("{ kind = 'state', want = ['in'], other = ['out'] }"), "no `other_reply` in answer"),
        (answer("{ kind = 'state', want = ['in'], other = ['out'], other_reply = '' }"), "no other_reply"),
        (state("[]", "['out']"), "no answer.want"),
        (state("['in']", "[]"), "no answer.other"),
        (state("['in']", "['in']"), "'in' with two meanings"),
        (state("['In']", "['in']"), "'in' with two meanings"),
        (state("['a-b']", "['out']"), "answer.want = 'a-b'"),
        (state("[7]", "['out']"), "the number `7` in answer, expected a text in quotes"),
        (clock("seconds = 0, alarm = 'a'"), "a clock of 0 s"),
        (clock("seconds = -5, alarm = 'a'"), "answer.seconds = -5"),
        (clock("seconds = 1.5, alarm = 'a'"), "answer.seconds = 1.5, expected a whole number"),
        (clock("seconds = 1e99, alarm = 'a'"), "expected a whole number"),
        (
            clock("seconds = 'moon', alarm = 'a'"),
            "answer.seconds = 'moon', expected a number, or the name of a number of the rig",
        ),
        (clock("seconds = [5], alarm = 'a'"), "neither a number nor a name in answer"),
        (clock("seconds = 5"), "no `alarm` in answer"),
        (clock("seconds = 5, alarm = 'a', end = ['it is off']"), "a hazard clock with no alarm_short"),
        (clock("seconds = 5, alarm = 'a', alarm_short = 's', end = ['go on now']"), "'go on now' with two meanings"),
        (
            critical("{ kind = 'clock', name = 'c', seconds = 5, start = ['go'], started = 's', alarm = 'a' }"),
            "a critical clock that nobody ends",
        ),
        (answer("{ kind = 'yes-no', no_back_to = ['nowhere'], most = 2 }"), "answer.no_back_to = 'nowhere'"),
        (answer("{ kind = 'yes-no', no_back_to = ['one'], most = 2 }"), "which does not come before"),
        (answer("{ kind = 'yes-no', no_back_to = ['gate'], most = 2 }"), "which does not come before"),
        (answer("{ kind = 'yes-no', most = 'moon', no_back_to = ['one'] }"), "answer.most = 'moon'"),
        (
            number("least = 5, most = 1, gauge = [0, 9]"),
            "least 5, most 1, and a gauge from 0 to 9, expected least not above most",
        ),
        (
            number("least = 0.1, most = 0.5, resolution = 0.1, gauge = [0.2, 9]"),
            "least 0.1, most 0.5, and a gauge from 0.2 to 9",
        ),
        (number("least = 1, most = 5, gauge = [0, 4]"), "least 1, most 5, and a gauge from 0 to 4"),
        (number("least = 1, most = 5, gauge = [-9, 9]"), "a gauge that begins below zero"),
        (number("least = 1, most = 5, gauge = [0, 90000]"), "a gauge with more numbers than can be told apart"),
        (number("least = 1, most = 5, gauge = [0, 9], resolution = 0"), "a gauge with more numbers"),
        (number("least = 1, most = 5, gauge = [0, 9], resolution = -1"), "a gauge with more numbers"),
        (number("least = 1, most = 5, gauge = [0, 9], resolution = 0.0001"), "answer.resolution = 0.0001"),
        (
            number("least = 1.25, most = 5, gauge = [0, 9]"),
            "answer.least with more places behind the point than answer.resolution",
        ),
        (number("least = 1, most = 5, gauge = [nan, 9]"), "answer.gauge"),
        (number("least = 1, most = 5, gauge = [0, inf]"), "answer.gauge"),
        (number("least = 1, most = 5, gauge = [0]"), "expected a list of two numbers"),
        (number("least = 1, most = 5"), "no `gauge` in answer"),
        (number("least = 'moon', most = 5, gauge = [0, 9]"), "answer.least = 'moon'"),
        (
            critical("{ kind = 'number', name = 'n', least = 1, most = 5, gauge = [0, 9] }"),
            "a critical reading that may lie anywhere",
        ),
        (answer("{ kind = 'choice', options = [] }"), "fewer than two options"),
        (answer("{ kind = 'choice', options = [{ say = ['this one'] }] }"), "fewer than two options"),
        (answer("{ kind = 'choice', options = [{ say = ['a b'] }, { say = ['a b'] }] }"), "'a b' with two meanings"),
        (answer("{ kind = 'choice', options = [{ say = [] }, { say = ['a b'] }] }"), "no answer.options.say"),
        (
            answer(
                "{ kind = 'choice', options = [{ say = ['a b'] }, { say = ['c d'], settles = false, reply = 'Do it.', sets = ['gas=out'] }] }",
            ),
            "answer.options.sets = 'gas' in an option that leaves the step open",
        ),
        (
            answer("{ kind = 'choice', options = [{ say = ['a b'] }, { say = ['c d'], sets = ['gas=on'] }] }"),
            "answer.options.sets = 'gas=on', expected a thing of the rig with =out or =away",
        ),
        (
            answer("{ kind = 'choice', options = [{ say = ['a b'] }, { say = ['c d'], settles = false }] }"),
            "settles nothing and says nothing",
        ),
        (
            answer(
                "{ kind = 'both', turns = [{ role = 'inside', announced = true, say = ['a b'] }, { role = 'outside', call = 'C.', say = ['c d'] }] }",
            ),
            "that is only announced",
        ),
        (
            answer(
                "{ kind = 'both', turns = [{ role = 'inside', say = ['a b'] }, { role = 'outside', call = 'C.', announced = true, demands = ['driving'], say = ['c d'] }, { role = 'inside', call = 'E.', say = ['e f'] }] }",
            ),
            "that is only announced",
        ),
        (answer("{ kind = 'both', turns = [] }"), "a signal of 0 turns, expected two or more"),
        (
            answer("{ kind = 'both', turns = [{ role = 'inside', say = ['a b'] }] }"),
            "a signal of 1 turns, expected two or more",
        ),
        (
            answer(
                "{ kind = 'both', turns = [{ role = 'inside', say = ['a b'] }, { role = 'outside', say = ['c d'] }] }",
            ),
            "a turn with no call",
        ),
        (
            answer(
                "{ kind = 'both', turns = [{ role = 'inside', say = ['a b'], halt = ['c d'] }, { role = 'outside', call = 'x', say = ['e f'] }] }",
            ),
            "halt with no halt_reply",
        ),
        (answer("{ kind = 'both', turns = [{ role = 'pilot', say = ['a b'] }] }"), "`pilot` in answer"),
        (
            answer("{ kind = 'hold', seconds = 1, ready = ['hand on it'], hold = 'Hold.', release = 'Release.' }"),
            "a hold of 1 s",
        ),
        (
            answer("{ kind = 'hold', seconds = 61, ready = ['hand on it'], hold = 'Hold.', release = 'Release.' }"),
            "a hold of 61 s",
        ),
        (answer("{ kind = 'hold', seconds = 5, ready = [], hold = 'Hold.', release = 'Release.' }"), "no answer.ready"),
        (
            answer("{ kind = 'hold', seconds = 5, ready = ['hand on it'], hold = '', release = 'Release.' }"),
            "no hold or no release",
        ),
        (
            critical("{ kind = 'hold', seconds = 5, ready = ['hand on it'], hold = 'Hold.', release = 'Release.' }"),
            "a critical step that is only held",
        ),
        (answer("{ kind = 'told', times = 0 }"), "times = 0, expected 1 to 5"),
        (answer("{ kind = 'told', times = 99 }"), "times = 99, expected 1 to 5"),
        (critical("{ kind = 'told' }"), "a critical step that asks for nothing"),
    ]
}

#[test]
fn each_of_a_hundred_bad_routines_is_refused_with_file_line_finding_expectation_and_what_to_do() {
    let all = bad_routines();
    assert!(all.len() >= 100, "only {}", all.len());
    let mut wrong = Vec::new();
    for (text, expected) in all {
        match load(&text) {
            Ok(_) => wrong.push(format!("taken, expected '{expected}':\n{text}")),
            Err(error)
                if !error.contains(expected) || !error.starts_with("bad.toml: line ") || !error.ends_with(TODO) =>
            {
                wrong.push(format!("expected '{expected}', said: {error}"));
            }
            Err(_) => {}
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn lint_finds_an_error_in_each_of_them() {
    let always = commands();
    let rig = Rig::default();
    for (text, expected) in bad_routines() {
        let source = Source { name: "bad.toml".to_owned(), text: text.clone() };
        let library = Library { routine: &built_in, changes: &|_| None };
        let found = lint(&source, &Surroundings { rig: &rig, library, always: &always });
        assert!(found.iter().any(|finding| finding.severity == Severity::Error), "{expected}: {found:?}\n{text}");
        for finding in found {
            let span = finding.span.unwrap_or_default();
            assert!(text.get(span.clone()).is_some(), "{span:?} is no part of\n{text}");
        }
    }
}

#[test]
fn bad_changes_are_refused_with_file_and_line_of_their_own() {
    let step = "[[insert.step]]\nid = 'x'\nname = 'x'\ncall = 'X.'\nanswer = { kind = 'done' }\n";
    let bad = [
        ("", "no `changes`".to_owned()),
        ("changes = 'other'", "found changes = 'other', expected changes = 'tank-dump'".to_owned()),
        ("changes = 'tank-dump'\ndrop = ['nowhere']", "drop of 'nowhere'".to_owned()),
        ("changes = 'tank-dump'\ndrop = ['gate']", "drop of the gate".to_owned()),
        ("changes = 'tank-dump'\nkeep = ['gloves']", "unknown field `keep`".to_owned()),
        ("changes = 'tank-dump'\n[[change]]\nstep = 'nowhere'", "change of 'nowhere'".to_owned()),
        (
            "changes = 'tank-dump'\n[[change]]\nstep = 'glove'",
            "'glove' (perhaps 'gloves' is meant), expected the id".to_owned(),
        ),
        ("changes = 'tank-dump'\n[[change]]\nstep = 'gloves'\ncolour = 'red'", "unknown field `colour`".to_owned()),
        ("changes = 'tank-dump'\n[[change]]\nstep = 'black-open'\nafter = ['wash']", "which comes later".to_owned()),
        ("changes = 'tank-dump'\n[[change]]\nstep = 'gloves'\ncritical = true", "write what can happen".to_owned()),
        ("changes = 'tank-dump'\n[[change]]\nstep = 'gloves'\nharm = 'hurt'", "answered with 'done'".to_owned()),
    ];
    let with_step = [
        ("changes = 'tank-dump'\n[[insert]]\n", "an insert with neither after nor before"),
        ("changes = 'tank-dump'\n[[insert]]\nafter = 'gloves'\nbefore = 'gate'\n", "an insert with after and before"),
        ("changes = 'tank-dump'\n[[insert]]\nafter = 'nowhere'\n", "insert of 'nowhere'"),
        ("changes = 'tank-dump'\n[[insert]]\nafter = 'gate'\n", "a last step that is no gate"),
    ];
    let with_step = with_step.map(|(text, expected)| (format!("{text}{step}"), expected.to_owned()));
    let bad = bad.map(|(text, expected)| (text.to_owned(), expected)).into_iter().chain(with_step);
    for (text, expected) in bad {
        let error = crate::routine_support::load_changed("tank-dump", &Rig::default(), &text).unwrap_err().to_string();
        assert!(error.contains(&expected), "expected '{expected}', said: {error}");
        assert!(error.starts_with("tank-dump.changes.toml: line ") && error.ends_with(TODO), "{error}");
    }
}

#[test]
fn bad_rigs_are_refused_with_file_line_and_what_to_do() {
    let bad = [
        ("kind = 'boat'", "boat"),
        ("kind = 7", "line 1: found no text in kind, expected a word in quotes"),
        ("wheels = 6", "unknown field `wheels`"),
        ("[electric]\ncord_a = -30", "line 2: found the number `-30` in cord_a, expected a whole number, 0 or more"),
        ("[electric]\ncord_a = 31", "electric.cord_a"),
        ("[electric]\ncord_a = '30'", "line 2: found the text \"30\" in cord_a, expected a whole number, 0 or more"),
        ("[electric]\nshore_least_v = 79", "electric.shore_least_v: found 79 volts"),
        ("[water]\nheater = 'wood'", "wood"),
        ("[tank_dump]\nrinse_s = 0", "tank_dump.rinse_s: found 0 seconds"),
        ("[help]\nemergency_number = 11", "help.emergency_number: found 11"),
        (
            "[tank_dump]\nhand_wash_s = 19",
            "line 2: tank_dump.hand_wash_s: found 19 seconds, expected 20 to 120 seconds",
        ),
        ("[tow]\ncar_hold_s = 600", "tow.car_hold_s: found 600 seconds"),
        ("[[person]]\nroles = ['driver']", "no `name`"),
        ("[[person]]\nname = ''", "person: found name ''"),
        ("[[person]]\nname = 'Rowan'\nroles = ['cook']", "cook"),
        ("[[person]]\nname = 'Rowan'\n[[person]]\nname = 'rowan'", "another name"),
        ("passengers = [\n'Juna',\n'Juna',\n]", "line 3: passengers: found name 'Juna', expected another name"),
        ("[[slide]]\nname = 'slide 1'", "slide: found name 'slide 1'"),
        ("[[tire]]\nname = 'left'", "no `least_psi`"),
        ("[[tire]]\nname = 'left'\nleast_psi = 5\nmost_psi = 5", "tire: found 5 to 5 psi"),
        ("[[tire]]\nname = 'left'\nleast_psi = 100\nmost_psi = 400", "tire: found 100 to 400 psi"),
        ("extras = ['own-']", "extras: found 'own-'"),
        ("[", "line 1: found "),
        ("\u{feff}\u{feff}", "line 1: found "),
    ];
    for (text, expected) in bad {
        let error = Rig::parse("rig.toml", text).unwrap_err().to_string();
        eprintln!("SHOW {error}");
        assert!(error.contains(expected), "expected '{expected}', said: {error}");
        assert!(error.starts_with("rig.toml: line ") && error.ends_with("; correct it there"), "{error}");
    }
}

/// What happens to files: bytes change, lines vanish, come twice or change places, values are swapped.
#[derive(Clone, Debug)]
enum Change {
    Byte(usize, char),
    DropLine(usize),
    DoubleLine(usize),
    SwapLines(usize, usize),
    Cut(usize),
    Value(usize, &'static str),
}

fn change() -> impl Strategy<Value = Change> {
    let value = prop::sample::select(vec![
        "''", "7", "-1", "nan", "true", "[]", "['']", "{}", "'{each}'", "'gate'", "['gate']",
    ]);
    prop_oneof![
        (any::<usize>(), any::<char>()).prop_map(|(at, with)| Change::Byte(at, with)),
        any::<usize>().prop_map(Change::DropLine),
        any::<usize>().prop_map(Change::DoubleLine),
        (any::<usize>(), any::<usize>()).prop_map(|(one, other)| Change::SwapLines(one, other)),
        any::<usize>().prop_map(Change::Cut),
        (any::<usize>(), value).prop_map(|(at, value)| Change::Value(at, value)),
    ]
}

fn apply(text: &str, change: &Change) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let count = lines.len().max(1);
    match change {
        Change::Byte(at, with) => {
            let mut letters: Vec<char> = text.chars().collect();
            let count = letters.len();
            if let Some(letter) = letters.get_mut(at % count.max(1)) {
                *letter = *with;
            }
            return letters.into_iter().collect();
        }
        Change::Cut(at) => return text.chars().take(at % text.len().max(1)).collect(),
        Change::DropLine(at) if !lines.is_empty() => drop(lines.remove(at % count)),
        Change::DoubleLine(at) if !lines.is_empty() => lines.insert(at % count, lines[at % count].clone()),
        Change::SwapLines(one, other) if !lines.is_empty() => lines.swap(one % count, other % count),
        Change::Value(at, value) if !lines.is_empty() => {
            let line = &mut lines[at % count];
            if let Some((key, _)) = line.clone().split_once(" = ") {
                *line = format!("{key} = {value}");
            }
        }
        _ => {}
    }
    lines.join("\n")
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever has happened to a file: it is read, or refused with its name; lint agrees, and points into the text.
    #[test]
    fn a_damaged_routine_is_refused_clearly_or_can_still_be_run(
        which in 0..ROUTINES.len(), of in 0..RIGS.len(), changes in prop::collection::vec(change(), 1..6)
    ) {
        let (id, text) = ROUTINES[which];
        let text = changes.iter().fold(text.to_owned(), |text, change| apply(&text, change));
        let source = Source { name: "damaged.toml".to_owned(), text };
        let rig = rig(RIGS[of].0);
        let library = Library { routine: &built_in, changes: &|_| None };
        let loaded = load_with(&source, &rig, &library);
        let always = commands();
        let found = lint(&source, &Surroundings { rig: &rig, library, always: &always });
        for finding in &found {
            prop_assert!(finding.span.clone().is_none_or(|span| source.text.get(span).is_some()), "{finding:?}");
            prop_assert!(!finding.found.is_empty() && !finding.expected.is_empty());
        }
        match loaded {
            Err(error) => {
                let said = error.to_string();
                prop_assert!(said.contains(".toml: line "), "{}", said);
                prop_assert!(found.iter().any(|finding| finding.severity == Severity::Error), "{}: lint found {:?}", said, found);
            }
            Ok(routine) => {
                prop_assert!(!routine.steps.is_empty(), "{}", id);
                for (index, step) in routine.steps.iter().enumerate() {
                    prop_assert!(step.after.iter().all(|&before| before < index), "{}", step.id);
                    prop_assert!(step.section < routine.sections.len());
                    prop_assert!(!step.call.contains('{'), "{}", step.call);
                }
            }
        }
    }

    #[test]
    fn a_damaged_rig_is_refused_clearly_or_can_still_be_used(
        of in 0..RIGS.len(), changes in prop::collection::vec(change(), 1..6)
    ) {
        let text = changes.iter().fold(RIGS[of].1.to_owned(), |text, change| apply(&text, change));
        match Rig::parse("rig.toml", &text) {
            Err(error) => prop_assert!(error.to_string().starts_with("rig.toml: line ")),
            Ok(rig) => {
                let file: RigFile = toml::from_str(&text).unwrap();
                prop_assert_eq!(Rig::parse("rig.toml", &write(&file).unwrap()).unwrap(), rig);
            }
        }
    }
}
