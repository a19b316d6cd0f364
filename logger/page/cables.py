"""Page that compares the losses of cables."""

from __future__ import annotations

from collections.abc import Mapping

from starlette.requests import Request
from starlette.responses import Response

from logger.errors import UsageError
from logger.feedline.cables import attenuation, published_at
from logger.feedline.comparison import Terms, choices
from logger.feedline.frequency import mhz_of
from logger.feedline.words import remarks, sources
from logger.page.drawings import Station
from logger.page.site import site_of
from logger.wording import parse_positive

LENGTHS_M = (10.0, 20.0, 30.0)
MOST_LENGTHS, MOST_M = 5, 10_000.0
MOST_MHZ = 3000.0
MOST_SWR = 99.0
USUAL_MHZ, USUAL_SWR, USUAL_W = 27.2, 1.5, 4.0


def compare(request: Request) -> Response:
    """Show a table of cables and lengths for the conditions in the address."""
    site = site_of(request)
    asked = request.query_params
    terms, lengths = _terms(site.station, asked)
    names = [asked["cable"]] if asked.get("cable") else published_at(terms.frequency_mhz)
    cables = [attenuation(name, terms.frequency_mhz) for name in names]
    rows = list(choices(cables, lengths, terms))
    values = {
        "terms": terms,
        "lengths": ", ".join(f"{length:g}" for length in lengths),
        "rows": rows,
        "sources": list(sources(cables)),
        "remarks": list(remarks(rows, cables, len(lengths))),
        "names": published_at(terms.frequency_mhz),
        "chosen": asked.get("cable", ""),
    }
    return site.page(request, "cables.html", values)


def _terms(station: Station, asked: Mapping[str, str]) -> tuple[Terms, list[float]]:
    """Return the conditions and the lengths, m, with defaults of the station."""

    def number(name: str, otherwise: float) -> float:
        text = asked.get(name, "").strip()
        value = parse_positive(text) if text else otherwise
        if value is None:
            raise UsageError(f"{name}: {text[:40]!r} is not a number above 0")
        return value

    mhz = number("frequency", mhz_of(station.options) or USUAL_MHZ)
    swr = number("swr", USUAL_SWR)
    if not 0.1 <= mhz <= MOST_MHZ or not 1 <= swr <= MOST_SWR:
        raise UsageError("give a frequency in MHz up to 3000, and an SWR from 1 to 99")
    installed_m = station.line.length_m
    texts = [text for text in asked.get("lengths", "").split(",") if text.strip()]
    lengths_m = [parse_positive(text) for text in texts[:MOST_LENGTHS]]
    known_m = [length_m for length_m in lengths_m if length_m is not None and length_m <= MOST_M]
    if len(known_m) < len(lengths_m):
        raise UsageError(f"give lengths in metres, up to {MOST_M:g}, separated by commas")
    default_m = LENGTHS_M if installed_m is None else (installed_m,)
    at_antenna = asked.get("at", "antenna") != "shack"
    return Terms(mhz, swr, at_antenna, number("power", USUAL_W)), known_m or list(default_m)
