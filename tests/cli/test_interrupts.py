"""Ctrl-C is noted, so that readings can be put away; the third one is raised after all."""

from __future__ import annotations

import signal

import pytest

from cli.interrupts import Interrupts


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_is_noted_and_calls(number: int) -> None:
    called = []
    with Interrupts() as interrupts:
        interrupts.on_interrupt = lambda: called.append(1)
        signal.raise_signal(number)
        assert interrupts.number == number
    assert called == [1]


def test_the_first_signal_is_the_one_that_counts() -> None:
    with Interrupts() as interrupts:
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
        assert interrupts.number == signal.SIGTERM


def test_the_third_is_raised() -> None:
    with Interrupts():
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)


def test_afterwards_all_is_as_it_was() -> None:
    before = [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]
    with Interrupts():
        assert signal.getsignal(signal.SIGINT) != before[0]
    assert [signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)] == before


def test_an_ignored_signal_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Interrupts() as interrupts:
            signal.raise_signal(signal.SIGHUP)
            assert interrupts.number is None
    finally:
        signal.signal(signal.SIGHUP, before)
