"""The network and the files: against ONNX Runtime, which runs the published files, and by arithmetic that is done here."""

import os
import pathlib

import numpy
import onnxruntime
import pytest
import torch

from train import published, weights
from train.network import Linear, grid, rounded, states_of

MODELS = pathlib.Path(os.environ.get("SPAREHAND_MODELS") or pathlib.Path.home() / ".local/share/sparehand/models") / "moonshine-tiny-en"
fetched = pytest.mark.skipif(not (MODELS / published.ENCODER).exists(), reason=f"{MODELS} is not there; `sparehand fetch` brings it")


def chirp(seconds: float = 1.5) -> numpy.ndarray:
    """A rising tone with harmonics that comes and goes: something that the network hears as sound."""
    times = numpy.arange(int(seconds * 16_000)) / 16_000
    phase = 2 * numpy.pi * (120 * times + 60 * times**2)
    return (sum(numpy.sin(k * phase) / k for k in range(1, 12)) * 0.1 * numpy.sin(9 * times) ** 2).astype(numpy.float32)


def session(path) -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    return onnxruntime.InferenceSession(str(path), options)


@fetched
def test_states_and_next_tokens_are_those_of_onnx_runtime():
    encoder, decoder = weights.networks(weights.from_published(MODELS), "cpu")
    sound = chirp()
    theirs = session(MODELS / published.ENCODER).run(None, {"input_values": sound[None], "attention_mask": numpy.ones((1, len(sound)), numpy.int64)})[0]
    with torch.no_grad():
        ours = encoder(torch.tensor(sound)[None]).numpy()
    assert ours.shape == theirs.shape == (1, states_of(len(sound)), 288)
    # What is left is the rounding to 8 bits, which ours does without here.
    assert numpy.linalg.norm(ours - theirs) < 0.1 * numpy.linalg.norm(theirs)
    tokens = numpy.array([[1, 1670, 29915, 29879, 13977]])
    feed = {"input_ids": tokens, "encoder_hidden_states": theirs, "encoder_attention_mask": numpy.ones((1, len(sound)), numpy.int64), "use_cache_branch": numpy.array([False])}
    for layer in range(6):
        for what in ("key", "value"):
            feed[f"past_key_values.{layer}.decoder.{what}"] = numpy.zeros((1, 8, 0, 36), numpy.float32)
            feed[f"past_key_values.{layer}.encoder.{what}"] = numpy.zeros((1, 8, theirs.shape[1], 36), numpy.float32)
    wanted = session(MODELS / published.DECODER).run(["logits"], feed)[0]
    with torch.no_grad():
        read = lambda: decoder.logits(decoder(torch.tensor(tokens), torch.tensor(theirs))).numpy()
        plain = numpy.linalg.norm(read() - wanted) / numpy.linalg.norm(wanted)
        rounded(decoder)
        close = numpy.linalg.norm(read() - wanted) / numpy.linalg.norm(wanted)
    assert plain < 0.05
    # Rounded as the file rounds, hardly anything is left.
    assert close < 0.015 and close < plain


@fetched
@pytest.mark.parametrize("name, names", [(published.ENCODER, published.encoder_names), (published.DECODER, published.decoder_names)])
def test_weights_taken_out_and_put_back_change_nothing(name, names):
    graph = published.opened(MODELS / name)
    taken = published.taken_out(graph, names(graph))
    taken.pop("emb.weight", None)
    assert published.put_back(graph, names(graph), taken) == bytes(graph.content)


@fetched
def test_a_weight_that_is_changed_is_what_onnx_runtime_then_runs(tmp_path):
    changed = weights.from_published(MODELS)
    changed["enc.out.weight"] = changed["enc.out.weight"] * 2
    weights.put_back(MODELS, changed, tmp_path)
    sound = chirp()
    feed = {"input_values": sound[None], "attention_mask": numpy.ones((1, len(sound)), numpy.int64)}
    before, after = (session(folder / published.ENCODER).run(None, feed)[0] for folder in (MODELS, tmp_path))
    # A norm has no offset: its weight scales what comes out.
    assert numpy.allclose(after, 2 * before, rtol=1e-4, atol=1e-5)


def test_rounding_is_to_256_steps_and_lets_the_gradient_through():
    torch.manual_seed(1)
    layer = Linear(40, 30, bias=False)
    rounded(layer)
    x = torch.randn(2, 7, 40, requires_grad=True)
    out = layer(x)
    step, zero = (figure.item() for figure in grid(layer.weight.detach(), (0, 1)))
    steps = published.in_steps(layer.weight.detach().numpy(), step, zero)
    assert steps.min() == 0 and steps.max() == 255
    held = torch.tensor((steps.astype(numpy.float32) - zero) * step)
    assert (held - layer.weight).abs().max() <= step / 2 * 1.001
    assert (out - x @ held.T).abs().max() < 0.05
    out.sum().backward()
    assert layer.weight.grad.abs().sum() > 0 and x.grad.abs().sum() > 0


def test_near_keeps_the_lower_bits_and_is_close():
    draw = numpy.random.default_rng(1)
    old = draw.normal(0, 1, 5_000).astype(numpy.float32)
    new = (old + draw.normal(0, 0.05, 5_000)).astype(numpy.float32)
    found = published.near(new, old)
    assert ((found.view(numpy.uint32) ^ old.view(numpy.uint32)) & 0xFFFF == 0).all()
    assert (numpy.abs(found - new) <= numpy.abs(new) * 2.0**-7 + 1e-30).all()


def test_weights_survive_their_file(tmp_path):
    draw = numpy.random.default_rng(2)
    held = {"enc.a.weight": draw.normal(0, 1, (30, 20)).astype(numpy.float32), "enc.b": draw.normal(0, 1, 9).astype(numpy.float32)}
    weights.saved(held, tmp_path / "w.npz", held)
    found = weights.loaded(tmp_path / "w.npz")
    assert (found["enc.b"] == held["enc.b"]).all()
    step = published.steps_of(held["enc.a.weight"])[0]
    assert numpy.abs(found["enc.a.weight"] - held["enc.a.weight"]).max() <= step / 2 * 1.001


def test_between_is_so_far_on_the_way():
    start, trained = {"enc.a": numpy.array([1.0, 2.0]), "dec.b": numpy.array([0.0])}, {"enc.a": numpy.array([3.0, 2.0]), "dec.b": numpy.array([1.0])}
    there = weights.between(start, trained, 0.25, 0.5)
    assert there["enc.a"].tolist() == [1.5, 2.0] and there["dec.b"].tolist() == [0.5]
