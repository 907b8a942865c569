"""Weights of the network in one small file: what the published files hold in 8 bits as it is there, the rest in half precision.

    python -m train.weights out MODELS START.npz            from the folder with the published files
    python -m train.weights between START.npz TRAINED.npz ENCODER DECODER OUT.npz  so far on the way from the ones to the others, by halves
    python -m train.weights back MODELS TRAINED.npz FOLDER  those files with the trained weights in place
"""

from __future__ import annotations

import argparse
import pathlib

import numpy
import torch

from train import published
from train.network import Decoder, Encoder

# Names in a file: `q:` steps and `s:` step and zero point of a linear weight, `f:` any other.
PARTS = ("enc.", "dec.")


def saved(weights: dict[str, numpy.ndarray], path: pathlib.Path, like: dict[str, numpy.ndarray]) -> None:
    """Writes weights by their names, which begin with `enc.` or `dec.`, in the steps of 8 bits of those that they are `like`."""
    held = {}
    for name, values in weights.items():
        if values.ndim == 2:
            step, zero = published.steps_of(like[name])
            held["q:" + name], held["s:" + name] = published.in_steps(values, step, zero), numpy.array([step, zero], numpy.float64)
        else:
            held["f:" + name] = values.astype(numpy.float16) if values.size > published.LARGE else values.astype(numpy.float32)
    numpy.savez_compressed(path, **held)


def loaded(path: pathlib.Path) -> dict[str, numpy.ndarray]:
    """Weights by name, float32."""
    held, found = numpy.load(path), {}
    for name in held.files:
        if name.startswith("q:"):
            step, zero = held["s:" + name[2:]]
            found[name[2:]] = ((held[name].astype(numpy.float64) - zero) * step).astype(numpy.float32)
        elif name.startswith("f:"):
            found[name[2:]] = held[name].astype(numpy.float32)
    return found


def part(weights: dict[str, numpy.ndarray], which: str) -> dict[str, torch.Tensor]:
    """The weights of one half of the network, without its name before theirs."""
    return {name[len(which) :]: torch.tensor(values) for name, values in weights.items() if name.startswith(which)}


def networks(weights: dict[str, numpy.ndarray], device) -> tuple[Encoder, Decoder]:
    """Both halves with these weights."""
    encoder, decoder = Encoder(), Decoder()
    encoder.load_state_dict(part(weights, "enc."))
    decoder.load_state_dict(part(weights, "dec."))
    return encoder.to(device), decoder.to(device)


def from_published(models: pathlib.Path) -> dict[str, numpy.ndarray]:
    """The weights in a folder with the published files."""
    encoder, decoder = published.opened(models / published.ENCODER), published.opened(models / published.DECODER)
    found = {"enc." + name: values for name, values in published.taken_out(encoder, published.encoder_names(encoder)).items()}
    return found | {"dec." + name: values for name, values in published.taken_out(decoder, published.decoder_names(decoder)).items()}


def between(start: dict[str, numpy.ndarray], trained: dict[str, numpy.ndarray], encoder: float, decoder: float) -> dict[str, numpy.ndarray]:
    """Each trained weight of a half of the network that share of the way from what it was (Wortsman and others 2022, arXiv 2109.01903: such
    averages keep what the start could do, its reserve towards wrong texts here, and most of what was learned)."""
    shares = {"enc.": encoder, "dec.": decoder}
    return {name: start[name] + shares[name[:4]] * (values - start[name]) for name, values in trained.items()}


def put_back(models: pathlib.Path, weights: dict[str, numpy.ndarray], folder: pathlib.Path) -> None:
    """Writes the published files with `weights` in place; the embedding, which is not trained, stays."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, which, names in ((published.ENCODER, "enc.", published.encoder_names), (published.DECODER, "dec.", published.decoder_names)):
        graph = published.opened(models / name)
        ours = {one[len(which) :]: values for one, values in weights.items() if one.startswith(which) and one != "dec.emb.weight"}
        (folder / name).write_bytes(published.put_back(graph, names(graph), ours))


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ways = words.add_subparsers(dest="way", required=True)
    out = ways.add_parser("out")
    out.add_argument("models", type=pathlib.Path)
    out.add_argument("to", type=pathlib.Path)
    way = ways.add_parser("between")
    for name, kind in (("start", pathlib.Path), ("trained", pathlib.Path), ("encoder", float), ("decoder", float), ("to", pathlib.Path)):
        way.add_argument(name, type=kind)
    back = ways.add_parser("back")
    back.add_argument("models", type=pathlib.Path)
    back.add_argument("trained", type=pathlib.Path)
    back.add_argument("folder", type=pathlib.Path)
    asked = words.parse_args()
    if asked.way == "out":
        found = from_published(asked.models)
        saved(found, asked.to, found)
    elif asked.way == "between":
        start = loaded(asked.start)
        saved(between(start, loaded(asked.trained), asked.encoder, asked.decoder), asked.to, start)
    else:
        put_back(asked.models, loaded(asked.trained), asked.folder)


if __name__ == "__main__":
    main()
