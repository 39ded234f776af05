"""Draw a hindcast: ``python -m dashboards.hindcast_picture FILE.png < hindcast.json``.

A process of its own, since matplotlib takes a second and 70 MB that nothing else should pay for.
"""

import json
import sys
from typing import Any

NO_MATPLOTLIB = 3
_LAYDAY, _NOW, _YESTERDAY = "#0b6e8a", "#b0602a", "#8a8a8a"
_UNITS = {"air_c": "°C", "part_c": "°C", "dew_point_c": "°C", "humidity_pct": "%"}
_NAMES = {"air_c": "air", "part_c": "part", "dew_point_c": "dew point", "humidity_pct": "humidity"}


def draw(found: dict[str, Any], file: str) -> None:
    """Draw errors and coverage over the hours ahead, a row for each bay and quantity."""
    import matplotlib as mpl

    mpl.use("agg")
    from matplotlib import pyplot as plt

    shown = [
        (f"{bay}: {_NAMES.get(name, name)}", _UNITS.get(name, ""), scores)
        for bay, quantities in found["bays"].items()
        for name, scores in quantities.items()
    ]
    figure, axes = plt.subplots(len(shown), 2, figsize=(9, 2.6 * len(shown)), squeeze=False)
    for (title, unit, scores), (left, right) in zip(shown, axes, strict=True):
        _draw_row(title, unit, scores, left, right)
    axes[0][0].legend(fontsize=8)
    axes[0][1].legend(fontsize=8, loc="lower left")
    for ax in axes[-1]:
        ax.set_xlabel("hours ahead", fontsize=8)
    figure.tight_layout()
    figure.savefig(file, dpi=110, metadata={"Software": None})


def _draw_row(title: str, unit: str, scores: dict[str, Any], left: Any, right: Any) -> None:  # noqa: ANN401  matplotlib has no types
    """Draw one bay and quantity: errors on the left axes, coverage on the right."""
    known = {int(hours): one for hours, one in scores.items() if one["n"]}
    hours = list(known)
    for key, words, colour, style in (
        ("mae", "layday", _LAYDAY, "o-"),
        ("mae_persistence", "as now", _NOW, "s--"),
        ("mae_yesterday", "as yesterday", _YESTERDAY, "^:"),
    ):
        left.plot(hours, [known[hour][key] for hour in hours], style, color=colour, label=words, ms=4)
    left.set_title(f"{title}: mean error, {unit}", fontsize=9, loc="left")
    left.set_ylim(bottom=0)
    right.axhspan(78, 82, color="#dddddd")
    for key, words, style in (("cover80", "all", "o-"), ("cover80_worst_week", "worst week", "v:")):
        values = [known[hour][key] for hour in hours]
        shares = [float("nan") if value is None else 100 * value for value in values]
        right.plot(hours, shares, style, color=_LAYDAY, label=words, ms=4)
    right.set_title("inside the range said to hold 8 times in 10, %", fontsize=9, loc="left")
    right.set_ylim(0, 100)
    for ax in (left, right):
        ax.set_xticks(hours)
        ax.tick_params(labelsize=8)
        ax.grid(visible=True, alpha=0.3)


def main() -> None:
    """Draw what comes on standard input."""
    try:
        draw(json.load(sys.stdin), sys.argv[1])
    except ImportError as error:
        print(error, file=sys.stderr)  # noqa: T201  its parent reads it
        sys.exit(NO_MATPLOTLIB)
    except OSError as error:
        print(error.strerror or error, file=sys.stderr)  # noqa: T201  as above
        sys.exit(1)


if __name__ == "__main__":
    main()
