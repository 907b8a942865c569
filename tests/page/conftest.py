import os

import pytest

import rig as support

ROWAN = '[[person]]\nname = "Rowan"\n'
BOTH = ROWAN + 'roles = ["outside"]\n\n[[person]]\nname = "Imre"\nroles = ["inside"]\n'


@pytest.fixture(scope="session")
def browser_driver():
    with support.playwright() as driver:
        yield driver


@pytest.fixture
def server(tmp_path):
    server = support.SoundServer(tmp_path, ["rig", "rowan", "imre", "sky", "wall"])
    yield server
    server.close()


@pytest.fixture
def start(server):
    """Starts a run; ends it with the test, and shows what it printed where that failed."""
    programs = []

    def begin(routine="tank-dump", rig=ROWAN, people=("Rowan",), *more, **rest):
        named = [word for name in people for word in ("--person", name)]
        programs.append(support.Program(server, routine, rig, *named, *more, **rest))
        return programs[-1]

    yield begin
    for program in programs:
        print(program.text())
        program.close()
        print((server.folder / "errors.txt").read_text(errors="replace")[-4000:])


@pytest.fixture
def phone(browser_driver, server):
    phones = []

    def make(name="rowan", **more):
        phones.append(support.Phone(browser_driver, server, name, **more))
        return phones[-1]

    yield make
    for one in phones:
        print(one.name, one.console)
        one.close()


@pytest.fixture(scope="session")
def pictures(tmp_path_factory):
    folder = os.environ.get("SPAREHAND_PICTURES")
    return tmp_path_factory.mktemp("pictures") if folder is None else __import__("pathlib").Path(folder)
