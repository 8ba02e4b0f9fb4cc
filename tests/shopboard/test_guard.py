"""Who may see and who may act, asked of a real board over HTTP as a careless or hostile client would."""

from __future__ import annotations

import hmac
import http.client
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest

from bus.payloads import Start
from shopboard import guard as guard_module
from shopboard.guard import ACTION_HEADER, COOKIE, Guard, TokenError, checked_token, is_loopback
from tests.bus.brokers import free_port
from tests.shopboard.parts import BoardProcess, Station, status

TOKEN = "larkfield-door-4711-open"
START = {"command": "start", "corner": "LR"}


class Said(NamedTuple):
    code: int
    text: str


@pytest.fixture(scope="module")
def guarded(page_broker: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[BoardProcess]:
    """A board with a token."""
    file = tmp_path_factory.mktemp("token") / "board-token"
    file.write_text(TOKEN + "\n", encoding="utf-8")
    one = BoardProcess(page_broker, free_port(), "--token-file", str(file))
    yield one
    said = one.end()
    assert TOKEN not in said + one.said  # nothing secret in what it says
    assert "Traceback" not in said


def action_token(url: str, cookies: dict[str, str] | None = None) -> str:
    """The token of actions, as a page hears it with its first event."""
    with httpx.stream("GET", f"{url}/events", cookies=cookies, timeout=10) as stream:
        assert stream.status_code == 200
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.iter_lines()
        assert next(lines) == "event: hello"
        token: str = json.loads(next(lines).removeprefix("data: "))["token"]
    return token


def post(url: str, path: str, item: Any, **headers: str) -> httpx.Response:
    return httpx.post(
        f"{url}{path}",
        content=json.dumps(item),
        headers={"content-type": "application/json", **headers},
        timeout=20,
    )


def command(board: BoardProcess, station: Station, item: Any = START, **headers: str) -> Said:
    asked = {"shop": "larkfield", "station": station.name, "command": item}
    answer = post(board.url, "/command", asked, **headers)
    return Said(answer.status_code, answer.json()["text"])


def test_every_answer_has_the_strict_headers(board: BoardProcess) -> None:
    for path in ("/", "/static/board.js", "/static/board.css", "/history", "/nothing", "/static/../app.py"):
        answer = httpx.get(board.url + path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "server" not in answer.headers
    page = httpx.get(board.url + "/").text
    assert "<style" not in page
    assert "style=" not in page
    assert "onclick" not in page
    assert page.count("<script") == page.count('<script type="module" src="/static/')
    assert httpx.get(board.url + "/static/app.py").status_code == 404
    raw = http.client.HTTPConnection(board.url.removeprefix("http://"))
    raw.request("GET", "/static/..%2fapp.py")
    assert raw.getresponse().status == 404
    raw.close()


def test_an_action_needs_the_own_origin_and_the_token(board: BoardProcess, station: Station) -> None:
    station.tell(status())
    token = action_token(board.url)
    good = {"origin": board.url, ACTION_HEADER: token}
    assert command(board, station, **good) == (200, f"start was done at {station.name}")
    assert station.commands.get(timeout=10) == Start(corner="LR")
    for wrong in (
        {ACTION_HEADER: token},  # no origin
        {"origin": "http://elsewhere.example", ACTION_HEADER: token},
        {"origin": board.url.replace("127.0.0.1", "localhost"), ACTION_HEADER: token},
        {"origin": "null", ACTION_HEADER: token},
        {"origin": board.url, ACTION_HEADER: token, "sec-fetch-site": "cross-site"},
        {"origin": board.url},  # no token
        {"origin": board.url, ACTION_HEADER: token[:-1]},
        {"origin": board.url, ACTION_HEADER: token + "x"},
    ):
        assert command(board, station, **wrong).code == 403, wrong
    form = httpx.post(f"{board.url}/command", data={"command": "start"}, headers=good)
    assert form.status_code == 415  # what a form of another page could send
    assert station.commands.empty()


def test_nothing_acts_by_get(board: BoardProcess, station: Station) -> None:
    token = action_token(board.url)
    for path in ("/command", "/enter"):
        for method in ("GET", "HEAD", "PUT", "OPTIONS"):
            headers = {"origin": board.url, ACTION_HEADER: token}
            assert httpx.request(method, board.url + path, headers=headers).status_code == 405
    assert station.commands.empty()


def test_what_is_no_command_is_told(board: BoardProcess, station: Station) -> None:
    good = {"origin": board.url, ACTION_HEADER: action_token(board.url)}
    code, text = command(board, station, {"command": "explode"}, **good)
    assert (code, text.partition(":")[0]) == (400, '"explode" is no command')
    assert command(board, station, {"command": "note", "text": 7}, **good).code == 400
    assert command(board, station, {"command": "note", "text": "x" * 17_000}, **good).code == 413
    assert post(board.url, "/command", ["start"], **good).status_code == 400
    odd = {"shop": "larkfield", "station": "bay/#", "command": START}
    answer = post(board.url, "/command", odd, **good)
    assert (answer.status_code, "letters, digits" in answer.json()["text"]) == (400, True)
    assert station.commands.empty()


def test_without_a_token_only_names_of_this_machine_are_answered(board: BoardProcess) -> None:
    # a page of another site whose name was made to point here would ask with its own name
    for host, code in (("localhost:8040", 200), ("[::1]:8040", 200), ("elsewhere.example", 421), ("", 421)):
        assert httpx.get(board.url, headers={"host": host}).status_code == code


def test_with_a_token_nothing_is_shown_and_nothing_done_before_it_was_typed(
    guarded: BoardProcess, station: Station
) -> None:
    assert httpx.get(f"{guarded.url}/events").status_code == 401
    assert httpx.get(f"{guarded.url}/history").status_code == 401
    assert httpx.get(guarded.url).status_code == 200  # the page that asks for it
    own = {"origin": guarded.url}
    assert command(guarded, station, **own).code == 401
    assert post(guarded.url, "/enter", {"token": TOKEN}).status_code == 403  # from nowhere
    wrong = post(guarded.url, "/enter", {"token": TOKEN[:-1]}, **own)
    assert (wrong.status_code, wrong.headers.get("set-cookie")) == (403, None)
    right = post(guarded.url, "/enter", {"token": TOKEN}, **own)
    cookie = right.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert TOKEN not in cookie
    cookies = {COOKIE: right.cookies[COOKIE]}
    assert httpx.get(f"{guarded.url}/events", cookies={COOKIE: "0" * 64}).status_code == 401
    token = action_token(guarded.url, cookies)
    said = {"cookie": f"{COOKIE}={cookies[COOKIE]}", **own}
    assert command(guarded, station, **said).code == 403
    assert command(guarded, station, **said, **{ACTION_HEADER: token}).code == 200
    assert station.commands.get(timeout=10) == Start(corner="LR")


def test_tokens_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[tuple[bytes, bytes]] = []

    def compare(a: bytes, b: bytes) -> bool:
        compared.append((a, b))
        return a == b

    monkeypatch.setattr(hmac, "compare_digest", compare)
    one = Guard(TOKEN)
    assert one.right(TOKEN)
    assert not one.right("ä")
    assert len(compared) == 2
    text = Path(guard_module.__file__).read_text(encoding="utf-8")
    assert text.count("compare_digest") == 3  # the typed one, the cookie, the one of actions


def test_the_cookie_is_the_same_after_a_restart_and_another_with_another_token() -> None:
    assert Guard(TOKEN).session == Guard(TOKEN).session != Guard(TOKEN + "x").session
    assert Guard().session != Guard().session
    assert Guard().action_token != Guard().action_token


@pytest.mark.parametrize(
    "text", ["", "short\nand a long second line", "x" * 600, "with\tsomething odd in it"]
)
def test_a_file_without_a_token_is_refused(text: str) -> None:
    with pytest.raises(TokenError):
        checked_token(text)
    assert checked_token(f" {TOKEN} \nsecond") == TOKEN


def test_loopback() -> None:
    assert [is_loopback(one) for one in ("127.0.0.1", "127.9.9.9", "::1", "localhost")] == [True] * 4
    assert [is_loopback(one) for one in ("0.0.0.0", "::", "192.168.1.7", "bay-2")] == [False] * 4
