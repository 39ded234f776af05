"""The answers about a shed: as it is, what comes, its cures, windows, heater and plan."""

from dashboards.answers.shape import (
    Shape,
    Spec,
    answer,
    by_name,
    count,
    flag,
    listed,
    maybe,
    number,
    obj,
    of,
    time,
)
from dashboards.cure_steps import STEPS
from forecast.card import Stage
from forecast.cure_outlook import Basis, Remedy
from forecast.heater_state import (
    Fuel,
    HeaterAdvice,
    HeaterNow,
    HeaterOutlook,
    Overshoot,
    Sign,
    WarmUp,
    WorkTime,
)
from forecast.limits import Limit
from forecast.outlook import Outlook
from forecast.verdict import Verdict
from forecast.window_answer import JobWindows, Opening, Window

_NOTES = ["what weakens the answer, in words"]
_WET = "wet"


def _bay() -> Shape:
    return obj(
        "One bay as it is; a number is null where it is missing or cannot be true.",
        {
            "bay": "its name",
            "verdict": Verdict,
            "reasons": ["why, in words, the worst first"],
            "air_c": "?",
            "humidity_pct": "?",
            "part_c": "?",
            "dew_point_c": "?dew point of the air, over water",
            "frost_point_c": "?frost point, where the dew point is below 0 °C",
            "margin_k": "?how far the part is above the dew (or frost) point; negative where it is wet",
            "margin_uncertainty_k": "?± of the margin, from the sensors' own",
            "age_s": "?age of the oldest reading it rests on; below 0 where a sensor's clock runs ahead",
        },
    )


def _arrival(words: str) -> Shape:
    return obj(
        words,
        {
            "earliest_at": "?a tenth of the courses are there before this; null: not within the forecast",
            "likely_at": "?half of them are",
            "latest_at": "?nine tenths of them are",
            "odds": "?that it comes within the forecast at all; null where nothing is forecast",
        },
    )


def _moment(words: str) -> Shape:
    return obj(
        words,
        {
            "likely_at": "?null: never at the warmth of the last hours",
            "earliest_at": "?the earliest that the data sheet and holes in the readings leave open",
            "latest_at": "?the latest",
        },
    )


def _ready() -> Shape:
    return obj(
        "The stage wanted and the hour it is wanted by.",
        {
            "stage": Stage,
            "by": time("the hour"),
            "by_default": flag("nobody asked for this hour: it is the configuration's"),
            "reached": flag("it is there already"),
            "odds": "?of being there in time",
        },
    )


def _rescue() -> Shape:
    return obj(
        "One thing that would still save the cure.",
        {
            "remedy": Remedy,
            "by": maybe(time("the last moment to begin")),
            "warmer_k": "?how much warmer than forecast the part must be",
            "hold_h": "?for how long",
            "part_c": "?how warm that is on average",
            "odds": "?of being ready in time if it is done",
        },
    )


def _ahead_of_cure() -> Shape:
    stage = _arrival("When a stage not reached yet comes.")
    stage["properties"] = {"stage": {"enum": [one.value for one in Stage]}} | stage["properties"]
    stage["required"] = ["stage", *stage["required"]]
    coldest = obj(
        "The coldest hour to come of the part.",
        {
            "low_c": "one in ten is colder",
            "likely_c": "likely",
            "high_c": "one in ten is warmer",
            "at": "when",
        },
    )
    dew = obj(
        "Dew on the part before it is tack-free.",
        {"odds": "of dew", "earliest_at": "?earliest", "likely_at": "?likely"},
    )
    return obj(
        "What may come of the cure.",
        {
            "basis": Basis,
            "stages": [stage],
            "ready": maybe(_ready()),
            "recoat_opens": maybe(_arrival("When the next ply may go on and still bond.")),
            "recoat_closes": maybe(_arrival("Until when the next ply bonds without sanding.")),
            "coldest_hour": maybe(coldest),
            "dew": maybe(dew),
            "rescues": [_rescue()],
            "notes": _NOTES,
        },
    )


