"""Fit of readings on engines whose truth is known: bias, coverage, slips found, false alarms.

    python -m tests.accuracy.study_fit --engines 1000 --seed 5 --out tests/accuracy/RESULTS.md

Each engine is made up and read twenty times by `tests.bench_engine`, which shares no code with portmap's
crank, with normal errors of the tools' doubts; the job's crown height is a guess 5 % off. In half of them the
rod and the pin offset are guessed too, their truth drawn as wide as the guess is said to be. Coverage counts
how often a figure's truth lies within 1.96 times its stated doubt. Then one reading is spoilt.
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from portmap.fit import Fit, fit_readings
from portmap.job import job_of
from tests.accuracy.results import section_written
from tests.bench_engine import TWENTY, drawn_engine, drawn_job, true_reading

TITLE = "Fit of readings"
SLIPS = (5, 8, 12, 20)  # of a reading's own doubt
WHEEL_DEG = 2.0


@dataclass
class Tally:
    """What the engines gave."""

    scores: dict[str, list[float]] = field(default_factory=dict)
    widths: dict[str, list[float]] = field(default_factory=dict)
    chances: list[float] = field(default_factory=list)
    alarms: int = 0
    seconds: list[float] = field(default_factory=list)
    found: dict[int, list[str]] = field(default_factory=dict)
    wheels: list[bool] = field(default_factory=list)


def fitted(document: dict[str, Any]) -> Fit:
    """The fit of a job's document."""
    return fit_readings(job_of(document))


def score(tally: Tally, number: int, seed: int) -> None:
    """Draw one engine, fit it, spoil it, fit it again."""
    rng = np.random.default_rng([seed, number])
    engine = drawn_engine(rng)
    document = drawn_job(engine, rng, rod_measured=bool(number % 2))
    start = time.perf_counter()
    fit = fitted(document)
    tally.seconds.append(time.perf_counter() - start)
    truth = engine.named()
    for figure in fit.figures:
        if figure.name in truth:
            tally.scores.setdefault(figure.name, []).append((figure.value - truth[figure.name]) / figure.u)
            tally.widths.setdefault(figure.name, []).append(figure.u)
    tally.chances.append(fit.chance)
    tally.alarms += bool(fit.suspects)
    # a slip in one reading that the others check
    row = int(rng.integers(len(TWENTY)))
    kind, where = TWENTY[row]
    checked = next(misfit.checked for misfit in fit.misfits if misfit.number == row + 1)
    if checked > 0.25:
        slip = SLIPS[number // 2 % len(SLIPS)]
        _, u, _ = true_reading(engine, kind, **where)
        spoilt = {**document, "readings": [dict(each) for each in document["readings"]]}
        spoilt["readings"][row]["value"] += slip * u * rng.choice([-1, 1])
        suspects = fitted(spoilt).suspects
        if not suspects:
            verdict = "missed"
        elif suspects[0].numbers == (row + 1,) and not suspects[0].figures:
            verdict = "named alone"
        elif row + 1 in suspects[0].numbers:
            verdict = "named with others"
        else:
            verdict = "another named"
        tally.found.setdefault(slip, []).append(verdict)
    if number % 5 == 0:
        turned = {**document, "readings": [dict(each) for each in document["readings"]]}
        for each in turned["readings"]:
            if each["unit"] == "deg":
                each["value"] += WHEEL_DEG
            elif each["kind"] == "depth_at":
                each["value"] = engine.depth(each["at_deg"] - WHEEL_DEG)
        tally.wheels.append(any(notice.code == "wheel-zero" for notice in fitted(turned).notices))


def table_of(tally: Tally, seed: int, seconds: float) -> str:
    """Return the section's text."""
    everything = np.concatenate([np.array(scores) for scores in tally.scores.values()])
    count = len(tally.seconds)
    lines = [
        f"{count} made-up engines of twenty readings each (seed {seed}), {seconds:.0f} s on {os.cpu_count()}"
        f" cores ({platform.machine()}, Python {platform.python_version()}). One fit takes"
        f" {1000 * np.median(tally.seconds):.0f} ms (median). Coverage: truth within 1.96 of the stated"
        " doubt; aim 93 to 97 %. Bias: mean error over stated doubt, which for an unbiased fit stays within"
        f" {2 / np.sqrt(count):.2f} of 0 in 95 of 100 cases.",
        "",
        "| figure | coverage | bias, of its doubt | doubt (1 σ), median |",
        "| --- | ---: | ---: | ---: |",
    ]
    for name, scores in tally.scores.items():
        values = np.array(scores)
        lines.append(
            f"| {name} | {100 * (np.abs(values) <= 1.96).mean():.1f} % | {values.mean():+.3f} |"
            f" {np.median(tally.widths[name]):.4f} |"
        )
    lines += [
        f"| **all** | **{100 * (np.abs(everything) <= 1.96).mean():.1f} %** | {everything.mean():+.3f} | |",
        "",
        "Sum of squared misfits: its chance lies below 5 % in"
        f" {100 * np.mean(np.array(tally.chances) < 0.05):.1f} %"
        f" of good sets. Good sets in which a reading was said not to belong:"
        f" {100 * tally.alarms / count:.1f} % (aim 1 %).",
        "",
        "One reading spoilt, among those that the others check by at least a quarter:",
        "",
        "| slip, of its doubt | tried | named alone | named with others it cannot be told from"
        " | another named | missed |",
        "| ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for slip, verdicts in sorted(tally.found.items()):
        cells = [
            f"{100 * verdicts.count(verdict) / len(verdicts):.1f} %"
            for verdict in ("named alone", "named with others", "another named", "missed")
        ]
        lines.append(f"| {slip} | {len(verdicts)} | {' | '.join(cells)} |")
    lines += [
        "",
        f"All degrees {WHEEL_DEG:g}° late, as from a wheel whose zero is not at TDC: said so in"
        f" {100 * np.mean(tally.wheels):.1f} % of {len(tally.wheels)}.",
    ]
    return "\n".join(lines)


def main() -> None:
    """Run the study, print its table and keep it if asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    tally, start = Tally(), time.perf_counter()
    for number in range(options.engines):
        score(tally, number, options.seed)
    text = table_of(tally, options.seed, time.perf_counter() - start)
    print(text)
    if options.out:
        section_written(TITLE, text, place=options.out)


if __name__ == "__main__":
    main()
