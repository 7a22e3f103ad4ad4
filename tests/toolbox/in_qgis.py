"""Loads the plugin of a folder as QGIS does and runs its algorithms, in QGIS's own Python. Wishes come by standard input, one JSON object
goes out.

Not collected by pytest, which has another Python: tests/toolbox/test_toolbox.py starts it.
"""

import json
import os
import sys
import threading

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from qgis.core import (
    Qgis,
    QgsApplication,
    QgsFeatureRequest,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)


class Heard(QgsProcessingFeedback):
    """Keeps what is told."""

    def __init__(self, cancel_at):
        super().__init__()
        self.texts, self.percents, self.cancel_at = [], [], cancel_at
        self.progressChanged.connect(self.percents.append)

    def setProgressText(self, text):
        self.texts.append(text)
        if self.cancel_at and text.startswith(self.cancel_at):
            threading.Timer(0.1, self.cancel).start()

    def pushInfo(self, text):
        self.texts.append(text)


def ran(wish):
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(f"geoseptic:{wish['process']}")
    context, heard = QgsProcessingContext(), Heard(wish.get("cancel_at"))
    context.setProject(QgsProject.instance())
    given = dict(wish["given"])
    for name, source in wish.get("memory", {}).items():
        layer = QgsVectorLayer(source, name, "ogr")
        copy = layer.materialize(QgsFeatureRequest())
        QgsProject.instance().addMapLayer(copy)
        given[name] = copy.id()
    try:
        found, error = algorithm.run(given, context, heard, {}, False), None
    except QgsProcessingException as raised:
        found, error = None, str(raised)
    opened = {path: details.name for path, details in context.layersToLoadOnCompletion().items()}
    usable = all(QgsVectorLayer(path, "", "ogr").isValid() for path in opened if ".gpkg" in path)
    results, done = found if found else ({}, False)
    return {
        "results": results,
        "done": done,
        "error": error,
        "texts": heard.texts,
        "percents": heard.percents,
        "opened": opened,
        "usable": usable,
    }


def main():
    wanted = json.load(sys.stdin)
    application = QgsApplication([], False)
    application.initQgis()
    sys.path.insert(0, wanted["plugins"])
    import geoseptic_toolbox

    plugin = geoseptic_toolbox.classFactory(None)
    plugin.initProcessing()
    algorithms = {
        algorithm.name(): {
            "help": algorithm.shortHelpString(),
            "parameters": [parameter.name() for parameter in algorithm.parameterDefinitions()],
            "outputs": [output.name() for output in algorithm.outputDefinitions()],
        }
        for algorithm in plugin.provider.algorithms()
    }
    told = {
        "qgis": Qgis.QGIS_VERSION,
        "name": plugin.provider.longName(),
        "algorithms": algorithms,
        "runs": [ran(wish) for wish in wanted["runs"]],
        "imported": sorted(name for name in sys.modules if name.split(".")[0] == "geoseptic"),
    }
    plugin.unload()
    print("\n" + json.dumps(told))
    sys.stdout.flush()
    os._exit(0)  # QGIS's own clearing up at the end of a Python that it did not start may crash


main()
