"""A small picture of the hours ahead, for messages: the part's temperature, likely and 8 times in 10. SVG."""

from datetime import UTC, datetime, timedelta
from html import escape

from collector.units import shown_temperature
from dashboards.local_hours import clock_change, round_hours
from dashboards.view import Reader
from forecast.outlook import Band, Outlook

AHEAD = timedelta(hours=14)
_WIDTH, _HEIGHT = 480, 220
_LEFT, _RIGHT, _TOP, _BOTTOM = 48, 12, 28, 28
_LEAST_SPAN_K = 4.0
_FEWEST = 4


def picture_svg(outlook: Outlook, bay: str, at: datetime, reader: Reader) -> str:
    """Return the hours ahead of a bay's part (air without a probe); empty where nothing is forecast."""
    found = next((one for one in outlook.bays if one.bay == bay), None)
    band = None if found is None else found.band("part_c") or found.band("air_c")
    if band is None:
        return ""
    step = timedelta(seconds=band.step_s)
    places = [i for i in range(len(band.likely)) if at <= band.start_at + i * step <= at + AHEAD]
    if len(places) < _FEWEST:
        return ""
    return _Drawing(band, places, reader).svg(bay)


class _Drawing:
    """Turns a stretch of a band into lines on paper."""

    def __init__(self, band: Band, places: list[int], reader: Reader) -> None:
        self._band, self._places, self._reader = band, places, reader
        lowest = min(band.low[i] for i in places)
        highest = max(band.high[i] for i in places)
        spare_k = max(_LEAST_SPAN_K - (highest - lowest), 0.0) / 2.0
        self._low_c, self._high_c = lowest - spare_k, highest + spare_k

    def svg(self, bay: str) -> str:
        """Return the whole picture."""
        band, places = self._band, self._places
        edge = [self._point(i, band.high[i]) for i in places]
        edge += [self._point(i, band.low[i]) for i in reversed(places)]
        line = " ".join(self._point(i, band.likely[i]) for i in places)
        what = "part" if band.quantity == "part_c" else "air"
        degree = "°F" if self._reader.units == "us" else "°C"
        title = escape(f"{bay}: {what} ahead, {degree}; likely, and 8 times in 10")
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
            f'font-family="sans-serif" font-size="12"><title>{title}</title>'
            f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fff"/>'
            f'<text x="{_LEFT}" y="16">{title}</text>{self._degrees()}{self._hours()}'
            f'<polygon points="{" ".join(edge)}" fill="#bcd" /><polyline points="{line}" fill="none" '
            f'stroke="#124" stroke-width="2"/></svg>'
        )

    def _point(self, place: int, temp_c: float) -> str:
        return f"{self._across(place):.1f},{self._up(temp_c):.1f}"

    def _across(self, place: float) -> float:
        first, last = self._places[0], self._places[-1]
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (place - first) / (last - first)

    def _up(self, temp_c: float) -> float:
        share = (temp_c - self._low_c) / (self._high_c - self._low_c)
        return _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * share

    def _degrees(self) -> str:
        shown = []
        for share in (0.0, 0.5, 1.0):
            temp_c = self._low_c + share * (self._high_c - self._low_c)
            words = f"{shown_temperature(temp_c, fahrenheit=self._reader.units == 'us'):.1f}"
            y = self._up(temp_c)
            shown.append(
                f'<path d="M{_LEFT} {y:.1f}H{_WIDTH - _RIGHT}" stroke="#ddd"/>'
                f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{words}</text>'
            )
        return "".join(shown)

    def _hours(self) -> str:
        """Mark the round hours, and the moment at which clocks are put back or on."""
        first, last = (self._moment(place) for place in (self._places[0], self._places[-1]))
        shown = []
        for local in round_hours(first, last, 3, self._reader.zone):
            x = self._x(local.astimezone(UTC))
            shown.append(
                f'<text x="{x:.1f}" y="{_HEIGHT - 8}" text-anchor="middle">{local:%H:%M}</text>'
                f'<path d="M{x:.1f} {_TOP}V{_HEIGHT - _BOTTOM}" stroke="#eee"/>'
            )
        if (change := clock_change(first, last, self._reader.zone)) is not None:
            x = self._x(change[0])
            anchor = "end" if x > _WIDTH / 2 else "start"
            shown.append(
                f'<path d="M{x:.1f} {_TOP}V{_HEIGHT - _BOTTOM}" stroke="#555" stroke-dasharray="2 3"/>'
                f'<text x="{x + (-4 if anchor == "end" else 4):.1f}" y="{_HEIGHT - _BOTTOM - 4}" '
                f'text-anchor="{anchor}">{change[1]}</text>'
            )
        return "".join(shown)

    def _moment(self, place: int) -> datetime:
        return self._band.start_at + place * timedelta(seconds=self._band.step_s)

    def _x(self, moment: datetime) -> float:
        """Return where a moment lies across."""
        return self._across((moment - self._band.start_at) / timedelta(seconds=self._band.step_s))
