"""A child process that records measurements; tests kill it.

python writer.py LOG endless            one after another, naming each on stdout once it is recorded
python writer.py LOG times N            N of them
python writer.py LOG stop-before SQL    one, and kill -9 itself before the statement that begins like this
"""

from __future__ import annotations

import itertools
import os
import signal
import sys
from pathlib import Path

import numpy as np

from calc.units import Unit
from capture.readings import Gauge, Trace
from joblog.records import Measurement, new_id, utc_now
from joblog.store import Store

READINGS = 3000


def measurement() -> Measurement:
    """A measurement of about a minute; its trace says its own length in every count."""
    rng = np.random.default_rng()
    return Measurement(
        id=new_id(),
        at=utc_now(),
        corner="LR",
        stage="as-found",
        state="measured",
        analysis={"end_play_mm": 0.31},
        hub_title="Heron GT rear hub",
        hub_text='title = "Heron GT rear hub"\n' * 20,
        unit=Unit.MM,
        least_mm=0.03,
        most_mm=0.20,
        link="simulated:",
        profile="line",
        gauge=Gauge(),
        simulated=True,
        version="0.1.0",
        trace=Trace(
            rng.random(READINGS), np.full(READINGS, READINGS), 3, Unit.MM
        ),  # times that hardly compress
    )


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> None:
    path, what, *more = sys.argv[1:]
    with Store.open(Path(path), busy_s=20.0) as store:
        say("open")
        if what == "stop-before":

            def stop(sql: str) -> None:
                if sql.startswith(more[0]):
                    os.kill(os.getpid(), signal.SIGKILL)

            one = measurement()
            store._db.conn.set_trace_callback(stop)
            store.add(one)
            store._db.conn.set_trace_callback(None)
            say(one.id)
            return
        for _ in itertools.count() if what == "endless" else range(int(more[0])):
            one = measurement()
            store.add(one)
            say(one.id)


if __name__ == "__main__":
    main()