def _stage() -> Shape:
    return obj(
        "One stage of a cure.",
        {
            "stage": Stage,
            "progress": "how far the cure is on its way to it, likely",
            "progress_low": "at least",
            "progress_high": "at most",
            "reached_at": "?when it was reached",
            "seen": flag("somebody saw it and entered it"),
            "when": _moment("When it comes, at the warmth of the last hours; or when it came."),
            "degree_hours": "had when it was reached, or so far",
            "equivalent_hours": "had when it was reached, or so far",
            "needed_h": "?what it still takes at the warmth of the last hours; null: too cold for ever",
            "needed_reference_h": "?what it takes at the card's reference temperature",
        },
    )


_STATE: dict[str, Spec] = {
    "at": "the moment of the newest reading it rests on, or asked about",
    "stage": {
        "type": "string",
        "description": "the last stage reached; wet before the first",
        "enum": [_WET, *(one.value for one in Stage)],
    },
    "stages": [_stage()],
    "degree_hours": "had so far",
    "equivalent_hours": "had so far",
    "equivalent_stage": Stage,
    "equivalent_age_hours": "by the published Arrhenius form with 5000 K",
    "recoat": obj(
        "The recoat window at the warmth of the last hours.",
        {
            "opens": maybe(_moment("From when the next ply may go on.")),
            "closes": maybe(_moment("Until when it bonds without sanding.")),
        },
    ),
    "part_c": "the part now",
    "last_hours_c": "its mean over the last hours",
    "coldest_hour_c": "?its coldest hour so far",
    "hottest_hour_c": "?its hottest hour so far",
    "softens_above_c": "?it softens above this, the bound of its glass transition",
    "stalled": flag("too cold now to go on to the next stage"),
    "stalled_h": "for how long it has been so in all",
    "gap_h": "hours without readings",
    "silent_h": "hours since the last reading; above 0 nobody knows how the cure is now",
    "gel_ratio": "?gel was seen after this share of the time expected",
    "cautions": ["what to mind, in words"],
}


def _entry() -> Shape:
    batch = {
        "bay": "where",
        "part": "what",
        "card": "its resin card",
        "lot": "the resin's lot",
        "layup": "the lay-up in words",
        "catalyst_pct": "hardener per 100 of resin",
        "mass_g": "?the batch with hardener",
        "resin_c": "?the resin when mixed",
        "mixed_at": "?when mixed",
        "ready_stage": "the stage wanted; empty where nobody said",
        "ready_by": maybe(time("by when")),
        "what": "what was seen",
        "words": "the note",
    }
    parts = {
        "number": count("its place in the journal"),
        "at": "the moment it tells of",
        "entered_at": "when it was entered",
        "kind": {"type": "string", "enum": ["start", "fix", "mark", "note", "end"]},
        "cure": "the cure's id",
    }
    return obj("One entry of the journal about this cure.", parts | batch, tuple(batch))


def _cure() -> Shape:
    about: dict[str, Spec] = {
        "id": "as in k1",
        "bay": "where it was laid",
        "part": "what was laid",
        "card": "its resin card",
        "lot": "the resin's lot; empty where nobody said",
        "percent": number("hardener per 100 of resin [%]", 0.0, 200.0),
        "laid_at": "when it was laid",
        "news": flag("how it is now is known"),
        "verdict": Verdict,
        "ahead": _ahead_of_cure(),
    }
    later: dict[str, Spec] = {"journal": [_entry()]}
    found = answer(
        "cure", "One cure: what it had, and what comes.", about | _STATE | later, (*_STATE, *later)
    )
    # where nothing was measured nothing of its state is told; where something was, all of it
    return found | {"dependentRequired": {"stage": list(_STATE)}}


def _window() -> Shape:
    return of(
        Window,
        start_at="the first start that is fit",
        end_at="the last one",
        odds="the lowest of any start in it",
        best_odds="those of the best start",
        best_at="the best start",
        catalyst_pct="?hardener that gives the work time at the best start; null without a resin card",
        part_c="?how warm the part likely is then",
    )


