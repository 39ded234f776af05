"""The settings that go with a shed's readings, so that they are judged alike at every desk; no secrets."""

import json

from pydantic import ValidationError

from collector.config import Config
from collector.errors import InputError

SCHEMA = "layday/settings/1"
# Every table that says how a shed is judged; none that says how it is reached.
_TABLES = {"shed", "limits", "sensor", "cure", "windows", "job", "heater", "calibration"}


def settings_text(config: Config) -> str:
    """Return a shed's settings as JSON text."""
    tables = json.loads(config.model_dump_json(include=_TABLES))
    for sensor in tables["sensor"]:
        sensor["topic"] = f"{sensor['place']}/{sensor['quantity']}"
    return json.dumps({"schema": SCHEMA, **tables}, separators=(",", ":"))


def with_settings(config: Config, text: str) -> Config:
    """Return a desk's configuration with a shed's settings in place of its own; units stay the desk's.

    Raises
    ------
    InputError
        If they are of another version of layday.
    """
    raw = json.loads(text)
    if raw.pop("schema", None) != SCHEMA:
        raise InputError(f"the shed's settings are no {SCHEMA}; its layday is of another version")
    try:
        found = Config.model_validate_json(json.dumps(raw))
    except ValidationError as error:
        raise InputError(
            f"the shed's settings cannot be used here ({error.error_count()} mistakes, the first: "
            f"{error.errors()[0]['msg']}); its layday is of another version"
        ) from error
    shed = found.shed.model_copy(update={"units": config.shed.units})
    tables = {name: getattr(found, name) for name in _TABLES & set(Config.model_fields)}
    return config.model_copy(update={**tables, "shed": shed})
