"""The `[intake]` table: how readings are committed, and how redeliveries are known."""

from typing import Annotated

from pydantic import Field

from collector.config_base import Model


class IntakeConfig(Model):
    """What may stay as it is at nearly every shed.

    A message without a device time is remembered for `redelivery_window_s`, so that its redelivery is no new
    reading. Where few readings come in they are written to the disk `commit_every_s` apart, and their
    acknowledgements wait as long; 0 writes each at once, which suits a sensor that lives on a battery and
    wears out the card.
    """

    redelivery_window_s: Annotated[float, Field(ge=0, le=3600)] = 300.0
    commit_every_s: Annotated[float, Field(ge=0, le=30)] = 2.0
