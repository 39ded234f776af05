"""The answers about mixing and about resin cards."""

from collector.units import ZERO_C_K
from dashboards.answers.shape import Shape, answer, by_name, count, flag, maybe, number, obj, one_of
from forecast.card import Family, Stage
from forecast.card_check import Kind

PERCENT = number("hardener per 100 of resin [%]", 0.0, 200.0)


def _mix() -> Shape:
    gel = {name: number(f"{words} [min]", 0.0) for name, words in _GEL.items()}
    batches = {"pots": count("how many pots"), "resin_g": "resin in each", "use_min": "use each up within"}
    layup = {
        "glass_g": "glass",
        "laid_g": "glass and resin as laid",
        "resin_g": "resin, waste and all",
        "thickness_mm": "laminate",
        "glass_pct": "glass by weight",
    }
    return answer(
        "mix",
        "How much catalyst, how big a pot, how long it lasts.",
        {
            "card": "the resin card",
            "temp_c": "how warm it is",
            "percent": PERCENT,
            "limit": {
                "type": ["string", "null"],
                "description": "the end of the card's range that was met instead of what was wished",
                "enum": ["low", "high", None],
            },
            "resin_g": "resin in a pot",
            "gel_min": obj("Gel time in the sheet's own conditions.", gel),
            "catalyst": obj("What to measure out.", {"mass_g": "by weight", "volume_ml": "by volume"}),
            "pot_work_min": "work time in the pot",
            "tray_work_min": "work time in a tray",
            "film_work_min": "work time once laid",
            "pot_peak_c": "how hot the pot gets if it is left",
            "outside_sheet": flag("the data sheet says nothing of this temperature or percentage"),
            "warnings": ["what is odd"],
            "cautions": ["the usual cautions"],
            "job_g": "?resin for the whole job",
            "batches": maybe(obj("The job in pots.", batches)),
            "layup": maybe(obj("What the layers weigh.", layup)),
        },
    )


_GEL = {"low": "a tenth of pots gel before", "likely": "likely", "high": "nine tenths have gelled"}


def _application() -> Shape:
    bounds = {
        "temp_min_c": "not colder",
        "temp_max_c": "not warmer",
        "humidity_max_pct": "not damper",
        "margin_min_k": "part over dew point, at least",
    }
    return obj("In what air it may be laid.", bounds)


def _hardener() -> Shape:
    about = {
        "kind": "what is stirred in",
        "density_g_ml": "its density",
        "by": one_of("what the percentage is of", "weight", "volume"),
        "min_pct": "the least",
        "max_pct": "the most",
    }
    return obj("The hardener.", about)


def _resin() -> Shape:
    temps = {"type": "array", "items": number("temperature [°C]", -ZERO_C_K)}
    hours = {"type": "array", "items": number("hours from mixing [h]", 0.0)}
    cell = obj(
        "One cell of the gel-time table.",
        {
            "temp_c": "at",
            "catalyst_pct": "with",
            "low_min": "from",
            "high_min": "to",
            "cup_g": "?in a cup of so much; null: in a film",
        },
    )
    table = obj("Hours to the stage, by temperature.", {"temps_c": temps, "times_h": hours})
    stages = obj("By stage.", {one.value: table for one in Stage}, tuple(one.value for one in Stage))
    return answer(
        "resin",
        "A resin card.",
        {
            "key": "its key",
            "name": "its name",
            "family": Family,
            "generic": flag("typical numbers, of no one product"),
            "density_g_ml": "of the resin",
            "heat_of_reaction_j_g": "of the mixture",
            "shelf_life_months": "?from the day it was made",
            "base_c": "degree-hours count above this",
            "reference_c": "equivalent hours are at this",
            "hardener": _hardener(),
            "application": _application(),
            "gel": [cell],
            "stages": stages,
            "recoat": maybe(
                obj("When the next ply bonds.", {"temps_c": temps, "from_h": hours, "to_h": hours})
            ),
            "sources": by_name("By table or key: where its numbers are from.", "the source"),
        },
    )


def mixing_answers() -> dict[str, Shape]:
    """Return the schemas of the answers about mixing and cards, by name."""
    card = {"key": "its key", "name": "its name", "family": Family, "generic": flag("of no one product")}
    remark = obj("One remark.", {"key": "of what", "kind": Kind, "words": "what"})
    return {
        "mix": _mix(),
        "resin": _resin(),
        "resins": answer("resins", "The resin cards there are.", {"cards": [obj("One card.", card)]}),
        "resin-check": answer(
            "resin-check", "What is odd about a card.", {"card": "its key", "remarks": [remark]}
        ),
    }
