"""The pictures, as PNG. Colours by Okabe and Ito that stand 3:1 on white; lines differ by dash and mark as well."""

from __future__ import annotations

import pathlib
from collections import Counter

import matplotlib

matplotlib.use("Agg")

import matplotlib.pyplot as plt
import numpy

from bench import noise, tally
from bench.corpus import SNRS
from bench.phrases import Phrase

STYLES = [("#0072B2", "-", "o"), ("#D55E00", "--", "s"), ("#009E73", "-.", "^"), ("#CC79A7", ":", "D")]
plt.rcParams.update({"font.size": 9, "axes.grid": True, "grid.alpha": 0.3, "savefig.dpi": 110})


def errors(records: list[dict], out: pathlib.Path) -> None:
    """Share not heard right against speech-to-noise ratio, a panel for each noise, with Wilson's 95 % bands."""
    groups = tally.by(records, lambda record: record["condition"])
    figure, panels = plt.subplots(1, len(noise.NOISES), figsize=(12, 3.9), sharey=True, layout="constrained")
    places = ["quiet", *SNRS]
    for panel, kind in zip(panels, noise.NOISES):
        for engine, (colour, dash, mark) in zip(tally.engines(records), STYLES):
            rows = [tally.share(groups.get("quiet" if at == "quiet" else f"{kind} {at} dB", []), engine).row() for at in places]
            _band(panel, rows, colour, dash, mark, engine)
        rows = [tally.best_right(groups.get("quiet" if at == "quiet" else f"{kind} {at} dB", []), "phrases scored").row() for at in places]
        colour, dash, mark = STYLES[3]
        _band(panel, rows, colour, dash, mark, "phrases scored, nothing refused")
        panel.set_title(kind)
        panel.set_xlabel("speech to noise, dB")
        panel.set_xticks(range(len(places)), [str(place) for place in places])
    panels[0].set_ylabel("not heard right, %")
    panels[0].set_ylim(0, 100)
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=4, frameon=False)
    _save(figure, out)


def _band(panel, rows: list[dict], colour: str, dash: str, mark: str, label: str) -> None:
    at = [place for place, row in enumerate(rows) if row["of"]]
    rows = [rows[place] for place in at]
    panel.plot(at, [100 * row["not_right"] for row in rows], dash, marker=mark, color=colour, label=label, markersize=4)
    panel.fill_between(at, [100 * row["low"] for row in rows], [100 * row["high"] for row in rows], color=colour, alpha=0.15, linewidth=0)


def trade(curves: dict[str, dict[str, tally.Trade]], out: pathlib.Path) -> None:
    """Detection-error trade-off: a panel for one word and for more, a line for each kind of condition."""
    figure, panels = plt.subplots(1, len(curves), figsize=(10, 4.2), sharey=True, layout="constrained")
    for panel, (title, lines) in zip(panels, curves.items()):
        for (label, curve), (colour, dash, _) in zip(lines.items(), STYLES):
            nothing = 0.5 * 1 / max(curve.hours, 1e-9)
            panel.plot(numpy.maximum(curve.an_hour, nothing), 100 * curve.missed, dash, color=colour, label=f"{label} ({curve.answers})")
        hours = next(iter(lines.values())).hours
        panel.axvspan(1e-3, 1 / hours, color="0.9", zorder=0)
        panel.set_xscale("log")
        panel.set_xlim(0.4 / hours, 200)
        panel.set_ylim(0, 100)
        panel.set_title(f"{title}; grey: less than one in the {hours:.1f} h of talk")
        panel.set_xlabel("wrong accepts an hour of talk")
        panel.legend(frameon=False, title="answers in")
    panels[0].set_ylabel("answers missed, %")
    _save(figure, out)


def confusion(pairs: Counter, phrases: list[Phrase], records: int, out: pathlib.Path) -> None:
    """What was taken for what, phrases that were never in it left out."""
    used = {text for pair in pairs for text in pair}
    names = [phrase.text for phrase in phrases if phrase.text in used]
    table = numpy.zeros((len(names), len(names)))
    for (said, taken), count in pairs.items():
        table[names.index(said), names.index(taken)] = count
    size = 2.2 + 0.19 * len(names)
    figure, panel = plt.subplots(figsize=(size, size), layout="constrained")
    shown = panel.imshow(numpy.where(table == 0, numpy.nan, table), cmap="viridis_r")
    panel.set_xticks(range(len(names)), names, rotation=90, fontsize=7)
    panel.set_yticks(range(len(names)), names, fontsize=7)
    panel.set_xlabel("came nearest")
    panel.set_ylabel("said")
    panel.set_title(f"{int(table.sum())} of {records} clips where another phrase came nearest")
    figure.colorbar(shown, shrink=0.5, label="clips")
    _save(figure, out)


def costs(times: dict[str, list[float]], peaks: dict[str, float], out: pathlib.Path) -> None:
    """Time for one utterance (box: quartiles, whiskers: 5 and 95 %), and the most memory."""
    figure, (left, right) = plt.subplots(1, 2, figsize=(9, 2.6), layout="constrained")
    names = list(times)
    left.boxplot([times[name] for name in names], orientation="horizontal", whis=(5, 95), showfliers=False, tick_labels=names)
    left.set_xlabel("ms for one utterance, on a machine with other work")
    left.set_xlim(left=0)
    left.invert_yaxis()
    right.barh(range(len(names)), [peaks[name] for name in names], color=[STYLES[at][0] for at in range(len(names))])
    right.set_yticks(range(len(names)), names)
    right.invert_yaxis()
    right.set_xlabel("most memory, MB resident")
    _save(figure, out)


def reliability(bins: list[dict], title: str, out: pathlib.Path) -> None:
    """Chance as reckoned against share that was right, with Wilson's 95 % intervals."""
    figure, panel = plt.subplots(figsize=(4.6, 4.2), layout="constrained")
    panel.plot([0, 1], [0, 1], ":", color="0.5")
    low = [one["right"] - one["low"] for one in bins]
    high = [one["high"] - one["right"] for one in bins]
    panel.errorbar([one["chance"] for one in bins], [one["right"] for one in bins], [low, high], fmt="o", color=STYLES[0][0], capsize=3)
    for one in bins:
        panel.annotate(str(one["of"]), (one["chance"], one["right"]), textcoords="offset points", xytext=(7, -10), fontsize=7)
    panel.set_xlabel("chance that the phrase was said, as reckoned")
    panel.set_ylabel("share that was said")
    panel.set_title(title)
    _save(figure, out)


def _save(figure, out: pathlib.Path) -> None:
    out.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(out, metadata={"Software": None})
    plt.close(figure)
