//! A routine, a move or a person of another name than there is: what is said of it, and what helps.

use rstest::rstest;

use crate::refused::{sparehand, told};

#[rstest]
#[case::run(&["run", "tank-dmp"], "no routine or move named 'tank-dmp': perhaps 'tank-dump' is meant")]
#[case::sheet(&["sheet", "tank-dmp", "-o", "x.pdf"], "perhaps 'tank-dump' is meant")]
#[case::proof(&["proof", "tank-dmp"], "perhaps 'tank-dump' is meant")]
#[case::plan(&["plan", "--away-by", "10:00", "--routine", "tank-dmp"], "perhaps 'tank-dump' is meant")]
#[case::nothing_like_it(&["run", "nothing"], "expected one of: leave, evening-before, ")]
#[case::a_move_on_paper(
    &["sheet", "leave", "-o", "x.pdf"],
    "'leave' is a move of several routines, expected one of them: morning-inside, morning-outside, "
)]
#[case::a_move_as_a_table(&["to-table", "leave", "-o", "x.csv"], "'leave' is a move of several routines")]
#[case::a_person_without_a_rig_file(
    &["run", "leave", "--keys", "--phones", "--person", "Rowan"],
    "--person: found 'Rowan', expected somebody whom the rig file names (nobody yet); who takes part is asked for by: sparehand rig"
)]
fn a_name_that_nobody_knows_is_answered_with_what_may_be_meant(#[case] args: &[&str], #[case] expected: &str) {
    let home = tempfile::tempdir().unwrap();
    let told = told(&sparehand(home.path(), args));
    assert!(told.contains(expected), "{told}");
}
