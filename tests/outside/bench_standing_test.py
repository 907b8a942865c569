"""The mark that the benchmark writes above figures is the one that the test of the house wants."""

import pathlib
import re
import sys
import tomllib

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import standing

ROOT = pathlib.Path(__file__).parents[2]


def test_marks_that_the_house_takes_have_the_digests_that_are_written_here():
    depends = tomllib.loads((ROOT / "docs/hearing/depends.toml").read_text())
    marked = [
        (file.name, name, digest)
        for file in (ROOT / "docs/hearing").glob("*.md")
        for on in re.findall(r"^<!-- measured: .*; on: (.*); again: ", file.read_text(), re.MULTILINE)
        for name, digest in re.findall(r"(\S+) ([0-9a-f]{8})", on)
    ]
    for file, name, digest in marked:
        assert standing.digest(ROOT, depends[name]) == digest, (file, name)


def test_what_runs_counts_and_what_is_said_about_it_does_not(tmp_path):
    def digest(text: str) -> str:
        (tmp_path / "a.rs").write_text(text)
        return standing.digest(tmp_path, ["a.rs"])

    code = "fn f() {\n    work();\n}\n"
    # The same in tests/house/figures.rs.
    assert digest(code) == "a22a213a"
    assert digest(code) == digest(f"// Works.\n{code}\n#[cfg(test)]\nmod tests {{\n}}\n")
    assert digest(code) != digest(code.replace("work", "play"))
    assert digest(code) != digest(f"{code}#[cfg(test)]\nmod tests;\nfn g() {{}}\n")


def test_a_mark_names_the_command_and_what_the_figures_hang_on():
    assert re.fullmatch(r"<!-- measured: [0-9a-f]{7}; on: ear [0-9a-f]{8}, runs [0-9a-f]{8}; again: bench/run it -->", standing.mark("bench/run it", "ear", "runs"))
