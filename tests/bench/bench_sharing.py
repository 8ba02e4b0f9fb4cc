"""How long it takes to share shims out, to choose a pack, and to say what may be needed.

Run it with ``python tests/bench/bench_sharing.py``; add a number for as many random stocks.
"""

from __future__ import annotations

import math
import random
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from calc.forecast import forecast  # noqa: E402
from calc.hub import Hub, load_hub  # noqa: E402
from calc.packs import choose_pack  # noqa: E402
from calc.sharing import CornerNeed, share  # noqa: E402


def show(what: str, seconds: list[float]) -> None:
    middle, most = 1000 * statistics.median(seconds), 1000 * max(seconds)
    sys.stdout.write(f"{what:<58} median {middle:8.1f} ms, longest {most:8.1f} ms\n")


def timed(job: Callable[[], object]) -> float:
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


def sharing(hub: Hub, corners: int, drawn: random.Random, stocks: int) -> list[float]:
    seconds = []
    for _ in range(stocks):
        counts = {size: drawn.choice((0, 0, 1, 2)) for size in hub.sizes_mm}
        needs = [
            CornerNeed(f"C{i}", drawn.uniform(0.21, 0.6), 0.004, 9.0, drawn.choice(hub.sizes_mm[12:]), hub)
            for i in range(corners)
        ]
        seconds.append(timed(lambda n=needs, c=counts: share(n, {hub.shim_bin: c})))  # type: ignore[misc]
    return seconds


def main() -> None:
    stocks = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    drawn = random.Random(1)
    hub = load_hub(ROOT / "fixtures" / "hubs" / "heron-rear.toml")
    show("loading the solver and sharing once", sharing(hub, 2, drawn, 1))
    show("two corners, single shims", sharing(hub, 2, drawn, stocks))
    thin = tuple(round(0.5 + 0.05 * i, 2) for i in range(28))
    packs = replace(hub, sizes_mm=thin + hub.sizes_mm[-8:], most_in_pack=2)
    show("four corners, packs of up to two", sharing(packs, 4, drawn, stocks))
    many = replace(hub, sizes_mm=tuple(round(0.5 + 0.001 * i, 3) for i in range(1000)), most_in_pack=4)
    counts = dict.fromkeys(many.sizes_mm, 1)
    show(
        "a pack of four from a thousand sizes, one of each",
        [timed(lambda: choose_pack(0.1, 0.004, 9.0, 4.8, many, counts))],
    )
    show("forecast, any of 28 sizes fitted", [timed(lambda: forecast(0.36, 0.004, math.inf, hub))])


if __name__ == "__main__":
    main()
