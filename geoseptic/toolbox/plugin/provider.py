"""The plugin and its provider: one algorithm for each process that the declarations beside this file name."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from qgis.core import QgsApplication, QgsProcessingProvider

from .algorithm import ProcessAlgorithm

DECLARATIONS = Path(__file__).with_name("declarations.json")


class Provider(QgsProcessingProvider):
    """All processes."""

    def __init__(self) -> None:
        super().__init__()
        self.declared: dict[str, Any] = json.loads(DECLARATIONS.read_text(encoding="utf-8"))

    def id(self) -> str:
        return "geoseptic"

    def name(self) -> str:
        return "geoseptic"

    def longName(self) -> str:
        return f"geoseptic {self.declared['version']}. {self.declared['notice']}"

    def loadAlgorithms(self) -> None:
        for process in self.declared["processes"]:
            self.addAlgorithm(ProcessAlgorithm(self.declared, process))


class Plugin:
    """What QGIS loads."""

    def __init__(self) -> None:
        self.provider: Provider | None = None

    def initProcessing(self) -> None:
        self.provider = Provider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        self.initProcessing()

    def unload(self) -> None:
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)


def classFactory(iface: Any) -> Plugin:
    return Plugin()