def _job_windows() -> Shape:
    return obj(
        "The windows of one job in one bay.",
        {
            "bay": "its name",
            "job": "the job's name",
            "verdict": Verdict,
            "now": Verdict,
            "windows": [_window()],
            "best_at": "?the best start of all",
            "best_odds": "those of the best start",
            "binds": Limit,
            "needed_min": "?for how long all must hold; null: for ever",
            "longest_min": "?the longest stretch that holds with the odds of go; null: all of the forecast",
            "openings": [Opening],
            "notes": _NOTES,
        },
    )


def _placed() -> Shape:
    return obj(
        "A row of jobs at its starts.",
        {
            "verdict": Verdict,
            "odds": "that all of it holds",
            "jobs": [
                obj(
                    "One job in the row.",
                    {
                        "job": "its name",
                        "bay": "where",
                        "start_at": "when to begin to prepare",
                        "work_at": "when to begin to lay up",
                        "done_at": "when it may be left alone",
                        "odds": "that it holds, if those before it did",
                    },
                )
            ],
        },
    )


def _ahead() -> Shape:
    hours = listed(
        "The hours ahead; between low and high run 8 of 10 courses. The quantity's name ends in its unit.",
        obj(
            "One hour.",
            {
                "at": "when",
                "low": number("one in ten is lower, in the quantity's unit"),
                "likely": number("half are lower, in the quantity's unit"),
                "high": number("one in ten is higher, in the quantity's unit"),
            },
        ),
    )
    return answer(
        "ahead",
        "What the air and the part are likely to do.",
        {
            "issued_at": "when the forecast was made",
            "bays": by_name("By bay, then by quantity, as in keel, air_c.", by_name("By quantity.", hours)),
            "words": by_name("By bay: the same in sentences.", ["a sentence"]),
            "notes": _NOTES,
        },
    )


def _outlook() -> Shape:
    found = of(Outlook, {JobWindows: _job_windows()})
    whole = answer("outlook", found["description"], {"verdict": Verdict})
    whole["properties"] |= found["properties"]
    whole["required"] += found["required"]
    return whole


def _heater() -> Shape:
    told = {
        name: maybe(of(kind))
        for name, kind in (("overshoot", Overshoot), ("work", WorkTime), ("warm_up", WarmUp), ("fuel", Fuel))
    }
    return answer(
        "heater",
        (HeaterOutlook.__doc__ or "").split("\n")[0],
        {
            "at": "the moment it speaks for",
            "bay": "where the thermostat hangs",
            "verdict": Verdict,
            "now": of(HeaterNow),
            "sign": {
                "type": ["string", "null"],
                "description": "what the readings betray",
                "enum": [*(one.value for one in Sign if one.value), None],
            },
            "sign_since": maybe(time("since when")),
            "overshoot": told["overshoot"],
            "work": told["work"],
            "advice": of(HeaterAdvice),
            "warm_up": told["warm_up"],
            "fuel": told["fuel"],
            "cautions": ["the usual cautions"],
            "notes": _NOTES,
        },
    )


def shed_answers() -> dict[str, Shape]:
    """Return the schemas of the answers about a shed, by name."""
    at = {"at": "the moment asked about"}
    steps = listed("which steps were asked about", {"type": "string", "enum": list(STEPS)})
    stuck = {"type": ["string", "null"], "description": "the job that fits nowhere"}
    return {
        "now": answer("now", "Every bay as it is.", {**at, "shed": "its name", "bays": [_bay()]}),
        "tonight": answer(
            "tonight",
            "Every live cure.",
            {**at, "cures": [_cure()], "mistakes": ["a cure left out, and why"]},
        ),
        "cure": _cure(),
        "steps": answer(
            "steps",
            "When the next step may be done.",
            {**at, "id": "the cure", "steps": steps, "words": ["the answer in sentences"]},
        ),
        "windows": answer(
            "windows", "When a job may be started.", {**at, "windows": [_job_windows()], "notes": _NOTES}
        ),
        "plan": answer(
            "plan",
            "A row of jobs, one after the other.",
            {
                **at,
                "earliest": maybe(_placed(), "the earliest row that holds with the odds wanted"),
                "surest": maybe(_placed(), "the row with the best odds"),
                "stuck": stuck,
                "binds": Limit,
                "notes": _NOTES,
            },
        ),
        "ahead": _ahead(),
        "heater": _heater(),
        "outlook": _outlook(),
    }
