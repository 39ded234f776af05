"""What can make the start of a job fail."""

from enum import StrEnum


class Limit(StrEnum):
    """What fails; of several that fail on as many paths, the first here is named."""

    NONE = "none"
    MARGIN = "margin"
    HUMIDITY = "humidity"
    PART_COLD = "part too cold"
    PART_HOT = "part too warm"
    AIR_COLD = "air too cold"
    AIR_HOT = "air too warm"
    WORK_TIME = "sets too soon"
    STALL = "too cold to go on"
    STAGE_LATE = "not ready in time"
    HORIZON = "beyond the forecast"
    HOURS = "working hours"


LIMITS = tuple(Limit)
CODES = {limit: code for code, limit in enumerate(LIMITS)}
