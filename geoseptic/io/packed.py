"""Values of ours as bytes and back. Only what is listed here is made again: the bytes may come from a file that somebody else wrote."""

import io
import pickle
from dataclasses import is_dataclass
from enum import Enum
from importlib import import_module
from typing import Any, Final

PLAIN: Final = frozenset(
    {
        ("builtins", "complex"),
        ("builtins", "frozenset"),
        ("builtins", "range"),
        ("builtins", "set"),
        ("builtins", "slice"),
        ("datetime", "date"),
        ("numpy", "dtype"),
        ("numpy", "ndarray"),
        ("numpy._core.multiarray", "_reconstruct"),
        ("numpy._core.multiarray", "scalar"),
        ("numpy._core.numeric", "_frombuffer"),
        ("numpy.core.multiarray", "_reconstruct"),
        ("numpy.core.multiarray", "scalar"),
        ("numpy.core.numeric", "_frombuffer"),
        ("shapely.geometry.polygon", "_unpickle_linearring"),
        ("shapely.io", "from_wkb"),
    }
)
"""What else than our own dataclasses and words may stand in the bytes."""


def packed(value: Any) -> bytes:
    """The value as bytes."""
    return pickle.dumps(value, pickle.HIGHEST_PROTOCOL)


def unpacked(data: bytes) -> Any:
    """The value that the bytes were made of. Raises ValueError for anything that is not ours."""
    try:
        return _OwnAlone(io.BytesIO(data)).load()
    except ValueError:
        raise
    except Exception as error:  # bytes that are no pickle may raise anything
        raise ValueError(f"no value of ours: {error}") from error


class _OwnAlone(pickle.Unpickler):
    def find_class(self, module: str, name: str) -> Any:
        if (module, name) in PLAIN:
            return super().find_class(module, name)
        if module.startswith("geoseptic.") and name.isidentifier():
            found = getattr(import_module(module), name, None)
            if isinstance(found, type) and found.__module__ == module and (is_dataclass(found) or issubclass(found, Enum | tuple)):
                return found
        raise ValueError(f"{module}.{name} is no value of ours")
