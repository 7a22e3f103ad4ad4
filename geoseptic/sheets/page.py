"""The page of one parcel: a single HTML file that needs no network and runs no script."""

from collections.abc import Sequence
from html import escape
from typing import Final

from geoseptic.io.runfolders import FinishedRun
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.sheets.drafting import Scale, drawn
from geoseptic.sheets.legend import legend_of
from geoseptic.sheets.plan import Plan
from geoseptic.sheets.policy import allowed
from geoseptic.sheets.svg import FONT, Thing, pens_css, sample_svg, svg_of, things_of
from geoseptic.sheets.words import HANGS_ON, SURENESS, Section, bearing_words, sections_of, verdict_words

NAME: Final = "plan"
"""With what the anchors of the drawing begin."""

FRAME_MM: Final = 135.0
"""Width of the drawing: of this the words are a readable part also on a phone that shows it wider than its screen."""

HIT_MM: Final = 3.0
"""How wide a line is for a finger."""

LIT: Final = "svg {} :is(path, circle):not(.hit, .pen-building-hatch) {{ stroke: #b00020; stroke-width: 0.9; }}"
"""What is pointed at: red, and also heavier, for those who do not see the red."""

CSS: Final = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ margin: 0 auto; max-width: 60rem; padding: 1rem 1rem 3rem; font: 16px/1.5 {FONT}; color: #1a1a1a; background: #fff; }}
header p {{ margin: 0.2rem 0; }}
h1 {{ font-size: 1.5rem; line-height: 1.2; margin: 0 0 0.4rem; overflow-wrap: anywhere; }}
h2 {{ font-size: 1.15rem; margin: 2rem 0 0.4rem; }}
.verdict {{ border: 3px solid #1a1a1a; border-left-width: 12px; padding: 0.7rem 1rem; margin: 1rem 0; }}
.verdict strong {{ font-size: 1.25rem; }}
.notice, .caution {{ background: #f3f0e6; border-left: 6px solid #6b4e00; padding: 0.6rem 1rem; }}
figure {{ margin: 1.2rem 0; }}
.plan {{ overflow-x: auto; border: 1px solid #767676; }}
.plan:focus {{ outline: 3px solid #1a4f8b; }}
.plan svg {{ display: block; width: 100%; min-width: 44rem; height: auto; }}
figcaption {{ font-size: 0.9rem; }}
.legend {{ columns: 15rem; column-gap: 1.5rem; padding: 0; list-style: none; }}
.legend > li {{ font-size: 0.9rem; break-inside: avoid; padding: 0.15rem 0; }}
.key {{ display: flex; align-items: center; gap: 0.5rem; }}
.things {{ margin: 0 0 0.4rem; padding-left: 4.5rem; list-style: none; }}
.things a {{ display: block; padding: 0.25rem 0; }}
.things .close {{ display: none; }}
.things li:target {{ position: fixed; z-index: 1; inset: auto 0 0 0; display: flex; justify-content: space-between; align-items: center;
  gap: 1rem; padding: 0.8rem 1rem; background: #fff; border-top: 4px solid #b00020; font-size: 1rem; }}
.things li:target .close {{ display: block; flex: none; white-space: nowrap; font-weight: bold; padding: 0.5rem; }}
.skip {{ position: absolute; left: -100rem; }}
.skip:focus {{ position: static; }}
a:focus-visible, [tabindex]:focus-visible {{ outline: 3px solid #1a4f8b; outline-offset: 2px; }}
.sample {{ width: 4rem; height: 1.5rem; flex: none; }}
.table {{ overflow-x: auto; }}
table {{ border-collapse: collapse; width: 100%; font-size: 0.92rem; }}
th, td {{ text-align: left; vertical-align: top; padding: 0.3rem 0.8rem 0.3rem 0; border-bottom: 1px solid #8a8a8a; }}
th, td {{ overflow-wrap: anywhere; }}
td {{ min-width: 4rem; }}
li, p {{ overflow-wrap: anywhere; }}
nav a, a {{ color: #123f73; }}
svg .outline {{ fill: none; }}
svg .words {{ font-family: {FONT}; fill: #000; stroke: none; }}
svg .bold {{ font-weight: bold; }}
svg .halo {{ paint-order: stroke; stroke: #fff; stroke-width: 0.7; stroke-linejoin: round; }}
{pens_css()}
svg text, svg .pen-building-hatch {{ pointer-events: none; }}
svg .hit {{ fill: none; stroke: transparent; stroke-width: {HIT_MM}; pointer-events: stroke; }}
svg .thing {{ cursor: pointer; }}
svg .thing:focus-visible {{ outline: none; }}
{LIT.format(":is(.thing:hover, .thing:focus-visible, .thing:target)")}
@media print {{
  body {{ max-width: none; padding: 0; font-size: 11px; }}
  .plan {{ overflow: visible; border: 0; }}
  .plan svg {{ min-width: 0; max-height: 17cm; }}
  h2 {{ break-after: avoid; }}
  tr, li {{ break-inside: avoid; }}
  nav, .skip {{ display: none; }}
  .things a {{ padding: 0; color: inherit; text-decoration: none; }}
  .things li:target {{ position: static; display: list-item; padding: 0; border: 0; font-size: inherit; }}
  .things li:target .close {{ display: none; }}
}}
"""


DOUBTS_CSS: Final = f"""
.verdict p {{ margin: 0.4rem 0; }}
.verdict small {{ font-size: 0.85rem; color: #3d3d3d; }}
.verdict.open {{ border-style: dashed; border-left-style: solid; }}
{pens_css(doubtful=True)}
svg .pen-lot-of-well-hatch {{ pointer-events: none; }}
"""


def site_page(plan: Plan, run: FinishedRun, plan_file: str) -> bytes:
    """The page in UTF-8. `plan_file` is the name of the sheet to print, beside it."""
    site = plan.site
    left, bottom, right, top = plan.whole_m if not site.layers["fields"] else _wider(plan)
    width_m, height_m = right - left, top - bottom
    frame = FRAME_MM, FRAME_MM * min(max(height_m / width_m, 0.6), 1.3)
    scale = Scale(min(frame[0] / width_m, frame[1] / height_m), "not to scale", False)
    drawing = drawn(plan, (left, bottom, right, top), *frame, scale)
    verdict, steps = verdict_words(site)
    sections = [section for section in sections_of(plan, run) if section.title not in ("Verdict", SURENESS, HANGS_ON)]
    things = [part for part in things_of(drawing, NAME) if isinstance(part, Thing)]
    legend = "".join(_entry(pen, words, [thing for thing in things if thing.pen == pen]) for pen, words in legend_of(drawing))
    # What is told at the foot of the window is lit on the plan as well, where the browser can do that.
    css = (
        CSS
        + ("" if plan.doubts is None else DOUBTS_CSS)
        + "".join(LIT.format(f"a#{thing.anchor}:is(:root:has(#{thing.words_anchor}:target) *)") + "\n" for thing in things)
    )
    if plan.doubts is not None:
        verdict = plan.doubts.said.headline
    label = f"Plan of lot {site.parcel_id}: {verdict}. The list and the tables below say the same in words."
    bearings = f" {escape(bearing_words(site.frame.name))}." if plan.bearings else ""
    started = str(run.record.get("started", ""))[:10]
    links = "".join(f'<li><a href="#{_anchor(section.title)}">{escape(section.title)}</a></li>' for section in sections)
    page = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src {allowed(css)}; base-uri 'none'; form-action 'none'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>Lot {escape(site.parcel_id)}: {escape(verdict)}</title>
<style>{css}</style>
</head>
<body>
<header>
<h1>Lot {escape(site.parcel_id)}</h1>
<p>Screened {escape(started)} by {escape(run.title)}.</p>
<p class="notice">{escape(SCREENING_AID)}</p>
</header>
<main>
{_answer(plan, verdict, steps)}
<figure>
<a class="skip" href="#{NAME}-legend">Skip the plan</a>
<div class="plan" id="{NAME}" tabindex="0" role="region" aria-label="Plan, can be scrolled sideways">{svg_of(drawing, label, NAME)}</div>
<figcaption>Not to scale; north of the grid is up. {escape(plan.contours.note)}{bearings}
The sheet <a href="{escape(plan_file)}">{escape(plan_file)}</a> is true to scale. To read what something on the plan is, point at it,
tap it, or go to it by the tab key and press Enter; each line of the list below leads to its place on the plan.</figcaption>
<ul class="legend" id="{NAME}-legend" tabindex="-1" aria-label="What is drawn">{legend}</ul>
</figure>
<nav aria-label="On this page"><ul>{links}</ul></nav>
{"".join(_section(section) for section in sections)}
</main>
</body>
</html>
"""
    return page.encode("utf-8")


def _answer(plan: Plan, verdict: str, steps: str) -> str:
    """The verdict and what to do; where it is known how sure it is, that first, and the chances last and small."""
    if plan.doubts is None:
        return f'<div class="verdict"><strong>{escape(verdict)}.</strong><p>{escape(steps)}</p></div>'
    said = plan.doubts.said
    why = "".join(f"<p>{escape(text)}</p>" for text in said.sentences)
    numbers = f"<p><small>{escape(said.numbers)}</small></p>" if said.numbers else ""
    return f'<div class="verdict{" open" if said.in_doubt else ""}"><strong>{escape(said.headline)}.</strong>{why}{numbers}</div>'


def _entry(pen: str, words: str, things: Sequence[Thing]) -> str:
    """What a pen means, and below it all that is drawn with it."""
    close = f'<a class="close" href="#{NAME}" aria-label="Close, back to the plan">Close</a>'
    rows = "".join(
        f'<li id="{thing.words_anchor}" tabindex="-1"><a href="#{thing.anchor}">{escape(thing.about)}</a>{close}</li>' for thing in things
    )
    listed = f'<ul class="things">{rows}</ul>' if rows else ""
    return f'<li><span class="key">{sample_svg(pen)}{escape(words)}</span>{listed}</li>'


def _wider(plan: Plan) -> tuple[float, float, float, float]:
    """The works and the lot round them, but no more of a very large lot than can be seen."""
    whole, works = plan.whole_m, plan.works_m
    most_m = 4 * max(works[2] - works[0], works[3] - works[1])
    if max(whole[2] - whole[0], whole[3] - whole[1]) <= most_m:
        return whole
    return works


def _section(section: Section) -> str:
    body = "".join(f"<p>{escape(text)}</p>" for text in section.texts if text)
    body = f'<div class="caution">{body}</div>' if section.strong and body else body
    if section.items:
        body += f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in section.items)}</ul>"
    if section.table is not None and section.table.rows:
        titled = any(section.table.head)
        head = f"<thead><tr>{''.join(_cell('th scope=col', cell) for cell in section.table.head)}</tr></thead>" if titled else ""
        first = "td" if titled else "th scope=row"
        rows = "".join(f"<tr>{_cell(first, row[0])}{''.join(_cell('td', cell) for cell in row[1:])}</tr>" for row in section.table.rows)
        name = escape(section.title)
        body += f'<div class="table" tabindex="0" role="region" aria-label="{name}"><table>{head}<tbody>{rows}</tbody></table></div>'
    anchor = _anchor(section.title)
    return f'<section aria-labelledby="{anchor}"><h2 id="{anchor}">{escape(section.title)}</h2>{body}</section>\n'


def _cell(opening: str, text: str) -> str:
    return f"<{opening}>{escape(text)}</{opening.split()[0]}>"


def _anchor(title: str) -> str:
    return "-".join(title.lower().split())
