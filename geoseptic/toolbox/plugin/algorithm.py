"""One process as an algorithm of QGIS's toolbox: fields for its parameters, a command line of what stands in them."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputFile,
    QgsProcessingOutputRasterLayer,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
)

from . import running

SHAPES = {
    "point": [QgsProcessing.TypeVectorPoint],
    "line": [QgsProcessing.TypeVectorLine],
    "polygon": [QgsProcessing.TypeVectorPolygon],
    "any": [QgsProcessing.TypeVector],
}
FORMATS = ["gpkg", "shp", "geojson", "fgb"]
"""Files that are handed on as they are; of any other source QGIS makes a GeoPackage."""

OUT, OVERWRITE, LOAD = "OUT", "OVERWRITE", "LOAD"
STEPS = 12
"""Stages after which the bar stands at half: it tells the order of stages, and nothing of time."""


class ProcessAlgorithm(QgsProcessingAlgorithm):
    """The process that `process` declares; `declared` is what all have in common."""

    def __init__(self, declared: dict[str, Any], process: dict[str, Any]) -> None:
        super().__init__()
        self.declared, self.process = declared, process

    def createInstance(self) -> ProcessAlgorithm:
        return ProcessAlgorithm(self.declared, self.process)

    def name(self) -> str:
        return str(self.process["id"])

    def displayName(self) -> str:
        return str(self.process["title"])

    def shortHelpString(self) -> str:
        return f"{self.process['summary']}\n\n{self.declared['notice']}"

    def initAlgorithm(self, configuration: Any = None) -> None:
        for parameter in self.process["parameters"]:
            for field in self._fields(parameter):
                if not parameter["required"]:
                    field.setFlags(field.flags() | QgsProcessingParameterDefinition.FlagOptional)
                    if parameter["kind"] != "layer":
                        field.setFlags(field.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
                self.addParameter(field)
        self.addParameter(QgsProcessingParameterFolderDestination(OUT, "Folder to write to"))
        self.addParameter(QgsProcessingParameterBoolean(OVERWRITE, "Replace outputs that are there", defaultValue=False))
        self.addParameter(QgsProcessingParameterBoolean(LOAD, "Open the results", defaultValue=True))
        kinds = {"raster": QgsProcessingOutputRasterLayer, "layer": QgsProcessingOutputVectorLayer}
        for out in self.process["outputs"]:
            self.addOutput(kinds.get(out["kind"], QgsProcessingOutputFile)(out["name"], out["title"]))

    def processAlgorithm(self, given: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback) -> dict[str, Any]:
        folder = self.parameterAsString(given, OUT, context)
        words = [self.process["id"], "--out", folder]
        for parameter in self.process["parameters"]:
            for value in self._words(parameter, given, context, feedback):
                words.append(f"{parameter['flag']}={value}")
        if self.parameterAsBool(given, OVERWRITE, context):
            words.append("--overwrite")
        feedback.pushInfo(self.declared["notice"])
        stages = 0

        def tell(line: str) -> None:
            nonlocal stages
            stages += 1
            feedback.setProgressText(line)
            feedback.setProgress(100.0 * stages / (stages + STEPS))

        command = running.command(self.declared["python"], self.declared["folder"], words)
        try:
            code, output, lines = running.run(command, tell, feedback.isCanceled)
        except running.CancelledError:
            raise QgsProcessingException("Cancelled; nothing was written.") from None
        except OSError as error:
            python = self.declared["python"]
            text = f"{python} could not be started ({error}). Write the toolbox again where geoseptic is: geoseptic toolbox --out FOLDER"
            raise QgsProcessingException(text) from None
        if code not in (0, 1):
            raise QgsProcessingException("\n".join(lines[-1 - _continued(lines) :]) or f"geoseptic ended with {code}.")
        summary = json.loads(output.splitlines()[-1])
        for warning in summary["warnings"]:
            feedback.pushWarning(warning)
        if summary["failures"]:
            feedback.reportError(f"{summary['failures']} parcels failed: see the layer failures in repairs.gpkg.")
        return self._results(folder, given, context)

    def _results(self, folder: str, given: dict[str, Any], context: QgsProcessingContext) -> dict[str, Any]:
        """Where what was written lies; layers and rasters are opened, by the styles that they bring."""
        found: dict[str, Any] = {OUT: folder}
        load = self.parameterAsBool(given, LOAD, context) and context.project() is not None
        for out in self.process["outputs"]:
            path = Path(folder) / out["file"]
            if not path.exists() or (out["layer"] and out["layer"] not in _layers(path)):
                continue
            found[out["name"]] = f"{path}|layername={out['layer']}" if out["layer"] else str(path)
            if load and out["kind"] in ("raster", "layer"):
                details = QgsProcessingContext.LayerDetails(out["title"], context.project(), out["name"])
                context.addLayerToLoadOnCompletion(found[out["name"]], details)
        return found

    def _fields(self, parameter: dict[str, Any]) -> list[Any]:
        """The fields for a parameter: one, but for conditions (those that hold, those that do not) and weights (one each)."""
        name, title, kind, default = parameter["name"], parameter["title"], parameter["kind"], parameter["default"]
        if kind == "layer":
            return [QgsProcessingParameterFeatureSource(name, title, SHAPES[parameter["geometry"]])]
        if kind == "raster":
            return [QgsProcessingParameterRasterLayer(name, title)]
        if kind in ("file", "folder"):
            behaviour = QgsProcessingParameterFile.Folder if kind == "folder" else QgsProcessingParameterFile.File
            return [QgsProcessingParameterFile(name, title, behavior=behaviour)]
        if kind in ("number", "count"):
            typed = QgsProcessingParameterNumber.Integer if kind == "count" else QgsProcessingParameterNumber.Double
            unit = f" [{parameter['unit']}]" if parameter["unit"] else ""
            return [
                QgsProcessingParameterNumber(
                    name, f"{title}{unit}", typed, default, not parameter["required"], parameter["low"], parameter["high"]
                )
            ]
        if kind == "choice":
            return [_enum(name, title, parameter["options"], default, several=False)]
        if kind == "names":
            return [_enum(name, title, parameter["options"], default, several=True)]
        if kind == "facts":
            holds = (("yes", "holds"), ("no", "does not hold"))
            return [_enum(f"{name}_{word}", f"{title}: {told}", parameter["options"], None, several=True) for word, told in holds]
        if kind == "weights":
            double = QgsProcessingParameterNumber.Double
            return [
                QgsProcessingParameterNumber(f"{name}_{one}", f"{title}: {one}", double, None, True, 0.0) for one in parameter["options"]
            ]
        several = kind == "texts"
        return [QgsProcessingParameterString(name, f"{title} (one a line)" if several else title, default, several)]

    def _words(
        self, parameter: dict[str, Any], given: dict[str, Any], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> list[str]:
        """What stands behind the parameter's flag on the command line, each time that it is there; nothing where its field is empty."""
        name, kind = parameter["name"], parameter["kind"]
        if kind == "facts":
            return [f"{fact}={word}" for word in ("yes", "no") for fact in self._chosen(given, f"{name}_{word}", context)]
        if kind == "weights":
            weights = [(one, given.get(f"{name}_{one}")) for one in parameter["options"]]
            return [f"{one}={float(weight)!r}" for one, weight in weights if weight is not None]
        if given.get(name) in (None, "", []):
            return []
        if kind == "layer":
            path, layer = self.parameterAsCompatibleSourceLayerPathAndLayerName(given, name, context, FORMATS, "gpkg", feedback)
            return [f"{path}|{layer}" if layer else path]
        if kind == "raster":
            return [self.parameterAsRasterLayer(given, name, context).source()]
        if kind in ("number", "count"):
            number = self.parameterAsInt(given, name, context) if kind == "count" else self.parameterAsDouble(given, name, context)
            return [f"{number!r}{parameter['suffix']}"]
        if kind == "choice":
            return [self.parameterAsEnumString(given, name, context)]
        if kind == "names":
            return self._chosen(given, name, context)
        text = self.parameterAsString(given, name, context)
        return [line.strip() for line in text.splitlines() if line.strip()] if kind == "texts" else [text]

    def _chosen(self, given: dict[str, Any], name: str, context: QgsProcessingContext) -> list[str]:
        return [str(word) for word in self.parameterAsEnumStrings(given, name, context)] if given.get(name) else []


def _enum(name: str, title: str, options: list[str], default: Any, several: bool) -> QgsProcessingParameterEnum:
    return QgsProcessingParameterEnum(name, title, options, several, default, False, True)


def _layers(path: Path) -> list[str]:
    """Names of the layers in a GeoPackage; which of the declared ones are written is a matter of the parameters."""
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as package:
        return [name for (name,) in package.execute("SELECT table_name FROM gpkg_contents")]


def _continued(lines: list[str]) -> int:
    """How many lines at the end belong to the last sentence: a refusal of several faults has one a line, set in."""
    count = 0
    for line in reversed(lines):
        if not line.startswith("  "):
            break
        count += 1
    return count
