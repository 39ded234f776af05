"""Draw courses with their bands: ``python -m dashboards.panel_picture FILE.png < panels.json``.

A process of its own, since matplotlib takes a second and 70 MB that nothing else should pay for. The input
has `panels`, each with `title`, `across` (the axis in words), `ticks` ([where, words]) and `lines`, each with
`name`, `x`, `likely`, and `low` and `high` where it has a band.
"""

import json
import sys
from typing import Any

NO_MATPLOTLIB = 3
_COLOURS = ("#b4501e", "#2f6690", "#23776d", "#63418c", "#7a6a1c", "#4a5660")
_STYLES = ("-", "--", "-.", ":", "-", "--")


def draw(found: dict[str, Any], file: str) -> None:
    """Draw the panels one above the other."""
    import matplotlib as mpl

    mpl.use("agg")
    from matplotlib import pyplot as plt

    panels = found["panels"]
    figure, axes = plt.subplots(len(panels), 1, figsize=(8, 2.8 * len(panels)), squeeze=False)
    for panel, (ax,) in zip(panels, axes, strict=True):
        for i, line in enumerate(panel["lines"]):
            colour, style = _COLOURS[i % len(_COLOURS)], _STYLES[i % len(_STYLES)]
            if "low" in line:
                ax.fill_between(line["x"], line["low"], line["high"], color=colour, alpha=0.18, linewidth=0)
            ax.plot(line["x"], line["likely"], style, color=colour, label=line["name"], linewidth=1.8)
        ax.set_title(panel["title"], fontsize=10, loc="left")
        ax.set_xlabel(panel["across"], fontsize=9)
        if panel["ticks"]:
            ax.set_xticks([where for where, _ in panel["ticks"]], [words for _, words in panel["ticks"]])
        ax.tick_params(labelsize=8)
        ax.grid(visible=True, alpha=0.3)
        ax.legend(fontsize=8)
    figure.tight_layout()
    figure.savefig(file, dpi=110, metadata={"Software": None})


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
