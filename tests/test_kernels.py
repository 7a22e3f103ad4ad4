"""Starting is cheap, and what is left out on the way is there for whoever asks for it."""

import gc
import subprocess
import sys

import pytest

from geoseptic.memory import modules_only


def test_linear_algebra_is_loaded_by_the_first_kernel_that_has_any():
    """The answer that numba gets without SciPy is true: such a kernel compiles and gives what numpy gives."""
    program = """
import sys
from geoseptic import kernels
kernels.ready()
early = "scipy.linalg" in sys.modules
import numba, numpy as np
a = np.array([[2.0, 1.0], [1.0, 3.0]])
found = numba.njit(lambda a: np.dot(a, a))(a)
print(early, (found == np.dot(a, a)).all(), "scipy.linalg" in sys.modules)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True", "True"]


@pytest.mark.parametrize("was_on", [True, False])
def test_garbage_is_looked_for_afterwards_if_it_was_before(was_on):
    """Also where loading ends in an error."""
    (gc.enable if was_on else gc.disable)()
    try:
        with pytest.raises(ImportError), modules_only():
            assert not gc.isenabled()
            raise ImportError("nothing there")
        assert gc.isenabled() == was_on
    finally:
        gc.enable()
