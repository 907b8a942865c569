"""The JSON Schemas that ship, read by a validator that is not ours: they take every file that ships, and refuse what the program
refuses by form.
"""

import json
import pathlib
import tomllib

import jsonschema
import pytest

ROOT = pathlib.Path(__file__).parents[2]


def validator(name: str) -> jsonschema.Draft202012Validator:
    schema = json.loads((ROOT / "schemas" / f"{name}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def files(*folders: str) -> list[pathlib.Path]:
    found = [path for folder in folders for path in sorted((ROOT / folder).glob("*.toml"))]
    assert found
    return found


@pytest.mark.parametrize("path", files("examples/rigs"), ids=lambda path: path.stem)
def test_every_rig_that_ships_is_taken(path):
    validator("rig").validate(tomllib.loads(path.read_text()))


@pytest.mark.parametrize("path", files("prompts/routines", "examples/routines"), ids=lambda path: path.stem)
def test_every_routine_that_ships_is_taken(path):
    kind = "changes" if path.stem.endswith(".changes") else "routine"
    validator(kind).validate(tomllib.loads(path.read_text()))


@pytest.mark.parametrize(
    "text",
    [
        "kind = 'boat'",
        "wheels = 6",
        "[electric]\ncord_a = 31",
        "[tank_dump]\nrinse_s = 4000",
        "[tank_dump]\nhand_wash_s = 19",
        "[[tire]]\nname = 'left front'",
        "[[person]]\nname = 'Rowan'\nroles = ['cook']",
        "[[person]]\nroles = ['outside']",
        "[[person]]\nname = 'Rowan'\ncannot = ['flying']",
        "phones = 'yes'",
        "phones_port = 70000",
        "latitude = 95.0\nlongitude = 10.0",
        "pets = 'Biscuit'",
        "[gas]\non_the_road = 'sometimes'",
        "[fridge]\nkind = 'ice'",
        "[water]\ntap_hose = 1",
    ],
)
def test_a_rig_that_the_program_refuses_by_form_is_refused(text):
    assert not validator("rig").is_valid(tomllib.loads(text))


@pytest.mark.parametrize(
    "old,new",
    [
        ("kind = \"done\"", "kind = \"song\""),
        ("call = ", "shout = "),
        ("minutes = 0.3", "minutes = \"long\""),
        ("harm = \"flood\"", "harm = \"boom\""),
        ("role = \"inside\"", "role = \"cook\""),
        ("touches = \"sewage\"", "touches = \"mud\""),
        ("demands = [\"two-hands\"]", "demands = [\"wings\"]"),
        ("once = true", "once = \"yes\""),
        ("id = \"tank-dump\"", "id = 7"),
    ],
)
def test_a_routine_that_the_program_refuses_by_form_is_refused(old, new):
    text = (ROOT / "prompts/routines/tank-dump.toml").read_text()
    assert old in text
    assert not validator("routine").is_valid(tomllib.loads(text.replace(old, new, 1)))
