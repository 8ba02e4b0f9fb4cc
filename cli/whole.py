"""The whole program, every command in it: for its help, its documents and its tests."""

from __future__ import annotations

from cli.main import app_of

app = app_of()
