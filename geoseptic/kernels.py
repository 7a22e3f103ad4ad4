"""What compiled kernels need before the first of them runs, without what ours have no use for."""

from threading import Lock
from typing import Final

from geoseptic.memory import seldom_searched

_ONE_AT_A_TIME: Final = Lock()


def ready() -> None:
    """Have numba load what it knows of numpy, which it does at the first kernel otherwise.

    While it does so it asks whether SciPy's BLAS is there, and imports all of scipy.linalg for the answer, a fifth of a second. It is told
    yes: the package needs SciPy, and a kernel with linear algebra asks once more when it is compiled.
    """
    with _ONE_AT_A_TIME, seldom_searched():
        from numba.core.registry import cpu_target
        from numba.np import linalg

        asked = getattr(linalg, "ensure_blas", None)
        if asked is None:  # another numba: it loads what it needs at the first kernel
            return
        linalg.ensure_blas = lambda: None
        try:
            cpu_target.target_context.refresh()
        finally:
            linalg.ensure_blas = asked
