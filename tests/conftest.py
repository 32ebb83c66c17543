"""What every test may rely on: no display, no colour codes in output, and the folder of the repository."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
import pytest

# Before any test imports matplotlib or rich: figures need no window, and output is compared as plain text.
os.environ.setdefault("MPLBACKEND", "Agg")
os.environ["NO_COLOR"] = "1"
for name in ("FORCE_COLOR", "COLUMNS"):
    os.environ.pop(name, None)

# The same examples at every run, so that a result of continuous integration can be had again; no deadline on a shared
# machine.
hypothesis.settings.register_profile("same", derandomize=True, deadline=None)
hypothesis.settings.load_profile("same")

REPOSITORY = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def repository() -> Path:
    """The folder that holds `clearance/`, `scenes/` and `tests/`."""
    return REPOSITORY
