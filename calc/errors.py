"""The base of every error that ``calc`` raises. Each subclass stands beside what raises it."""

from __future__ import annotations


class CalcError(Exception):
    """Something asked of ``calc`` cannot be done; its text is one line that says what to do next."""
