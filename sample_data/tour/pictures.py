"""The pictures of the tour, drawn of what its commands have written; colours and words are those of the legends of the outputs."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pypdfium2
import rasterio
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LightSource
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from PIL import Image

from geoseptic.model import legend_table
from geoseptic.model.legends import ClassLegend, VectorLegend
from geoseptic.processes import screening_legends

COUNTY: Final = "sample_data/county.gpkg"
LOTS: Final = ("MH-006-03", "MH-001-11", "MH-011-07")
"""One that fits, one that does not, one of which nobody can say."""

DOTS: Final = 100
MM: Final = 0.001
COLOURS: Final = 96
INK, FAINT, WATER, HOUSE = "#2b2b2b", "#b9b4aa", "#1d4f7c", "#8a8a8a"
SEE_THROUGH: Final = 0.85
FIELD_COLOUR, TANK_COLOUR, CLEAR_COLOUR = "#2f8f86", "#4a2545", "#bfe3dc"
CLOSED_COLOUR, OPEN_COLOUR = "#c9a58f", "#f0d9a0"
TEXT: Final = {"family": "DejaVu Sans", "size": 8.0}


def drawn(out: Path) -> dict[str, Image.Image]:
    """Name of each picture -> the picture, of the outputs in `out`; that of the browser is left out where there is none."""
    makers: Mapping[str, Callable[[Path], Image.Image | None]] = {
        "verdicts": verdicts,
        "lots": lots,
        "plot_plan": plot_plan,
        "where_to_look": where_to_look,
        "visits": visits,
        "county_map": county_map,
        "suitability": suitability,
    }
    found = {name: make(out) for name, make in makers.items()}
    return {name: picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE) for name, picture in found.items() if picture}


def write(pictures: Mapping[str, Image.Image], folder: Path) -> None:
    for name, picture in pictures.items():
        picture.save(folder / f"{name}.png", optimize=True)


# The pictures


def verdicts(out: Path) -> Image.Image:
    """The whole county by verdict."""
    figure, axes = sheet(7.95, 4.45, legend_share=0.316)
    hills(axes)
    coloured(axes, read(out / "screened/screening.gpkg", "parcels"), screening_legends.PARCELS, opacity=SEE_THROUGH)
    ground(axes)
    wells(axes, size=4)
    legend(figure, [*entries(screening_legends.PARCELS, SEE_THROUGH), well_mark(), line(WATER, "Brook, ditch, pond")])
    return picture(figure)


def suitability(out: Path) -> Image.Image:
    """Suitability of the cells of a part of the county, as the library gives it."""
    with rasterio.open(out / "screened/suitability_class.tif") as raster:
        classes, bounds = raster.read(1), raster.bounds
    figure, axes = sheet(7.6, 4.2, legend_share=0.24)
    hills(axes)
    painted(axes, classes, bounds, legend_table.SUITABILITY_CLASS)
    parcels = read(COUNTY, "parcels")
    parcels.boundary.plot(ax=axes, color=INK, linewidth=0.3)
    wells(axes, size=7)
    left, top = bounds.left + 150, bounds.top - 350
    axes.set_xlim(left, left + 1000)
    axes.set_ylim(top - 727, top)
    legend(figure, [*entries(legend_table.SUITABILITY_CLASS, SEE_THROUGH), well_mark()])
    return picture(figure)


def lots(out: Path) -> Image.Image:
    """What the setbacks leave of three lots, and what is laid out there."""
    figure = Figure(figsize=(7.4, 3.6), dpi=DOTS)
    FigureCanvasAgg(figure)
    screened = read(out / "screened/screening.gpkg", "parcels").set_index("parcel_id")
    for number, name in enumerate(LOTS):
        axes = figure.add_axes((0.005 + number * 0.333, 0.19, 0.325, 0.70))
        one_lot(axes, out, name)
        axes.set_title(f"{name}: {screened.verdict[name]}", fontsize=8, family=TEXT["family"])
    handles = [
        Patch(facecolor=CLEAR_COLOUR, label="Clear for a field"),
        Patch(facecolor=OPEN_COLOUR, label="Setback that may be asked"),
        Patch(facecolor=CLOSED_COLOUR, label="Closed by a setback"),
        Patch(facecolor=FIELD_COLOUR, label="Field"),
        Patch(facecolor="#d9a441", label="Reserve"),
        Patch(facecolor=TANK_COLOUR, label="Tank and sewers"),
        Patch(facecolor=HOUSE, label="Building"),
        well_mark(),
    ]
    figure.legend(handles=handles, loc="lower center", ncol=4, frameon=False, prop=TEXT)
    return picture(figure)


def one_lot(axes: Axes, out: Path, name: str) -> None:
    parcels = read(COUNTY, "parcels")
    lot = parcels[parcels.parcel_id == name]
    zones = read(out / "screened/envelopes.gpkg", "setback_zones")
    shape = lot.geometry.iloc[0]
    zones = zones[(zones.part == "drain_field") & zones.intersects(shape)]
    zones = zones[(zones.feature != "lot_line") | (zones.feature_id == name)]
    required = zones.status == "required"
    # On a grid of a millimetre, since hundreds of arcs nearly touch.
    closed, maybe = (
        shapely.intersection(shapely.union_all(zones.geometry[rows], grid_size=MM), shape, grid_size=MM) for rows in (required, ~required)
    )
    still_open = shapely.difference(maybe, closed, grid_size=MM)
    parcels.boundary.plot(ax=axes, color=FAINT, linewidth=0.5)
    for shown, colour in ((shape, CLEAR_COLOUR), (still_open, OPEN_COLOUR), (closed, CLOSED_COLOUR)):
        plotted(axes, gpd.GeoSeries([shown] if not shown.is_empty else []), color=colour)
    ground(axes, roofs=True)
    fields = own(out, "fields", name)
    for area, colour in (("reserve", "#d9a441"), ("primary", FIELD_COLOUR)):
        plotted(axes, fields[fields["area"] == area], color=colour)
    for layer in ("sewer_lines", "tanks"):
        plotted(axes, own(out, layer, name), color=TANK_COLOUR, linewidth=1.0)
    lot.boundary.plot(ax=axes, color=INK, linewidth=1.2)
    wells(axes, size=14)
    view(axes, lot.total_bounds, 12)
    scale_bar(axes)


def plot_plan(out: Path) -> Image.Image:
    """The first page of the sheet of the lot that fits."""
    document = pypdfium2.PdfDocument(out / f"sheets/site_{LOTS[0]}.pdf")
    return document[0].render(scale=1.35).to_pil()


def where_to_look(out: Path) -> Image.Image:
    """Search areas and stops of the sweep round the house of the inspected lot."""
    name = LOTS[1]
    file = out / "old/old_systems.gpkg"
    figure, axes = sheet(7.6, 4.2, legend_share=0.27)
    areas, stops = (of_parcel(read(file, layer), name) for layer in ("search_areas", "sweep"))
    read(COUNTY, "parcels").boundary.plot(ax=axes, color=FAINT, linewidth=0.6)
    coloured(axes, areas, legend_table.SEARCH_AREAS, opacity=0.9)
    ground(axes, roofs=True)
    colours = {swatch.value: swatch.colour for swatch in legend_table.SWEEP.swatches}
    stops.plot(ax=axes, color=stops.leg.map(colours), markersize=9, zorder=5)
    for stop, place in zip(stops.stop, stops.geometry, strict=True):
        if stop % 10 == 0 or stop == 1:
            words = axes.annotate(str(stop), (place.x, place.y), xytext=(3, 3), textcoords="offset points", fontsize=8, zorder=6)
            words.set_path_effects([withStroke(linewidth=2.5, foreground="white")])
    wells(axes, size=22)
    lot = of_parcel(read(COUNTY, "parcels"), name)
    lot.boundary.plot(ax=axes, color=INK, linewidth=1.2)
    view(axes, lot.total_bounds, 6)
    scale_bar(axes)
    marks = [mark("o", swatch.colour, swatch.name) for swatch in legend_table.SWEEP.swatches]
    legend(figure, [*entries(legend_table.SEARCH_AREAS), *marks, well_mark()])
    return picture(figure)


def visits(out: Path) -> Image.Image:
    """The order of visits over the county, with the rank of the first ones."""
    parcels = read(out / "ranked/priority.gpkg", "parcels")
    figure, axes = sheet(7.95, 4.45, legend_share=0.316)
    hills(axes)
    coloured(axes, parcels, legend_table.PRIORITY, opacity=SEE_THROUGH)
    ground(axes)
    legend(figure, [*entries(legend_table.PRIORITY, SEE_THROUGH), line(WATER, "Brook, ditch, pond")])
    return picture(figure)


def county_map(out: Path) -> Image.Image | None:
    """The county map as a browser shows it; None where there is no Chromium, or nothing that drives it."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    if program is None:
        return None
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 1100, "height": 680}, offline=True).new_page()
        page.goto((out / "map/county_map.html").resolve().as_uri())
        page.wait_for_selector("html[data-ready-ms]", state="attached")
        page.wait_for_timeout(500)
        shot = page.screenshot()
        browser.close()
    return Image.open(io.BytesIO(shot)).resize((880, 544), Image.Resampling.LANCZOS)


