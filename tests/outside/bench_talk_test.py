"""Which blocks of talk an ear gets, and that people in them are those who are held out."""

import hashlib
import json
import pathlib
import sys

import numpy
import soundfile

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))

from bench import talk_run
from bench.talk_run import Choice


def folder(data: pathlib.Path, kind: str, speakers: dict[str, bool], seconds: float) -> None:
    """A folder as `train.collect` makes it, of hiss: who, and whether they are held out."""
    here = data / kind
    here.mkdir(parents=True)
    files = []
    for at, (speaker, held_out) in enumerate(speakers.items()):
        path = here / f"{speaker}.wav"
        soundfile.write(path, 0.1 * numpy.random.default_rng(at).standard_normal(round(16_000 * seconds)), 16_000)
        files.append({"file": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest(), "speaker": speaker, "held_out": held_out})
    told = {"set": kind, "kind": kind, "source": "here", "licence": "own output", "credit": "nobody", "files": files}
    (here / "manifest.json").write_text(json.dumps(told))


def heard(data: pathlib.Path, begin: int, share: int, of: int) -> list[talk_run.Block]:
    return list(talk_run.people_blocks(7, begin, Choice(share, of, people=data)))


def test_several_ears_hear_all_of_the_people_who_are_held_out_and_nobody_twice(tmp_path):
    folder(tmp_path, "speech", {"ada": True, "ben": False, "cyd": True}, 130)
    folder(tmp_path, "noise", {"tap": True, "wind": False}, 70)
    alone = heard(tmp_path, 0, 0, 1)
    assert {block.voice for block in alone} == {"speech/ada", "speech/cyd"}
    assert sum(len(block.samples) for block in alone) / 16_000 > 2 * 125
    assert max(len(block.samples) for block in alone) / 16_000 < 62
    shared = sorted((block for share in range(2) for block in heard(tmp_path, 0, share, 2)), key=lambda block: block.number)
    assert [block.number for block in shared] == [block.number for block in alone] == list(range(len(alone)))
    assert all(numpy.array_equal(one.samples, other.samples) for one, other in zip(shared, alone))
    assert [block.number for block in heard(tmp_path, 3, 0, 1)] == list(range(3, len(alone)))
    seed = list(talk_run.people_blocks(8, 0, Choice(people=tmp_path)))
    assert not any(len(one.samples) == len(other.samples) and numpy.array_equal(one.samples, other.samples) for one, other in zip(seed, alone))
