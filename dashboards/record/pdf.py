"""A record on paper: PDF by fpdf2, and PNG of its pages by pdfium; both from `layday[report]`.

The same blocks give the same bytes: no time of writing and nothing random goes in.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from collector.errors import InputError
from dashboards.record.document import Block, Chart, Heading, Table, Words
from dashboards.record.plot import Label, Stroke, shapes, size

if TYPE_CHECKING:
    from fpdf import FPDF

NEEDED = ("fpdf", "pypdfium2", "matplotlib")
_FONT = "paper"
_MARGIN_MM, _TEXT_MM = 15.0, 180.0
_INK, _DIM = (24, 34, 43), (74, 86, 96)
_SIZES = {1: 18.0, 2: 13.0}
_PNG_SCALE = 130 / 72  # dots per point: 130 dpi
_ANY_DAY = datetime(2000, 1, 1, tzinfo=UTC)  # a PDF has to have a date of making; this one is no one's


def write_paper(title: str, blocks: Sequence[Block], file: Path) -> list[Path]:
    """Write the blocks as a .pdf, or as one .png a page; return the files written.

    Raises
    ------
    InputError
        If the extra `report` is not installed.
    OSError
        If a file cannot be written.
    """
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise InputError(f"--out {file}: needs {', '.join(missing)}: pip install 'layday[report]'")
    data = pdf_bytes(title, blocks)
    if file.suffix.lower() == ".pdf":
        file.write_bytes(data)
        return [file]
    return _pages(data, file)


def pdf_bytes(title: str, blocks: Sequence[Block]) -> bytes:
    """Return the blocks as a PDF of A4 pages."""
    from fpdf import FPDF

    class Paper(FPDF):
        """A page with its number at the foot."""

        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(_FONT, size=8)
            self.set_text_color(*_DIM)
            words = f"{title}, page {self.page_no()}. The resin maker's data sheet and local rules decide."
            self.cell(0, 5, words)

    pdf = Paper(format="A4")
    pdf.set_creation_date(_ANY_DAY)
    pdf.set_title(title)
    pdf.set_lang("en")
    fonts = _font_folder()
    pdf.add_font(_FONT, "", fonts / "DejaVuSans.ttf")
    pdf.add_font(_FONT, "B", fonts / "DejaVuSans-Bold.ttf")
    pdf.set_margins(_MARGIN_MM, _MARGIN_MM)
    pdf.set_auto_page_break(auto=True, margin=18)
    pdf.add_page()
    for block in blocks:
        _put(pdf, block)
    return bytes(pdf.output())


def _font_folder() -> Path:
    """Return where matplotlib keeps its font, without the second that loading matplotlib takes."""
    spec = find_spec("matplotlib")
    folder = Path(spec.origin).parent if spec is not None and spec.origin else Path()
    return folder / "mpl-data" / "fonts" / "ttf"


def _put(pdf: "FPDF", block: Block) -> None:
    pdf.set_text_color(*_INK)
    if isinstance(block, Heading):
        if (block.level == 1 and pdf.get_y() > _MARGIN_MM + 1.0) or pdf.will_page_break(24):
            pdf.add_page()
        pdf.ln(2.0)
        pdf.set_font(_FONT, "B", _SIZES[block.level])
        pdf.multi_cell(0, _SIZES[block.level] * 0.5, block.text, new_x="LMARGIN", new_y="NEXT")
        pdf.ln(1.0)
    elif isinstance(block, Words):
        pdf.set_font(_FONT, "B" if block.strong else "", 9.5)
        pdf.multi_cell(0, 5.0, block.text, new_x="LMARGIN", new_y="NEXT")
    elif isinstance(block, Table):
        _put_table(pdf, block)
    else:
        _put_chart(pdf, block)


def _put_table(pdf: "FPDF", table: Table) -> None:
    pdf.set_font(_FONT, "", 8.5)
    widths = _widths(table)
    with pdf.table(
        col_widths=widths, first_row_as_headings=bool(table.head), line_height=4.6, text_align="LEFT",
        borders_layout="HORIZONTAL_LINES", width=_TEXT_MM, padding=0.6,
    ) as grid:  # fmt: skip
        for cells in ([table.head] if table.head else []) + list(table.rows):
            row = grid.row()
            for cell in cells:
                row.cell(cell)
    pdf.ln(1.0)


def _widths(table: Table) -> tuple[int, ...]:
    """Give each column room by its longest cell, but none less than a few letters or most of the page."""
    rows = [*([table.head] if table.head else []), *table.rows]
    longest = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return tuple(min(max(count, 6), 66) for count in longest)


def _put_chart(pdf: "FPDF", chart: Chart) -> None:
    wide, high = size(chart)
    scale = _TEXT_MM / wide
    if pdf.will_page_break(high * scale + 8.0):
        pdf.add_page()
    left, top = _MARGIN_MM, pdf.get_y()
    for shape in shapes(chart):
        red, green, blue = (int(shape.colour[i : i + 2], 16) for i in (1, 3, 5))
        if isinstance(shape, Stroke):
            pdf.set_draw_color(red, green, blue)
            pdf.set_line_width(shape.width_ratio * scale)
            pdf.set_dash_pattern(*(d * scale for d in shape.dash[:2]))
            pdf.polyline([(left + x * scale, top + y * scale) for x, y in shape.points])
        else:
            pdf.set_text_color(red, green, blue)
            _put_label(pdf, shape, left + shape.at[0] * scale, top + shape.at[1] * scale)
    pdf.set_dash_pattern()
    pdf.set_draw_color(0)
    pdf.set_y(top + high * scale)
    pdf.set_font(_FONT, "", 8.5)
    pdf.set_text_color(*_DIM)
    pdf.multi_cell(0, 4.5, chart.description, new_x="LMARGIN", new_y="NEXT")


def _put_label(pdf: "FPDF", label: Label, x_mm: float, y_mm: float) -> None:
    pdf.set_font(_FONT, "", 7.5)
    share = {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor]
    pdf.text(x_mm - share * pdf.get_string_width(label.text), y_mm, label.text)


def _pages(data: bytes, file: Path) -> list[Path]:
    """Draw each page; a second and later page get their number into the name."""
    import pypdfium2

    written = []
    document = pypdfium2.PdfDocument(data)
    try:
        for i, page in enumerate(document):
            name = file if i == 0 else file.with_name(f"{file.stem}-{i + 1}{file.suffix}")
            page.render(scale=_PNG_SCALE).to_pil().save(name, format="PNG")
            page.close()
            written.append(name)
    finally:
        document.close()
    return written