# What they are made of


def sheet(width_in: float, height_in: float, legend_share: float) -> tuple[Figure, Axes]:
    """A picture with a map on its left and room for the legend on its right."""
    figure = Figure(figsize=(width_in, height_in), dpi=DOTS)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.004, 0.006, 1.0 - legend_share, 0.988))
    axes.set_anchor("W")
    return figure, axes


def picture(figure: Figure) -> Image.Image:
    for axes in figure.axes:
        axes.set(xticks=[], yticks=[], xlabel="", ylabel="")
        for spine in axes.spines.values():
            spine.set_color(FAINT)
    figure.canvas.draw()
    return Image.fromarray(np.asarray(figure.canvas.buffer_rgba())).convert("RGB")


def read(path: Path | str, layer: str) -> gpd.GeoDataFrame:
    return gpd.read_file(path, layer=layer)


def of_parcel(frame: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    return frame[frame.parcel_id == name]


def own(out: Path, layer: str, name: str) -> gpd.GeoDataFrame:
    return of_parcel(read(out / "screened/screening.gpkg", layer), name)


def plotted(axes: Axes, shapes: gpd.GeoDataFrame | gpd.GeoSeries, **style: Any) -> None:
    if len(shapes):
        shapes.plot(ax=axes, **style)


def hills(axes: Axes) -> None:
    """Shaded ground of the county, light enough to draw on."""
    with rasterio.open("sample_data/elevation.tif") as raster:
        heights, bounds = raster.read(1, out_shape=(raster.height // 3, raster.width // 3)), raster.bounds
    shade = 0.75 + 0.25 * LightSource(315, 45).hillshade(heights, vert_exag=3, dx=6, dy=6)
    axes.imshow(shade, cmap="gray", vmin=0, vmax=1, extent=(bounds.left, bounds.right, bounds.bottom, bounds.top), zorder=0)
    axes.set_xlim(bounds.left, bounds.right)
    axes.set_ylim(bounds.bottom, bounds.top)


def ground(axes: Axes, *, roofs: bool = False) -> None:
    """Water, and buildings where they are to be seen."""
    water = read(COUNTY, "surface_water")
    water[water.geom_type.str.contains("Polygon")].plot(ax=axes, facecolor="none", edgecolor=WATER, linewidth=0.6)
    water[water.geom_type.str.contains("Line")].plot(ax=axes, color=WATER, linewidth=0.6)
    if roofs:
        read(COUNTY, "buildings").plot(ax=axes, color=HOUSE)


def wells(axes: Axes, *, size: float) -> None:
    read(COUNTY, "wells").plot(ax=axes, color="white", markersize=size, zorder=6, edgecolor=INK, linewidth=0.5 + size / 22)


def coloured(axes: Axes, frame: gpd.GeoDataFrame, table: VectorLegend, *, opacity: float) -> None:
    """Areas in the colours of their legend, hatched where it hatches."""
    for swatch in table.swatches:
        rows = frame[frame[table.column] == swatch.value]
        if len(rows):
            hatch = {"hatch": "////"} if swatch.hatch else {}
            rows.plot(ax=axes, facecolor=swatch.colour, edgecolor="#6f6a62", linewidth=0.25, alpha=opacity, **hatch)


def painted(axes: Axes, classes: np.ndarray, bounds: Any, table: ClassLegend) -> None:
    """A raster of classes in the colours of its legend."""
    paint = np.zeros((*classes.shape, 4), np.uint8)
    for swatch in table.swatches:
        colour = [int(swatch.colour[start : start + 2], 16) for start in (1, 3, 5)]
        paint[classes == swatch.value] = [*colour, round(255 * SEE_THROUGH * swatch.opacity)]
    axes.imshow(paint, extent=(bounds.left, bounds.right, bounds.bottom, bounds.top), interpolation="nearest", zorder=1)


def view(axes: Axes, bounds: Sequence[float], more_m: float) -> None:
    """Show these bounds and so much more on every side, at one scale both ways."""
    left, bottom, right, top = bounds
    room, paper = axes.get_position(original=True), axes.figure.get_size_inches()
    wide_in, high_in = room.width * paper[0], room.height * paper[1]
    half_m_an_inch = max((right - left + 2 * more_m) / wide_in, (top - bottom + 2 * more_m) / high_in) / 2
    axes.set_xlim((left + right) / 2 - half_m_an_inch * wide_in, (left + right) / 2 + half_m_an_inch * wide_in)
    axes.set_ylim((bottom + top) / 2 - half_m_an_inch * high_in, (bottom + top) / 2 + half_m_an_inch * high_in)


def scale_bar(axes: Axes, length_m: float = 15.24) -> None:
    """A bar of 50 ft in the lower left corner."""
    axes.figure.canvas.draw()
    left, bottom = axes.transData.inverted().transform(axes.transAxes.transform((0.04, 0.04)))
    axes.plot([left, left + length_m], [bottom, bottom], color=INK, linewidth=2.5, solid_capstyle="butt", zorder=7)
    axes.annotate("50 ft", (left, bottom), xytext=(0, 4), textcoords="offset points", fontsize=7, zorder=7)


def entries(table: VectorLegend | ClassLegend, opacity: float = 1.0) -> list[Patch]:
    """What a legend lists, as it is drawn here: rasters are not hatched."""
    hatched = isinstance(table, VectorLegend)
    return [
        Patch(
            facecolor=swatch.colour,
            edgecolor="#6f6a62",
            linewidth=0.4,
            alpha=opacity,
            hatch="////" if swatch.hatch and hatched else None,
            label=swatch.name,
        )
        for swatch in table.swatches
        if swatch.opacity > 0
    ]


def mark(sign: str, colour: str, name: str) -> Line2D:
    return Line2D([], [], linestyle="none", marker=sign, markersize=4, color=colour, label=name)


def well_mark() -> Line2D:
    return Line2D([], [], linestyle="none", marker="o", markersize=5, markerfacecolor="white", markeredgecolor=INK, label="Well on record")


def line(colour: str, name: str) -> Line2D:
    return Line2D([], [], color=colour, linewidth=0.8, label=name)


def legend(figure: Figure, handles: Sequence[Any]) -> None:
    right = figure.axes[0].get_position(original=True).x1
    figure.legend(handles=[*handles], loc="center left", bbox_to_anchor=(right + 0.005, 0.5), prop=TEXT, frameon=False, labelspacing=0.7)
