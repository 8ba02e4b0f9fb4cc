"""``shimwright job``: a whole job as it is done, put right, broken off and gone on with."""

from __future__ import annotations

import json
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calc.hub import load_hub
from capture.profiles import BUILT_IN
from cli.errors import MisuseError
from cli.job_car import odometer_of
from cli.job_measuring import by_job_card
from cli.measuring import Order
from joblog.jobs import JobEntry, load_job
from joblog.stock import counts, receive_row
from joblog.store import Store
from tests.cli.conftest import Start

Finished = subprocess.CompletedProcess[str]
Run = Callable[..., Finished]
ROOT = Path(__file__).parents[2]
HUB = ROOT / "fixtures" / "hubs" / "heron-rear.toml"
FRONT = ROOT / "fixtures" / "hubs" / "heron-front.toml"
PARTS = ("bearings", "spindle", "flange", "spacer", "washer", "nut")
BIN = "Heron GT rear shim"


def link(end_play_mm: float) -> str:
    return f"simulated:?end_play={end_play_mm}mm&speed=max&seed=3"


def good(result: Finished) -> str:
    assert result.returncode == 0, result.stderr
    return result.stdout


def one_line(result: Finished, said: str) -> None:
    assert result.returncode == 2, result.stdout
    assert result.stderr.count("\n") == 1, result.stderr
    assert result.stderr.startswith("shimwright: ")
    assert re.search(said, result.stderr), result.stderr


def opened(run: Run, *corners: str) -> str:
    words = [word for corner in corners for word in ("--corner", corner)]
    result = run("job", "open", "--vehicle", "Heron GT", "--odometer", "82500 km", *words, "--json")
    return str(json.loads(good(result))["job_id"])


def measured(run: Run, job: str, corner: str, end_play_mm: float, *more: str) -> str:
    return good(run("measure", "--job", job[:8], "--corner", corner, "--link", link(end_play_mm), *more))


def place(run: Run, corner: str) -> str:
    return str(json.loads(good(run("job", "next", "--corner", corner, "--json")))["place"])


def looked_at(run: Run, corner: str) -> None:
    for name in PARTS:
        good(run("job", "part", "--corner", corner, "--name", name, "--kept"))
    good(run("job", "part", "--corner", corner, "--name", "seals", "--renewed"))
    good(run("job", "part", "--corner", corner, "--name", "cotter pin", "--renewed"))


def entries(tmp_path: Path, job: str) -> tuple[JobEntry, ...]:
    return load_job(tmp_path / "log.sqlite", job).entries


def newest(tmp_path: Path, job: str, kind: str) -> JobEntry:
    return [entry for entry in entries(tmp_path, job) if entry.kind == kind][-1]


def stocked(tmp_path: Path, **numbers: int) -> Path:
    log = tmp_path / "log.sqlite"
    with Store.open(log) as store:
        rows = [receive_row(BIN, int(size[1:]) / 100, number) for size, number in numbers.items()]
        store.add_rows("stock", *rows)
    return log


