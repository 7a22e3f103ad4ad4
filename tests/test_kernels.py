"""Starting is cheap, and what is left out on the way is there for whoever asks for it."""

import subprocess
import sys


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
