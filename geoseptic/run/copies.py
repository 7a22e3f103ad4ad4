"""What a run writes beside the outputs that its process declares: its layers in other formats, and an item for a catalogue."""

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from geoseptic.io.filehashes import digest_of
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.model.results import Results
from geoseptic.process import LayerOut, Process, files_of
from geoseptic.run.config import FLATGEOBUF, GEOPARQUET, STAC
from geoseptic.run.describe import RUN
from geoseptic.run.mediatypes import media_type
from geoseptic.stages import stage

ENDINGS: Final[Mapping[str, str]] = {GEOPARQUET: "parquet", FLATGEOBUF: "fgb"}
ITEM: Final = "item.json"


def layers_of(process: Process[..., Any]) -> dict[str, str]:
    """Layer -> its package without the ending, for all that `process` may write."""
    from geoseptic.processes.tables import ENVELOPE_LAYERS

    layers = {out.name: out.file for out in process.outputs if isinstance(out, LayerOut)}
    # Which parts a run looks for is a matter of its parameters.
    envelopes = {file for name, file in layers.items() if name in ENVELOPE_LAYERS.values()}
    return {**layers, **{name: file for file in envelopes for name in ENVELOPE_LAYERS.values()}}


def names(process: Process[..., Any], also: Sequence[str]) -> list[str]:
    """Names of all files that a run of `process` may write."""
    copies = [_copy_of(file, name, form) for form in also if form in ENDINGS for name, file in layers_of(process).items()]
    return [*copies, *([ITEM] if STAC in also else [])]


def _copy_of(file: str, layer: str, form: str) -> str:
    return f"{file}_{layer}.{ENDINGS[form]}"


def refuse(also: Sequence[str]) -> None:
    """Raises ParameterError where what is installed cannot write them."""
    if any(form in ENDINGS for form in also):
        from geoseptic.io.layercopies import refuse_old_gdal

        refuse_old_gdal()


def write(
    folder: Path,
    process: Process[..., Any],
    results: Results,
    also: Sequence[str],
    outputs: Sequence[str],
    version: str,
    started: str,
    record: str,
) -> dict[str, dict[str, Any]]:
    """Write all that is wanted beside the outputs of these names in `folder`; size and hash of each new file by its name.

    version, started : of geoseptic, and when the run did. record : the file that tells of the run.
    """
    if not also:
        return {}
    with stage("writing copies"):
        copies = digests_of(folder, _write_layers(folder, results, also))
        if STAC not in also:
            return copies
        files = {**digests_of(folder, outputs), **copies}
        item = _write_item(folder, process, results, files, version, started, record)
        return {**copies, **digests_of(folder, [item])}


def digests_of(folder: Path, files: Iterable[str]) -> dict[str, dict[str, Any]]:
    return {name: digest_of([folder / name]) for name in files}


def _write_layers(folder: Path, results: Results, also: Sequence[str]) -> list[str]:
    """Write a copy of each layer of the packages in `folder` in every format that is wanted; their names."""
    from geoseptic.io import layercopies

    writers = {GEOPARQUET: layercopies.write_geoparquet, FLATGEOBUF: layercopies.write_flatgeobuf}
    written = []
    for form in also:
        for layer in results.layers if form in writers else ():
            own = layercopies.CopiedLayer(folder / f"{layer.file}.gpkg", layer.name, layer.title, layer.description)
            name = _copy_of(layer.file, layer.name, form)
            writers[form](folder / name, own)
            written.append(name)
    return written


def _write_item(
    folder: Path,
    process: Process[..., Any],
    results: Results,
    files: Mapping[str, Mapping[str, Any]],
    version: str,
    started: str,
    record: str,
) -> str:
    """Write the item for a catalogue, whose assets are `files`, and whose provenance is the file `record`; its name."""
    from geoseptic.io import stacitems

    about = f"{process.summary} {SCREENING_AID}"
    run = stacitems.Run(process.id, process.title, about, version, started, record, RUN)
    item = stacitems.item(folder, run, files, _titles(process, results), {name: media_type(name) for name in files})
    (folder / ITEM).write_text(json.dumps(item, indent=2, allow_nan=False) + "\n", encoding="utf-8")
    return ITEM


def _titles(process: Process[..., Any], results: Results) -> dict[str, str]:
    """What is in which file."""
    found: dict[str, list[str]] = {}
    for out in process.outputs:
        for file in () if isinstance(out, LayerOut) else files_of(out):
            found.setdefault(file, []).append(out.title)
    for layer in results.layers:
        for file in (f"{layer.file}.gpkg", *(_copy_of(layer.file, layer.name, form) for form in ENDINGS)):
            found.setdefault(file, []).append(layer.title)
    return {file: "; ".join(dict.fromkeys(titles)) for file, titles in found.items()}
