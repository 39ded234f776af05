"""Draw courses, odds, scores and stages: ``python -m dashboards.panel_picture FILE.png < panels.json``.

A process of its own, since matplotlib takes a second and 70 MB that nothing else should pay for. The input
has `panels`, and `columns` where they do not stand one above the other. A panel has a `title`, and may have

- `lines`, each with `name`, `x`, `likely`; `low` and `high` where it has a band, a `marker`, `points` (x,
  low, high) that it is drawn from, or a `shade` of its own (a number) where two lines are of one colour;
- `rows`, one above the other, each with `name`, `x`, `low`, `high`, `reached`, and `open` where it goes on;
- `limits` (value, words) and `moments` (x, words) as lines across; `belt` (low, high), what is aimed at;
- `notes` (x, y, words) beside points;
- `across`, the axis in words, its `ticks` (where, words) and `reach` (from, to);
- `span` (from, to) of the upright axis, or the `least` it covers; `log` where it counts in ratios.
"""

import json
import sys
from typing import Any

_COLOURS = ("#b4501e", "#2f6690", "#23776d", "#63418c", "#7a6a1c", "#4a5660")
_STYLES = ("-", "--", "-.", ":", "-", "--")
_INK, _DIM = "#18222b", "#4a5660"
_PAPER = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0}
_NEAR_EDGE = 0.85
_MINUTES = (5, 7, 10, 15, 20, 30, 40, 60, 90, 120, 180, 240, 360, 480, 720)
_WIDE, _HIGH, _ROW = 8.0, 2.8, 0.45


