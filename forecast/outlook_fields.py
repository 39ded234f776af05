"""Fields of an outlook that write and read themselves, where pydantic could not by the type alone."""

from typing import Annotated

from pydantic import PlainSerializer, PlainValidator, WithJsonSchema

from forecast.window import JobWindows
from forecast.window_json import dump_windows, load_windows


def _windows(given: object) -> JobWindows:
    if isinstance(given, JobWindows):
        return given
    if not isinstance(given, dict):
        raise ValueError("windows of a job must be an object")  # noqa: TRY004  pydantic's own kind of refusal
    try:
        return load_windows(given)
    except (KeyError, TypeError) as error:
        raise ValueError(f"windows of a job: {error}") from error


WindowsField = Annotated[
    JobWindows,
    PlainSerializer(dump_windows),
    PlainValidator(_windows),
    WithJsonSchema({"type": "object", "description": "one answer of layday/windows/1"}),
]
"""The windows of one job in one bay; the odds by start are not kept."""
