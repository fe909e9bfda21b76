"""The kernels' own elementary functions against numpy's in float64, from zero to the largest."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kernels.elementary import cbrt, exp2, kernel, log2, power


@kernel
def roots(x, out):
    for i in range(x.size):
        out[i] = cbrt(x[i])


@kernel
def logarithms(x, out):
    for i in range(x.size):
        out[i] = log2(x[i])


@kernel
def powers_of_two(x, out):
    for i in range(x.size):
        out[i] = exp2(x[i])


@kernel
def raised(x, exponent, out):
    for i in range(x.size):
        out[i] = power(x[i], exponent)


def through(function, x, *arguments):
    values = np.asarray(x, np.float32)
    out = np.empty_like(values)
    function(values, *(np.float32(a) for a in arguments), out)
    return out.astype(np.float64), values.astype(np.float64)


def test_cube_roots() -> None:
    found, x = through(roots, np.r_[np.logspace(-30, 30, 4001), -np.logspace(-30, 30, 4001)])
    assert np.abs(found / np.cbrt(x) - 1).max() < 2e-7


@pytest.mark.parametrize("dark", [0.0, -0.0, 1e-45, 1e-40, 1e-38])
def test_the_cube_root_of_black_is_black(dark: float) -> None:
    found, x = through(roots, np.full(64, dark))
    assert np.abs(found - np.cbrt(x)).max() < 1e-13


def test_logarithms_and_powers() -> None:
    found, x = through(logarithms, np.logspace(-37, 38, 5001))
    assert (np.abs(found - np.log2(x)) / np.maximum(np.abs(np.log2(x)), 1)).max() < 2e-7
    found, x = through(powers_of_two, np.linspace(-125, 126, 5001))
    assert np.abs(found / 2.0**x - 1).max() < 3e-7
    assert through(powers_of_two, [-1000.0, 1000.0])[0].tolist() == [2.0**-126, 2.0**127]


@pytest.mark.parametrize("exponent", [0.05, 1 / 2.4, 1.0, 1.8, 16.0])
def test_powers(exponent: float) -> None:
    found, x = through(raised, np.logspace(-2, 2, 2001), exponent)
    expected = x ** np.float64(np.float32(exponent))
    assert np.abs(found / expected - 1).max() < 2e-6 * max(1.0, exponent)
    assert through(raised, [0.0], exponent)[0].tolist() == [0.0]
