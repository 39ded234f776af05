"""The answers about all that is kept: the journal, the store, sensors, alarms, records."""

from collector.config_base import SensorUnit
from collector.domain import QUANTITIES, Flag
from collector.notify_config import ChannelKind
from dashboards.answers.mixing import PERCENT
from dashboards.answers.shape import (
    Shape,
    answer,
    any_of,
    by_name,
    count,
    flag,
    listed,
    maybe,
    number,
    obj,
    of,
    one_of,
    time,
)
from dashboards.notify.message import Weight
from dashboards.notify.outbox import State
from dashboards.notify.sender import Outcome
from dashboards.notify.states import Alarm, Turn
from forecast.card import Stage
from forecast.verdict import Verdict

_SENSOR_STATES = ("good", "silent", "never heard", "suspect", "clock off")
_FLAGS = sorted(one.name.lower().replace("_", " ") for one in Flag if one.name)
_AT = {"at": "the moment asked about"}


def _journal_answers() -> dict[str, Shape]:
    stage = {"type": ["string", "null"], "description": "the stage wanted", "enum": [*map(str, Stage), None]}
    cure = {
        "id": "as in k1",
        "bay": "where",
        "part": "what",
        "card": "its resin card",
        "percent": PERCENT,
        "lot": "the resin's lot; empty where nobody said",
        "mass_g": "?the batch with hardener",
        "layup": "the lay-up in words",
        "resin_c": "?the resin when mixed",
        "mixed_at": "?when mixed",
        "laid_at": "when laid",
        "marks": by_name("By what was seen: when.", time("when")),
        "ready_stage": stage,
        "ready_by": maybe(time("by when it is wanted")),
        "ended_at": "?when it was over",
    }
    entry = {
        "kind": one_of("what was entered", *_ENTRIES),
        "id": "what it is about, as in k1",
        "at": "the moment it tells of",
        "words": ["what the command says"],
    }
    return {
        "cures": answer("cures", "The cures in the journal.", {"cures": [obj("One cure.", cure)]}),
        "entry": answer("entry", "What was entered in the journal.", entry),
    }


_ENTRIES = ("start", "fix", "mark", "note", "end", "take back", "cup")


def _store_answers() -> dict[str, Shape]:
    gap = obj("A stretch without readings.", {"start": "from", "end": "to"})
    sensor = {
        "name": "as in keel.air_c",
        "count": count("readings kept"),
        "first_at": "the first",
        "last_at": "the last",
        "step_s": "?its usual step; null with fewer than two readings",
        "gaps": [gap],
    }
    damage = maybe(listed("what a check of the file found; null: not asked for", "in words"))
    store = {
        "path": "the file",
        "size_bytes": "with its log",
        "unused_bytes": "of it, to be filled before it grows",
        "disk_free_bytes": "left on the disk",
        "row_count": count("readings that wait to be packed"),
        "chunk_count": count("six-hour pieces packed"),
        "sensors": [obj("One sensor.", sensor)],
        "damage": damage,
    }
    imported = {
        "file": "the file",
        "new": count("readings kept"),
        "repeated": count("there already"),
        "conflicting": count("left out: another value is there"),
        "skipped": ["a line or cell left out, and why"],
    }
    exported = {
        "file": "the file",
        "readings": count("readings written"),
        "corrected": ["a sensor written as calibrated"],
    }
    copied = {"path": "the copy", "size_bytes": "its size"}
    return {
        "backup": answer("backup", "Copies written and checked.", {"files": [obj("One file.", copied)]}),
        "store": answer("store", "The store's file and its sensors.", store),
        "import": answer("import", "What became of an import.", imported),
        "export": answer("export", "What was written.", exported),
    }


def _forward_answers() -> dict[str, Shape]:
    waiting = {
        "readings": count("readings not copied yet"),
        "stretches": count("stretches to copy again"),
        "oldest_at": "?the oldest that waits",
    }
    forward = {
        **_AT,
        "address": "the central store's",
        "trouble": {"type": ["string", "null"], "description": "what keeps it from copying"},
        "sent_count": count("readings copied"),
        "last_sent_at": "?when it last copied",
        "waiting": obj("What waits.", waiting),
        "dead_letters": count("lines refused for good"),
    }
    refused = {
        "id": count("its number"),
        "at": "when it was refused",
        "status": count("the answer's HTTP status"),
        "reason": "the answer's words",
        "line": "what was sent",
    }
    return {
        "forward": answer("forward", "How copying to the central store goes.", forward),
        "refused": answer("refused", "Lines refused.", {"lines": [obj("One line.", refused)]}),
    }


def _sensor_answers() -> dict[str, Shape]:
    sensor = {
        "name": "as in keel.air_c",
        "configured": flag("the configuration names it"),
        "state": one_of("how it is", *_SENSOR_STATES),
        "value": maybe(number("its newest value, in the unit its name ends in")),
        "age_s": "?its age",
        "skew_s": "?its clock less ours",
        "flags": listed("why it is suspect", one_of("a flag", *_FLAGS)),
        "suspect_s": "?for how long",
        "flag_bits": count("the same flags as bits"),
        "words": "all of it in a sentence",
    }
    rejected = {
        **_AT,
        "source": "where it came from",
        "topic": "its topic",
        "reason": "why it gave no reading",
        "payload_head": "how it begins",
        "size_bytes": "its size",
    }
    check = {
        **_AT,
        "well": flag("daemon and every configured sensor are well"),
        "daemon": obj("The daemon.", {"well": flag("it works"), "words": "how it is"}),
        "sources": ["a source of readings, in words"],
        "clock": "this computer's clock, in words",
        "sensors": [obj("One sensor.", sensor)],
        "rejected": obj(
            "What was put aside.",
            {
                "counts": by_name("By reason.", count("how many")),
                "newest": [obj("One message.", rejected)],
            },
        ),
    }
    return {"check": answer("check", "How layday itself is.", check), "listen": _listen(), "salt": _salt()}


