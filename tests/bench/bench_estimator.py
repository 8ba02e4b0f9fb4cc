"""How good the end play is: every kind of simulated trace, beside the oracle, rivals and other methods.

    python tests/bench/bench_estimator.py --seeds 50 --rivals --methods

Prints markdown tables; lengths are micrometres. The oracle is least squares that was told which readings rest
on which stop (``capture.simulator.oracle_mm``). It judges nothing: the figures are for people.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import os

# one thread for each of the two processes; numpy reads it when it is imported
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import contextlib
import datetime as dt
import io
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from capture.end_play import Refusal, analyse_trace, resolution_of
from capture.simulator import oracle_mm
from tests.bench.kinds import FRESH, MIXED, TUNED, UNUSABLE, UNUSABLE_FRESH, made
from tests.bench.methods import METHODS
from tests.bench.rivals import RIVALS

USABLE = (*TUNED, *FRESH)
KINDS = (*USABLE, MIXED, *UNUSABLE, *UNUSABLE_FRESH)
HALF_THOU_UM = 12.7
OURS = "ours"
BEGINS, ENDS = "<!-- bench_estimator -->", "<!-- end of bench_estimator -->"
MIXED_SEEDS = 10
"""So many times as many traces are mixed at random as there are of any other kind."""
OTHERS = RIVALS | METHODS


@dataclass(frozen=True, slots=True)
class Result:
    """One trace. Lengths are micrometres; a number that was not given is None.

    Attributes:
        kind: Name in ``KINDS``.
        seed: Of the simulator.
        error: For each method what it gives less the truth (of an unusable trace, what it gives).
        oracle: The oracle's error; 0 for an unusable trace.
        expanded: Half width of our 95 % interval.
        why: Reason codes of our refusal.
        seconds: What each method took.
    """

    kind: str
    seed: int
    error: dict[str, float | None]
    oracle: float
    expanded: float
    why: str
    seconds: dict[str, float]

    @property
    def ours(self) -> float | None:
        """Our own error."""
        return self.error[OURS]


def judge(task: tuple[str, int, tuple[str, ...]]) -> Result:
    """Make one trace and measure it every way."""
    kind, seed, names = task
    simulated = made(kind, seed)
    trace = simulated.trace
    times, readings, step = trace.times_s, trace.readings_mm, resolution_of(trace)
    usable = simulated.truth_mm is not None and kind not in UNUSABLE and kind not in UNUSABLE_FRESH
    truth = simulated.truth_mm or 0.0 if usable else 0.0
    started = time.perf_counter()
    outcome = analyse_trace(trace)
    seconds = {OURS: time.perf_counter() - started}
    error: dict[str, float | None] = {OURS: None}
    expanded, why = 0.0, ""
    if isinstance(outcome, Refusal):
        why = ", ".join(reason.code for reason in outcome.reasons)
    else:
        error[OURS], expanded = 1e3 * (outcome.end_play_mm - truth), 1e3 * outcome.expanded_mm
    for name in names:
        started = time.perf_counter()
        value = OTHERS[name](times, readings, step)
        seconds[name] = time.perf_counter() - started
        error[name] = None if value is None else 1e3 * (value - truth)
    oracle = 1e3 * (oracle_mm(simulated) - truth) if usable else 0.0
    return Result(kind, seed, error, oracle, expanded, why, seconds)


def run(kinds: Sequence[str], seeds: range, rivals: list[str], methods: list[str]) -> list[Result]:
    """Judge every kind with every seed, in two processes; the methods leave out what is mixed at random."""
    tasks: list[tuple[str, int, tuple[str, ...]]] = []
    for kind in kinds:
        mixed = kind == MIXED
        last = seeds.start + len(seeds) * (MIXED_SEEDS if mixed else 1)
        names = (*rivals, *([] if mixed else methods))
        tasks += [(kind, seed, names) for seed in range(seeds.start, last)]
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(judge, tasks, chunksize=10))


def rms(errors: Iterable[float | None]) -> float:
    """Root mean square of the numbers that were given."""
    given = np.array([e for e in errors if e is not None])
    return float(np.sqrt((given**2).mean())) if len(given) else float("nan")


def worst(errors: Iterable[float | None]) -> float:
    """Largest size of an error among the numbers that were given."""
    return max((abs(e) for e in errors if e is not None), default=float("nan"))


def row(*cells: object) -> None:
    """One row of a markdown table."""
    print("| " + " | ".join(f"{c:.2f}" if isinstance(c, float) else str(c) for c in cells) + " |")


def head(first: str, *names: str) -> None:
    """The top of a markdown table: words to the left, numbers to the right."""
    print()
    row(first, *names)
    print("|---|" + "---:|" * len(names))


def percent(part: int, whole: int) -> str:
    """A share, with one decimal."""
    return f"{100 * part / max(1, whole):.1f}"


@dataclass(frozen=True, slots=True)
class Figures:
    """What a set of usable traces comes to, all of our own method."""

    traces: int
    refused: int
    rms: float
    oracle: float
    worst: float
    covered: int
    width: float
    uncovered_half_thou: int

    @property
    def answered(self) -> int:
        """How many got a number."""
        return self.traces - self.refused


def figures_of(results: Sequence[Result]) -> Figures:
    """Add up; the oracle is judged on the traces that we answered, so that both are judged on the same."""
    answered = [r for r in results if r.ours is not None]
    errors = np.array([r.ours for r in answered], dtype=np.float64)
    expanded = np.array([r.expanded for r in answered])
    missed = np.abs(errors) > expanded
    return Figures(
        traces=len(results),
        refused=len(results) - len(answered),
        rms=rms(errors),
        oracle=rms(r.oracle for r in answered),
        worst=worst(errors),
        covered=int((~missed).sum()),
        width=float(np.median(expanded)) / (1.96 * rms(errors)) if answered else float("nan"),
        uncovered_half_thou=int((missed & (np.abs(errors) > HALF_THOU_UM)).sum()),
    )


def print_usable(results: Sequence[Result], rivals: Sequence[str]) -> None:
    """One row a kind: ours, the oracle, and what each rival makes of it."""
    head(
        "kind",
        *("refused %", "RMS", "oracle RMS", "ratio", "worst", "covered %", "U / 1.96 RMS"),
        *(f"{name}: RMS (worst)" for name in rivals),
    )
    for kind in dict.fromkeys(r.kind for r in results):
        rows = [r for r in results if r.kind == kind]
        f = figures_of(rows)
        cells = [f"{rms(errors):.1f} ({worst(errors):.0f})" for errors in by_method(rows, rivals)]
        row(
            kind,
            *(percent(f.refused, f.traces), f.rms, f.oracle, f.rms / f.oracle, f.worst),
            *(percent(f.covered, f.answered), f.width),
            *cells,
        )


def by_method(results: Sequence[Result], names: Sequence[str]) -> list[list[float | None]]:
    """The errors of each method in turn."""
    return [[r.error[name] for r in results] for name in names]


def print_totals(results: Sequence[Result]) -> None:
    """The figures that the estimator is held to, over all traces of a set."""
    kinds = {
        "tuned kinds": tuple(TUNED),
        "fresh kinds": tuple(FRESH),
        "all usable kinds": USABLE,
        MIXED: (MIXED,),
    }
    head("our own, over", "traces", *TOTALS)
    for name, chosen in kinds.items():
        rows = [r for r in results if r.kind in chosen]
        if not rows:
            continue
        f = figures_of(rows)
        one_kind = {r.kind: rms(q.ours for q in rows if q.kind == r.kind) for r in rows}
        width = float(np.median([r.expanded / (1.96 * one_kind[r.kind]) for r in rows if r.ours is not None]))
        row(
            *(name, f.traces, percent(f.refused, f.traces), f.rms, f.oracle, f.rms / f.oracle),
            *(f.worst, percent(f.covered, f.answered), f.width, width, f.uncovered_half_thou),
        )


TOTALS = (
    "refused %", "RMS", "oracle RMS", "ratio", "worst", "covered %", "median U / 1.96 RMS",
    "median of U / 1.96 RMS of its kind", "above 12.7 µm and not covered",
)  # fmt: skip


def print_unusable(results: Sequence[Result], names: Sequence[str]) -> None:
    """How often a number was given where there is none."""
    head("no end play to find", "accepted %", "reasons of ours", *(f"{name} accepted %" for name in names))
    sets = {r.kind: [q for q in results if q.kind == r.kind] for r in results}
    sets["**all tuned**"] = [r for r in results if r.kind in UNUSABLE]
    sets["**all fresh**"] = [r for r in results if r.kind in UNUSABLE_FRESH]
    sets["**all**"] = list(results)
    for kind, rows in sets.items():
        if not rows:
            continue
        reasons = Counter(r.why.split(",")[0] for r in rows if r.why)
        said = "" if "*" in kind else ", ".join(f"{code} {count}" for code, count in reasons.most_common())
        shares = [
            percent(sum(e is not None for e in errors), len(rows))
            for errors in by_method(rows, [OURS, *names])
        ]
        row(kind, shares[0], said, *shares[1:])


def print_methods(usable: Sequence[Result], unusable: Sequence[Result], names: Sequence[str]) -> None:
    """The methods side by side, over all kinds."""
    head(
        "method",
        *("refused %", "RMS", "worst", "above 12.7 µm %", "median ratio of a kind to the oracle"),
        *("kinds above 1.5 × oracle", "RMS without slips and setting up", "unusable accepted %"),
        "ms a trace (median)",
    )
    kinds = list(dict.fromkeys(r.kind for r in usable))
    models = TUNED | FRESH
    plainer = [r for r in usable if not (models[r.kind].slip_mm or models[r.kind].setup_s)]
    for name in [OURS, *names]:
        errors = [r.error[name] for r in usable]
        given = [e for e in errors if e is not None]
        ratios = []
        for kind in kinds:
            rows = [r for r in usable if r.kind == kind]
            ratio = rms(r.error[name] for r in rows) / rms(r.oracle for r in rows)
            ratios.append(ratio if ratio == ratio else np.inf)  # noqa: PLR0124 - nothing given is no good ratio
        accepted = sum(r.error[name] is not None for r in unusable)
        row(
            *(name, percent(len(errors) - len(given), len(errors)), rms(errors), worst(errors)),
            percent(sum(abs(e) > HALF_THOU_UM for e in given), len(errors)),
            float(np.median(ratios)),
            f"{sum(ratio > 1.5 for ratio in ratios)} of {len(kinds)}",
            rms(r.error[name] for r in plainer),
            percent(accepted, len(unusable)),
            1e3 * float(np.median([r.seconds[name] for r in usable])),
        )


def print_cases(usable: Sequence[Result], unusable: Sequence[Result]) -> None:
    """Single traces worth a look, with what makes them again."""
    head("trace worth a look", "seed", "what", "error", "U", "oracle's error")
    for r in usable:
        if r.ours is None:
            row(r.kind, r.seed, f"refused: {r.why}", "", "", r.oracle)
        elif abs(r.ours) > max(HALF_THOU_UM, r.expanded):
            row(r.kind, r.seed, "above 12.7 µm, not covered", r.ours, r.expanded, r.oracle)
        elif abs(r.ours) > 2 * r.expanded:
            row(r.kind, r.seed, "off by more than 2 U", r.ours, r.expanded, r.oracle)
        elif abs(r.ours) > 3 * abs(r.oracle) + 3:
            row(r.kind, r.seed, "far worse than the oracle", r.ours, r.expanded, r.oracle)
    for r in unusable:
        if r.ours is not None:
            row(r.kind, r.seed, "accepted", r.ours, r.expanded, "")


def report(args: argparse.Namespace) -> None:
    """Measure and print."""
    rivals = list(RIVALS) if args.rivals else []
    methods = list(METHODS) if args.methods else []
    started = time.perf_counter()
    seeds = range(args.first, args.first + args.seeds)
    results = run(args.kinds or list(KINDS), seeds, rivals, methods)
    usable = [r for r in results if r.kind in USABLE or r.kind == MIXED]
    unusable = [r for r in results if r.kind in UNUSABLE or r.kind in UNUSABLE_FRESH]
    today = dt.datetime.now(dt.UTC).date()
    print(
        f"Measured {today}; seeds {seeds[0]} to {seeds[-1]} ({MIXED_SEEDS} times as many mixed at random); "
        f"lengths in µm; {time.perf_counter() - started:.0f} s in two processes."
    )
    if usable:
        print_totals(usable)
    if unusable:
        print_unusable(unusable, rivals)
    if usable and (methods or rivals):
        print_methods([r for r in usable if r.kind != MIXED], unusable, [*methods, *rivals])
    if usable:
        print_usable(usable, rivals)
    if args.cases:
        print_cases(usable, unusable)


def put_into(page: Path, text: str) -> None:
    """Put the tables between the two marks on a page."""
    before, rest = page.read_text(encoding="utf-8").split(BEGINS)
    after = rest.split(ENDS)[1]
    page.write_text(f"{before}{BEGINS}\n\n{text}\n{ENDS}{after}", encoding="utf-8")


def main() -> None:
    """Read the arguments; measure; print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=50, help="traces of each kind (default %(default)s)")
    parser.add_argument("--first", type=int, default=1, help="first seed (default %(default)s)")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, metavar="KIND", help="only these kinds")
    parser.add_argument("--rivals", action="store_true", help="with what a user would reach for instead")
    parser.add_argument("--methods", action="store_true", help="with the methods that were compared")
    parser.add_argument("--cases", action="store_true", help="list single traces that went wrong")
    parser.add_argument("--write", type=Path, metavar="PAGE", help="put the tables on this page too")
    args = parser.parse_args()
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        report(args)
    print(out.getvalue(), end="")
    if args.write:
        put_into(args.write, out.getvalue())


if __name__ == "__main__":
    main()
