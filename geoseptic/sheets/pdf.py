"""Plot plans to print: PDF with every length true to its scale, the same bytes for the same plan."""

import io
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, LongTable, PageBreak, Paragraph, Spacer
from reportlab.platypus.doctemplate import BaseDocTemplate, PageTemplate

from geoseptic.io.runfolders import FinishedRun
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.sheets.drafting import INCH_MM, Scale, drawn, scale_for
from geoseptic.sheets.drawing import PENS, Circle, Drawing, Path, Pen, Piece, Words
from geoseptic.sheets.legend import legend_of, sample
from geoseptic.sheets.plan import Plan, shown
from geoseptic.sheets.words import Section, bearing_words, sections_of
from geoseptic.units import METRES_PER_UNIT

PAPERS_MM: Final = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
MARGIN_MM: Final = 12.7
HEAD_MM: Final = 19.0
STRIP_MM: Final = 15.0
LEGEND_ROWS: Final = 5
LEGEND_MM: Final = LEGEND_ROWS * 4.1
LEGEND_COLUMNS: Final = 4
FOOT_MM: Final = 7.0
SMALLEST_PT: Final = 6.0

BODY: Final = ParagraphStyle("body", fontName="Helvetica", fontSize=8.2, leading=10.4)
CELL: Final = ParagraphStyle("cell", parent=BODY, fontSize=7.2, leading=8.8)
HEAD_CELL: Final = ParagraphStyle("head cell", parent=CELL, fontName="Helvetica-Bold")
ITEM: Final = ParagraphStyle("item", parent=BODY, leftIndent=9, bulletIndent=1)
HEADING: Final = ParagraphStyle(
    "heading", parent=BODY, fontName="Helvetica-Bold", fontSize=9.6, leading=12, spaceBefore=7, spaceAfter=2, keepWithNext=1
)
STRONG: Final = ParagraphStyle("strong", parent=BODY, fontName="Helvetica-Bold", fontSize=9, leading=11.4)


@dataclass(frozen=True)
class _Layout:
    """Where things stand on the first page. [mm]"""

    paper: tuple[float, float]

    @property
    def width(self) -> float:
        return self.paper[0] - 2 * MARGIN_MM

    @property
    def frame_height(self) -> float:
        return self.paper[1] - 2 * MARGIN_MM - HEAD_MM - STRIP_MM - LEGEND_MM - FOOT_MM


