"""``measure`` and ``gauge scan`` with Bluetooth gauges, as processes of their own on a private D-Bus."""

from __future__ import annotations

import json
import re
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from capture.readings import Trace
from capture.simulator import HubModel, simulate

Finished = subprocess.CompletedProcess[str]

ADDRESS = "AA:BB:CC:DD:EE:01"
LINK = f"ble:{ADDRESS}"


def one_line(result: Finished, code: int, said: str) -> None:
    assert result.returncode == code, result.stderr
    assert result.stderr.count("\n") == 1, result.stderr
    assert re.search(said, result.stderr), result.stderr


def words_for(link: str, hub: Path, *more: str) -> list[str | Path]:
    return ["measure", "--link", link, "--hub", hub, "--corner", "LR", *more]


def rows(tmp_path: Path) -> list[dict[str, Any]]:
    with sqlite3.connect(tmp_path / "log.sqlite") as log:
        log.row_factory = sqlite3.Row
        query = "SELECT m.*, t.readings FROM measurement m JOIN trace t ON t.measurement_id = m.id"
        found = [dict(row) for row in log.execute(query)]
    log.close()
    return found


@pytest.mark.slow
@pytest.mark.parametrize("rate_hz", [20, 50])
def test_a_gauge_that_describes_itself_needs_nothing_but_its_address(
    rate_hz: int, bluetooth: Any, shimwright: Any, hub_file: Path, tmp_path: Path
) -> None:
    hub = simulate(
        HubModel(end_play_mm=0.312, strokes=30, rate_hz=rate_hz, dwell_s=0.45, move_s=0.12, rest_s=0.5), 4
    )
    bluetooth.start(bluetooth.device(bluetooth.described(hub.trace)))
    result = shimwright(*words_for(LINK, hub_file, "--fitted", "3.20mm", "--json"), afresh=True, timeout=50)
    assert (result.returncode, result.stderr) == (0, "")
    found = json.loads(result.stdout)
    assert abs(found["end_play_mm"] - hub.truth_mm) < max(0.008, 2 * found["expanded_mm"])
    assert found["verdict"] == "loose"
    assert found["shim"]["choice"]["thickness_mm"] == 2.95
    (row,) = rows(tmp_path)
    assert (row["state"], row["profile"], row["link"]) == ("measured", "self-described", LINK)
    assert row["simulated"] == 0

    again = json.loads(shimwright("trace", "redo", found["measurement_id"][:8], "--json").stdout)
    assert again == {key: found[key] for key in again}


@pytest.mark.slow
def test_text_over_bluetooth_and_what_a_person_sees(bluetooth: Any, shimwright: Any, hub_file: Path) -> None:
    hub = simulate(HubModel(end_play_mm=0.312, strokes=30, dwell_s=0.45, move_s=0.12, rest_s=0.5), 4)
    bluetooth.start(bluetooth.device(bluetooth.serial_like(hub.trace)))
    result = shimwright(*words_for("ble:name=DI-12", hub_file), timeout=50)
    assert result.returncode == 0
    assert (
        "gauge DI-12, Larkfield, model DI-12, serial number 0042, firmware 1.3, battery 87 %\n"
        in result.stderr
    )
    assert re.search(r"End play 0\.3\d\d mm ± 0\.0\d\d mm", result.stdout)


@pytest.mark.slow
def test_a_gauge_that_answers_only_when_it_is_asked(
    bluetooth: Any, shimwright: Any, hub_file: Path, tmp_path: Path
) -> None:
    hub = simulate(HubModel(end_play_mm=0.312, strokes=30, dwell_s=0.45, move_s=0.12, rest_s=0.5), 4)
    bluetooth.start(bluetooth.device(*bluetooth.asked(hub.trace)))
    asked = shimwright(*words_for(LINK, hub_file, "--profile", "line-asked", "--json"), timeout=50)
    assert (asked.returncode, asked.stderr) == (0, "")
    found = json.loads(asked.stdout)
    assert abs(found["end_play_mm"] - hub.truth_mm) < max(0.008, 2 * found["expanded_mm"])
    (row,) = rows(tmp_path)
    assert (row["state"], row["profile"]) == ("measured", "line-asked")
    written, at_once = bluetooth.writes()
    assert {tuple(one) for one in written} == {("ffe2", "command", b"R\r".hex())}
    assert at_once == 1
    assert row["readings"] <= len(written) <= row["readings"] + 5  # one answer each; the last go unheard


