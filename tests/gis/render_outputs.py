"""Open a folder of outputs in QGIS as a user would, and draw every layer with its legend. Run by hand, with QGIS's own Python:

    python3 tests/gis/render_outputs.py FOLDER PICTURE_DIR

Every .tif and every layer of every .gpkg in FOLDER is loaded plainly, so it shows the style that QGIS finds by itself. Two PNGs
each, the whole and the middle from nearby (-close), one JSON object a line on stdout, exit code 1 if any layer has no style of its own
or if there is no layer at all. Not collected by pytest: QGIS is no dependency of geoseptic.
"""

import json
import os
import sys
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from qgis.core import (
    QgsApplication,
    QgsLayerTree,
    QgsLayerTreeModel,
    QgsLegendRenderer,
    QgsLegendSettings,
    QgsMapLayer,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProviderRegistry,
    QgsRasterLayer,
    QgsRenderContext,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor, QImage, QPainter

STYLED_RASTERS = {"paletted", "singlebandpseudocolor"}
MAP_PIXELS = QSize(1000, 800)
LEGEND_PIXELS = 520
PIXELS_PER_MM = 96 / 25.4
CLOSE_SHARE = 0.2
PAPER = QColor("#e9e6df")
"""Not white, so that transparent and white cells can be told apart."""


def layers_of(path: Path) -> list[QgsMapLayer]:
    if path.suffix == ".tif":
        return [QgsRasterLayer(str(path), path.stem, "gdal")]
    sublayers = QgsProviderRegistry.instance().querySublayers(str(path))
    names = [sublayer.name() for sublayer in sublayers if sublayer.type() == QgsMapLayer.VectorLayer]
    return [QgsVectorLayer(f"{path}|layername={name}", name, "ogr") for name in names if name != "layer_styles"]


def style_of(layer: QgsMapLayer) -> dict[str, object]:
    """What QGIS drew the layer with, and whether that came with the file."""
    if not layer.isValid():
        return {"renderer": None, "styled": False}
    if isinstance(layer, QgsRasterLayer):
        kind = layer.renderer().type()
        # A colour table alone gives "paletted" too, but without names.
        styled = kind in STYLED_RASTERS and any(item.strip() for item, _ in layer.renderer().legendSymbologyItems())
        styled = styled and Path(layer.source()).with_suffix(".qml").exists()
    else:
        _, found = layer.loadDefaultStyle()
        number, ids, _, _, _ = layer.listStylesInDatabase()
        kind, styled = layer.renderer().type(), bool(found and number > 0 and ids)
    return {"renderer": kind, "styled": styled}


def picture(layer: QgsMapLayer, share: float) -> QImage:
    """The layer with its legend; `share` of its width and height, round its middle."""
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setDestinationCrs(layer.crs())
    extent = layer.extent()
    extent.scale(share)
    settings.setExtent(extent)
    settings.setOutputSize(MAP_PIXELS)
    settings.setBackgroundColor(PAPER)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    whole = QImage(MAP_PIXELS.width() + LEGEND_PIXELS, MAP_PIXELS.height(), QImage.Format_ARGB32)
    whole.fill(QColor("#ffffff"))
    painter = QPainter(whole)
    painter.drawImage(0, 0, job.renderedImage())
    painter.translate(MAP_PIXELS.width() + 10, 10)
    painter.scale(PIXELS_PER_MM, PIXELS_PER_MM)
    tree = QgsLayerTree()
    tree.addLayer(layer)
    model = QgsLayerTreeModel(tree)  # held here: the legend does not keep it alive
    legend = QgsLegendRenderer(model, QgsLegendSettings())
    context = QgsRenderContext.fromQPainter(painter)
    context.setScaleFactor(PIXELS_PER_MM)
    legend.drawLegend(context)
    painter.end()
    return whole


def main(folder: Path, pictures: Path) -> int:
    pictures.mkdir(parents=True, exist_ok=True)
    failures = layers = 0
    for path in sorted([*folder.glob("*.tif"), *folder.glob("*.gpkg")]):
        for layer in layers_of(path):
            layers += 1
            report = {"file": path.name, "layer": layer.name(), **style_of(layer)}
            failures += not report["styled"]
            if layer.isValid() and not layer.extent().isEmpty():
                name = path.stem if path.suffix == ".tif" else f"{path.stem}-{layer.name()}"
                report["picture"] = f"{name}.png"
                for ending, share in (("", 1.02), ("-close", CLOSE_SHARE)):
                    picture(layer, share).save(str(pictures / f"{name}{ending}.png"))
            print(json.dumps(report))
    return 1 if failures or not layers else 0


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    application = QgsApplication([], False)
    application.initQgis()
    code = main(Path(sys.argv[1]), Path(sys.argv[2]))
    application.exitQgis()
    sys.exit(code)
