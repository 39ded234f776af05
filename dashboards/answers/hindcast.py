"""The answer of `layday hindcast`: the past replayed as if live, and scored."""

from dashboards.answers.shape import Shape, Spec, answer, by_name, count, listed, maybe, number, obj


def _share(words: str) -> Shape:
    return number(f"{words} [0 to 1]", 0.0, 1.0)


def _scores() -> Shape:
    parts: dict[str, Spec] = {
        "n": count("forecasts scored"),
        "mae": number("mean absolute error of the likely value, in the quantity's unit", 0.0),
        "bias": number("mean error, in the quantity's unit"),
        "crps": number("continuous ranked probability score, in the quantity's unit", 0.0),
        "cover80": _share("what was measured lay in the 80 % band"),
        "width80": number("mean width of that band, in the quantity's unit", 0.0),
        "cover80_worst_week": maybe(_share("the same in the worst week")),
        "mae_persistence": maybe(number("error of 'it stays as it is', in the quantity's unit", 0.0)),
        "mae_yesterday": maybe(number("error of 'as yesterday', in the quantity's unit", 0.0)),
    }
    return obj("Scores of one quantity so many hours ahead.", parts, tuple(parts)[1:])


def _window_scores() -> Shape:
    tenth: dict[str, Spec] = {
        "odds": _share("mean odds"),
        "held": _share("how many held"),
        "n": count("starts"),
    }
    wrong = maybe(_share("of them did not hold"))
    kept = maybe(_share("of the good starts that were called so"))
    parts: dict[str, Spec] = {
        "n": count("starts scored"),
        "base_rate": _share("starts that held"),
        "brier": _share("mean squared error of the odds"),
        "brier_skill": maybe(number("1 is perfect, 0 no better than the base rate", None, 1.0)),
        "go": obj("Starts called go.", {"n": count("how many"), "wrong": wrong, "kept": kept}),
        "meter_rule": obj("Starts at which the meter read fit.", {"n": count("how many"), "wrong": wrong}),
        "reliability": listed("by tenths of odds", obj("One tenth.", tenth)),
    }
    return obj("Scores of one bay's starts.", parts, tuple(parts)[1:])


def _cure_scores() -> Shape:
    parts: dict[str, Spec] = {
        "n": count("cures scored"),
        "median_error_min": "median absolute error of the hour said at bedtime",
        "bias_min": maybe(number("mean error [min]")),
        "cover80": _share("the stage came within the 80 % band"),
    }
    return obj("Scores of one bay's cures.", parts, tuple(parts)[1:])


def hindcast_answer() -> Shape:
    """Return the schema: by bay, quantity and hours ahead; or of starts; or of cures."""
    hours = by_name("By hours ahead.", _scores())
    parts: dict[str, Spec] = {
        "bays": by_name("By bay, then quantity, then hours ahead.", by_name("By quantity.", hours)),
        "windows": by_name("By bay.", _window_scores()),
        "cures": by_name("By bay.", _cure_scores()),
    }
    found = answer("hindcast", "The past replayed as if live, and scored.", parts, tuple(parts))
    return found | {"minProperties": 2, "maxProperties": 2}