def test_a_request_that_cannot_be_sent_is_one_line(
    bluetooth: Any, shimwright: Any, quick: Any, hub_file: Path, loose_trace: Trace
) -> None:
    asks = ("--profile", "line-asked")
    one_line(quick(*words_for(f"{LINK}?write=ffe2", hub_file)), 2, "write= says where the request goes")
    other = {"uuid": "ffe3", "flags": ["write"]}
    bluetooth.start(bluetooth.device(*bluetooth.asked(loose_trace), other))
    one_line(
        shimwright(*words_for(LINK, hub_file, *asks)), 2, r"\?write=ffe2: ffe2 .*, ffe3 \(of the service"
    )
    bluetooth.die()
    bluetooth.start(bluetooth.device(bluetooth.serial_like(loose_trace)))
    one_line(shimwright(*words_for(LINK, hub_file, *asks)), 2, "this device takes no request")
    bluetooth.die()
    refusal = ["org.bluez.Error.NotPermitted", "Write not permitted"]
    bluetooth.start(bluetooth.device(*bluetooth.asked(loose_trace, write_error=refusal)))
    refused = shimwright(*words_for(LINK, hub_file, *asks, "--json"))
    one_line(
        refused, 4, "gauge refused the request that was sent to ffe2 .* against what the gauge's maker says"
    )


def test_gone_while_it_is_asked(
    bluetooth: Any, shimwright: Any, hub_file: Path, loose_trace: Trace, tmp_path: Path
) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(loose_trace, "write", write_drop=40)))
    link = f"{LINK}?request=R%0D&period=0.03"
    one_line(
        shimwright(*words_for(link, hub_file, "--json")), 4, "went out of range.* in the log, unfinished"
    )
    (row,) = rows(tmp_path)
    assert (row["state"], row["readings"]) == ("unfinished", 39)


def test_gone_in_mid_stroke(
    bluetooth: Any, shimwright: Any, hub_file: Path, loose_trace: Trace, tmp_path: Path
) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(loose_trace, 1.5, then="drop")))
    result = shimwright(*words_for(LINK, hub_file, "--json"))
    one_line(result, 4, r"went out of range.* readings\) is in the log, unfinished, as [0-9a-f]{8}")
    (row,) = rows(tmp_path)
    assert row["state"] == "unfinished"
    assert row["readings"] > 20
    assert json.loads(result.stdout)["usable"] is False


def test_the_daemon_dies_in_mid_stroke(
    bluetooth: Any, start: Any, hub_file: Path, loose_trace: Trace, tmp_path: Path
) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(loose_trace)))
    running = start(*words_for(f"{LINK}?silence=0.5", hub_file, "--json"))
    bluetooth.until("notifies")
    time.sleep(0.7)
    bluetooth.die()
    result = running.end()
    one_line(result, 4, "neither the gauge nor the Bluetooth service answers.* in the log, unfinished")
    (row,) = rows(tmp_path)
    assert row["readings"] > 10


def test_stopped_with_ctrl_c_lets_the_gauge_go(
    bluetooth: Any, start: Any, hub_file: Path, loose_trace: Trace
) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(loose_trace)))
    for _ in range(2):  # a second time it announces itself again, or could not be found
        running = start(*words_for(f"{LINK}?wait=2", hub_file, "--json"))
        bluetooth.until("notifies")
        time.sleep(0.7)
        running.interrupt(signal.SIGINT)
        began = time.monotonic()
        one_line(running.end(), 130, "stopped with Ctrl-C; the trace so far")
        assert time.monotonic() - began < 2


@pytest.mark.parametrize(
    ("adapters", "said"),
    [
        ({}, "this machine has no Bluetooth adapter"),
        ({"hci0": {"Powered": False}}, "Bluetooth is switched off. Switch it on"),
        (None, r"no device AA:BB:CC:DD:EE:01 was found within 1 s"),
    ],
)
def test_what_can_be_wrong_is_one_line(
    adapters: dict[str, Any] | None, said: str, bluetooth: Any, shimwright: Any, hub_file: Path
) -> None:
    bluetooth.start(adapters=adapters)
    one_line(shimwright(*words_for(f"{LINK}?wait=1", hub_file)), 4, said)


@pytest.mark.parametrize("bluetooth", ['<deny send_destination="org.bluez"/>'], indirect=True)
def test_permission_refused(bluetooth: Any, shimwright: Any, hub_file: Path) -> None:
    bluetooth.start()
    one_line(shimwright(*words_for(LINK, hub_file)), 4, "you may not use Bluetooth")


