"""Who may see the page and who may act: host, origin, tokens, and the headers of every answer."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from urllib.parse import urlsplit

from starlette.requests import Request

COOKIE = "shimwright-board"

ACTION_HEADER = "x-board-token"

LEAST_TOKEN = 16
"""Characters in the shortest token that guards a page in a network."""

MOST_TOKEN = 512
"""Characters in the longest."""

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
"""Of every answer."""

_HERE = {"localhost", "127.0.0.1", "::1"}


def is_loopback(host: str) -> bool:
    """Whether an address to listen on is this machine alone.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Guard:
    """Decides who may see and who may act.

    Attributes:
        action_token: A page has to say this with each action; it hears it with its first event, which no
            page of another site can read. Made anew each time the board starts.

    Args:
        token: What people type to see the page; None: everybody at this machine may.
    """

    def __init__(self, token: str | None = None) -> None:
        self.action_token = secrets.token_urlsafe(24)
        self._token = None if token is None else token.encode()
        # what the cookie holds is not the token itself, and outlives a restart of the board
        key = self._token or secrets.token_bytes(32)
        self._session = hmac.new(key, b"shimwright board, page", hashlib.sha256).hexdigest()

    @property
    def wants_token(self) -> bool:
        """Whether people have to type a token."""
        return self._token is not None

    @property
    def session(self) -> str:
        """What the cookie of a page that was let in holds."""
        return self._session

    def right(self, token: str) -> bool:
        """Whether a typed token is the right one; takes as long either way."""
        return self._token is not None and hmac.compare_digest(token.encode(), self._token)

    def known_host(self, request: Request) -> bool:
        """Whether the page was asked for by a name of this machine.

        Without a token anybody's site could have its own name point here, and read along.
        """
        if self.wants_token:
            return True
        try:
            name = urlsplit(f"//{request.headers.get('host', '')}").hostname
        except ValueError:
            return False
        return name in _HERE or (name is not None and is_loopback(name))

    def may_see(self, request: Request) -> bool:
        """Whether whoever asks may see the shop."""
        if not self.wants_token:
            return True
        said = request.cookies.get(COOKIE, "")
        return hmac.compare_digest(said.encode(), self._session.encode())

    def same_origin(self, request: Request) -> bool:
        """Whether a request comes from a page of this board and of no other site."""
        origin, host = request.headers.get("origin"), request.headers.get("host")
        if not origin or not host or request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return False
        return origin.lower() in {f"http://{host.lower()}", f"https://{host.lower()}"}

    def may_act(self, request: Request) -> bool:
        """Whether a request carries the token of actions."""
        said = request.headers.get(ACTION_HEADER, "")
        return hmac.compare_digest(said.encode(), self.action_token.encode())


class TokenError(ValueError):
    """A token cannot guard a page; the text says why."""


def checked_token(text: str) -> str:
    """A token as it stands in its file.

    Args:
        text: The file's text; its first line counts.

    Raises:
        TokenError: If it is none.
    """
    token = text.partition("\n")[0].strip()
    if len(token) < LEAST_TOKEN:
        raise TokenError(f"its first line is to be a token of {LEAST_TOKEN} characters or more, and is not")
    if len(token) > MOST_TOKEN or not token.isprintable():
        raise TokenError(f"its first line is no token: at most {MOST_TOKEN} characters that can be typed")
    return token
