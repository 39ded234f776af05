"""What commands answer with --json is what their published schemas promise, and nothing else is."""

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from dashboards.answers.published import published
from tests.published import FOLDER, complaint, name_of, schema_of, spoilt
from tests.schemas import ASKED, real_answers

# asked for by other tests, whose every answer is held to its schema too (see `Layday.ask`)
_ELSEWHERE = {
    "alarms", "alarm-history", "answered", "entry", "forward", "hindcast", "listen", "messages",
    "notify-test", "outlook", "phone", "refused", "yard",
}  # fmt: skip
_NUMBERS = {"number", "integer"}


@pytest.mark.slow
def test_every_answer_is_as_its_schema_says_and_one_with_a_mistake_is_not(tmp_path: Path) -> None:
    answers = real_answers(tmp_path)
    assert [(typed, complaint(answer)) for typed, answer in answers if complaint(answer)] == []
    assert {name_of(answer) for _, answer in answers} | _ELSEWHERE == set(published())
    seen = {name_of(answer): answer for _, answer in answers}  # one of each kind is spoilt
    passed = [words for answer in seen.values() for words, worse in spoilt(answer) if _passes(answer, worse)]
    assert passed == []


def _passes(answer: dict[str, Any], worse: dict[str, Any]) -> bool:
    return Draft202012Validator(schema_of(name_of(answer))).is_valid(worse)


def test_what_is_published_is_what_the_code_promises() -> None:
    """`python -m tests.schemas` writes the files."""
    files = {file.stem: json.loads(file.read_text(encoding="utf-8")) for file in FOLDER.glob("*.json")}
    assert files == published()


@pytest.mark.parametrize("name", sorted(published()))
def test_a_schema_is_one_and_every_number_in_it_says_its_unit(name: str) -> None:
    Draft202012Validator.check_schema(schema_of(name))
    assert not Draft202012Validator(schema_of(name)).is_valid({"schema": "layday/nothing/1"})
    untold = [path for path, shape in _shapes(schema_of(name), name) if _says_no_unit(shape)]
    assert untold == []


def _shapes(shape: Any, path: str) -> list[tuple[str, dict[str, Any]]]:  # noqa: ANN401  JSON
    if isinstance(shape, list):
        return [one for item in shape for one in _shapes(item, path)]
    if not isinstance(shape, dict):
        return []
    return [(path, shape), *(one for key, inner in shape.items() for one in _shapes(inner, f"{path}.{key}"))]


def _says_no_unit(shape: dict[str, Any]) -> bool:
    kinds = shape.get("type", ())
    if "number" not in ([kinds] if isinstance(kinds, str) else kinds):
        return False
    words = shape.get("description", "")
    return not (
        "[" in words or "unit" in words or "ratio" in words or "perfect" in words or "as sent" in words
    )


def test_a_wrong_verdict_odds_or_humidity_is_refused() -> None:
    """Three that matter, spelt out: what the sweep over real answers does for all."""
    bay = {
        "bay": "keel", "verdict": "go", "reasons": [], "air_c": 20.0, "humidity_pct": 55.0, "part_c": 19.0,
        "dew_point_c": 10.7, "frost_point_c": None, "margin_k": 8.3, "margin_uncertainty_k": 0.7,
        "age_s": 5.0,
    }  # fmt: skip
    now = {"schema": "layday/now/1", "at": "2026-04-02T19:04:00Z", "shed": "tunnel", "bays": [bay]}
    assert complaint(now) == ""
    for wrong in ({"verdict": "fine"}, {"humidity_pct": 104.0}, {"air_c": "20 C"}, {"air": 20.0}):
        assert complaint({**now, "bays": [{**bay, **wrong}]}).startswith("$.bays[0]")
    plan: dict[str, Any] = {
        "schema": "layday/plan/1", "at": "2026-04-02T19:04:00Z", "surest": None, "stuck": None,
        "binds": "humidity", "notes": [], "earliest": {"verdict": "go", "odds": 0.9, "jobs": []},
    }  # fmt: skip
    assert complaint(plan) == ""
    assert complaint({**plan, "binds": "the moon"}).startswith("$.binds")
    assert complaint({**plan, "earliest": {"verdict": "go", "odds": 1.2, "jobs": []}}) == (
        "$.earliest.odds: 1.2 is greater than the maximum of 1.0"
    )


def test_every_command_that_answers_is_asked() -> None:
    typed = {words[0] for _, words in ASKED if words}
    assert typed >= {"now", "tonight", "ahead", "windows", "heater", "plan", "mix", "cure", "check", "store"}