def draw(found: dict[str, Any], file: str) -> None:
    """Draw the panels, row by row."""
    import matplotlib as mpl

    mpl.use("agg")
    from matplotlib import pyplot as plt

    panels, columns = found["panels"], found.get("columns", 1)
    down = -(-len(panels) // columns)
    heights = [_height(panels[i * columns]) for i in range(down)]
    figure, axes = plt.subplots(
        down,
        columns,
        figsize=(_WIDE + 1.5 * (columns - 1), sum(heights)),
        squeeze=False,
        height_ratios=heights,
    )
    for panel, ax in zip(panels, axes.flat, strict=False):
        _draw_panel(panel, ax)
    for ax in list(axes.flat)[len(panels) :]:
        ax.set_axis_off()
    figure.tight_layout()
    figure.savefig(file, dpi=110, metadata={"Software": None})


def _height(panel: dict[str, Any]) -> float:
    return 0.9 + _ROW * len(panel["rows"]) if "rows" in panel else _HIGH


def _draw_panel(panel: dict[str, Any], ax: Any) -> None:  # noqa: ANN401  matplotlib has no types
    """Draw one panel: what is aimed at, its lines or rows, and what lies across them."""
    if "belt" in panel:
        ax.axhspan(*panel["belt"], color="#dddddd", linewidth=0)
    for i, line in enumerate(panel.get("lines", ())):
        _draw_line(line, line.get("shade", i), ax)
    if "rows" in panel:
        _draw_rows(panel["rows"], ax)
    ax.set_title(panel["title"], fontsize=10, loc="left")
    ax.set_xlabel(panel.get("across", ""), fontsize=9)
    for value, _ in panel.get("limits", ()):
        ax.axhline(value, color=_INK, linestyle=(0, (2, 2)), linewidth=1)
    _set_axes(panel, ax)
    _draw_words(panel, ax)
    ax.tick_params(labelsize=8)
    ax.grid(visible=True, alpha=0.3)
    if ax.get_legend_handles_labels()[0]:  # above the picture, where it hides nothing
        ax.legend(fontsize=8, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=6, frameon=False,
                  borderaxespad=0.2, handlelength=2.2, columnspacing=1.2)  # fmt: skip


def _draw_words(panel: dict[str, Any], ax: Any) -> None:  # noqa: ANN401  as above
    """Draw moments, and the words of all that lies across, turned inwards at the edges."""
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    told = {"textcoords": "offset points", "fontsize": 8, "color": _INK, "bbox": _PAPER}
    for value, words in panel.get("limits", ()):
        high = (value - bottom) / (top - bottom) > _NEAR_EDGE
        ax.annotate(words, (0.995, value), xycoords=("axes fraction", "data"), xytext=(0, -3 if high else 3),
                    ha="right", va="top" if high else "bottom", **told)  # fmt: skip
    for x, words in panel.get("moments", ()):
        ax.axvline(x, color=_INK, linestyle=(0, (2, 2)), linewidth=1)
        late = (x - left) / (right - left) > _NEAR_EDGE - 0.2
        if words:
            ax.annotate(words, (x, 0.985), xycoords=("data", "axes fraction"), xytext=(-4 if late else 4, 0),
                        ha="right" if late else "left", va="top", **told)  # fmt: skip
    for x, y, words in panel.get("notes", ()):
        ax.annotate(words, (x, y), xytext=(5, -9), **told | {"fontsize": 7, "color": _DIM})
    for down, row in enumerate(panel.get("rows", ())):
        ends = [x for x in (row["x"], row["low"], row["high"]) if x is not None]
        late = bool(ends) and (max(ends) - left) / (right - left) > _NEAR_EDGE - 0.05
        at = (min(ends) if late else max(ends)) if ends else left
        ax.annotate(row["words"], (at, down), xytext=(-9 if late else 9, 0), va="center",
                    ha="right" if late else "left", **told)  # fmt: skip


def _draw_line(line: dict[str, Any], i: int, ax: Any) -> None:  # noqa: ANN401  as above
    colour, style = _COLOURS[i % len(_COLOURS)], line.get("style", _STYLES[i % len(_STYLES)])
    if "low" in line:
        ax.fill_between(line["x"], line["low"], line["high"], color=colour, alpha=0.18, linewidth=0)
    for x, low, high in line.get("points", ()):
        ax.plot([x, x], [low, high], "-", color=colour, linewidth=1.2)
        ax.plot([x], [(low * high) ** 0.5], "o", color=colour, markersize=4)
    mark = line.get("marker", "")
    ax.plot(line["x"], line["likely"], f"{mark}{style}", color=colour, label=line["name"], linewidth=1.8,
            markersize=4)  # fmt: skip


def _draw_rows(rows: list[dict[str, Any]], ax: Any) -> None:  # noqa: ANN401  as above
    """Draw a bar from 10 to 90 % with the likely moment on it; a bar that goes on ends in an arrow."""
    for down, row in enumerate(rows):
        colour = _COLOURS[2] if row["reached"] else _COLOURS[0]
        if row["low"] is not None:
            ax.plot([row["low"], row["high"]], [down, down], "-", color=colour, linewidth=6, alpha=0.35,
                    solid_capstyle="butt")  # fmt: skip
            if row.get("open"):
                ax.plot([row["high"]], [down], ">", color=colour, markersize=7, clip_on=False)
        if row["x"] is not None:
            ax.plot([row["x"]], [down], "s" if row["reached"] else "o", color=colour, markersize=7)
    ax.set_yticks(range(len(rows)), [row["name"] for row in rows])
    ax.set_ylim(len(rows) - 0.4, -0.9)


def _set_axes(panel: dict[str, Any], ax: Any) -> None:  # noqa: ANN401  as above
    if panel.get("ticks"):
        ax.set_xticks([where for where, _ in panel["ticks"]], [words for _, words in panel["ticks"]])
    if "rows" not in panel and not panel.get("log"):
        ax.yaxis.get_major_locator().set_params(steps=[1, 2, 5, 10])
    if "reach" in panel:
        ax.set_xlim(*panel["reach"])
    if panel.get("log"):
        low, high = ax.get_ylim()
        ax.set_yscale("log")
        inside = [value for value in _MINUTES if low <= value <= high]
        ax.set_yticks(inside, [str(value) for value in inside])
        ax.set_yticks([], minor=True)
        ax.set_ylim(max(low, min((line_low for line_low in _lows(panel)), default=low)), high)
    if "span" in panel:
        ax.set_ylim(*panel["span"])
    elif "least" in panel:
        low, high = ax.get_ylim()
        wider = max(0.0, panel["least"] - (high - low)) / 2.0
        ax.set_ylim(low - wider, high + wider)


def _lows(panel: dict[str, Any]) -> list[float]:
    return [0.9 * min(line.get("low", line["likely"])) for line in panel["lines"]]


def main() -> None:
    """Draw what comes on standard input."""
    try:
        draw(json.load(sys.stdin), sys.argv[1])
    except ImportError as error:
        sys.exit(str(error))
    except OSError as error:
        sys.exit(str(error.strerror or error))


if __name__ == "__main__":
    main()
