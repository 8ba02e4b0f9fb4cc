"""A link's URL says what is wrong with it, and one door opens every kind."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest

from capture.errors import LinkUsage
from capture.links import SCHEMES, open_link
from capture.links.urls import LinkUrl, split_url


def test_the_parts_of_a_url() -> None:
    assert split_url("SERIAL:/dev/ttyUSB0?baud=4800&parity=even") == LinkUrl(
        "SERIAL:/dev/ttyUSB0?baud=4800&parity=even",
        "serial",
        "/dev/ttyUSB0",
        {"baud": "4800", "parity": "even"},
    )
    assert split_url("replay:a b%20c.csv").place == "a b%20c.csv"  # a file's name is taken as it stands
    assert split_url("simulated:?resolution=0.0005%22&").options == {"resolution": '0.0005"'}
    assert split_url("serial:C:/x").place == "C:/x"


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("", "for a serial port write serial:/dev/ttyUSB0"),
        ("/dev/ttyUSB0", "for a serial port write serial:/dev/ttyUSB0"),
        ("COM3", "write serial:COM3"),
        ("/dev/serial/by-id/a:b", "write serial:/dev/serial/by-id/a:b"),
        ("serial:x?baud", '"baud" is no option; write name=value'),
        ("serial:x?=5", '"=5" is no option'),
        ("serial:x?baud=1200&baud=2400", '"baud" comes twice'),
        ("serial:", "names no port"),
        (
            "serial:x?boud=1200",
            'unknown option "boud"; known are baud, bytesize, dsrdtr, dtr, parity, ',
        ),
        ("serial:x?baud=fast", 'baud="fast" is no whole number from 50 to 4000000'),
        ("serial:x?baud=0", "from 50 to 4000000"),
        ("serial:x?baud=" + "9" * 5000, "from 50 to 4000000"),
        ("serial:x?bytesize=9", "from 5 to 8"),
        ("serial:x?parity=left", "one of none, even, odd, mark, space"),
        ("serial:x?stopbits=3", "one of 1, 1.5, 2"),
        ("serial:x?dtr=maybe", "must be on or off"),
        ("socket:127.0.0.1:80", "write socket://127.0.0.1:80"),
        ("socket://127.0.0.1", "socket://HOST:PORT"),
        ("socket://127.0.0.1:99999", "port from 1 to 65535"),
        ("socket://:80", "socket://HOST:PORT"),
        ("rfc2217://host", "rfc2217://HOST:PORT"),
        ("ble:AA:BB", '"AA:BB" is no Bluetooth address'),
        ("http://x", 'no kind of link is called "http"; known are serial, socket'),
        ("replay:", "names no file"),
        ("replay:x.csv?baud=9600", 'unknown option "baud"; known are speed'),
        ("replay:x.csv?speed=fast", "speed"),
        ("replay:x.csv?speed=-1", "speed"),
        ("replay:x.csv?speed=nan", "speed"),
        ("simulated:x", "has no place here"),
        ("simulated:?stroks=3", 'unknown option "stroks"; known are bad, drift, dwell, end_play'),
        ("simulated:?end_play=0.31", "end_play: "),
        ("simulated:?end_play=9mm", "end_play=9mm is outside 0 to 5 mm"),
        ("simulated:?end_play=-1mm", "outside 0 to 5 mm"),
        ("simulated:?seed=one", "seed"),
        ("simulated:?motion=dancing", "one of strokes, turned, one-way"),
        ("simulated:?resolution=0.0000254mm", "finer than six digits"),
        ("simulated:?rate=0", "from 1 to 1000"),
    ],
)
def test_a_wrong_url_is_one_clear_line(url: str, said: str) -> None:
    with pytest.raises(LinkUsage) as caught:
        open_link(url)
    assert said in str(caught.value)
    assert caught.value.url == url
    assert "\n" not in str(caught.value)


def test_every_scheme_has_its_link() -> None:
    places = {
        "serial": "x",
        "socket": "//h:1",
        "rfc2217": "//h:1",
        "ble": "AA:BB:CC:DD:EE:FF",
        "replay": "x",
        "simulated": "",
    }
    for scheme in SCHEMES:
        link = open_link(f"{scheme}:{places.get(scheme, '//x')}")
        live = scheme not in {"replay", "simulated"}
        assert link.joined_midway is live
        assert link.profile == (None if live else "line")
        assert link.simulated is (scheme == "simulated")


def test_speeds() -> None:
    speeds = {
        "": 1.0,
        "?speed=2.5": 2.5,
        "?speed=max": math.inf,
        "?speed=MAX": math.inf,
        "?speed=0": math.inf,
    }
    assert {query: split_url("replay:x" + query).speed() for query in speeds} == speeds


def test_lengths_are_exact() -> None:
    url = split_url("simulated:?end_play=0.0122in")
    assert url.length("end_play", Decimal(0), Decimal(0), Decimal(5)) == Decimal("0.30988")
