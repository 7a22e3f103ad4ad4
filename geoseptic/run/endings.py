"""What a run that ends without outputs says, and the code that it ends with."""

from typing import Final

from geoseptic.errors import GeosepticError
from geoseptic.run import stops

INTERRUPTED: Final = 130
SIGNALLED: Final = 128
"""And the number of the signal, as shells tell it."""

UNUSABLE_INPUT: Final = 3


def told(error: BaseException) -> tuple[str, int]:
    """The sentences and the exit code for an error that is expected; any other is raised again."""
    if isinstance(error, GeosepticError):
        text, code = str(error), error.exit_code
    elif isinstance(error, KeyboardInterrupt):
        text = "interrupted; nothing was written."
        code = SIGNALLED + error.number if isinstance(error, stops.StoppedError) else INTERRUPTED
    elif isinstance(error, MemoryError):
        text = (
            f"there was not enough memory{f' ({error})' if str(error) else ''}. Nothing was written. Run again with fewer workers "
            "(--workers 1), with less else on the machine, or over fewer parcels and a smaller elevation at a time."
        )
        code = UNUSABLE_INPUT
    elif isinstance(error, OSError):
        text, code = f"{type(error).__name__}: {error}. Nothing was written.", UNUSABLE_INPUT
    else:
        raise error
    return " ".join([text, *getattr(error, "__notes__", ())]), code
