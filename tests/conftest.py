"""What every test shares: a quiet colour library, and pixels to try things on."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

# colour-science says at import that an optional plotting library is missing
warnings.filterwarnings("ignore", message=".*related API features are not available.*")


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same in every run."""
    return np.random.default_rng(20260520)
