"""What every test shares: numbers to try things on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings

settings.register_profile("suite", deadline=None)  # two suites on two cores are no fault
settings.load_profile("suite")


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20260520)