@pytest.mark.slow
def test_the_whole_job(quick: Run, tmp_path: Path) -> None:
    log = stocked(tmp_path, s295=1, s285=2)
    job = opened(quick, f"LR={HUB}:early", f"RR={HUB}:late")
    assert "measure as found; limits 0.03 mm to 0.20 mm" in good(quick("job", "next"))
    told = measured(quick, job, "LR", 0.31)
    assert "SIMULATED" in told
    assert "take the hub apart" in told
    assert "asbestos" in told
    assert "done; as found" in measured(quick, job, "RR", 0.08)  # within: nothing to take apart

    good(quick("job", "torn-down", "--corner", "LR"))
    looked_at(quick, "LR")
    good(quick("job", "fitted", "--corner", "LR", "3.20mm"))
    told = good(quick("job", "choose", "--corner", "LR"))
    assert "Fit 2.95 mm" in told
    assert "there are 1 of 2.95 mm" in told
    assert counts(log, BIN) == {2.85: 2, 2.95: 1}  # nothing is taken by choosing
    together = quick("job", "reassembled", "--corner", "LR", "--torque", "135 N·m", "--new-pin")
    assert "note:" not in together.stderr
    assert "measure as left" in good(together)
    assert counts(log, BIN) == {2.85: 2, 2.95: 0, 3.2: 1}

    assert "take the hub apart again" in measured(quick, job, "LR", 0.24)  # it fails as left
    one_line(quick("job", "close"), "LR stands at teardown; finish it, or say why with --why")
    good(quick("job", "torn-down", "--corner", "LR"))
    assert place(quick, "LR") == "choose"  # what was looked at and measured holds
    told = good(quick("job", "choose", "--corner", "LR"))
    assert "Fit 2.85 mm" in told
    pinned = ("--lined-up", "on to the next slot", "--new-pin")
    good(quick("job", "reassembled", "--corner", "LR", "--torque", "140 N·m", *pinned))
    assert counts(log, BIN) == {2.85: 1, 2.95: 1, 3.2: 1}
    assert "done; as left" in measured(quick, job, "LR", 0.13)
    assert "every corner is done" in good(quick("job", "next"))
    assert "every corner done" in good(quick("job", "close"))

    shown = good(quick("job", "show", job[:8]))
    assert all(len(line) <= 80 for line in shown.splitlines())
    for said in (
        "as found, 0.31",
        "LOOSE, SIMULATED",
        "2.95 mm",
        "2.85 mm",
        "on to the next slot",
        "new pin",
    ):
        assert said in " ".join(shown.split()), said
    good(quick("job", "sheet", job[:8], "--out", "sheet.html"))
    sheet = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "Heron GT" in sheet
    assert "2.85 mm" in sheet
    stages = [m.stage for m in load_job(log, job).corners["LR"].measurements]
    assert stages == ["as-found", "as-left", "as-left"]
    kept = load_job(log, job).corners["LR"].measurements[-1]
    assert (kept.job, kept.vehicle, kept.fitted_mm) == (job, "Heron GT", 2.85)