def plot_plan(plan: Plan, run: FinishedRun, paper: str) -> bytes:
    """The sheet of one parcel: the plan to scale, then all that is said of it."""
    layout = _Layout(PAPERS_MM[paper])
    height, unit = layout.frame_height, plan.site.unit
    whole = scale_for(plan.whole_m, layout.width, height, unit)
    near = whole if whole.is_fine else scale_for(plan.works_m, layout.width, height, unit)
    views = [("Plot plan", plan.whole_m, whole)]
    if near != whole:
        views = [("Plot plan, the works", plan.works_m, near), ("The whole lot", plan.whole_m, whole)]
    story: list[Flowable] = []
    for title, bounds, scale in views:
        story += [_Plate(layout, plan, run, drawn(plan, bounds, layout.width, height, scale), scale, title), PageBreak()]
    story += [flowable for section in sections_of(plan, run) for flowable in _set(section, layout.width)]
    buffer = io.BytesIO()
    document = BaseDocTemplate(
        buffer,
        pagesize=tuple(side * mm for side in layout.paper),
        title=f"Plot plan {_printable(plan.site.parcel_id)}",
        author="geoseptic",
        subject=SCREENING_AID,
        invariant=1,
    )
    inner = Frame(
        MARGIN_MM * mm,
        (MARGIN_MM + FOOT_MM) * mm,
        layout.width * mm,
        (layout.paper[1] - 2 * MARGIN_MM - FOOT_MM) * mm,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    document.addPageTemplates([PageTemplate(frames=[inner], onPage=lambda canvas, _: _foot(canvas, plan, layout))])
    document.build(story)
    return buffer.getvalue()


def _foot(canvas: Canvas, plan: Plan, layout: _Layout) -> None:
    """Stands on every page."""
    canvas.saveState()
    canvas.setFont("Helvetica-Bold", 7)
    canvas.drawString(MARGIN_MM * mm, (MARGIN_MM + 2.6) * mm, _printable(SCREENING_AID))
    canvas.setFont("Helvetica", 7)
    right = (layout.paper[0] - MARGIN_MM) * mm
    canvas.drawRightString(right, (MARGIN_MM + 2.6) * mm, f"{_printable(shown(plan.site.parcel_id, 30))}   page {canvas.getPageNumber()}")
    canvas.restoreState()


class _Plate(Flowable):  # type: ignore[misc]
    """A page with a plan to scale: head, frame, scale and north, legend."""

    def __init__(self, layout: _Layout, plan: Plan, run: FinishedRun, drawing: Drawing, scale: Scale, title: str) -> None:
        super().__init__()
        self.layout, self.plan, self.run, self.drawing = layout, plan, run, drawing
        self.scale, self.plate_title = scale, title

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return (self.layout.width * mm, (self.drawing.height_mm + HEAD_MM + STRIP_MM + LEGEND_MM) * mm - 1)

    def draw(self) -> None:
        canvas, drawing = self.canv, self.drawing
        bottom = STRIP_MM + LEGEND_MM
        self._head(canvas, bottom + drawing.height_mm)
        canvas.saveState()
        canvas.translate(0, bottom * mm)
        write_drawing(canvas, drawing)
        canvas.restoreState()
        self._strip(canvas, LEGEND_MM)
        self._legend(canvas)

    def _head(self, canvas: Canvas, bottom: float) -> None:
        site, run, width = self.plan.site, self.run, self.layout.width
        canvas.setFont("Helvetica-Bold", 13)
        canvas.drawString(0, (bottom + 12.5) * mm, f"{self.plate_title}: lot {_printable(shown(site.parcel_id, 34))}")
        canvas.setFont("Helvetica-Bold", 10)
        verdict, doubts, by = str(site.row["verdict"]), self.plan.doubts, f"By {run.title}. {self.plan.contours.note}"
        if doubts is None:
            canvas.drawString(0, (bottom + 7.6) * mm, _printable(f"Verdict: {verdict}"))
            canvas.setFont("Helvetica", 7.5)
            canvas.drawString(0, (bottom + 3.2) * mm, _printable(by)[:170])
        else:
            canvas.drawString(0, (bottom + 7.6) * mm, _printable(doubts.said.headline))
            as_drawn, size = _fitted(f"If everything lies as it is drawn: {verdict}. {doubts.said.numbers}", width * mm)
            canvas.setFont("Helvetica", size)
            canvas.drawString(0, (bottom + 4.2) * mm, as_drawn)
            canvas.setFont("Helvetica", 7.5)
            canvas.drawString(0, (bottom + 1.0) * mm, _printable(by)[:170])
        canvas.setFont("Helvetica-Bold", 11)
        canvas.drawRightString(width * mm, (bottom + 12.5) * mm, f"Scale {self.scale.words}")
        canvas.setFont("Helvetica", 7.5)
        started = str(run.record.get("started", ""))[:10]
        canvas.drawRightString(width * mm, (bottom + 7.6) * mm, f"Screened {started}. Lengths in {_unit_words(site.unit)}.")

    def _strip(self, canvas: Canvas, bottom: float) -> None:
        """Bar scale, check line and north arrow."""
        unit = self.plan.site.unit
        per_unit_mm = METRES_PER_UNIT[unit] * self.scale.mm_per_m
        step = next(size for size in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if size * per_unit_mm >= 12)
        y = bottom + 5.2
        for number in range(4):
            pen = PENS["scale" if number % 2 == 0 else "scale gap"]
            _set_pen(canvas, pen)
            canvas.rect(number * step * per_unit_mm * mm, y * mm, step * per_unit_mm * mm, 1.6 * mm, stroke=1, fill=1)
        canvas.setFillColor("#000000")
        canvas.setFont("Helvetica", 6.8)
        for number in range(5):
            canvas.drawCentredString(number * step * per_unit_mm * mm, (y + 2.6) * mm, f"{number * step}")
        canvas.drawString((4 * step * per_unit_mm + 2) * mm, y * mm, _unit_words(unit))
        left = self.layout.width - 62
        _set_pen(canvas, PENS["scale"])
        canvas.line(left * mm, y * mm, (left + INCH_MM) * mm, y * mm)
        for x in (left, left + INCH_MM):
            canvas.line(x * mm, (y - 1.2) * mm, x * mm, (y + 1.2) * mm)
        canvas.setFillColor("#000000")
        canvas.drawCentredString((left + INCH_MM / 2) * mm, (y + 2.2) * mm, "1 inch on paper: check")
        canvas.drawCentredString((left + INCH_MM / 2) * mm, (y - 3.4) * mm, "if it is not, measure nothing here")
        if self.plan.bearings:
            canvas.setFont("Helvetica", 6)
            canvas.drawString(0, (bottom + 1.4) * mm, _printable(f"{bearing_words(self.plan.site.frame.name)}.")[:120])
        self._north(canvas, self.layout.width - 12, bottom + 1.2)

    def _north(self, canvas: Canvas, x: float, bottom: float) -> None:
        _set_pen(canvas, PENS["scale"])
        path = canvas.beginPath()
        for index, (dx, dy) in enumerate(((0, 10), (-2, 2.6), (0, 4.2), (2, 2.6))):
            (path.moveTo if index == 0 else path.lineTo)((x + dx) * mm, (bottom + dy) * mm)
        path.close()
        canvas.drawPath(path, stroke=1, fill=1)
        canvas.setFillColor("#000000")
        canvas.setFont("Helvetica-Bold", 8)
        canvas.drawCentredString(x * mm, (bottom + 10.6) * mm, "N")
        canvas.setFont("Helvetica", 6)
        canvas.drawCentredString(x * mm, (bottom - 0.4) * mm, "north of the grid")

    def _legend(self, canvas: Canvas) -> None:
        entries = legend_of(self.drawing)
        per_column = -(-len(entries) // LEGEND_COLUMNS)
        row_mm = LEGEND_MM / max(per_column, LEGEND_ROWS)
        step = self.layout.width / LEGEND_COLUMNS
        for index, (pen, words) in enumerate(entries):
            x, y = (index // per_column) * step, LEGEND_MM - (index % per_column + 0.62) * row_mm
            drawing = sample(pen)
            canvas.saveState()
            canvas.translate(x * mm, (y - drawing.height_mm / 2) * mm)
            _write_pieces(canvas, drawing.pieces)
            canvas.restoreState()
            canvas.setFillColor("#000000")
            canvas.setFont("Helvetica", 6.6)
            canvas.drawString((x + 10) * mm, (y - 0.8) * mm, words)


def write_drawing(canvas: Canvas, drawing: Drawing) -> None:
    """A drawing with its frame, at the origin of the canvas."""
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(0, 0, drawing.width_mm * mm, drawing.height_mm * mm)
    canvas.clipPath(clip, stroke=0, fill=0)
    _write_pieces(canvas, drawing.pieces)
    canvas.restoreState()
    _set_pen(canvas, PENS["frame"])
    canvas.rect(0, 0, drawing.width_mm * mm, drawing.height_mm * mm, stroke=1, fill=0)


def _write_pieces(canvas: Canvas, pieces: Iterable[Piece]) -> None:
    for piece in pieces:
        if isinstance(piece, Words):
            _write_words(canvas, piece)
        elif isinstance(piece, Circle):
            pen = PENS[piece.pen]
            _set_pen(canvas, pen)
            x, y, radius = (value * mm for value in (*piece.centre, piece.radius_mm))
            canvas.circle(x, y, radius, stroke=int(pen.colour is not None), fill=int(pen.fill is not None))
        else:
            _write_path(canvas, piece)


def _write_path(canvas: Canvas, piece: Path) -> None:
    pen = PENS[piece.pen]
    _set_pen(canvas, pen)
    path = canvas.beginPath()
    for line in piece.lines:
        for index, (x, y) in enumerate(line):
            (path.lineTo if index else path.moveTo)(x * mm, y * mm)
        if piece.closed:
            path.close()
    filled = piece.closed and pen.fill is not None
    canvas.drawPath(path, stroke=int(pen.colour is not None), fill=int(filled), fillMode=0)


def _write_words(canvas: Canvas, words: Words) -> None:
    text = _printable(words.text)
    size = words.height_mm * mm
    font = "Helvetica-Bold" if words.bold else "Helvetica"
    width = canvas.stringWidth(text, font, size)
    start = {"start": 0.0, "middle": -width / 2, "end": -width}[words.anchor]
    canvas.saveState()
    canvas.translate(words.at[0] * mm, words.at[1] * mm)
    canvas.rotate(words.turn_degrees)
    if words.halo:
        canvas.setFillColor("#ffffff", alpha=0.82)
        canvas.rect(start - 0.3 * mm, -size * 0.48, width + 0.6 * mm, size * 0.96, stroke=0, fill=1)
        canvas.setFillAlpha(1)
    canvas.setFillColor("#000000")
    canvas.setFont(font, size)
    canvas.drawString(start, -size * 0.35, text)
    canvas.restoreState()


def _set_pen(canvas: Canvas, pen: Pen) -> None:
    canvas.setLineWidth(pen.width_mm * mm)
    canvas.setDash([dash * mm for dash in pen.dashes_mm])
    canvas.setLineCap(0)
    canvas.setLineJoin(1)
    if pen.colour is not None:
        canvas.setStrokeColor(pen.colour)
    if pen.fill is not None:
        canvas.setFillColor(pen.fill)


def _set(section: Section, width_mm: float) -> list[Flowable]:
    """A section as it stands on a page; every word is inert."""
    head = [Paragraph(_inert(section.title), HEADING)]
    style = STRONG if section.strong else BODY
    body: list[Flowable] = [Paragraph(_inert(text), style) for text in section.texts if text]
    body += [Paragraph(_inert(item), ITEM, bulletText="\N{EN DASH}") for item in section.items]
    if section.table is not None and section.table.rows:
        total = sum(section.table.weights)
        widths = [weight / total * width_mm * mm for weight in section.table.weights]
        rows = [[Paragraph(_inert(cell), CELL) for cell in row] for row in section.table.rows]
        titled = any(section.table.head)
        if titled:
            rows.insert(0, [Paragraph(_inert(cell), HEAD_CELL) for cell in section.table.head])
        table = LongTable(rows, colWidths=widths, repeatRows=int(titled))
        table.setStyle(
            [
                ("LINEBELOW", (0, 0), (-1, -1), 0.25, "#999999"),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                *[("TOPPADDING", (0, 0), (-1, -1), 1.2), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6)],
                *[("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 4)],
            ]
        )
        body.append(table)
    return [*head, *body, Spacer(0, 1.5 * mm)]


def _unit_words(unit: str) -> str:
    return {"ft": "feet", "m": "metres"}[unit]


def _fitted(text: str, width_pt: float) -> tuple[str, float]:
    """A line that fits, and the size of its letters: smaller ones at first, then without its last clauses, which the next page has."""
    clauses, size = _printable(text).split("; "), 7.5
    for kept in range(len(clauses), 0, -1):
        line = "; ".join(clauses[:kept]) + ("" if kept == len(clauses) else "; more on the next page.")
        size = min(7.5, 7.5 * width_pt / stringWidth(line, "Helvetica", 7.5))
        if size >= SMALLEST_PT:
            break
    return line, size


def _printable(text: str) -> str:
    """What the font has; anything else is seen to be missing."""
    return "".join(letter if letter.isprintable() else " " for letter in text).encode("cp1252", "replace").decode("cp1252")


def _inert(text: str) -> str:
    return escape(_printable(text))
