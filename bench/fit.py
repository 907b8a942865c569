"""Fits the weights of models/hearing.toml anew, and says how well the weights that ship know what they know.

The data: the figures that examples/hear_features.rs prints for the clips of the sweeps (right where the best phrase is the one said)
and for the talk (never right; pieces in whose text the best phrase really stands are left out). Both may be made of synthetic voices
(`bench/run odds`, `talk`) or of people (`python -m train.acceptance`). Only what passes the fixed gates of
the program has figures. Folds are by voice: no voice is judged by weights that were fitted to it.
"""

from __future__ import annotations

import json
import pathlib
import tomllib
from dataclasses import dataclass

import numpy
from scipy.special import expit
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

from bench.intervals import wilson
from bench.phrases import holds
from bench.results import Results

ROOT = pathlib.Path(__file__).parents[1]
# As `src/decide/evidence.rs` names them, in its order.
FEATURES = (
    "always",
    "score",
    "margin",
    "over_free",
    "likeness",
    "one_word",
    "extra_words",
)
# The strength of the penalty on the square of the weights, as in the fit before.
PENALTY = 0.1
FOLDS = 5


@dataclass
class Data:
    """Figures, a row for each utterance; whether the best phrase was said; who spoke; from which part it comes."""

    figures: numpy.ndarray
    said: numpy.ndarray
    voice: numpy.ndarray
    part: numpy.ndarray


def gather(work: pathlib.Path) -> Data:
    """All utterances of the runs in `work` that passed the gates."""
    rows = []
    for name in ("sweep", "manners"):
        for record in Results(work / f"{name}-odds.jsonl").read():
            if record["found"]["features"]:
                rows.append((record["found"]["features"], record["found"]["best"] == record["phrase"], record["voice"], name))
    for record in Results(work / "talk.jsonl").read():
        for piece in record["weighed"]:
            if piece["features"] and (record["kind"] == "people" or not holds(record["text"], piece["best"])):
                rows.append((piece["features"], False, record["voice"] or record["source"], "talk"))
    if not rows:
        raise SystemExit(f"fit: nothing in {work}; run `bench/run odds` and `bench/run talk` first")
    figures, said, voice, part = zip(*rows)
    return Data(numpy.array(figures, dtype=float), numpy.array(said), numpy.array(voice), numpy.array(part))


def fit(figures: numpy.ndarray, said: numpy.ndarray) -> numpy.ndarray:
    """The weights; the first figure is always 1, so that there is no intercept beside them."""
    model = LogisticRegression(C=1 / PENALTY, fit_intercept=False, max_iter=5_000, tol=1e-8)
    return model.fit(figures, said).coef_[0]


def in_folds(data: Data) -> numpy.ndarray:
    """The log odds of each row by weights fitted to the other voices."""
    odds = numpy.empty(len(data.said))
    for rest, held in GroupKFold(FOLDS).split(data.figures, data.said, data.voice):
        odds[held] = data.figures[held] @ fit(data.figures[rest], data.said[rest])
    return odds


def bins(odds: numpy.ndarray, said: numpy.ndarray, count: int = 10) -> list[dict]:
    """Rows in `count` bins of equal size by chance: mean chance, share that was right with its interval, how many."""
    found = []
    for inside in numpy.array_split(numpy.argsort(odds, kind="stable"), count):
        if len(inside):
            low, high = wilson(int(said[inside].sum()), len(inside))
            found.append({"chance": float(expit(odds[inside]).mean()), "right": float(said[inside].mean()), "low": low, "high": high, "of": len(inside)})
    return found


def quality(odds: numpy.ndarray, said: numpy.ndarray) -> dict:
    """Brier score (mean square of the error of the chance), expected calibration error (over ten bins), mean log loss."""
    chance = expit(odds)
    loss = numpy.logaddexp(0, numpy.where(said, -odds, odds)).mean()
    each = bins(odds, said)
    return {
        "of": len(said),
        "said": int(said.sum()),
        "brier": float(((chance - said) ** 2).mean()),
        "expected_calibration_error": float(sum(abs(one["chance"] - one["right"]) * one["of"] for one in each) / len(said)),
        "log_loss": float(loss),
    }


def shipped(path: pathlib.Path) -> numpy.ndarray:
    """The weights in a hearing.toml."""
    weights = tomllib.loads(path.read_text())["weights"]
    if set(weights) != set(FEATURES):
        raise SystemExit(f"{path}: weights for {sorted(weights)}, expected {sorted(FEATURES)}")
    return numpy.array([weights[name] for name in FEATURES])


def as_toml(weights: numpy.ndarray, made: str, rest: str) -> str:
    """A hearing.toml; `rest` is what stands after the weights, the limits and what they are for."""
    lines = ["# Weights of the chance that the best phrase was really said; see src/decide/evidence.rs for what each figure is.", 'made = """']
    lines += [made, '"""', "", "[weights]"]
    return "\n".join(lines + [f"{name} = {weight:.2f}" for name, weight in zip(FEATURES, weights)]) + "\n" + rest


def after_weights(text: str) -> str:
    """What stands in a hearing.toml after the weights."""
    return text[text.index("\n# What it takes") :]


def run(asked) -> None:
    """Prints and keeps how reliable both sets of weights are; writes the new ones only where asked to."""
    # Only here: the tests need no pictures.
    from bench import pictures

    data = gather(asked.work)
    file = ROOT / "models/hearing.toml"
    now = shipped(file)
    odds = {"shipped": data.figures @ now, "fitted anew, in folds by voice": in_folds(data)}
    found = {name: {"all": quality(one, data.said)} for name, one in odds.items()}
    for name, one in odds.items():
        for part in dict.fromkeys(data.part):
            if 0 < data.said[data.part == part].sum():
                found[name][part] = quality(one[data.part == part], data.said[data.part == part])
    weights = fit(data.figures, data.said)
    found["weights"] = {name: {"shipped": float(a), "anew": round(float(b), 2)} for name, a, b in zip(FEATURES, now, weights)}
    asked.docs.mkdir(parents=True, exist_ok=True)
    (asked.docs / "fit.json").write_text(json.dumps(found, indent=1) + "\n")
    pictures.reliability(bins(odds["shipped"], data.said), "the weights that ship, on this corpus", asked.docs / "reliability.png")
    print(json.dumps(found, indent=1))
    counts = ", ".join(f"{(data.part == part).sum()} of {part} ({data.said[data.part == part].sum()} said)" for part in dict.fromkeys(data.part))
    made = (
        f"Logistic regression (L2 {PENALTY}) by bench/fit.py, {FOLDS} folds by voice, seed {asked.seed}, on what passed the fixed gates:\n"
        f"{counts}. In folds: Brier {found['fitted anew, in folds by voice']['all']['brier']:.4f}."
    )
    if asked.write:
        file.write_text(as_toml(weights, made, after_weights(file.read_text())))
        print(f"fit: {file} written; whoever changes weights counts once, afterwards, on talk that the fit has not seen")
