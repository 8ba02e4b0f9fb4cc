"""What a gauge that answers only when it is asked is sent, and how often: from its profile or its link."""

from __future__ import annotations

from capture.errors import LinkUsage
from capture.links.urls import LinkUrl
from capture.profiles import SerialSettings

LEAST_PERIOD_S = 0.01
MOST_PERIOD_S = 60.0


def asking_of(url: LinkUrl, base: SerialSettings) -> tuple[bytes, float]:
    """Read a link's ``request`` and ``period``; where one is not given it is the profile's.

    Returns:
        The request, empty for a gauge that need not be asked, and the period in seconds.

    Raises:
        LinkUsage: If the request holds more than ASCII or the period is none from 0.01 to 60 s.
    """
    period_s = url.number("period", base.period_s, LEAST_PERIOD_S, MOST_PERIOD_S)
    text = url.options.get("request")
    if text is None:
        return base.request, period_s
    try:
        return text.encode("ascii"), period_s
    except UnicodeEncodeError:
        why = f'request="{text}" holds more than ASCII; a profile file can say any bytes'
        raise LinkUsage(url.text, why) from None
