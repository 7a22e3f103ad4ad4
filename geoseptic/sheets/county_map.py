"""The county map: one page with all parcels of a screening in it, which opens from a disk and asks nothing of any network."""

import base64
import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import Template
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoseptic.io.chances import Visit
from geoseptic.io.maplibrary import PageParts
from geoseptic.io.runfolders import FinishedRun
from geoseptic.model.cautions import CAUTIONS
from geoseptic.model.frame import Geometries
from geoseptic.model.legends import VectorLegend
from geoseptic.sheets import county_words
from geoseptic.sheets.packing import Columns, Whole, packed
from geoseptic.sheets.policy import allowed
from geoseptic.systems.verdict import CANNOT_SAY

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

NOT_RANKED: Final = "not ranked"
PATTERNS: Final = ("plain", "lines", "dots", "cross", "hatch")
"""How the verdicts are told apart without colours, in the order of their legend; what is hatched there is hatched here."""

SURE_PATTERNS: Final = ("plain", "dots", "lines", "cross", "hatch")
"""The same for how sure it is, in the order of that legend."""


@dataclass(frozen=True)
class Sureness:
    """How sure it is, a row a parcel of the map in its order: a class of `legend`, the numbers of
    `county_words.SURE_NUMBERS`, and the texts `why` and `first`. visits : what to survey first, the weightiest first."""

    legend: VectorLegend
    classes: Sequence[str]
    numbers: Mapping[str, npt.NDArray[np.float64]]
    texts: Mapping[str, Sequence[str]]
    visits: Sequence[Visit]


@dataclass(frozen=True)
class Ranking:
    """What the ranking says, a row a parcel of the map in its order; parcels that it does not have are `NOT_RANKED`, without numbers."""

    legend: VectorLegend
    classes: Sequence[str]
    numbers: Mapping[str, npt.NDArray[np.float64]]
    texts: Mapping[str, Sequence[str]]


def county_map_page(
    run: FinishedRun,
    lots: "GeoDataFrame",
    shapes_m: Geometries,
    unit: str,
    legend: VectorLegend,
    parts: PageParts,
    ranking: Ranking | None = None,
    sureness: Sureness | None = None,
    site_pages: Sequence[str] = (),
) -> bytes:
    """The page in UTF-8.

    lots, shapes_m : the parcels, one row each, and their outlines (None where there is none). [m]
    unit : of the lengths in columns, ft or m.
    site_pages : links to each parcel's own sheets, relative to the map, with `BETWEEN_TEXTS` between them; none where there are none.
    """
    units = {"length": unit, "area": f"{unit}2", "volume": "gal" if unit == "ft" else "L"}
    figures = {_column(figure, units): figure for figure in county_words.FIGURES if _column(figure, units) in lots.columns}
    texts: dict[str, Sequence[str]] = {
        name: _texts(lots, name) for name in ("reasons", "fits_without", "assumptions", "notes", *county_words.TEXTS)
    }
    verdicts = [str(swatch.value) for swatch in legend.swatches]
    classes = {"verdict": _places(_texts(lots, "verdict"), verdicts, verdicts.index(CANNOT_SAY))}
    numbers = {name: pd.to_numeric(lots[name], errors="coerce").to_numpy(np.float64, na_value=np.nan) for name in figures}
    facets = [_facet("verdict", legend, PATTERNS, county_words.MEANINGS)]
    rank_figures: list[dict[str, Any]] = []
    if sureness is not None:
        words = [str(swatch.value) for swatch in sureness.legend.swatches]
        classes["sure"] = _places(sureness.classes, words, len(words) - 1)
        numbers |= {f"sure {name}": values for name, values in sureness.numbers.items()}
        texts |= {f"sure {name}": values for name, values in sureness.texts.items()}
        facets[0]["title"] = county_words.AS_DRAWN
        facets.insert(0, _facet("sure", sureness.legend, SURE_PATTERNS, county_words.SURE_MEANINGS))
    if ranking is not None:
        words = [*(str(swatch.value) for swatch in ranking.legend.swatches), NOT_RANKED]
        classes["priority"] = _places(ranking.classes, words, words.index(NOT_RANKED))
        numbers |= {f"rank {name}": values for name, values in ranking.numbers.items()}
        texts |= {f"rank {name}": values for name, values in ranking.texts.items()}
        facets.append(_facet("priority", ranking.legend, ("cross", "lines", "dots", "plain", "plain"), {}, unranked=True))
        rank_figures = [_figure(f"rank {figure.column}", figure, {}) for figure in county_words.RANK_FIGURES]
    if site_pages:
        texts["sheets"] = site_pages
    rules = run.record["rules"]
    head = {
        "facets": facets,
        "figures": [_figure(name, figure, units) for name, figure in figures.items()],
        "rank_figures": rank_figures,
        "texts_shown": county_words.TEXTS,
        "rank_texts": {f"rank {name}": words for name, words in county_words.RANK_TEXTS.items()} if ranking is not None else {},
        "feet": unit == "ft",
        "run": {
            "date": str(run.record["started"])[:10],
            "rules": f"{run.title} ({run.rules})",
            "edition": str(rules["edition"]),
            "summary": str(rules["summary"]),
            "made_with": f"geoseptic {run.record['geoseptic']}",
            "warnings": [str(warning) for warning in run.record["warnings"]],
            "failures": len(run.record["failures"]),
        },
    }
    if sureness is not None:
        head["visits"] = [
            {"words": visit.words, "settles": _known(visit.settles), "parcels": list(visit.parcels)} for visit in sureness.visits
        ]
    ids = [str(name) for name in lots["parcel_id"]]
    return _page(parts, packed(ids, shapes_m, Columns(classes, numbers, texts), head), run, len(ids))