def test_a_step_out_of_turn_says_where_it_stands(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:early")
    before = entries(tmp_path, job)
    stands = "LR of job [0-9a-f]{8} stands at as found; what may come: measure, skip"
    for words in (["torn-down"], ["fitted", "3.20mm"], ["choose"], ["reassembled", "--torque", "135 Nm"]):
        one_line(quick("job", *words), stands)
    one_line(quick("job", "part", "--name", "nut", "--kept"), stands)
    assert entries(tmp_path, job) == before
    measured(quick, job, "LR", 0.31)
    good(quick("job", "torn-down"))
    one_line(quick("job", "fitted", "3.20mm"), "parts still to be looked at: bearings, spindle, flange")
    refused = quick("measure", "--job", job[:8], "--link", link(0.1))
    one_line(refused, "nothing is to be measured now: LR of job")
    good(quick("job", "skip", "parts", "--why", "renewed last month"))
    assert place(quick, "LR") == "fitted"


def test_new_parts_take_others_with_them_the_trial_shim_and_another_design(
    quick: Run, tmp_path: Path
) -> None:
    job = opened(quick, f"LR={HUB}:early")
    measured(quick, job, "LR", 0.31)
    good(quick("job", "torn-down"))
    result = quick("job", "part", "--name", "spindle", "--found", "blue seat", "--renewed")
    assert "now the variant late" in result.stderr
    assert "flange, washer, nut" in result.stderr
    for name in ("bearings", "spacer"):
        good(quick("job", "part", "--name", name, "--kept"))
    for name in ("seals", "cotter pin"):
        good(quick("job", "part", "--name", name, "--renewed"))
    assert "trial shim, 3.75 mm" in good(quick("job", "next"))
    good(quick("job", "fitted", "3.75mm"))
    nut = " ".join(good(quick("job", "next")).split())
    assert "160" in nut  # the late design's torque
    result = quick("job", "reassembled", "--torque", "135 N·m", "--new-pin")
    assert "135 N·m (100 lb·ft) is less than the 160" in result.stderr
    told = measured(quick, job, "LR", 0.86)
    assert "with the trial shim" in told
    assert "Fit 2.95 mm" in good(quick("job", "choose"))
    good(quick("job", "reassembled", "--torque", "160 N·m", "--new-pin"))
    assert "done" in measured(quick, job, "LR", 0.06)
    last = load_job(tmp_path / "log.sqlite", job).corners["LR"].measurements
    assert [one.stage for one in last] == ["as-found", "trial", "as-left"]
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as log:
        texts = [row[0] for row in log.execute("SELECT hub_text FROM measurement ORDER BY seq")]
    assert 'default_variant = "early"' in texts[0]
    assert 'default_variant = "late"' in texts[2]  # read again, it is the hub that was measured


def test_a_part_put_right_is_the_old_design_again(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:early")
    measured(quick, job, "LR", 0.31)
    good(quick("job", "torn-down"))
    good(quick("job", "part", "--name", "spindle", "--renewed"))
    wrong = newest(tmp_path, job, "part").id[:8]
    good(quick("job", "part", "--name", "spindle", "--kept", "--instead", wrong))
    card = load_job(tmp_path / "log.sqlite", job).corners["LR"]
    assert (card.hub.variant, card.standing.needs_trial) == ("early", False)


def test_a_figure_put_right_moves_what_follows(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:early")
    measured(quick, job, "LR", 0.31)
    good(quick("job", "torn-down"))
    good(quick("job", "skip", "parts", "--why", "as new"))
    good(quick("job", "fitted", "3.02mm"))
    good(quick("job", "choose"))
    wrong = newest(tmp_path, job, "fitted").id[:8]
    told = good(quick("job", "fitted", "3.20mm", "--instead", wrong))
    assert "choose again" in told
    one_line(quick("job", "reassembled", "--torque", "135 Nm", "--new-pin"), "stands at choose")
    assert "Fit 2.95 mm" in good(quick("job", "choose"))
    lines = good(quick("job", "show")).splitlines()
    old = next(number for number, line in enumerate(lines) if "put right by" in line)
    assert f"in place of {wrong}" in lines[old + 1]  # the two stand side by side
    one_line(quick("job", "fitted", "3.10mm", "--instead", wrong), "put right already")
    note = newest(tmp_path, job, "torn-down").id[:8]
    one_line(quick("job", "fitted", "3.10mm", "--instead", note), "is torn-down of LR")


def test_torque_and_pin_are_pointed_out_and_recorded(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LF={FRONT}")
    measured(quick, job, "LF", 0.2)
    told = good(quick("job", "next"))
    assert "set the end play with the nut" in told
    result = quick("job", "reassembled", "--torque", "40 N·m")
    assert "40 N·m (30 lb·ft) is more than the 20 N·m (15 lb·ft) of the hub file" in result.stderr
    assert "no new pin was entered" in result.stderr
    assert newest(tmp_path, job, "reassembled").data["torque_nm"] == 40
    one_line(
        quick("job", "reassembled", "--torque", "40"), "--torque: .*no unit of torque|--torque: .*no torque"
    )
    one_line(quick("job", "reassembled"), "--torque: missing.*20 N·m")
    assert "done; as left" in measured(quick, job, "LF", 0.06)


def test_a_refused_measurement_is_listed_and_moves_nothing_on(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:early")
    words = ("measure", "--job", job[:8], "--link", f"{link(0.3)}&strokes=1", "--timeout", "3")
    assert quick(*words).returncode == 3
    assert place(quick, "LR") == "as found"
    assert "REFUSED, does not count" in good(quick("job", "show"))
    assert newest(tmp_path, job, "measured").measurement_id is not None


def test_what_contradicts_the_card_is_told(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:early")
    early = ("measure", "--job", job[:8], "--link", link(0.31), "--stage", "as-left", "--fitted", "3.20mm")
    result = quick(*early)
    assert "by the job card as-found is due: it moves nothing on" in result.stderr
    assert place(quick, "LR") == "as found"
    one_line(
        quick("measure", "--job", job[:8], "--corner", "RR", "--link", link(0.3)), "RR is no corner of job"
    )
    one_line(quick("measure", "--job", "bay 2", "--link", link(0.3)), "--hub: missing")
    good(quick("measure", "--job", "bay 2", "--hub", HUB, "--corner", "LR", "--link", link(0.31)))
    assert load_job(tmp_path / "log.sqlite", job).corners["LR"].place == "as found"


def test_careless_words(quick: Run) -> None:
    one_line(quick("job", "open", "--vehicle", "Heron GT", "--corner", f"LR={HUB}"), "which variant")
    one_line(
        quick("job", "open", "--vehicle", "Heron GT", "--corner", str(HUB)), "write the corner and its hub"
    )
    one_line(quick("job", "open", "--vehicle", " ", "--corner", f"LR={HUB}:early"), "--vehicle: is empty")
    one_line(quick("job", "open", "--vehicle", "x", "--corner", f"LR={HUB}:older"), '"older" is no variant')
    two = ("--corner", f"LR={HUB}:early", "--corner", f"lr={HUB}:late")
    one_line(quick("job", "open", "--vehicle", "x", *two), "LR comes twice")
    odd = ("--corner", f"LR={HUB}:early", "--odometer", "82500")
    one_line(quick("job", "open", "--vehicle", "x", *odd), "--odometer")
    opened(quick, f"LR={HUB}:early", f"RR={HUB}:early")
    one_line(quick("job", "torn-down"), "--corner: missing: job [0-9a-f]{8} has LR, RR")
    one_line(quick("job", "show", "ffff"), "no job 'ffff'")
    one_line(quick("job", "note", "  "), "is empty")
    opened(quick, f"LR={HUB}:early")
    one_line(quick("job", "next"), "2 jobs are open .*name one by its id")


def test_closed_with_a_reason_and_opened_again(quick: Run) -> None:
    job = opened(quick, f"LR={HUB}:early")
    one_line(quick("job", "close"), "LR stands at as found")
    assert "not done: LR stands at as found" in good(quick("job", "close", "--why", "parts on order"))
    one_line(quick("job", "torn-down", job[:8]), "is closed: open it again first")
    one_line(quick("job", "next"), "no job is open")
    assert "No such job" in good(quick("job", "list", "--open"))
    good(quick("job", "reopen", job[:8]))
    good(quick("job", "note", "parts came in", "--corner", "LR"))
    assert "parts on order" in " ".join(good(quick("job", "show")).split())


KILLS = """
import os, signal, sys
from joblog.store import Store
when, *words = sys.argv[1:]
def die():
    os.kill(os.getpid(), signal.SIGKILL)
def wrapped(real):
    def call(self, *args):
        if when == "before":
            die()
        real(self, *args)
        if when == "after":
            die()
    return call
Store.add, Store.add_rows = wrapped(Store.add), wrapped(Store.add_rows)
insert, seen = Store._insert, []
def inserted(self, *args):
    insert(self, *args)
    seen.append(1)
    if when == "inside":
        die()
Store._insert = inserted
sys.argv = ["shimwright", *words]
from cli.main import run
run()
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is for POSIX systems: run it on Linux")
def test_killed_at_every_step_it_goes_on_where_it_was(quick: Run, start: Start, tmp_path: Path) -> None:
    log = stocked(tmp_path, s295=1)
    job = opened(quick, f"LR={HUB}:early")

    def killed(when: str, words: list[str]) -> None:
        child = start(when, *words, code=KILLS, env={"SHIMWRIGHT_LOG": str(log)}).end(40)
        assert child.returncode == -signal.SIGKILL, child.stderr

    steps: list[tuple[list[str], str]] = [
        (["measure", "--job", job, "--link", link(0.31)], "teardown"),
        (["job", "torn-down"], "parts"),
        (["job", "skip", "parts", "--why", "as new"], "fitted"),
        (["job", "fitted", "3.20mm"], "choose"),
        (["job", "choose"], "reassemble"),
        (["job", "reassembled", "--torque", "135 N·m", "--new-pin"], "as left"),
        (["measure", "--job", job, "--link", link(0.06)], "done"),
    ]
    before = place(quick, "LR")
    for words, then in steps:
        for when in ("before", "inside"):
            known, stock = entries(tmp_path, job), counts(log, BIN)
            killed(when, words)
            assert (place(quick, "LR"), entries(tmp_path, job), counts(log, BIN)) == (before, known, stock)
        killed("after", words)
        before = place(quick, "LR")
        assert before == then
    assert counts(log, BIN) == {2.95: 0, 3.2: 1}  # taken and returned once, with their entry
    good(quick("job", "close"))


def test_what_listen_measures_goes_on_the_card_of_its_station(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:late")
    log = tmp_path / "log.sqlite"
    order = Order(
        hub=load_hub(FRONT), corner="LR", stage="as-left", link="x", profile=BUILT_IN["line"], job=job
    )
    found = by_job_card(order, log)
    assert (found.stage, found.job, found.vehicle, found.hub.variant) == ("as-found", job, "Heron GT", "late")
    no_card = replace(order, job=None)
    assert by_job_card(no_card, log) is no_card, "another card's corner is not taken for it"
    assert by_job_card(replace(order, corner="LF"), log).job is None, "the card has not this corner"
    good(quick("job", "close", "--why", "sold"))
    assert by_job_card(order, log).job is None, "it was closed meanwhile"


def test_json_holds_one_object_a_line(quick: Run) -> None:
    job = opened(quick, f"LR={HUB}:early")
    listed: dict[str, Any] = json.loads(good(quick("job", "list", "--json")))
    assert (listed["job_id"], listed["odometer"], listed["odometer_unit"]) == (job, 82500.0, "km")
    assert [corner["place"] for corner in listed["corners"]] == ["as found"]
    now: dict[str, Any] = json.loads(good(quick("job", "next", "--json")))
    assert (now["stage"], now["least_mm"], now["most_mm"]) == ("as-found", 0.03, 0.2)
    shown: dict[str, Any] = json.loads(good(quick("job", "show", "--json")))
    assert [entry["kind"] for entry in shown["entries"]] == ["car", "corner"]


def test_what_the_card_says_of_the_car_is_put_right_and_the_old_is_kept(quick: Run, tmp_path: Path) -> None:
    job = opened(quick, f"LR={HUB}:early")
    measured(quick, job, "LR", 0.31)
    told = good(quick("job", "car", job[:8], "--odometer", "83,500 km", "--registration", "LG 1234"))
    assert told == f"Job {job[:8]}: Heron GT, LG 1234, odometer 83500 km.\n"
    good(quick("job", "car", "--mechanic", "Ada"))  # the only open one
    log = tmp_path / "log.sqlite"
    found = load_job(log, job)
    assert (found.vehicle, found.registration, found.mechanic) == ("Heron GT", "LG 1234", "Ada")
    assert found.odometer is not None
    assert (found.odometer.value, found.odometer.unit) == (83_500.0, "km")
    written = [entry for entry in found.entries if entry.kind == "car"]
    assert [entry.data.get("odometer") for entry in written] == [82_500.0, 83_500.0, 83_500.0]
    assert [entry.corrects for entry in written] == [None, written[0].id, written[1].id]
    assert found.corners["LR"].place == "teardown"  # nothing else moved
    shown = good(quick("job", "show", job[:8]))
    assert "Vehicle: Heron GT, LG 1234, 83500 km." in shown
    said = " ".join(shown.split())  # lines are wrapped
    assert f"[put right by {written[1].id[:8]}] car: Heron GT, odometer 82500 km" in said
    one_line(quick("job", "car"), "says nothing: give --vehicle")
    one_line(quick("job", "car", "--odometer", "83500"), "write a number with km or mi")
    one_line(quick("job", "car", "--vehicle", " "), "say which vehicle it is")


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("82500 km", 82_500.0, "km"),
        ("82,500 km", 82_500.0, "km"),
        ("82.500km", 82_500.0, "km"),
        ("1 082 500 MI", 1_082_500.0, "mi"),
        ("51263,4 mi", 51_263.4, "mi"),
        ("0km", 0.0, "km"),
    ],
)
def test_an_odometer_is_read_as_people_write_it(text: str, value: float, unit: str) -> None:
    assert odometer_of(text) == {"odometer": value, "odometer_unit": unit}


@pytest.mark.parametrize(
    "text", ["82500", "km", "82 500 00 km x", "-5 km", "1e9 km", "99999999 km", "8..5 km"]
)
def test_what_is_no_odometer_is_refused(text: str) -> None:
    with pytest.raises(MisuseError, match="is no reading"):
        odometer_of(text)
