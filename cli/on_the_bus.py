"""A station on the bus: wires gauges, log and job cards to MQTT. Imported only where a broker is named."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from bus.commands import Intake
from bus.desk import Desk
from bus.outbox import Outbox
from bus.payloads import Cue
from bus.publisher import Publisher, Source
from bus.results import encode_result
from bus.settings import settings_of
from bus.topics import StationTopics
from calc.errors import CalcError
from capture.listening import Listening
from capture.station import Broker, Station
from cli.announcing import Announcer
from cli.commanding import Commander
from cli.journal import Journal
from cli.keeping import Keeper
from cli.todo import todo_of
from joblog.records import Measurement


class OnTheBus:
    """A station's place on the bus.

    Attributes:
        announcer: Is told what happens.
        publisher: Sends it.

    Args:
        station: The station file, with a broker.
        broker: The broker.
        listening: The gauges.
        keeper: The log.
        desk: The job cards.
        journal: Is told how it goes.
        hear: Is told each cue, besides the bus.
    """

    def __init__(
        self,
        *,
        station: Station,
        broker: Broker,
        listening: Listening,
        keeper: Keeper,
        desk: Desk,
        journal: Journal,
        hear: Callable[[Cue], None],
    ) -> None:
        topics = StationTopics(station.shop, station.station)
        warn: Callable[[str, str], None] = partial(journal.say, level="warning")
        outbox = Outbox(keeper.with_store, _encode, warn)
        self.announcer = Announcer(listening, desk, lambda: outbox.unsent, hear)
        commander = Commander(listening, desk, self.announcer)
        self.publisher = self.announcer.publisher = Publisher(
            settings=settings_of(broker),
            topics=topics,
            source=Source(self.announcer.status, self.announcer.live, self.announcer.forget_ranges),
            outbox=outbox,
            intake=Intake(topics, commander.do, journal.say),
            say=journal.say,
        )


def _encode(measurement: Measurement) -> bytes:
    """The message of a measurement; one whose hub file is of another version says nothing of what to do."""
    try:
        todo = todo_of(measurement)
    except CalcError:
        todo = []
    return encode_result(measurement, todo)
