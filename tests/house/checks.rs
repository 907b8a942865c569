//! What `./check` itself rests on: a step fails when anything in it fails, nothing goes on behind its back, and no test of what must not
//! happen is tried twice.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

/// A script that uses the steps of `./check`.
fn script(text: &str) -> Output {
    let text = format!("set -euo pipefail\nsource scripts/steps.sh\n{text}");
    Command::new("bash").args(["-c", &text]).current_dir(root()).output().unwrap()
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn printed(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn a_step_fails_at_the_first_command_of_its_function_that_fails() {
    for begin in ["", "failed=0\n", "failed=0 || true\n"] {
        for call in ["step 'it' it", "step 'it' it || { echo \"code $?\"; exit 7; }"] {
            let output = script(&format!("{begin}it() {{\n(exit 3)\necho 'went on'\n}}\n{call}\necho 'passed by'"));
            let told = printed(&output);
            assert!(!output.status.success(), "{told}");
            assert!(told.contains("=== it: FAILED (3)"), "{told}");
            assert!(!told.contains("went on") && !told.contains("passed by"), "{told}");
        }
    }
}

#[test]
fn a_step_gets_its_arguments_as_they_are_and_passes_when_all_in_it_did() {
    let output = script(
        "it() { printf '<%s>' \"$@\"; }\nstep 'it' it 'two words' \"a 'quote'\"\nstep 'that' printf '%s' 'plain'",
    );
    let told = printed(&output);
    assert!(output.status.success() && told.contains("<two words><a 'quote'>=== it: passed"), "{told}");
    assert!(told.contains("plain=== that: passed"), "{told}");
}

#[test]
fn a_job_beside_the_steps_ends_with_them_and_so_does_what_it_began() {
    let folder = tempfile::tempdir().unwrap();
    let mark = folder.path().join("mark");
    let text = format!(
        "long() {{ sleep 600 & echo \"$!\" >'{0}'; wait; }}\nbackground step 'long' long\nwhile [[ ! -s '{0}' ]]; do sleep 0.05; done\nfalse",
        mark.display()
    );
    let output = script(&text);
    assert!(!output.status.success());
    let grandchild = fs::read_to_string(&mark).unwrap().trim().to_owned();
    let ended = (0..100).any(|_| {
        let state = fs::read_to_string(format!("/proc/{grandchild}/stat")).unwrap_or_default();
        let over = state.is_empty() || state.contains(") Z");
        if !over {
            Command::new("sleep").arg("0.05").status().unwrap();
        }
        over
    });
    assert!(ended, "process {grandchild} goes on after the checks");
}

/// The names of the tests of a file, as `module::name`.
fn tests_of(module: &str) -> Vec<String> {
    let text = fs::read_to_string(root().join(format!("tests/live/{module}.rs"))).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let names = lines.iter().enumerate().filter(|(_, line)| **line == "#[test]").filter_map(|(at, _)| {
        let line = lines[at..].iter().find_map(|line| line.strip_prefix("fn "))?;
        Some(format!("{module}::{}", line.split('(').next()?))
    });
    names.collect()
}

#[test]
fn live_tests_of_faults_and_of_what_must_not_happen_are_never_tried_twice() {
    let config: toml::Table =
        toml::from_str(&fs::read_to_string(root().join(".config/nextest.toml")).unwrap()).unwrap();
    let overrides = config["profile"]["default"]["overrides"].as_array().unwrap();
    // The first that fits counts.
    let first = overrides[0]["filter"].as_str().unwrap();
    assert_eq!(overrides[0]["retries"].as_integer(), Some(0));
    let named: Vec<&str> = first.split("test(=").skip(1).map(|rest| rest.split(')').next().unwrap()).collect();
    for name in &named {
        let module = name.split("::").next().unwrap();
        assert!(tests_of(module).iter().any(|test| test == name), "no live test is called {name}");
    }
    for test in tests_of("faults") {
        assert!(named.contains(&test.as_str()), "{test} would be tried twice");
    }
    let most = overrides.iter().filter_map(|one| one.get("retries")?.as_integer()).max();
    assert_eq!(most, Some(1), "the other live tests may be tried once more");
    assert!(
        overrides.iter().all(|one| one["filter"].as_str().unwrap().contains("binary(live)")),
        "no other test is tried twice"
    );
}

/// A report of nextest with so many tests, of which the first few passed at their second try.
fn report(tests: usize, second_tries: usize) -> String {
    let test = |at: usize| {
        let tried = if at < second_tries { "<flakyFailure message=\"m\" type=\"t\"/>" } else { "" };
        format!("<testcase name=\"t{at}\" classname=\"c\">{tried}</testcase>")
    };
    format!(
        "<testsuites><testsuite name=\"live\">{}</testsuite></testsuites>",
        (0..tests).map(test).collect::<String>()
    )
}

#[test]
fn one_live_test_may_need_a_second_try_and_two_fail_the_checks() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("junit.xml");
    for (tests, second_tries, passes) in [(5, 0, true), (5, 1, true), (5, 2, false), (5, 5, false), (0, 0, false)] {
        fs::write(&path, report(tests, second_tries)).unwrap();
        let output = Command::new(root().join("scripts/second_tries.sh")).arg(&path).output().unwrap();
        assert_eq!(output.status.success(), passes, "{second_tries} of {tests}: {}", printed(&output));
        if tests > 0 {
            assert!(printed(&output).contains(&format!("{second_tries} of {tests} tests")), "{}", printed(&output));
        }
    }
    let absent =
        Command::new(root().join("scripts/second_tries.sh")).arg(folder.path().join("none.xml")).output().unwrap();
    assert!(!absent.status.success(), "a report that is not there is no pass");
}
