"""Manifests, pieces of speech, packs: on sound that is made here."""

import hashlib
import json

import numpy
import pytest
import soundfile

from train import manifest, pack
from train.speech import islands


def bursts(*begins: float, lasts: float = 0.5, whole: float = 4.0) -> numpy.ndarray:
    """Tones of 300 Hz with harmonics in faint noise, beginning at these seconds."""
    times = numpy.arange(int(whole * 16_000)) / 16_000
    sound = numpy.random.default_rng(1).normal(0, 1e-4, len(times))
    for begin in begins:
        inside = (times >= begin) & (times < begin + lasts)
        sound += inside * sum(numpy.sin(2 * numpy.pi * 300 * k * times) / k for k in (1, 2, 3)) * 0.2
    return sound.astype(numpy.float32)


def folder(path, licence="CC0-1.0", **changed):
    """A data folder with one file of speech."""
    path.mkdir(parents=True)
    soundfile.write(path / "a.wav", bursts(0.5, 2.0), 16_000)
    entry = {"file": "a.wav", "sha256": hashlib.sha256((path / "a.wav").read_bytes()).hexdigest(), "speaker": "one", "held_out": False, "from": []}
    told = {"set": path.name, "kind": "speech", "source": "made here", "licence": licence, "credit": "nobody", "files": [entry | changed]}
    (path / "manifest.json").write_text(json.dumps(told))


def test_a_folder_is_read_with_its_speakers(tmp_path):
    folder(tmp_path / "few")
    (found,) = manifest.recordings(tmp_path)
    assert (found.set, found.speaker, found.held_out, found.kind) == ("few", "few/one", False, "speech")
    assert len(found.samples()) == 64_000


def test_a_file_that_was_changed_is_refused(tmp_path):
    folder(tmp_path / "few")
    soundfile.write(tmp_path / "few/a.wav", bursts(1.0), 16_000)
    with pytest.raises(manifest.ManifestError, match="not the file that the manifest means"):
        manifest.recordings(tmp_path)


def test_a_file_that_no_manifest_names_is_refused(tmp_path):
    folder(tmp_path / "few")
    (tmp_path / "few/b.wav").write_bytes(b"")
    with pytest.raises(manifest.ManifestError, match="b.wav"):
        manifest.recordings(tmp_path)


@pytest.mark.parametrize("licence", ["CC-BY-NC-3.0", "CC-BY-SA-4.0", "GPL-3.0", "unknown"])
def test_what_is_not_free_for_every_purpose_is_refused(tmp_path, licence):
    folder(tmp_path / "few", licence)
    with pytest.raises(manifest.ManifestError, match="licence"):
        manifest.recordings(tmp_path)


def test_sound_of_another_rate_is_brought_to_16_khz(tmp_path):
    soundfile.write(tmp_path / "a.wav", numpy.sin(2 * numpy.pi * 1000 * numpy.arange(48_000) / 48_000) * 0.5, 48_000)
    sound = manifest.read(tmp_path / "a.wav")
    assert len(sound) == 16_000
    assert numpy.abs(numpy.fft.rfft(sound)).argmax() == 1000


def test_speech_is_found_where_it_is_and_cut_at_its_dips():
    # Two words 60 ms apart, too near for a pause, and a third one.
    found = islands(bursts(0.5, 1.06, 2.5))
    assert len(found) == 2
    assert abs(found[0].begin - 8_000) < 1_600 and abs(found[0].begin + found[0].length - 1.56 * 16_000) < 1_600
    assert len(found[0].cuts) == 1 and abs(found[0].begin + found[0].cuts[0] - 1.03 * 16_000) < 800
    assert [length for _, length in found[0].pieces()] == [found[0].cuts[0], found[0].length, found[0].length - found[0].cuts[0]]


def test_speech_that_hardly_stands_out_of_its_noise_is_left_out():
    sound = bursts(0.5, 2.0)
    assert islands(sound)
    assert not islands(sound + numpy.random.default_rng(2).normal(0, 0.15, len(sound)).astype(numpy.float32))


def test_a_pack_gives_back_the_speech_and_who_is_held_out(tmp_path, monkeypatch):
    folder(tmp_path / "data/few")
    folder(tmp_path / "data/other", held_out=True)
    monkeypatch.setattr("sys.argv", ["pack", str(tmp_path / "data"), str(tmp_path / "pack")])
    pack.main()
    index = pack.loaded(tmp_path / "pack")
    assert [(one["set"], one["held_out"]) for one in index] == [("few", False), ("other", True)]
    spoken = islands(bursts(0.5, 2.0))
    assert index[0]["samples"] == sum(island.length for island in spoken)
    want = numpy.concatenate([bursts(0.5, 2.0)[i.begin : i.begin + i.length] for i in spoken])
    # Opus keeps the tone, not the samples.
    assert numpy.corrcoef(want, index[0]["sound"])[0, 1] > 0.95