def _page(parts: PageParts, data: bytes, run: FinishedRun, count: int) -> bytes:
    """All parts in one file. What comes from outside stands in the data, where it is base64, or escaped."""
    styles, scripts = (parts.library_style, parts.style), (parts.library, parts.script)
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src {' '.join(allowed(script) for script in scripts)}",
            f"style-src {' '.join(allowed(style) for style in styles)}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    day = str(run.record["started"])[:10]
    page = Template(parts.skeleton).substitute(
        policy=policy,
        styles="".join(f"<style>{_unclosed(style, 'style')}</style>\n" for style in styles),
        scripts="".join(f"<script>{_unclosed(script, 'script')}</script>\n" for script in scripts),
        data=base64.b64encode(data).decode("ascii"),
        title=html.escape(f"County map of {count:,} parcels, screened {day}"),
        subtitle=html.escape(f"{count:,} parcels, screened {day} by the rules {run.rules}, edition {run.record['rules']['edition']}"),
        caution=html.escape(CAUTIONS[0]),
        cautions="".join(f"<li>{html.escape(caution)}</li>" for caution in CAUTIONS[1:]),
        licence=html.escape(parts.licence),
    )
    return page.encode("utf-8")


def _unclosed(content: str, element: str) -> str:
    """Refuses a script or style that would end its own element."""
    if f"</{element}" in content.lower() or "<!--" in content:
        raise ValueError(f"a part of the page closes its own {element}")
    return content


def _facet(
    name: str, legend: VectorLegend, patterns: Sequence[str], meanings: Mapping[str, str], *, unranked: bool = False
) -> dict[str, Any]:
    kinds = [
        {
            "name": swatch.name,
            "colour": swatch.colour,
            "pattern": pattern,
            "always": swatch.hatch,
            "meaning": meanings.get(str(swatch.value), ""),
        }
        for swatch, pattern in zip(legend.swatches, patterns, strict=True)
    ]
    if unranked:
        kinds.append({"name": "Not ranked", "colour": "#adadad", "pattern": "hatch", "always": True, "meaning": ""})
    return {"name": name, "title": legend.title, "kinds": kinds}


def _figure(name: str, figure: county_words.Figure, units: Mapping[str, str]) -> dict[str, Any]:
    unit = county_words.WORDS_OF_UNITS.get(units.get(figure.unit, ""), figure.unit)
    return {"name": name, "words": figure.words, "unit": unit, "drawn": figure.drawn, "spread": figure.spread}


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _column(figure: county_words.Figure, units: Mapping[str, str]) -> str:
    return f"{figure.column}_{units[figure.unit]}" if figure.unit in units else figure.column


def _places(words: Sequence[str], known: Sequence[str], otherwise: int) -> Whole:
    place = {word: number for number, word in enumerate(known)}
    return np.array([place.get(word, otherwise) for word in words], np.int64)


def _texts(lots: "GeoDataFrame", name: str) -> list[str]:
    """The column's texts, empty where it says nothing or is not there."""
    if name not in lots.columns:
        return [""] * len(lots)
    return [str(value) for value in lots[name].to_numpy(object, na_value="")]
