"""What a job asks of the air, and what the shed asks where the job is silent."""

from math import inf

import pytest

from collector.config import LimitsConfig
from collector.window_config import JobConfig
from forecast.job import NO_LIMITS, JobLimits
from forecast.planned_jobs import _own_limits, _shed_limits

SHED = LimitsConfig(
    air_min_c=15.0, air_max_c=30.0, part_min_c=14.0, part_max_c=35.0, humidity_max_pct=80.0, margin_min_k=3.0
)


@pytest.mark.parametrize(
    ("given", "own", "shed"),
    [
        ({}, NO_LIMITS, JobLimits(15.0, 30.0, 14.0, 35.0, 80.0, 3.0)),
        (
            {"temp_min_c": 18.0, "humidity_max_pct": 60.0},
            JobLimits(18.0, inf, 18.0, inf, 60.0, -inf),
            JobLimits(-inf, 30.0, -inf, 35.0, inf, 3.0),
        ),
        (
            {"temp_max_c": 26.0, "margin_min_k": 5.0},
            JobLimits(-inf, 26.0, -inf, 26.0, inf, 5.0),
            JobLimits(15.0, inf, 14.0, inf, 80.0, -inf),
        ),
    ],
)
def test_each_limit_is_asked_by_the_job_or_by_the_shed_and_never_by_both(
    given: dict[str, float], own: JobLimits, shed: JobLimits
) -> None:
    job = JobConfig.model_validate({"name": "hull", "work_h": 4.0, **given})
    assert _own_limits(job) == own
    assert _shed_limits(SHED, job) == shed
