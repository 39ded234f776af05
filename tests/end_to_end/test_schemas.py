"""What commands answer with --json is what their published schemas say."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator, ValidationError

from tests.schemas import FOLDER, name_of, real_answers


@pytest.mark.slow
def test_every_answer_is_as_its_schema_says(tmp_path: Path) -> None:
    for typed, answer in real_answers(tmp_path):
        schema = json.loads((FOLDER / f"{name_of(answer)}.json").read_text(encoding="utf-8"))
        try:
            Draft202012Validator(schema).validate(answer)
        except ValidationError as error:
            pytest.fail(f"{typed}: {error.json_path}: {error.message}")


@pytest.mark.parametrize("file", sorted(FOLDER.glob("*.json")), ids=lambda file: str(file.stem))
def test_a_schema_is_one_and_refuses_another_answer(file: Path) -> None:
    schema = json.loads(file.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    assert not Draft202012Validator(schema).is_valid({"schema": "layday/nothing/1"})