def _listen() -> Shape:
    guessed = {
        "name": "the field's name in the message",
        "newest": {"type": ["number", "null"], "description": "its newest value, as sent"},
        "quantity": one_of("what it seems to be; empty: not known", "", *QUANTITIES),
        "unit": any_of("its unit; empty: the quantity's own", SensorUnit),
        "place": "where it seems to be",
        "sure": flag("no need for a person to look"),
        "reason": "why it seems so",
        "configured": "the sensor that the configuration makes of it; empty: none",
    }
    topic = {
        "topic": "the topic",
        "shape": one_of("of its messages", "value", "json", "senml", "sparkplug", "unreadable"),
        "messages": count("heard"),
        "retained": count("of them kept by the broker from before"),
        "every_s": "?how often",
        "trouble": "why it cannot be read; empty if it can",
        "time_pointer": "JSON Pointer to the device's time; empty if there is none",
        "fields": [obj("One field.", guessed)],
    }
    return answer(
        "listen",
        "What was heard, and a configuration for it.",
        {
            **_AT,
            "heard": "in words",
            "topics": [obj("One topic.", topic)],
            "configuration": "TOML to paste",
        },
    )


def _salt() -> Shape:
    point = {
        "point": "the salt, or what else was known",
        "temp_c": "?how warm it was",
        "true": number("what it truly was, in the sensor's unit"),
        "measured": number("what the sensor said, in its unit"),
        "uncertainty": number("± of what it truly was, in the sensor's unit", 0.0),
    }
    return answer(
        "salt",
        "A sensor's calibration: true = gain * measured + offset.",
        {
            "sensor": "as in keel.humidity_pct",
            "since": "from when it holds",
            "points": [obj("One point.", point)],
            "gain": number("a ratio", 0.0),
            "offset": number("in the sensor's unit"),
            "uncertainty": number("± after calibration, in the sensor's unit", 0.0),
            "solvent": flag("looks as if solvent had spoilt the sensor"),
            "config": "TOML to paste",
        },
    )


def _yard() -> Shape:
    verdict = one_of("from its odds", "go", "tight")
    window = obj("The next window.", {"start": "the first start", "end": "the last", "verdict": verdict})
    shed = {
        "shed": "its name",
        "verdict": Verdict,
        "bay": {"type": ["string", "null"], "description": "the worst bay"},
        "reason": "why, in words",
        "live_cures": maybe(count("how many; null: not known")),
        "cures_verdict": maybe(Verdict),
        "window": maybe(window),
        "fuel_h": "?for how long the fuel lasts",
        "outlook_at": "?when its outlook was made",
        "heard_at": "?its newest reading",
        "age_s": "?the age of that",
    }
    return answer("yard", "Every shed, the worst first.", {**_AT, "sheds": [obj("One shed.", shed)]})


def _alarm_answers() -> dict[str, Shape]:
    alarm = of(Alarm)
    alarm["properties"]["name"] = {"type": "string", "description": "what it answers to, as in a12"}
    alarm["required"].append("name")
    line = {
        **_AT,
        "alarm": "its name",
        "spot": "what it is about",
        "turn": Turn,
        "by": "who; empty: layday itself",
        "answer_s": "?how long after it was told",
    }
    message = {
        "key": "its key",
        "person": one_of("to whom", "first", "second"),
        "head": "its first line",
        "text": "the rest",
        "weight": one_of("how loud", *(one.name.lower() for one in Weight)),
        "made_at": "when it was made",
        "until_at": "it is worth nothing after",
        "state": State,
        "channel": "by which it was sent; empty: not yet",
        "tries": count("how often it was tried"),
        "said": "what the last try brought",
        "done_at": "?when that was settled",
    }
    tried = {
        "channel": "its name",
        "kind": any_of("its kind", ChannelKind),
        "outcome": Outcome,
        "said": "what came back",
    }
    return {
        "alarms": answer("alarms", "Alarms that stand, or ended unseen.", {"alarms": [alarm]}),
        "alarm-history": answer("alarm-history", "What happened.", {"lines": [obj("One turn.", line)]}),
        "messages": answer("messages", "The newest messages.", {"messages": [obj("One message.", message)]}),
        "answered": answer("answered", "Alarms answered.", {"answered": ["in words"]}),
        "notify-test": answer("notify-test", "Channels tried.", {"channels": [obj("One.", tried)]}),
    }


def _record_answers() -> dict[str, Shape]:
    checked = {"agrees": flag("the file says what is kept"), "differences": ["where it does not"]}
    return {
        "record-written": answer("record-written", "Files written.", {"files": ["its path"]}),
        "record-check": answer("record-check", "A record against what is kept.", checked),
        "phone": answer("phone", "Links to the phone page; each is a key.", {"links": ["a link"]}),
    }


def keeping_answers() -> dict[str, Shape]:
    """Return the schemas of all answers that are not about a shed's air and cures, by name."""
    return {
        **_journal_answers(),
        **_store_answers(),
        **_forward_answers(),
        **_sensor_answers(),
        "yard": _yard(),
        **_alarm_answers(),
        **_record_answers(),
    }
