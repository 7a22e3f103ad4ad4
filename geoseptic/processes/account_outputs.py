"""What every process over parcels tells of its input: apart from accounts.py, since declarations load nothing large."""

from typing import Final

from geoseptic.process import LayerOut

FILE: Final = "repairs"

SPOILT: Final = "checking"
"""Stage in which the shape of a parcel is found to be of no use."""

OUTPUTS: Final = (
    LayerOut(FILE, "repairs", "What was mended or is odd in the layers, where, with areas before and after"),
    LayerOut(FILE, "failures", "Parcels of which nothing can be said, with stage and reason"),
)
