"""Which sensor is suspect, why, and what to do about it, in plain words."""

from collector.domain import Flag

_WHY = {
    Flag.OUT_OF_RANGE: "{sensor} says {value}, which cannot be",
    Flag.POWER_ON: "{sensor} says 85 °C, as a probe does that has just got power",
    Flag.ALL_ZERO: "{sensor} says exactly {value}, as a broken one does",
    Flag.PINNED: "{sensor} has stood at {value}{since}: it is probably wet",
    Flag.STUCK: "{sensor} has said {value} and nothing else{since} while others moved",
    Flag.CLOCK_OFF: "{sensor} dates its readings wrongly: its clock is off",
    Flag.SWAPPED: "{sensor} seems to have changed places with another{since}",
    Flag.RATE: "{sensor} leaps about faster than anything in a shed can{since}",
    Flag.JUMP: "{sensor} leapt to {value} from one reading to the next",
    Flag.DISAGREES: "{sensor} says {value}, far from what the other bays' say{since}",
}
_TO_DO = {
    Flag.OUT_OF_RANGE: "check its wiring, and its unit in the configuration",
    Flag.POWER_ON: "check its supply: it starts again and again, or was never asked to measure",
    Flag.ALL_ZERO: "check its plug and its wire",
    Flag.PINNED: "dry it, or read another; if the air itself is that wet, it is no time to glass either",
    Flag.STUCK: "start its node again, and look at its wire",
    Flag.CLOCK_OFF: "set the clock of its node; check its time zone",
    Flag.SWAPPED: "see which sensor hangs where, and mend its place in the configuration",
    Flag.RATE: "look for a loose plug or a broken wire",
    Flag.JUMP: "wait for its next reading; if it stays there, see whether it was moved",
    Flag.DISAGREES: "hold another thermometer or hygrometer beside it",
}


def suspect_words(sensor: str, value_words: str, flags: int, since_words: str = "") -> str:
    """Return why a sensor is suspect, without a full stop.

    >>> suspect_words("keel.humidity_pct", "100 %", Flag.PINNED, "40 min")
    'keel.humidity_pct has stood at 100 % for 40 min: it is probably wet'
    """
    since = f" for {since_words}" if since_words else ""
    found = [words for flag, words in _WHY.items() if flag in Flag(flags)]
    if not found:
        return f"{sensor} reads {value_words}, which cannot be trusted"
    return found[0].format(sensor=sensor, value=value_words, since=since)


def to_do_words(flags: int) -> str:
    """Return what to do about a suspect sensor; empty where nothing is known.

    >>> to_do_words(Flag.RATE)
    'look for a loose plug or a broken wire'
    """
    return next((words for flag, words in _TO_DO.items() if flag in Flag(flags)), "")
