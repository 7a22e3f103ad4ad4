"""Other people's data are there and are the files that the checks were written for; a missing one fails and never skips."""

import subprocess
import sys

import pytest

from tests import outside
from tests.house.tree import ROOT


def test_all_outside_data_are_found_without_importing_their_packages():
    code = (
        "import sys; from tests import outside; outside.lidar_dem_path(); outside.momepy_path(); outside.meuse_path(); "
        "print(sorted({'lidar', 'momepy', 'skgstat'} & set(sys.modules)))"
    )
    answer = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert answer.stdout.strip() == "[]", answer.stderr + answer.stdout


def test_missing_data_package_fails_and_says_what_to_run():
    with pytest.raises(pytest.fail.Exception, match="install test data"):
        outside.data_file("no-such-package-of-data", "no/file", "0")


def test_missing_or_changed_data_file_fails():
    with pytest.raises(pytest.fail.Exception, match="install a version"):
        outside.data_file("pytest", "pytest/no_such_file", "0")
    with pytest.raises(pytest.fail.Exception, match="not the file"):
        outside.data_file("pytest", "pytest/__init__.py", "0")
