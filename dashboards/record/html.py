"""A record as one self-contained HTML file: fetches nothing, runs nothing, prints well."""

import hashlib
import json
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

from dashboards.record.document import Block, Chart, Heading, Table, Words
from dashboards.record.plot import Stroke, shapes, size

_STYLE = """
body{font:16px/1.5 system-ui,sans-serif;color:#18222b;background:#fff;max-width:46rem;margin:2rem auto;
padding:0 1rem;overflow-wrap:break-word}h1{font-size:1.9rem;border-bottom:3px solid #18222b;margin-top:2.5rem}
h2{font-size:1.25rem;margin:1.6rem 0 .3rem}p{margin:.3rem 0}table{border-collapse:collapse;width:100%}
td,th{text-align:left;vertical-align:top;padding:.2rem .8rem .2rem 0;border-bottom:1px solid #d9d4c7}
th{color:#4a5660;font-weight:600}svg{width:100%;height:auto}svg text{font:11px system-ui,sans-serif}
figcaption,footer{color:#4a5660}.s{font-weight:700}
@media(max-width:40rem){main{overflow-x:auto}td,th{font-size:.85rem;padding-right:.4rem}}
@media print{body{margin:0;max-width:none}h2{break-after:avoid}svg,table{break-inside:avoid}}
"""
_DIGEST = re.compile(r"\b[0-9a-f]{64}\b")
_SHORT = 9  # as in "21.7 °C" or "-12.5 °C"
_OPENS = '<script type="application/json" id="layday-record">'


def html_file(title: str, blocks: Iterable[Block], about: Mapping[str, object]) -> str:
    """Return the file.

    `about` is what a later check needs, as JSON values; the digest of the text itself is put beside it.
    """
    body = "\n".join(_block(block) for block in blocks)
    told = dict(about) | {"text_sha256": hashlib.sha256(body.encode()).hexdigest()}
    data = json.dumps(told, ensure_ascii=False, indent=1, sort_keys=True).replace("<", "\\u003c")
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<style>{_STYLE}</style></head><body><main>
{body}
</main><footer><p>Made by layday from what was measured and noted. The resin maker's data sheet and local
rules decide.</p></footer>
{_OPENS}{data}</script>
</body></html>
"""


def text_and_about(file: str, schema: str) -> tuple[str, dict[str, Any]]:
    """Return a file's text between its edges, and the JSON it carries.

    Raises
    ------
    ValueError
        If it is no record, or one of another schema.
    """
    _, opened, rest = file.partition("<body><main>\n")
    body, closed, rest = rest.partition("\n</main><footer>")
    data = rest.partition(_OPENS)[2].partition("</script>")[0]
    if not opened or not closed or not data:
        raise ValueError("is no record")
    about = json.loads(data)
    if not isinstance(about, dict) or about.get("schema") != schema:
        raise ValueError(f"is not of schema {schema}")
    return body, about


def _block(block: Block) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level}>{escape(block.text)}</h{block.level}>"
    if isinstance(block, Words):
        return f"<p{' class=s' if block.strong else ''}>{escape(block.text)}</p>"
    return _table(block) if isinstance(block, Table) else svg(block)


def _table(table: Table) -> str:
    def row(cells: Sequence[str], tag: str) -> str:
        return f"<tr>{''.join(f'<{tag}>{_breakable(escape(cell))}</{tag}>' for cell in cells)}</tr>"

    head = f"<thead>{row(table.head, 'th')}</thead>" if table.head else ""
    return f"<table>{head}<tbody>{''.join(row(cells, 'td') for cells in table.rows)}</tbody></table>"


def _breakable(text: str) -> str:
    """Let a digest be broken where a line ends, and nothing else within a word; keep a number by its unit."""
    if len(text) <= _SHORT:
        return text.replace(" ", "\u00a0")
    return _DIGEST.sub(lambda found: "<wbr>".join(textwrap.wrap(found[0], 16)), text)


def svg(chart: Chart) -> str:
    """Return a chart as SVG with its description."""
    drawn = []
    for shape in shapes(chart):
        if isinstance(shape, Stroke):
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
            dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in shape.dash)}"' if shape.dash else ""
            drawn.append(
                f'<polyline points="{points}" fill="none" stroke="{shape.colour}"'
                f' stroke-width="{shape.width_ratio:g}"{dash}/>'
            )
        else:
            drawn.append(
                f'<text x="{shape.at[0]:.1f}" y="{shape.at[1]:.1f}" text-anchor="{shape.anchor}"'
                f' fill="{shape.colour}">{escape(shape.text)}</text>'
            )
    says = escape(chart.description)
    wide, high = size(chart)
    return (
        f'<figure><svg viewBox="0 0 {wide:.0f} {high:.0f}" role="img" aria-label="{says}">'
        f"{''.join(drawn)}</svg><figcaption>{says}</figcaption></figure>"
    )
