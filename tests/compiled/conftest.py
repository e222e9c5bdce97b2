"""The package on which the compiler's traps are tried."""

from pathlib import Path

import pytest

from tests.compiled.package import Package


@pytest.fixture
def package(tmp_path: Path) -> Package:
    return Package(tmp_path)