def test_no_daemon_and_no_bus(bluetooth: Any, shimwright: Any, hub_file: Path) -> None:
    one_line(shimwright(*words_for(LINK, hub_file)), 4, "the Bluetooth service does not run")
    bluetooth.end_bus()
    one_line(shimwright(*words_for(LINK, hub_file)), 4, "there is no D-Bus here")


def test_misuse(bluetooth: Any, shimwright: Any, quick: Any, hub_file: Path) -> None:
    one_line(quick(*words_for("ble:AA:BB", hub_file)), 2, '"AA:BB" is no Bluetooth address')
    values = [{"uuid": uuid, "flags": ["notify"]} for uuid in ("ffe1", "ffe2")]
    bluetooth.start(bluetooth.device(*values))
    one_line(shimwright(*words_for(LINK, hub_file)), 2, r"several characteristics send values.*ffe1 .*ffe2 ")


# scanning


def test_scan(bluetooth: Any, shimwright: Any, loose_trace: Trace) -> None:
    bluetooth.start(
        bluetooth.device(bluetooth.described(loose_trace), rssi=-58),
        {"address": "AA:BB:CC:DD:EE:07", "rssi": -40},
        {"address": "AA:BB:CC:DD:EE:08", "name": "Far", "uuids": ["ffe0"], "rssi": -88},
    )
    plain = shimwright("gauge", "scan", "--seconds", "0.5", afresh=True)
    assert plain.returncode == 0
    uart = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
    assert plain.stdout.splitlines() == [
        f"AA:BB:CC:DD:EE:01  DI-12    -58 dBm  could be a gauge: serial-like {uart}",
        "AA:BB:CC:DD:EE:08  Far      -88 dBm  could be a gauge: serial-like ffe0",
        "AA:BB:CC:DD:EE:07           -40 dBm",
    ]
    assert plain.stderr == f"measure with --link ble:ADDRESS, such as --link {LINK}\n"

    looked = shimwright("gauge", "scan", "--seconds", "0.5", "--look")
    assert f"{ADDRESS}: gauge DI-12, Larkfield, model DI-12" in looked.stderr
    assert "battery 87 %; it says itself how to read it: s32, steps of 0.001 mm\n" in looked.stderr
    assert "AA:BB:CC:DD:EE:08: ble:AA:BB:CC:DD:EE:08: this device sends no values by itself" in looked.stderr

    as_json = shimwright("gauge", "scan", "--seconds", "0.5", "--look", "--json")
    assert as_json.stderr == ""
    first, far, silent = map(json.loads, as_json.stdout.splitlines())
    assert uart in first.pop("services")
    assert first == {
        "address": ADDRESS,
        "name": "DI-12",
        "rssi_dbm": -58,
        "gauge_like": [uart],
        "link": LINK,
        "facts": {
            "name": "DI-12",
            "maker": "Larkfield",
            "model": "DI-12",
            "serial_number": "0042",
            "firmware": "1.3",
            "battery_percent": 87,
        },
        "reads_itself": "s32, steps of 0.001 mm",
        "trouble": None,
    }
    assert (far["name"], far["facts"], far["reads_itself"]) == ("Far", None, None)
    assert "no values by itself" in far["trouble"]
    assert (silent["address"], silent["facts"], silent["trouble"]) == ("AA:BB:CC:DD:EE:07", None, None)


def test_a_scan_that_finds_nothing_or_cannot(bluetooth: Any, shimwright: Any, quick: Any) -> None:
    one_line(shimwright("gauge", "scan", "--seconds", "0.5"), 4, "the Bluetooth service does not run")
    bluetooth.start()
    one_line(shimwright("gauge", "scan", "--seconds", "0.5"), 0, "no Bluetooth LE device announced itself")
    one_line(quick("gauge", "scan", "--seconds", "nan"), 2, "--seconds: nan is no time")


def test_no_other_command_waits_for_bleak() -> None:
    program = (
        "import sys; from cli.whole import app; from capture.links import open_link\n"
        "import cli.measuring, capture.service; open_link('simulated:')\n"
        "sys.exit([m for m in sys.modules if m.startswith(('bleak', 'dbus_fast'))] != [])"
    )
    root = str(Path(__file__).parents[2])
    done = subprocess.run([sys.executable, "-c", program], cwd=root, check=False)
    assert done.returncode == 0
